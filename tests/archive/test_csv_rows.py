"""However a CSV piece is read, whole or line by line, the same rows come out."""

from __future__ import annotations

import csv
import io
from itertools import islice

import pyarrow as pa
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from loopodds.archive.chunks import Chunk
from loopodds.archive.csv_rows import CsvRows, fast_table
from loopodds.base.errors import InspectionError

COLUMNS = ("a", "b", "c")
HEADER = b"a,b,c\n"
CELL = st.text("xyz 0.5é\t'-_", max_size=4)
ANY_CELL = st.text('xé,"\n\r;', max_size=4)


def rows_of(data: bytes, size: int = 1000) -> list[Chunk]:
    """Every chunk of a file, read by the class that both ways hide behind."""
    reader = CsvRows(io.BytesIO(data), "test.csv", ",")
    chunks = list(reader.parts(size))
    assert reader.position == len(data)
    return chunks


def cells_of(tables: list[pa.Table]) -> list[list[str]]:
    """Cells of the good rows, an empty one as empty text."""
    return [[cell or "" for cell in row.values()] for table in tables for row in table.to_pylist()]


@settings(deadline=None)  # the first example loads arrow
@given(st.lists(st.lists(CELL, min_size=3, max_size=3).filter(any), max_size=12))
def test_the_fast_way_reads_what_the_careful_way_reads(rows: list[list[str]]) -> None:
    body = "".join(",".join(row) + "\n" for row in rows).encode()
    fast = fast_table(body, COLUMNS, ",") if body else None
    # one quoted row at the end makes the class read the whole piece line by line
    careful = rows_of(HEADER + body + b'"q",q,q\n')
    assert cells_of([chunk.table for chunk in careful])[:-1] == rows
    if fast is None:
        assert not body
        return
    assert cells_of([fast]) == rows


@settings(max_examples=200)
@given(st.lists(st.lists(ANY_CELL, min_size=3, max_size=3), max_size=8), st.integers(1, 5))
def test_what_the_csv_module_writes_is_read_back(rows: list[list[str]], size: int) -> None:
    text = io.StringIO()
    csv.writer(text, lineterminator="\n", quoting=csv.QUOTE_ALL).writerows(rows)
    chunks = rows_of(HEADER + text.getvalue().encode(), size)
    assert cells_of([chunk.table for chunk in chunks]) == rows
    assert sum(chunk.count for chunk in chunks) == len(rows)
    assert not any(chunk.problems for chunk in chunks)


@settings(max_examples=300)
@given(st.binary(max_size=60).map(lambda b: b.replace(b"\0", b"")), st.integers(1, 4))
def test_every_row_of_any_bytes_is_good_or_reported(body: bytes, size: int) -> None:
    for chunk in rows_of(HEADER + body, size):
        bad = [problem.row for problem in chunk.problems]
        assert sorted([*chunk.offsets.tolist(), *bad]) == list(range(chunk.count))


@given(st.binary(max_size=80).map(lambda b: b.replace(b"\0", b"")), st.integers(1, 4))
def test_reading_can_go_on_from_any_piece(body: bytes, size: int) -> None:
    data = HEADER + body
    whole = [chunk.table for chunk in rows_of(data, size)]
    before = list(islice(CsvRows(io.BytesIO(data), "test.csv", ",").parts(size), 1))
    again = CsvRows(io.BytesIO(data), "test.csv", ",")
    rest = again.parts(size, before[0].position if before else 0)
    assert cells_of([chunk.table for chunk in (*before, *rest)]) == cells_of(whole)


def test_a_line_without_end_is_no_archive(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("loopodds.archive.csv_rows.LONGEST_PIECE", 1 << 20)
    with pytest.raises(
        InspectionError, match="a line of more than 1 MB, from byte 6 on: not a CSV archive"
    ):
        rows_of(HEADER + b"x" * (3 << 20))
