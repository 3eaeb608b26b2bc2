"""Lower bounds on what any way of choosing tests can cost, rung by rung.

The game. A car is drawn; someone who does not know what is wrong buys tests one after the other,
each choice hanging on what was seen, stops when he likes, and takes one plan, whose outcome is
priced by its chances (`Decision`). A test that was done is not done again: it would show the same.
Whoever plays has seen K when he stops and has paid for the tests T that show it. Write O for all
results of the car, A for his plan and c(A, .) for the expected cost of a plan. His bill is
cost(T) + E[c(A, O)]. Plans here include every one that some rule might have shut: more freedom
only lowers a bound.

Each rung is the mean over cars of a number that is, car by car, no more than the bill of every
player, or differs from one that is by a sum of mean zero.

    faults     min over plans of c(plan, faults): no plan costs less for the faults there are.
    results    min over plans of E[c(plan) | O]: the plan hangs on K, which is part of O, so that
               given O it costs E[c(A) | O], and cost(T) is not negative.
    leading    min over sets T of cost(T) + E[c(A_T) | O], where A_T is the plan that is best when
               K(T) was seen. A best player takes A_T (nothing comes after the plan), and his T is
               one of the sets.
    penalised  min over T of cost(T) + E[c(A_T) | O] + penalty(T), with a penalty of mean zero given
               what was seen in T (information relaxation, Brown, Smith & Sun 2010): whether a
               player stops at T is settled by what he saw there, so that the sum of
               penalty(T) over the events 'stops at T' has mean zero, and the mean of his bill is
               that of his bill with it. The minimum over T is no more than what he gets. The
               penalty takes away part of the gain of knowing beforehand:

                   share * (E[c(A_T) - x | K(T)] - E[c(A_T) - x | O])

               with x a linear function of the fault states, fitted to what someone who sees all
               results pays. E[c(A_T) - x | K(T)] is then about what the results that were not
               bought would be worth: the one-step value of buying all of them.

Tests are bought by unit: a unit costs what its cheapest test costs and shows what all of its tests
show. Whoever buys some of them pays at least that and sees no more. All closed sets of units are
gone through, so that no search is cut short.

Set-ups that tests share (the loop settled, the machine coupled) are bought with a set of units,
once each: with the first unit of which every test needs one. No car comes in with it, so that
whoever does such a test, in whatever order and after whatever else, has brought it about and paid
for it at least once before; how often it is ended and brought about again hangs on the order, and
is left out. A plan that needs a set-up pays for it unless it may stand, and it may after any unit
of which some test brings it about: whoever has bought none of these cannot have it standing.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, field
from typing import NamedTuple

import numpy as np
from loopodds.base.arrays import BoolArray, FloatArray, Query
from loopodds.decision.expected_cost import Decision
from loopodds.inference.junction import JunctionTree
from loopodds.inference.network import Evidence

ROWS = 4096
SHARE = 0.5
"""Of the penalty: chosen on 24 cars from number 100,000 on, and six others. Any share is valid."""


@dataclass(frozen=True, slots=True)
class Unit:
    """Tests that are bought together."""

    name: str
    price: float  # of the cheapest
    shows: Query  # findings and readings of all of them
    done: Query  # tests that count as done
    after: Query = ()  # units that are bought before each of them
    needs: Query = ()  # set-ups that no test of them goes without, and no car comes in with
    brings: Query = ()  # set-ups that may stand once some of them were done


@dataclass(frozen=True, slots=True)
class Menu:
    """Plans on offer once something was seen: its decision counts where all ``seen`` are bought."""

    decision: Decision
    seen: frozenset[str] = frozenset()  # units
    waived: frozenset[str] = frozenset()  # units that cost nothing then


@dataclass(frozen=True, slots=True, eq=False)
class Game:
    """One car of which every result is known.

    ``weights``: of the linear function x, shape (fault columns,).
    """

    tree: JunctionTree
    menus: Sequence[Menu]
    units: Sequence[Unit]
    results: Evidence  # one row: all that could be seen, and what the circumstances imply
    weights: FloatArray
    given: frozenset[str] = frozenset()  # units known, and paid for, before anything is chosen
    share: float = SHARE
    faults: Mapping[str, int] = field(default_factory=dict)  # true states; empty where not known
    set_ups: Mapping[str, float] = field(default_factory=dict)  # what bringing each about costs
    start: frozenset[str] = frozenset()  # set-ups with which the car comes in


class Rungs(NamedTuple):
    """Bounds for one car; not a number where it was not asked for."""

    faults: float
    results: float
    leading: float
    penalised: float
    sets: int  # of tests that were gone through


def closed_sets(units: Sequence[Unit], given: Collection[str] = ()) -> BoolArray:
    """Every set of units that holds what comes before each, and the given ones.

    Shape (sets, units). Units stand after those that they need.
    """
    sets = np.zeros((1, 0), dtype=bool)
    names = [unit.name for unit in units]
    for number, unit in enumerate(units):
        needed = [names.index(name) for name in unit.after]
        open_to = sets[:, needed].all(axis=1)
        having = np.column_stack([sets[open_to], np.ones(open_to.sum(), dtype=bool)])
        kept = np.column_stack([sets, np.zeros(len(sets), dtype=bool)])
        sets = having if unit.name in given else np.vstack([kept, having])
        assert sets.shape[1] == number + 1
    return sets


def seen_in(sets: BoolArray, units: Sequence[Unit], results: Evidence) -> Evidence:
    """What every set of units shows, one row each."""
    member: dict[str, BoolArray] = {}
    for unit, column in zip(units, sets.T, strict=True):
        for name in unit.shows:
            member[name] = member.get(name, np.zeros(len(sets), dtype=bool)) | column
    codes = {n: np.where(member[n], c[0], -1) for n, c in results.codes.items() if n in member}
    numbers = {
        name: (np.where(member[name], value[0], np.nan), np.full(len(sets), extra[0]))
        for name, (value, extra) in results.numbers.items()
        if name in member
    }
    soft = {n: np.where(member[n][:, None], w, 1.0) for n, w in results.soft.items() if n in member}
    implied = {name: np.repeat(weight, len(sets), 0) for name, weight in results.implied.items()}
    return Evidence(len(sets), codes, soft, numbers, implied)


def believed(tree: JunctionTree, evidence: Evidence, decision: Decision) -> FloatArray:
    """Marginals of the faults, side by side, shape (rows, fault columns)."""
    joints = tree.propagate(evidence, decision.queries).joints
    return np.hstack([joints[query] for query in decision.queries])


def foreseen(
    decision: Decision, here: FloatArray, there: FloatArray, certain: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Cost of the plan that is best under one belief: under that one, and under another.

    ``here``, shape (rows, fault columns), ``there``, shape (fault columns,), ``certain``, shape
    (rows, certain): needs and debts. Both answers have shape (rows,).
    """
    expected, actual = np.full(len(here), np.inf), np.zeros(len(here))
    count = here.shape[1]
    for setting in decision.settings:
        total, true = np.zeros(len(here)), np.zeros(len(here))
        for part in setting.components:
            fixed = part.constant + certain @ part.loss[:, count:].T
            costs = fixed + here @ part.loss[:, :count].T
            chosen = costs.argmin(axis=1)
            at = np.arange(len(here)), chosen
            total += costs[at]
            true += fixed[at] + (part.loss[:, :count] @ there)[chosen]
        better = total < expected
        expected, actual = np.where(better, total, expected), np.where(better, true, actual)
    return expected, actual


def rungs(game: Game, searching: bool = True) -> Rungs:
    """Bounds for one car; the last two only if all sets of tests are to be gone through."""
    first = game.menus[0].decision
    everything = seen_in(np.ones((1, len(game.units)), dtype=bool), game.units, game.results)
    all_known = believed(game.tree, everything, first)[0]
    searched = _searched(game, all_known) if searching else (np.nan, np.nan, 0)
    known = np.concatenate(
        [np.eye(count)[game.faults.get(name, 0)] for name, count in first.variables]
    )
    return Rungs(
        _untested(game, known) if game.faults else np.nan, _untested(game, all_known), *searched
    )


def _searched(game: Game, all_known: FloatArray) -> tuple[float, float, int]:
    """The two rungs that pay for tests, and the number of sets gone through."""
    sets = closed_sets(game.units, game.given)
    leading = penalised = np.inf
    for start in range(0, len(sets), ROWS):
        block = sets[start : start + ROWS]
        evidence = seen_in(block, game.units, game.results)
        here = believed(game.tree, evidence, game.menus[0].decision)
        expected, actual, price = best_menu(game, block, here, all_known)
        worth = expected - actual - (here - all_known) @ game.weights
        leading = min(leading, float((price + actual).min()))
        penalised = min(penalised, float((price + actual + game.share * worth).min()))
    return leading, penalised, len(sets)


def _untested(game: Game, belief: FloatArray) -> float:
    """Cost of the best plan under a belief that cost nothing; what it needs is still to be done."""
    rows = [np.append(belief, menu.decision.to_do((), game.start)) for menu in game.menus]
    return min(
        float(menu.decision.cost(row[None])[0]) for menu, row in zip(game.menus, rows, strict=True)
    )


def best_menu(
    game: Game, sets: BoolArray, here: FloatArray, all_known: FloatArray
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """The best plan after every set: expected cost, cost given all results, price of the set.

    Price and plan together: a menu may make tests cheaper.
    """
    prices = np.array([unit.price for unit in game.units])
    names = [unit.name for unit in game.units]
    bought = np.array([name not in game.given for name in names])
    best = np.full(len(sets), np.inf), np.zeros(len(sets)), np.zeros(len(sets))
    for menu in game.menus:
        paid = bought & np.array([name not in menu.waived for name in names])
        price = sets @ (prices * paid)
        for set_up, once in game.set_ups.items():
            users = paid & np.array([set_up in unit.needs for unit in game.units])
            price += once * sets[:, users].any(axis=1)
        open_to = sets[:, [names.index(name) for name in menu.seen]].all(axis=1)
        rows = np.flatnonzero(open_to)
        certain = _certain(menu.decision, game, sets[rows])
        expected, actual = foreseen(menu.decision, here[rows], all_known, certain)
        better = expected + price[rows] < best[0][rows] + best[2][rows]
        for old, new in zip(best, (expected, actual, price[rows]), strict=True):
            old[rows[better]] = new[better]
    return best


def _certain(decision: Decision, game: Game, sets: BoolArray) -> FloatArray:
    """Needs and debts after every set of units, shape (sets, certain)."""
    units = game.units
    matter = {*decision.needs}.union(*decision.owed.values(), *decision.ended_by.values())
    telling = [i for i, unit in enumerate(units) if matter & {*unit.done, *unit.brings}]
    kinds, kind = np.unique(sets[:, telling], axis=0, return_inverse=True)
    told = []
    for row in kinds:
        bought = [units[i] for i, has in zip(telling, row, strict=True) if has]
        done = [test for unit in bought for test in unit.done]
        told.append(decision.to_do(done, game.start.union(*(unit.brings for unit in bought))))
    found: FloatArray = np.reshape(told, (len(kinds), decision.certain))[kind.ravel()]
    return found
