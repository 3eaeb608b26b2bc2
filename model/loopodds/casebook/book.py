"""The case book as a file: SQLite, events only ever added, each complete or not there at all.

Every call that writes is one transaction in write-ahead mode with full synchronisation: what has
been acknowledged survives the end of the process and of the machine. Triggers refuse to change,
remove or insert between events. What the events mean is the business of
:mod:`loopodds.casebook.replay`.
"""

from __future__ import annotations

import json
import os
import sqlite3
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import closing, contextmanager
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, NamedTuple

from loopodds.base.errors import UnknownName
from loopodds.casebook.file import (
    CaseBookError,
    begin_file,
    book_path,
    check_header,
    explained,
    has_log,
    is_missing,
)
from loopodds.knowledge.records import SOUND

BUSY_SECONDS = 10.0
"""How long to wait for another process to finish its write."""

SCHEMA = """
CREATE TABLE events (
    case_number INTEGER NOT NULL CHECK (case_number > 0),
    position INTEGER NOT NULL,
    time TEXT NOT NULL,
    who TEXT NOT NULL,
    note TEXT NOT NULL,
    kind TEXT NOT NULL,
    content TEXT NOT NULL,
    knowledge TEXT NOT NULL,
    posterior TEXT NOT NULL,
    PRIMARY KEY (case_number, position)
) WITHOUT ROWID;
CREATE TRIGGER events_never_change BEFORE UPDATE ON events
BEGIN SELECT RAISE(ABORT, 'events of a case book are never changed'); END;
CREATE TRIGGER events_never_go BEFORE DELETE ON events
BEGIN SELECT RAISE(ABORT, 'events of a case book are never removed'); END;
CREATE TRIGGER events_only_follow BEFORE INSERT ON events
WHEN NEW.position <> 1 + coalesce(
    (SELECT max(position) FROM events WHERE case_number = NEW.case_number), 0)
BEGIN SELECT RAISE(ABORT, 'events are only added at the end of a case'); END;
"""
_COLUMNS = "case_number, position, time, who, note, kind, content, knowledge, posterior"


class Overtaken(CaseBookError):
    """Another process added to the case since it was read."""


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
    # ``opened``, ``seen``, ``read``, ``doubted``, ``withdrawn``, ``test_done``, ``plan_chosen``,
    # ``repaired``, ``confirmed``, ``closed``, ``undone`` or ``redone``
    kind: str
    content: Mapping[str, Any]  # plain data, by kind
    knowledge: str  # digest of the knowledge in force
    posterior: StoredBelief  # belief after the event, under that knowledge


class Signature(NamedTuple):
    """Who writes, an optional note, and the digest of the knowledge in force."""

    who: str
    note: str
    knowledge: str


class CaseBook:
    """One book: a file of cases, each a sequence of events.

    Args:
        path: The file; the user's own (:func:`book_path`) when left out. One that does not exist is
            begun, with its folders, if ``write``.
        write: False opens for reading only, which also works on media that cannot be written.
        clock: Gives the time of new events.

    Raises:
        CaseBookError: if the file is missing, foreign, damaged, or cannot be read or written.
    """

    def __init__(
        self,
        path: str | Path | None = None,
        write: bool = True,
        clock: Callable[[], datetime] = lambda: datetime.now(UTC),
    ) -> None:
        self.path = path = book_path(path)
        self._clock = clock
        if write and is_missing(path):
            begin_file(path, SCHEMA)
        check_header(path)
        self._connection = self._connect(write)

    def __enter__(self) -> CaseBook:
        return self

    def __exit__(self, *error: object) -> None:
        self.close()

    def close(self) -> None:
        """Let go of the file."""
        self._connection.close()

    def numbers(self) -> list[int]:
        """Numbers of all cases, rising."""
        rows = self._rows("SELECT DISTINCT case_number FROM events ORDER BY case_number")
        return [row[0] for row in rows]

    def events(self, case: int) -> tuple[Event, ...]:
        """All events of a case in order.

        Raises:
            UnknownName: if the book has no such case.
        """
        query = f"SELECT {_COLUMNS} FROM events WHERE case_number = ? ORDER BY position"
        events = tuple(self._event(row) for row in self._rows(query, case))
        if not events:
            numbers = self.numbers()
            held = f"it holds cases {numbers[0]} to {numbers[-1]}" if numbers else "it is empty"
            raise UnknownName(f"no case {case} in the case book {self.path}; {held}")
        return events

    def ends(self) -> list[tuple[Event, Event]]:
        """First and last event of every case, by case number."""
        query = f"""SELECT {_COLUMNS} FROM events AS e WHERE position = 1 OR position =
            (SELECT max(position) FROM events WHERE case_number = e.case_number)
            ORDER BY case_number, position"""
        ends: dict[int, list[Event]] = {}
        for row in self._rows(query):
            ends.setdefault(row[0], []).append(self._event(row))
        return [(pair[0], pair[-1]) for pair in ends.values()]

    def append(
        self, case: int | None, after: int, events: Sequence[NewEvent], signature: Signature
    ) -> tuple[Event, ...]:
        """Add events at the end of a case, all of them or none; they are on the disk then.

        Args:
            case: None begins a new case with the next free number.
            after: Position of the last event the caller knew of; 0 for a new case.

        Raises:
            Overtaken: if the case has grown since.
            CaseBookError: if the file cannot be written; nothing was recorded then.
        """
        time = self._clock().strftime("%Y-%m-%dT%H:%M:%S.%fZ")
        with self._writing():
            if case is None:
                case = self._single("SELECT coalesce(max(case_number), 0) + 1 FROM events")
            query = "SELECT coalesce(max(position), 0) FROM events WHERE case_number = ?"
            last = self._single(query, case)
            if last != after:
                raise Overtaken(f"case {case} has grown since it was read; repeat the entry")
            who, note, knowledge = signature
            added = tuple(
                Event(case, position, time, who, note, kind, content, knowledge, belief)
                for position, (kind, content, belief) in enumerate(events, start=after + 1)
            )
            marks = ", ".join("?" * 9)
            self._connection.executemany(
                f"INSERT INTO events ({_COLUMNS}) VALUES ({marks})", map(_row, added)
            )
        return added

    def damage(self) -> list[str]:
        """What SQLite's own full check of the file finds; nothing if all is well."""
        findings = [str(row[0]) for row in self._rows("PRAGMA integrity_check")]
        return [] if findings == ["ok"] else findings

    def _connect(self, write: bool) -> sqlite3.Connection:
        address = self.path.absolute().as_uri()
        with explained(self.path):
            try:
                connection = _opened(f"{address}?mode=rw")
            except sqlite3.OperationalError:
                # in write-ahead mode SQLite makes files beside the book even to read it; where
                # nobody can make any, and the log holds nothing more, it can do without
                if write or os.access(self.path.parent, os.W_OK) or has_log(self.path):
                    raise
                connection = _opened(f"{address}?immutable=1")
            connection.execute("PRAGMA synchronous = FULL" if write else "PRAGMA query_only = ON")
            return connection

    @contextmanager
    def _writing(self) -> Iterator[None]:
        with explained(self.path):
            self._connection.execute("BEGIN IMMEDIATE")
            try:
                yield
                self._connection.execute("COMMIT")
            finally:
                if self._connection.in_transaction:
                    self._connection.execute("ROLLBACK")

    def _rows(self, query: str, *values: object) -> list[tuple[Any, ...]]:
        with explained(self.path), closing(self._connection.execute(query, values)) as cursor:
            return cursor.fetchall()

    def _event(self, row: tuple[Any, ...]) -> Event:
        case, position, time, who, note, kind, content, knowledge, posterior = row
        try:
            said, belief = json.loads(content), StoredBelief(**json.loads(posterior))
        except (ValueError, TypeError) as error:
            problem = f"event {position} of case {case} is damaged"
            raise CaseBookError(f"case book {self.path}: {problem}; restore a copy") from error
        return Event(case, position, time, who, note, kind, said, knowledge, belief)

    def _single(self, query: str, *values: object) -> int:
        return int(self._connection.execute(query, values).fetchone()[0])


def _opened(address: str) -> sqlite3.Connection:
    connection = sqlite3.connect(address, uri=True, timeout=BUSY_SECONDS, isolation_level=None)
    try:
        connection.execute("SELECT 1 FROM events LIMIT 1").fetchone()
    except sqlite3.Error:
        connection.close()
        raise
    return connection


def _row(event: Event) -> tuple[object, ...]:
    return (
        event.case, event.position, event.time, event.who, event.note, event.kind,
        json.dumps(event.content), event.knowledge, json.dumps(event.posterior._asdict()),
    )  # fmt: skip
