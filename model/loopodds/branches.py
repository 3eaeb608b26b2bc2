"""The tree of a plan of tests: states, the moves made in them, and their outcomes."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np

from loopodds.aliases import FloatArray
from loopodds.imagined import Cells
from loopodds.moves import Move, Progress

_ROUNDING = 1e-6
"""Currency below which a saving is only rounding."""


@dataclass(slots=True, eq=False)
class State:
    """What has been seen, and what it makes of the best plan.

    Attributes
    ----------
    seen : mapping of str to int
        States seen beyond what is known now.
    progress : Progress
    chance : float
        Of coming here from now.
    log_evidence : float
    stop : float
        Expected cost of the best plan.
    known : float
        Lower bound of that cost under perfect information.
    marginal : float array, shape (columns,)
        Of the decision.
    first : str
        Test of the move that the way here began with.
    branches : list of Branch
        Every move judged.
    value, least : float
        Least expected cost found, further tests included, and a lower bound of what there is.
    """

    seen: Mapping[str, int]
    progress: Progress
    chance: float
    log_evidence: float
    stop: float
    known: float
    marginal: FloatArray
    first: str = ""
    branches: list[Branch] = field(default_factory=list)
    value: float = np.inf
    least: float = -np.inf

    @property
    def best(self) -> Branch | None:
        """The move to make; None where it is best to stop.

        Of the moves that pay, the one that pays most. What would make impossible another that
        pays by itself waits: it costs no more later, and may then no longer be wanted.
        """
        paying = [branch for branch in self.branches if branch.value < self.stop - _ROUNDING]
        free = [branch for branch in paying if not self.prevented_by(branch)]
        return min(free or paying, key=lambda branch: branch.value, default=None)

    @property
    def saves(self) -> float:
        """What the move to make is expected to save, its cost taken off; 0 for stopping."""
        best = self.best
        return self.stop - best.value if best is not None else 0.0

    def prevented_by(self, branch: Branch) -> list[Branch]:
        """Moves that pay by themselves and that this one would make impossible, best first."""
        prevented = [
            other
            for other in self.branches
            if other.gain > other.cost + _ROUNDING and branch.move.prevents(other.move)
        ]
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


@dataclass(slots=True, eq=False)
class Branch:
    """A move in a state with all its outcomes.

    Attributes
    ----------
    origin : State
    move : Move
    leaves : sequence of Leaf
        The outcomes, in runs.
    chance : float array, shape (outcomes,)
        Of each outcome given the state; sums to one.
    log_evidence, stop, known : float array, shape (outcomes,)
        Cost of the best plan at each outcome, and its lower bound under perfect information.
    marginals : float array, shape (outcomes, columns)
    gain : float
        What the move saves, before its own cost, when no other follows; never below zero.
    cost : float
        Expected cost of the tests of this move, and of what they leave to be settled.
    debt : float
        The latter: by how much it makes the plan dearer that is best now.
    states : dict of int to State
        Outcomes looked into further, by position.
    entry : float array, shape (outcomes,)
        Cost of the cheapest move after each outcome; empty where none is considered.
    value, least : float
        Least expected cost found when making this move, tests included, and a lower bound.
    """

    origin: State
    move: Move
    leaves: Sequence[Leaf]
    chance: FloatArray
    log_evidence: FloatArray
    stop: FloatArray
    known: FloatArray
    marginals: FloatArray
    gain: float
    cost: float
    debt: float
    states: dict[int, State] = field(default_factory=dict)
    entry: FloatArray = field(default_factory=lambda: np.empty(0))
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
