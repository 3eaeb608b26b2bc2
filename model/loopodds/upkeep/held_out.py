"""Rows kept back, which judge what the others taught, and rows that stand for all the others."""

from __future__ import annotations

from dataclasses import replace
from math import sqrt
from typing import NamedTuple

import numpy as np

from loopodds.archive.encoded import Piece
from loopodds.base.arrays import BoolArray, FloatArray
from loopodds.doubt.beta import QUANTILE_90
from loopodds.upkeep.estimation import Learner, Pieces, State

HELD_BACK = 0.2


class Gain(NamedTuple):
    """Mean log score of rows kept back, before and after, and the paired difference with 90 %."""

    rows: int
    before: float
    after: float
    low: float
    high: float

    @property
    def gain(self) -> float:
        """After less before: above zero the rows are foretold better."""
        return self.after - self.before


def kept_back(piece: Piece) -> BoolArray:
    """Rows that judge, one in five by their number: the same ones whatever else stands there."""
    mixed = (piece.numbers.astype(np.uint64) * np.uint64(2654435761)) % np.uint64(2**32)
    judges: BoolArray = mixed / 2**32 < HELD_BACK
    return judges


def judged(
    learner: Learner, pieces: Pieces, before: State, after: State
) -> tuple[Gain, Gain | None]:
    """Scores of rows kept back, of all that they hold and of their outcomes."""
    old, new = learner.scores(pieces, before), learner.scores(pieces, after)
    has = ~np.isnan(old[1])
    outcomes = gain_between(old[1][has], new[1][has]) if has.any() else None
    return gain_between(old[0], new[0]), outcomes


def gain_between(before: FloatArray, after: FloatArray) -> Gain:
    """Scores of the same rows before and after."""
    apart = after - before
    reach = QUANTILE_90 * float(apart.std(ddof=1)) / sqrt(len(apart)) if len(apart) > 1 else np.inf
    mean = float(apart.mean())
    return Gain(len(apart), float(before.mean()), float(after.mean()), mean - reach, mean + reach)


def thinned(pieces: Pieces, rows: int) -> list[Piece]:
    """About so many rows spread evenly over all pieces, each weighed as the cars around it."""
    step = max(1, -(-sum(len(piece.numbers) for piece in pieces()) // rows))
    some = []
    for piece in pieces():
        few = piece.take(np.arange(0, len(piece.numbers), step))
        some.append(replace(few, weight=len(piece.numbers) / len(few.numbers)))
    return some
