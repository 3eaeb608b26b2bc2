"""How likely a car was opened given what is on record of it, and the weight that makes up for it.

Opened cars are no random sample: they are those that looked bad. A car that was opened though that
was unlikely stands for many that were not (Horvitz & Thompson 1952; for verification Begg & Greenes
1983). This is right as far as what drove the choice is on record.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import NamedTuple

import numpy as np

from loopodds.archive.encoded import Piece
from loopodds.base.arrays import BoolArray, FloatArray
from loopodds.diagnosis.model import Beliefs
from loopodds.knowledge.records import Knowledge
from loopodds.upkeep.habits import done_in, yields_of

HELD = 1.0
"""How firmly a coefficient is held at nothing: the prior precision of one on the scale of a
standard deviation of its feature."""
CAP = 0.99
"""Quantile of the weights at which larger ones are cut."""
FURTHEST = 8.0
"""Largest log-odds among the features."""


class Weighting(NamedTuple):
    """Weights of the confirmed cars, and what was done to get them."""

    weights: FloatArray  # shape (confirmed cars,): mean one
    effective: float  # cars of equal weight that would tell as much
    largest: float  # weight at which larger ones were cut
    cut: int  # cars whose weight was cut


def features(piece: Piece, beliefs: Beliefs, knowledge: Knowledge) -> FloatArray:
    """What is on record of every row of a piece, shape (rows, features).

    The log-odds that each fault is there and that nothing is wrong, which tests were done, and what
    is stated of car and day.
    """
    odds = [_log_odds(1 - posterior[:, 0]) for posterior in beliefs.faults.values()]
    done = [done_in(piece, names) for names in yields_of(knowledge).values()]
    contexts = [np.full(len(piece.numbers), told) for told in _stated(piece.context, knowledge)]
    return np.column_stack([*odds, _log_odds(beliefs.p_sound), *done, *contexts]).astype(np.float32)


def _log_odds(chance: FloatArray) -> FloatArray:
    inside = np.clip(chance, 0.0, 1.0)
    with np.errstate(divide="ignore"):
        odds: FloatArray = np.log(inside) - np.log1p(-inside)
    return np.clip(odds, -FURTHEST, FURTHEST)


def _stated(context: Mapping[str, str], knowledge: Knowledge) -> list[float]:
    """One for each value of each context that is so."""
    return [
        float(context.get(name) == value)
        for name, about in knowledge.contexts.items()
        for value in about.values
    ]


def confirmed_chances(record: FloatArray, confirmed: BoolArray) -> FloatArray:
    """Chance that each car was confirmed given its record, shape (cars,): a logistic regression.

    Args:
        record: Shape (cars, features).
    """
    from scipy.optimize import minimize
    from scipy.special import expit

    spread = record.std(axis=0)
    scaled = (record - record.mean(axis=0)) / np.where(spread > 0, spread, 1.0)
    table = np.column_stack([np.ones(len(scaled)), scaled])
    held = np.full(table.shape[1], HELD)
    held[0] = 0.0

    def loss(by: FloatArray) -> tuple[float, FloatArray]:
        score = table @ by
        fit = np.logaddexp(0.0, score).sum() - score[confirmed].sum()
        return float(fit + 0.5 * held @ by**2), table.T @ (expit(score) - confirmed) + held * by

    best = minimize(loss, np.zeros(table.shape[1]), jac=True, method="L-BFGS-B")
    chances: FloatArray = expit(table @ best.x)
    return chances


def weighting(chances: FloatArray) -> Weighting:
    """Weights of the confirmed cars from the chance that each had of being confirmed.

    >>> weighting(np.array([0.5, 0.5, 0.25])).weights.round(2).tolist()
    [0.75, 0.75, 1.49]
    """
    plain = 1.0 / np.maximum(chances, 1e-6)
    cap = float(np.quantile(plain, CAP))
    held = np.minimum(plain, cap)
    weights = held / held.mean()
    effective = float(weights.sum() ** 2 / (weights**2).sum())
    return Weighting(weights, effective, cap / float(held.mean()), int((plain > cap).sum()))
