"""Whether the plan that the record led to was right, as the outcomes tell it.

A plan was right if it leaves nothing alone that one would have repaired who knew what is wrong:
each fault state of the car that their plan treats is treated by this one too. It is knowable where
the outcome columns name the faults; what they do not mention counts as absent. How likely the
outcomes call a plan right that is, or is not, comes from cars drawn from what was believed, with
reports drawn for them.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from functools import lru_cache
from typing import NamedTuple

import numpy as np

from loopodds.archive.encoded import Piece
from loopodds.base.arrays import BoolArray, FloatArray, IntArray, Query
from loopodds.calibration.events import Events, chances, reported
from loopodds.decision.workshop import Workshop
from loopodds.diagnosis.belief import Belief
from loopodds.diagnosis.model import Model
from loopodds.knowledge.cures import cure_chances
from loopodds.knowledge.records import Knowledge
from loopodds.upkeep.confirmation import Rates, report_table, ways_of

DRAWS = 400
"""Cars drawn for each plan: the standard error of what is stated is then .025 at most."""
MOST_PLANS = 300
"""Cars whose plan is worked out, evenly among the confirmed ones: a tenth of a second each."""
STEP = 0.1
"""Share by which the rates of reports are moved, to see what it does to all cars."""
HELD = 5.0
"""Draws that those of all cars together count as beside those of one."""


class _Judged(NamedTuple):
    """How a plan fared on one car, and on the cars drawn for it."""

    said: bool  # by the outcomes
    right: BoolArray  # on the cars drawn, shape (draws,)
    # by reports drawn for them: as they are, with more reports of what is not there, and with
    # fewer of what is, shape (3, draws)
    called: BoolArray


def plan_events(
    pieces: Sequence[tuple[Piece, IntArray]],
    model: Model,
    rates: Mapping[str, Rates],
    rng: np.random.Generator,
) -> list[Events]:
    """Whether the plans of some confirmed rows were right, of each piece.

    The chances of a report are those of the draws of each car, held by those of all cars.
    """
    found = [_judged_rows(piece, rows, model, rates, rng) for piece, rows in pieces]
    every = [judged for part in found for _, _, judged in part]
    right = np.array([judged.right for judged in every]).reshape(-1, DRAWS)
    called = np.array([judged.called for judged in every]).reshape(-1, 3, DRAWS)
    said = np.array([judged.said for judged in every], dtype=bool)
    rows, way = (
        np.array([one[place] for part in found for one in part], dtype=np.int64) for place in (0, 1)
    )
    now, false, fewer = called.mean(axis=(0, 2)) if len(every) else np.zeros(3)
    table = np.array(list(rates.values()))
    steps = [np.array([_moved(rate)[k] for rate in table])[way] for k in (0, 1)]
    whole = Events(
        rows, right.mean(axis=1), said, _held(called[:, 0], ~right), _held(called[:, 0], right),
        way, _slope(false - now, steps[0]), _slope(fewer - now, steps[1]),
    )  # fmt: skip
    ends = np.cumsum([len(part) for part in found])
    places = np.arange(len(rows))
    return [
        whole.take((places >= end - len(part)) & (places < end)).clear()
        for part, end in zip(found, ends.tolist(), strict=True)
    ]


def _with_more(rates: Rates) -> tuple[Rates, Rates]:
    """Rates with more reports of what is not there, and with fewer of what is."""
    more = rates._replace(false_alarm=rates.false_alarm + (1 - rates.false_alarm) * STEP)
    return more, rates._replace(noted_fault=rates.noted_fault * (1 - STEP))


def _moved(rates: FloatArray) -> tuple[float, float]:
    """How far the chances of a report are moved by these: of what is not there, of what is."""
    own = Rates(*rates.tolist())
    more, fewer = _with_more(own)
    now = chances(own)
    return float((chances(more) - now)[0]), float((chances(fewer) - now)[1])


def _slope(change: float, steps: FloatArray) -> FloatArray:
    """Change by step, nothing where there was none."""
    return np.divide(change, steps, out=np.zeros_like(steps), where=steps != 0)


def _held(called: BoolArray, among: BoolArray) -> FloatArray:
    """Share called right among some draws of each car, shape (cars,)."""
    share = (called & among).sum() / max(among.sum(), 1)
    counts = (called & among).sum(axis=1) + HELD * share
    chance: FloatArray = counts / (among.sum(axis=1) + HELD)
    return chance


def _judged_rows(
    piece: Piece, rows: IntArray, model: Model, rates: Mapping[str, Rates], rng: np.random.Generator
) -> list[tuple[int, int, _Judged]]:
    """Row, way of confirming and how the plan fared, of the rows whose cells are not open."""
    ways = ways_of(piece, list(rates))
    found = []
    for row in rows.tolist():
        one, way = piece.take(np.array([row])), int(ways[row])
        if not any(reported(possible).open[0] for possible in one.confirmed.values()):
            judged = _judged(one, model, list(rates.values())[way], rng)
            found.append((row, way, judged))
    return found


def _judged(piece: Piece, model: Model, rates: Rates, rng: np.random.Generator) -> _Judged:
    shop = Workshop(Belief(model, piece.context, piece.evidence))
    hindsight = _Hindsight(shop)
    names = [name for name, _ in shop.decision.variables]
    # a report names a state, the first where it leaves several; one that says nothing counts as
    # none, the sound state
    told = {fault: int(possible[0].argmax()) for fault, possible in piece.confirmed.items()}
    drawn = shop.calibrated.draw(DRAWS, rng)
    truth = np.column_stack([drawn[name] for name in names])
    luck = rng.random(truth.shape)
    seen = [_reports(truth, luck, names, told, model, r) for r in (rates, *_with_more(rates))]
    mine = np.array([[told.get(name, 0) for name in names]])
    right = hindsight.right(np.vstack([truth, *seen, mine]))
    return _Judged(bool(right[-1]), right[:DRAWS], right[DRAWS:-1].reshape(3, DRAWS))


def _reports(
    truth: IntArray,
    luck: FloatArray,
    names: Sequence[str],
    told: Collection[str],
    model: Model,
    rates: Rates,
) -> IntArray:
    """States reported of cars, the sound one where nothing is, shape (cars, faults)."""
    seen = np.zeros_like(truth)
    for place, name in enumerate(names):
        if name in told:
            table = report_table(len(model.states(name)), rates)
            at = (luck[:, place, None] >= table[truth[:, place]].cumsum(axis=1)).sum(axis=1)
            seen[:, place] = np.where(at >= table.shape[1] - 1, 0, at)
    return seen


class _Hindsight:
    """The plan of one car against those of people who know what is wrong with it."""

    def __init__(self, shop: Workshop) -> None:
        self.shop = shop
        self.cards = [states for _, states in shop.decision.variables]
        self.mine = self.treated(shop.best.actions)

    def treated(self, actions: Query) -> BoolArray:
        """States that services treat, shape (columns,)."""
        return _treated(actions, self.shop.knowledge, self.shop.decision.variables)

    def right(self, states: IntArray) -> BoolArray:
        """Whether the plan treats what they would treat, shape (cars,).

        Args:
            states: Of each variable of the decision, shape (cars, variables).
        """
        different, car = np.unique(states, axis=0, return_inverse=True)
        present = self._columns(different)
        sure = np.hstack([present, np.tile(self.shop.to_do, (len(present), 1))])
        theirs = self.shop.decision.chosen(sure)
        right = [self._covers(here > 0, plan) for here, plan in zip(present, theirs, strict=True)]
        return np.array(right)[car.ravel()]

    def _columns(self, states: IntArray) -> FloatArray:
        parts: Sequence[FloatArray] = [
            np.eye(card)[states[:, place]] for place, card in enumerate(self.cards)
        ]
        return np.hstack(parts)

    def _covers(self, present: BoolArray, plan: Query) -> bool:
        return not (present & self.treated(plan) & ~self.mine).any()


@lru_cache(maxsize=65536)
def _treated(
    actions: Query, knowledge: Knowledge, variables: tuple[tuple[str, int], ...]
) -> BoolArray:
    chances = cure_chances(actions, knowledge)
    return np.concatenate([chances.get(name, np.zeros(states)) > 0 for name, states in variables])
