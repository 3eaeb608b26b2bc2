"""What a call on a case answers: the case as it stands, and which faults it moved by how much."""

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import NamedTuple

from loopodds.base.phrases import lowered, sentence
from loopodds.casebook.events import Event, StoredBelief
from loopodds.casebook.replay import CaseState, Noted, recorded_in
from loopodds.diagnosis.belief import Belief
from loopodds.diagnosis.diagnose import believe
from loopodds.diagnosis.model import Model
from loopodds.diagnosis.past_evidence import left_out
from loopodds.diagnosis.repaired_car import changed_by, shown_by
from loopodds.inspection.assignments import Value
from loopodds.inspection.inspection import Inspection
from loopodds.knowledge.guards import earlier
from loopodds.knowledge.records import Knowledge

Open = tuple[tuple[str, ...], tuple[str, ...]]
"""Guards of which no result is recorded, and guards that were not passed."""


def skipped(events: Iterable[Event], state: CaseState, knowledge: Knowledge) -> list[str]:
    """A sentence for every guard that should have been passed before what was recorded.

    ``state`` is the case after it: a guard recorded in the same call counts.
    """
    went_past: dict[Open, list[str]] = {}
    for ways in _ways(events, state, knowledge):
        opened = {test: _open_guards(test, state, knowledge) for test in ways}
        if all(any(guards) for guards in opened.values()):
            went_past.setdefault(opened[ways[0]], []).append(knowledge.tests[ways[0]].title)
    sentences = []
    for (unrecorded, failed), titles in went_past.items():
        done = sentence(", ".join(map(lowered, dict.fromkeys(titles))))
        for guards, flaw in ((unrecorded, "not recorded"), (failed, "not passed")):
            if guards:
                named = " and ".join(lowered(knowledge.tests[name].title) for name in guards)
                comes, is_ = ("comes", "is") if len(guards) == 1 else ("come", "are")
                sentences.append(f"{done}: {named} {comes} before, and {is_} {flaw}")
    return sentences


def _said(state: CaseState, knowledge: Knowledge) -> dict[str, Value]:
    """What is recorded and still so: a repair makes some of it out of date."""
    said: dict[str, Value] = {}
    for repair in state.repairs:
        said |= _used(repair.noted)
        changed = changed_by(repair.known(knowledge), knowledge)
        said = {name: value for name, value in said.items() if name not in changed}
    return said | _used(state.noted)


def _used(noted: Mapping[str, Noted]) -> dict[str, Value]:
    return {name: seen.value for name, seen in noted.items() if seen.used}


def _ways(
    events: Iterable[Event], state: CaseState, knowledge: Knowledge
) -> Iterator[Sequence[str]]:
    """For each entry the tests that it may come from; none for what work has shown by the way."""
    last = state.repairs[-1].known(knowledge) if state.repairs else ()
    shown = shown_by(last, knowledge)
    for event in events:
        if event.kind == "test_done":
            yield [event.content["test"]]
        for name in recorded_in(event):
            ways = [test.name for test in knowledge.tests.values() if name in test.yields]
            if ways and name not in shown:
                yield ways


def _open_guards(test: str, state: CaseState, knowledge: Knowledge) -> Open:
    before = earlier(knowledge.tests[test], knowledge)
    passes = {
        name: guard.passes
        for name, guard in knowledge.tests.items()
        if name in before and guard.passes
    }
    said = _said(state, knowledge)
    unrecorded = tuple(
        name for name, findings in passes.items() if not said.keys() >= set(findings)
    )
    failed = tuple(
        name
        for name, findings in passes.items()
        if any(finding in said and said[finding] not in ok for finding, ok in findings.items())
    )
    return unrecorded, failed


SEEN_TO_MOVE = 0.01
"""Least change of a probability that is told."""


class Moved(NamedTuple):
    """A condition, or ``sound``, whose probability changed."""

    name: str
    before: float
    after: float


class Before(NamedTuple):
    """A case as it stood before a call: belief under the present knowledge, and its warnings.

    ``posterior`` is None if the case as it stood cannot be read under the present knowledge.
    """

    posterior: StoredBelief | None
    warnings: tuple[str, ...]


@dataclass(frozen=True, eq=False)
class Answer:
    """What a call did to a case and what is believed now."""

    events: tuple[Event, ...]  # what the call added; empty if it only looked
    state: CaseState
    inspection: Inspection  # the case as it stands, checked against the present knowledge
    before: Before
    after: StoredBelief  # belief after the call
    # digest of the knowledge in which the case was last recorded where that is not the present one,
    # else empty: ``before`` was worked out anew then and differs from what was stored
    older: str
    model: Model

    @cached_property
    def belief(self) -> Belief:
        """Exact posterior of the case as it stands, for further questions."""
        return believe(self.inspection, self.model)

    def moved(self, least: float = SEEN_TO_MOVE) -> list[Moved]:
        """Conditions, and ``sound``, that changed by at least so much; furthest first."""
        if self.before.posterior is None:
            return []
        now, before = self.after.chances(), self.before.posterior.chances()
        moves = [Moved(name, p, now[name]) for name, p in before.items()]
        told = [move for move in moves if abs(move.after - move.before) >= least]
        return sorted(told, key=lambda move: -abs(move.after - move.before))

    def warnings(self) -> tuple[str, ...]:
        """What is odd about the case, and what could not be used."""
        told = self.inspection.warnings
        if not self.inspection.repairs:
            return told
        return (*told, *left_out(self.inspection, self.belief.model))

    def new_warnings(self) -> list[str]:
        """Guards that the call went past, and warnings that the case did not have before it."""
        told = self.before.warnings
        return [*self.skipped(), *(text for text in self.warnings() if text not in told)]

    def skipped(self) -> list[str]:
        """Guards that should have been passed before what the call recorded."""
        return skipped(self.events, self.state, self.model.knowledge)

    def shown(self) -> tuple[str, ...]:
        """What was to be seen during the last repair, if the call recorded it, not yet noted."""
        done = [e.content["services"] for e in self.events if e.kind == "repaired"]
        names = shown_by(done[-1], self.model.knowledge) if done else ()
        return tuple(name for name in names if name not in self.state.noted)

    def ranking(self) -> list[tuple[str, float]]:
        """Conditions by probability, highest first."""
        return sorted(self.after.conditions.items(), key=lambda pair: -pair[1])
