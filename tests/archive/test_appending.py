"""A grown archive joins its scored rows: only new parts are scored, the file is as if all were."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import loopodds as lo
import pytest
from invented_archives import SMALL, changed_knowledge, invented_rows, write_archive

PART = 16
HOW: dict[str, Any] = {"knowledge": SMALL, "part_rows": PART}


def rows_of(count: int) -> list[dict[str, str]]:
    rows = invented_rows(200, 3)[:count]
    rows[7]["sample_bubbles"] = "yes"  # set aside
    rows[60]["remark"] = 'a "quoted", one\nwith lines'
    return rows


def added(source: Path, out: Path, **how: Any) -> lo.Summary:
    summary = lo.score(source, out, append=True, **{**HOW, **how})
    assert isinstance(summary, lo.Summary)
    return summary


@pytest.mark.parametrize("ending", [".csv", ".csv.gz", ".parquet"])
def test_what_is_added_gives_the_bytes_of_scoring_all_anew(ending: str, tmp_path: Path) -> None:
    source, out, whole = (tmp_path / f"{name}{ending}" for name in ("in", "out", "whole"))
    for count in (100, 130, 200):
        write_archive(rows_of(count), source)
        before = added(source, out)
        anew = lo.score(source, whole, overwrite=True, **HOW)
        assert isinstance(anew, lo.Summary)
        assert out.read_bytes() == whole.read_bytes()
        assert before.tally == anew.tally
        aside = [tmp_path / f"{name}.rejects.csv" for name in ("out", "whole")]
        assert aside[0].read_bytes() == aside[1].read_bytes()
    # only the part that was not full is scored again
    assert before.kept >= 130 - PART
    assert not before.warnings


def test_an_old_row_that_changed_is_told_and_scored_again(tmp_path: Path) -> None:
    source, out = tmp_path / "in.csv", tmp_path / "out.csv"
    rows = rows_of(100)
    write_archive(rows, source)
    added(source, out)
    rows[20]["sample_specks"] = "metal" if rows[20]["sample_specks"] != "metal" else "none"
    write_archive([*rows, *rows_of(110)[100:]], source)
    summary = added(source, out)
    assert "1 row is not as when scored before" in summary.warnings[0]
    assert "row 21" in summary.warnings[0]
    lo.score(source, tmp_path / "whole.csv", **HOW)
    assert out.read_bytes() == (tmp_path / "whole.csv").read_bytes()
    write_archive(rows[:50], source)
    assert "60 rows that were scored before are gone" in added(source, out).warnings[-1]


def test_nothing_is_added_to_what_was_made_otherwise(tmp_path: Path) -> None:
    source, out = write_archive(rows_of(80), tmp_path / "in.csv"), tmp_path / "out.csv"
    lo.score(source, out, **HOW)
    with pytest.raises(lo.InspectionError, match="was not written with append") as caught:
        added(source, out)
    assert caught.value.remedy == "append anew"
    added(source, out, overwrite=True)
    other = changed_knowledge(tmp_path / "other", faults=lambda text: text.replace("0.7,", "0.70,"))
    with pytest.raises(lo.InspectionError, match="cannot be added to, since the knowledge changed"):
        added(source, out, knowledge=other)
    out.write_bytes(out.read_bytes().replace(b"T000001", b"T000009"))
    with pytest.raises(lo.InspectionError, match="is not as it was written"):
        added(source, out)
    assert not out.with_name("out.csv.partial").exists()
    added(source, out, overwrite=True)
