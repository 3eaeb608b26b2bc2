"""Entries made on devices, taken into the case book: each once, in whatever order they arrive.

The book only grows, so that two devices merge by union: an entry that is there already is left
alone. What the book does not allow is refused with the reason and stays with the device. Of two
values for one thing of which neither device knew the other's, both stand in the book;
:func:`unsettled` finds them.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from contextlib import suppress
from typing import Annotated, Any, NamedTuple

import msgspec

from loopodds.base.errors import InspectionError, LoopoddsError, UnknownName
from loopodds.casebook.book import CaseBook
from loopodds.casebook.events import COLUMNS, DamagedEvent, Event, Tap, event_of
from loopodds.casebook.file import CaseBookError
from loopodds.casebook.replay import Agreed, CaseError, CaseState, replay
from loopodds.casebook.work import Casework
from loopodds.inspection.assignments import Value

POSITION = COLUMNS.index("position")
MOST_ENTRIES = 500
"""Of one call."""

_Hex = Annotated[str, msgspec.Meta(pattern="^[0-9a-f]{32}$")]
_Key = Annotated[str, msgspec.Meta(pattern="^([0-9a-f]{32}|n[0-9]{1,9})$")]
_Text = Annotated[str, msgspec.Meta(max_length=500)]
_Name = Annotated[str, msgspec.Meta(max_length=80)]
_Some = Annotated[list[_Name], msgspec.Meta(max_length=100)]
_Value = _Text | dict[_Name, float]


class Entry(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """One entry of a device; ``case`` is the id of the opening, or the number of a case."""

    id: _Hex
    device: _Hex
    count: Annotated[int, msgspec.Meta(ge=0, le=2**48)]
    at: Annotated[str, msgspec.Meta(max_length=40)]
    case: _Name
    kind: str
    replaces: Annotated[list[_Key], msgspec.Meta(max_length=100)] = []
    name: _Text = ""
    value: _Value = ""
    instrument: _Name = ""
    names: _Some = []
    services: _Some = []
    refused: dict[_Name, _Text] = {}
    back_by: _Name = ""
    watch: _Text = ""
    outcomes: dict[_Name, _Name] = {}
    target: str = ""
    sure: bool = False

    @property
    def tap(self) -> Tap:
        """What the book keeps of it beside what it records."""
        told: Tap = {"id": self.id, "device": self.device, "count": self.count, "at": self.at}
        return {**told, "replaces": list(self.replaces)} if self.replaces else told


class Outcome(NamedTuple):
    """What became of an entry: the case that has it, or why it has none."""

    id: str
    case: int
    problem: str  # empty where it was taken
    later: bool = False  # the book cannot be written now: to be sent again, not refused


_ENTRIES: msgspec.json.Decoder[list[Entry]] = msgspec.json.Decoder(
    Annotated[list[Entry], msgspec.Meta(max_length=MOST_ENTRIES)]
)


def entries_of(body: bytes) -> list[Entry]:
    """Entries as a device sends them.

    Raises:
        InspectionError: naming what cannot be one.
    """
    try:
        return _ENTRIES.decode(body)
    except (msgspec.DecodeError, UnicodeDecodeError, RecursionError) as error:
        raise InspectionError(f"these are no entries of a page: {error}") from error


class Intake:
    """Takes entries into a book; every case is known by its number and the id of its opening."""

    def __init__(self, work: Casework) -> None:
        self.work = work
        self._numbers = dict(_openings(work.book))

    def number_of(self, case: str) -> int:
        """Number of a case by its number or the id of its opening.

        Raises:
            UnknownName: if there is none.
        """
        if case in self._numbers:
            return self._numbers[case]
        if case.isascii() and case.isdigit() and int(case) in self.work.book.numbers():
            return int(case)
        raise UnknownName(f"no case {case} in the case book")

    def take(self, entries: Iterable[Entry]) -> list[Outcome]:
        """Write what is not there yet, oldest first as the devices count; nothing is lost."""
        return [self._take(e) for e in sorted(entries, key=lambda e: (e.count, e.device, e.id))]

    def _take(self, entry: Entry) -> Outcome:
        try:
            if entry.kind == "opened":
                return Outcome(entry.id, self._opened(entry), "")
            number = self.number_of(entry.case)
            events = self.work.book.events(number)
            if entry.id not in _ids(events):
                self._written(entry, number, events)
            return Outcome(entry.id, number, "")
        except LoopoddsError as error:
            later = isinstance(error, CaseBookError)
            return Outcome(entry.id, self._numbers.get(entry.case, 0), str(error), later)

    def _opened(self, entry: Entry) -> int:
        if entry.id not in self._numbers:
            answer = self.work.tapped(entry.tap).open(entry.name)
            self._numbers[entry.id] = answer.state.number
        return self._numbers[entry.id]

    def _written(self, entry: Entry, number: int, events: Sequence[Event]) -> None:
        work = self.work.tapped(entry.tap)
        if entry.kind == "recorded":
            work.record(number, [(entry.name, entry.value, "", entry.instrument)])
        elif entry.kind == "withdrawn":
            work.withdraw(number, entry.names)
        elif entry.kind == "test_done":
            work.tests_done(number, [entry.name])
        elif entry.kind == "plan_chosen":
            agreed = Agreed(entry.refused, entry.back_by, entry.watch)
            work.choose_plan(number, entry.services, agreed)
        elif entry.kind == "repaired":
            work.repaired(number, entry.services)
        elif entry.kind == "closed":
            work.close(number, entry.outcomes, entry.sure)
        elif entry.kind == "undone":
            _undo(work, number, events, entry.target)
        else:
            raise CaseError(f"{entry.kind!r} is no kind of entry")


def _openings(book: CaseBook) -> Iterator[tuple[str, int]]:
    """Id of the opening and number of every case that a device opened."""
    for _, row in book.rows():
        if row is None or row[POSITION] != 1:
            continue
        with suppress(DamagedEvent):  # the list of cases tells of it
            event = event_of(row)
            if _id(event):
                yield _id(event), event.case


def _undo(work: Casework, number: int, events: Sequence[Event], target: str) -> None:
    """Take back one entry: the last step as a step, an earlier observation by what stood before.

    Raises:
        CaseError: if it is not there, or something was built on it since.
    """
    state = replay(events)
    standing = [step for step in state.steps if _key(step) == target]
    if not standing:
        raise CaseError(f"case {number}: there is nothing of this to take back")
    if _key(state.steps[-1]) == target:
        work.undo(number, state.steps[-1].position)
        return
    step = standing[-1]
    if step.kind not in ("seen", "read"):
        raise CaseError(f"case {number}: something was added since; take that back first")
    name = step.content["name"]
    earlier = _before(state, name, step)
    stands = state.noted.get(name)
    if earlier is None and stands is not None and stands.of_photo:
        raise CaseError(f"case {number}: a photo was read since; take that back first")
    if earlier is None:
        work.withdraw(number, [name])
    else:
        work.record(number, [earlier])


def _before(state: CaseState, name: str, gone: Event) -> tuple[str, Value, str, str] | None:
    """What was recorded under a name last besides one entry; None where there is nothing."""
    told = [
        step.content
        for step in state.steps
        if step is not gone and step.kind in ("seen", "read") and step.content["name"] == name
    ]
    if not told:
        return None
    last = told[-1]
    return name, last["value"], last.get("by", ""), last.get("instrument", "")


def _id(event: Event) -> str:
    tap: Mapping[str, Any] = event.content.get("tap", {})
    return str(tap.get("id", ""))


def _key(event: Event) -> str:
    """What an entry calls an event by: its own id, or its place where no device made it."""
    return _id(event) or f"n{event.position}"


def _ids(events: Iterable[Event]) -> set[str]:
    return {tap for tap in map(_id, events) if tap}


def unsettled(events: Sequence[Event]) -> dict[str, list[Value]]:
    """Values of one thing that were entered without knowledge of each other, by name.

    The last one is used; an entry that replaces all of them settles it.
    """
    open_values: dict[str, dict[str, Value]] = {}
    for step in replay(events).steps:
        if step.kind == "withdrawn":
            for name in step.content["names"]:
                open_values.pop(name, None)
        if step.kind == "repaired":
            open_values.clear()
        if step.kind not in ("seen", "read"):
            continue
        name, value = step.content["name"], step.content["value"]
        before = open_values.get(name, {})
        tap = step.content.get("tap")
        known = set(tap.get("replaces", ())) if tap else set(before)
        left = {key: other for key, other in before.items() if key not in known and other != value}
        open_values[name] = {**left, _key(step): value}
    return {name: list(held.values()) for name, held in open_values.items() if len(held) > 1}
