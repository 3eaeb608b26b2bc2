"""Files are written whole or not at all, and a spreadsheet runs nothing that is written."""

from __future__ import annotations

import csv
import errno
import os
import re
from io import StringIO
from pathlib import Path

import pyarrow as pa
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from loopodds.base.errors import FileError
from loopodds.base.files import check_outputs, content_digest, write_whole
from loopodds.base.spreadsheets import formulas_in, safe_cell, safe_column


@pytest.mark.parametrize("fails", ["write", "fsync", "replace"])
def test_a_disk_that_is_full_leaves_the_old_file_and_names_it(
    fails: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def full(*_: object) -> None:
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    target = tmp_path / "report.html"
    target.write_text("old", encoding="utf-8")
    if fails == "write":
        monkeypatch.setattr("loopodds.base.files.write_synced", full)
    else:
        monkeypatch.setattr(*{"fsync": (os, "fsync"), "replace": (Path, "replace")}[fails], full)
    with pytest.raises(FileError, match=r"report\.html: cannot be written: No space left"):
        write_whole(target, "new")
    assert target.read_text(encoding="utf-8") == "old"
    assert list(tmp_path.iterdir()) == [target]


def test_a_name_as_long_as_the_system_allows_can_be_written(tmp_path: Path) -> None:
    target = tmp_path / ("x" * 255)
    write_whole(target, "text")
    assert target.read_text(encoding="utf-8") == "text"


def test_a_device_is_no_place_for_a_file() -> None:
    with pytest.raises(FileError, match="/dev/null: is a device, not a file"):
        check_outputs({"the report": Path("/dev/null")}, [])


def test_links_that_lead_in_a_circle_are_no_place_either(tmp_path: Path) -> None:
    (tmp_path / "a").symlink_to("b")
    (tmp_path / "b").symlink_to("a")
    with pytest.raises(FileError):
        write_whole(tmp_path / "a" / "x", "text")


def test_two_contents_have_two_digests(tmp_path: Path) -> None:
    (tmp_path / "a").write_bytes(b"x" * 5000)
    (tmp_path / "b").write_bytes(b"x" * 2500 + b"y" + b"x" * 2499)
    assert content_digest(tmp_path / "a") != content_digest(tmp_path / "b")


ALPHABET = st.text("=+-@ '\t\r\n;\"\u00a0\ufeff\x000123456789.,%eEx＝｜A(", max_size=8)


@settings(deadline=None)  # the first example imports
@given(st.lists(st.one_of(st.none(), ALPHABET), min_size=1, max_size=8))
def test_columns_and_single_cells_are_made_safe_alike(cells: list[str | None]) -> None:
    column = pa.chunked_array([pa.array(cells, pa.string())])
    assert safe_column(column).to_pylist() == [safe_cell(cell) for cell in cells]
    again = safe_column(safe_column(column)).to_pylist()
    assert again == safe_column(column).to_pylist()  # what is safe stays as it is
    assert not any(formulas_in(safe_column(column)).to_pylist())


HOSTILE = [
    "=1+1", "+1+1", "-1+1", "@SUM(A1)", "＝1+1", "－1+1x", "\t=1+1", "\r=1+1", "  =1+1",
    "\u00a0=1+1", "\ufeff=1+1", "van;=1+1", "van;@SUM(A1)", "van\t=1+1", 'van;"=1+1"', "van; ＋1+1",
    "a;b;-1+1", "van\n=1+1", "=\n1+1", "\x00=1+1", "-3.5;=1+1",
]  # fmt: skip


@pytest.mark.parametrize("text", HOSTILE)
@pytest.mark.parametrize("separator", [",", ";", "\t"])
def test_whatever_separator_a_file_is_taken_with_no_piece_is_a_formula(
    text: str, separator: str
) -> None:
    safe = safe_cell(text)
    assert safe != text
    assert safe.replace("'", "") == text  # nothing else is changed
    row = StringIO(newline="")
    csv.writer(row, lineterminator="\n").writerow(["1", safe, "2"])
    for pieces in csv.reader(StringIO(row.getvalue(), newline=""), delimiter=separator):
        for piece in pieces:
            begun = piece.strip(' "\u00a0\ufeff\x00')
            is_number = re.fullmatch(r"[+-]?[0-9.]+", begun)
            assert is_number or not begun.startswith(tuple("=+-@＝＋－＠\t\r")), repr(piece)


@pytest.mark.parametrize(
    "text", ["-3.5", "+3", "1;-3.5", "-", "a;-;b", "1,5 %", "blue van", "b=c", "a - b"]
)
def test_numbers_and_plain_words_stay_as_they_are(text: str) -> None:
    assert safe_cell(text) == text


@given(st.floats(allow_nan=False, allow_infinity=False))
def test_no_number_is_a_formula(number: float) -> None:
    for text in (repr(number), f"{number:+.3f}", f"{number:g} %"):
        assert safe_cell(text) == text
