"""The plan of least expected cost of many cars at once, as an archive is scored.

Cars for which the same work is on offer share one decision: all plans of it are judged for all of
them by products of matrices. What the customer came for enters as a property of each car, so that
it needs no decision of its own: what a plan leaves of a complaint is linear in how likely each
state brings it about. The rules of what may be done are asked of one car of each kind.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import lru_cache
from itertools import accumulate, compress

import numpy as np

from loopodds.advice.assessment import Assessment
from loopodds.advice.kinds import Cars, Kind, Work, distinct, parties_of
from loopodds.base.arrays import BoolArray, FloatArray, IntArray, Query
from loopodds.decision.gates import Gates
from loopodds.decision.offers import Offer, offers_for, repair_decision
from loopodds.decision.prices import Prices, shipped_prices
from loopodds.decision.workshop import in_order
from loopodds.diagnosis.model import Beliefs, Model
from loopodds.inspection.encoding import inspection_at
from loopodds.inspection.inspection import Encoding, InspectionBatch
from loopodds.knowledge.cures import fault_columns, season_harm
from loopodds.knowledge.records import Knowledge
from loopodds.safety.stops import with_companions

MOST_MENUS = 64
"""Menus kept, of some two megabytes each: with less, kinds of car that come by turns are worked out
again, a tenth of a second each."""


@dataclass(frozen=True, slots=True, eq=False)
class Plans:
    """The best plan of each car of a batch, and what comes of leaving the car as it is."""

    services: list[Query]  # in the order to do them; empty where the car is best left as it is
    cost: FloatArray  # expected, in currency, shape (rows,): outlay and harm left for a season
    leaving: FloatArray  # the same of doing nothing, shape (rows,)

    def take(self, rows: BoolArray) -> Plans:
        """Those of some rows."""
        return Plans(list(compress(self.services, rows)), self.cost[rows], self.leaving[rows])


def plans_of(
    encoding: Encoding,
    beliefs: Sequence[Beliefs],
    model: Model,
    prices: Prices | None = None,
    put_right: Mapping[str, BoolArray] | None = None,
) -> Plans:
    """The plan of least expected cost of every row, as the plan of a single case.

    Args:
        beliefs: Of each group of the encoding.
        prices: The shipped ones when left out.
        put_right: Fault variables that count as mended, by name, shape (rows,), with nothing owed
            and every test to be done again: what could still be saved on a car that has left.

    Raises:
        KnowledgeError: if the knowledge lacks prices and none were given, or breaks a safety rule.
    """
    knowledge = model.knowledge
    rows = encoding.batch.rows
    prices = prices or shipped_prices(knowledge)
    services: list[Query] = [()] * rows
    cost, leaving = np.zeros(rows), np.zeros(rows)
    known: dict[tuple[Gates, bytes], Kind] = {}
    parties = [
        party
        for group, believed in zip(encoding.groups, beliefs, strict=True)
        for party in parties_of(encoding, group, believed, model, prices, known)
    ]
    if put_right is not None:
        parties = [_mended(party, put_right, knowledge) for party in parties]
    waiting: dict[Work, list[tuple[Cars, int]]] = {}
    for party in parties:
        for number, kind in enumerate(party.kinds):
            waiting.setdefault(kind.work, []).append((party, number))
    for work, shares in waiting.items():
        menu = _menu(work)
        for party, number in shares:
            own = np.flatnonzero(party.kind == number)
            found, price, left = _best(menu, party, number, own, put_right is not None)
            for row, names in zip(party.rows[own].tolist(), found, strict=True):
                services[row] = names
            cost[party.rows[own]], leaving[party.rows[own]] = price, left
    return Plans(services, cost, leaving)


def next_tests(
    encoding: Encoding, log_evidence: FloatArray, model: Model, prices: Prices | None = None
) -> list[str]:
    """The test to do next on every car, as in a single case; empty where none pays.

    Cars of which the same is known are looked at once. ``log_evidence``, shape (rows,): rows that
    cannot be have no test.
    """
    written = encoding.written
    tests = [""] * written.rows
    possible = np.flatnonzero(np.isfinite(log_evidence))
    for _, same in distinct(_bytes_of(written)[possible]):
        car = inspection_at(written, int(possible[same[0]]), model.knowledge)
        test = next(iter(Assessment(car, model, prices, (), 1).to_test), "")
        for row in possible[same].tolist():
            tests[row] = test
    return tests


def _bytes_of(batch: InspectionBatch) -> IntArray:
    """All that is recorded of each car but its outcome, shape (rows, bytes)."""
    kinds = (batch.codes, batch.soft, batch.readings, batch.choices, batch.numbers)
    columns = [np.ascontiguousarray(column) for kind in kinds for column in kind.values()]
    flat = [column.reshape(batch.rows, -1).view(np.uint8) for column in columns]
    return np.hstack([np.zeros((batch.rows, 1), np.uint8), *flat])


@dataclass(frozen=True, slots=True, eq=False)
class _Menu:
    """All plans for a kind of car, a column for each option of each part of each setting."""

    loss: FloatArray  # shape (columns, options), as if every state brought the complaint about
    spared: FloatArray  # shape (fault columns, options): what of that no complaint saves
    constant: FloatArray  # shape (options,)
    options: list[Query]
    starts: IntArray  # first option of each part
    first: IntArray  # first part of each setting
    fills: FloatArray  # one for each setting that fills the loop
    filling: float  # currency of that, as ``constant`` has it
    needs: Query
    ended_by: Mapping[str, frozenset[str]]
    owed: Mapping[str, frozenset[str]]
    shared_by: Mapping[str, frozenset[str]]
    # tests that end each set-up with which a car comes in
    stood_until: Mapping[str, frozenset[str]]
    offers: Mapping[str, Offer]
    season: FloatArray  # harm of each state, shape (fault columns,)
    unsolved: float

    def to_do(self, done: Mapping[str, BoolArray], rows: IntArray) -> FloatArray:
        """What is still to be done before plans, and what is owed, shape (rows, certain)."""
        columns: list[BoolArray] = []
        for need in self.needs:  # set-ups behind the tests that share them
            if need in self.shared_by:
                users = [columns[self.needs.index(test)] for test in self.shared_by[need]]
                ended = [done[test][rows] for test in self.stood_until.get(need, ())]
                lasts = need in self.stood_until and ~np.any(ended, axis=0)
                columns.append(np.any(users, axis=0) & ~np.asarray(lasts))
                continue
            over = (need, *self.ended_by.get(need, ()))
            columns.append(~np.any([done[name][rows] for name in over], axis=0))
        for causes in self.owed.values():
            own = [done[name][rows] for name in causes]
            columns.append(np.any(own, axis=0) if own else np.zeros(len(rows), dtype=bool))
        return np.array(columns, dtype=float).reshape(len(columns), len(rows)).T


@lru_cache(maxsize=MOST_MENUS)
def _menu(work: Work) -> _Menu:
    gates, failed, bars = work.gates, work.failed, work.bars
    knowledge, unsolved = gates.knowledge, gates.prices.unsolved
    faults = knowledge.of_kind("fault")
    # the sound state, the first, brings nothing about
    every = tuple(
        float(state != faults[name].states[0]) for name, state in fault_columns(knowledge)
    )
    whole = repair_decision.__wrapped__(gates, failed, (), bars, every)
    parts = [part for setting in whole.settings for part in setting.components]
    lasts = np.vstack([part.lasts for part in parts if part.lasts is not None])
    return _Menu(
        np.ascontiguousarray(np.vstack([part.loss for part in parts]).T),
        np.ascontiguousarray(unsolved * (lasts * every).T),
        np.concatenate([part.constant for part in parts]),
        [option for part in parts for option in part.options],
        np.array([0, *accumulate(len(part.constant) for part in parts)][:-1]),
        np.array([0, *accumulate(len(setting.components) for setting in whole.settings)][:-1]),
        np.array([float(setting.filling) for setting in whole.settings]),
        gates.prices.filling(gates.context.get("refrigerant")),
        whole.needs,
        whole.ended_by,
        whole.owed,
        whole.shared_by,
        {name: gates.set_ups.ending(name) for name in gates.set_ups.start},
        {offer.name: offer for offer in offers_for(gates, failed, bars)},
        season_harm(gates.context, gates.knowledge),
        unsolved,
    )


def _best(
    menu: _Menu, party: Cars, number: int, own: IntArray, left_alone: bool
) -> tuple[list[Query], FloatArray, FloatArray]:
    """Services, cost and cost of leaving of some cars of a kind.

    ``left_alone``: the cars have left, so that nothing was done today.
    """
    marginals, brought = party.marginals[own], party.brought[own]
    to_do = menu.to_do(party.done, own)
    if left_alone:
        to_do[:, : len(menu.needs)], to_do[:, len(menu.needs) :] = 1.0, 0.0
    quiet = marginals * (1 - brought)
    bill = np.hstack([marginals, to_do]) @ menu.loss + menu.constant - quiet @ menu.spared
    parts = np.minimum.reduceat(bill, menu.starts, axis=1)
    gates = party.kinds[number].gates
    dearer = gates.prices.filling(gates.context.get("refrigerant")) - menu.filling
    settings = np.add.reduceat(parts, menu.first, axis=1) + dearer * menu.fills
    chosen = settings.argmin(axis=1)
    cost = settings[np.arange(len(own)), chosen]
    leaving = marginals @ menu.season + menu.unsolved * (marginals * brought).sum(axis=1)
    ends = [*menu.first[1:].tolist(), len(menu.starts)]
    stops = [*menu.starts[1:].tolist(), len(menu.options)]
    found: list[Query] = [()] * len(own)
    for setting in np.unique(chosen).tolist():
        rows = np.flatnonzero(chosen == setting)
        columns = range(int(menu.first[setting]), ends[setting])
        picks = np.column_stack(
            [bill[rows, menu.starts[c] : stops[c]].argmin(axis=1) + menu.starts[c] for c in columns]
        )
        for pick, which in distinct(picks):
            names = tuple(name for option in pick.tolist() for name in menu.options[option])
            extra, told = _with_companions(party, number, names, left_alone)
            cost[rows[which]] += extra
            for row in rows[which].tolist():
                found[row] = _ordered(menu, names, told, marginals[row], party, number)
    return found, cost, leaving


def _with_companions(
    party: Cars, number: int, names: Query, left_alone: bool
) -> tuple[float, Query]:
    """Services with those that a stop asks for, and what these add to the cost."""
    if left_alone:
        return 0.0, names
    kind = party.kinds[number]
    told = with_companions(names, kind.progress.stops, kind.facts, kind.gates.knowledge)
    prices = kind.gates.prices
    along = sum(prices.of_work(name) for name in told if name not in names)
    return along - sum(prices.of_work(name) for name in names if name not in told), told


def _ordered(
    menu: _Menu, names: Query, told: Query, marginal: FloatArray, party: Cars, number: int
) -> Query:
    offers = [menu.offers[name] for name in names]
    knowledge = party.kinds[number].gates.knowledge
    ordered = [offer.name for offer in in_order(offers, marginal, knowledge)]
    return (*(n for n in ordered if n in told), *(n for n in told if n not in names))


def _mended(party: Cars, put_right: Mapping[str, BoolArray], knowledge: Knowledge) -> Cars:
    """The same cars with some faults put right."""
    marginals, start = party.marginals.copy(), 0
    for name, node in knowledge.of_kind("fault").items():
        if name in put_right:
            rows = put_right[name][party.rows]
            marginals[rows, start : start + len(node.states)] = np.eye(len(node.states))[0]
        start += len(node.states)
    return Cars(party.rows, marginals, party.brought, party.done, party.kind, party.kinds)
