"""Everything a report says: the assessment, its explanation, and the course of the case."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from typing import Any

from loopodds.base.phrases import spaced
from loopodds.casebook.believed import posteriors
from loopodds.casebook.book import Event
from loopodds.casebook.replay import TELLING, described, value_text
from loopodds.decision.assessment import Assessment
from loopodds.diagnosis.diagnose import recorded_words, stated_context
from loopodds.diagnosis.explanation import Explanation
from loopodds.diagnosis.model import Model
from loopodds.inspection.assignments import outcomes_of
from loopodds.inspection.inspection import Inspection, Quantity
from loopodds.knowledge.records import Knowledge
from loopodds.report.figures import Moment

START = "before anything was seen"


@dataclass(frozen=True, slots=True)
class Logged:
    """One line of the record: when (UTC; empty for a case file), what, by whom, remarks."""

    time: str
    what: str
    who: str
    note: str


@dataclass(frozen=True, slots=True)
class Report:
    """What both readers of a report are told.

    Attributes
    ----------
    case, name : str
        Which case, and what the workshop calls it (perhaps empty).
    written : datetime
        When the report was made.
    knowledge : Knowledge
        Under which everything was worked out.
    car : tuple of pairs of str
        What is stated of vehicle and conditions.
    assessment : Assessment
    explanation : Explanation
        Of the leading hypothesis.
    entries : tuple of Logged
        Everything recorded, in order.
    course : tuple of Moment
        Belief before anything was seen and after each step.
    confirmed : mapping of str to str
        What turned out to be true; empty while the case is open.
    next_tests : tuple of mapping
        As in the JSON of ``assess``, best first.
    plan : mapping or None
        As in the JSON of ``plan``; None if none was made.
    older : tuple of str
        Digests of earlier knowledge that beliefs along the course come from.
    """

    case: str
    name: str
    written: datetime
    knowledge: Knowledge
    car: tuple[tuple[str, str], ...]
    assessment: Assessment
    explanation: Explanation
    entries: tuple[Logged, ...]
    course: tuple[Moment, ...]
    confirmed: Mapping[str, str]
    next_tests: tuple[Mapping[str, Any], ...]
    plan: Mapping[str, Any] | None
    older: tuple[str, ...]

    def as_json(self) -> dict[str, Any]:
        """Plain data for ``json.dumps``."""
        return {
            "case": self.case,
            "name": self.name,
            "written": self.written.isoformat(timespec="seconds"),
            "knowledge": self.knowledge.digest,
            "earlier_knowledge": list(self.older),
            "car": dict(self.car),
            "assessment": {
                **self.assessment.as_json(),
                "next_tests": list(self.next_tests),
                "plan": None,
            },
            "explanation": self.explanation.as_json(),
            "record": [
                {"time": e.time, "what": e.what, "who": e.who, "note": e.note} for e in self.entries
            ],
            "course": [
                {"after": moment.label, "probabilities": dict(moment.probabilities)}
                for moment in self.course
            ],
            "confirmed": dict(self.confirmed),
            "plan": dict(self.plan) if self.plan is not None else None,
        }


def report_of(result: Assessment, written: datetime, events: Sequence[Event] = ()) -> Report:
    """Gather a report.

    Parameters
    ----------
    result : Assessment
    written : datetime
    events : sequence of Event
        Events of the case book, which give times, names and the beliefs of then; without them
        the course follows the order of the case file.
    """
    inspection, knowledge = result.inspection, result.knowledge
    if events:
        entries, course = _told_by(events, knowledge)
    else:
        entries, course = _told_in(inspection, result.model)
    older = [e.knowledge for e in events if e.knowledge != knowledge.digest]
    return Report(
        case=inspection.name,
        name=str(events[0].content.get("name", "")) if events else "",
        written=written,
        knowledge=knowledge,
        car=_car(inspection),
        assessment=result,
        explanation=result.explain(),
        entries=entries,
        course=course,
        confirmed=outcomes_of(inspection.confirmed, knowledge),
        next_tests=tuple(t.as_json() for t in result.tests) if knowledge.services else (),
        plan=result.plan_json() if knowledge.services else None,
        older=tuple(dict.fromkeys(older)),
    )


def _car(inspection: Inspection) -> tuple[tuple[str, str], ...]:
    stated = {**inspection.vehicle, **inspection.conditions}
    return tuple(
        (spaced(name), value.text if isinstance(value, Quantity) else value)
        for name, value in stated.items()
    )


def _told_in(inspection: Inspection, model: Model) -> tuple[tuple[Logged, ...], tuple[Moment, ...]]:
    """A case file read from top to bottom: history, findings, readings, one step each.

    What had been recorded before a repair comes before it.
    """
    knowledge = model.knowledge
    setting = stated_context(inspection, knowledge)["setting"]
    steps, labels = [], []
    for number in range(len(inspection.repairs) + 1):
        done = inspection.repairs[:number]
        now = (*(r.before for r in inspection.repairs), inspection)[number]
        start = replace(
            now, conditions={**now.conditions, "setting": setting}, repairs=done,
            history=now.history if done else {}, findings={}, readings={}, confirmed={},
        )  # fmt: skip
        steps.append(start)
        labels.append(f"repaired: {_services(done[-1].services, knowledge)}" if done else START)
        recorded = recorded_words(now, knowledge)
        for section in ("findings", "readings") if done else ("history", "findings", "readings"):
            for name, value in getattr(now, section).items():
                steps.append(_with(steps[-1], section, name, value))
                said = spaced(recorded[name])
                labels.append(f"{_title(name, knowledge)}: {said}")
    moments = tuple(
        Moment(label, posterior.chances())
        for label, posterior in zip(labels, posteriors(steps, model), strict=True)
    )
    return tuple(Logged("", label, "", "") for label in labels[1:]), moments


def _with(inspection: Inspection, section: str, name: str, value: Any) -> Inspection:
    """An inspection with one thing more recorded."""
    if section == "history":
        return replace(inspection, history={**inspection.history, name: value})
    if section == "findings":
        return replace(inspection, findings={**inspection.findings, name: value})
    return replace(inspection, readings={**inspection.readings, name: value})


def _told_by(
    events: Sequence[Event], knowledge: Knowledge
) -> tuple[tuple[Logged, ...], tuple[Moment, ...]]:
    """The events of a case, and the beliefs stored with those that bear on the car."""
    entries, moments = [], []
    for event in events:
        label = event_words(event, knowledge)
        entries.append(Logged(event.time, label, event.who, event.note))
        if event.kind == "opened":
            moments.append(Moment(START, event.posterior.chances()))
        elif event.kind in TELLING:
            moments.append(Moment(label, event.posterior.chances()))
    return tuple(entries), tuple(moments)


def event_words(event: Event, knowledge: Knowledge) -> str:
    """What happened, with titles for names where the knowledge has them."""
    content = event.content
    if event.kind in ("seen", "read"):
        value = spaced(value_text(content["value"]))
        return f"{_title(content['name'], knowledge)}: {value}"
    if event.kind == "doubted":
        return f"doubted: {_title(content['name'], knowledge)}"
    if event.kind == "withdrawn":
        return f"withdrawn: {', '.join(_title(name, knowledge) for name in content['names'])}"
    if event.kind == "repaired":
        return f"repaired: {_services(content['services'], knowledge)}"
    if event.kind == "test_done" and content["test"] in knowledge.tests:
        return f"done: {knowledge.tests[content['test']].title}"
    return spaced(described(event))


def _services(names: Sequence[str], knowledge: Knowledge) -> str:
    """Titles of services, or their names where the knowledge does not have them any more."""
    known = knowledge.services
    return ", ".join(known[name].title if name in known else spaced(name) for name in names)


def _title(name: str, knowledge: Knowledge) -> str:
    """What the knowledge calls something, or the name itself in words."""
    return knowledge.nodes[name].title if name in knowledge.nodes else spaced(name)
