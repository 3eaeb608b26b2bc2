"""Which test next: what it tells, how long it takes, whether it is worth its cost."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from loopodds.decision.branches import Branch, State
from loopodds.decision.gates import Closed, Move
from loopodds.decision.prices import Prices
from loopodds.decision.workshop import Workshop
from loopodds.diagnosis.belief import Belief

TOLD_ABOUT = 2


@dataclass(frozen=True, slots=True)
class RankedTest:
    """One test that can be done now, or once others have been.

    Attributes
    ----------
    test : str
    bits : float
        Information about the state of the car that it would give now, all it shows together.
    minutes : float
        For the test itself, a wait that it needs included.
    net_value : float
        Currency by which it lowers the expected cost, its own cost and that of what must come
        before it taken off. Where it opens other tests, the best sequence through it counts.
    worth : float
        The same before any cost, for the test without what it opens; never below zero.
    cost : float
        Currency of the test itself.
    owes : float
        Currency that it adds to the plan: what it takes out of the loop has to go back in.
    blocked_by : tuple of str
        Tests that have to be done first, in order.
    opens : str
        The test that its net value comes from; itself where that is the best.
    waits_for : tuple of str
        Tests that pay by themselves and that this one would make impossible: it comes after them.
        The one that pays most first, what was begun already last.
    about : tuple of str
        Conditions whose probability it is expected to move most, strongest first.
    unread : tuple of str
        Where the test was begun: what it shows that is not recorded yet.
    """

    test: str
    bits: float
    minutes: float
    net_value: float
    worth: float
    cost: float
    owes: float
    blocked_by: tuple[str, ...]
    opens: str
    waits_for: tuple[str, ...]
    about: tuple[str, ...]
    unread: tuple[str, ...]

    @property
    def bits_per_minute(self) -> float:
        """Information for each minute of the test itself."""
        return self.bits / self.minutes if self.minutes else 0.0

    def as_json(self) -> dict[str, Any]:
        """Plain data, keys of the published contract first."""
        return {
            "test": self.test,
            "bits": self.bits,
            "minutes": self.minutes,
            "net_value": self.net_value,
            "blocked_by": list(self.blocked_by),
            "bits_per_minute": self.bits_per_minute,
            "worth": self.worth,
            "cost": self.cost,
            "owes": self.owes,
            "opens": self.opens,
            "waits_for": list(self.waits_for),
            "about": list(self.about),
            "unread": list(self.unread),
        }


@dataclass(frozen=True, slots=True)
class Choice:
    """What to test next, or that testing has done its work.

    Attributes
    ----------
    tests : tuple of RankedTest
        Each judged as if it were the last but for what it opens; what waits for another stands
        behind it, else the highest net value first, at equal value what comes first.
    closed : tuple of Closed
        Tests that nothing to be done now can open.
    plan : State
        The tree behind it: sequences of up to ``depth`` moves.
    depth : int
    """

    tests: tuple[RankedTest, ...]
    closed: tuple[Closed, ...]
    plan: State
    depth: int

    @property
    def stop(self) -> bool:
        """Whether no test, and no sequence of ``depth`` tests, pays for itself."""
        return self.plan.best is None

    @property
    def gap(self) -> float:
        """Currency by which the plan can fall short of the best one of its depth at most."""
        return max(0.0, self.plan.stop - self.plan.saves - self.plan.least)


def rank_tests(
    belief: Belief,
    done: Iterable[str] = (),
    prices: Prices | None = None,
    context: Mapping[str, str] | None = None,
) -> list[RankedTest]:
    """Every test that can be done now or opened by others, best first.

    Parameters
    ----------
    belief : Belief
    done : iterable of str
        Tests done, in order; those whose findings are recorded need not be named.
    prices : Prices, optional
    context : mapping of str to str, optional
        Everything stated about the car, where that is more than the belief depends on.
    """
    shop = Workshop(belief, done, prices, context)
    return ranked(shop, shop.planner.rank(shop.progress))


def choose_test(shop: Workshop, lookahead: int = 1) -> Choice:
    """What to test next, looking ahead so many tests; pairs are tried before saying stop."""
    single, plan, depth = judged(shop, lookahead)
    closed = tuple(shop.gates.closed(shop.progress))
    return Choice(tuple(ranked(shop, single)), closed, plan, depth)


def judged(shop: Workshop, lookahead: int = 1) -> tuple[State, State, int]:
    """Every single test judged, the best sequence, and how many tests ahead that looks.

    Where no single test pays, pairs are tried. Not after a repair: there the network is larger, and
    pairs saved nothing on 140 simulated cars (DEVELOPERS.md).
    """
    single = shop.planner.rank(shop.progress)
    pairs = single.best is None and not shop.belief.model.repairs
    depth = max(lookahead, 2 if pairs else 1)
    return single, shop.planner.plan(shop.progress, depth, single=single), depth


def ranked(shop: Workshop, state: State) -> list[RankedTest]:
    """Tests of a judged state, best first."""
    branches = {branch.move.test: branch for branch in state.branches}
    best = _best_through(state)
    tests = [
        _ranked(shop, state, move, branches.get(move.test), best)
        for move in shop.gates.moves(shop.progress)
        if move.test in best
    ]
    order = list(shop.knowledge.tests)

    def place(test: RankedTest) -> tuple[bool, bool, float, int, int]:
        net = round(test.net_value, 6)
        waits = bool(test.waits_for)
        return net <= 0, waits, -net, len(test.blocked_by), order.index(test.test)

    return sorted(tests, key=place)


def _best_through(state: State) -> dict[str, tuple[float, str]]:
    """For every test the net value of the best sequence it is part of, and where that leads.

    A sequence that has to wait counts only for tests that are part of no other.
    """
    rated = []
    for branch in state.branches:
        net = state.stop - branch.value
        ready = not state.prevented_by(branch)
        for step in branch.move.steps:
            rated.append((ready, net, step.test == branch.move.test, step.test, branch.move.test))
    rated.sort()
    return {test: (net, leads_to) for _, net, _, test, leads_to in rated}


def _ranked(
    shop: Workshop,
    state: State,
    move: Move,
    branch: Branch | None,
    best: Mapping[str, tuple[float, str]],
) -> RankedTest:
    yields = shop.knowledge.tests[move.test].yields
    look = shop.planner.look(yields)
    net, opens = best[move.test]
    step, begun = move.steps[-1], shop.progress.begun
    return RankedTest(
        move.test,
        look.bits(shop.about),
        step.minutes,
        net,
        branch.gain if branch is not None else 0.0,
        step.cost,
        branch.debt if branch is not None else 0.0,
        move.first,
        opens,
        _waits_for(shop, state, branch) if branch is not None else (),
        _told_about(shop, state, branch) if branch is not None else (),
        tuple(n for n in yields if n not in shop.belief.names) if move.test in begun else (),
    )


def _waits_for(shop: Workshop, state: State, branch: Branch) -> tuple[str, ...]:
    """Tests that a move would make impossible: new before begun, then by what each pays alone."""
    others = [other.move.test for other in state.prevented_by(branch)]
    return tuple(sorted(others, key=lambda test: test in shop.progress.begun))


def _told_about(shop: Workshop, state: State, branch: Branch) -> tuple[str, ...]:
    """Conditions whose probability the test moves most, by the mean absolute change."""
    names, columns = shop.conditions
    change = np.abs((branch.marginals - state.marginal) @ columns)
    moved = branch.chance @ change
    telling = np.argsort(-moved)[:TOLD_ABOUT]
    least = max(0.01, 0.3 * float(moved[telling[0]]))
    return tuple(names[i] for i in telling if moved[i] >= least)


def json_rows(tests: Sequence[RankedTest], count: int = 3) -> list[dict[str, Any]]:
    """The best test, and the next ones that pay for what they show themselves, as plain data.

    What has to wait for others is left out. Where none saves anything by itself: what can be done
    at once, by what it tells for a minute.
    """
    if not any(test.net_value > 0 for test in tests):
        tests = sorted(tests, key=lambda t: (len(t.blocked_by) > 0, -t.bits_per_minute))
        return [test.as_json() for test in tests[:count]]
    best, *others = tests
    told = {best.test, best.opens}
    own = [t for t in others if t.opens == t.test and t.test not in told and not t.waits_for]
    return [test.as_json() for test in (best, *own)[:count]]
