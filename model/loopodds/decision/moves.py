"""Moves: a test with what comes before it, how far an inspection has come, what is shut.

Tests share set-ups: a car that runs settled, a machine that is coupled. What a test needs of them
and does not stand is brought about first and paid for then; after that it stands for all that
needs it, until a test ends it. So nothing is paid for twice, whatever the order.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import NamedTuple

from loopodds.base.phrases import spaced
from loopodds.decision.prices import Prices
from loopodds.inference.network import Evidence
from loopodds.knowledge.records import Knowledge

Hurdles = Mapping[str, frozenset[str]]
"""Findings with the states in which they let a sequence go on."""

Results = frozenset[tuple[str, str]]
"""What the guards have shown: pairs of finding and state; a doubtful one has the state ''."""


class Step(NamedTuple):
    """One test in a sequence."""

    test: str
    minutes: float
    waiting: float  # minutes of these that bring set-ups about
    cost: float  # in currency
    # findings that must come out in one of some states for the sequence to go on
    hurdles: tuple[tuple[str, frozenset[str]], ...]
    due: tuple[str, ...] = ()  # set-ups that are brought about for it
    standing: frozenset[str] = frozenset()  # set-ups that stand once it is done


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
    standing: frozenset[str] = frozenset()  # set-ups that stand


class Bars(NamedTuple):
    """What stops in force shut."""

    shut: frozenset[str]  # services, and tests still to be done
    waived: frozenset[str]  # tests that can no longer be done and are not waited for


class SetUps:
    """What tests share, at the prices of a workshop.

    Attributes:
        start: Set-ups that a car comes in with.
    """

    def __init__(self, knowledge: Knowledge, prices: Prices) -> None:
        self._set_ups = knowledge.set_ups
        self._tests = knowledge.tests
        self._prices = prices
        self.start = frozenset(name for name, one in self._set_ups.items() if one.at_start)

    def step(self, test: str, standing: frozenset[str], hurdles: Hurdles) -> Step:
        """A test done while some set-ups stand, with what it needs besides."""
        stands = standing.difference(self._tests[test].anew)
        due = tuple(name for name in self._tests[test].set_up if name not in stands)
        waiting = sum(self._prices.minutes[name] for name in due)
        return Step(
            test,
            self._prices.minutes[test] + waiting,
            waiting,
            self._prices.of_work(test) + sum(map(self.price, due)),
            tuple(hurdles.items()),
            due,
            self.after([test], standing),
        )

    def price(self, name: str) -> float:
        """Currency for bringing a set-up about."""
        return self._prices.preparing(self._set_ups[name])

    def spent(self, tests: Iterable[str], standing: frozenset[str]) -> float:
        """Minutes of tests done one after the other, with what they need and does not stand."""
        minutes = 0.0
        for test in tests:
            step = self.step(test, standing, {})
            minutes, standing = minutes + step.minutes, step.standing
        return minutes

    def left(self, done: Iterable[str], course: Iterable[str]) -> frozenset[str]:
        """Set-ups that stand now: of what was ``done`` only the ``course`` is known in order."""
        stands = self.start
        for test in done:
            stands = self.ended(test, stands)
        return self.after(course, stands)

    def ended(self, test: str, standing: Collection[str]) -> frozenset[str]:
        """Set-ups that stand when a test was done at some time of which nothing is known."""
        done = self._tests[test]
        gone = (name for name, one in self._set_ups.items() if one.ended_by == done.engine)
        return frozenset(standing).difference(gone, done.upsets)

    def ending(self, name: str) -> frozenset[str]:
        """Tests that end a set-up."""
        return frozenset(test for test in self._tests if not self.ended(test, [name]))

    def after(self, tests: Iterable[str], standing: Collection[str]) -> frozenset[str]:
        """Set-ups that stand when tests were done one after the other, and each had its own."""
        stands = frozenset(standing)
        for test in tests:
            had = self.ended(test, stands).union(self._tests[test].set_up)
            stands = had.difference(self._tests[test].upsets)
        return stands


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
