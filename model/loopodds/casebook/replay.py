"""What the events of a case amount to: the state of the case is always a replay, never stored.

Steps are all events after the opening but undoing, which takes the last step out, and redoing,
which puts it back until there is a new step. Neither removes an event: the record of what was once
believed, and by whom, stays.
"""

from __future__ import annotations

from collections.abc import Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from typing import Any, NamedTuple

from loopodds.base.errors import LoopoddsError
from loopodds.base.phrases import spaced
from loopodds.casebook.events import Event
from loopodds.inspection.assignments import Value, clean
from loopodds.inspection.vocabulary import BEFORE, INSTRUMENTS, LOOKS, REPAIRED
from loopodds.knowledge.records import Knowledge

TELLING = ("seen", "read", "photographed", "doubted", "withdrawn", "repaired", "undone", "redone")
"""Kinds of event that change what is known of the car."""

LASTING = ("vehicle", "conditions", "history")
"""Sections that stand after a repair."""

SOUND_WORDS = ("absent", "right")
SPELLED_OUT = 3


class CaseError(LoopoddsError, ValueError):
    """Something that cannot be done to a case as it stands."""


class NotedBefore(NamedTuple):
    """What stood in a case when a repair was done: observations that it may have changed."""

    services: tuple[str, ...]
    noted: Mapping[str, Noted]
    tests_done: tuple[str, ...]

    def known(self, knowledge: Knowledge) -> tuple[str, ...]:
        """Services that this knowledge has; the others count for nothing."""
        return tuple(name for name in self.services if name in knowledge.services)


class Noted(NamedTuple):
    """An observation that stands, and the event it comes from.

    ``doubted`` observations stay on view; one that is not ``used`` has no bearing on the belief.
    ``looks`` are the words of everybody who is named for the same sample; ``value`` is the last.
    What a photo says stands in whatever order it and people's words come: both are of one sample,
    and what people ``saw`` is kept beside it.
    """

    section: str
    value: Value
    doubted: bool
    used: bool
    position: int
    looks: Mapping[str, str] = {}
    of_photo: bool = False
    saw: Noted | None = None
    instrument: str = ""

    @property
    def eye(self) -> Noted | None:
        """What people saw or measured, whether or not a photo stands for it."""
        return self.saw if self.of_photo else self

    @property
    def text(self) -> str:
        """The value as people read it, with whoever said it; what people wrote is not escaped.

        Of a photo the likeliest word, and what people saw.
        """
        if self.of_photo and isinstance(self.value, Mapping):
            saw = f"; seen: {self.saw.text}" if self.saw else ""
            return f"{_likeliest(self.value)}, from a photo{saw}"
        said = (f"{word} (by {person})" for person, word in self.looks.items())
        tool = f" (with {self.instrument})" if self.instrument else ""
        return ", ".join(said) or f"{value_words(self.value)}{tool}"


class Agreed(NamedTuple):
    """What was agreed with the customer beside the services, as it was recorded."""

    refused: Mapping[str, str] = {}  # services that the customer did not want, and why
    back_by: str = ""  # day by which to look again, as 2027-03-01
    watch: str = ""  # what to watch for until then

    def recorded(self, services: Collection[str]) -> dict[str, Any]:
        """What an event holds of it beside the services decided on.

        Raises:
            CaseError: if a service is decided on and refused, or the day is none.
        """
        both = [name for name in self.refused if name in services]
        if both:
            raise CaseError(f"{both[0]} cannot be both decided on and refused")
        try:
            day = self.back_by and date.fromisoformat(self.back_by).isoformat()
        except ValueError as error:
            raise CaseError(f"{self.back_by!r} is no day; write it as 2027-03-01") from error
        refused = {name: clean(why) for name, why in self.refused.items()}
        told = Agreed(refused, day, clean(self.watch)).as_json()
        return {key: value for key, value in told.items() if value}

    @property
    def texts(self) -> tuple[str, ...]:
        """In a few words each."""
        refused = (f"refused: {n}" + f" ({why})" * bool(why) for n, why in self.refused.items())
        later = (f"back by {self.back_by}",) if self.back_by else ()
        return (*refused, *later, *((f"watch for: {self.watch}",) if self.watch else ()))

    def as_json(self) -> dict[str, Any]:
        """Plain data."""
        return {**self._asdict(), "refused": dict(self.refused)}


NOTHING_AGREED = Agreed()


def agreed_in(content: Mapping[str, Any]) -> Agreed:
    """What an event records of it."""
    return Agreed(**{key: content[key] for key in Agreed._fields if key in content})


@dataclass(frozen=True, slots=True)
class CaseState:
    """A case after some events."""

    number: int
    name: str  # free text, as given when the case was opened
    noted: Mapping[str, Noted]  # observations by name, one each: the last one stands
    # tests_done, plan: Tests said to be done; services chosen. Both since the last repair
    tests_done: tuple[str, ...]
    plan: tuple[str, ...]
    agreed: Agreed
    repairs: tuple[NotedBefore, ...]
    confirmed: Mapping[str, str]  # what turned out to be true, in the words of a case file
    closed: bool
    steps: tuple[Event, ...]  # steps that stand, first to last; the last one is undone next
    undone: tuple[Event, ...]  # steps taken back; the last one is redone next
    opened: str  # time of the opening

    @property
    def since(self) -> tuple[Event, ...]:
        """Steps since the last repair, without what was entered with the opening: in what order
        that was seen is not known.
        """
        repairs = [i for i, step in enumerate(self.steps) if step.kind == "repaired"]
        begin = repairs[-1] + 1 if repairs else 0
        return tuple(step for step in self.steps[begin:] if step.time != self.opened)

    def sections(self) -> dict[str, Any]:
        """The case as a case file has it: what is used, and what was confirmed."""
        sections: dict[str, Any] = used_sections(self.noted)
        if self.repairs:
            sections[REPAIRED] = [
                {"services": list(repair.services), "conditions": {}, **used_sections(repair.noted)}
                for repair in self.repairs
            ]
        if self.confirmed:
            sections["confirmed"] = dict(self.confirmed)
        return sections


def used_sections(noted: Mapping[str, Noted]) -> dict[str, dict[str, Any]]:
    """What bears on the belief, by section; looks by person, and what readings were taken with."""
    sections: dict[str, dict[str, Any]] = {}
    for name, seen in noted.items():
        if seen.used and seen.section != LOOKS:
            sections.setdefault(seen.section, {})[name] = seen.value
        for person, word in seen.looks.items() if seen.used else ():
            sections.setdefault(LOOKS, {}).setdefault(person, {})[name] = word
        if seen.used and seen.instrument:
            sections.setdefault(INSTRUMENTS, {})[name] = seen.instrument
    return sections


def replay(events: Sequence[Event]) -> CaseState:
    """State of a case after all the given events; raises as :func:`states`."""
    (last,) = states(events, len(events) - 1)
    return last


def states(events: Sequence[Event], known: int = 0) -> Iterator[CaseState]:
    """State of a case after each of its events but the first ``known`` ones.

    Raises:
        CaseError: if the events make no sense in this order.
    """
    steps: list[Event] = []
    undone: list[Event] = []
    first = events[0]
    for number, event in enumerate(events):
        if (event.kind == "opened") != (number == 0):
            raise _senseless(event)
        if event.kind in ("undone", "redone"):
            source, target = (steps, undone) if event.kind == "undone" else (undone, steps)
            if not source or source[-1].position != event.content["position"]:
                raise _senseless(event)
            target.append(source.pop())
        elif event is not first:
            steps.append(event)
            undone.clear()
        if number >= known:
            yield _state(first, steps, undone)


def recorded_in(event: Event) -> Mapping[str, Value]:
    """What an event records under which names: of a look, a measurement or a photo."""
    if event.kind in ("seen", "read"):
        return {event.content["name"]: event.content["value"]}
    return event.content["findings"] if event.kind == "photographed" else {}


def described(event: Event) -> str:
    """What happened, in a few words, as recorded; user's text is not escaped.

    Examples:
    ``"sample_bubbles = persisting"``, ``"doubted: low_side"``, ``"undone: vent = 14 degC"``
    """
    kind, content = event.kind, event.content
    name, value = content.get("name", ""), content.get("value")
    shown = f"{name} = {value_text(value)}" if value else name
    for key, word in (("by", "by"), ("instrument", "with")):
        if content.get(key):
            shown += f" ({word} {content[key]})"
    if kind in ("seen", "read"):
        return shown
    if "services" in content:
        about = "; ".join((", ".join(content["services"]) or "none", *agreed_in(content).texts))
    elif "outcomes" in content:
        about = _outcomes_text(content["outcomes"])
    elif "findings" in content:
        about = ", ".join(
            f"{n} = {_likeliest(shares)}" for n, shares in content["findings"].items()
        )
    elif "names" in content:
        about = ", ".join(content["names"])
    else:
        about = content.get("what") or content.get("test") or shown
    return f"{kind.replace('_', ' ')}: {about}" if about else kind


def together(steps: Sequence[Event], kinds: Sequence[str]) -> list[Event]:
    """The last step; with the one before it where the two are one closing, last first."""
    last_two = list(steps[-2:])[::-1]
    one_closing = [step.kind for step in last_two] == list(kinds)
    return last_two if one_closing else last_two[:1]


def pointer(step: Event) -> dict[str, Any]:
    """What an event that takes a step back, or puts it back, says of it."""
    return {"position": step.position, "kind": step.kind, "what": described(step)}


def _outcomes_text(outcomes: Mapping[str, str]) -> str:
    """What turned out to be true; of many faults that were not there only the number."""
    sound = [name for name, word in outcomes.items() if word in SOUND_WORDS]
    told = outcomes if len(sound) <= SPELLED_OUT else outcomes.keys() - set(sound)
    texts = [f"{name} = {word}" for name, word in outcomes.items() if name in told]
    if len(told) < len(outcomes):
        texts.append(f"{len(sound)} faults not there")
    return ", ".join(texts)


def value_text(value: Value) -> str:
    """A value in the form in which it is entered.

    >>> value_text({"none": 0.3, "metal": 0.7})
    'none:0.3,metal:0.7'
    """
    if isinstance(value, str):
        return value
    return ",".join(f"{state}:{share:g}" for state, share in value.items())


def value_words(value: Value) -> str:
    """A value as people read it.

    >>> value_words({"light_grey": 0.3, "grey": 0.7})
    'light grey 0.3, grey 0.7'
    """
    if isinstance(value, str):
        return spaced(value)
    return ", ".join(f"{spaced(state)} {share:g}" for state, share in value.items())


def _likeliest(shares: Mapping[str, float]) -> str:
    """The word that is likeliest by likelihoods, with its share of them."""
    word = max(shares, key=shares.__getitem__)
    return f"{word} ({shares[word] / sum(shares.values()):.0%})"


def _senseless(event: Event) -> CaseError:
    return CaseError(f"case {event.case}: event {event.position} does not follow from the rest")


def _state(first: Event, steps: Sequence[Event], undone: Sequence[Event]) -> CaseState:
    noted: dict[str, Noted] = {}
    repairs: list[NotedBefore] = []
    tests: dict[str, None] = {}
    plan: tuple[str, ...] = ()
    agreed = NOTHING_AGREED
    confirmed: dict[str, str] = {}
    last = first
    for event in steps:
        content = event.content
        if not (event.kind == "closed" and event.position == last.position + 1):
            # outcomes belong to the closing that they were stated with, or to none
            confirmed = {}
        try:
            if event.kind == "repaired":
                services = tuple(content["services"])
                before = _of(noted, (*BEFORE, LOOKS))
                repairs.append(NotedBefore(services, before, tuple(tests)))
                noted, tests, plan = _of(noted, LASTING), {}, ()
                agreed = NOTHING_AGREED
            elif event.kind == "test_done":
                tests[content["test"]] = None
            elif event.kind == "plan_chosen":
                plan, agreed = tuple(content["services"]), agreed_in(content)
            elif event.kind == "confirmed":
                confirmed = dict(content["outcomes"])
            else:
                _note(noted, event)
        except KeyError as error:
            raise _senseless(event) from error
        last = event
    closed = any(event.kind == "closed" for event in steps)
    return CaseState(
        first.case, first.content["name"], noted, tuple(tests), plan, agreed, tuple(repairs),
        confirmed, closed, tuple(steps), tuple(undone), first.time,
    )  # fmt: skip


def _of(noted: Mapping[str, Noted], sections: Collection[str]) -> dict[str, Noted]:
    return {name: seen for name, seen in noted.items() if seen.section in sections}


def _note(noted: dict[str, Noted], event: Event) -> None:
    """Enter what an event says about observations."""
    content = event.content
    if event.kind in ("seen", "read"):
        name, stands = content["name"], noted.get(content["name"])
        looked = _looked(stands.eye if stands else None, event)
        by_photo = stands is not None and stands.of_photo and stands.used
        noted[name] = stands._replace(saw=looked) if stands and by_photo else looked
    elif event.kind == "photographed":
        for name, weights in content["findings"].items():
            eye = noted[name].eye if name in noted else None
            photo = Noted("findings", weights, False, True, event.position, of_photo=True, saw=eye)
            noted[name] = photo
    elif event.kind == "doubted":
        name, stands = content["name"], noted[content["name"]]
        if content["value"] or not stands.of_photo:
            noted[name] = _looked(stands, event)
        elif stands.used and stands.saw:
            # without the photo there is still what people saw
            noted[name] = stands.saw
        else:
            noted[name] = stands._replace(doubted=True, used=False, position=event.position)
    elif event.kind == "withdrawn":
        for name in content["names"]:
            del noted[name]


def _looked(before: Noted | None, event: Event) -> Noted:
    """What stands after a look, a measurement or a doubt, of which a photo says nothing."""
    content, doubted = event.content, event.kind == "doubted"
    value = content["value"]
    kept = before.value if before and doubted and not value else value
    looks = _looks(before, content, doubted)
    tool = before.instrument if before and doubted else content.get("instrument", "")
    return Noted(
        content["section"], kept, doubted, bool(value), event.position, looks, instrument=tool
    )


def _looks(before: Noted | None, content: Mapping[str, Any], doubted: bool) -> Mapping[str, str]:
    """What everybody who is named said of a sample after an event.

    Somebody's later word replaces the earlier one. A word without a name replaces all, and is
    replaced by any.
    """
    if content["section"] != LOOKS:
        return {}
    earlier = before.looks if before and (before.used or doubted) else {}
    return earlier if doubted else {**earlier, content["by"]: content["value"]}
