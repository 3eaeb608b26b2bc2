"""Everything a report says: the assessment, its explanation, and the course of the case."""

from collections.abc import Mapping, Sequence
from dataclasses import replace
from datetime import datetime
from functools import cached_property
from typing import Any, NamedTuple

from loopodds.advice.assessment import Assessment
from loopodds.base.phrases import spaced
from loopodds.casebook.believed import inspection_of, posteriors
from loopodds.casebook.events import Event
from loopodds.casebook.replay import TELLING, described, replay, states, value_words
from loopodds.diagnosis.diagnose import believe, recorded_words, stated_context
from loopodds.diagnosis.explanation import Explanation
from loopodds.diagnosis.model import Model
from loopodds.doubt.intervals import doubts
from loopodds.inspection.assignments import outcomes_of
from loopodds.inspection.inspection import Inspection, Quantity
from loopodds.knowledge.records import SOUND, Knowledge
from loopodds.papers.photos import Photo, apart
from loopodds.papers.stopped import lifted_along, rounds_of, steps_by
from loopodds.report.figures import Moment

START = "before anything was seen"


class Logged(NamedTuple):
    """One line of the record: when (UTC; empty for a case file), what, by whom, remarks."""

    time: str
    what: str
    who: str = ""
    note: str = ""


class Told(NamedTuple):
    """What was recorded, the belief along it, and what was seen by then.

    The last is None where the belief was stored under earlier knowledge.
    """

    entries: list[Logged]
    course: list[Moment]
    seen: list[Inspection | None]


class Sender(NamedTuple):
    """The workshop, as it stands at the head of what it hands over; empty leaves room to stamp."""

    name: str = ""
    address: str = ""  # lines apart by line breaks


NOBODY = Sender()


class Closing(NamedTuple):
    """Who wrote down what turned out to be true, and when; both empty for a case file."""

    who: str = ""
    time: str = ""


class Report:
    """What both readers of a report are told.

    Args:
        written: When the report was made; times are told in its time zone.
        events: Of the case book: times, names and the beliefs of then; without them the course
            follows the order of the case file.
        sender: The workshop.
        plate: Of the car; the name of the case in the book when left out.
        photos: Kept with the case.

    Attributes:
        name: What the workshop calls the case, perhaps empty.
        entries, course: Everything recorded; belief before anything was seen and after each step.
        confirmed: What turned out to be true; empty while the case is open.
        lifted: Stops that were in force once, and what lifted them.
        older: Digests of earlier knowledge that beliefs along the course come from.
    """

    def __init__(
        self,
        result: Assessment,
        written: datetime,
        events: Sequence[Event] = (),
        sender: Sender = NOBODY,
        plate: str = "",
        photos: Sequence[Photo] = (),
    ) -> None:
        self.result = result
        self.sender = sender
        self.events = tuple(events)
        self.knowledge = knowledge = result.knowledge
        self.written = written
        self.name = str(events[0].content.get("name", "")) if events else ""
        self.plate = plate or self.name
        self.confirmed = outcomes_of(result.inspection.confirmed, knowledge)
        older = (event.knowledge for event in events if event.knowledge != knowledge.digest)
        self.older = list(dict.fromkeys(older))
        self.entries, self.course, self._seen = (
            _told_by(events, knowledge) if events else _told_in(result.inspection, result.model)
        )
        repaired = [_repaired(done.services, knowledge) for done in result.inspection.repairs]
        words = [event_words(event, knowledge) for event in events]
        self.lifted = lifted_along(
            steps_by(events, words, result.model)
            if events
            else rounds_of(result.inspection, repaired),
            result.model,
        )

        self.repaired_at = [e.time for e in self._standing if e.kind == "repaired"]
        repair = datetime.fromisoformat(self.repaired_at[0]) if self.repaired_at else None
        self.photos_before, self.photos_after = apart(photos, repair)

    @cached_property
    def explanation(self) -> Explanation:
        """Why the leading condition is believed."""
        return self.result.explain()

    @cached_property
    def plan(self) -> dict[str, Any] | None:
        """As in the JSON of ``plan``; None where the knowledge has no services."""
        return self.result.plan_json() if self.knowledge.services else None

    def with_ranges(self, steps: Sequence[int], names: Sequence[str]) -> list[Moment]:
        """Some steps of the course with how far the probabilities of some names could lie.

        Where that can be told: not of what was believed under earlier knowledge, nor of a car
        after a repair.
        """
        moments = []
        for step in steps:
            seen = self._seen[step]
            found = None if seen is None else doubts(believe(seen, self.result.model), names)
            ends = {n: (one.low, one.high) for n, one in found.intervals.items()} if found else {}
            moments.append(self.course[step]._replace(ranges=ends))
        return moments

    @property
    def _standing(self) -> Sequence[Event]:
        """Steps of the case that stand."""
        return replay(self.events).steps if self.events else ()

    @property
    def closing(self) -> Closing:
        """Who wrote down the outcome, and when."""
        told = [event for event in self._standing if event.kind == "confirmed"]
        return Closing(told[-1].who, told[-1].time) if told else Closing()

    def at_first(self) -> Mapping[str, float]:
        """What was believed of the car before its first repair, ``sound`` included.

        As it was told then, where the book has it.
        """
        done = [event.position for event in self._standing if event.kind == "repaired"]
        if done:
            before = [event for event in self.events if event.position < done[0]]
            return before[-1].posterior.chances()
        came = believe(self.result.inspection.as_it_came, self.result.model)
        return {SOUND: came.p_sound, **{c.name: c.probability for c in came.ranking()}}

    def here(self, time: str) -> datetime:
        """A moment of the book in the time zone of the reader."""
        return datetime.fromisoformat(time).astimezone(self.written.tzinfo)

    @property
    def car(self) -> list[tuple[str, str]]:
        """What is stated of vehicle and conditions."""
        inspection = self.result.inspection
        stated = {**inspection.vehicle, **inspection.conditions}.items()
        return [(spaced(n), v.text if isinstance(v, Quantity) else v) for n, v in stated]

    def as_json(self) -> dict[str, Any]:
        """Plain data for ``json.dumps``."""
        result = self.result
        tests = [test.as_json() for test in result.tests] if self.knowledge.services else []
        return {
            "case": result.case,
            "name": self.name,
            "plate": self.plate,
            "written": self.written.isoformat(timespec="seconds"),
            "knowledge": self.knowledge.digest,
            "earlier_knowledge": self.older,
            "car": dict(self.car),
            "assessment": {**result.as_json(), "next_tests": tests, "plan": None},
            "explanation": self.explanation.as_json(),
            "record": [entry._asdict() for entry in self.entries],
            "course": [
                {"after": m.label, "probabilities": dict(m.probabilities)} for m in self.course
            ],
            "confirmed": dict(self.confirmed),
            "stops_lifted": [
                {**lifted.stop.as_json(), "since": lifted.since, "lifted_after": lifted.by}
                for lifted in self.lifted
            ],
            "plan": self.plan,
        }


def _told_in(inspection: Inspection, model: Model) -> Told:
    """A case file, one step an entry: history, findings, readings; before a repair, after it."""
    knowledge = model.knowledge
    came = {k: v for k, v in stated_context(inspection, knowledge).items() if k == "setting"}
    steps, labels = [], []
    for number in range(len(inspection.repairs) + 1):
        done = inspection.repairs[:number]
        now = (*(r.before for r in inspection.repairs), inspection)[number]
        start = replace(
            now, conditions={**now.conditions, **came}, repairs=done,
            history=now.history if done else {}, findings={}, readings={}, confirmed={},
        )  # fmt: skip
        steps.append(start)
        labels.append(_repaired(done[-1].services, knowledge) if done else START)
        recorded = recorded_words(now, knowledge)
        for section in ("findings", "readings") if done else ("history", "findings", "readings"):
            for name, value in getattr(now, section).items():
                seen: dict[str, Any] = {section: {**getattr(steps[-1], section), name: value}}
                steps.append(replace(steps[-1], **seen))
                said = spaced(recorded[name])
                labels.append(f"{knowledge.title(name)}: {said}")
    beliefs = [posterior.chances() for posterior in posteriors(steps, model)]
    entries = [Logged("", label) for label in labels[1:]]
    return Told(entries, list(map(Moment, labels, beliefs)), list(steps))


def _told_by(events: Sequence[Event], knowledge: Knowledge) -> Told:
    """The events of a case, and the beliefs stored with those that bear on the car."""
    entries, moments, seen = [], [], []
    for event, state in zip(events, states(events), strict=True):
        label = event_words(event, knowledge)
        entries.append(Logged(event.time, label, event.who, event.note))
        if event.kind == "opened":
            moments.append(Moment(START, event.posterior.chances()))
        elif event.kind in TELLING:
            moments.append(Moment(label, event.posterior.chances()))
        if event.kind in ("opened", *TELLING):
            is_present = event.knowledge == knowledge.digest
            seen.append(inspection_of(state, knowledge) if is_present else None)
    return Told(entries, moments, seen)


def event_words(event: Event, knowledge: Knowledge) -> str:
    """What happened, with titles for names where the knowledge has them."""
    content = event.content
    if event.kind in ("seen", "read"):
        return f"{knowledge.title(content['name'])}: {value_words(content['value'])}"
    if event.kind == "doubted":
        return f"doubted: {knowledge.title(content['name'])}"
    if event.kind == "withdrawn":
        return f"withdrawn: {', '.join(map(knowledge.title, content['names']))}"
    if event.kind == "repaired":
        return f"repaired: {_services(content['services'], knowledge)}"
    if event.kind == "test_done" and content["test"] in knowledge.tests:
        return f"done: {knowledge.tests[content['test']].title}"
    return spaced(knowledge.told(described(event)))


def _repaired(services: Sequence[str], knowledge: Knowledge) -> str:
    return f"repaired: {_services(services, knowledge)}"


def _services(names: Sequence[str], knowledge: Knowledge) -> str:
    """Titles of services, or their names where the knowledge does not have them any more."""
    known = knowledge.services
    return ", ".join(known[name].title if name in known else spaced(name) for name in names)
