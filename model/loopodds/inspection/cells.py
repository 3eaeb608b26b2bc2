"""Cells of an archive turned into the columns of an inspection batch, with what is wrong in them.

Nothing here loops over rows that are right: text is coded by its distinct values, numbers are
converted whole. Only cells that cannot be read are visited one by one.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np

from loopodds.base.arrays import BoolArray, FloatArray, IntArray
from loopodds.inspection.columns import ColumnPlan, Feed
from loopodds.inspection.inspection import InspectionBatch
from loopodds.inspection.remarks import LIMITS, impossible_readings
from loopodds.inspection.vocabulary import unknown_word
from loopodds.knowledge.records import Knowledge

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

_NOT_OBSERVED, _UNKNOWN, _UNITLESS = -1, -2, -3


class Defect(NamedTuple):
    """What is wrong with one cell or row of an archive.

    Attributes
    ----------
    row : int
        Row of the table, or of the chunk, that it was found in.
    column : str
        As the archive calls it; empty when the whole row is meant.
    value : str
        The cell, safe to print.
    kind : str
        In a few words, for counting.
    reason : str
        What is wrong and what could stand there.
    """

    row: int
    column: str
    value: str
    kind: str
    reason: str


def shown(text: str) -> str:
    """Text on one line, control characters written out, cut where it is long.

    Examples
    --------
    >>> shown("a\\tb")
    'a\\\\tb'
    """
    cut = text if len(text) <= LONGEST_SHOWN else f"{text[:LONGEST_SHOWN]}..."
    return CONTROL.sub(lambda match: repr(match[0])[1:-1], cut)


@dataclass(slots=True, eq=False)
class _Found:
    """What has been read so far."""

    codes: dict[str, IntArray] = field(default_factory=dict)
    choices: dict[str, IntArray] = field(default_factory=dict)
    confirmed: dict[str, BoolArray] = field(default_factory=dict)
    readings: dict[str, FloatArray] = field(default_factory=dict)
    numbers: dict[str, FloatArray] = field(default_factory=dict)
    problems: list[Defect] = field(default_factory=list)


def read_cells(
    table: pa.Table, plan: ColumnPlan, knowledge: Knowledge
) -> tuple[InspectionBatch, list[Defect]]:
    """Batch of all rows of a table, and every cell in it that cannot be used.

    Parameters
    ----------
    table : pyarrow.Table
        With at least the columns that feed the plan; text or typed.
    plan : ColumnPlan
    knowledge : Knowledge

    Returns
    -------
    InspectionBatch
        One row for each of the table; a cell with a problem counts as not observed.
    list of Defect
        In the order of the plan, impossible values last.
    """
    found = _Found()
    # gauge pressures count from the atmosphere at the altitude, so that comes first
    for feed in sorted(plan.feeds, key=lambda feed: feed.name != "altitude_m"):
        column = table.column(feed.column)
        if feed.unit is None:
            _read_words(column, feed, plan, found)
        else:
            _read_numbers(column, feed, plan, found)
    batch = InspectionBatch(
        table.num_rows,
        codes=found.codes,
        confirmed=found.confirmed,
        readings=found.readings,
        choices=found.choices,
        numbers=found.numbers,
    )
    order = {column: index for index, column in enumerate(plan.columns)}
    problems = sorted(found.problems, key=lambda problem: order[problem.column])
    return batch, problems + _impossible(batch, table, plan, knowledge)


def _impossible(
    batch: InspectionBatch, table: pa.Table, plan: ColumnPlan, knowledge: Knowledge
) -> list[Defect]:
    problems = []
    for bad in impossible_readings(batch, knowledge):
        filled = ((c, cell_text(table, c, bad.row)) for c in plan.columns_of(bad.column))
        column, value = next(((c, v) for c, v in filled if v), (bad.column, f"{bad.value:g}"))
        problems.append(Defect(bad.row, column, value, IMPOSSIBLE, bad.reason))
    return problems


def cell_text(table: pa.Table, column: str, row: int) -> str:
    """One cell as text that is safe to print and not too long."""
    value = table.column(column)[row].as_py()
    return shown("" if value is None else str(value))


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


def _coded(column: pa.ChunkedArray, meaning: Callable[[str], Any]) -> tuple[IntArray, list[Any]]:
    """Index of each cell into its distinct texts (last: empty), and what each text means."""
    import pyarrow as pa

    coded = text_column(column)
    if not pa.types.is_dictionary(coded.type):
        coded = coded.dictionary_encode(null_encoding="encode")
    texts = coded.dictionary.to_pylist()
    index = coded.indices
    if index.null_count:
        index = index.fill_null(len(texts))
    meanings = [meaning("" if text is None else text.strip()) for text in (*texts, "")]
    return index.to_numpy(zero_copy_only=False), meanings


def _said(text: str, feed: Feed, plan: ColumnPlan) -> str:
    """Our word for a stripped cell; empty is not observed."""
    if not text or text in plan.not_observed:
        return ""
    return feed.values.get(text, text if feed.others is None else feed.others)


def _read_words(column: pa.ChunkedArray, feed: Feed, plan: ColumnPlan, found: _Found) -> None:
    codes_of = {"": _NOT_OBSERVED, **{word: code for code, word in enumerate(feed.options)}}

    def code_of(text: str) -> int:
        said = _said(text, feed, plan)
        unitless = feed.with_unit and _looks_a_number(said)
        return codes_of.get(said, _UNITLESS if unitless else _UNKNOWN)

    index, meanings = _coded(column, code_of)
    codes = np.array(meanings, np.int8)[index]
    for code, kind in ((_UNKNOWN, UNKNOWN_WORD), (_UNITLESS, NO_UNIT.format(feed.with_unit))):
        wrong = np.flatnonzero(codes == code)
        if len(wrong):
            codes[wrong] = _NOT_OBSERVED
            _complain(wrong, column, feed, kind, lambda text: _word_reason(text, feed), found)
    if codes.max(initial=-1) < 0:
        return
    if feed.kind == "confirmed":
        _add_outcome(codes, column, feed, found)
        return
    target = found.choices if feed.kind == "choice" else found.codes
    before = target.get(feed.name)
    if before is None:
        target[feed.name] = codes
        return
    differ = np.flatnonzero((before >= 0) & (codes >= 0) & (before != codes))
    _given_twice(differ, column, feed, found)
    target[feed.name] = np.where(before >= 0, before, codes)


def _complain(
    rows: IntArray,
    column: pa.ChunkedArray,
    feed: Feed,
    kind: str,
    reason: Callable[[str], str],
    found: _Found,
) -> None:
    texts = ["" if text is None else str(text) for text in column.take(rows).to_pylist()]
    reasons = {text: reason(text.strip()) for text in set(texts)}
    found.problems += [
        Defect(row, feed.column, shown(text), kind, reasons[text])
        for row, text in zip(rows.tolist(), texts, strict=True)
    ]


def _word_reason(text: str, feed: Feed) -> str:
    kind = feed.case_name.replace("_", " ") if feed.kind == "choice" else "state"
    if feed.with_unit and _looks_a_number(text):
        return (
            f"{shown(text)!r} is a number, but the column's name has no unit; call it "
            f"{feed.with_unit} or the like; words known: {', '.join(feed.options)}"
        )
    hint = unknown_word(text, feed.name, [*feed.values, *feed.options])
    return f"unknown {kind} {shown(text)!r}; {hint}"


def _looks_a_number(text: str) -> bool:
    return NUMBER.fullmatch(text.replace(",", ".")) is not None


def _given_twice(rows: IntArray, column: pa.ChunkedArray, feed: Feed, found: _Found) -> None:
    if len(rows):
        reason = f"another column says something else about {feed.case_name}; keep one of them"
        _complain(rows, column, feed, GIVEN_TWICE, lambda _: reason, found)


def _add_outcome(codes: IntArray, column: pa.ChunkedArray, feed: Feed, found: _Found) -> None:
    """States that remain possible; what other columns say of the same fault narrows them."""
    masks = np.array([*feed.states, [True] * len(feed.states[0])])
    possible = masks[codes]
    before = found.confirmed.get(feed.name)
    if before is not None:
        both = before & possible
        clash = ~both.any(axis=1)
        _given_twice(np.flatnonzero(clash), column, feed, found)
        possible = np.where(clash[:, None], before, both)
    found.confirmed[feed.name] = possible


def _read_numbers(column: pa.ChunkedArray, feed: Feed, plan: ColumnPlan, found: _Found) -> None:
    values = _typed(column)
    if values is None:
        values = _whole_text(column, feed, plan)
    if values is None:
        index, meanings = _coded(column, lambda text: _number(_said(text, feed, plan), plan))
        values = np.array(meanings)[index]
    wrong = np.flatnonzero(np.isinf(values))
    if len(wrong):
        values = np.where(np.isinf(values), np.nan, values)
        reason = f"not a finite number; write it with the decimal mark {plan.decimal!r} and no unit"
        _complain(wrong, column, feed, NOT_A_NUMBER, lambda _: reason, found)
    if np.isnan(values).all():
        return
    values = _internal(values, feed, found)
    target = found.readings if feed.kind == "reading" else found.numbers
    before = target.get(feed.name)
    if before is not None:
        apart = np.abs(values - before) > AGREE * np.maximum(np.abs(before), 1.0)
        _given_twice(np.flatnonzero(apart), column, feed, found)
        values = np.where(np.isnan(before), values, before)
    target[feed.name] = values


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
    values = pc.cast(column, pa.float64(), safe=False).to_numpy()
    return np.array(values, np.float64)


def _whole_text(column: pa.ChunkedArray, feed: Feed, plan: ColumnPlan) -> FloatArray | None:
    """Values of a text column in one go; None when some cell needs a closer look."""
    import pyarrow as pa
    import pyarrow.compute as pc

    if feed.values or plan.not_observed or plan.decimal != ".":
        return None
    try:
        array = pc.cast(text_column(column), pa.float64())
    except pa.ArrowInvalid:
        return None
    values = np.array(array.to_numpy(zero_copy_only=False), np.float64)
    # arrow reads "nan" and "inf", which no gauge shows
    spelt_out = np.isinf(values).any() or int(np.isnan(values).sum()) > array.null_count
    return None if spelt_out else values


def _number(text: str, plan: ColumnPlan) -> float:
    """Value of a stripped cell: NaN when empty, infinite when it is no finite number."""
    if not text:
        return np.nan
    if plan.decimal == ",":
        text = text.replace(".", "x").replace(",", ".")
    return float(text) if NUMBER.fullmatch(text) else np.inf


def _internal(values: FloatArray, feed: Feed, found: _Found) -> FloatArray:
    """Values in the internal unit; an altitude that cannot be counts as sea level here."""
    assert feed.unit is not None
    low, high, _ = LIMITS["altitude_m"]
    altitude = found.numbers.get("altitude_m", np.zeros(1))
    known = np.where((altitude >= low) & (altitude <= high), altitude, 0.0)
    return feed.unit.to_internal(values, known)
