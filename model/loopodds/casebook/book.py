"""The case book as a file: SQLite, events only ever added, each complete or not there at all.

Every call that writes is one transaction in write-ahead mode with full synchronisation: what has
been acknowledged survives the end of the process and of the machine. Triggers refuse to change,
remove or insert between events, and each event is linked to the one before it
(:mod:`loopodds.casebook.events`), so that whoever goes past them is noticed. What the events mean
is the business of :mod:`loopodds.casebook.replay`.
"""

from __future__ import annotations

import os
import sqlite3
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import closing, contextmanager, suppress
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, NamedTuple

from loopodds.base.errors import UnknownName
from loopodds.casebook.events import (
    COLUMNS,
    KINDS,
    NO_LINK,
    DamagedEvent,
    Event,
    NewEvent,
    Row,
    Signature,
    event_of,
    link_of,
    linked,
    name_of,
    told_of,
)
from loopodds.casebook.file import (
    CaseBookError,
    begin_file,
    book_path,
    check_header,
    explained,
    has_log,
    is_missing,
    later_layout,
    write_book,
)
from loopodds.casebook.kept import keep_knowledge, unpacked
from loopodds.casebook.layout import (
    INSERT,
    SAME_TABLES,
    SCHEMA,
    VERSION,
    bring_forward,
    in_memory,
    layout_of,
)

BUSY_SECONDS = 10.0
"""How long to wait for another process to finish its write."""

_COLUMNS = ", ".join(COLUMNS)


class Overtaken(CaseBookError):
    """Another process added to the case since it was read."""


class Ends(NamedTuple):
    """A case at a glance: how it began and how it stands, or why that cannot be told."""

    case: int
    name: str  # free text, as given when the case was opened
    opened: str  # time of its opening, UTC, ISO 8601
    last: Event | None
    problem: str  # empty where all is well as far as it was looked at


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
        # cases of a damaged book of an earlier layout of which something cannot be read
        self.lost: dict[int, str] = {}
        if write and is_missing(path):
            begin_file(path, SCHEMA, VERSION)
        check_header(path, VERSION)
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
        query = """SELECT DISTINCT case_number FROM events WHERE typeof(case_number) = 'integer'
            ORDER BY case_number"""
        return [row[0] for row in self._rows(query)]

    def events(self, case: int) -> tuple[Event, ...]:
        """All events of a case in order.

        Raises:
            UnknownName: if the book has no such case.
            CaseBookError: if the case is damaged, naming the event.
        """
        query = f"SELECT {_COLUMNS} FROM events WHERE case_number = ? ORDER BY position"
        rows = self._rows(query, case)
        if case in self.lost:
            damaged = CaseBookError(f"case book {self.path}: case {case}: {self.lost[case]}")
            raise damaged.helped_by("salvage")
        if not rows:
            numbers = self.numbers()
            held = f"it holds cases {numbers[0]} to {numbers[-1]}" if numbers else "it is empty"
            raise UnknownName(f"no case {case} in the case book {self.path}; {held}")
        try:
            return events_of(rows)
        except DamagedEvent as error:
            damaged = CaseBookError(f"case book {self.path}: case {case}: {error}")
            raise damaged.helped_by("salvage") from error

    def ends(self) -> Iterator[Ends]:
        """Every case, in any order, a damaged one with what is wrong with it; one at a time.

        Only the last events are read whole. Of the others it is seen whether they are of a known
        kind and have a content at all; :func:`loopodds.casebook.chain.walk` reads everything.
        """
        openings: dict[int, tuple[str, str]] = {}
        problems: dict[int, str] = {}
        for case, position, opens, time, content in self._openings_and_senseless():
            try:
                if not opens:
                    raise ValueError("is no event")
                openings[case] = name_of(content), time.decode()
            except ValueError as error:
                problems.setdefault(case, f"event {position!r}: {error}")
        # in no order that SQLite promises: to sort whole rows costs more than to read them
        query = f"""SELECT {_COLUMNS} FROM (
                SELECT place, max(position) FROM events
                WHERE typeof(case_number) = 'integer' GROUP BY case_number
            ) CROSS JOIN events USING (place)"""
        for row in self._each(query):
            case, last = row[0], None
            problem = problems.get(case, "") or self.lost.get(case, "")
            try:
                last = event_of(row)
            except DamagedEvent as error:
                problem = str(error)
            yield Ends(case, *openings.get(case, ("", "")), last, problem)
        for case in self.lost.keys() - openings.keys():
            yield Ends(case, "", "", None, self.lost[case])

    def _openings_and_senseless(self) -> list[tuple[Any, ...]]:
        """Openings, and events that cannot be any as far as that is quickly seen, in one pass.

        Of each: case, position, whether it is an opening, time, content.
        """
        kinds = ", ".join(f"'{kind}'" for kind in KINDS if kind != "opened")
        return self._rows(
            f"""SELECT case_number, position,
                position = 1 AND kind = 'opened' AND content GLOB '{{*}}', time, content
            FROM events NOT INDEXED WHERE typeof(case_number) = 'integer' AND
                (position = 1 OR kind NOT IN ({kinds}) OR content NOT GLOB '{{*}}')"""
        )

    def append(
        self, case: int | None, after: int, events: Sequence[NewEvent], signature: Signature
    ) -> tuple[Event, ...]:
        """Add events at the end of a case, all of them or none; they are on the disk then.

        The files of the knowledge in force, if the signature has them, are kept in the book once
        for each version, so that what was believed can be worked out again.

        Args:
            case: None begins a new case with the next free number.
            after: Position of the last event the caller knew of; 0 for a new case.

        Raises:
            Overtaken: if the case has grown since.
            CaseBookError: if the file cannot be written; nothing was recorded then.
        """
        time = self._clock().strftime("%Y-%m-%dT%H:%M:%S.%fZ")
        who, note, knowledge, texts = signature
        with self._writing() as connection:
            if case is None:
                case = self._single("SELECT coalesce(max(case_number), 0) + 1 FROM events")
            query = "SELECT coalesce(max(position), 0) FROM events WHERE case_number = ?"
            if self._single(query, case) != after:
                raise Overtaken(f"case {case} has grown since it was read; repeat the entry")
            if texts:
                keep_knowledge(connection, knowledge, texts)
            added = [
                Event(case, position, time, who, note, kind, content, knowledge, belief)
                for position, (kind, content, belief) in enumerate(events, start=after + 1)
            ]
            links = add(connection, map(told_of, added))
        return tuple(replace(e, link=link) for e, link in zip(added, links, strict=True))

    def rows(self) -> Iterator[tuple[int, Row | None]]:
        """Every row of the book by its place, None where the file is too damaged to read it.

        A row that cannot be read does not hide those behind it.
        """
        query = f"SELECT place, {_COLUMNS} FROM events NOT INDEXED WHERE place > ? ORDER BY place"
        place = 0
        while True:
            try:
                with closing(self._connection.execute(query, (place,))) as cursor:
                    for row in cursor:
                        place = row[0]
                        yield place, row[1:]
                return
            except (sqlite3.Error, UnicodeDecodeError):
                place += 1
                if place > self._last_place():
                    return
                yield place, None

    def _last_place(self) -> int:
        """Place of the last row, as far as it can be told."""
        for query in ("SELECT max(place) FROM events", "SELECT count(*) FROM events"):
            with suppress(sqlite3.Error):
                return self._single(query)
        return 0

    def last_link(self) -> str:
        """Link of the last event of the book; empty if there is none."""
        rows = self._rows("SELECT link FROM events ORDER BY place DESC LIMIT 1")
        return rows[0][0].decode() if rows else NO_LINK

    def kept_knowledge(self, digest: str) -> dict[str, str] | None:
        """Files of a version of the knowledge, by name; None where the book has not kept them.

        Raises:
            CaseBookError: if what was kept is damaged.
        """
        query = "SELECT files FROM knowledge WHERE digest = CAST(? AS TEXT)"
        rows = self._rows(query, digest)
        if not rows:
            return None
        try:
            return unpacked(rows[0][0], digest)
        except ValueError as error:
            problem = f"the knowledge {digest} kept in it is damaged"
            raise CaseBookError(f"case book {self.path}: {problem}") from error

    def all_knowledge(self) -> Iterator[tuple[str, dict[str, str]]]:
        """Every version of the knowledge kept in the book that is not damaged."""
        with suppress(CaseBookError):
            for digest, files in self._rows("SELECT digest, files FROM knowledge"):
                with suppress(ValueError):
                    yield digest.decode(), unpacked(files, digest.decode())

    def copy_to(self, out: Path) -> None:
        """Write a copy of the book as it stands now; others may go on writing to it meanwhile.

        Raises:
            CaseBookError: if there is such a file already, or it cannot be written.
        """
        if not write_book(out, self._connection.backup):
            raise taken(out)

    def damage(self) -> list[str]:
        """What SQLite's own full check of the file finds; nothing if all is well."""
        try:
            rows = self._rows("PRAGMA integrity_check")
        except CaseBookError as error:
            return [str(error)]
        findings = [bytes(row[0]).decode(errors="replace") for row in rows]
        unread = [f"{len(self.lost)} cases cannot be read whole"] if self.lost else []
        return unread if findings == ["ok"] else findings

    def _connect(self, write: bool) -> sqlite3.Connection:
        address = self.path.absolute().as_uri()
        with explained(self.path):
            try:
                connection = self._opened(f"{address}?mode=rw")
            except sqlite3.OperationalError:
                # in write-ahead mode SQLite makes files beside the book even to read it; where
                # nobody can make any, and the log holds nothing more, it can do without
                if write or os.access(self.path.parent, os.W_OK) or has_log(self.path):
                    raise
                connection = self._opened(f"{address}?immutable=1")
            layout = layout_of(connection)
            if write and layout < VERSION:
                bring_forward(connection)
            elif not write and layout < SAME_TABLES:
                connection, self.lost = in_memory(connection)
            connection.execute("PRAGMA synchronous = FULL" if write else "PRAGMA query_only = ON")
            return connection

    def _opened(self, address: str) -> sqlite3.Connection:
        connection = sqlite3.connect(
            address, uri=True, timeout=BUSY_SECONDS, isolation_level=None
        )  # fmt: skip
        # text may be damaged, and is hashed as it stands in the file
        connection.text_factory = bytes
        try:
            if not 1 <= (layout := layout_of(connection)) <= VERSION:
                # the head of the file may lag behind the log that it was asked about before
                raise later_layout(self.path, layout, VERSION)
            connection.execute("SELECT 1 FROM events LIMIT 1").fetchone()
        except (sqlite3.Error, CaseBookError):
            connection.close()
            raise
        return connection

    @contextmanager
    def _writing(self) -> Iterator[sqlite3.Connection]:
        with explained(self.path):
            self._connection.execute("BEGIN IMMEDIATE")
            try:
                yield self._connection
                self._connection.execute("COMMIT")
            finally:
                if self._connection.in_transaction:
                    self._connection.execute("ROLLBACK")

    def _rows(self, query: str, *values: object) -> list[tuple[Any, ...]]:
        return [*self._each(query, *values)]

    def _each(self, query: str, *values: object) -> Iterator[tuple[Any, ...]]:
        """Rows one by one: many large ones are never in memory together."""
        with explained(self.path), closing(self._connection.execute(query, values)) as cursor:
            yield from cursor

    def _single(self, query: str, *values: object) -> int:
        return int(self._connection.execute(query, values).fetchone()[0])


def events_of(rows: Sequence[Row]) -> tuple[Event, ...]:
    """The events of one case, from its opening on without a gap.

    Raises:
        DamagedEvent: naming the first one that is not as it was written.
    """
    events = []
    for position, row in enumerate(rows, start=1):
        event = event_of(row)
        where = f"event {event.position}"
        if event.position != position:
            raise DamagedEvent(f"{where}: event {position} is missing before it")
        if (event.kind == "opened") != (position == 1):
            raise DamagedEvent(f"{where}: a case begins with its opening and has only one")
        events.append(event)
    return tuple(events)


def add(connection: sqlite3.Connection, told: Iterable[Row]) -> list[str]:
    """Write rows, given without links, behind the last row of a book; their links.

    Within a transaction of the caller.
    """
    query = "SELECT place, link FROM events ORDER BY place DESC LIMIT 1"
    last = connection.execute(query).fetchone()
    place, link = (last[0], last[1].decode()) if last else (0, NO_LINK)
    links = []
    for cells in told:
        row = linked(cells, link)
        place, link = place + 1, link_of(row)
        connection.execute(INSERT, (place, *row))
        links.append(link)
    return links


def taken(path: Path) -> CaseBookError:
    """Error for a place where a book is to be written and something stands already."""
    return CaseBookError(f"case book {path}: there is such a file already; name a new one")
