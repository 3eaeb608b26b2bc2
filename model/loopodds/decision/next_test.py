"""Which test next: what it tells, how long it takes, whether it is worth its cost."""

from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass
from typing import Any, NamedTuple

import numpy as np

from loopodds.base.arrays import Query
from loopodds.decision.branches import ROUNDING, Branch, State
from loopodds.decision.moves import Move
from loopodds.decision.workshop import Workshop

TOLD_ABOUT = 2


@dataclass(frozen=True, slots=True)
class RankedTest:
    """One test that can be done now, or once others have been."""

    test: str
    bits: float  # information about the state of the car that it would give now
    minutes: float  # for the test itself, set-ups that it needs and that do not stand included
    set_ups: Mapping[str, float]  # minutes of these, by set-up
    # currency by which it lowers the expected cost, its own cost and that of what must come
    # before it taken off. Where it opens other tests, the best sequence through it counts.
    net_value: float
    worth: float  # the same before any cost and without what it opens; never below zero
    blocked_by: tuple[str, ...]  # tests that have to be done first, in order
    cost: float  # currency of the test itself
    owes: float  # currency it adds to the plan: what it takes out of the loop has to go back in
    opens: str  # the test that its net value comes from; itself where that is the best
    # tests that pay by themselves and that this one would make impossible: it comes after them.
    # The one that pays most first, what was begun already last.
    waits_for: tuple[str, ...]
    about: tuple[str, ...]  # conditions whose probability it is expected to move most, in order
    unread: tuple[str, ...]  # where the test was begun: what it shows that is not recorded yet
    unjudged: tuple[str, ...]  # what it shows too, but more than fits one table: it is worth more

    @property
    def bits_per_minute(self) -> float:
        """Information for each minute of the test itself."""
        return self.bits / self.minutes if self.minutes else 0.0

    @property
    def pays(self) -> bool:
        """Whether it saves more than it costs, by more than rounding."""
        return self.net_value > ROUNDING

    def as_json(self) -> dict[str, Any]:
        """Plain data."""
        plain = {k: list(v) if isinstance(v, tuple) else v for k, v in asdict(self).items()}
        return {**plain, "bits_per_minute": self.bits_per_minute}


@dataclass(frozen=True, slots=True, eq=False)
class Policy:
    """The best sequence of tests found, whatever each of them may show; or to stop testing."""

    root: State  # the tree of outcomes, the car as it stands first
    depth: int  # tests that it looks ahead
    left_out: int  # outcomes that may pay but were not looked into, to bound the work

    @property
    def best(self) -> Branch | None:
        """The move to make; None where no test, and no sequence of them, pays for itself."""
        return self.root.best

    @property
    def steps(self) -> tuple[str, ...]:
        """Tests of that move, in order."""
        return tuple(step.test for step in self.best.move.steps) if self.best else ()

    @property
    def saves(self) -> float:
        """Currency that it is expected to save; 0 for stopping."""
        return self.root.saves

    @property
    def gap(self) -> float:
        """Currency by which it can fall short of the best one of its depth at most."""
        return max(0.0, self.root.stop - self.root.saves - self.root.least)


def best_policy(shop: Workshop, lookahead: int = 1) -> Policy:
    """The best sequence of up to so many tests; pairs are tried before saying stop.

    Pairs are not tried after a repair: there the network is larger, and pairs saved nothing on 140
    simulated cars (DEVELOPERS.md).
    """
    pairs = shop.single.best is None and not shop.belief.model.repairs
    depth = max(lookahead, 2 if pairs else 1)
    root = shop.planner.plan(shop.progress, depth, single=shop.single)
    return Policy(root, depth, shop.planner.left_out)


def rank_tests(shop: Workshop) -> list[RankedTest]:
    """Every test that can be done now or opened by others, best first.

    Each is judged as if it were the last but for what it opens; what waits for another stands
    behind it, else the highest net value first, at equal value what comes first in the sequence.
    """
    state = shop.single
    branches = {branch.move.test: branch for branch in state.branches}
    best = _best_through(state)
    tests = [
        _ranked(shop, move, branches.get(move.test), best)
        for move in shop.gates.moves(shop.progress)
        if move.test in best
    ]
    order = {test: best[test].place for test in best}

    def place(test: RankedTest) -> tuple[bool, bool, float, int, int]:
        net, waits = round(test.net_value, 6), bool(test.waits_for)
        return not test.pays, waits, -net, len(test.blocked_by), order[test.test]

    return sorted(tests, key=place)


class _Through(NamedTuple):
    """The best sequence that a test is part of."""

    net: float
    leads_to: str
    place: int  # of the test in it


def _best_through(state: State) -> dict[str, _Through]:
    """For every test the best sequence that it is part of.

    A sequence that has to wait counts only for tests that are part of no other.
    """
    rated = []
    for branch in state.branches:
        ready, net, end = (
            not state.prevented_by(branch.move),
            state.stop - branch.value,
            branch.move.test,
        )
        steps = enumerate(branch.move.steps)
        rated += [(ready, net, step.test == end, step.test, end, n) for n, step in steps]
    rated.sort()
    return {test: _Through(net, end, place) for _, net, _, test, end, place in rated}


def _ranked(
    shop: Workshop, move: Move, branch: Branch | None, best: Mapping[str, _Through]
) -> RankedTest:
    """One test; without a branch there is nothing that it could still show."""
    yields = shop.knowledge.tests[move.test].yields
    net, opens, _ = best[move.test]
    step, begun = move.steps[-1], shop.progress.begun
    # by what each pays alone, but new before begun
    prevented = [other.move.test for other in shop.single.prevented_by(move)]
    return RankedTest(
        test=move.test,
        bits=shop.planner.look(yields).bits(shop.about),
        minutes=step.minutes,
        set_ups={name: shop.gates.prices.minutes[name] for name in step.due},
        net_value=net,
        worth=branch.gain if branch else 0.0,
        cost=step.cost,
        owes=branch.debt if branch else 0.0,
        blocked_by=move.first,
        opens=opens,
        waits_for=tuple(sorted(prevented, key=lambda test: test in begun)),
        about=_told_about(shop, branch) if branch else (),
        unread=tuple(n for n in yields if n not in shop.belief.names) if move.test in begun else (),
        unjudged=shop.planner.unjudged(move.test),
    )


def _told_about(shop: Workshop, branch: Branch) -> tuple[str, ...]:
    """Conditions whose probability the test moves most, by the mean absolute change."""
    names, columns = shop.conditions
    change = np.abs((branch.marginals - branch.origin.marginal) @ columns)
    moved = branch.chance @ change
    telling = np.argsort(-moved)[:TOLD_ABOUT]
    least = max(0.01, 0.3 * float(moved[telling[0]]))
    return tuple(names[i] for i in telling if moved[i] >= least)


def best_few(tests: Sequence[RankedTest], count: int = 3) -> list[RankedTest]:
    """The best test, and the next ones that pay for what they show themselves.

    What has to wait for others is left out. Where none saves anything by itself: what can be done
    at once, by what it tells for a minute.
    """
    if not any(test.pays for test in tests):
        return sorted(tests, key=lambda t: (len(t.blocked_by) > 0, -t.bits_per_minute))[:count]
    best, *others = tests
    told = {best.test, best.opens}
    own = [t for t in others if t.opens == t.test and t.test not in told and not t.waits_for]
    return [best, *own][:count]


def policy_json(shop: Workshop, state: State, services: Query | None = None) -> dict[str, Any]:
    """What to do in a state, and after each outcome, as plain data.

    ``services``: of the plan there; the plan of the car as it stands when left out.
    """
    branch = state.best
    if services is None:
        services = shop.service_plan(shop.best).services
    if branch is None:
        return {"stop": list(services)}
    return {
        "tests": [step.test for step in branch.move.steps],
        "minutes": branch.move.minutes,
        "saves": state.stop - branch.value,
        "outcomes": [
            {
                "chance": chance,
                "seen": seen_at(shop, branch, row),
                "then": policy_json(shop, branch.states[row], plan)
                if row in branch.states
                else {"stop": list(plan)},
            }
            for row, chance in enumerate(branch.chance.tolist())
            for plan in [shop.plan_at(branch, row)]
        ],
    }


def seen_at(shop: Workshop, branch: Branch, row: int) -> dict[str, str]:
    """What was seen at an outcome of a move, beyond what its state had seen: words throughout."""
    leaf, cell = branch.position(row)
    new = {name: code for name, code in leaf.seen.items() if name not in branch.origin.seen}
    states = shop.belief.model.states
    seen = {name: states(name)[code] for name, code in new.items()}
    for name, code in leaf.cells.seen(cell).items():
        grid = leaf.cells.grids[leaf.cells.names.index(name)]
        if grid is not None:
            cuts = np.asarray(shop.calibrated.network.gauges[name].cuts)
            code = int(np.searchsorted(cuts, grid.nodes[code], side="right"))
        seen[name] = states(name)[code]
    return seen
