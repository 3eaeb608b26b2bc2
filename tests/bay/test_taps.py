"""Entries of devices in the case book: each once, in any order, none lost, none passed over."""

from __future__ import annotations

import json
import random
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from loopodds.base.errors import InspectionError
from loopodds.bay.taps import MOST_ENTRIES, Entry, Intake, entries_of, unsettled
from loopodds.casebook.believed import check_book
from loopodds.casebook.book import CaseBook
from loopodds.casebook.file import CaseBookError
from loopodds.casebook.replay import CaseState, replay
from loopodds.casebook.work import Casework
from loopodds.diagnosis.model import Model

ONE, TWO = "a" * 32, "b" * 32
Make = Callable[..., Entry]


@pytest.fixture
def intake(model: Model, tmp_path: Path) -> Iterator[Intake]:
    with CaseBook(tmp_path / "book.db") as book:
        yield Intake(Casework(book, model))


@pytest.fixture
def entry() -> Make:
    """Makes entries of a device, each with an id of its own and counted on."""
    numbers = random.Random(1)
    counts: dict[str, int] = {}

    def made(kind: str, case: str = "", device: str = ONE, **more: Any) -> Entry:
        own = f"{numbers.getrandbits(128):032x}"
        counts[device] = max(counts.values(), default=0) + 1
        given = {"id": own, "device": device, "count": counts[device], "case": case or own,
                 "at": "2026-11-28T10:00:00Z", "kind": kind, **more}  # fmt: skip
        (one,) = entries_of(json.dumps([given]).encode())
        return one

    return made


def state_of(intake: Intake, number: int = 1) -> CaseState:
    return replay(intake.work.book.events(number))


def values(intake: Intake) -> dict[str, Any]:
    return {name: seen.value for name, seen in state_of(intake).noted.items()}


def test_entries_sent_again_are_there_once(intake: Intake, entry: Make, model: Model):
    opened = entry("opened", name="B-XY 12")
    seen = [entry("recorded", opened.id, name="refrigerant", value="R134a"),
            entry("recorded", opened.id, name="low_side", value="2.1 bar"),
            entry("test_done", opened.id, name="label_check")]  # fmt: skip
    for _ in range(3):
        outcomes = intake.take([opened, *seen])
        assert [outcome.problem for outcome in outcomes] == [""] * 4
    assert len(intake.work.book.events(1)) == 4
    assert values(intake) == {"refrigerant": "R134a", "low_side": "2.1 bar"}
    assert [case.problem for case in check_book(intake.work.book, model)] == [""]


def test_another_server_on_the_same_book_knows_what_was_taken(intake: Intake, entry: Make):
    opened = entry("opened", name="van")
    intake.take([opened, entry("recorded", opened.id, name="cooling", value="weak")])
    again = Intake(intake.work)
    assert again.take([opened])[0].case == 1
    assert intake.work.book.numbers() == [1]


def test_entries_that_arrive_in_disorder_are_written_as_the_device_counted(
    intake: Intake, entry: Make
):
    opened = entry("opened", name="van")
    first = entry("recorded", opened.id, name="cooling", value="weak")
    second = entry("recorded", opened.id, name="cooling", value="none", replaces=[first.id])
    intake.take([second, first, opened])
    assert values(intake) == {"cooling": "none"}
    assert unsettled(intake.work.book.events(1)) == {}


def test_what_the_book_does_not_allow_is_refused_with_the_reason_and_the_rest_goes_on(
    intake: Intake, entry: Make
):
    opened = entry("opened", name="van")
    wrong = entry("recorded", opened.id, name="sample_bubles", value="persisting")
    right = entry("recorded", opened.id, name="cooling", value="weak")
    outcomes = intake.take([opened, wrong, right])
    assert "sample_bubbles" in outcomes[1].problem
    assert [bool(outcome.problem) for outcome in outcomes] == [False, True, False]
    assert values(intake) == {"cooling": "weak"}


def test_what_the_book_cannot_take_now_is_not_refused_but_sent_again(
    intake: Intake, entry: Make, monkeypatch: pytest.MonkeyPatch
):
    opened = entry("opened", name="van")
    seen = entry("recorded", opened.id, name="cooling", value="weak")
    intake.take([opened])

    def full(*_: object) -> None:
        raise CaseBookError("the disk is full")

    with monkeypatch.context() as patched:
        patched.setattr(CaseBook, "append", full)
        (outcome,) = intake.take([seen])
    assert outcome.later
    assert "disk is full" in outcome.problem
    assert intake.take([seen])[0].problem == ""
    assert values(intake) == {"cooling": "weak"}


def test_an_entry_for_a_case_that_nobody_opened_is_refused(intake: Intake, entry: Make):
    (outcome,) = intake.take([entry("recorded", "c" * 32, name="cooling", value="weak")])
    assert "no case" in outcome.problem


def test_two_readings_that_did_not_know_of_each_other_both_stay_and_are_to_be_settled(
    intake: Intake, entry: Make
):
    opened = entry("opened", name="van")
    intake.take([opened, entry("recorded", opened.id, name="refrigerant", value="R134a")])
    here = entry("recorded", opened.id, name="low_side", value="2.1 bar")
    there = entry("recorded", opened.id, device=TWO, name="low_side", value="1.2 bar")
    intake.take([here])
    intake.take([there])
    events = intake.work.book.events(1)
    assert unsettled(events) == {"low_side": ["2.1 bar", "1.2 bar"]}
    assert [e.content["value"] for e in events if e.kind == "read"] == ["2.1 bar", "1.2 bar"]
    chosen = entry("recorded", opened.id, name="low_side", value="2.1 bar",
                   replaces=[here.id, there.id])  # fmt: skip
    intake.take([chosen])
    assert unsettled(intake.work.book.events(1)) == {}
    assert values(intake)["low_side"] == "2.1 bar"


def test_two_devices_that_say_the_same_agree(intake: Intake, entry: Make):
    opened = entry("opened", name="van")
    same = {"name": "cooling", "value": "weak"}
    intake.take([opened, entry("recorded", opened.id, **same),
                 entry("recorded", opened.id, device=TWO, **same)])  # fmt: skip
    assert unsettled(intake.work.book.events(1)) == {}


def test_the_last_entry_is_taken_back_as_a_step(intake: Intake, entry: Make):
    opened = entry("opened", name="van")
    seen = entry("recorded", opened.id, name="cooling", value="weak")
    intake.take([opened, seen, entry("undone", opened.id, target=seen.id)])
    assert values(intake) == {}
    assert [e.kind for e in intake.work.book.events(1)] == ["opened", "seen", "undone"]


def test_an_earlier_entry_gives_way_to_what_stood_before_it(intake: Intake, entry: Make):
    opened = entry("opened", name="van")
    first = entry("recorded", opened.id, name="cooling", value="weak")
    second = entry("recorded", opened.id, name="cooling", value="none", replaces=[first.id])
    other = entry("recorded", opened.id, device=TWO, name="cabin_smell", value="musty")
    alone = entry("recorded", opened.id, name="airflow_fades", value="yes")
    last = entry("recorded", opened.id, device=TWO, name="poor_at_idle", value="yes")
    outcomes = intake.take([opened, first, second, other, alone, last])
    assert not any(outcome.problem for outcome in outcomes)
    intake.take([entry("undone", opened.id, target=second.id)])
    assert values(intake)["cooling"] == "weak"
    intake.take([entry("undone", opened.id, target=alone.id)])
    assert "airflow_fades" not in values(intake)


def test_what_others_built_on_is_not_taken_back_behind_their_backs(intake: Intake, entry: Make):
    opened = entry("opened", name="van")
    plan = entry("plan_chosen", opened.id, services=["advise_and_recheck"])
    later = entry("recorded", opened.id, device=TWO, name="cooling", value="weak")
    intake.take([opened, plan, later])
    (outcome,) = intake.take([entry("undone", opened.id, target=plan.id)])
    assert "take that back first" in outcome.problem
    assert state_of(intake).plan == ("advise_and_recheck",)


def test_a_whole_case_goes_from_opening_to_closing(intake: Intake, entry: Make):
    opened = entry("opened", name="van")
    given = [
        entry("recorded", opened.id, name="refrigerant", value="R134a"),
        entry("recorded", opened.id, name="sample_specks", value={"none": 0.2, "metal": 1}),
        entry("plan_chosen", opened.id, services=["clean_the_loop"], watch="noise"),
        entry("repaired", opened.id, services=["clean_the_loop"]),
        entry("recorded", opened.id, name="cooling", value="good"),
        entry("closed", opened.id, outcomes={"debris": "present"}),
    ]
    outcomes = intake.take([opened, *given])
    assert [outcome.problem for outcome in outcomes] == [""] * 7
    assert state_of(intake).closed
    intake.take([entry("undone", opened.id, target=given[-1].id)])
    assert not state_of(intake).closed


def test_a_case_begun_elsewhere_is_gone_on_with_by_its_number(intake: Intake, entry: Make):
    intake.work.open("at the desk", [("refrigerant", "R134a")])
    (outcome,) = intake.take([entry("recorded", "1", name="cooling", value="weak")])
    assert outcome.problem == ""
    assert values(intake) == {"refrigerant": "R134a", "cooling": "weak"}


@pytest.mark.parametrize(
    "body",
    [
        b"", b"{}", b"[1]", b"[" * 50_000, b"\xff\xfe",
        b'[{"id":"\xed"}]',
        b'[{"id":"1","device":"2","count":1,"at":"","case":"1","kind":"opened"}]',
        json.dumps([{"id": ONE, "device": ONE, "count": -1, "at": "", "case": "1",
                     "kind": "opened"}]).encode(),
        json.dumps([{"id": ONE, "device": ONE, "count": 1, "at": "", "case": "1",
                     "kind": "opened", "naem": "x"}]).encode(),
        json.dumps([{"id": f"{i:032x}", "device": ONE, "count": i, "at": "", "case": "1",
                     "kind": "opened"} for i in range(MOST_ENTRIES + 1)]).encode(),
    ],
)  # fmt: skip
def test_what_is_no_list_of_entries_is_refused_as_a_whole(body: bytes):
    with pytest.raises(InspectionError, match="no entries of a page"):
        entries_of(body)
