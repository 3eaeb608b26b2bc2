"""What was stated of the cars of an archive, and what its outcomes say became of it.

An outcome column tells of one fault. Of the whole car the columns together tell: that nothing is
wrong shows in that no fault is reported; which plan was right in which faults are. How likely such
a report is where the event is there, and where it is not, follows from the error rates of the way
of confirming and, for the whole car, from the network; where the two are nearly the same, as where
an archive has no column for what the car is likely to have, the car tells nothing and is left out.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, NamedTuple

import numpy as np

from loopodds.archive.encoded import Piece
from loopodds.base.arrays import BoolArray, FloatArray, IntArray
from loopodds.diagnosis.model import Beliefs, Model
from loopodds.upkeep.confirmation import Rates, Way, rates_of, ways_of

LEADING, NOTHING_WRONG, PLAN_RIGHT = "leading_fault", "nothing_wrong", "plan_right"
CLEAR = 0.2
"""Least difference that an event has to make to the chance of its report."""
STEP = 0.005
"""Of the chance of a report, to see what it moves."""


class Events(NamedTuple):
    """One event in some confirmed cars, all of shape (cars,).

    The parts are those of :class:`loopodds.calibration.reliability.Outcomes`.
    """

    rows: IntArray  # places among the rows of the piece
    stated: FloatArray
    said: BoolArray
    least: FloatArray
    most: FloatArray
    way: IntArray
    by_false: FloatArray
    by_true: FloatArray

    def take(self, chosen: BoolArray) -> Events:
        """Those of some cars."""
        parts: tuple[Any, ...] = tuple(part[chosen] for part in self)
        return Events(*parts)

    def clear(self) -> Events:
        """The cars of which the report tells enough."""
        return self.take(self.most - self.least >= CLEAR)


class Reported(NamedTuple):
    """What the outcome columns of one fault say of some rows, all of shape (rows,)."""

    present: BoolArray
    open: BoolArray  # either, in one cell: it is not known what it says


class Told(NamedTuple):
    """The way of confirming of some rows, and the chances of its reports; all of shape (rows,)."""

    way: IntArray
    false: FloatArray  # that a fault is reported which is not there
    true: FloatArray  # and one that is


def chances(rates: Rates | FloatArray) -> FloatArray:
    """Chance that a fault is reported where it is not and where it is, shape (..., 2).

    >>> chances(Rates(0.1, 0.02, 0.0, 0.9, 0.5)).round(2).tolist()
    [0.01, 0.81]
    """
    missed, false_alarm, _, noted_fault, noted_sound = np.moveaxis(np.asarray(rates), -1, 0)
    both = noted_sound * false_alarm, noted_fault * (1 - missed)
    return np.stack(both, axis=-1)


def told_by(way: IntArray, rates: Mapping[str, Rates]) -> Told:
    """The chances of the reports of some rows."""
    each = chances(np.array(list(rates.values())))[way]
    return Told(way, each[:, 0], each[:, 1])


def drawn_shifts(ways: Mapping[str, Way], count: int, rng: np.random.Generator) -> FloatArray:
    """How far these chances may lie from what the file says, for its weights.

    Shape (count, ways, 2): each rate is drawn from the beta distribution of its weight.
    """
    stated = np.array(list(rates_of(ways).values()))
    weight = np.array([[way.weight] for way in ways.values()])
    inside = np.clip(stated, 1e-6, 1 - 1e-6)
    drawn = rng.beta(weight * inside, weight * (1 - inside), size=(count, *stated.shape))
    return chances(drawn) - chances(stated)


def reported(possible: BoolArray) -> Reported:
    """How a cell reads; one that leaves every state possible says nothing."""
    silent, sound, faulty = possible.all(axis=1), possible[:, 0], possible[:, 1:].any(axis=1)
    return Reported(~sound, sound & faulty & ~silent)


def events_of(
    piece: Piece, beliefs: Beliefs, model: Model, rates: Mapping[str, Rates]
) -> dict[str, Events]:
    """Every event but the plan in the confirmed cars of a piece: faults, the leading one, none."""
    way = ways_of(piece, list(rates))
    rows = np.flatnonzero(way >= 0)
    if not len(rows) or not piece.confirmed:
        return {}
    own, told = piece.take(rows), told_by(way[rows], rates)
    cells = {fault: reported(possible) for fault, possible in own.confirmed.items()}
    stated = {n: np.clip(1 - beliefs.faults[n][rows, 0], 0.0, 1.0) for n in model.faults}
    found = {}
    for fault, cell in cells.items():
        found[fault] = _of_fault(rows, stated[fault], cell.present, told).take(~cell.open)
    found[LEADING] = _leading(rows, stated, cells, told)
    found[NOTHING_WRONG] = _nothing_wrong(own, rows, beliefs.p_sound[rows], model, told)
    return {name: events.clear() for name, events in found.items()}


def _of_fault(rows: IntArray, stated: FloatArray, said: BoolArray, told: Told) -> Events:
    return Events(rows, stated, said, told.false, told.true, told.way, 1 - stated, stated)


def _leading(
    rows: IntArray, stated: Mapping[str, FloatArray], cells: Mapping[str, Reported], told: Told
) -> Events:
    """The fault that is likeliest in each car, where the archive has a column for it."""
    table = np.column_stack([*stated.values()])
    first = table.argmax(axis=1)
    said, known = np.zeros(len(rows), bool), np.zeros(len(rows), bool)
    for number, name in enumerate(stated):
        if name in cells:
            said |= (first == number) & cells[name].present
            known |= (first == number) & ~cells[name].open
    return _of_fault(rows, table.max(axis=1), said, told).take(known)


def _nothing_wrong(
    piece: Piece, rows: IntArray, p_sound: FloatArray, model: Model, told: Told
) -> Events:
    """That every fault is absent, which shows in that none is reported.

    The chance of no report is exact, by one more pass with the chance of silence as a likelihood of
    every fault; what is left of it beside the sound cars is that of the others.
    """
    cells = [reported(possible) for possible in piece.confirmed.values()]
    said = ~np.any([cell.present for cell in cells], axis=0)
    known = ~np.any([cell.open for cell in cells], axis=0)
    tree = model.tree(piece.context)
    before = tree.propagate(piece.evidence).log_evidence

    def quiet(false: FloatArray, true: FloatArray) -> FloatArray:
        soft = {}
        for fault, possible in piece.confirmed.items():
            soft[fault] = np.repeat((1 - true)[:, None], possible.shape[1], axis=1)
            soft[fault][:, 0] = 1 - false
        chance: FloatArray = np.exp(
            tree.propagate(piece.evidence.with_soft(soft)).log_evidence - before
        )
        return chance

    now = quiet(told.false, told.true)
    by_false = (quiet(told.false + STEP, told.true) - now) / STEP
    by_true = (now - quiet(told.false, told.true - STEP)) / STEP
    sound = (1 - told.false) ** len(piece.confirmed)
    faulty = np.clip((now - p_sound * sound) / np.maximum(1 - p_sound, 1e-9), 0.0, sound)
    return Events(rows, p_sound, said, faulty, sound, told.way, by_false, by_true).take(known)
