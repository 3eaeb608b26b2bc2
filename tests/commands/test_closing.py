"""Closing a case in doubt: at a terminal the person chooses, elsewhere it has to be said."""

from __future__ import annotations

import json
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest
from click.testing import CliRunner, Result
from loopodds_cli.book.closing import ANEW, AS_IT_CAME, KEEP_OPEN, LEAVE_OUT, SINCE
from loopodds_cli.main import main

EMPTY = (
    "refrigerant=R134a", "setting=complaint", "cooling=none", "ambient=25 degC",
    "identification=as_labelled", "static_pressure=0.3 bar",
)  # fmt: skip


@pytest.fixture(autouse=True)
def _empty_loop(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("LOOPODDS_BOOK", str(tmp_path / "book.db"))
    assert call("open", *EMPTY).exit_code == 0


@pytest.fixture
def terminal(monkeypatch: pytest.MonkeyPatch) -> None:
    there = SimpleNamespace(stdin=SimpleNamespace(isatty=lambda: True))
    monkeypatch.setattr("loopodds_cli.commands.case.sys", there)


def call(*words: str, typed: str = "") -> Result:
    return CliRunner().invoke(main, ["case", *words], input=typed)


def shown() -> dict[str, Any]:
    content: dict[str, Any] = json.loads(call("show", "1", "--json").output)
    return content


def archived() -> str:
    call("export", "--archive", "closed.csv")
    return Path("closed.csv").read_text(encoding="utf-8")


def test_without_a_terminal_the_contradiction_is_named_and_nothing_recorded() -> None:
    refused = call("close", "1", "--confirmed", "sound")
    assert refused.exit_code == 1
    assert "goes against what was seen of the car as it came" in refused.stderr
    assert "charge right" in refused.stderr
    assert "--as-it-came" in refused.stderr
    assert not shown()["closed"]
    assert call("close", "1", "--confirmed", "sound", "--as-it-came").exit_code == 0
    assert shown()["closed"]


@pytest.mark.usefixtures("terminal")
def test_at_a_terminal_the_choices_are_numbered() -> None:
    result = call("close", "1", "--confirmed", "sound", typed="5\n")
    for place, choice in enumerate((AS_IT_CAME, SINCE, LEAVE_OUT, ANEW, KEEP_OPEN), start=1):
        assert f"  {place} {choice}\n" in result.output
    assert result.exit_code == 1
    assert not shown()["closed"]


@pytest.mark.usefixtures("terminal")
def test_what_is_true_only_since_the_repair_is_no_outcome_of_the_car_as_it_came() -> None:
    assert call("close", "1", "--confirmed", "sound", typed="2\n").exit_code == 0
    assert shown()["closed"]
    assert "confirmed" not in archived()


@pytest.mark.usefixtures("terminal")
def test_what_goes_against_it_is_left_out_and_the_rest_stands() -> None:
    words = ("--confirmed", "charge=right", "--confirmed", "moisture=absent")
    assert call("close", "1", *words, typed="3\n").exit_code == 0
    text = archived()
    assert "confirmed_moisture" in text
    assert "confirmed_charge" not in text


@pytest.mark.usefixtures("terminal")
def test_it_may_be_typed_anew_and_one_undo_takes_it_all_back() -> None:
    result = call("close", "1", "--confirmed", "sound", typed="4\ncharge=very_low\n")
    assert result.exit_code == 0, result.output
    assert "confirmed_charge" in archived()
    assert call("undo", "1").exit_code == 0
    assert not shown()["closed"]
    assert "confirmed" not in call("show", "1").output


@pytest.mark.usefixtures("terminal")
def test_a_repaired_car_called_sound_is_asked_which_is_meant() -> None:
    call("open", "refrigerant=R134a")
    call("repaired", "2", "dry_the_loop")
    result = call("close", "2", "--confirmed", "sound", typed="2\n")
    assert "or since then?" in result.output
    assert f"  3 {ANEW}\n" in result.output
    assert result.exit_code == 0
    assert "confirmed" not in archived()
