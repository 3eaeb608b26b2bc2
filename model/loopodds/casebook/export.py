"""Cases leave the book: one as a case file, the closed ones as an archive."""

import csv
import json
import re
from collections.abc import Iterable, Mapping
from typing import Any, NamedTuple, TextIO

from loopodds.base.errors import LoopoddsError
from loopodds.base.spreadsheets import safe_cell
from loopodds.base.units import Dimension
from loopodds.casebook.believed import inspection_of
from loopodds.casebook.book import CaseBook
from loopodds.casebook.replay import CaseState, Noted, NotedBefore, replay, used_sections
from loopodds.inspection.assignments import Value
from loopodds.inspection.columns import CONFIRMED
from loopodds.inspection.inspection import Inspection, Quantity
from loopodds.inspection.vocabulary import (
    BEFORE,
    INSTRUMENTS,
    LOOKED_BY,
    LOOKS,
    NUMBERS,
    OBSERVED,
    REPAIRED,
    SECOND,
    SECTIONS,
    STATED,
    TAKEN_WITH,
    reading_dimension,
)
from loopodds.knowledge.records import Knowledge

# internal units, so that a number passes through the archive without losing a digit
SUFFIXES: Mapping[Dimension, str] = {
    "pressure": "kPaa",
    "temperature": "degC",
    "difference": "K",
    "mass": "g",
    "share": "pct",
    "length": "m",
    "time": "min",
    "resistance": "Mohm",
    "vacuum": "kPa",
    "rise": "kPa",
    "volume_share": "pct",
    "mass_share": "pct",
    "rotation": "rpm",
}
ABOUT = ("case", "opened", "closed", "knowledge")
_BARE = re.compile(r"[A-Za-z0-9_-]+")


class Archived(NamedTuple):
    """How an export went: rows written, and entries that an archive has no place for."""

    rows: int
    left_out: tuple[str, ...]


def case_text(state: CaseState, *remarks: str) -> str:
    """A case as a case file: reading it back gives the same belief.

    What has no place in it stands as a comment: what is doubted and therefore unused, and the
    remarks, below the title.
    """
    title = f"case {state.number} of the case book: {state.name}".rstrip(": ")
    head = [f"# {_comment(line)}" for line in (title, *remarks)]
    lines = head.copy()
    sections = state.sections()
    for section in SECTIONS:
        if section == BEFORE[1]:
            lines += [line for repair in state.repairs for line in _repair_lines(repair)]
        lines += _section_lines(section, section, sections.get(section, {}), state.noted)
    lines += _told_lines("", sections, state.noted)
    if lines == head:
        # a file needs a section to be a case file
        lines += ["", "[findings]"]
    return "\n".join(lines) + "\n"


def _repair_lines(repair: NotedBefore) -> list[str]:
    services = ", ".join(_quoted(name) for name in repair.services)
    lines = ["", f"[[{REPAIRED}]]", f"services = [{services}]"]
    if repair.tests_done:
        lines.append(f"# tests done before: {_comment(' '.join(repair.tests_done))}")
    used = used_sections(repair.noted)
    for section in BEFORE:
        header = f"{REPAIRED}.{section}"
        entries = _section_lines(section, header, used.get(section, {}), repair.noted)
        # without conditions of its own it would take those of the case
        lines += entries or ["", f"[{header}]"] * (section == "conditions")
    return [*lines, *_told_lines(f"{REPAIRED}.", used, repair.noted)]


def _told_lines(
    inside: str, used: Mapping[str, Mapping[str, Any]], noted: Mapping[str, Noted]
) -> list[str]:
    """Who saw what, and what readings were taken with."""
    tools = [f"{_key(name)} = {_toml(tool)}" for name, tool in used.get(INSTRUMENTS, {}).items()]
    named = ["", f"[{inside}{INSTRUMENTS}]", *tools] if tools else []
    return [*_look_lines(f"{inside}{LOOKS}", used.get(LOOKS, {}), noted), *named]


def _look_lines(
    header: str, used: Mapping[str, Mapping[str, str]], noted: Mapping[str, Noted]
) -> list[str]:
    """What everybody saw, and in comments what is not used of it."""
    doubted = _doubted_lines(LOOKS, noted)
    lines = ["", *doubted] if doubted else []
    for person, words in used.items():
        entries = [f"{_key(name)} = {_toml(word)}" for name, word in words.items()]
        lines += ["", f"[{header}.{_key(person)}]", *entries]
    return lines


def _section_lines(
    section: str, header: str, used: Mapping[str, Value], noted: Mapping[str, Noted]
) -> list[str]:
    entries = [f"{_key(name)} = {_toml(value)}" for name, value in used.items()]
    entries += _doubted_lines(section, noted)
    return ["", f"[{header}]", *entries] if entries else []


def _doubted_lines(section: str, noted: Mapping[str, Noted]) -> list[str]:
    return [
        f"# doubted, not used: {name} = {_comment(seen.text)}"
        for name, seen in noted.items()
        if seen.section == section and not seen.used
    ]


def write_archive(book: CaseBook, knowledge: Knowledge, file: TextIO) -> Archived:
    """Write the closed cases of a book as an archive: CSV, one row a case.

    A row holds the car as it came: what was seen after a repair has no place in it, nor have
    likelihoods over states, nor a damaged case; these are left out and named in the answer.
    Readings are in internal units (``low_side_kPaa`` is absolute). Text that a spreadsheet would
    run as a formula is written so that it cannot. The file is one opened with ``newline=""``.

    Raises:
        InspectionError: if a case cannot be read under the present knowledge.
    """
    rows, left_out = [], []
    for number in book.numbers():
        try:
            events = book.events(number)
            state = replay(events)
        except LoopoddsError as error:
            left_out.append(f"case {number}, which is damaged: {error}")
            continue
        if not state.closed:
            continue
        last = events[-1]
        about = (number, events[0].time, last.time, last.knowledge)
        inspection = inspection_of(state, knowledge).as_it_came
        cells = _cells(inspection, state, knowledge)
        looks, unseated = _look_cells(inspection, knowledge)
        rows.append({**dict(zip(ABOUT, about, strict=True)), **cells, **looks})
        unsure = [name for name in _unsure(inspection) if name not in _looked_at(inspection)]
        left_out += [f"case {state.number}: {name}" for name in (*unsure, *unseated)]
        if state.repairs:
            left_out.append(f"case {state.number}: what was recorded after a repair")
    columns = _columns(rows, knowledge)
    writer = csv.writer(file, lineterminator="\n")
    writer.writerow(map(safe_cell, columns))
    writer.writerows([safe_cell(row.get(column, "")) for column in columns] for row in rows)
    return Archived(len(rows), tuple(left_out))


def _cells(inspection: Inspection, state: CaseState, knowledge: Knowledge) -> dict[str, str]:
    cells: dict[str, str] = {}
    dimensions = dict(NUMBERS.values())
    for section in OBSERVED:
        for name, value in getattr(inspection, section).items():
            if isinstance(value, str):
                cells[name] = value
            elif isinstance(value, Quantity):
                dimension = dimensions.get(name) or reading_dimension(name, knowledge)
                cells[f"{name}_{SUFFIXES[dimension]}"] = repr(value.value)
    cells |= {f"{TAKEN_WITH}{name}": tool for name, tool in inspection.instruments.items()}
    return cells | {f"{CONFIRMED}{name}": word for name, word in state.confirmed.items()}


def _look_cells(inspection: Inspection, knowledge: Knowledge) -> tuple[dict[str, str], list[str]]:
    """Who looked and what each said, for the two people of a row; looks of any other.

    The columns without a name before them are of the first person, so that what nobody is named for
    takes both as of somebody of whom nothing is known.
    """
    looks, names = inspection.looks, _looked_at(inspection)
    nobody = [n for n in inspection.findings if knowledge.node(n).by_eye and n not in names]
    seats = ["", *looks][:2] if nobody and looks else [*looks][:2]
    cells = dict.fromkeys(names, "")
    for prefix, person in zip(("", SECOND), seats, strict=False):
        cells |= {f"{prefix}{LOOKED_BY}": person} if person else {}
        cells |= {f"{prefix}{name}": word for name, word in looks.get(person, {}).items()}
    left = [person for person in looks if person not in seats]
    return cells, [f"{name} by {person}" for person in left for name in looks[person]]


def _looked_at(inspection: Inspection) -> list[str]:
    """What somebody who is named judged by eye."""
    return list(dict.fromkeys(name for words in inspection.looks.values() for name in words))


def _unsure(inspection: Inspection) -> list[str]:
    words = {**inspection.history, **inspection.findings}
    return [name for name, word in words.items() if not isinstance(word, str)]


def _columns(rows: Iterable[Mapping[str, object]], knowledge: Knowledge) -> list[str]:
    """Columns in use: the case, then in the order of a case file and the knowledge."""
    used = list(dict.fromkeys(name for row in rows for name in row))
    known = [name for keys in STATED.values() for name in keys]
    known += [*knowledge.of_kind("history", "finding", "gauge"), *knowledge.amounts]

    def place(column: str) -> tuple[int, int]:
        if column in ABOUT:
            return 0, ABOUT.index(column)
        if column.startswith(CONFIRMED):
            return 3, 0
        column = column.removeprefix(SECOND)
        base = column if column in known else column.rpartition("_")[0]
        return (1, known.index(base)) if base in known else (2, 0)

    return sorted(used or ABOUT, key=place)


def _key(name: str) -> str:
    return name if _BARE.fullmatch(name) else _quoted(name)


def _toml(value: Value) -> str:
    if isinstance(value, str):
        return _quoted(value)
    shares = ", ".join(f"{_key(state)} = {share!r}" for state, share in value.items())
    return f"{{ {shares} }}"


def _quoted(text: str) -> str:
    """TOML basic string: JSON's escapes are among TOML's, but JSON leaves DEL as it is."""
    return json.dumps(text, ensure_ascii=False).replace("\x7f", "\\u007F")


def _comment(text: str) -> str:
    """Text for a comment: one line without control characters."""
    return "".join(c if c.isprintable() else " " for c in text)
