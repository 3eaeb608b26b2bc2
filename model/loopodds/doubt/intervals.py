"""How far the probabilities of one car could lie, for the weights that its numbers have.

Delta method (Van Allen, Singh, Greiner & Hooper 2008): the variance of a posterior is that of the
numbers it was worked out from, times the square of its slope by each; a Beta with these moments
stands for it. It covers the stated weights, not a structure that is wrong.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import lru_cache
from typing import Any, NamedTuple

import numpy as np

from loopodds.base.arrays import FloatArray
from loopodds.diagnosis.belief import Belief
from loopodds.diagnosis.model import Model
from loopodds.doubt.beta import beta_interval
from loopodds.doubt.chain import slope_by, tallies_of
from loopodds.doubt.numbers import Numbers, Path, number_words, numbers_of, place_words
from loopodds.inference.network import Evidence
from loopodds.inference.slopes import Slopes, slopes
from loopodds.knowledge.records import SOUND, Knowledge


class Interval(NamedTuple):
    """Nine tenths of what a probability could be, and the deviation behind it."""

    low: float
    high: float
    deviation: float


class CountNext(NamedTuple):
    """The list of numbers that a probability's doubt hangs on most."""

    node: str
    place: str  # as ``charge.rows[8].p``
    about: str
    share: float  # of the variance
    weight: float  # in cars, now
    # counting so many lists, this first, on so many cars each would halve the deviation
    lists: int
    cars: float


@dataclass(frozen=True, slots=True, eq=False)
class Doubts:
    """Intervals of every condition and of ``sound``, and what lies behind each."""

    intervals: Mapping[str, Interval]
    parts: FloatArray  # variance by condition and list, shape (conditions and sound, lists)
    lists: tuple[Numbers, ...]
    knowledge: Knowledge

    def count_next(self, name: str) -> CountNext | None:
        """What to count next for a condition or ``sound``; None where nothing is open."""
        parts = self.parts[list(self.intervals).index(name)]
        total = float(parts.sum())
        if total <= 0:
            return None
        order = np.argsort(-parts, kind="stable")
        numbers = self.lists[order[0]]
        weights = np.array([self.lists[i].grounds.weight for i in order])
        many, cars = _halved(parts[order], weights)
        place = place_words(*numbers.key)
        about = number_words(self.knowledge.node(numbers.node), numbers.path)
        share = float(parts[order[0]]) / total
        return CountNext(numbers.node, place, about, share, numbers.grounds.weight, many, cars)


def _halved(parts: FloatArray, weights: FloatArray) -> tuple[int, float]:
    """How many lists, largest part first, on how many cars each to quarter the variance.

    Counting divides the part of a list by ``1 + cars / (weight + 1)``. As many are taken as leave
    no more than an eighth to the others, so that a count of some length is enough.
    """
    total = parts.sum()
    many = int(np.searchsorted(np.cumsum(parts), total * 7 / 8)) + 1
    counted, weight, rest = parts[:many], weights[:many] + 1, parts[many:].sum()
    low, high = 0.0, 1e9
    for _ in range(60):
        cars = (low + high) / 2
        left = (counted * weight / (weight + cars)).sum() + rest
        low, high = (cars, high) if left > total / 4 else (low, cars)
    return many, high


def doubts(belief: Belief) -> Doubts | None:
    """Intervals for one car; None for one that was repaired, whose network has other tables."""
    model = belief.model
    if model.repairs:
        return None
    names = [*model.conditions, SOUND]
    point = np.array([*(belief.condition(name) for name in model.conditions), belief.p_sound])
    moves, lists = _moves(model, belief.context, belief.evidence)
    moves = [point[:, None] * move for move in moves]
    parts = np.array(
        [np.einsum("qi,ij,qj->q", m, n.covariance, m) for m, n in zip(moves, lists, strict=True)]
    ).T
    low, high = beta_interval(point, parts.sum(axis=1))
    deviations = np.sqrt(parts.sum(axis=1))
    found = zip(names, low.tolist(), high.tolist(), deviations.tolist(), strict=True)
    intervals = {name: Interval(*ends) for name, *ends in found}
    return Doubts(intervals, parts, tuple(lists), model.knowledge)


def _moves(
    model: Model, context: Mapping[str, str], evidence: Evidence
) -> tuple[list[FloatArray], list[Numbers]]:
    """Slope of the log probability of each condition and ``sound`` by each list of numbers.

    That of the log evidence with the condition supposed, less that without: one batch. Shape
    (conditions and sound, numbers) each.
    """
    told = evidence.repeat(len(model.conditions) + 2).with_soft(_supposed(model))
    found = slopes(model.tree(context), told)
    moves, lists = [], []
    for name, given in _by_node(found, model.knowledge).items():
        known = _lists(model.knowledge, name)
        for path, tally in tallies_of(
            model.knowledge.node(name), model.knowledge, context, given
        ).items():
            if known[path].free:
                slope = slope_by(known[path], tally)
                moves.append(slope[1:] - slope[:1])
                lists.append(known[path])
    return moves, lists


def _by_node(found: Slopes, knowledge: Knowledge) -> dict[str, Any]:
    return {n: part for n, part in {**found.tables, **found.gauges}.items() if n in knowledge.nodes}


@lru_cache(maxsize=4096)
def _lists(knowledge: Knowledge, name: str) -> Mapping[Path, Numbers]:
    return numbers_of(knowledge.node(name))


def _supposed(model: Model) -> dict[str, FloatArray]:
    """Likelihoods by fault variable: nothing, then each condition, then all faults sound."""
    rows = len(model.conditions) + 2
    soft = {name: np.ones((rows, len(model.states(name)))) for name in model.faults}
    for row, (name, condition) in enumerate(model.conditions.items(), start=1):
        soft[condition.variable][row] = model.members(name)
    for name, weights in soft.items():
        weights[-1] = np.eye(len(model.states(name)))[0]
    return soft
