"""Moves of an inspection: tests with what comes before them, and how far things have come."""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

Results = frozenset[tuple[str, str]]
"""What the guards have shown: pairs of finding and state; a doubtful one has the state ''."""


class Step(NamedTuple):
    """One test in a sequence: its minutes, of which waiting, and its cost in currency.

    ``hurdles`` are findings of this test that must come out in one of some states for the
    sequence to go on.
    """

    test: str
    minutes: float
    waiting: float
    cost: float
    hurdles: tuple[tuple[str, frozenset[str]], ...]


class Move(NamedTuple):
    """A test with everything that has to be done before it; the test itself is the last step.

    ``ends`` are tests not among its steps that can no longer be done afterwards.
    """

    test: str
    steps: tuple[Step, ...]
    ends: frozenset[str] = frozenset()

    @property
    def cost(self) -> float:
        """Currency of the whole sequence."""
        return sum(step.cost for step in self.steps)

    @property
    def minutes(self) -> float:
        """Minutes of the whole sequence."""
        return sum(step.minutes for step in self.steps)

    @property
    def first(self) -> tuple[str, ...]:
        """What has to be done before the test itself."""
        return tuple(step.test for step in self.steps[:-1])

    def prevents(self, other: Move) -> bool:
        """Whether this move makes another impossible."""
        return not self.ends.isdisjoint(step.test for step in other.steps)


class Closed(NamedTuple):
    """A test that nothing to be done now can open, and why."""

    test: str
    why: str


@dataclass(frozen=True, slots=True)
class Progress:
    """How far an inspection has come.

    Attributes
    ----------
    done : tuple of str
        Tests done, in order; one whose findings are recorded counts as done.
    results : frozenset of (str, str)
        What the guards have shown.
    begun : frozenset of str
        Tests that count as done although not all they show was recorded.
    """

    done: tuple[str, ...]
    results: Results
    begun: frozenset[str] = frozenset()
