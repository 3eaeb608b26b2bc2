"""Layout of the tables of a case book, and how a book of an earlier layout becomes one of this.

A book carries the number of its layout. One that is older is brought forward when it is opened for
writing, in one transaction; opened for reading only, a copy of it in memory is: of a damaged one
what can be read. One that is newer is refused: what it holds may mean something that this program
does not know.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Callable, Iterable, Mapping
from contextlib import closing

from loopodds.casebook.events import COLUMNS, NO_LINK, TOLD, Row, link_of, linked

VERSION, SAME_TABLES = 3, 2
"""Layout that this program writes, and the first one with the same tables: of that one on only what
events may be told has grown, so that a book that is read needs no change."""

_TABLES = """
CREATE TABLE events (
    place INTEGER PRIMARY KEY,
    case_number INTEGER NOT NULL CHECK (case_number > 0),
    position INTEGER NOT NULL,
    time TEXT NOT NULL,
    who TEXT NOT NULL,
    note TEXT NOT NULL,
    kind TEXT NOT NULL,
    content TEXT NOT NULL,
    knowledge TEXT NOT NULL,
    posterior TEXT NOT NULL,
    previous TEXT NOT NULL,
    link TEXT NOT NULL,
    UNIQUE (case_number, position)
);
CREATE TABLE knowledge (
    digest TEXT PRIMARY KEY,
    program TEXT NOT NULL,
    files BLOB NOT NULL
);
"""
_TRIGGERS = """
CREATE TRIGGER events_never_change BEFORE UPDATE ON events
BEGIN SELECT RAISE(ABORT, 'events of a case book are never changed'); END;
CREATE TRIGGER events_never_go BEFORE DELETE ON events
BEGIN SELECT RAISE(ABORT, 'events of a case book are never removed'); END;
CREATE TRIGGER events_only_follow BEFORE INSERT ON events
WHEN NEW.position <> 1 + coalesce(
    (SELECT max(position) FROM events WHERE case_number = NEW.case_number), 0)
BEGIN SELECT RAISE(ABORT, 'events are only added at the end of a case'); END;
CREATE TRIGGER events_are_linked BEFORE INSERT ON events
WHEN NEW.previous <> coalesce((SELECT link FROM events ORDER BY place DESC LIMIT 1), '')
BEGIN SELECT RAISE(ABORT, 'events are only added at the end of the chain'); END;
CREATE TRIGGER knowledge_never_changes BEFORE UPDATE ON knowledge
BEGIN SELECT RAISE(ABORT, 'the knowledge kept in a case book is never changed'); END;
CREATE TRIGGER knowledge_never_goes BEFORE DELETE ON knowledge
BEGIN SELECT RAISE(ABORT, 'the knowledge kept in a case book is never removed'); END;
CREATE TRIGGER knowledge_is_kept_once BEFORE INSERT ON knowledge
WHEN EXISTS (SELECT 1 FROM knowledge WHERE digest = NEW.digest)
BEGIN SELECT RAISE(ABORT, 'the knowledge kept in a case book is never changed'); END;
"""
SCHEMA = _TABLES + _TRIGGERS
_EVENTS_A_PAGE = 16  # at most: the belief of one takes more than 256 of 4,096 bytes
INSERT = (
    f"INSERT INTO events (place, {', '.join(COLUMNS)}) "
    f"VALUES (?, ?, ?, {', '.join(['CAST(? AS TEXT)'] * (len(COLUMNS) - 2))})"
)
"""Place, then the cells of a row, text as bytes."""


def layout_of(connection: sqlite3.Connection) -> int:
    """Number of the layout of a book."""
    return int(connection.execute("PRAGMA user_version").fetchone()[0])


def bring_forward(connection: sqlite3.Connection) -> None:
    """Bring a book of an earlier layout to the present one: all of it or nothing.

    Of two processes that do it at once the second finds it done.
    """
    connection.execute("BEGIN IMMEDIATE")
    try:
        while (version := layout_of(connection)) < VERSION:
            _STEPS[version](connection)
            connection.execute(f"PRAGMA user_version = {version + 1}")
        connection.execute("COMMIT")
    finally:
        if connection.in_transaction:
            connection.execute("ROLLBACK")


def _with_links(connection: sqlite3.Connection) -> None:
    """From 1: events get their place in the book and their link.

    In what order different cases were written is not known any more; they follow one another. The
    knowledge that made their beliefs was not kept.
    """
    told = ", ".join(COLUMNS[:TOLD])
    connection.execute("ALTER TABLE events RENAME TO events_1")
    _execute(connection, _TABLES)
    query = f"SELECT {told} FROM events_1 ORDER BY case_number, position"
    _insert(connection, connection.execute(query))
    connection.execute("DROP TABLE events_1")
    _execute(connection, _TRIGGERS)


def _with_photos(_: sqlite3.Connection) -> None:
    """From 2: an event may be ``photographed``; no table changes.

    A program that knows layout 2 would take such an event for damage, and leave it out of what it
    salvages: by the number it leaves the book alone.
    """


def _insert(connection: sqlite3.Connection, rows: Iterable[Row]) -> None:
    """Rows without links as the first ones of a book."""
    previous = NO_LINK
    for place, row in enumerate(rows, start=1):
        cells = linked(row, previous)
        connection.execute(INSERT, (place, *cells))
        previous = link_of(cells)


def in_memory(connection: sqlite3.Connection) -> tuple[sqlite3.Connection, dict[int, str]]:
    """A book that may not be written, brought forward; and what of which case cannot be read."""
    with closing(connection):
        copy = sqlite3.connect(":memory:", isolation_level=None)
        connection.backup(copy)
        copy.text_factory = bytes
    try:
        bring_forward(copy)
        return copy, {}
    except sqlite3.DatabaseError:
        with closing(copy):
            new = sqlite3.connect(":memory:", isolation_level=None)
            new.text_factory = bytes
            return new, _readable(copy, new)


def _readable(damaged: sqlite3.Connection, new: sqlite3.Connection) -> dict[int, str]:
    """Write what can be read of a damaged book of layout 1 to a new, empty database, as of now.

    Returns:
        For every case of which something cannot be read, what that is.
    """
    told = ", ".join(COLUMNS[:TOLD])
    query = f"SELECT {told} FROM events WHERE case_number = ? ORDER BY position"
    rows: list[Row] = []
    lost: dict[int, str] = {}
    most = _most_cases(damaged)
    for case in range(1, most + 1):
        begun = len(rows)
        try:
            for row in damaged.execute(query, (case,)):
                rows.append(row)
        except sqlite3.DatabaseError:
            where = f"event {len(rows) - begun + 1}"
            lost[case] = f"{where}: cannot be read: the file is damaged there"
    end = max((row[0] for row in rows), default=0)
    if most in lost and most > end + 1:  # nothing tells how many there were
        lost = {case: problem for case, problem in lost.items() if case <= end}
        lost[end + 1] = "it, and whatever came after it, cannot be read: the file is damaged there"
    new.executescript(f"BEGIN; {SCHEMA} PRAGMA user_version = {VERSION}; COMMIT;")
    _insert(new, rows)
    return lost


def _most_cases(damaged: sqlite3.Connection) -> int:
    """Number of the last case; where it cannot be read, one that is not lower."""
    try:
        query = "SELECT coalesce(max(case_number), 0) FROM events"
        return int(damaged.execute(query).fetchone()[0])
    except sqlite3.DatabaseError:
        return _EVENTS_A_PAGE * int(damaged.execute("PRAGMA page_count").fetchone()[0])


def _execute(connection: sqlite3.Connection, script: str) -> None:
    """Several statements within the transaction that runs; ``executescript`` would end it."""
    statement = ""
    for line in script.splitlines():
        statement += line + "\n"
        if sqlite3.complete_statement(statement):
            connection.execute(statement)
            statement = ""


_STEPS: Mapping[int, Callable[[sqlite3.Connection], None]] = {1: _with_links, 2: _with_photos}
"""By the layout that each leads on from."""
