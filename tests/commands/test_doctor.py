"""``loopodds doctor`` finds what is wrong with an install, and only that."""

from __future__ import annotations

import json
import shutil
import sqlite3
from collections import namedtuple
from importlib import metadata, resources
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner, Result
from loopodds_cli import health
from loopodds_cli.main import main


def run(*arguments: str) -> Result:
    return CliRunner().invoke(main, list(arguments), prog_name="loopodds")


def told(*arguments: str) -> tuple[int, dict[str, dict[str, Any]]]:
    """Exit code, and each check by its name."""
    result = run("doctor", "--json", *arguments)
    data = json.loads(result.output)
    assert data["well"] == (result.exit_code == 0)
    return result.exit_code, {check["name"]: check for check in data["checks"]}


@pytest.fixture
def book(tmp_path: Path) -> str:
    path = str(tmp_path / "cases.db")
    assert run("case", "open", "--name", "van", "refrigerant=R134a", "--book", path).exit_code == 0
    return path


@pytest.mark.slow
def test_all_is_well_here_and_the_answer_stored_is_the_one_worked_out(book: str) -> None:
    code, checks = told("--book", book)
    assert code == 0
    assert list(checks) == ["libraries", "knowledge", "case book", "disk", "self-check"]
    assert "events, file and chain sound" in checks["case book"]["says"]
    assert checks["libraries"]["details"]["numpy"] == metadata.version("numpy")
    assert float(checks["self-check"]["says"].split()[-1]) <= 1e-9
    page = run("doctor", "--book", book).output
    assert page.startswith(" All well")
    assert max(map(len, page.splitlines())) <= 80


@pytest.mark.slow
def test_a_book_that_is_not_there_yet_is_no_fault_and_is_not_made(tmp_path: Path) -> None:
    path = tmp_path / "new" / "cases.db"
    assert told("--book", str(path))[0] == 0
    assert not path.parent.exists()


@pytest.mark.slow
def test_a_changed_event_breaks_the_chain(book: str) -> None:
    with sqlite3.connect(book) as file:
        for (trigger,) in file.execute("SELECT name FROM sqlite_master WHERE type='trigger'"):
            file.execute(f"DROP TRIGGER {trigger}")
        file.execute("UPDATE events SET content = replace(content, 'R134a', 'R1234yf')")
    code, checks = told("--book", book)
    assert code == 1
    assert [name for name, check in checks.items() if not check["well"]] == ["case book"]


@pytest.mark.slow
def test_a_file_that_is_no_book_is_told_and_the_other_checks_are_made(tmp_path: Path) -> None:
    path = tmp_path / "cases.db"
    path.write_text("not a book at all, and longer than nothing", encoding="utf-8")
    code, checks = told("--book", str(path))
    assert code == 1
    assert [name for name, check in checks.items() if not check["well"]] == ["case book"]


@pytest.mark.slow
def test_knowledge_that_fails_its_checks_is_told_with_the_first_slip(tmp_path: Path) -> None:
    folder = tmp_path / "mine"
    shutil.copytree(Path(str(resources.files("loopodds_data"))), folder)
    faults = folder / "faults.toml"
    faults.write_text(faults.read_text("utf-8").replace("[moisture]", "[moistur]", 1), "utf-8")
    code, checks = told("--knowledge", str(folder), "--book", str(tmp_path / "cases.db"))
    assert code == 1
    assert not checks["knowledge"]["well"]
    assert "moistur" in checks["knowledge"]["says"]
    assert checks["self-check"]["well"]  # which is of the shipped knowledge


@pytest.mark.parametrize(
    ("field", "value", "says"),
    [
        ("knowledge", "0123456789abcdef", "files were changed"),
        ("probabilities", {"sound": 0.5}, "other conditions"),
    ],
)
def test_another_answer_than_the_stored_one_is_not_well(
    field: str, value: object, says: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    stored = json.loads(health.answer_file().read_text("utf-8"))
    (tmp_path / "other.json").write_text(json.dumps({**stored, field: value}), "utf-8")
    monkeypatch.setattr(health, "answer_file", lambda: tmp_path / "other.json")
    check = health.self_check()
    assert not check.well
    assert says in check.says


def test_a_probability_that_moved_is_not_well(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    stored = json.loads(health.answer_file().read_text("utf-8"))
    stored["probabilities"]["moisture"] -= 1e-6
    (tmp_path / "other.json").write_text(json.dumps(stored), "utf-8")
    monkeypatch.setattr(health, "answer_file", lambda: tmp_path / "other.json")
    assert not health.self_check().well


@pytest.mark.slow
def test_a_missing_library_a_full_disk_and_a_locked_folder_are_told(
    book: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(metadata, "requires", lambda name: ["numpy>=1", "no-such-library>=2"])
    usage = namedtuple("usage", "total used free")
    monkeypatch.setattr(shutil, "disk_usage", lambda folder: usage(10**9, 10**9 - 5000, 5000))
    code, checks = told("--book", book)
    assert code == 1
    assert checks["libraries"]["says"] == "not installed: no-such-library"
    assert "may not be written whole" in checks["disk"]["says"]
    monkeypatch.setattr(health.os, "access", lambda path, mode: mode != health.os.W_OK)
    assert "cannot be written to" in told("--book", book)[1]["disk"]["says"]
