"""The best sequence of tests: exact expectimax over what each may show.

A state is what has been seen. In it one may stop and take the best plan, or make a move: a test,
with whatever has to come before it. All moves of all states of one depth are one batch of
imagined inspections. A state is looked into further only where that could still pay: to know
everything would save more than the cheapest move costs. What that rule, or the limit on the
number of states, leaves out is carried along as a lower bound of the cost.
"""

from collections.abc import Callable, Collection, Iterable, Mapping, Sequence
from typing import Protocol

import numpy as np

from loopodds.base.arrays import FloatArray, Query
from loopodds.base.errors import TooLarge
from loopodds.decision.branches import Branch, Leaf, State, Trial, value_trials
from loopodds.decision.expected_cost import Decision
from loopodds.decision.moves import Move, Progress, Results
from loopodds.decision.outcomes import NOTHING, Cells, Prefix, cut
from loopodds.inference.information import STEP, Look, Masks
from loopodds.inference.joints import Calibrated

# A cell of a test that tells one bit is cut further while it is more probable: where one test is
# judged (twice that for several gauges together), and where sequences are. A test is then valued
# to within a tenth, or a hundredth of what the present plan costs.
FINE, COARSE = 1 / 100, 1 / 12
_DULL = 8.0
_STEP_OF_SEVERAL = 1.6
_FEW = 12
_FIRSTS, _SECONDS = 8, 4
MOST_STATES, MOST_WORK = 1500, 2_500_000_000
"""States looked into at each depth beyond the first, and configurations of the tree times outcomes
imagined there: on a car that was repaired often the tree is ten times as large."""


class Rules(Protocol):
    """What the planner has to know of the gates."""

    @property
    def hurdles(self) -> frozenset[str]:
        """Findings that decide what may still be done."""

    def moves(self, progress: Progress) -> list[Move]:
        """Every test that can be done now or opened by others."""

    def after(self, progress: Progress, tests: Iterable[str], results: Results) -> Progress:
        """Progress once some tests were done and hurdles showed something."""


def _has_a_table(look: Look) -> bool:
    """Whether all outcomes of a look together fit into one table."""
    try:
        return look.distribution.size > 0
    except TooLarge:
        return False


class Planner:
    """Plans tests for one car, of which ``yields`` says what each shows.

    ``masks``, ``extra``: see :class:`loopodds.inference.information.Look`; ``watch`` says how far
    things are at an outcome of a branch where what is believed there shuts moves too.
    """

    def __init__(
        self,
        calibrated: Calibrated,
        decision: Decision,
        rules: Rules,
        yields: Mapping[str, Sequence[str]],
        masks: Masks | None = None,
        extra: Mapping[str, float] | None = None,
        watch: Callable[[Branch, int], Progress] | None = None,
    ) -> None:
        self.watch = watch
        self.calibrated = calibrated
        self.decision = decision
        self.rules = rules
        self.yields = yields
        self.masks = masks or {}
        self.extra = extra or {}
        self.left_out = 0  # outcomes of the last plan that may pay and were not looked into
        self._looks: dict[tuple[Query, float], Look] = {}
        self._unjudged: dict[Query, Query] = {}
        self._cut: dict[tuple[object, ...], Cells] = {}
        self._touch = {
            test: {*names, *(f for name in names for f in self.masks.get(name, {}))}
            for test, names in yields.items()
        }
        self._entries: dict[Progress, float] = {}

    def look(self, names: Sequence[str], step: float = STEP) -> Look:
        """What can be seen together now: of too many for one table, on a car repaired often, the
        first ones, which judges their test a little low (:meth:`unjudged`).
        """
        key = (tuple(names), step)
        if key not in self._looks:
            look = Look(self.calibrated, names, self.masks, step, self.extra)
            shown = look.names
            while look.names and not _has_a_table(look):
                look = Look(self.calibrated, look.names[:-1], self.masks, step, self.extra)
            self._looks[key] = look
            self._unjudged[key[0]] = shown[len(look.names) :]
        return self._looks[key]

    def unjudged(self, test: str) -> Query:
        """What a test shows too, but was not judged by: all of it is too much for one table."""
        names = tuple(self.yields[test])
        self.look(names)
        return self._unjudged[names]

    def start(self, progress: Progress) -> State:
        """The car as it stands, nothing imagined."""
        joints = self.calibrated.marginals(self.decision.queries)
        to_do = self.decision.to_do(progress.done, progress.standing)
        marginal = self.decision.of_joints(joints, to_do)
        stop, known = self.decision.cost(marginal), self.decision.informed_cost(marginal)
        log_evidence = self.calibrated.log_evidence
        return State({}, progress, 1.0, log_evidence, float(stop[0]), float(known[0]), marginal[0])

    def rank(self, progress: Progress, tests: Collection[str] | None = None) -> State:
        """The car as it stands with every single move judged, as finely as pays; or only some."""
        state = self.start(progress)
        self._imagine([state], True, tests)
        state.back_up(deeper=False)
        return state

    def plan(
        self, progress: Progress, depth: int, most: int = MOST_STATES, single: State | None = None
    ) -> State:
        """The car as it stands with sequences of up to ``depth`` moves judged.

        Never valued worse than :meth:`rank` does. Where moves follow each other, readings are seen
        as words and findings through cells; ``least`` bounds what any sequence of so many moves
        could reach that way. Those that promise most are looked into, as many as `MOST_WORK`
        allows; ``left_out`` counts the others.

        Args:
            most: States looked into at each depth beyond the first.
            single: From :meth:`rank`, where that is at hand.
        """
        single = single or self.rank(progress)
        self.left_out = 0
        if depth < 2:
            return single
        root = self.start(progress)
        levels = [[root]]
        self._imagine(levels[0], fine=False)
        outcomes = sum(len(branch.chance) for branch in root.branches)
        work = self.calibrated.tree.plan.space * max(1, outcomes)
        most = min(most, max(1, MOST_WORK // work))
        for _ in range(depth - 1):
            _back_up(levels, len(levels))
            levels.append(self._enter(root, levels[-1], most))
            self._imagine(levels[-1], fine=False)
        _back_up(levels, depth)
        root.take_better(single)
        return root

    def _imagine(
        self, states: Sequence[State], fine: bool, tests: Collection[str] | None = None
    ) -> None:
        """Give every state its branches."""
        trials = [
            Trial(state, move, self._leaves(state, move, fine))
            for state in states
            for move in self.rules.moves(state.progress)
            if tests is None or move.test in tests
        ]
        telling = [trial for trial in trials if trial.outcomes > 1]
        value_trials(telling, self.calibrated, self.decision)

    def _leaves(self, state: State, move: Move, fine: bool) -> list[Leaf]:
        """Outcomes of a move: where it ends at a hurdle, then all that its test may show."""
        last = move.steps[-1]
        if len(move.steps) == 1:
            cells = self._cells(move.test, state.seen, fine)
            return [Leaf(state.seen, cells, last.cost, (move.test,), last.standing)]
        leaves: list[Leaf] = []
        paths: list[Prefix] = [state.seen]
        spent = 0.0
        done: tuple[str, ...] = ()
        for step in move.steps[:-1]:
            spent, done = spent + step.cost, (*done, step.test)
            for finding, passing in step.hurdles:
                if finding in state.seen or finding in self.calibrated.known:
                    continue
                states = enumerate(self.calibrated.network.states(finding))
                tries = [({**p, finding: c}, s in passing) for c, s in states for p in paths]
                ends = [path for path, ok in tries if not ok]
                leaves += [Leaf(path, NOTHING, spent, done, step.standing) for path in ends]
                paths = [path for path, ok in tries if ok]
        spent, done = spent + last.cost, (*done, move.test)
        ways = [(path, self._cells(move.test, path, fine)) for path in paths]
        return leaves + [Leaf(path, own, spent, done, last.standing) for path, own in ways]

    def _cells(self, test: str, seen: Prefix, fine: bool) -> Cells:
        """Cells of what a test still shows once some states were seen."""
        touched = self._touch[test]
        key = (test, fine, *((n, c) for n, c in seen.items() if n in touched))
        if key not in self._cut:
            unseen = tuple(
                name
                for name in self.yields[test]
                if name not in seen
                and not any(seen.get(f) in states for f, states in self.masks.get(name, {}).items())
            )
            self._cut[key] = self._cut_up(unseen, fine)
        return self._cut[key]

    def _cut_up(self, names: Query, fine: bool) -> Cells:
        """Cells of a look, the fewer the less it tells."""
        network = self.calibrated.network
        several = sum(name in network.gauges for name in names) > 1
        look = self.look(names, (_STEP_OF_SEVERAL if several else STEP) if fine else 0.0)
        dull = 1.0
        if len(names) > 1:
            bits = look.bits(set(network.hidden) - set(names))
            dull = min(max(1.0, 1 / max(bits, 1e-9)), _DULL)
        if fine:
            return cut(look, FINE * dull * (1 + several), FINE / 10)
        cells = cut(look, floor := COARSE * dull)
        while cells.count > _FEW and floor < 1:
            cells = cut(look, floor := 1.5 * floor)
        return cells

    def _enter(self, root: State, level: Sequence[State], most: int) -> list[State]:
        """States at those outcomes of a level that promise most.

        Beyond the first level only the best moves are followed; the others keep their bound.
        """
        branches = [branch for state in level for branch in state.branches]
        for branch in branches:
            branch.entry = self._entry(branch)
        if root not in level:
            firsts = sorted(root.branches, key=lambda branch: branch.value)[:_FIRSTS]
            names = {branch.move.test for branch in firsts}
            branches = [
                branch
                for state in level
                if state.first in names
                for branch in sorted(state.branches, key=lambda b: b.value)[:_SECONDS]
            ]
        promising = []
        for branch in branches:
            could = branch.stop - branch.known - branch.entry
            gain = branch.origin.chance * branch.chance * could
            promising += [(float(gain[i]), branch, i) for i in np.flatnonzero(gain > 0).tolist()]
        promising.sort(key=lambda item: -item[0])
        self.left_out += max(0, len(promising) - most)
        return [self._state(branch, row) for _, branch, row in promising[:most]]

    def _entry(self, branch: Branch) -> FloatArray:
        """Cost of the cheapest move after each outcome, shape (outcomes,)."""
        costs: list[float] = []
        for leaf in branch.leaves:
            alike = not set(leaf.cells.names).intersection(self.rules.hurdles)
            rows = [0] if alike else range(leaf.cells.count)
            found = [self._cheapest(self.progress_at(branch, leaf, row)) for row in rows]
            costs += found * leaf.cells.count if alike else found
        return np.array(costs)

    def _cheapest(self, progress: Progress) -> float:
        if progress not in self._entries:
            moves = self.rules.moves(progress)
            self._entries[progress] = min((move.cost for move in moves), default=np.inf)
        return self._entries[progress]

    def progress_at(self, branch: Branch, leaf: Leaf, cell: int) -> Progress:
        """How far things are after an outcome."""
        codes = {**leaf.seen, **leaf.cells.seen(cell)}
        results = {
            (name, self.calibrated.network.states(name)[code])
            for name, code in codes.items()
            if name in self.rules.hurdles
        }
        return self.rules.after(branch.origin.progress, leaf.done, frozenset(results))

    def _state(self, branch: Branch, row: int) -> State:
        """Go to an outcome, to be looked into further."""
        leaf, cell = branch.position(row)
        state = State(
            {**leaf.seen, **leaf.cells.seen(cell)},
            self.watch(branch, row) if self.watch else self.progress_at(branch, leaf, cell),
            branch.origin.chance * float(branch.chance[row]),
            float(branch.log_evidence[row]),
            float(branch.stop[row]),
            float(branch.known[row]),
            branch.marginals[row],
            branch.origin.first or branch.move.test,
        )
        branch.states[row] = state
        return state


def _back_up(levels: Sequence[Sequence[State]], depth: int) -> None:
    """Values from the deepest level to the first, of a plan of so many moves."""
    for number, level in reversed(list(enumerate(levels))):
        for state in level:
            state.back_up(deeper=number + 1 < depth)
