"""A column map to correct: what the headings and words of a foreign archive may mean.

Everything in it is a guess from how things are often written, and says so beside itself. It is
complete enough to be used as it is: what nothing is known of passes through unread, a word that
nothing is known of counts as not observed and stands there with what it could mean.
"""

from __future__ import annotations

import json
import re
from collections.abc import Iterator, Mapping, Sequence
from contextlib import closing
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any

from loopodds.archive.chunks import CHUNK_ROWS
from loopodds.archive.sources import found_archive, open_source
from loopodds.base.errors import InspectionError
from loopodds.base.units import columns_of
from loopodds.inspection.cells import SAYS_NOTHING, shown
from loopodds.inspection.column_map import ColumnMap
from loopodds.inspection.columns import Feed, recognise
from loopodds.inspection.vocabulary import (
    CHOICES,
    NUMBERS,
    heading_meant,
    names_in,
    reading_dimension,
    word_meant,
)
from loopodds.knowledge.records import Knowledge
from loopodds.physics.refrigerants import SUPPORTED

if TYPE_CHECKING:
    import pyarrow as pa

MOST_WORDS = 40
"""Words of one column that are listed; a column with more holds no words of a technician."""
USUAL_UNITS = {"pressure": "bar", "temperature": "degC", "difference": "K", "mass": "g",
               "share": "pct", "length": "km", "time": "years", "rotation": "rpm"}  # fmt: skip
"""Where a heading has no unit."""

HEAD = """\
# Column map of {name}: what its headings, units and words mean. Everything here is a guess from
# how things are often written: correct what is wrong, take out what means nothing.
#
#   [format]  delimiter, decimal: how cells are parted, and the mark in numbers
#             not_observed: cells that mean that nothing was seen, besides empty ones
#   [columns.NAME]  NAME is ours, a finding, reading, condition or outcome of the knowledge
#             from: the heading in the archive; unit: what its numbers are in
#             values: what each of its words means; "" is not observed
#             others: what all other words mean; "" is not observed. Without it they are refused.
#   [always]  refrigerant and the like, of every car where no column says otherwise
"""


NO_REFRIGERANT = f"""\
# No heading says which refrigerant a car has, and without it no pressure counts. If it is the same
# in all of them, take the marks away:
# [always]
# refrigerant = "{SUPPORTED[0]}"
"""


@dataclass(frozen=True, slots=True)
class StarterMap:
    """A column map to correct."""

    text: str  # TOML
    guessed: Mapping[str, str] = field(default_factory=dict)  # heading to our name
    known: tuple[str, ...] = ()  # headings that need no map
    unread: tuple[str, ...] = ()  # headings of which nothing is known

    def as_json(self) -> dict[str, Any]:
        """Plain data."""
        return {
            "guessed": dict(self.guessed),
            "known": list(self.known),
            "not_understood": list(self.unread),
        }


def starter_map(archive: str | Path, knowledge: Knowledge) -> StarterMap:
    """What the headings and words of an archive may mean, by its first rows.

    Raises:
        InspectionError: if the archive cannot be read, or nothing in it is known.
    """
    with (
        found_archive(archive, None) as (path, mapping),
        closing(open_source(path, mapping)) as source,
    ):
        headings = list(source.schema.names)
        table = next((chunk.table for chunk in source.parts(CHUNK_ROWS)), None)
    known, unread, entries = [], [], []
    guessed: dict[str, str] = {}
    for heading in headings:
        if recognise(heading.strip(), knowledge, heading) is not None:
            known.append(heading)
            continue
        name, unit = heading_meant(heading)
        words = [] if table is None else _words(table, heading)
        entry = None
        if name and name not in guessed.values():
            entry = _entry(name, unit, heading, words, knowledge)
        if entry is None:
            unread.append(heading)
        else:
            guessed[heading] = name
            entries.append(entry)
    if not guessed and not known:
        raise InspectionError(
            f"{path.name}: nothing is known of its {len(headings)} headings "
            f"({', '.join(map(repr, headings[:6]))}); a column map has to be written by hand"
        ).helped_by("map by hand")
    silent = [] if table is None else _silent(table, headings)
    if "refrigerant" not in {*guessed.values(), *known}:
        entries.insert(0, NO_REFRIGERANT)
    text = "\n".join([_head(path.name, mapping, silent), *entries, *_rest(known, unread)])
    return StarterMap(text, guessed, tuple(known), tuple(unread))


def _head(name: str, mapping: ColumnMap, silent: Sequence[str]) -> str:
    lines = [HEAD.format(name=shown(name)), "[format]"]
    lines += [f"delimiter = {_text(mapping.delimiter)}", f"decimal = {_text(mapping.decimal)}"]
    return "\n".join([*lines, f"not_observed = [{', '.join(map(_text, silent))}]", ""])


def _entry(
    name: str, unit: str, heading: str, words: Sequence[str], knowledge: Knowledge
) -> str | None:
    """A section of the map; None where the name is not of this knowledge."""
    if name in CHOICES or name in knowledge.of_kind("finding", "history"):
        feed = recognise(name, knowledge)
        return None if feed is None else _worded(feed, heading, words)
    if name.startswith("confirmed_"):
        feed = recognise(name, knowledge)
        return None if feed is None else _worded(feed, heading, words)
    if name in names_in("readings", knowledge):
        dimension = reading_dimension(name, knowledge)
    else:
        found = [dimension for key, dimension in NUMBERS.values() if key == name]
        if not found:
            return None
        dimension = found[0]
    fitting = unit if unit in columns_of(dimension) else ""
    note = "" if fitting else "  # guessed: the heading names none"
    said = fitting or USUAL_UNITS.get(dimension, next(iter(columns_of(dimension))))
    return f"[columns.{name}]\nfrom = {_text(heading)}\nunit = {_text(said)}{note}\n"


def _worded(feed: Feed, heading: str, words: Sequence[str]) -> str:
    options = feed.options
    lines = [f"[columns.{feed.case_name}]  # {', '.join(options)}", f"from = {_text(heading)}"]
    strange = [word for word in words if word not in options]
    if strange:
        lines.append(f"[columns.{feed.case_name}.values]")
        for word in strange:
            meant = word_meant(word, options)
            note = "" if meant else f"  # not observed, or one of: {', '.join(options)}"
            lines.append(f"{_text(word)} = {_text(meant)}{note}")
    return "\n".join([*lines, ""])


def _rest(known: Sequence[str], unread: Sequence[str]) -> Iterator[str]:
    if known:
        yield f"# Known as they are: {', '.join(map(_text, known))}"
    if unread:
        yield "# Pass through unread, each a column that cars can be compared by:"
        yield from (f"#   {_text(heading)}" for heading in unread)
    yield ""


def _words(table: pa.Table, heading: str) -> list[str]:
    """Distinct words of a column, the most frequent first; none where there are too many."""
    import pyarrow.compute as pc

    counted = pc.value_counts(_column(table, heading)).to_pylist()
    counted = [(e["counts"], str(e["values"]).strip()) for e in counted if e["values"] is not None]
    words = [word for _, word in sorted(counted, key=lambda pair: (-pair[0], pair[1]))]
    words = [word for word in dict.fromkeys(words) if word and not _says_nothing(word)]
    return words if len(words) <= MOST_WORDS else []


def _silent(table: pa.Table, headings: Sequence[str]) -> list[str]:
    """Cells that seem to say that nothing was seen."""
    import pyarrow.compute as pc

    cells = {str(c).strip() for h in headings for c in pc.unique(_column(table, h)).to_pylist()}
    return sorted(cell for cell in cells if cell and _says_nothing(cell))


def _column(table: pa.Table, heading: str) -> pa.ChunkedArray:
    import pyarrow as pa
    import pyarrow.compute as pc

    return pc.cast(table.column(heading), pa.string())


def _says_nothing(cell: str) -> bool:
    # "none" and "unknown" are words of ours too
    return cell not in ("none", "None", "unknown") and SAYS_NOTHING.fullmatch(cell) is not None


def _text(value: str) -> str:
    """A text as TOML, which takes the escapes of JSON."""
    return re.sub(r"\x7f", r"\\u007f", json.dumps(value, ensure_ascii=False))
