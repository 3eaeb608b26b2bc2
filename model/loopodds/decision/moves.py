"""Moves: a test with what comes before it, how far an inspection has come, what is shut."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import NamedTuple

from loopodds.base.phrases import spaced
from loopodds.inference.network import Evidence

Results = frozenset[tuple[str, str]]
"""What the guards have shown: pairs of finding and state; a doubtful one has the state ''."""


class Step(NamedTuple):
    """One test in a sequence."""

    test: str
    minutes: float
    waiting: float  # minutes of these
    cost: float  # in currency
    # findings that must come out in one of some states for the sequence to go on
    hurdles: tuple[tuple[str, frozenset[str]], ...]


class Move(NamedTuple):
    """A test with everything that has to be done before it; the test itself is the last step."""

    test: str
    steps: tuple[Step, ...]
    ends: frozenset[str] = frozenset()  # tests not among its steps that it makes impossible

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
    """How far an inspection has come."""

    done: tuple[str, ...]  # tests done, in order; one whose findings are recorded counts as done
    results: Results  # what the guards have shown
    # tests that count as done although not all they show was recorded
    begun: frozenset[str] = frozenset()
    stops: frozenset[str] = frozenset()  # in force
    waived: frozenset[str] = frozenset()  # tests that can no longer be done and are not waited for
    # stops that a guard lifts once it is passed, each with it: what waits for that is not shut
    pending: frozenset[tuple[str, str]] = frozenset()


class Bars(NamedTuple):
    """What stops in force shut."""

    shut: frozenset[str]  # services, and tests still to be done
    waived: frozenset[str]  # tests that can no longer be done and are not waited for


NO_BARS = Bars(frozenset(), frozenset())


def to_state(keys: Sequence[str]) -> str:
    """What to add to a reason that hangs on contexts which are not stated."""
    return f"; state the {' and the '.join(map(spaced, keys))}" if keys else ""


def as_sets(by_finding: Mapping[str, tuple[str, ...]]) -> dict[str, frozenset[str]]:
    """States by finding, as sets."""
    return {finding: frozenset(states) for finding, states in by_finding.items()}


def state_seen(evidence: Evidence, name: str, states: Sequence[str]) -> str:
    """State seen, or '' where it was given as likelihoods."""
    codes = evidence.codes.get(name)
    return states[int(codes[0])] if codes is not None and codes[0] >= 0 else ""
