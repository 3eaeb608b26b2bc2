"""Games cut down to a few tests, in which the best way to test them is worked out.

A cut game is that of a simulated car (`bound_cars.py`) with a handful of its tests: the same
belief, plans and prices. A test shows in which of a few cells its results lie, a gauge as words.
What opens tests on the machine (label, identification, leak-stop, port) is one step: it is paid
with the first of them, shows nothing and shuts nothing. So is each set-up, which stands from then
on. All that can come to be known is then gone through, and the mean bill over everything that the
tests may show is exact, nothing is drawn:

    next       what `loopodds next` says: the move that pays most by itself, two where none does
    rooted     first the one of the three moves that pay most, or to stop, after which `next` pays
               least, then `next`: rollout at the root
    two_ahead  two tests ahead at every step
    rollout    the move after which `next` pays least, at every step (policy improvement by
               rollout, Bertsekas, Tsitsiklis & Wu 1997): never more than `next`
    best       the best way there is
    bound      the penalised rung of `bound_rungs.py` in the same game

So what `next` pays above the bound comes apart: above the best it is the choice's, below it is the
bound's.
"""

from __future__ import annotations

import sys
from collections.abc import Callable, Collection, Mapping, Sequence
from dataclasses import dataclass
from math import prod
from pathlib import Path
from typing import NamedTuple

import numpy as np
from loopodds.base.arrays import FloatArray
from loopodds.decision.branches import ROUNDING
from loopodds.decision.expected_cost import Decision
from loopodds.decision.lookahead import COARSE
from loopodds.decision.outcomes import Cells, cut
from loopodds.decision.workshop import Workshop
from loopodds.inference.junction import JunctionTree
from loopodds.inference.network import Evidence

sys.path.append(str(Path(__file__).parent))
from bound_rungs import SHARE

TESTS, CELLS = 7, 4
LEADING = 3
OPENING = ("label_check", "refrigerant_identification", "leak_stop_check", "port_look")
LAST = "recover_and_weigh"
_COARSER = 1.3
_STIFF = 1 / 3000
"""How stiffly x is fitted, as `bound_cars.py` does with 3,000 cars."""

Values = dict[int, FloatArray]
"""For every set of tests, as bits: a number for each result, an axis a test, of length one where
it is not in the set."""


@dataclass(frozen=True, slots=True, eq=False)
class CutTest:
    """One test of a cut game."""

    name: str
    price: float
    cells: Cells
    opened: bool = False  # whether it needs what opens tests on the machine
    after: tuple[int, ...] = ()  # tests that come before it, by position
    needs: tuple[str, ...] = ()  # set-ups


class Cut(NamedTuple):
    """Mean bills in a cut game."""

    next: float
    rooted: float
    two_ahead: float
    rollout: float
    best: float
    bound: float


class Way(NamedTuple):
    """A test with what comes before it: what to do now, what is known at the end, what it costs."""

    first: int
    end: int
    cost: FloatArray


Rule = Callable[[int, Values], list[Way]]


class CutGame:
    """Everything that can come to be known of one car by a few tests.

    ``opening``: prices of the tests that open others, by name; ``done``: tests done before;
    ``set_ups``: prices of what does not stand yet, by name, paid for with the first test of a set
    that needs it and never again; ``standing``: what stands.
    """

    def __init__(
        self,
        tree: JunctionTree,
        evidence: Evidence,
        decision: Decision,
        tests: Sequence[CutTest],
        opening: Mapping[str, float],
        done: Collection[str] = (),
        set_ups: Mapping[str, float] | None = None,
        standing: Collection[str] = (),
    ) -> None:
        self.tests = tests
        self.decision = decision
        self.opening = opening
        self.done = tuple(done)
        self.set_ups = set_ups or {}
        self.standing = frozenset(standing)
        sets = sorted(range(1 << len(tests)), key=int.bit_count, reverse=True)
        self.sets = [known for known in sets if self._closed(known)]
        self.log, self.belief = self._gone_through(tree, evidence)
        self.stop = {known: self._stopping(known) for known in self.sets}
        self._chances: dict[tuple[int, int], FloatArray] = {}

    def members(self, known: int) -> list[int]:
        """Positions of the tests of a set."""
        return [i for i in range(len(self.tests)) if known >> i & 1]

    def price(self, known: int) -> float:
        """Of a set of tests with what opens them."""
        own = [self.tests[i] for i in self.members(known)]
        opened = any(test.opened for test in own)
        brought = {name for test in own for name in test.needs if name in self.set_ups}
        shared = sum(self.set_ups[name] for name in brought)
        return sum(test.price for test in own) + opened * sum(self.opening.values()) + shared

    def to_do(self, known: int) -> FloatArray:
        """Needs and debts once a set of tests was done, shape (certain,)."""
        own = [self.tests[i] for i in self.members(known)]
        opened = self.opening if any(test.opened for test in own) else ()
        done = [*self.done, *opened, *(test.name for test in own)]
        return self.decision.to_do(done, self.standing.union(*(test.needs for test in own)))

    def _closed(self, known: int) -> bool:
        return all(known >> a & 1 for i in self.members(known) for a in self.tests[i].after)

    def _shape(self, known: int) -> list[int]:
        return [t.cells.count if known >> i & 1 else 1 for i, t in enumerate(self.tests)]

    def _gone_through(self, tree: JunctionTree, evidence: Evidence) -> tuple[Values, Values]:
        """Log chance of all results of every set of tests, and belief in the faults after them."""
        shapes = [self._shape(known) for known in self.sets]
        sizes = [prod(shape) for shape in shapes]
        picked = [
            np.where([known >> i & 1 for i in range(len(shape))], places.T, -1)
            for known, shape in zip(self.sets, shapes, strict=True)
            for places in [np.indices(shape).reshape(len(shape), -1)]
        ]
        rows = np.vstack(picked)
        base = evidence.repeat(len(rows))
        codes = dict(base.codes)
        for test, row in zip(self.tests, rows.T, strict=True):
            open_cell = np.full(len(test.cells.names), -1)
            shown = np.vstack([test.cells.index, open_cell])[row]
            codes.update(zip(test.cells.names, shown.T, strict=True))
        full = Evidence(base.rows, codes, base.soft, base.numbers, base.implied)
        posterior = tree.propagate(full, self.decision.queries)
        belief = np.hstack([posterior.joints[query] for query in self.decision.queries])
        ends = np.cumsum(sizes)[:-1]
        logs, beliefs = np.split(posterior.log_evidence, ends), np.split(belief, ends)
        return (
            {k: log.reshape(s) for k, log, s in zip(self.sets, logs, shapes, strict=True)},
            {k: b.reshape(*s, -1) for k, b, s in zip(self.sets, beliefs, shapes, strict=True)},
        )

    def _stopping(self, known: int) -> FloatArray:
        """Cost of the best plan after all results of a set."""
        belief = self.belief[known].reshape(-1, self.belief[known].shape[-1])
        to_do = np.broadcast_to(self.to_do(known), (len(belief), self.decision.certain))
        return self.decision.cost(np.hstack([belief, to_do])).reshape(self.log[known].shape)

    def after(self, known: int, end: int, values: Values) -> FloatArray:
        """What it costs to go on to a larger set and to pay the values there."""
        if (known, end) not in self._chances:
            here = np.where(np.isfinite(self.log[known]), self.log[known], 0.0)
            self._chances[known, end] = np.exp(self.log[end] - here)
        more = tuple(self.members(end & ~known))
        chance = self._chances[known, end]
        foreseen = (chance * values[end]).sum(axis=more, keepdims=True)
        cost: FloatArray = self.price(end) - self.price(known) + foreseen
        return cost

    # --- ways of choosing -------------------------------------------------------------------------

    def moves(self, known: int, values: Values) -> list[Way]:
        """Every test that is left with what must come before it, the values paid at its end."""
        found = []
        for test in self.members(self.sets[0] & ~known):
            steps = [i for i in self._before(test) if not known >> i & 1]
            end = known | sum(1 << i for i in steps)
            found.append(Way(steps[0], end, self.after(known, end, values)))
        return found

    def _before(self, test: int) -> list[int]:
        """What comes before a test, in order, and the test."""
        earlier = [i for a in self.tests[test].after for i in self._before(a)]
        return list(dict.fromkeys([*earlier, test]))

    def steps(self, known: int, values: Values) -> list[Way]:
        """Every test that can be done at once, likewise."""
        ends = [(i, known | 1 << i) for i in self.members(self.sets[0] & ~known)]
        return [Way(i, e, self.after(known, e, values)) for i, e in ends if self._closed(e)]

    def followed(self, rule: Rule) -> Values:
        """Mean bill of whoever does the first test of the way of least cost, if that beats to stop.

        The rule is given the values of the larger sets.
        """
        values: Values = {}
        for known in self.sets:
            stop = self.stop[known]
            ways = rule(known, values)
            choice = np.stack([stop - ROUNDING, *(way.cost for way in ways)]).argmin(axis=0)
            then = [self.after(known, known | 1 << way.first, values) for way in ways]
            values[known] = np.take_along_axis(np.stack([stop, *then]), choice[None], axis=0)[0]
        return values

    def looking(self, values: Values) -> Values:
        """Cost of stopping, or of one more move and the values at its end."""
        return {
            known: np.minimum.reduce([stop, *(way.cost for way in self.moves(known, values))])
            for known, stop in self.stop.items()
        }

    def by_next(self) -> Values:
        """What `loopodds next` pays: pairs count only where no single move pays."""
        one_more = self.looking(self.stop)

        def rule(known: int, _: Values) -> list[Way]:
            single, pairs = (self.moves(known, values) for values in (self.stop, one_more))
            pays = one_more[known] < self.stop[known] - ROUNDING
            return [
                s._replace(cost=np.where(pays, s.cost, p.cost))
                for s, p in zip(single, pairs, strict=True)
            ]

        return self.followed(rule)

    def bills(self) -> Cut:
        """Mean bill of every way of choosing, and the bound."""
        one_more, by_next = self.looking(self.stop), self.by_next()
        two = self.followed(lambda known, _: self.moves(known, one_more))
        rollout = self.followed(lambda known, _: self.steps(known, by_next))
        best = self.followed(self.steps)
        bills = [values[0].item() for values in (two, rollout, best)]
        return Cut(by_next[0].item(), self.rooted(by_next), *bills, self.bound())

    def rooted(self, base: Values) -> float:
        """Bill of whoever takes the best of the leading moves, or stops, and then what is given."""
        leading = sorted(self.moves(0, self.stop), key=lambda way: way.cost.item())[:LEADING]
        rivals = [self.after(0, 1 << way.first, base).item() for way in leading]
        return min(base[0].item(), self.stop[0].item(), *rivals)

    # --- the bound --------------------------------------------------------------------------------

    def bound(self, share: float = SHARE) -> float:
        """Mean of the penalised rung over all results."""
        everything = self.sets[0]
        shape = self.log[everything].shape
        known = self.belief[everything].reshape(prod(shape), -1)
        chance = np.exp(self.log[everything] - self.log[0]).ravel()
        weights = self.fitted(known, chance)
        least = np.full(len(known), np.inf)
        for tests in self.sets:
            here = self.belief[tests].reshape(-1, known.shape[1])
            expected, constant, loss = planned(self.decision, here, self.to_do(tests))
            at = np.arange(len(here)).reshape(self.log[tests].shape)
            place = np.broadcast_to(at, shape).ravel()
            actual = constant[place] + (loss[place] * known).sum(axis=1)
            worth = expected[place] - actual - (here[place] - known) @ weights
            least = np.minimum(least, self.price(tests) + actual + share * worth)
        return float(chance @ np.where(chance > 0, least, 0.0))

    def fitted(self, known: FloatArray, chance: FloatArray) -> FloatArray:
        """Weights of the fault states that tell best what someone who sees all results pays."""
        now = self.decision.to_do(self.done, self.standing)
        idle = np.broadcast_to(now, (len(known), self.decision.certain))
        costs = self.decision.cost(np.hstack([known, idle]))
        wide = np.column_stack([known, np.ones(len(known))])
        weighed = wide.T * chance
        stiff = _STIFF * np.eye(wide.shape[1])
        weights: FloatArray = np.linalg.solve(weighed @ wide + stiff, weighed @ costs)[:-1]
        return weights


def planned(
    decision: Decision, belief: FloatArray, to_do: FloatArray
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """The plan that is best under each belief: its cost, and this as a constant and a loss.

    ``belief``, shape (rows, fault columns), ``to_do``, shape (certain,). The loss has shape (rows,
    fault columns).
    """
    rows, count = belief.shape
    best, constant, loss = np.full(rows, np.inf), np.zeros(rows), np.zeros((rows, count))
    for setting in decision.settings:
        fixed, losing = np.zeros(rows), np.zeros((rows, count))
        for part in setting.components:
            certain = part.constant + part.loss[:, count:] @ to_do
            chosen = (certain + belief @ part.loss[:, :count].T).argmin(axis=1)
            fixed += certain[chosen]
            losing += part.loss[chosen, :count]
        total = fixed + (losing * belief).sum(axis=1)
        better = total < best
        best, constant = np.where(better, total, best), np.where(better, fixed, constant)
        loss[better] = losing[better]
    return best, constant, loss


# --- a car's own ----------------------------------------------------------------------------------


def cut_game(shop: Workshop, count: int = TESTS, most: int = CELLS) -> CutGame:
    """The tests of a car that save most for their own price, each with up to so many cells."""
    picked: list[CutTest] = []
    opening: dict[str, float] = {}
    branches = shop.planner.rank(shop.progress).branches
    prices, knowledge = shop.gates.prices, shop.knowledge
    for branch in sorted(branches, key=lambda b: prices.of_work(b.move.test) - b.gain):
        *first, last = branch.move.steps
        names = [test.name for test in picked]
        others = [step.test for step in first if step.test not in OPENING]
        cells = _cells(shop, last.test, most)
        told = {name for test in picked for name in test.cells.names}
        if (
            last.test in (*OPENING, LAST)
            or not {*others} <= {*names}
            or not 1 < cells.count <= most
            or told & {*cells.names}
        ):
            continue
        opened = {s.test: prices.of_work(s.test) for s in first if s.test in OPENING}
        opening |= opened
        after = tuple(names.index(name) for name in others)
        price, needs = prices.of_work(last.test), knowledge.tests[last.test].set_up
        picked.append(CutTest(last.test, price, cells, bool(opened), after, needs))
        if len(picked) == count:
            break
    tree, evidence = shop.calibrated.tree, shop.calibrated.evidence
    standing = shop.progress.standing
    due = {n: shop.gates.set_ups.price(n) for n in knowledge.set_ups if n not in standing}
    done = shop.progress.done
    return CutGame(tree, evidence, shop.decision, picked, opening, done, due, standing)


def _cells(shop: Workshop, test: str, most: int) -> Cells:
    """What a test still shows, cut as coarsely as it takes."""
    unseen = [name for name in shop.planner.yields[test] if name not in shop.calibrated.known]
    look, floor = shop.planner.look(unseen, 0.0), COARSE
    cells = cut(look, floor)
    while cells.count > most and floor < 1:
        floor *= _COARSER
        cells = cut(look, floor)
    return cells
