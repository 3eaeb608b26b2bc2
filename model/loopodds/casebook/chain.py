"""Walking the chain of a book: what is as it was written, and saving that from a damaged one."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import NamedTuple

from loopodds.casebook.book import CaseBook, add, taken
from loopodds.casebook.events import NO_LINK, TOLD, DamagedEvent, Row, event_of, is_linked
from loopodds.casebook.file import begin_tables, write_book
from loopodds.casebook.kept import keep_knowledge
from loopodds.casebook.layout import SCHEMA, VERSION


@dataclass
class Walked:
    """What a walk along the chain found.

    An event that is not as it was written ends what is sound of its case: what came after it was
    said of a case that nobody can see any more.
    """

    events: int = 0
    last: str = NO_LINK  # link of the last event; whoever notes it can prove the book later
    noted: bool = True  # whether a link noted earlier still stands in the chain
    findings: list[str] = field(default_factory=list)  # what belongs to no case
    problems: dict[int, str] = field(default_factory=dict)  # by case, the first one
    sound: dict[int, int] = field(default_factory=dict)  # by case, events from the opening on

    def keeps(self, case: object, position: object) -> bool:
        """Whether an event is sound, and all before it in its case."""
        return (
            isinstance(case, int)
            and isinstance(position, int)
            and 0 < position <= self.sound.get(case, 0)
        )

    def blame(self, case: object, problem: str, back: int = 0) -> None:
        """End what is sound of a case where the walk has come to, or so many events before."""
        if not isinstance(case, int):
            self.findings.append(f"case {case!r}: {problem}")
            return
        self.problems.setdefault(case, problem)
        self.sound[case] = max(0, self.sound.get(case, 0) - back)


class Salvaged(NamedTuple):
    """What was saved from a book, and what was not."""

    cases: int
    events: int
    left: tuple[str, ...]


class _Before(NamedTuple):
    """The row before, as far as the chain needs it."""

    place: int
    case: object
    position: object
    link: object


def walk(book: CaseBook, noted: str = "") -> Walked:
    """Follow the chain from the first event of a book to the last.

    Args:
        noted: A link that was the last one at some time; empty where none was noted.
    """
    walked = Walked(noted=not noted)
    before: _Before | None = _Before(0, None, None, NO_LINK.encode())
    for place, row in book.rows():
        if row is None:
            walked.findings.append(f"row {place} of the book cannot be read")
            before = None
            continue
        _follow(walked, before, place, row)
        before = _Before(place, row[0], row[1], row[-1])
        walked.events += 1
        walked.noted = walked.noted or row[-1] == noted.encode()
    for case, problem in book.lost.items():
        walked.blame(case, problem)
    if before is not None and isinstance(before.link, bytes):
        walked.last = before.link.decode(errors="replace")
    return walked


def _follow(walked: Walked, before: _Before | None, place: int, row: Row) -> None:
    """Judge a row by itself, by the row before it, and by what there is of its case."""
    case, position = row[:2]
    where = f"event {position!r} of case {case!r}"
    if before is not None and place != before.place + 1:
        gone = f"{place - before.place - 1} rows of the book are gone before {where}"
        walked.findings.append(gone)
    elif before is not None and row[TOLD] != before.link and is_linked(row):
        if not before.place:
            walked.findings.append(f"events before {where} are gone")
        elif before.case not in walked.problems:
            problem = f"event {before.position!r}: is not the one that {where} was written after"
            walked.blame(before.case, problem, back=1)
    if case in walked.problems:
        return
    try:
        event = event_of(row)
    except DamagedEvent as error:
        walked.blame(case, str(error))
        return
    expected = 1 + walked.sound.get(event.case, 0)
    if event.position != expected:
        walked.blame(case, f"event {position}: event {expected} is missing before it")
    elif (event.kind == "opened") != (expected == 1):
        walked.blame(case, f"event {position}: a case begins with its opening and has only one")
    else:
        walked.sound[event.case] = expected


def salvage(book: CaseBook, walked: Walked, out: Path) -> Salvaged:
    """Write a new book of all that is sound in a damaged one.

    Every event is word for word what it was; only its links are new.

    Raises:
        CaseBookError: if there is such a file already, or it cannot be written.
    """

    def fill(new: sqlite3.Connection) -> None:
        new.text_factory = bytes
        begin_tables(new, SCHEMA, VERSION)
        new.execute("BEGIN")
        add(new, (row[:TOLD] for row in _kept_rows(book, walked)))
        for digest, texts in book.all_knowledge():
            keep_knowledge(new, digest, texts)
        new.execute("COMMIT")

    if not write_book(out, fill):
        raise taken(out)
    kept = {case: count for case, count in walked.sound.items() if count}
    left = (*walked.findings, *(f"case {c}: {p}" for c, p in sorted(walked.problems.items())))
    return Salvaged(len(kept), sum(kept.values()), left)


def _kept_rows(book: CaseBook, walked: Walked) -> Iterator[Row]:
    for _, row in book.rows():
        if row is not None and walked.keeps(*row[:2]):
            yield row
