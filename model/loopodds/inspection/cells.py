"""Cells of an archive turned into the columns of an inspection batch, with what is wrong in them.

Nothing here loops over rows that are right: text is coded by its distinct values, numbers are
converted whole. Only cells that cannot be read are visited one by one.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np

from loopodds.base.arrays import BoolArray, FloatArray, IntArray
from loopodds.base.units import Unit
from loopodds.inspection.columns import ColumnPlan, Feed
from loopodds.inspection.inspection import InspectionBatch
from loopodds.inspection.remarks import NO_REFRIGERANT, impossible_readings
from loopodds.inspection.vocabulary import CHOICES, LIMITS, refused_word, unknown_word
from loopodds.knowledge.records import Knowledge
from loopodds.physics.refrigerants import SUPPORTED

if TYPE_CHECKING:
    import pyarrow as pa

CONTROL = re.compile(r"[\x00-\x1f\x7f-\x9f\u2028\u2029\ud800-\udfff]")
LONGEST_SHOWN = 200
NUMBER = re.compile(r"[+-]?(?:[0-9]+\.?[0-9]*|\.[0-9]+)(?:[eE][+-]?[0-9]+)?")
AGREE = 0.01
"""Two columns for one number may differ by this share: the rounding of another unit."""

UNKNOWN_WORD = "unknown word"
NO_UNIT = "number without a unit (call the column {})"
NOT_A_NUMBER = "not a number"
IMPOSSIBLE = "impossible value"
GIVEN_TWICE = "given twice, differently"

UNSTATED = "no refrigerant stated"
SAYS_NOTHING = re.compile(
    r"[-?./_*# ]+|n\.? ?[/.]? ?[ab]\.?|k\. ?a\.?|none|null|nil|nan|unknown|unbekannt|inconnue?",
    re.I,
)
"""What people write where nothing was seen; common practice, no source."""

_NOT_OBSERVED, _UNKNOWN, _UNITLESS = -1, -2, -3
FILLS = {
    "word": "codes",
    "choice": "choices",
    "confirmed": "confirmed",
    "reading": "readings",
    "number": "numbers",
}
"""Mapping of a batch that each kind of column fills."""


class Defect(NamedTuple):
    """What is wrong with one cell or row of an archive."""

    row: int  # row of the table, or of the chunk, that it was found in
    column: str  # as the archive calls it; empty when the whole row is meant
    value: str  # the cell, safe to print
    kind: str  # in a few words, for counting
    reason: str  # what is wrong and what could stand there


def shown(text: str) -> str:
    """Text on one line, control characters written out, cut where it is long.

    >>> shown("a\\tb")
    'a\\\\tb'
    """
    cut = text if len(text) <= LONGEST_SHOWN else f"{text[:LONGEST_SHOWN]}..."
    return CONTROL.sub(lambda match: repr(match[0])[1:-1], cut)


def read_cells(
    table: pa.Table, plan: ColumnPlan, knowledge: Knowledge
) -> tuple[InspectionBatch, list[Defect]]:
    """Batch of all rows of a table, and every cell in it that cannot be used.

    Args:
        table: pyarrow.Table; with at least the columns that feed the plan; text or typed.

    Returns:
        One row for each of the table; a cell with a defect counts as not observed.
        In the order of the plan, impossible values last.
    """
    reader = _TableReader(table, plan, knowledge)
    # gauge pressures count from the atmosphere at the altitude, so that comes first
    for feed in sorted(plan.feeds, key=lambda feed: feed.name != "altitude_m"):
        if feed.unit is None:
            reader.read_words(feed)
        else:
            reader.read_numbers(feed, feed.unit)
    reader.fill_always()
    batch = InspectionBatch(table.num_rows, **reader.columns)
    order = {column: index for index, column in enumerate(plan.columns)}
    defects = sorted(reader.defects, key=lambda defect: order[defect.column])
    return batch, defects + _impossible(batch, table, plan, knowledge)


def _impossible(
    batch: InspectionBatch, table: pa.Table, plan: ColumnPlan, knowledge: Knowledge
) -> list[Defect]:
    defects = []
    unstated = set()
    for bad in impossible_readings(batch, knowledge):
        if bad.reason == NO_REFRIGERANT:
            if bad.row not in unstated:
                unstated.add(bad.row)
                defects.append(Defect(bad.row, "", "", UNSTATED, f"{UNSTATED}: {_state_it(plan)}"))
            continue
        filled = ((c, cell_text(table, c, bad.row)) for c in plan.columns_of(bad.column))
        column, value = next(((c, v) for c, v in filled if v), (bad.column, f"{bad.value:g}"))
        defects.append(Defect(bad.row, column, value, IMPOSSIBLE, bad.reason))
    return defects


def _state_it(plan: ColumnPlan) -> str:
    """What to do where the refrigerant is not stated."""
    columns = plan.columns_of("refrigerant")
    where = f"in column {columns[0]!r}" if columns else "in a column called refrigerant"
    return (
        f"say {' or '.join(SUPPORTED)} {where}, or for all rows under [always] of a column map, or "
        "leave out the pressures of this row"
    )


def cell_text(table: pa.Table, column: str, row: int) -> str:
    """One cell as text that is safe to print and not too long."""
    value = table.column(column)[row].as_py()
    return shown("" if value is None else str(value))


class _TableReader:
    """Columns of a table read one after the other into those of a batch."""

    def __init__(self, table: pa.Table, plan: ColumnPlan, knowledge: Knowledge) -> None:
        self.table, self.plan, self.knowledge = table, plan, knowledge
        self.columns: dict[str, dict[str, Any]] = {kind: {} for kind in FILLS.values()}
        self.defects: list[Defect] = []

    def fill_always(self) -> None:
        """What holds in every row that does not say otherwise."""
        choices = self.columns["choices"]
        for name, word in self.plan.always.items():
            code = CHOICES[name].index(word)
            said = choices.get(name, np.full(self.table.num_rows, -1, np.int8))
            choices[name] = np.where(said >= 0, said, code).astype(np.int8)

    def read_words(self, feed: Feed) -> None:
        codes_of = {"": _NOT_OBSERVED, **{word: code for code, word in enumerate(feed.options)}}

        def code_of(text: str) -> int:
            said = self._said(text, feed)
            unitless = feed.with_unit and _looks_a_number(said)
            return codes_of.get(said, _UNITLESS if unitless else _UNKNOWN)

        index, meanings = self._coded(feed, code_of)
        codes = np.array(meanings, np.int8)[index]
        for code, kind in ((_UNKNOWN, UNKNOWN_WORD), (_UNITLESS, NO_UNIT.format(feed.with_unit))):
            wrong = codes == code
            self._complain(wrong, feed, kind, lambda text: self._word_reason(text, feed))
            codes[wrong] = _NOT_OBSERVED
        if codes.max(initial=-1) < 0:
            return
        target = self.columns[FILLS[feed.kind]]
        before = target.get(feed.name)
        if feed.kind == "confirmed":
            target[feed.name] = self._narrowed(before, codes, feed)
        elif before is None:
            target[feed.name] = codes
        else:
            self._given_twice((before >= 0) & (codes >= 0) & (before != codes), feed)
            target[feed.name] = np.where(before >= 0, before, codes)

    def _narrowed(self, before: BoolArray | None, codes: IntArray, feed: Feed) -> BoolArray:
        """States that remain possible; what other columns say of the same fault narrows them."""
        possible: BoolArray = np.array([*feed.states, [True] * len(feed.states[0])])[codes]
        if before is None:
            return possible
        both: BoolArray = before & possible
        clash: BoolArray = np.all(~both, axis=1)
        self._given_twice(clash, feed)
        return np.where(clash[:, None], before, both)

    def read_numbers(self, feed: Feed, unit: Unit) -> None:
        column = self.table.column(feed.column)
        values = _typed(column)
        if values is None and not (feed.values or self.plan.not_observed):
            values = _whole_text(column) if self.plan.decimal == "." else None
        if values is None:
            index, meanings = self._coded(feed, lambda text: self._number(self._said(text, feed)))
            values = np.array(meanings)[index]
        mark = self.plan.decimal
        reason = f"not a finite number; write it with the decimal mark {mark!r} and no unit"
        self._complain(np.isinf(values), feed, NOT_A_NUMBER, lambda _: reason)
        values = np.where(np.isinf(values), np.nan, values)
        if np.isnan(values).all():
            return
        values = unit.to_internal(values, self._altitude())
        target = self.columns[FILLS[feed.kind]]
        before = target.get(feed.name)
        if before is not None:
            apart = np.abs(values - before) > AGREE * np.maximum(np.abs(before), 1.0)
            self._given_twice(apart, feed)
            values = np.where(np.isnan(before), values, before)
        target[feed.name] = values

    def _altitude(self) -> FloatArray:
        """Altitude by row; one that cannot be counts as sea level here."""
        low, high, _ = LIMITS["altitude_m"]
        altitude = self.columns["numbers"].get("altitude_m", np.zeros(1))
        return np.where((altitude >= low) & (altitude <= high), altitude, 0.0)

    def _said(self, text: str, feed: Feed) -> str:
        """Our word for a stripped cell; empty is not observed."""
        if not text or text in self.plan.not_observed:
            return ""
        return feed.values.get(text, text if feed.others is None else feed.others)

    def _number(self, text: str) -> float:
        """Value of a stripped cell: NaN when empty, infinite when it is no finite number."""
        if not text:
            return np.nan
        if self.plan.decimal == ",":
            text = text.replace(".", "x").replace(",", ".")
        return float(text) if NUMBER.fullmatch(text) else np.inf

    def _coded(self, feed: Feed, meaning: Callable[[str], Any]) -> tuple[IntArray, list[Any]]:
        """Index of each cell into its distinct texts (last: empty), and what each text means."""
        import pyarrow as pa

        coded = text_column(self.table.column(feed.column))
        if not pa.types.is_dictionary(coded.type):
            coded = coded.dictionary_encode(null_encoding="encode")
        texts = coded.dictionary.to_pylist()
        index = coded.indices
        if index.null_count:
            index = index.fill_null(len(texts))
        meanings = [meaning("" if text is None else text.strip()) for text in (*texts, "")]
        return index.to_numpy(zero_copy_only=False), meanings

    def _complain(
        self, wrong: BoolArray, feed: Feed, kind: str, reason: Callable[[str], str]
    ) -> None:
        rows = np.flatnonzero(wrong)
        if not len(rows):
            return
        cells = self.table.column(feed.column).take(rows).to_pylist()
        texts = ["" if text is None else str(text) for text in cells]
        reasons = {text: reason(text.strip()) for text in set(texts)}
        self.defects += [
            Defect(row, feed.column, shown(text), kind, reasons[text])
            for row, text in zip(rows.tolist(), texts, strict=True)
        ]

    def _word_reason(self, text: str, feed: Feed) -> str:
        if why := refused_word(text, feed.name, self.knowledge):
            return f"{shown(text)!r} {why}"
        return _word_reason(text, feed)

    def _given_twice(self, wrong: BoolArray, feed: Feed) -> None:
        reason = f"another column says something else about {feed.case_name}; keep one of them"
        self._complain(wrong, feed, GIVEN_TWICE, lambda _: reason)


def _word_reason(text: str, feed: Feed) -> str:
    kind = feed.case_name.replace("_", " ") if feed.kind == "choice" else "state"
    if feed.with_unit and _looks_a_number(text):
        return (
            f"{shown(text)!r} is a number, but the column's name has no unit; call it "
            f"{feed.with_unit} or the like; words known: {', '.join(feed.options)}"
        )
    # of refrigerants only ours are listed: what else the archive calls them is no help
    theirs = feed.values if feed.name != "refrigerant" else ()
    if SAYS_NOTHING.fullmatch(text) and feed.name == "refrigerant":
        return f"{UNSTATED}: {shown(text)!r} says nothing; write {' or '.join(SUPPORTED)} there"
    spelt = text.strip().lower() in feed.options
    if SAYS_NOTHING.fullmatch(text) and not spelt:
        return (
            f"{shown(text)!r} is no {kind}; where nothing was seen leave the cell empty, or list "
            "what stands there as not_observed in a column map"
        )
    hint = unknown_word(text, feed.name, [*theirs, *feed.options])
    return f"unknown {kind} {shown(text)!r}; {hint}"


def _looks_a_number(text: str) -> bool:
    return NUMBER.fullmatch(text.replace(",", ".")) is not None


def text_column(column: pa.ChunkedArray) -> pa.Array:
    """A column as text (or a dictionary of text), nulls kept; truth values become yes and no."""
    import pyarrow as pa
    import pyarrow.compute as pc

    array = column.combine_chunks()
    if isinstance(array, pa.ChunkedArray):
        array = pa.concat_arrays(array.chunks) if array.num_chunks else pa.array([], column.type)
    kind = array.type
    if pa.types.is_dictionary(kind):
        if pa.types.is_string(kind.value_type):
            return array
        array, kind = array.dictionary_decode(), kind.value_type
    if pa.types.is_string(kind):
        return array
    if pa.types.is_boolean(kind):
        return pc.if_else(array, "yes", "no")
    return pc.cast(array, pa.string())


def _typed(column: pa.ChunkedArray) -> FloatArray | None:
    """Values of a numeric column, null as NaN; None for a column of text or anything else."""
    import pyarrow as pa
    import pyarrow.compute as pc

    kind = column.type
    if pa.types.is_null(kind):
        return np.full(len(column), np.nan)
    if not (pa.types.is_integer(kind) or pa.types.is_floating(kind) or pa.types.is_decimal(kind)):
        return None
    # a whole number beyond 2**53 is rounded: no reading has so many digits
    return np.array(pc.cast(column, pa.float64(), safe=False).to_numpy(), np.float64)


def _whole_text(column: pa.ChunkedArray) -> FloatArray | None:
    """Values of a text column in one go; None when some cell needs a closer look."""
    import pyarrow as pa
    import pyarrow.compute as pc

    try:
        array = pc.cast(text_column(column), pa.float64())
    except pa.ArrowInvalid:
        return None
    values = np.array(array.to_numpy(zero_copy_only=False), np.float64)
    # arrow reads "nan" and "inf", which no gauge shows
    spelt_out = np.isinf(values).any() or int(np.isnan(values).sum()) > array.null_count
    return None if spelt_out else values
