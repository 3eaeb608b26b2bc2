"""However a CSV piece is read, whole or line by line, the same rows come out."""

from __future__ import annotations

import csv
import io

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from loopodds.archive.csv_rows import CsvPiece, CsvRows, fast_piece
from loopodds.base.errors import InspectionError

COLUMNS = ("a", "b", "c")
HEADER = b"a,b,c\n"
CELL = st.text("xyz 0.5é\t'-_", max_size=4)
ANY_CELL = st.text('xé,"\n\r;', max_size=4)


def rows_of(data: bytes, size: int = 1000) -> list[CsvPiece]:
    """Every piece of a stream, read by the class that both ways hide behind."""
    reader = CsvRows(io.BytesIO(data), "test.csv", ",")
    pieces = []
    while (piece := reader.take(size)) is not None:
        pieces.append(piece)
    assert reader.position == len(data)
    return pieces


def cells_of(pieces: list[CsvPiece]) -> list[list[str]]:
    """Cells of the good rows, an empty one as empty text."""
    return [[cell or "" for cell in row.values()] for p in pieces for row in p.table.to_pylist()]


@given(st.lists(st.lists(CELL, min_size=3, max_size=3).filter(any), max_size=12))
def test_the_fast_way_reads_what_the_careful_way_reads(rows: list[list[str]]) -> None:
    body = "".join(",".join(row) + "\n" for row in rows).encode()
    fast = fast_piece(body, COLUMNS, ",") if body else None
    # one quoted row at the end makes the class read the whole piece line by line
    careful = rows_of(HEADER + body + b'"q",q,q\n')
    assert cells_of(careful)[:-1] == rows
    if fast is None:
        assert not body
        return
    assert cells_of([fast]) == rows
    assert np.array_equal(fast.offsets, np.arange(len(rows)))


@settings(max_examples=200)
@given(st.lists(st.lists(ANY_CELL, min_size=3, max_size=3), max_size=8), st.integers(1, 5))
def test_what_the_csv_module_writes_is_read_back(rows: list[list[str]], size: int) -> None:
    text = io.StringIO()
    csv.writer(text, lineterminator="\n", quoting=csv.QUOTE_ALL).writerows(rows)
    pieces = rows_of(HEADER + text.getvalue().encode(), size)
    assert cells_of(pieces) == rows
    assert sum(piece.count for piece in pieces) == len(rows)
    assert not any(piece.problems for piece in pieces)


@settings(max_examples=300)
@given(st.binary(max_size=60).map(lambda b: b.replace(b"\0", b"")), st.integers(1, 4))
def test_every_row_of_any_bytes_is_good_or_reported(body: bytes, size: int) -> None:
    pieces = rows_of(HEADER + body, size)
    for piece in pieces:
        bad = [problem.row for problem in piece.problems]
        assert sorted([*piece.offsets.tolist(), *bad]) == list(range(piece.count))


@given(st.binary(max_size=80).map(lambda b: b.replace(b"\0", b"")), st.integers(1, 4))
def test_reading_can_go_on_from_any_piece(body: bytes, size: int) -> None:
    data = HEADER + body
    reader = CsvRows(io.BytesIO(data), "test.csv", ",")
    whole = cells_of(rows_of(data, size))
    before = reader.take(size)
    again = CsvRows(io.BytesIO(data), "test.csv", ",")
    again.skip_to(reader.position)
    rest = []
    while (piece := again.take(size)) is not None:
        rest.append(piece)
    assert cells_of([before, *rest] if before is not None else rest) == whole


def test_a_line_without_end_is_no_archive(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("loopodds.archive.csv_rows.LONGEST_PIECE", 1 << 20)
    with pytest.raises(InspectionError, match="a line of more than 1 MB: not a CSV archive"):
        rows_of(HEADER + b"x" * (3 << 20))
