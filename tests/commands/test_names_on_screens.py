"""No screen calls a thing by its name in the files; titles stand there."""

from __future__ import annotations

from pathlib import Path

import pytest
from click.testing import CliRunner
from loopodds_cli.main import main
from shared_screens import raw_names

CASES = ("@low_charge_dead_fan", "@wet_loop")
CAR = "[vehicle]\nrefrigerant = 'R134a'\n{more}[readings]\nlow_side = '2 bar'\nvent = '15 degC'\n"
WITHOUT_HUMIDITY = CAR.format(more="[conditions]\nambient = '30 degC'\n")
BOOKED = ("low 2 bar", "specks none .3 metal .7", "vent 9 degC", "history", "list", "show")
SLIPS = ("low -3 bar", "low 30 bar", "low 2 bra", "repaired foo", "agree no leak dear")


def run(*words: str, typed: str = "") -> str:
    return CliRunner().invoke(main, list(words), input=typed).output


@pytest.fixture(autouse=True)
def _own_book(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("LOOPODDS_BOOK", str(tmp_path / "book.db"))


@pytest.mark.slow
@pytest.mark.parametrize("case", CASES)
def test_screens_of_a_case_call_things_by_their_titles(case: str) -> None:
    for command in ("assess", "next", "plan", "explain", "gauges", "connect"):
        text = run(command, case)
        assert len(text) > 200, command
        assert not raw_names(text, case), command


def test_remarks_and_comparison_call_a_reading_of_one_word_by_its_title(tmp_path: Path) -> None:
    (tmp_path / "a.toml").write_text(WITHOUT_HUMIDITY, encoding="utf-8")
    (tmp_path / "b.toml").write_text(
        WITHOUT_HUMIDITY.replace("[conditions]", "expansion = 'TXV'\n[conditions]"),
        encoding="utf-8",
    )
    remarks = run("assess", "a.toml")
    assert "vent temperature" in " ".join(remarks.split())
    compared = run("compare", "a.toml", "b.toml")
    assert "Expansion device: TXV" in compared
    assert not raw_names(remarks + compared, "")


def test_the_prompt_calls_things_by_their_titles_when_it_refuses_too() -> None:
    lines = ("van", "R134a", "enough", *SLIPS, "enough", *BOOKED, "undo", "quit", "")
    shown = run("case", "work", typed="\n".join(lines))
    told = " ".join(shown.split())
    assert "! Low-side pressure: '-3 bar' is below a perfect vacuum" in told
    assert "Solid specks in the sample: none 0.3, metal 0.7" in told
    assert "undone: vent temperature" in told.lower()
    assert not raw_names(shown, "")


def test_a_closed_case_names_the_verb_of_the_prompt_that_opens_it() -> None:
    lines = ("van", "R134a", "enough", "close", "not known", "low 2 bar", "quit", "")
    assert "is closed; `undo` opens it again" in run("case", "work", typed="\n".join(lines))
