"""The case book at the terminal: what each command answers, asks, completes and refuses."""

from __future__ import annotations

import csv
import json
import os
import random
import re
import shutil
import subprocess
import sys
from dataclasses import fields
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner, Result
from loopodds.base.phrases import printable
from loopodds.casebook.book import CaseBook
from loopodds.casebook.events import NewEvent, Signature
from loopodds.casebook.work import Casework
from loopodds.diagnosis.model import Model
from loopodds_cli.bash_words import WholeWords
from loopodds_cli.book import options as book_options
from loopodds_cli.book.options import Desk
from loopodds_cli.commands.case import command as case_command
from loopodds_cli.main import main
from loopodds_cli.prompt.words import meaning
from loopodds_cli.prompt.workbench import Workbench
from shared import shipped
from shared_screens import raw_names

SMALL = Path(__file__).parents[1] / "small_knowledge"
EVIL = "van\x1b[2J\x07\r\n\x9b31m\u202eabc"


@pytest.fixture(autouse=True)
def _own_book(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("LOOPODDS_BOOK", str(tmp_path / "book.db"))
    monkeypatch.delenv("LOOPODDS_WHO", raising=False)


@pytest.fixture(scope="module")
def with_a_case(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A book with one case of which nothing is known, to be copied."""
    book = tmp_path_factory.mktemp("opened") / "book.db"
    opened = CliRunner().invoke(main, ["case", "open", "--book", str(book)])
    assert opened.exit_code == 0, opened.output
    return book


def call(*words: str) -> Result:
    return CliRunner().invoke(main, ["case", *words])


def done(*words: str) -> str:
    result = call(*words)
    assert result.exit_code == 0, result.output
    return result.output


def answered(*words: str) -> dict[str, Any]:
    content: dict[str, Any] = json.loads(done(*words, "--json"))
    return content


def what(answer: dict[str, Any]) -> list[str]:
    return [event["what"] for event in answer["recorded"]]


# ---------------------------------------------------------------- answers


def test_each_call_answers_with_what_it_recorded_and_what_moved() -> None:
    opened = answered("open", "--name", "blue van", "refrigerant=R134a", "ambient=31 degC")
    assert what(opened) == ["opened: blue van", "refrigerant = R134a", "ambient = 31 degC"]
    seen = answered("saw", "1", "sample_bubbles=persisting", "--who", "Ann")
    assert what(seen) == ["sample_bubbles = persisting"]
    before = {entry["name"]: entry["probability"] for entry in opened["conditions"]}
    after = {entry["name"]: entry["probability"] for entry in seen["conditions"]}
    before["sound"], after["sound"] = opened["p_sound"], seen["p_sound"]
    moved = {move["name"]: (move["before"], move["after"]) for move in seen["moved"]}
    # told is everything that moved by one per cent, furthest first, and nothing else
    assert moved == {n: (before[n], p) for n, p in after.items() if abs(p - before[n]) >= 0.01}
    steps = [abs(move["after"] - move["before"]) for move in seen["moved"]]
    assert steps == sorted(steps, reverse=True)
    assert seen["moved"][0]["name"] == "moisture"
    assert seen["knowledge"] == seen["knowledge_before"] == shipped().knowledge.digest


def test_the_page_says_the_same_in_words() -> None:
    done("open", "refrigerant=R134a")
    page = done("saw", "1", "sample_bubbles=persisting")
    assert "Bubbles that stay in the sample: persisting" in page
    assert re.search(r"up +\d+ % to \d+ % +Water in the loop", page)
    assert re.search(r"down +\d+ % to \d+ % +Nothing wrong", page)
    undone = done("undo", "1")
    assert "undone: Bubbles that stay in the sample: persisting" in undone
    assert re.search(r"down +\d+ % to \d+ % +Water in the loop", undone)


@pytest.mark.slow
def test_each_call_names_the_next_test_until_the_case_is_closed() -> None:
    opened = answered("open", "refrigerant=R134a")
    for test in opened["next_tests"]:
        assert {"test", "bits", "minutes", "net_value", "blocked_by"} <= test.keys()
    first = opened["next_tests"][0]["test"]
    title = shipped().knowledge.tests[first].title
    assert title in done("undo", "1") + done("redo", "1") + done("show", "1")
    done("done", "1", first)
    assert first not in [test["test"] for test in answered("show", "1")["next_tests"]]
    assert answered("close", "1", "--unconfirmed")["next_tests"] == []


def test_the_next_test_goes_by_the_price_file_of_the_workshop(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    first = answered("open", "cooling=weak")["next_tests"][0]["test"]
    own = tmp_path / "prices.toml"
    own.write_text(f'cannot = ["{first}"]\n', encoding="utf-8")
    monkeypatch.setenv("LOOPODDS_PRICES", str(own))
    assert first not in [test["test"] for test in answered("show", "1")["next_tests"]]
    own.write_text('cannot = ["no_such_test"]\n', encoding="utf-8")
    answer = answered("show", "1")
    assert answer["next_tests"] == []
    assert any(f"{own}:1" in warning for warning in answer["warnings"])


def test_what_is_recorded_stays_recorded_where_the_next_test_cannot_be_told() -> None:
    # this knowledge has no prices
    page = done("open", "sample_bubbles=persisting", "--knowledge", str(SMALL))
    assert "cannot be told: prices.toml: needs 'currency'" in page
    answer = answered("show", "1", "--knowledge", str(SMALL))
    assert answer["next_tests"] == []
    assert answer["warnings"][-1] == "prices.toml: needs 'currency'"


@pytest.mark.slow
def test_a_closing_against_what_was_seen_is_refused_without_a_terminal() -> None:
    done("open", "refrigerant=R134a", "cooling=none", "ambient=25 degC", "static_pressure=0.3 bar")
    refused = call("close", "1", "--confirmed", "sound")
    assert refused.exit_code == 1
    assert "goes against what was seen of the car as it came" in refused.output
    assert "--as-it-came" in refused.output
    assert "closed" in done("close", "1", "--confirmed", "sound", "--as-it-came")


def test_undo_and_redo_through_the_commands_give_the_identical_belief() -> None:
    answered("open", "refrigerant=R134a")
    for entry in (
        "sample_bubbles=persisting",
        "low_side=2.1 bar",
        "sample_specks=none:0.3,metal:0.7",
    ):
        answered("saw", "1", entry)
    last = answered("show", "1")
    for _ in range(4):
        answered("undo", "1")
    assert "nothing to undo" in call("undo", "1").output
    for _ in range(4):
        answered("redo", "1")
    assert answered("show", "1")["conditions"] == last["conditions"]
    assert "nothing to redo" in call("redo", "1").output


def test_a_case_number_is_a_case_for_other_commands() -> None:
    answered("open", "refrigerant=R134a", "sample_bubbles=persisting")
    shown = answered("show", "1")
    result = CliRunner().invoke(main, ["assess", "1", "--json"])
    assessed = json.loads(result.output)
    assert assessed["case"] == "case 1"
    # the same evidence through the same sums
    assert assessed["p_sound"] == shown["p_sound"]
    missing = CliRunner().invoke(main, ["assess", "7"])
    assert missing.exit_code == 1
    assert "no case 7 in the case book" in missing.output


def asked(command: str, case: str = "1", *words: str) -> dict[str, Any]:
    """What another command answers about a case."""
    result = CliRunner().invoke(main, [command, case, *words, "--json"])
    assert result.exit_code == 0, result.output
    content: dict[str, Any] = json.loads(result.output)
    return content


@pytest.mark.slow
def test_what_recovery_ended_is_advised_by_no_command() -> None:
    done("open", "refrigerant=R134a", "cooling=weak")
    gone = set(shipped().knowledge.tests["recover_and_weigh"].destroys)
    told = {"assess": "next_tests", "next": "next_tests"}
    for command, key in told.items():
        assert gone & {test["test"] for test in asked(command)[key]}, command
    done("done", "1", "recover_and_weigh")
    for command, key in told.items():
        assert not gone & {test["test"] for test in asked(command)[key]}, command
    assert asked("plan")["test_first"] not in gone
    assert gone.isdisjoint(asked("plan")["best"]["first"])
    # what is given by hand comes on top
    more = asked("next", "1", "--done", "interview")
    assert not (gone | {"interview"}) & {test["test"] for test in more["next_tests"]}
    done("undo", "1")
    assert gone & {test["test"] for test in asked("next")["next_tests"]}


def test_an_entry_that_went_past_a_guard_is_kept_and_said_once() -> None:
    guards = "identify the refrigerant and check for leak-stop come before, and are not recorded"
    assert answered("open", "refrigerant=R134a", "cooling=weak")["warnings"] == []
    read = answered("read", "1", "low_side=1.4 bar", "high_side=12 bar")
    assert what(read) == ["low_side = 1.4 bar", "high_side = 12 bar"]
    assert read["warnings"][0] == f"Running pressures: {guards}"
    assert guards not in done("show", "1")
    assert guards not in " ".join(done("saw", "1", "condenser_face=clean").split())
    assert f"Recover and weigh: {guards}" in " ".join(
        done("done", "1", "recover_and_weigh").split()
    )


def skipped_by(*words: str) -> list[str]:
    return [text for text in answered(*words)["warnings"] if " before, and " in text]


def test_a_guard_recorded_in_time_says_nothing_and_one_not_passed_does() -> None:
    passed = ("identification=as_labelled", "sealant_check=negative")
    assert skipped_by("open", "refrigerant=R134a", *passed, "low_side=1.4 bar") == []
    assert skipped_by("saw", "1", "sealant_check=positive") == []
    assert skipped_by("read", "1", "high_side=12 bar") == [
        "Running pressures: check for leak-stop comes before, and is not passed"
    ]
    # that it was done says nothing of what it showed
    done("open")
    assert skipped_by("done", "2", "refrigerant_identification") == []
    assert skipped_by("saw", "2", "sealant_check=negative") == [
        "Check for leak-stop: identify the refrigerant comes before, and is not recorded"
    ]


@pytest.mark.slow
def test_a_case_in_which_no_test_pays_names_none_to_do_next(bench: Workbench) -> None:
    said = "no single test pays for itself; loopodds next 1 looks at pairs"
    bench.work.record(1, [("cooling", "good")])
    page = done("show", "1")
    assert f"Next test  {said}" in page
    assert "tells most for its time" in page
    assert asked("next")["stop"]
    screen = prompt("oily none", "next", "", "q").output
    assert screen.count(said.split(";")[0]) == 1
    assert "STOP TESTING" in screen
    assert "    next " not in screen
    bench.work.record(1, [("cooling", "weak")])
    assert said not in done("show", "1")
    assert not asked("next")["stop"]


def test_what_was_agreed_with_the_customer_is_on_record() -> None:
    done("open", "setting=complaint", "cooling=weak")
    told = done(
        "decide", "1", "advise_and_recheck", "--refused", "repair_leak_and_charge=too dear",
        "--back-by", "2027-03-01", "--watch", "vents less cold",
    )  # fmt: skip
    assert "back by 2027-03-01" in told
    answer = answered("show", "1")
    assert answer["plan"] == ["advise_and_recheck"]
    assert answer["agreed"] == {
        "refused": {"repair_leak_and_charge": "too dear"},
        "back_by": "2027-03-01",
        "watch": "vents less cold",
    }
    leak = shipped().knowledge.services["repair_leak_and_charge"].title
    assert f"refused: {leak} (too dear)" in " ".join(done("show", "1").split())
    assert "watch for: vents less cold" in " ".join(done("history", "1").split())
    done("undo", "1")
    assert answered("show", "1")["agreed"] == {"refused": {}, "back_by": "", "watch": ""}
    # the customer wants nothing done at all
    done("decide", "1", "--refused", "repair_leak_and_charge")
    assert answered("show", "1")["plan"] == []


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["--refused", "repair_leek=dear"], "unknown service 'repair_leek'"),
        (["recover_and_charge", "--back-by", "march"], "'march' is no day; write it as 2027-03-01"),
        (["recover_and_charge", "--refused", "recover_and_charge"], "both decided on and refused"),
        ([], "nothing decided"),
    ],
)
def test_what_cannot_be_agreed_is_refused(words: list[str], said: str) -> None:
    done("open", "setting=complaint")
    result = call("decide", "1", *words)
    assert result.exit_code != 0
    assert said in result.output
    assert [entry["kind"] for entry in history()] == ["opened", "seen"]


def test_a_test_done_that_this_knowledge_does_not_have_is_passed_over() -> None:
    done("open", "sample_bubbles=persisting")
    done("done", "1", "cold_look")
    result = CliRunner().invoke(main, ["explain", "1", "--knowledge", str(SMALL)])
    assert result.exit_code == 0, result.output


@pytest.mark.slow
def test_a_case_file_says_which_tests_were_done() -> None:
    done("open", "refrigerant=R134a")
    assert "tests done" not in done("export", "1")
    done("done", "1", "label_check", "cold_look")
    done("export", "1", "--out", "van.toml")
    text = Path("van.toml").read_text(encoding="utf-8")
    assert "given to assess, next and plan: --done label_check --done cold_look\n" in text
    told = asked("next", "van.toml", "--done", "label_check", "--done", "cold_look")
    assert [t["test"] for t in told["next_tests"]] == [
        t["test"] for t in asked("next")["next_tests"]
    ]


def test_doubting_withdrawing_testing_deciding_and_closing_are_events_too() -> None:
    answered("open", "refrigerant=R134a", "sample_bubbles=persisting", "vent=14 degC")
    assert what(answered("doubt", "1", "vent")) == ["doubted: vent"]
    shares = "sample_bubbles=none:0.4,persisting:0.6"
    assert what(answered("doubt", "1", shares)) == [
        "doubted: sample_bubbles = none:0.4,persisting:0.6"
    ]
    assert what(answered("withdraw", "1", "vent")) == ["withdrawn: vent"]
    assert what(answered("done", "1", "cold_look")) == ["test done: cold_look"]
    assert what(answered("decide", "1", "dry_the_loop")) == ["plan chosen: dry_the_loop"]
    closed = answered("close", "1", "--confirmed", "moisture=wet", "--confirmed", "sound")
    assert closed["closed"]
    assert what(closed)[0].startswith("confirmed: moisture = wet, ")
    page = done("show", "1")
    knowledge = shipped().knowledge
    titles = (knowledge.tests["cold_look"].title, knowledge.services["dry_the_loop"].title)
    for text in (*titles, "doubted", "closed", "wet"):
        assert text.lower() in page.lower()
    assert not raw_names(page + done("history", "1"), "")
    history = json.loads(done("history", "1", "--json"))
    kinds = [event["kind"] for event in history["events"]]
    assert kinds == [
        "opened", "seen", "seen", "read", "doubted", "doubted", "withdrawn", "test_done",
        "plan_chosen", "confirmed", "closed",
    ]  # fmt: skip


def test_open_cases_are_listed_and_closed_ones_on_demand() -> None:
    assert "there is none yet; `loopodds case open` begins one" in call("list").output
    done("open", "--name", "one")
    done("open", "--name", "two")
    done("close", "1", "--unconfirmed")
    page = done("list")
    assert "two" in page
    assert "one" not in page
    assert "1 closed; --all shows them too" in page
    assert "one" in done("list", "--all")
    listed = json.loads(done("list", "--all", "--json"))["cases"]
    assert [(case["case"], case["closed"]) for case in listed] == [(1, True), (2, False)]
    done("undo", "1")
    done("redo", "1")
    assert [c["closed"] for c in json.loads(done("list", "--all", "--json"))["cases"]] == [
        True, False,
    ]  # fmt: skip
    done("undo", "1")
    assert "one" in done("list")


def test_a_change_of_knowledge_is_said_wherever_it_matters() -> None:
    done("open", "sample_bubbles=persisting", "--knowledge", str(SMALL))
    for words in (("show", "1"), ("history", "1"), ("saw", "1", "sample_specks=metal")):
        assert "The knowledge has changed since" in " ".join(done(*words).split()), words
    assert "from here on knowledge" in done("history", "1")
    checked = done("check")
    assert "2 events were recorded with other knowledge" in " ".join(checked.split())


def test_a_book_is_checked_and_a_belief_that_differs_is_an_error(tmp_path: Path) -> None:
    done("open", "sample_bubbles=persisting")
    assert "File: sound" in done("check")
    with CaseBook(tmp_path / "book.db") as book:
        last = book.events(1)[-1]
        off = last.posterior._replace(p_sound=last.posterior.p_sound + 1e-11)
        book.append(1, 2, [NewEvent("closed", {}, off)], Signature("", "", last.knowledge))
    result = call("check")
    assert result.exit_code == 1
    assert "case 1: event 3: stored belief differs by 1.0e-11" in result.output
    assert call("check", "--json").exit_code == 1


@pytest.mark.slow
def test_a_repair_is_answered_with_the_test_that_proves_it_and_with_what_it_showed() -> None:
    car = ("refrigerant=R134a", "ambient=28 degC", "setting=complaint")
    done("open", *car, "identification=as_labelled", "sealant_check=negative", "port_core=clean")
    done("saw", "1", "label_and_fittings=agree", "low_side=0.9 bar", "high_side=8.5 bar")
    assert "no plan was chosen" in call("repaired", "1").output
    assert "loopodds case repaired 1" in done("decide", "1", "repair_leak_and_charge")
    page = done("repaired", "1")
    assert "repaired: Repair the leak, evacuate, charge by mass" in page
    assert "loopodds case saw 1 vacuum_hold=holds|plateau|rises" in " ".join(page.split())
    assert re.search(r"down +\S+ % to \S+ % +Undercharge", page)
    later = answered("read", "1", "low_side=1.1 bar")
    assert later["warnings"] == [] or "identify" not in " ".join(later["warnings"]).lower()
    assert later["next_tests"][0]["test"] not in {"interview", "recover_and_weigh"}
    shown = done("show", "1")
    assert shown.index("Before repair 1") < shown.index("0.9 bar") < shown.index("Recorded since")
    assert shown.index("Recorded since") < shown.index("1.1 bar")
    done("export", "1", "--out", "van.toml")
    again = answered("import", "van.toml")
    assert again["p_sound"] == pytest.approx(later["p_sound"], abs=1e-12)
    assert what(again).count("refrigerant = R134a") == 1
    done("close", "1", "--confirmed", "leak=slow")
    report = json.loads(done("export", "--archive", "closed.csv", "--json"))
    assert report["left_out"] == ["case 1: what was recorded after a repair"]
    assert "low_side_kPaa" in Path("closed.csv").read_text(encoding="utf-8")


def test_a_case_travels_as_a_file_and_closed_cases_as_an_archive(tmp_path: Path) -> None:
    done("open", "refrigerant=R134a", "low_side=2.1 bar", "sample_specks=none:0.3,metal:0.7")
    text = done("export", "1")
    assert 'low_side = "2.1 bar"' in text
    done("export", "1", "--out", "van.toml")
    assert Path("van.toml").read_text(encoding="utf-8") == text
    again = answered("import", "van.toml")
    assert (again["case"], again["name"], again["closed"]) == (2, "van", False)
    with Path("van.toml").open("a", encoding="utf-8") as file:
        file.write('[confirmed]\nmoisture = "absent"\n')
    assert answered("import", "van.toml", "--name", "told")["closed"]
    report = json.loads(done("export", "--archive", "closed.csv", "--json"))
    assert report["rows"] == 1
    assert report["left_out"] == ["case 3: sample_specks"]
    header, row = Path("closed.csv").read_text(encoding="utf-8").splitlines()
    assert header == ("case,opened,closed,knowledge,refrigerant,low_side_kPaa,confirmed_moisture")
    assert row.endswith(",R134a,311.325,absent")
    assert sorted(path.name for path in tmp_path.iterdir()) == ["book.db", "closed.csv", "van.toml"]


# ---------------------------------------------------------------- refusals


@pytest.mark.parametrize(
    ("words", "code", "message"),
    [
        (["saw", "1"], 2, "nothing to record; write NAME=VALUE"),
        (["saw", "one", "a=b"], 2, "'one' is no case number; `loopodds case list` shows them"),
        (["saw", "0", "a=b"], 2, "'0' is no case number"),
        (["saw", "1", "sample_bubbles"], 1, "write name=value"),
        (["saw", "1", "sample_bubles=none"], 1, "did you mean 'sample_bubbles'?"),
        (["saw", "1", "sample_bubbles=nnoe"], 1, "did you mean 'none'?"),
        (["saw", "1", "sample_specks=none:x"], 1, "'x' is no number"),
        (["saw", "1", "sample_specks=none:-1"], 1, "write a finite number of zero or more"),
        (["read", "1", "vent=14"], 1, "has no unit"),
        (["read", "1", "low_side=2 bar"], 1, "refrigerant is not stated"),
        (["saw", "9", "sample_bubbles=none"], 1, "no case 9 in the case book"),
        (["withdraw", "1", "vent"], 1, "unknown entry of this case 'vent'"),
        (["done", "1", "cold_lok"], 1, "did you mean 'cold_look'?"),
        (["decide", "1", "dry_loop"], 1, "did you mean 'dry_the_loop'?"),
        (["close", "1"], 2, "say what turned out to be true with --confirmed NAME=STATE"),
        (["close", "1", "--confirmed", "sound", "--unconfirmed"], 2, "either --confirmed or"),
        (["close", "1", "--confirmed", "moisture=a:1"], 1, "an outcome is one state"),
        (["close", "1", "--confirmed", "moistrue=wet"], 1, "did you mean 'moisture'?"),
        (["export"], 2, "give either a case number"),
        (["export", "1", "--archive", "x.csv"], 2, "give either a case number"),
        (["export", "1", "--out", "no/folder/x.toml"], 1, "there is no folder no/folder"),
        (["import", "none.toml"], 1, "no such file"),
        (["swa", "1"], 2, "No such command 'swa'"),
    ],
)  # fmt: skip
def test_what_cannot_be_done_is_refused_in_one_line_and_not_recorded(
    words: list[str], code: int, message: str, with_a_case: Path
) -> None:
    shutil.copy(with_a_case, "book.db")
    before = done("history", "1", "--json")
    result = call(*words)
    assert result.exit_code == code, result.output
    assert message in " ".join(result.output.split())
    assert done("history", "1", "--json") == before


def test_text_from_people_is_shown_without_anything_that_steers_a_terminal() -> None:
    done("open", "--name", EVIL, "--who", EVIL, "--note", EVIL)
    pages = [
        done("list"), done("show", "1"), done("history", "1"), done("export", "1"),
        call("work", "1").output,
        call("saw", "1", f"{EVIL}=none").output, call("saw", "1", f"sample_bubbles={EVIL}").output,
    ]  # fmt: skip
    for page in pages:
        assert [c for c in page if not c.isprintable() and c != "\n"] == []
    assert printable(EVIL) in " ".join(pages[0].split())
    assert json.loads(done("show", "1", "--json"))["name"] == EVIL


# ---------------------------------------------------------------- completion


def completed(monkeypatch: pytest.MonkeyPatch, line: str) -> list[str]:
    """What bash is offered; bash breaks words at a sign of equality and passes that too."""
    words = re.findall(r"=|[^\s=]+", line) + ([""] if line.endswith(" ") else [])
    monkeypatch.setenv("COMP_WORDS", "\n".join(words))
    monkeypatch.setenv("COMP_CWORD", str(len(words) - 1))
    shell = WholeWords(main, {}, "loopodds", "_LOOPODDS_COMPLETE")
    return [entry.split(",", 1)[1] for entry in shell.complete().splitlines()]


def test_names_states_cases_and_entries_complete(monkeypatch: pytest.MonkeyPatch) -> None:
    done("open", "--name", "van", "sample_bubbles=none")
    assert completed(monkeypatch, "loopodds case wi") == ["withdraw"]
    assert completed(monkeypatch, "loopodds case saw ") == ["1"]
    names = completed(monkeypatch, "loopodds case saw 1 sample_s")
    assert {"sample_specks=", "sample_shimmer=", "sample_strands="} <= set(names)
    assert all(name.startswith("sample_s") for name in names)
    # once one name is left its states are offered with it
    assert completed(monkeypatch, "loopodds case saw 1 sample_b") == [
        "sample_bubbles=none", "sample_bubbles=persisting",
    ]  # fmt: skip
    assert completed(monkeypatch, "loopodds case saw 1 sample_bubbles=") == ["none", "persisting"]
    assert completed(monkeypatch, "loopodds case saw 1 sample_foam=brief sample_bubbles=p") == [
        "persisting"
    ]
    assert completed(monkeypatch, "loopodds case read 1 ambi") == ["ambient="]
    assert completed(monkeypatch, "loopodds case read 1 refrigerant=R13") == ["R134a"]
    assert completed(monkeypatch, "loopodds case close 1 --confirmed moisture=w") == ["wet"]
    assert completed(monkeypatch, "loopodds case withdraw 1 ") == ["sample_bubbles"]
    assert completed(monkeypatch, "loopodds case done 1 cold_l") == ["cold_look"]
    assert completed(monkeypatch, "loopodds case decide 1 dry") == ["dry_the_loop"]


def test_completion_without_a_book_offers_nothing_and_makes_none(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    assert completed(monkeypatch, "loopodds case show ") == []
    assert completed(monkeypatch, "loopodds case withdraw 1 ") == []
    assert list(tmp_path.iterdir()) == []


# ---------------------------------------------------------------- the prompt


@pytest.fixture
def bench(model: Model, tmp_path: Path) -> Workbench:
    """The prompt over a case of which only the refrigerant is known."""
    work = Casework(CaseBook(tmp_path / "book.db"), model)
    work.open("van", [("refrigerant", "R134a")])
    return Workbench(work, 1)


def recorded(bench: Workbench, *lines: str) -> list[str]:
    """What the book gained from some lines, in its own words."""
    from loopodds.casebook.replay import described

    book = bench.work.book
    before = len(book.events(1))
    for line in lines:
        bench.take(line)
    return [described(event) for event in book.events(1)[before:]]


@pytest.mark.parametrize(
    ("lines", "gained"),
    [
        (["sample_bubbles persisting"], ["sample_bubbles = persisting"]),
        (["sam bub per"], ["sample_bubbles = persisting"]),
        (["Sample Bubbles PER"], ["sample_bubbles = persisting"]),
        (["s_b=per"], ["sample_bubbles = persisting"]),
        (["bub per"], []),
        (["bub persisting"], ["sample_bubbles = persisting"]),
        (["MILKY"], ["sample_cloudiness = milky"]),
        (["134"], ["refrigerant = R134a"]),
        (["the sample is milky"], ["sample_cloudiness = milky"]),
        (["black"], []),
        (["black", "1"], ["sample_darkening = black"]),
        (["oil black"], []),
        (["oil black", "swab"], ["oil_swab = black"]),
        (["orifice, fixed; high 14 bar, bub persisting"],
         ["expansion = orifice", "compressor = fixed", "high_side = 14 bar",
          "sample_bubbles = persisting"]),
        (["- refr", "low 2.1 bar", "yf"],
         ["withdrawn: refrigerant", "refrigerant = R1234yf", "low_side = 2.1 bar"]),
        (["- refr", "low 2.1 bar", ""], ["withdrawn: refrigerant"]),
        (["vent 9999 degC, zzzz, bub, foam brief", "2", ""], ["sample_foam = brief"]),
        (["bub, foam brief", "", ""], ["sample_foam = brief"]),
        (["bub per", "1"], ["sample_bubbles = persisting"]),
        (["bub per", "sample"], ["sample_bubbles = persisting"]),
        (["bub per", "3"], []),
        (["bub per", "3", "1"], ["sample_bubbles = persisting"]),
        (["bub per", "", "1"], []),
        (["sample_bubles none"], []),
        (["sample_bubles none", "1"], ["sample_bubbles = none"]),
        (["sample_bubbles nnoe"], []),
        (["sample_bubbles nnoe", "y"], ["sample_bubbles = none"]),
        (["sample_bubbles nnoe", "no"], []),
        (["sample_bubbles nnoe", "1"], []),
        (["sample_bubbles nnoe", "foam br"], ["sample_foam = brief"]),
        (["sam bub", "2"], ["sample_bubbles = persisting"]),
        (["sam bub", "per"], ["sample_bubbles = persisting"]),
        (["sam bub", "low 2.1 bar"], ["low_side = 2.1 bar"]),
        (["low 2.1 bar"], ["low_side = 2.1 bar"]),
        (["low side 2.1 bar abs"], ["low_side = 2.1 bar abs"]),
        (["low low"], ["low_side = low"]),
        (["low 2"], []),
        (["low", "2"], []),
        (["low", "2", "2.1 bar"], ["low_side = 2.1 bar"]),
        (["low", "-0.2 bar"], ["low_side = -0.2 bar"]),
        (["low", "norm"], ["low_side = normal"]),
        (["ambient 31 degC"], ["ambient = 31 degC"]),
        (["specks none .3 metal .7"], ["sample_specks = none:0.3,metal:0.7"]),
        (["specks none .3 mtal .7"], []),
        (["flooded y"], ["flooded = yes"]),
        (["refrigerant R124a"], []),
        (["refr r1"], []),
        (["moisture wet"], []),
        (["moisture wet", "y"], ["moisture_indicator = wet"]),
        (["foam br", "u", "r"],
         ["sample_foam = brief", "undone: sample_foam = brief", "redone: sample_foam = brief"]),
        (["foam br", "d foam"], ["sample_foam = brief", "doubted: sample_foam"]),
        (["foam br", "- foam"], ["sample_foam = brief", "withdrawn: sample_foam"]),
        (["foam br", "- faom"], ["sample_foam = brief"]),
        (["- vent"], []),
        (["un"], []),
        (["next", "9"], []),
        (["next", "driver", "cooling", "weak", ""], ["cooling = weak"]),
        (["n", "1", "1", "2", ""], ["cooling = weak"]),
        (["n", "1", "", "yes"], ["test done: interview"]),
        (["done interview"], ["test done: interview"]),
        (["zzzz"], []), (["7"], []), ([""], []), (["="], []),
        (["?", "show", "hist", "names bub"], []),
    ],
)  # fmt: skip
def test_beginnings_are_taken_when_clear_and_asked_about_when_not(
    bench: Workbench, lines: list[str], gained: list[str]
) -> None:
    assert recorded(bench, *lines) == gained


def test_a_question_names_every_option(
    bench: Workbench, capsys: pytest.CaptureFixture[str]
) -> None:
    bench.take("bub")
    assert capsys.readouterr().out == (
        "  'bub' is not clear; which one?\n"
        "   1 Bubbles that stay in the sample\n   2 Bubbles in the flowing liquid line\n"
    )
    bench.take("zzzz")
    assert capsys.readouterr().out == (
        "  ! 'zzzz' is no name here; ? for help, names WORD to search\n"
    )


@pytest.mark.slow
def test_no_misspelling_is_ever_recorded_at_once(bench: Workbench) -> None:
    rng = random.Random(5)
    knowledge = bench.work.knowledge
    findings = knowledge.of_kind("finding", "history")
    tried = 0
    while tried < 150:
        name = rng.choice(list(findings))
        state = rng.choice(findings[name].states)
        place = rng.randrange(len(name))
        wrong = name[:place] + rng.choice("abcdefghijklmnopqrstuvwxyz") + name[place + 1 :]
        if wrong in findings or any(other.startswith(wrong) for other in findings):
            continue
        tried += 1
        for event in recorded(bench, f"{wrong} {state}"):
            # a slip may be the proper beginning of parts of another name; never of this one
            other = event.partition(" = ")[0]
            assert other != name
            assert meaning(wrong, list(knowledge.nodes)).options == (other,)
        bench.take("")


@pytest.mark.slow
def test_no_line_makes_the_prompt_fail(bench: Workbench) -> None:
    rng = random.Random(11)
    words = [
        *("?", "-", ".", "=", "1", "2", "99", "1e999", "nan", "inf", "2.1", "-3", "bar", "degC"),
        *("none", ".3", "metal", "yes", "R134a", "psi", "low", "high", "undo", "r", "show"),
        *("sam", "bub", "hist", "d", "w", "names", "refr", "specks", "foam"),
        *("\x1b[2J", "\x00", "é", "😀", "\udcff", "_", "__", "a" * 500, ":", "'", '"', "\\"),
    ]
    for _ in range(150):
        bench.take(" ".join(rng.choices(words, k=rng.randrange(5))))
    assert bench.open


WHOLE_CASE = {
    "blue van": "opened", "134": "seen", "FIXED": "seen", "txv": "seen", "complaint": "seen",
    "weak": "seen", "31 degC": "read", "": "",
    "identification as labelled": "seen", "low 2.1 bar; bub persisting": "read seen",
    "moisture indicator wet": "seen", "why": "", "plan": "", "look": "", " ": "",
    "note the customer was told": "", "decide": "", "1": "plan_chosen",
    "agree back 2027-03-01": "plan_chosen", "prove": "", "yes": "repaired", "  ": "",
    "vent 6 degC": "read", "undo": "undone", "close": "", "1 ": "",
    "that was all": "confirmed closed", "undo ": "undone undone", "list": "", "q": "",
}  # fmt: skip
"""Lines of a whole case, each with the kinds of event that it adds."""


def test_a_whole_case_is_worked_on_at_the_prompt() -> None:
    """From its opening to its closing, on screens of 80 columns, with the events of every route."""
    shown = CliRunner().invoke(main, ["case", "work"], input="\n".join(WHOLE_CASE) + "\n")
    assert shown.exit_code == 0, shown.output
    assert [entry["kind"] for entry in history()] == " ".join(WHOLE_CASE.values()).split()
    assert all(len(line.rpartition("> ")[2]) <= 80 for line in shown.output.splitlines())
    assert not raw_names(shown.output, "")
    decided = [entry for entry in history() if entry["kind"] == "plan_chosen"]
    assert [entry["note"] for entry in decided] == ["the customer was told", ""]
    closing = next(entry for entry in history() if entry["kind"] == "confirmed")
    # all that is not named was not there
    outcomes = closing["content"]["outcomes"]
    assert outcomes.pop("moisture") in ("present", "wet")
    faults = shipped().knowledge.of_kind("fault")
    assert all(state == faults[name].states[0] for name, state in outcomes.items())


def test_the_prompt_goes_on_with_an_open_case_that_is_chosen() -> None:
    done("open", "--name", "van")
    done("open", "--name", "red")
    lines = "van\nfoam brief\ncase 2\nfoam brief\ncase 9\nq\n"
    shown = CliRunner().invoke(main, ["case", "work"], input=lines)
    assert [len(json.loads(done("history", n, "--json"))["events"]) for n in "12"] == [2, 2]
    assert "Case 2 is kept." in shown.output
    assert "it holds cases 1 to 2" in " ".join(shown.output.split())


@pytest.mark.parametrize(
    ("lines", "outcomes"),
    [
        (["close", "moisture wet", "not known"], {"moisture": "wet"}),
        (["close", "it is not known"], {}),
        (["close", ""], None),
    ],
)
def test_a_case_is_closed_with_what_turned_out(
    bench: Workbench, lines: list[str], outcomes: dict[str, str] | None
) -> None:
    for line in ["bubbles persisting", *lines]:
        bench.take(line)
    state = bench.work.show(1).state
    assert (dict(state.confirmed) if state.closed else None) == outcomes


def test_an_outcome_that_goes_against_all_that_was_seen_is_asked_about(bench: Workbench) -> None:
    for line in ["identification as_labelled", "close", "wrong_refrigerant hydrocarbon", "close"]:
        bench.take(line)
    assert not bench.work.show(1).state.closed


def prompt(*lines: str) -> Result:
    return CliRunner().invoke(main, ["case", "work", "1"], input="".join(f"{x}\n" for x in lines))


def test_the_prompt_ends_with_quit_and_with_the_input() -> None:
    done("open", "--name", "van")
    for lines in (("foam br", "q", "vent 14 degC"), ()):
        result = prompt(*lines)
        assert result.exit_code == 0
        assert result.output.startswith("Case 1: van   ? for help, q to leave\n")
        assert result.output.endswith("Case 1 is kept.\n")
    recorded_names = [entry["what"] for entry in history()]
    assert recorded_names == ["opened", "seen"]
    missing = CliRunner().invoke(main, ["case", "work", "4"], input="")
    assert missing.exit_code == 1


def history() -> list[dict[str, Any]]:
    events = json.loads(done("history", "1", "--json"))["events"]
    return [{"what": event["kind"], **event} for event in events]


# ---------------------------------------------------------------- at a real terminal

CTRL_C = "\x03"
terminal = pytest.mark.skipif(os.name != "posix", reason="needs a terminal of the POSIX kind")


def at_terminal(words: list[str], *steps: tuple[str, str]) -> tuple[int, str]:
    """Exit code and screen of a command at a terminal: wait for a text, then type another.

    A key pressed in the moment in which a prompt takes over the terminal can be lost: Ctrl-C is
    pressed again when nothing happens, as a person would.
    """
    import pty
    import select

    master, slave = pty.openpty()
    command = [sys.executable, "-c", "from loopodds_cli.main import main; main()", *words]
    process = subprocess.Popen(
        command, stdin=slave, stdout=slave, stderr=slave, start_new_session=True,
        preexec_fn=take_terminal,
    )  # fmt: skip
    os.close(slave)
    screen, after, patience = "", 0, 15
    pending = list(steps)
    while True:
        ready, _, _ = select.select([master], [], [], 4)
        if not ready:
            patience -= 1
            if not patience:
                process.kill()
            assert patience, f"nothing more on the screen after {screen!r}"
            if not pending and steps[-1][1] == CTRL_C:
                os.write(master, CTRL_C.encode())
            continue
        try:
            data = os.read(master, 4096)
        except OSError:  # the other side is closed
            data = b""
        if not data:
            break
        screen += data.decode()
        if pending and (found := screen.find(pending[0][0], after)) >= 0:
            text, answer = pending.pop(0)
            after = found + len(text)
            os.write(master, answer.encode())
    os.close(master)
    return process.wait(30), screen


def take_terminal() -> None:
    """Make the terminal on standard input the controlling one, so that Ctrl-C reaches us.

    A shell lets what it starts in the background ignore Ctrl-C, and the tests may run there.
    """
    import fcntl
    import signal
    import termios

    signal.signal(signal.SIGINT, signal.SIG_DFL)
    fcntl.ioctl(0, termios.TIOCSCTTY, 0)


@pytest.mark.slow
@terminal
def test_closing_asks_what_turned_out_to_be_true() -> None:
    done("open")
    code, screen = at_terminal(
        ["case", "close", "1"], ("What turned out to be true?", "moisture=wet sound\n")
    )
    assert code == 0, screen
    assert "turned out: Water in the loop: wet" in screen
    assert "closed" in screen
    done("undo", "1")
    code, screen = at_terminal(["case", "close", "1"], ("true:", "\n"))
    assert code == 0
    assert [entry["kind"] for entry in history()][-1] == "closed"
    assert [entry["kind"] for entry in history()].count("confirmed") == 1


@pytest.mark.slow
@terminal
def test_ctrl_c_leaves_the_prompt_with_everything_kept() -> None:
    done("open")
    code, screen = at_terminal(["case", "work", "1"], ("1> ", "foam brief\n"), ("1> ", CTRL_C))
    assert code == 0, screen
    assert "Case 1 is kept." in screen
    assert "Traceback" not in screen
    assert [entry["kind"] for entry in history()] == ["opened", "seen"]


@terminal
@pytest.mark.skipif(shutil.which("bash") is None, reason="no bash here")
def test_a_name_and_a_state_complete_in_bash_itself(tmp_path: Path) -> None:
    done("open")
    script = tmp_path / "complete.sh"
    source = CliRunner().invoke(main, ["completion", "bash"]).output
    folder = Path(sys.executable).parent
    script.write_text(
        f'PATH="{folder}:$PATH"\n{source}\n'
        "COMP_WORDS=(loopodds case saw 1 sample_bubbles = per)\n"
        "COMP_CWORD=6\n_loopodds_completion loopodds per =\n"
        'printf "%s\\n" "${COMPREPLY[@]}"\n',
        encoding="utf-8",
    )
    if shutil.which("loopodds", path=str(folder)) is None:
        pytest.skip("the command is not installed")
    result = subprocess.run(["bash", script], capture_output=True, text=True, check=True)
    assert result.stdout == "persisting\n", result.stderr


def test_who_looked_is_said_with_the_call_or_once_for_all(monkeypatch: pytest.MonkeyPatch) -> None:
    done("open", "--by", "anna", "refrigerant=R134a", "sample_darkening=brown")
    saw = answered("saw", "1", "sample_darkening=black", "sample_bubbles=none", "--by", EVIL)
    assert what(saw)[0] == f"sample_bubbles = none (by {EVIL})"
    shown = done("show", "1")
    assert f"brown (by anna), black (by {printable(EVIL)})" in " ".join(shown.split())
    assert "\x1b[2J" not in shown
    monkeypatch.setenv("LOOPODDS_LOOKS", "ben")
    assert what(answered("saw", "1", "sample_darkening=none")) == [
        "sample_darkening = none (by ben)"
    ]
    assert "[looks.ben]" in done("export", "1")


CALLS = {
    "open": "", "saw": "1 cooling=weak", "read": "1 vent=14degC", "doubt": "1 cooling",
    "undo": "1", "redo": "1", "withdraw": "1 cooling", "done": "1 cold_look",
    "decide": "1 advise_and_recheck", "repaired": "1", "show": "1", "history": "1", "list": "",
    "template": "", "export": "1 --out car.toml", "import": "@wet_loop", "check": "",
    "verify": "1", "backup": "copy.db", "work": "1", "close": "1 --unconfirmed",
}  # fmt: skip
"""Each verb of a case, so that all of them follow on each other."""


@pytest.mark.slow
def test_no_verb_takes_an_option_that_it_never_looks_at(monkeypatch: pytest.MonkeyPatch):
    looked_at: set[str] = set()

    class Watched(Desk):
        def __getattribute__(self, name: str) -> Any:
            looked_at.add(name)
            return super().__getattribute__(name)

    monkeypatch.setattr(book_options, "Desk", Watched)
    assert CALLS.keys() == case_command.commands.keys()
    for verb, words in CALLS.items():
        looked_at.clear()
        called = call(verb, *words.split())
        assert called.exit_code == 0, (verb, called.output)
        taken = {parameter.name for parameter in case_command.commands[verb].params}
        taken &= {field.name for field in fields(Desk)}
        at_a_desk = "book" in taken
        assert taken <= looked_at or not at_a_desk, verb


def test_an_option_that_means_nothing_is_refused():
    """A dialogue has no JSON, a case file neither; a list knows of no knowledge."""
    for words in ("work --json", "list --knowledge .", "backup --knowledge . copy.db"):
        refused = call(*words.split())
        assert refused.exit_code == 2, words
        assert "No such option" in refused.output, words
    refused = call("export", "1", "--json")
    assert (refused.exit_code, "say where to write it, --out" in refused.output) == (2, True)


def test_what_a_reading_was_taken_with_goes_with_it_everywhere(tmp_path: Path):
    answered("open", "refrigerant=R134a", "expansion=TXV", "compressor=fixed", "ambient=31 degC")
    told = answered("saw", "1", "cooling=weak", "low_side=2.1 bar", "--with", "gauge =3")
    assert [e["what"] for e in told["recorded"]] == [
        "cooling = weak",
        "low_side = 2.1 bar (with gauge =3)",
    ]
    answered("read", "1", "vent=14 degC", "--with", 'thermometer "B"')
    answered("doubt", "1", "vent")
    answered("repaired", "1", "recover_and_charge")
    answered("read", "1", "low_side=2.4 bar", "--with", "gauge 4")
    assert "2.4 bar (with gauge 4)" in done("show", "1")
    file = done("export", "1")
    assert '[repaired.instruments]\nlow_side = "gauge =3"\n' in file
    assert '[instruments]\nlow_side = "gauge 4"\n' in file
    Path("van.toml").write_text(file)
    answered("import", "van.toml")
    events = answered("history", "2")["events"]
    tools = [e["content"].get("instrument") for e in events if e["kind"] == "read"]
    assert [tool for tool in tools if tool] == ["gauge =3", "gauge 4"]
    page = CliRunner().invoke(main, ["report", "1", "--out", "record.html", "--part", "record"])
    record = Path("record.html").read_text() if page.exit_code == 0 else page.output
    assert re.search(r"<td[^>]*>gauge =3</td>", record), record[-500:]


def test_a_gauge_that_is_off_is_a_column_of_the_archive():
    for number, gauge in enumerate(("gauge 3", "gauge 4"), start=1):
        answered("open", "refrigerant=R134a", "low_side=2.1 bar", "--with", gauge)
        answered("close", str(number), "--unconfirmed")
    answered("export", "--archive", "closed.csv")
    rows = list(csv.DictReader(Path("closed.csv").read_text().splitlines()))
    assert [row["instrument_low_side"] for row in rows] == ["gauge 3", "gauge 4"]
    watched = ["watch", "closed.csv", "--by", "instrument_low_side", "--date", "closed", "--json"]
    assert CliRunner().invoke(main, watched).exit_code == 0


def test_an_instrument_without_a_reading_is_refused():
    answered("open", "refrigerant=R134a")
    refused = call("saw", "1", "cooling=weak", "--with", "gauge 3")
    assert (refused.exit_code, "there is none here" in refused.output) == (2, True)
    for text, why in (
        ('[instruments]\nlow_side = "x"', "low_side: not in [readings]"),
        ('[readings]\nvent = "9 degC"\n[instruments]\nvemt = "x"', "did you mean 'vent'?"),
        ('[readings]\nvent = "9 degC"\n[instruments]\nvent = 3', 'a name is needed, as "gauge 3"'),
        ("instruments = 3", "readings with a name each are needed"),
    ):
        Path("bad.toml").write_text(text)
        result = CliRunner().invoke(main, ["assess", "bad.toml"])
        assert result.exit_code == 1
        assert why in result.output, result.output


def test_the_prompt_asks_for_the_unit_of_a_bare_number():
    answered("open", "refrigerant=R134a")
    talk = CliRunner().invoke(
        main, ["case", "work", "1"], input="with gauge 3\nlow 2.1\nbar\nquit\n"
    )
    assert "Low-side pressure: 2.1 of what?  bar / psi / kPa" in talk.output
    assert "Low-side pressure         2.1 bar (with gauge 3)" in done("show", "1")
