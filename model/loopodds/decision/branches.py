"""Moves priced: all outcomes of all moves of all states of one depth in one batch."""

from __future__ import annotations

import os
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import NamedTuple

import numpy as np

from loopodds.base.arrays import FloatArray, IntArray, Query
from loopodds.decision.expected_cost import Decision
from loopodds.decision.moves import Move, Progress
from loopodds.decision.outcomes import Batch, Cells
from loopodds.inference.joints import Calibrated
from loopodds.inference.junction import JunctionTree, Posterior
from loopodds.inference.network import Evidence

ROUNDING = 1e-6
"""Currency up to which a saving is only rounding: whether it pays must not hang on that."""


@dataclass(slots=True, eq=False)
class State:
    """What has been seen, and what it makes of the best plan."""

    seen: Mapping[str, int]  # states seen beyond what is known now
    progress: Progress
    chance: float  # of coming here from now
    log_evidence: float
    stop: float  # expected cost of the best plan
    known: float  # lower bound of that cost under perfect information
    marginal: FloatArray  # shape (columns,): of the decision
    first: str = ""  # test of the move that the way here began with
    branches: list[Branch] = field(default_factory=list)  # every move judged
    # least expected cost found, further tests included, and a lower bound of what there is
    value: float = np.inf
    least: float = -np.inf

    @property
    def best(self) -> Branch | None:
        """The move to make; None where it is best to stop.

        Of the moves that pay, the one that pays most. What would make impossible another that
        pays by itself waits: it costs no more later, and may then no longer be wanted.
        """
        paying = [branch for branch in self.branches if branch.value < self.stop - ROUNDING]
        free = [branch for branch in paying if not self.prevented_by(branch.move)]
        return min(free or paying, key=lambda branch: branch.value, default=None)

    @property
    def saves(self) -> float:
        """What the move to make is expected to save, its cost taken off; 0 for stopping."""
        best = self.best
        return self.stop - best.value if best is not None else 0.0

    def prevented_by(self, move: Move) -> list[Branch]:
        """Moves that pay by themselves and that this one would make impossible, best first."""
        if not move.ends:
            return []
        paying = [other for other in self.branches if other.gain > other.cost + ROUNDING]
        prevented = [other for other in paying if move.prevents(other.move)]
        return sorted(prevented, key=lambda other: other.cost - other.gain)

    def back_up(self, deeper: bool) -> None:
        """Value from the branches; ``deeper`` allows further moves after their outcomes."""
        for branch in self.branches:
            branch.back_up(deeper)
        self.value = min([self.stop, *(branch.value for branch in self.branches)])
        self.least = min([self.stop, *(branch.least for branch in self.branches)])

    def take_better(self, other: State) -> None:
        """Put branches of the same state, judged another way, in the place of worse ones."""
        rivals = {branch.move.test: branch for branch in other.branches}
        for i, branch in enumerate(self.branches):
            rival = rivals.pop(branch.move.test, branch)
            if rival.value < branch.value:
                rival.least = min(rival.least, branch.least)
                self.branches[i] = rival
        self.branches += rivals.values()
        self.value = min(self.value, other.value)
        self.least = min(self.least, other.least)


@dataclass(frozen=True, slots=True, eq=False)
class Leaf:
    """Outcomes of a move that share what was seen before its last test, what was spent and done."""

    seen: Mapping[str, int]
    cells: Cells
    spent: float
    done: tuple[str, ...]
    standing: frozenset[str] = frozenset()  # set-ups, once so much was done


@dataclass(slots=True, eq=False)
class Branch:
    """A move in a state with all its outcomes."""

    origin: State
    move: Move
    leaves: Sequence[Leaf]  # the outcomes, in runs
    chance: FloatArray  # shape (outcomes,): of each outcome given the state; sums to one
    log_evidence: FloatArray  # shape (outcomes,)
    stop: FloatArray  # shape (outcomes,): cost of the best plan
    known: FloatArray  # shape (outcomes,): its lower bound under perfect information
    marginals: FloatArray  # shape (outcomes, columns)
    gain: float  # what the move saves, before its own cost, when no other follows; never below zero
    cost: float  # expected cost of the tests of this move, and of what they leave to be settled
    debt: float  # the latter: by how much it makes the plan dearer that is best now
    states: dict[int, State] = field(default_factory=dict)  # looked into further, by position
    # shape (outcomes,): cost of the cheapest move after each; empty where none is considered
    entry: FloatArray = field(default_factory=lambda: np.empty(0))
    # least expected cost found when making this move, tests included, and a lower bound
    value: float = np.inf
    least: float = np.inf

    def position(self, row: int) -> tuple[Leaf, int]:
        """Leaf of an outcome, and its cell."""
        for leaf in self.leaves:
            if row < leaf.cells.count:
                return leaf, row
            row -= leaf.cells.count
        raise IndexError(row)

    def seen(self, row: int) -> dict[str, int]:
        """Everything seen at an outcome beyond what is known now."""
        leaf, cell = self.position(row)
        return {**leaf.seen, **leaf.cells.seen(cell)}

    def back_up(self, deeper: bool) -> None:
        """Value from the outcomes; with ``deeper``, those not looked into may hide something."""
        here = self.origin.stop - self.gain + self.cost
        saved = sum(self.chance[i] * (self.stop[i] - s.value) for i, s in self.states.items())
        self.value = here - float(saved)
        self.least = self.value
        if deeper and len(self.entry):
            least = np.minimum(self.stop, self.known + self.entry)
            for i, state in self.states.items():
                least[i] = state.least
            self.least = here - float(self.chance @ (self.stop - least))


_ROWS_A_THREAD = 4096
_ROWS_COMPILED = 128
"""The same where the loops are compiled: they hold no lock."""
_EVEN = 1e-9  # of sums of chances


class Trial(NamedTuple):
    """A move in a state, with what it may show."""

    state: State
    move: Move
    leaves: Sequence[Leaf]

    @property
    def outcomes(self) -> int:
        """Number of outcomes."""
        return sum(leaf.cells.count for leaf in self.leaves)


class _Rows(NamedTuple):
    """Every outcome of every trial: belief, cost of the best plan, bound, log evidence."""

    marginals: FloatArray
    stop: FloatArray
    known: FloatArray
    logs: FloatArray


def value_trials(trials: Sequence[Trial], calibrated: Calibrated, decision: Decision) -> None:
    """Append to the state of each trial the branch that it makes.

    ``calibrated``: what is known now, of which every outcome is a variation.
    """
    if not trials:
        return
    sizes = np.array([trial.outcomes for trial in trials])
    ends = np.cumsum(sizes)
    starts = ends - sizes
    leaves = [leaf for trial in trials for leaf in trial.leaves]
    rows = _work_out(trials, calibrated, decision)
    lengths = np.concatenate([leaf.cells.lengths for leaf in leaves])
    chance = np.exp(rows.logs - np.repeat([t.state.log_evidence for t in trials], sizes)) * lengths
    chance /= np.repeat(np.add.reduceat(chance, starts), sizes)
    spent = np.repeat([leaf.spent for leaf in leaves], [leaf.cells.count for leaf in leaves])
    costs = np.add.reduceat(chance * spent, starts)
    # what quadrature loses cancels against the plan that is best on the average outcome
    average = np.add.reduceat(chance[:, None] * rows.marginals, starts, axis=0)
    owed = average.shape[1] - len(decision.owed)
    needs = owed - len(decision.needs)
    shared = owed - len(decision.shared_by)
    before = np.array([trial.state.marginal for trial in trials])
    average[:, needs:shared] = before[:, needs:shared]
    indebted = decision.cost(average)
    incurred = np.abs(average[:, owed:] - before[:, owed:]).max(axis=1, initial=0.0) > _EVEN
    average[:, owed:] = before[:, owed:]
    debts = np.where(incurred, indebted - decision.cost(average), 0.0)
    costs += debts
    # what a test brings about for the plan as well counts as what it saves
    average[:, shared:owed] = before[:, shared:owed]
    informed = np.add.reduceat(chance * rows.stop, starts)
    gains = np.maximum(0.0, decision.cost(average) + debts - informed)
    for i, trial in enumerate(trials):
        part = slice(starts[i], ends[i])
        trial.state.branches.append(
            Branch(
                *trial, chance[part], rows.logs[part], rows.stop[part], rows.known[part],
                rows.marginals[part], float(gains[i]), float(costs[i]), float(debts[i]),
            )
        )  # fmt: skip


def _work_out(trials: Sequence[Trial], calibrated: Calibrated, decision: Decision) -> _Rows:
    """Beliefs and costs at every outcome; what comes about in two ways is worked out once."""
    batch = Batch(calibrated.evidence)
    for trial in trials:
        for leaf in trial.leaves:
            batch.add(leaf.seen, leaf.cells)
    evidence, which = batch.evidence()
    posterior = _propagated(calibrated.tree, evidence, decision.queries)
    kinds, kind = _open_needs(trials, decision)
    pairs, pair = np.unique(which * len(kinds) + kind, return_inverse=True)
    number, kind = np.divmod(pairs, len(kinds))
    joints = {query: joint[number] for query, joint in posterior.joints.items()}
    marginals = decision.of_joints(joints, kinds[kind])
    return _Rows(
        marginals[pair],
        decision.cost(marginals)[pair],
        decision.informed_cost(marginals)[pair],
        posterior.log_evidence[which],
    )


def _open_needs(trials: Sequence[Trial], decision: Decision) -> tuple[FloatArray, IntArray]:
    """What plans would still need done: the distinct answers, and which one each outcome has."""
    found: dict[tuple[tuple[str, ...], frozenset[str]], FloatArray] = {}
    rows = []
    for trial in trials:
        for leaf in trial.leaves:
            so_far = (*trial.state.progress.done, *leaf.done), leaf.standing
            if so_far not in found:
                found[so_far] = decision.to_do(*so_far)
            rows.append(found[so_far])
    kinds, kind = np.unique(np.array(rows), axis=0, return_inverse=True)
    return kinds, np.repeat(kind, [leaf.cells.count for trial in trials for leaf in trial.leaves])


def _propagated(tree: JunctionTree, evidence: Evidence, queries: Iterable[Query]) -> Posterior:
    """One batch, its rows shared among the processors when there are many."""
    wanted = list(queries)
    least = _ROWS_COMPILED if tree.compiled else _ROWS_A_THREAD
    parts = min(os.cpu_count() or 1, evidence.rows // least)
    if parts < 2:
        return tree.propagate(evidence, wanted)
    from concurrent.futures import ThreadPoolExecutor  # seldom needed

    rows = np.array_split(np.arange(evidence.rows), parts)
    with ThreadPoolExecutor(parts) as pool:
        done = list(pool.map(lambda part: tree.propagate(evidence.take(part), wanted), rows))
    joints = {query: np.concatenate([part.joints[query] for part in done]) for query in wanted}
    log_evidence = np.concatenate([part.log_evidence for part in done])
    return Posterior(log_evidence, joints, sum(part.distinct for part in done))
