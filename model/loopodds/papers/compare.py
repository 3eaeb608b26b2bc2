"""Two states of a case, or two cases: what was told, what moved, what advice changed."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any, NamedTuple

from loopodds.advice.assessment import Assessment
from loopodds.base.errors import InspectionError
from loopodds.casebook.answers import SEEN_TO_MOVE
from loopodds.casebook.believed import inspection_of
from loopodds.casebook.events import Event
from loopodds.casebook.replay import replay, value_words
from loopodds.inspection.inspection import Inspection, Quantity
from loopodds.inspection.vocabulary import OBSERVED
from loopodds.knowledge.records import SOUND, Knowledge
from loopodds.papers.content import event_words

MOMENTS = "a position of its history, a time such as 2026-11-28T14:00, first, repair or last"


class Told(NamedTuple):
    """Something that the two sides do not say alike; empty where a side says nothing of it."""

    name: str
    title: str
    before: str
    after: str


class Shifted(NamedTuple):
    """A condition, or ``sound``, that moved, with its interval on each side where there is one."""

    name: str
    before: float
    after: float
    before_range: tuple[float, float] | None
    after_range: tuple[float, float] | None


class Changed(NamedTuple):
    """A part of the advice that is not the same on both sides: names, or none."""

    what: str  # ``stops``, ``next_test``, ``plan``, ``repairs`` or ``tests_done``
    before: tuple[str, ...]
    after: tuple[str, ...]


@dataclass(frozen=True, eq=False)
class Comparison:
    """Two sides and all in which they differ."""

    before: Assessment
    after: Assessment
    labels: tuple[str, str]  # what the sides are called
    steps: tuple[str, ...]  # what happened in between, of a case of the book
    told: tuple[Told, ...]
    shifted: tuple[Shifted, ...]  # furthest first
    changed: tuple[Changed, ...]

    def as_json(self) -> dict[str, Any]:
        """Plain data."""
        return {
            "before": {"label": self.labels[0], "case": self.before.case},
            "after": {"label": self.labels[1], "case": self.after.case},
            "knowledge": self.after.knowledge.digest,
            "steps": list(self.steps),
            "told": [one._asdict() for one in self.told],
            "moved": [
                {
                    "name": one.name, "before": one.before, "after": one.after,
                    "before_low": one.before_range and one.before_range[0],
                    "before_high": one.before_range and one.before_range[1],
                    "after_low": one.after_range and one.after_range[0],
                    "after_high": one.after_range and one.after_range[1],
                }
                for one in self.shifted
            ],
            "advice": [
                {"what": one.what, "before": list(one.before), "after": list(one.after)}
                for one in self.changed
            ],
            "outlay": {"before": _outlay(self.before), "after": _outlay(self.after),
                       "currency": self.after.currency},
        }  # fmt: skip


def compare(
    before: Assessment, after: Assessment, labels: tuple[str, str] = ("before", "after"),
    steps: Sequence[str] = (),
) -> Comparison:  # fmt: skip
    """How the second of two assessments under one knowledge differs from the first."""
    return Comparison(
        before, after, labels, tuple(steps),
        tuple(_told(before.inspection, after.inspection, after.knowledge)),
        tuple(_shifted(before, after)),
        tuple(_changed(before, after)),
    )  # fmt: skip


def _outlay(side: Assessment) -> float | None:
    return side.plan.outlay if side.plan else None


def _told(before: Inspection, after: Inspection, knowledge: Knowledge) -> list[Told]:
    first, then = _texts(before), _texts(after)
    names = [name for name in {**first, **then} if first.get(name) != then.get(name)]
    return [
        Told(name, knowledge.title(name), first.get(name, ""), then.get(name, "")) for name in names
    ]


def _texts(inspection: Inspection) -> dict[str, str]:
    """Everything recorded by name, as it was written."""
    texts = {}
    for section in OBSERVED:
        for name, value in getattr(inspection, section).items():
            if isinstance(value, Quantity):
                texts[name] = value.text
            else:
                texts[name] = value_words(value)
    return texts


def _shifted(before: Assessment, after: Assessment) -> list[Shifted]:
    first, then = ({SOUND: side.p_sound, **{c.name: c.probability for c in side.conditions}}
                   for side in (before, after))  # fmt: skip
    moved = [name for name, p in then.items() if abs(p - first[name]) >= SEEN_TO_MOVE]
    ranges = [side.doubts.intervals if side.doubts else {} for side in (before, after)]

    def ends(side: int, name: str) -> tuple[float, float] | None:
        interval = ranges[side].get(name)
        return (interval.low, interval.high) if interval else None

    found = [Shifted(n, first[n], then[n], ends(0, n), ends(1, n)) for n in moved]
    return sorted(found, key=lambda one: -abs(one.after - one.before))


def _changed(before: Assessment, after: Assessment) -> list[Changed]:
    pairs = zip(_advice(before).items(), _advice(after).values(), strict=True)
    return [Changed(what, first, then) for (what, first), then in pairs if first != then]


def _advice(side: Assessment) -> dict[str, tuple[str, ...]]:
    """What is advised of one side, by names."""
    works = bool(side.knowledge.services)
    return {
        "stops": tuple(stop.name for stop in side.stops),
        "next_test": tuple(side.to_test[:1]) if works else (),
        "plan": side.plan.services if side.plan else (),
        "repairs": tuple(name for services in side.repairs for name in services),
        "tests_done": side.inspection.tests_done,
    }


class State(NamedTuple):
    """A case of the book as it stood at a moment."""

    label: str
    position: int  # of the last event that belongs to it
    inspection: Inspection


def state_at(events: Sequence[Event], moment: str, knowledge: Knowledge) -> State:
    """A case after the event that a moment names.

    Args:
        moment: A position of its history; a time (ISO 8601, UTC where it names no zone); ``first``,
            ``repair`` (as it stood before the first one) or ``last``.

    Raises:
        InspectionError: if it names no moment of the case, or what was recorded by then cannot be
            read under this knowledge.
    """
    position = _position(events, moment)
    held = [event for event in events if event.position <= position]
    last = held[-1]
    words = event_words(last, knowledge)
    return State(f"{position}: {words}", position, inspection_of(replay(held), knowledge))


def steps_between(
    events: Sequence[Event], first: int, last: int, knowledge: Knowledge
) -> list[str]:
    """What was recorded after one event up to another, in words."""
    low, high = sorted((first, last))
    return [event_words(e, knowledge) for e in events if low < e.position <= high]


def _position(events: Sequence[Event], moment: str) -> int:
    last = events[-1].position
    if moment in ("first", "last"):
        return 1 if moment == "first" else last
    if moment == "repair":
        repairs = [event.position for event in events if event.kind == "repaired"]
        if not repairs:
            raise InspectionError(f"case {events[0].case}: nothing was repaired on it")
        return repairs[0] - 1
    if moment.isascii() and moment.isdigit():
        if not 1 <= int(moment) <= last:
            raise InspectionError(f"case {events[0].case} has events 1 to {last}, none {moment}")
        return int(moment)
    try:
        time = datetime.fromisoformat(moment)
    except ValueError as error:
        raise InspectionError(f"{moment!r} names no moment of a case: say {MOMENTS}") from error
    at = time if time.tzinfo else time.replace(tzinfo=UTC)
    by_then = [e.position for e in events if datetime.fromisoformat(e.time) <= at]
    if not by_then:
        raise InspectionError(f"case {events[0].case} was opened after {moment}")
    return by_then[-1]
