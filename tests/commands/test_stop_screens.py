"""Stops and cautions on every screen: a stop stands first, a caution once and where it belongs."""

from __future__ import annotations

import json
import re
from copy import copy
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner, Result
from loopodds.advice.assessment import assess
from loopodds.casebook.sources import read_case
from loopodds_cli.commands.help import topics
from loopodds_cli.main import main
from shared import PAGES, assessed, page, shipped
from shared_screens import faults_of, raw_names

STOPPED = [
    "universal_oil_electric", "seized_compressor", "found_open", "at_the_limit", "nearly_empty",
    "burning_gas", "leak_stop_car", "solvent_left", "after_a_bump",
]  # fmt: skip
"""Shipped cases that between them show every kind of stop."""
ELECTRIC = "[vehicle]\ncompressor = 'electric'\n"


@pytest.fixture(autouse=True)
def _own_book(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("LOOPODDS_BOOK", str(tmp_path / "book.db"))


def run(*words: str, typed: str = "") -> Result:
    return CliRunner().invoke(main, list(words), input=typed)


def told(*words: str) -> dict[str, Any]:
    result = run(*words, "--json")
    content: dict[str, Any] = json.loads(result.stdout)
    return content


def flat(text: str) -> str:
    """Words of a page, without marks and line ends."""
    return " ".join(re.sub(r"[┃#]", " ", text).split())


@pytest.mark.parametrize("name", STOPPED)
def test_a_stop_comes_first_on_every_page_and_fits_it(name: str) -> None:
    stops = assessed(f"@{name}").stops
    assert stops
    for command in ("assess", "next", "plan"):
        text = page(command, f"@{name}")
        assert flat(text).startswith(f"STOP: {stops[0].title.upper()} ")
        assert not faults_of(command, f"@{name}", text)
        for stop in stops:
            # each is said once, with what brought it about and who may lift it
            assert flat(text).count(stop.reason) == 1
            assert f"because: {'; '.join(stop.because)}" in flat(text)
            assert f"({stop.who})" in flat(text)


@pytest.mark.parametrize("name", STOPPED)
def test_every_page_names_the_same_test_to_do_first(name: str) -> None:
    result = assessed(f"@{name}")
    plan = flat(page("plan", f"@{name}"))
    first = [result.knowledge.tests[test].title.upper() for test in result.to_test[:1]]
    assert ("TEST FIRST" in plan) == bool(first)
    for title in first:
        assert f"TEST FIRST: {title}" in plan
        assert title in flat(page("next", f"@{name}"))


@pytest.mark.parametrize("name", STOPPED[1:4])
def test_a_screen_of_60_columns_has_no_ribbons(name: str, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("COLUMNS", "60")
    for command in ("assess", "next", "plan"):
        text = page.__wrapped__(command, f"@{name}")
        assert not faults_of(command, f"@{name}", text, 60)


def test_many_stops_at_once_leave_room_for_the_answer(capsys: pytest.CaptureFixture[str]) -> None:
    result = copy(assessed("@seized_compressor"))
    every = [stop for name in STOPPED for stop in assessed(f"@{name}").stops]
    several = tuple({stop.name: stop for stop in every}.values())
    assert len(several) >= 7
    result.shop = copy(result.shop)
    result.shop.stops = several
    for command, put in PAGES.items():
        put(result)
        text = capsys.readouterr().out
        assert not faults_of(command, result.case, text)
        assert all(f"because: {'; '.join(stop.because)}" in flat(text) for stop in several)


@pytest.mark.parametrize("name", ["leak_stop_car", "wet_loop"])
def test_a_brief_page_is_the_first_screen_with_the_cautions_of_its_step(name: str) -> None:
    for command in ("assess", "next", "plan"):
        brief, whole = run(command, f"@{name}", "--brief").output, page(command, f"@{name}")
        assert len(brief.splitlines()) < len(whole.splitlines())
        assert not faults_of(command, f"@{name}", brief)
        assert flat(brief.split("\n\n")[0]) == flat(whole.split("\n\n")[0])
    result = assessed(f"@{name}")
    step = result.beware_of(result.to_test[:1])
    told = flat(run("next", f"@{name}", "--brief").output)
    assert all(flat(text) in told for text in step.here)


def test_explaining_and_json_of_every_command_name_the_stops() -> None:
    names = [stop.name for stop in assessed("@burning_gas").stops]
    for command in ("assess", "next", "plan", "explain", "connect"):
        assert [stop["name"] for stop in told(command, "@burning_gas")["stops"]] == names
    shown = run("explain", "@burning_gas").output
    assert flat(shown).startswith("STOP: NOT THE GAS")
    assert not raw_names(shown, "@burning_gas")


def test_a_car_without_a_stop_has_none_on_its_pages() -> None:
    for command in ("assess", "next", "plan"):
        assert "STOP:" not in page(command, "@routine_sound")
    assert told("connect", "@routine_sound")["stops"] == []


@pytest.mark.parametrize(
    ("name", "answer", "code"),
    [("routine_sound", "yes", 0), ("leak_stop_car", "filtered", 3), ("burning_gas", "no", 3)],
)
def test_whether_the_machine_may_be_connected_is_an_exit_code_too(
    name: str, answer: str, code: int
) -> None:
    result = run("connect", f"@{name}", "--json")
    assert result.exit_code == code
    content = json.loads(result.output)
    assert content["answer"] == answer
    assert content["reasons"]
    shown = run("connect", f"@{name}")
    assert shown.exit_code == code
    for reason in content["reasons"]:
        assert flat(reason) in flat(shown.output)
    assert all(len(line) <= 80 for line in shown.output.splitlines())


def test_an_unidentified_car_is_not_connected_and_the_page_says_what_to_do_first() -> None:
    Path("car.toml").write_text("[vehicle]\nrefrigerant = 'R134a'\n", encoding="utf-8")
    result = run("connect", "car.toml")
    assert result.exit_code == 3
    first = flat(result.output).partition("First and record what it shows")[2]
    identify = first.index("Identify the refrigerant")
    assert 0 <= identify < first.index("Check for leak-stop")


def test_a_case_of_the_book_is_asked_by_its_number() -> None:
    run("case", "open", "refrigerant=R134a", "identification=hydrocarbon")
    assert run("connect", "1").exit_code == 3
    answered = json.loads(run("case", "show", "1", "--json").output)
    assert [stop["name"] for stop in answered["stops"]] == ["foreign_gas"]
    assert flat(run("case", "show", "1").output).startswith("STOP: NOT THE GAS")
    saw = run("case", "saw", "1", "compressor_turns=seized").output
    assert saw.upper().count("STOP: ") == 2


def test_the_prompt_says_a_stop_in_full_when_it_comes_up_then_in_one_line() -> None:
    run("case", "open", "refrigerant=R134a", "compressor=fixed")
    shown = run("case", "work", "1", typed="compressor_turns seized\nloop_found open\nq\n").output
    knocks, found_open = (shipped().knowledge.stops[n] for n in ("compressor_knocks", "loop_open"))
    assert flat(shown).count(knocks.reason) == 1
    assert flat(shown).count(f"STOP: {knocks.title} (") == 2
    # before what it moved
    assert flat(shown).index("STOP: ") < flat(shown).index(" up ")
    assert all(len(line) <= 80 for line in shown.splitlines() if "STOP" in line)
    assert flat(shown).count(found_open.reason) == 1


def test_a_variation_says_which_stop_it_brings_about_and_which_it_lifts() -> None:
    varied = told("whatif", "@burning_gas", "identification=as_labelled", "or", "loop_found=open")
    lifted, brought = ({stop["name"] for stop in v["stops"]} for v in varied["variations"])
    assert not lifted
    assert {"loop_open", "foreign_gas"} <= brought
    text = flat(run("whatif", "@burning_gas", "loop_found=open").output)
    assert f"! Stop: {shipped().knowledge.stops['loop_open'].title}. " in text
    text = flat(run("whatif", "@burning_gas", "identification=as_labelled").output)
    assert "no more in force: not the gas on the label: hands off" in text
    supposed = told("whatif", "@first_look", "wrong_refrigerant=present")["variations"][0]
    assert [stop["name"] for stop in supposed["stops"]] == ["foreign_gas"]


def test_what_always_holds_is_one_line_on_a_page_and_in_full_in_the_help() -> None:
    cautions = [c for c in shipped().knowledge.cautions.values() if c.always]
    text = flat(topics()["safety"].text)
    for caution in cautions:
        assert flat(caution.text) in text
    for command, name in (("next", "@low_charge_dead_fan"), ("plan", "@wet_loop")):
        shown = flat(page(command, name))
        assert "nothing let into the air" in shown
        assert "In full: loopodds help safety" in shown
        assert not any(flat(caution.text) in shown for caution in cautions)


@pytest.mark.parametrize("name", ["burning_gas", "seized_compressor", "wet_loop", "first_look"])
def test_no_caution_is_said_twice_on_a_page(name: str) -> None:
    texts = [caution.text for caution in shipped().knowledge.cautions.values()]
    for command in ("assess", "next", "plan"):
        shown = flat(page(command, f"@{name}"))
        assert all(shown.count(flat(text)) <= 1 for text in texts)


def test_a_caution_about_what_is_ruled_out_is_not_said_with_the_work() -> None:
    """The gas of this car was identified as labelled."""
    sentence = shipped().knowledge.cautions["unknown_refrigerant"].text
    assert sentence not in assessed("@wet_loop").cautions_of(["recover_and_weigh"])
    unknown = assess(read_case("[vehicle]\nrefrigerant = 'R134a'\n"), shipped())
    assert sentence in unknown.cautions_of(["recover_and_weigh"])


def test_only_a_car_with_high_voltage_is_told_who_may_work_on_it() -> None:
    belt = dict(assessed("@wet_loop").shop.closed)
    assert belt["insulation_measurement"] == "only with compressor electric"
    electric = assess(read_case(ELECTRIC), shipped()).shop.closed
    assert dict(electric)["insulation_measurement"] == "only for people qualified for high voltage"


def test_an_archive_names_the_stops_of_a_car_and_counts_them() -> None:
    Path("cars.csv").write_text(
        "refrigerant,high_side_bar,identification,compressor_turns\n"
        "R134a,28.5,as_labelled,\n"
        "R134a,14,hydrocarbon,seized\n"
        "R134a,14,as_labelled,freely\n",
        encoding="utf-8",
    )
    shown = run("score", "cars.csv", "--out", "scored.csv")
    assert shown.exit_code == 0, shown.output
    rows = Path("scored.csv").read_text(encoding="utf-8").splitlines()
    column = rows[0].split(",").index("stops")
    named = [row.split(",")[column] for row in rows[1:]]
    assert named == ["high_pressure", "compressor_knocks foreign_gas", ""]
    assert "To be stopped  2 in all" in shown.output


def test_a_stopped_car_stands_first_among_those_worth_reopening() -> None:
    """Most is lost on the first car, by water in its loop; the second may not be run."""
    Path("cars.csv").write_text(
        "car,refrigerant,cooling,sample_bubbles,moisture_indicator,compressor_turns\n"
        "dear,R134a,none,persisting,wet,\n"
        "stopped,R134a,good,,,stiff\n",
        encoding="utf-8",
    )
    shown = run("score", "cars.csv", "--out", "scored.csv", "--review", "5", "--json")
    first, second = json.loads(shown.output)["review"]
    assert (first["columns"]["car"], first["stops"]) == ("stopped", ["compressor_knocks"])
    assert (second["columns"]["car"], second["stops"]) == ("dear", [])
    assert first["expected_cost"] < second["expected_cost"]
    page_of_it = run("score", "cars.csv", "--out", "again.csv", "--review", "5").output
    assert "stop: the compressor knocks or is seized" in page_of_it
