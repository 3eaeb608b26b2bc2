"""Two states of a case beside each other: told, moved, advised."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from click.testing import CliRunner, Result
from loopodds.casebook.book import CaseBook
from loopodds.casebook.work import Casework
from loopodds_cli.main import main
from shared import shipped

CAR = [("refrigerant", "R134a"), ("setting", "complaint")]


@pytest.fixture(scope="module")
def book(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("compare") / "book.db"
    with CaseBook(path) as opened:
        work = Casework(opened, shipped(), who="Kim")
        work.open("van", CAR)
        work.record(1, [("cooling", "weak")])
        work.record(1, [("low_side", "0.5 bar")])
        work.record(1, [("sealant_check", "positive")])
        work.record(1, [("cooling", "none")])
    return path


def run(book: Path, *words: str) -> Result:
    return CliRunner().invoke(main, ["compare", *words], env={"LOOPODDS_BOOK": str(book)})


@pytest.fixture(scope="module")
def whole(book: Path) -> dict:
    return json.loads(run(book, "1", "first", "last", "--json").output)


def test_what_was_told_between_two_moments_is_all_that_was_told(whole: dict) -> None:
    told = {one["name"]: (one["before"], one["after"]) for one in whole["told"]}
    assert told["low_side"] == ("", "0.5 bar")
    assert told["cooling"] == ("", "none")
    assert told["sealant_check"] == ("", "positive")
    assert told.keys() == {"refrigerant", "setting", "cooling", "low_side", "sealant_check"}
    assert len(whole["steps"]) == 6  # the cooling was told twice


def test_what_moved_is_the_difference_of_what_was_stored(whole: dict, book: Path) -> None:
    with CaseBook(book, write=False) as opened:
        events = opened.events(1)
    first, last = events[0].posterior.chances(), events[-1].posterior.chances()
    for one in whole["moved"]:
        assert one["before"] == pytest.approx(first[one["name"]], abs=1e-9)
        assert one["after"] == pytest.approx(last[one["name"]], abs=1e-9)
        assert one["after_low"] <= one["after"] <= one["after_high"]
    untold = last.keys() - {one["name"] for one in whole["moved"]}
    assert all(abs(last[name] - first[name]) < 0.01 for name in untold)
    apart = [abs(one["after"] - one["before"]) for one in whole["moved"]]
    assert apart == sorted(apart, reverse=True)


def test_advice_that_changed_is_told_with_both_sides(whole: dict) -> None:
    advice = {one["what"]: one for one in whole["advice"]}
    assert "leak_stop" in advice["stops"]["after"]
    assert "leak_stop" not in advice["stops"]["before"]


def test_a_state_differs_in_nothing_from_itself(book: Path) -> None:
    found = run(book, "1", "last", "last")
    assert "nothing differs" in found.output
    plain = json.loads(run(book, "1", "6", "last", "--json").output)
    assert plain["told"][0]["before"] == "weak"


def test_the_page_fits_and_names_things_by_their_titles(book: Path) -> None:
    found = run(book, "1", "first", "last")
    assert found.exit_code == 0
    assert "Leak-stop check: positive" in found.output
    assert "sealant_check" not in found.output
    assert max(map(len, found.output.splitlines())) <= 80


def test_two_case_files_are_compared_too(tmp_path: Path) -> None:
    for name, word in (("before", "weak"), ("after", "none")):
        text = f"[findings]\ncooling = '{word}'\n"
        (tmp_path / f"{name}.toml").write_text(text, encoding="utf-8")
    words = [str(tmp_path / f"{name}.toml") for name in ("before", "after")]
    assert "Cooling in the driver's words: weak -> none" in run(tmp_path, *words).output


@pytest.mark.parametrize(
    ("words", "message", "code"),
    [
        (("1", "first", "99"), "case 1 has events 1 to", 1),
        (("1", "first", "soon"), "'soon' names no moment of a case: say a position", 1),
        (("1", "repair", "last"), "nothing was repaired on it", 1),
        (("1", "2001-01-01", "last"), "was opened after 2001-01-01", 1),
        (("1",), "give the number of a case and two moments of it, or two cases", 2),
        (("@wet_loop", "first", "last"), "give the number of a case", 2),
    ],
)
def test_a_moment_that_is_none_is_refused_by_name(
    book: Path, words: tuple[str, ...], message: str, code: int
) -> None:
    found = run(book, *words)
    assert message in found.output
    assert found.exit_code == code
