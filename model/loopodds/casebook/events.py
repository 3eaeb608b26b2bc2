"""Events of a case book: what each says, how it stands in the file, and its link in the chain.

The link of an event is a hash (SHA-256) of everything that stands in its row and of the link of the
event written to the book before it, of whatever case. A row that was changed has another link than
the one beside it; a row that was taken out or put in, or changed together with its link, does not
fit the next one. Whoever noted the last link of a book can say later that nothing up to it has
changed.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Annotated, Any, NamedTuple, NotRequired, TypedDict

import msgspec

from loopodds.casebook.file import CaseBookError
from loopodds.knowledge.records import SOUND

COLUMNS = (
    "case_number", "position", "time", "who", "note", "kind", "content", "knowledge", "posterior",
    "previous", "link",
)  # fmt: skip
"""Of a row, in the order in which they are hashed; ``link`` itself is not."""

Row = Sequence[Any]
"""Cells in the order of COLUMNS: whole numbers and bytes, unless somebody has tampered with it."""

TOLD = len(COLUMNS) - 2
"""Cells of a row before its links."""

NO_LINK = ""
"""Stands before the first event of a book."""


class StoredBelief(NamedTuple):
    """What was believed after an event: probability of every condition and of a sound car."""

    conditions: Mapping[str, float]
    p_sound: float
    log_evidence: float

    def chances(self) -> dict[str, float]:
        """Probability of every condition, and of ``sound``, by name."""
        return {**self.conditions, SOUND: self.p_sound}


class NewEvent(NamedTuple):
    """An event about to be added: its kind, its content (plain data), the belief after it."""

    kind: str
    content: Mapping[str, Any]
    posterior: StoredBelief


@dataclass(frozen=True, slots=True)
class Event:
    """One line of a case, as it stands in the book for good."""

    case: int  # number of the case
    position: int  # place in the case; 1 is its opening
    time: str  # UTC, ISO 8601
    who: str  # who, note: Free text of the person, perhaps empty. Data, never markup
    note: str
    # ``opened``, ``seen``, ``read``, ``photographed``, ``doubted``, ``withdrawn``, ``test_done``,
    # ``plan_chosen``, ``repaired``, ``confirmed``, ``closed``, ``undone`` or ``redone``
    kind: str
    content: Mapping[str, Any]  # plain data, by kind
    knowledge: str  # digest of the knowledge in force
    posterior: StoredBelief  # belief after the event, under that knowledge
    link: str = ""  # in the chain of the book; empty before it is written


class Signature(NamedTuple):
    """Who writes, an optional note, and the knowledge in force: its digest and its files."""

    who: str
    note: str
    knowledge: str
    texts: Mapping[str, str] = {}


class DamagedEvent(CaseBookError):
    """A row of a book that is not, or cannot be, what was written there."""


Value = str | dict[str, float]
Chance = Annotated[float, msgspec.Meta(ge=0, le=1 + 1e-9)]  # sums of shares may round above one


class Tap(TypedDict):
    """What a device says of an entry made on it, beside what it records.

    ``id`` is drawn at random and is of this entry alone, so that one sent twice is written once;
    ``count`` is above that of every entry the device had seen, ``at`` its clock, which may be
    wrong; ``replaces`` are the entries under the same name that stood on it when it was made.
    """

    id: str
    device: str
    count: int
    at: str
    replaces: NotRequired[list[str]]


class _Entered(TypedDict):
    tap: NotRequired[Tap]


class _Opened(_Entered):
    name: str


class _Observed(_Entered):
    section: str
    name: str
    value: Value
    by: NotRequired[str]
    instrument: NotRequired[str]


class _Photographed(_Entered):
    findings: dict[str, dict[str, float]]
    photo: dict[str, Any]


class _Doubted(_Entered):
    section: str
    name: str
    value: Value | None


class _Withdrawn(_Entered):
    names: list[str]


class _Tested(_Entered):
    test: str


class _Services(_Entered):
    services: list[str]


class _Plan(_Services):
    refused: NotRequired[dict[str, str]]
    back_by: NotRequired[str]
    watch: NotRequired[str]


class _Confirmed(_Entered):
    outcomes: dict[str, str]


class _Closed(_Entered):
    pass


class _Pointer(_Entered):
    position: int
    kind: NotRequired[str]
    what: NotRequired[str]


class _Posterior(TypedDict):
    conditions: dict[str, Chance]
    p_sound: Chance
    log_evidence: float


_CONTENTS: Mapping[str, msgspec.json.Decoder[Any]] = {
    kind: msgspec.json.Decoder(shape)
    for kind, shape in {
        "opened": _Opened,
        "seen": _Observed,
        "read": _Observed,
        "photographed": _Photographed,
        "doubted": _Doubted,
        "withdrawn": _Withdrawn,
        "test_done": _Tested,
        "plan_chosen": _Plan,
        "repaired": _Services,
        "confirmed": _Confirmed,
        "closed": _Closed,
        "undone": _Pointer,
        "redone": _Pointer,
    }.items()
}
KINDS = tuple(_CONTENTS)
_POSTERIOR = msgspec.json.Decoder(_Posterior)


def link_of(row: Row) -> str:
    """Hash of a row and of the link before it, as 64 hexadecimal digits; ``link`` may be missing.

    Each cell is hashed with its length before it, so that no text can pass for two cells.
    """
    parts = [c if isinstance(c, bytes) else str(c).encode() for c in row[: len(COLUMNS) - 1]]
    return hashlib.sha256(b"".join([b"%d:%b" % (len(part), part) for part in parts])).hexdigest()


def is_linked(row: Row) -> bool:
    """Whether a row is what its link says: only such a row is a witness of the one before it."""
    return bool(link_of(row).encode() == row[-1])


def told_of(event: Event) -> Row:
    """The row of an event, without its links."""
    texts = (
        event.time, event.who, event.note, event.kind, json.dumps(event.content), event.knowledge,
        json.dumps(event.posterior._asdict()),
    )  # fmt: skip
    return [event.case, event.position, *map(str.encode, texts)]


def linked(told: Row, previous: str) -> list[object]:
    """A row from the cells before its links, tied to the row before it."""
    row = [*told, previous.encode()]
    return [*row, link_of(row).encode()]


def event_of(row: Row) -> Event:
    """The event of a row.

    Raises:
        DamagedEvent: if the row is not what was written, or says what no event can say.
    """
    case, position = row[:2]
    where = f"event {position!r}"
    if not (_is_number(case) and _is_number(position)):
        raise DamagedEvent(f"{where}: a number is needed for both")
    if {*map(type, row[2:])} != {bytes}:
        raise DamagedEvent(f"{where}: holds something else than text")
    if not is_linked(row):
        raise DamagedEvent(f"{where}: is not what was written; its link does not fit")
    try:
        return _read(row)
    except (ValueError, msgspec.DecodeError, RecursionError) as error:
        raise DamagedEvent(f"{where}: {error}") from error


def name_of(content: bytes) -> str:
    """Name of a case, from the content of its opening alone.

    Raises:
        ValueError: if that is none.
    """
    try:
        name: str = _CONTENTS["opened"].decode(content)["name"]
    except (TypeError, msgspec.DecodeError, RecursionError) as error:
        raise ValueError(str(error)) from error
    return name


def _is_number(cell: object) -> bool:
    return isinstance(cell, int) and cell > 0


def _read(row: Row) -> Event:
    case, position, time, who, note, kind, content, knowledge, posterior, _, link = row
    moment, author, remark = time.decode(), who.decode(), note.decode()
    sort, digest, tie = kind.decode(), knowledge.decode(), link.decode()
    datetime.fromisoformat(moment)
    if sort not in _CONTENTS:
        raise ValueError(f"unknown kind {sort!r}")
    if not digest.isprintable():
        raise ValueError("the digest of the knowledge is no plain text")
    said = _CONTENTS[sort].decode(content)
    belief = StoredBelief(**_POSTERIOR.decode(posterior))
    return Event(
        case, position, moment, author, remark, sort, said, digest, belief, tie
    )  # fmt: skip
