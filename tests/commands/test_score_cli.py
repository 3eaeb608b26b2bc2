"""What ``loopodds score`` prints, writes and says on the way out."""

from __future__ import annotations

import csv
import json
import subprocess
import sys
from pathlib import Path

import pytest
from click.testing import CliRunner, Result
from invented_archives import SMALL, invented_rows, read_rows, write_archive
from loopodds_cli.main import main


def score(*arguments: object) -> Result:
    """The command in this process, over the small knowledge."""
    words = ["score", *map(str, arguments), "--knowledge", str(SMALL)]
    return CliRunner().invoke(main, words)


@pytest.fixture
def source(tmp_path: Path) -> Path:
    rows = invented_rows(60, 41)
    rows[3]["sample_specks"] = "gritty"
    return write_archive(rows, tmp_path / "in.csv")


def test_the_page_counts_rows_reasons_and_cars(source: Path, tmp_path: Path) -> None:
    result = score(source, "--out", tmp_path / "out.csv")
    assert result.exit_code == 0
    assert "60 INSPECTIONS READ" in result.stdout
    assert "59 scored, 1 set aside" in result.stdout
    assert "unknown word in sample_specks" in result.stdout
    assert "Moisture" in result.stdout
    assert max(len(line) for line in result.stdout.splitlines()) <= 80
    assert len(read_rows(tmp_path / "out.csv")) == 59
    assert read_rows(tmp_path / "out.rejects.csv")[0]["row"] == "4"


def test_numbers_under_a_name_without_a_unit_are_told_the_column_they_belong_in(
    tmp_path: Path,
) -> None:
    source = tmp_path / "in.csv"
    source.write_text("refrigerant,low_side\nR134a,2.1\nR134a,normal\nR134a,lwo\n", "utf-8")
    page = score(source, "--out", tmp_path / "out.csv").stdout
    assert "1  number without a unit (call the column low_side_bar) in low_side" in page
    assert "1  unknown word in low_side" in page
    reasons = [row["reason"] for row in read_rows(tmp_path / "out.rejects.csv")]
    assert reasons[0].startswith(
        "'2.1' is a number, but the column's name has no unit; call it low_side_bar or the like"
    )
    assert reasons[1] == "unknown state 'lwo'; did you mean 'low'?"


def test_json_holds_the_whole_summary(source: Path, tmp_path: Path) -> None:
    result = score(source, "--out", tmp_path / "o.parquet", "--review", 3, "--json")
    summary = json.loads(result.stdout)
    assert summary["rows"] == summary["scored"] + summary["rejected"] == 60
    assert set(summary["expected"]) == {"undercharge", "overcharge", "moisture", "sound"}
    assert len(summary["least_likely"]) == 10
    assert set(summary) >= {"out", "rejects", "rejected_by", "top", "review", "warnings"}


@pytest.mark.slow
def test_nothing_but_the_page_is_written_into_a_pipe(source: Path, tmp_path: Path) -> None:
    command = [sys.executable, "-c", "from loopodds_cli.main import main; main()", "score"]
    options = [str(source), "--out", str(tmp_path / "out.csv"), "--knowledge", str(SMALL)]
    done = subprocess.run([*command, *options], capture_output=True, text=True, check=True)
    assert done.stderr == ""
    assert "\x1b" not in done.stdout
    assert "60 INSPECTIONS READ" in done.stdout


def test_bad_input_is_one_line_and_wrong_use_is_two(source: Path, tmp_path: Path) -> None:
    missing = score(tmp_path / "none.csv", "--out", tmp_path / "out.csv")
    assert missing.exit_code == 1
    assert missing.stderr.count("\n") == 1
    assert "none.csv: cannot be read" in missing.stderr
    assert score(source).exit_code == 2
    assert score(source, "--out", tmp_path / "o.csv", "--workers", 0).exit_code == 2
    wrong = score(source, "--out", tmp_path / "o.csv", "--review-out", tmp_path / "list.txt")
    assert wrong.exit_code == 1
    assert "end the name of the review list in .csv or .json" in wrong.stderr
    assert not (tmp_path / "o.csv").exists()


@pytest.mark.slow
def test_the_review_list_can_be_kept_as_a_file(tmp_path: Path) -> None:
    for ending in ("csv", "json"):
        words = ["score", "@us", "--out", str(tmp_path / "out.csv"), "--review", "8", "--overwrite"]
        result = CliRunner().invoke(main, [*words, "--review-out", str(tmp_path / f"l.{ending}")])
        assert result.exit_code == 0
    listed = json.loads((tmp_path / "l.json").read_text(encoding="utf-8"))
    with (tmp_path / "l.csv").open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    assert [int(row["row"]) for row in rows] == [entry["row"] for entry in listed]
    assert len(rows) == 8
    assert all(
        entry["columns"]["order"] == row["order"] for entry, row in zip(listed, rows, strict=True)
    )
    # stopped cars first, then by what the outcome leaves out
    missed = [entry for entry in listed if entry["reason"] == "missed"]
    order = [(not entry["stops"], -entry["expected_cost"]) for entry in missed]
    assert order == sorted(order)


def test_a_demo_archive_says_that_it_is_invented(tmp_path: Path) -> None:
    result = CliRunner().invoke(main, ["score", "@metric", "--out", str(tmp_path / "out.csv")])
    assert result.exit_code == 0
    assert "invented" in result.stdout
    assert "no evidence of its accuracy" in " ".join(result.stdout.split())
    unknown = CliRunner().invoke(main, ["score", "@metrik", "--out", str(tmp_path / "out.csv")])
    assert unknown.exit_code == 1
    assert "unknown demo archive 'metrik'; did you mean 'metric'?" in unknown.stderr
