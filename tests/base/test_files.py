"""Files are written whole or not at all, and a spreadsheet runs nothing that is written."""

from __future__ import annotations

import errno
import os
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


ALPHABET = st.text("=+-@ '\t\r\n0123456789.,%eEx＝｜A(", max_size=8)


@settings(deadline=None)  # the first example imports
@given(st.lists(st.one_of(st.none(), ALPHABET), min_size=1, max_size=8))
def test_columns_and_single_cells_are_made_safe_alike(cells: list[str | None]) -> None:
    column = pa.chunked_array([pa.array(cells, pa.string())])
    assert safe_column(column).to_pylist() == [safe_cell(cell) for cell in cells]
    again = safe_column(safe_column(column)).to_pylist()
    assert again == safe_column(column).to_pylist()  # what is safe stays as it is
    assert not any(formulas_in(safe_column(column)).to_pylist())


@given(st.floats(allow_nan=False, allow_infinity=False))
def test_no_number_is_a_formula(number: float) -> None:
    for text in (repr(number), f"{number:+.3f}", f"{number:g} %"):
        assert safe_cell(text) == text
