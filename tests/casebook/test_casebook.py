"""A case in the book: nothing recorded is lost or altered, and every belief can be had again."""

from __future__ import annotations

import csv
import io
import random
import shutil
import sqlite3
from collections.abc import Callable, Iterator
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import loopodds as lo
import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from loopodds.archive.scoring import read_inspections, score_batch
from loopodds.base.errors import ImpossibleEvidence, InspectionError, LoopoddsError, UnknownName
from loopodds.casebook.believed import TOLERANCE, check_book, check_case, inspection_of
from loopodds.casebook.book import CaseBook, Overtaken
from loopodds.casebook.events import NewEvent, Signature, StoredBelief
from loopodds.casebook.export import case_text, write_archive
from loopodds.casebook.file import CaseBookError, book_path
from loopodds.casebook.layout import VERSION
from loopodds.casebook.replay import CaseError, described, replay
from loopodds.casebook.work import Casework
from loopodds.diagnosis.diagnose import believe
from loopodds.diagnosis.model import Model
from loopodds.inspection.assignments import observations_of, outcomes_of
from loopodds.inspection.case_file import load_case
from loopodds.knowledge.records import Knowledge
from loopodds.knowledge.tables import READERS, Eye, readers_text

SMALL = Path(__file__).parents[1] / "small_knowledge"
CAR = (
    ("low_side", "2.1 bar"),  # needs the refrigerant, which is given after it on purpose
    ("refrigerant", "R134a"),
    ("ambient", "31 degC"),
    ("sample_bubbles", "persisting"),
    ("sample_specks", {"none": 0.3, "metal": 0.7}),
)


@pytest.fixture(scope="module")
def small() -> Model:
    """Invented knowledge whose results can be worked out by hand."""
    return Model(Knowledge(SMALL))


@pytest.fixture
def book(tmp_path: Path) -> Iterator[CaseBook]:
    """A new book."""
    with CaseBook(tmp_path / "book.db") as opened:
        yield opened


def changed_knowledge(folder: Path, *changes: tuple[str, str, str]) -> Model:
    """The small knowledge with some texts (file, old, new) changed."""
    shutil.copytree(SMALL, folder)
    for file, old, new in changes:
        text = (folder / file).read_text(encoding="utf-8")
        assert old in text
        (folder / file).write_text(text.replace(old, new), encoding="utf-8")
    return Model(Knowledge(folder))


def assert_same(one: StoredBelief, other: StoredBelief) -> None:
    """The same belief: in a batch of another size only the order of sums differs."""
    assert one.p_sound == pytest.approx(other.p_sound, abs=1e-13)
    assert one.conditions == pytest.approx(other.conditions, abs=1e-13)


# ---------------------------------------------------------------- what a call answers


def test_an_answer_tells_the_change_worked_out_by_hand(book: CaseBook, small: Model) -> None:
    work = Casework(book, small)
    work.open("van")
    answer = work.record(1, [("sample_bubbles", "persisting")])
    # prior of moisture .06 + .04; bubbles: .02 of sound and damp cars, 1 - .98 x .3 of wet ones
    wet, rest = 0.04 * (1 - 0.98 * 0.3), 0.96 * 0.02
    after = (wet + 0.06 * 0.02) / (wet + rest)
    move = next(move for move in answer.moved() if move.name == "moisture")
    assert move.before == pytest.approx(0.10, abs=1e-12)  # float sums
    assert move.after == pytest.approx(after, abs=1e-12)  # float sums
    assert answer.after.conditions["moisture"] == move.after


def test_a_case_of_the_book_is_believed_like_the_same_case_file(
    book: CaseBook, model: Model
) -> None:
    answer = Casework(book, model).open("van", CAR)
    file = load_case(
        '[vehicle]\nrefrigerant = "R134a"\n[conditions]\nambient = "31 degC"\n'
        '[findings]\nsample_bubbles = "persisting"\n'
        "sample_specks = { none = 0.3, metal = 0.7 }\n"
        '[readings]\nlow_side = "2.1 bar"\n',
        model.knowledge,
    )
    belief = believe(file, model)
    conditions = {name: belief.condition(name) for name in model.conditions}
    assert_same(answer.after, StoredBelief(conditions, belief.p_sound, belief.log_evidence))


def test_each_observation_is_an_event_with_time_author_note_and_knowledge(
    tmp_path: Path, model: Model
) -> None:
    moment = datetime(2026, 3, 29, 1, 30, 0, 123456, tzinfo=UTC)
    with CaseBook(tmp_path / "book.db", clock=lambda: moment) as book:
        answer = Casework(book, model, "Ann", "after lunch").open("van", CAR)
        assert [described(event) for event in answer.events] == [
            "opened: van",
            "refrigerant = R134a",
            "ambient = 31 degC",
            "sample_bubbles = persisting",
            "sample_specks = none:0.3,metal:0.7",
            "low_side = 2.1 bar",
        ]
        assert [event.kind for event in answer.events] == ["opened", "seen", "read", "seen",
                                                           "seen", "read"]  # fmt: skip
        for event in book.events(1):
            assert event.time == "2026-03-29T01:30:00.123456Z"
            assert (event.who, event.note) == ("Ann", "after lunch")
            assert event.knowledge == model.knowledge.digest


def test_nothing_is_recorded_of_a_call_that_is_refused(book: CaseBook, model: Model) -> None:
    work = Casework(book, model)
    work.open("van", CAR)
    before = book.events(1)
    refused: list[tuple[Callable[[], object], type[LoopoddsError], str]] = [
        (lambda: work.record(1, [("vent", "14 degC"), ("sample_bubbles", "persistent")]),
         InspectionError,
         "case 1: [findings] sample_bubbles: unknown state 'persistent'; did you mean "
         "'persisting'?"),
        (lambda: work.record(1, [("low_side", "2.1")]), InspectionError, "has no unit"),
        (lambda: work.record(1, [("sample_bubles", "none")]), UnknownName,
         "unknown finding, reading or history item 'sample_bubles'; did you mean "
         "'sample_bubbles'?"),
        (lambda: work.record(1, [("moisture", "wet")]), UnknownName,
         "'moisture' is what is looked for and cannot be seen"),
        (lambda: work.withdraw(1, ["sample_bubbles", "vent"]), UnknownName,
         "unknown entry of this case 'vent'; known: refrigerant, ambient, sample_bubbles, "
         "sample_specks, low_side"),
        (lambda: work.withdraw(1, ["refrigerant"]), InspectionError, "refrigerant is not stated"),
        (lambda: work.doubt(1, [("low_side", "low")]), InspectionError,
         "low_side=low is no doubt; write shares, as low_side=none:0.3,metal:0.7, or the name "
         "alone"),
        (lambda: work.tests_done(1, ["cold_lok"]), UnknownName,
         "unknown test 'cold_lok'; did you mean 'cold_look'?"),
        (lambda: work.close(1, {"moisture": "some"}), InspectionError, "unknown state 'some'"),
        (lambda: work.redo(1), CaseError, "case 1: nothing to redo"),
        (lambda: work.show(2), UnknownName,
         f"no case 2 in the case book {book.path}; it holds cases 1 to 1"),
    ]  # fmt: skip
    for call, kind, message in refused:
        with pytest.raises(kind) as caught:
            call()
        assert message in str(caught.value)
    assert book.events(1) == before


def test_observations_that_cannot_hold_together_are_named_and_not_recorded(
    book: CaseBook, tmp_path: Path
) -> None:
    # bubbles only from a wet loop, and no loop is ever wet
    never = changed_knowledge(
        tmp_path / "never",
        ("findings.toml", "leak = { p = [0.98, 0.02] }", "leak = { p = [1.0, 0.0] }"),
        ("faults.toml", "p = [0.9, 0.06, 0.04]", "p = [0.94, 0.06, 0.0]"),
    )
    work = Casework(book, never)
    work.open("van")
    with pytest.raises(ImpossibleEvidence) as caught:
        work.record(1, [("sample_specks", "metal"), ("sample_bubbles", "persisting")])
    assert str(caught.value) == "these cannot hold together: sample_bubbles"
    assert len(book.events(1)) == 1


# ---------------------------------------------------------------- undo, redo, replay

STEP = st.one_of(
    st.tuples(st.just("see"), st.sampled_from(["none", "persisting"])),
    st.tuples(st.just("specks"), st.sampled_from(["none", "grit", "polymer", "metal"])),
    st.tuples(st.just("share"), st.floats(0.01, 0.99)),
    st.tuples(st.just("cycle"), st.sampled_from(["steady", "short_cycling", "cut_out"])),
    st.tuples(st.sampled_from(["doubt", "withdraw"]),
              st.sampled_from(["sample_bubbles", "sample_specks", "compressor_cycle"])),
    st.tuples(st.sampled_from(["undo", "redo"]), st.none()),
)  # fmt: skip


class Sheet:
    """The same steps on paper: snapshots of everything recorded, and a place among them."""

    def __init__(self) -> None:
        self.pages: list[dict[str, Any]] = [{}]
        self.place = 0

    def write(self, page: dict[str, Any]) -> None:
        self.pages = [*self.pages[: self.place + 1], page]
        self.place += 1

    def turn(self, pages: int) -> bool:
        if not 0 <= self.place + pages < len(self.pages):
            return False
        self.place += pages
        return True

    def take(self, step: str, value: Any) -> bool:
        """Whether the step is possible; done if it is."""
        now = self.pages[self.place]
        if step in ("undo", "redo"):
            return self.turn(-1 if step == "undo" else 1)
        if step in ("doubt", "withdraw") and value not in now:
            return False
        if step == "doubt":
            self.write({**now, value: None})
        elif step == "withdraw":
            self.write({name: said for name, said in now.items() if name != value})
        else:
            name, said = written(step, value)
            self.write({**now, name: said})
        return True


def written(step: str, value: Any) -> tuple[str, Any]:
    if step == "share":
        return "sample_specks", {"none": value, "metal": 1 - value}
    names = {"see": "sample_bubbles", "specks": "sample_specks", "cycle": "compressor_cycle"}
    return names[step], value


def do(work: Casework, step: str, value: Any) -> None:
    if step == "undo":
        work.undo(1)
    elif step == "redo":
        work.redo(1)
    elif step == "doubt":
        work.doubt(1, [(value, None)])
    elif step == "withdraw":
        work.withdraw(1, [value])
    else:
        work.record(1, [written(step, value)])


@settings(max_examples=40, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(st.lists(STEP, max_size=14))
def test_any_course_of_a_case_is_what_paper_says_and_undone_and_redone_is_the_same(
    small: Model, tmp_path_factory: pytest.TempPathFactory, steps: list[tuple[str, Any]]
) -> None:
    path = tmp_path_factory.mktemp("course") / "book.db"
    sheet = Sheet()
    with CaseBook(path) as book:
        work = Casework(book, small)
        work.open("van")
        for step, value in steps:
            if sheet.take(step, value):
                do(work, step, value)
            else:
                with pytest.raises((CaseError, UnknownName)):
                    do(work, step, value)
            noted = replay(book.events(1)).noted
            assert {n: one.value if one.used else None for n, one in noted.items()} == (
                sheet.pages[sheet.place]
            )
        last = work.show(1)
        for _ in range(sheet.place):
            work.undo(1)
        start = work.show(1)
        assert start.state.noted == {}
        assert start.after == book.events(1)[0].posterior
        for _ in range(sheet.place):
            work.redo(1)
        again = work.show(1)
        assert again.state.noted == last.state.noted
        # the same evidence in the same order through the same sums
        assert again.after == last.after
        (checked,) = check_book(book, small)
        assert checked.problem == ""
        assert checked.compared == len(book.events(1))
        assert checked.difference <= TOLERANCE


def test_undoing_takes_nothing_off_the_record(book: CaseBook, model: Model) -> None:
    work = Casework(book, model)
    work.open("van", CAR)
    events = book.events(1)
    for _ in CAR:
        work.undo(1)
    assert book.events(1)[: len(events)] == events
    with pytest.raises(CaseError) as caught:
        work.undo(1)
    assert str(caught.value) == "case 1: nothing to undo; only its opening is left"


def test_a_new_entry_ends_the_possibility_to_redo(book: CaseBook, model: Model) -> None:
    work = Casework(book, model)
    work.open("van", CAR)
    work.undo(1)
    work.record(1, [("vent", "14 degC")])
    with pytest.raises(CaseError, match="nothing to redo"):
        work.redo(1)


def test_what_is_doubted_stays_on_view_and_has_no_weight(book: CaseBook, model: Model) -> None:
    work = Casework(book, model)
    before = work.open("van", CAR[:3]).after
    work.record(1, [("sample_bubbles", "persisting")])
    answer = work.doubt(1, [("sample_bubbles", None)])
    assert_same(answer.after, before)
    one = answer.state.noted["sample_bubbles"]
    assert (one.value, one.doubted, one.used) == ("persisting", True, False)
    shared = work.doubt(1, [("sample_bubbles", {"none": 0.4, "persisting": 0.6})])
    seen = work.record(1, [("sample_bubbles", {"none": 2.0, "persisting": 3.0})])
    # only the ratio of likelihoods matters; 4 : 6 and 2 : 3 round differently
    assert_same(shared.after, seen.after)
    assert not seen.state.noted["sample_bubbles"].doubted


def test_a_later_word_or_number_replaces_the_earlier_one(book: CaseBook, model: Model) -> None:
    work = Casework(book, model)
    work.open("van", CAR)
    answer = work.record(1, [("low_side", "low")])
    assert answer.inspection.findings["low_side"] == "low"
    assert "low_side" not in answer.inspection.readings
    again = work.record(1, [("low_side", "2.1 bar")])
    assert "low_side" not in again.inspection.findings


# ---------------------------------------------------------------- closing


EMPTY = [
    ("refrigerant", "R134a"), ("setting", "complaint"), ("cooling", "none"),
    ("ambient", "25 degC"), ("identification", "as_labelled"), ("static_pressure", "0.3 bar"),
]  # fmt: skip


def test_an_outcome_against_all_that_was_seen_is_asked_about(book: CaseBook, model: Model) -> None:
    work = Casework(book, model)
    work.open("empty", EMPTY)
    with pytest.raises(CaseError) as caught:
        work.close(1, {"sound": "present"})
    assert "charge right (<1 %), where very low has >99 %" in str(caught.value)
    assert caught.value.remedy == "as it came"
    assert not work.show(1).state.closed
    assert work.close(1, {"sound": "present"}, sure=True).state.closed


def test_a_sound_car_that_cannot_be_is_asked_about_though_no_fault_is_proved(
    book: CaseBook, model: Model
) -> None:
    work = Casework(book, model)
    seen = {"refrigerant": "R134a", "setting": "complaint", "cooling": "none",
            "ambient": "25 degC", "static_pressure": "low"}  # fmt: skip
    work.open("weak", seen.items())
    belief = work.show(1).after
    assert belief.p_sound < 0.02
    assert max(belief.conditions.values()) < 0.9
    with pytest.raises(CaseError, match="against what was seen of the car as it came: car sound"):
        work.close(1, {"sound": "present"})
    (slip,) = work.against(1, {"sound": "present"})
    assert work.without({"moisture": "wet", "sound": "present"}, [slip]) == {"moisture": "wet"}


def test_a_repaired_car_that_is_only_called_sound_may_be_meant_as_it_came_or_since(
    book: CaseBook, model: Model
) -> None:
    work = Casework(book, model)
    work.open("van", [("refrigerant", "R134a")])
    work.repaired(1, ["dry_the_loop"])
    with pytest.raises(CaseError, match="sound as it came, so that") as caught:
        work.close(1, {"sound": "present"})
    assert caught.value.remedy == "as it came"
    assert work.close(1, {"moisture": "damp", "sound": "present"}).state.closed


def test_outcomes_of_an_earlier_closing_are_not_those_of_a_later_one(
    book: CaseBook, model: Model
) -> None:
    """Books written before took back only the closing itself, and left its outcomes standing."""
    work = Casework(book, model)
    work.open("van", CAR)
    last = work.close(1, {"moisture": "wet"}).events[-1]
    pointer = {"position": last.position, "kind": "closed", "what": "closed"}
    undone = NewEvent("undone", pointer, last.posterior)
    book.append(1, last.position, [undone], Signature("", "", model.knowledge.digest))
    assert not work.close(1, {}).state.confirmed
    file = io.StringIO()
    write_archive(book, model.knowledge, file)
    assert "confirmed" not in file.getvalue()


def test_one_undo_takes_a_closing_back_and_one_redo_brings_it(book: CaseBook, model: Model) -> None:
    work = Casework(book, model)
    before = work.open("van", CAR)
    closed = work.close(1, {"moisture": "wet"})
    assert [event.kind for event in closed.events] == ["confirmed", "closed"]
    again = work.undo(1)
    assert not again.state.closed
    assert not again.state.confirmed
    assert_same(again.after, before.after)
    assert work.redo(1).state.confirmed == {"moisture": "wet"}
    assert work.show(1).state.closed


def test_what_goes_against_what_was_seen_can_be_left_out(book: CaseBook, model: Model) -> None:
    """An export then carries what was stated and nothing else."""
    work = Casework(book, model)
    work.open("empty", EMPTY)
    stated = {"air": "absent", "charge": "right"}
    against = work.against(1, stated)
    assert [slip.fault for slip in against] == ["charge"]
    left = work.without(stated, against)
    assert left == {"air": "absent"}
    assert work.close(1, left).state.confirmed == {"air": "absent"}


def test_outcomes_never_move_the_belief_and_a_closed_case_takes_no_more(
    book: CaseBook, model: Model
) -> None:
    work = Casework(book, model)
    opened = work.open("van", CAR)
    closed = work.close(1, {"moisture": "wet", "sound": "present"})
    assert_same(closed.after, opened.after)
    assert closed.state.closed
    faults = model.knowledge.of_kind("fault")
    assert closed.state.confirmed == {
        name: "wet" if name == "moisture" else node.states[0] for name, node in faults.items()
    }
    with pytest.raises(CaseError) as caught:
        work.record(1, [("vent", "14 degC")])
    assert str(caught.value) == "case 1 is closed"
    assert caught.value.remedy == "reopen"
    assert not work.undo(1).state.closed


def test_a_condition_confirmed_keeps_the_rest_of_its_variable_open(
    book: CaseBook, model: Model
) -> None:
    answer = Casework(book, model).open("van", CAR, {"undercharge": "present", "sound": "present"})
    remaining = answer.inspection.confirmed["charge"]
    assert set(remaining) == set(model.knowledge.condition("undercharge").states)


# ---------------------------------------------------------------- the knowledge changes


def test_a_stored_belief_stands_and_the_change_of_knowledge_is_said(
    book: CaseBook, small: Model, tmp_path: Path
) -> None:
    stored = Casework(book, small).open("van", [("sample_bubbles", "persisting")]).after
    newer = changed_knowledge(
        tmp_path / "new", ("faults.toml", "p = [0.9, 0.06, 0.04]", "p = [0.8, 0.06, 0.14]")
    )
    answer = Casework(book, newer).record(1, [("sample_specks", "metal")])
    assert answer.older == small.knowledge.digest
    assert book.events(1)[1].posterior == stored
    # what is called before is what the new knowledge makes of the case: .14 wet, not .04
    wet, rest = 0.14 * (1 - 0.98 * 0.3), 0.86 * 0.02
    expected = (wet + 0.06 * 0.02) / (wet + rest)
    assert answer.before.posterior is not None
    assert answer.before.posterior.conditions["moisture"] == pytest.approx(expected, abs=1e-12)
    (checked,) = check_book(book, newer)
    assert (checked.compared, checked.older) == (1, (small.knowledge.digest,))
    assert checked.problem == ""


def test_an_entry_the_new_knowledge_does_not_have_can_be_withdrawn(
    book: CaseBook, small: Model, tmp_path: Path
) -> None:
    Casework(book, small).open("van", [("sample_bubbles", "persisting")])
    newer = changed_knowledge(
        tmp_path / "new", ("findings.toml", "[sample_bubbles]", "[sample_froth]")
    )
    work = Casework(book, newer)
    change = (
        f"the knowledge has changed since ({small.knowledge.digest} then, "
        f"{newer.knowledge.digest} now)"
    )
    for call in (lambda: work.show(1), lambda: work.record(1, [("sample_specks", "none")])):
        with pytest.raises(InspectionError) as caught:
            call()
        assert "[findings] sample_bubbles: unknown finding; " in str(caught.value)
        assert str(caught.value).endswith(change)
    answer = work.withdraw(1, ["sample_bubbles"])
    assert answer.before.posterior is None
    assert answer.moved() == []
    assert work.show(1).state.noted == {}


def test_a_belief_that_does_not_come_out_again_is_reported(book: CaseBook, small: Model) -> None:
    work = Casework(book, small)
    first = work.open("van", [("sample_bubbles", "persisting")]).after
    off = {**first.conditions, "moisture": first.conditions["moisture"] + 1e-9}
    step = NewEvent(
        "test_done", {"test": "x"}, StoredBelief(off, first.p_sound, first.log_evidence)
    )
    book.append(1, 2, [step], Signature("", "", small.knowledge.digest))
    (checked,) = check_book(book, small)
    assert checked.difference == pytest.approx(1e-9, rel=1e-3)  # float subtraction
    assert checked.problem == "event 3: stored belief differs by 1.0e-09"


def test_events_that_make_no_sense_are_named(book: CaseBook, small: Model) -> None:
    first = Casework(book, small).open("van").after
    for content in ({"position": 9}, {"position": 1}):
        step = NewEvent("undone", content, first)
        book.append(1, len(book.events(1)), [step], Signature("", "", small.knowledge.digest))
        with pytest.raises(CaseError) as caught:
            replay(book.events(1))
        assert str(caught.value) == "case 1: event 2 does not follow from the rest"
    assert "does not follow" in check_case(book.events(1), small).problem


# ---------------------------------------------------------------- the file


def test_the_file_itself_refuses_to_change_remove_or_insert_events(
    book: CaseBook, model: Model
) -> None:
    Casework(book, model).open("van", CAR)
    before = book.events(1)
    columns = "case_number, position, time, who, note, kind, content, knowledge, posterior"
    copy = "SELECT 1, {}, time, 'x', note, kind, content, knowledge, posterior FROM events"
    attacks = [
        "UPDATE events SET who = 'x'",
        "UPDATE OR REPLACE events SET position = position + 1",
        "DELETE FROM events WHERE position = 2",
        f"INSERT OR REPLACE INTO events ({columns}) {copy.format(3)} WHERE position = 3",
        f"INSERT INTO events ({columns}) {copy.format(99)} WHERE position = 3",
        f"INSERT INTO events ({columns}) {copy.format(0)} WHERE position = 3",
    ]
    raw = sqlite3.connect(book.path)
    for attack in attacks:
        with pytest.raises(sqlite3.IntegrityError, match="events"):
            raw.execute(attack)
    raw.close()
    assert book.events(1) == before


def test_two_hands_on_one_case_both_keep_their_entry(tmp_path: Path, small: Model) -> None:
    path = tmp_path / "book.db"
    other = Casework(CaseBook(path), small, "Ben")
    other.open("van")
    pending = [("sample_specks", "metal")]

    def clock() -> datetime:
        # the other person is quicker: between reading the case and writing to it
        if pending:
            other.record(1, [pending.pop()])
        return datetime.now(UTC)

    with CaseBook(path, clock=clock) as book:
        answer = Casework(book, small, "Ann").record(1, [("sample_bubbles", "persisting")])
        assert [event.who for event in book.events(1)] == ["Ben", "Ben", "Ann"]
        assert set(answer.state.noted) == {"sample_specks", "sample_bubbles"}
        (checked,) = check_book(book, small)
        assert checked.problem == ""
        with pytest.raises(Overtaken, match="case 1 has grown since it was read"):
            book.append(1, 2, [], Signature("", "", ""))
    other.book.close()


def test_a_book_is_as_sqlite_promises_most(book: CaseBook, model: Model) -> None:
    Casework(book, model).open("van", CAR)
    raw = sqlite3.connect(book.path)
    assert raw.execute("PRAGMA journal_mode").fetchone() == ("wal",)
    assert raw.execute("PRAGMA application_id").fetchone() == (0x4C4F4F50,)
    assert raw.execute("PRAGMA user_version").fetchone() == (VERSION,)
    raw.close()
    assert book._connection.execute("PRAGMA synchronous").fetchone() == (2,)  # FULL
    assert book.damage() == []


@pytest.mark.parametrize(
    ("content", "message"),
    [
        (b"", "cut off after 0 bytes; restore a copy"),
        (b"SQLite form", "cut off after 11 bytes; restore a copy"),
        (b"[findings]\nsample_bubbles = 'none'\n", "this is another kind of file"),
        (b"\xff" * 5000, "this is another kind of file"),
    ],
)
def test_a_file_that_is_no_book_is_left_alone(tmp_path: Path, content: bytes, message: str) -> None:
    path = tmp_path / "book.db"
    path.write_bytes(content)
    for write in (True, False):
        with pytest.raises(CaseBookError) as caught:
            CaseBook(path, write)
        assert str(caught.value) == f"case book {path}: {message}"
        assert caught.value.remedy == "another book"
    assert path.read_bytes() == content
    assert list(tmp_path.iterdir()) == [path]


def test_a_database_of_another_program_is_left_alone(tmp_path: Path) -> None:
    path = tmp_path / "other.db"
    raw = sqlite3.connect(path)
    raw.execute("CREATE TABLE events (id)")
    raw.close()
    content = path.read_bytes()
    with pytest.raises(CaseBookError) as caught:
        CaseBook(path)
    assert "this is an SQLite file of another program" in str(caught.value)
    assert path.read_bytes() == content
    assert list(tmp_path.iterdir()) == [path]


@pytest.mark.parametrize("layout", [VERSION + 1, 0, -7])
def test_a_book_of_a_layout_that_is_not_known_is_left_alone(book: CaseBook, layout: int) -> None:
    raw = sqlite3.connect(book.path)
    raw.execute(f"PRAGMA user_version = {layout}")
    raw.close()
    book.close()
    with pytest.raises(CaseBookError) as caught:
        CaseBook(book.path)
    shown = layout % 2**32  # four bytes of the file's head, without a sign
    assert str(caught.value) == (
        f"case book {book.path}: written in layout {shown}, this program (loopodds "
        f"{lo.__version__}) knows 1 to {VERSION}; use the loopodds that wrote it"
    )


def whole_book(path: Path, model: Model) -> bytes:
    """A closed book of some pages."""
    with CaseBook(path) as book:
        work = Casework(book, model)
        for i in range(6):
            work.open(f"van {i}", CAR)
    return path.read_bytes()


def test_a_book_cut_off_anywhere_says_so_and_is_left_as_it_is(tmp_path: Path, model: Model) -> None:
    data = whole_book(tmp_path / "whole.db", model)
    path = tmp_path / "cut.db"
    for length in [*range(0, len(data), 512), len(data) - 1]:
        path.write_bytes(data[:length])
        with pytest.raises(CaseBookError) as caught, CaseBook(path) as book:
            book.events(1)
        assert str(path) in str(caught.value)
        assert "cut off" in str(caught.value) or "damaged" in str(caught.value)
        assert path.read_bytes() == data[:length]


def test_a_damaged_book_never_ends_in_anything_but_a_plain_message(
    tmp_path: Path, model: Model
) -> None:
    data = whole_book(tmp_path / "whole.db", model)
    path = tmp_path / "bad.db"
    rng = random.Random(20261125)
    noticed = 0
    for _ in range(80):
        bad = bytearray(data)
        for _ in range(rng.choice([1, 4, 64])):
            bad[rng.randrange(len(bad))] = rng.randrange(256)
        path.write_bytes(bytes(bad))
        try:
            with CaseBook(path, write=False) as book:
                damage = book.damage()
                checked = list(check_book(book, model))
                noticed += bool(damage) or any(one.problem or one.older for one in checked)
        except LoopoddsError:
            noticed += 1
    # a changed byte in free space, a time or a name is no damage to what was believed
    assert noticed > 40


def test_the_book_lies_where_the_user_says_or_in_the_data_folder(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    monkeypatch.setattr("sys.platform", "linux")
    monkeypatch.setenv("HOME", str(tmp_path))
    monkeypatch.delenv("LOOPODDS_BOOK", raising=False)
    monkeypatch.delenv("XDG_DATA_HOME", raising=False)
    assert book_path() == tmp_path / ".local" / "share" / "loopodds" / "cases.db"
    monkeypatch.setenv("XDG_DATA_HOME", "relative/is/invalid")
    assert book_path() == tmp_path / ".local" / "share" / "loopodds" / "cases.db"
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path / "data"))
    assert book_path() == tmp_path / "data" / "loopodds" / "cases.db"
    monkeypatch.setenv("LOOPODDS_BOOK", "here.db")
    assert book_path() == Path("here.db")
    assert book_path("~/there.db") == tmp_path / "there.db"


def test_a_book_that_cannot_be_begun_says_why(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("")
    path = tmp_path / "file" / "book.db"
    with pytest.raises(CaseBookError) as caught:
        CaseBook(path)
    problem = "cannot be begun: one of its folders is a file"
    assert str(caught.value) == f"case book {path}: {problem}"
    assert caught.value.remedy == "another book"
    folder = tmp_path / "folder"
    folder.mkdir()
    with pytest.raises(CaseBookError, match="cannot be read: Is a directory"):
        CaseBook(folder)
    with pytest.raises(CaseBookError, match=r"there is none yet$"):
        CaseBook(tmp_path / "none.db", write=False)


# ---------------------------------------------------------------- out of the book and in again


def test_names_and_notes_are_data_whatever_they_hold(book: CaseBook, model: Model) -> None:
    name = "'); DROP TABLE events; -- \x1b[2J\u202e\0 \ud800"
    work = Casework(book, model, who=name, note=name)
    work.open(name)
    (event,) = book.events(1)
    stored = name.replace("\ud800", "?")
    assert (event.who, event.note, event.content["name"]) == (stored, stored, stored)
    assert load_case(case_text(replay([event])), model.knowledge).findings == {}


@settings(max_examples=20, deadline=None)
@given(data=st.data())
def test_a_case_written_as_a_file_and_read_again_is_the_same_case(
    model: Model, tmp_path_factory: pytest.TempPathFactory, data: st.DataObject
) -> None:
    knowledge = model.knowledge
    words = knowledge.of_kind("finding", "history")
    chosen = data.draw(st.lists(st.sampled_from(sorted(words)), max_size=8, unique=True))
    said: list[tuple[str, Any]] = [("refrigerant", "R1234yf"), ("high_side", "230 psi")]
    for name in chosen:
        states = words[name].states
        if data.draw(st.booleans()):
            said.append((name, data.draw(st.sampled_from(states))))
        else:
            weights = data.draw(st.tuples(*[st.floats(0.01, 1)] * len(states)))
            said.append((name, dict(zip(states, weights, strict=True))))
    with CaseBook(tmp_path_factory.mktemp("export") / "book.db") as book:
        work = Casework(book, model)
        first = work.open("van", said, {"moisture": "damp"} if data.draw(st.booleans()) else None)
        again = load_case(case_text(first.state), knowledge)
        second = work.open(
            "again",
            [(one.name, one.value) for one in observations_of(again)],
            outcomes_of(again.confirmed, knowledge) or None,
        )
        assert second.state.sections() == first.state.sections()
        assert second.state.closed == first.state.closed
        assert_same(second.after, first.after)


@pytest.mark.parametrize(
    "outcome",
    [
        {"moisture": "present"}, {"moisture": "wet"}, {"moisture": "absent"},
        {"undercharge": "present"}, {"undercharge": "absent"}, {"charge": "right"},
        {"charge": "present"}, {"undercharge": "absent", "overcharge": "absent"},
        {"expansion_stuck_open": "absent", "expansion_stuck": "present"},
    ],
)  # fmt: skip
def test_an_outcome_in_words_means_the_same_states_again(
    model: Model, book: CaseBook, outcome: dict[str, str]
) -> None:
    answer = Casework(book, model).open("van", [], outcome)
    words = outcomes_of(answer.inspection.confirmed, model.knowledge)
    again = Casework(book, model).open("again", [], words)
    assert again.inspection.confirmed == answer.inspection.confirmed


def test_closed_cases_become_an_archive_that_scores_to_the_stored_belief(
    book: CaseBook, model: Model
) -> None:
    from loopodds.inspection.cells import read_cells
    from loopodds.inspection.columns import plan_columns
    from loopodds.inspection.encoding import encode
    from pyarrow import Table

    work = Casework(book, model)
    work.open("open", CAR)
    work.open("sound", [("humidity", "45 %"), ("sample_bubbles", "none")], {"sound": "present"})
    work.open("full", [*CAR[:4], ("vent", "57 degF"), ("flooded", "yes")], {"moisture": "wet"})
    work.open("unsure", CAR, {"undercharge": "absent"})
    file = io.StringIO()
    archived = write_archive(book, model.knowledge, file)
    assert archived.rows == 3
    assert archived.left_out == ("case 4: sample_specks",)
    rows = list(csv.DictReader(io.StringIO(file.getvalue())))
    assert [row["case"] for row in rows] == ["2", "3", "4"]
    assert rows[1]["confirmed_moisture"] == "wet"
    assert rows[2]["confirmed_undercharge"] == "absent"
    table = Table.from_pylist([{k: v or None for k, v in row.items()} for row in rows])
    plan = plan_columns(table.column_names, model.knowledge)
    assert plan.warnings == ()
    batch, problems = read_cells(table, plan, model.knowledge)
    assert problems == []
    for group in encode(batch, model.knowledge).groups:
        beliefs = model.believe(group.context, group.evidence)
        for i, row in enumerate(group.rows.tolist()):
            stored = book.events(int(rows[row]["case"]))[-1].posterior
            if rows[row]["case"] != "4":  # its likelihoods have no place in an archive
                # written in full: only the order of sums differs
                assert beliefs.p_sound[i] == pytest.approx(stored.p_sound, abs=1e-13)
    assert set(batch.confirmed["moisture"][1].nonzero()[0]) == {2}


def test_no_text_of_a_book_is_a_formula_in_its_archive(book: CaseBook, model: Model) -> None:
    work = Casework(book, model)
    work.open("=1+1;=2+2", [*CAR[:4], ("superheat", "-3.5 K")])
    last = work.record(1, [("sample_bubbles", "none")]).events[-1]
    belief = last.posterior
    closed = [
        NewEvent("confirmed", {"outcomes": {"moisture": "wet"}}, belief),
        NewEvent("closed", {}, belief),
    ]
    book.append(1, last.position, closed, Signature("", "", "+1+1;=2+2"))
    file = io.StringIO(newline="")
    assert write_archive(book, model.knowledge, file).rows == 1
    (row,) = csv.DictReader(io.StringIO(file.getvalue(), newline=""))
    assert row["knowledge"] == "'+1+1;'=2+2"
    assert float(row["superheat_K"]) == -3.5


def test_a_book_without_closed_cases_gives_an_archive_without_rows(
    book: CaseBook, model: Model
) -> None:
    file = io.StringIO()
    assert write_archive(book, model.knowledge, file).rows == 0
    assert file.getvalue() == "case,opened,closed,knowledge\n"


def test_an_inspection_of_the_book_is_the_state_checked(book: CaseBook, model: Model) -> None:
    answer = Casework(book, model).open("van", CAR)
    inspection = inspection_of(replay(book.events(1)), model.knowledge)
    assert inspection == answer.inspection
    assert inspection.name == "case 1"


# ---------------------------------------------------------------- who looked


@pytest.fixture(scope="module")
def with_eyes(model: Model) -> Model:
    """The shipped knowledge, which has learnt that carl says half of all shades a step darker."""
    darker = (np.eye(4) + np.eye(4, k=1)) / 2 + 0.01
    darker[3, 3] += 0.5
    eye = Eye(90.0, tuple(map(tuple, (darker / darker.sum(axis=1, keepdims=True)).tolist())))
    knowledge = model.knowledge
    text = readers_text({"carl": {"sample_darkening": eye}}, knowledge.nodes)
    return Model(Knowledge.of_texts({**knowledge.texts, READERS: text}), compiled=True)


DARK = "sample_darkening"


def test_a_shade_is_read_through_the_eyes_of_whoever_saw_it(
    book: CaseBook, with_eyes: Model
) -> None:
    work = Casework(book, with_eyes)
    hot = {}
    for person in ("", "carl", "anna"):
        case = work.open(person, [("refrigerant", "R134a"), (DARK, "brown", person)])
        hot[person] = case.after.conditions["compressor_overheating"]
        file = f"[vehicle]\nrefrigerant = 'R134a'\n[looks.{person}]\n{DARK} = 'brown'\n"
        if person:
            assert_same(book.events(case.state.number)[-1].posterior, case.after)
            believed = believe(load_case(file, with_eyes.knowledge), with_eyes)
            assert hot[person] == pytest.approx(believed.condition("compressor_overheating"))
    assert hot["carl"] < hot[""] - 0.01
    assert hot["anna"] == hot[""]


def test_two_people_who_look_at_one_sample_never_make_it_two(
    book: CaseBook, with_eyes: Model
) -> None:
    """Four more people see the same: no more is told than by one word of the trade."""
    work = Casework(book, with_eyes)
    answer = work.open("van", [("refrigerant", "R134a"), (DARK, "brown")])
    once = answer.after
    for person in ("anna", "ben", "dora", "eve"):
        answer = work.record(1, [(DARK, "brown", person)])
    assert_same(answer.after, once)
    assert answer.state.noted[DARK].text.count("brown (by ") == 4
    darker = work.record(1, [(DARK, "black", "ben")])
    assert darker.state.noted[DARK].looks == {
        "anna": "brown", "ben": "black", "dora": "brown", "eve": "brown",
    }  # fmt: skip
    back = work.undo(1)
    assert_same(back.after, once)
    assert "undone: sample_darkening = black (by ben)" in described(back.events[0])
    doubted = work.doubt(1, [(DARK, None)])
    assert DARK not in doubted.inspection.findings
    assert work.record(1, [(DARK, "none", "ben")]).state.noted[DARK].looks == {"ben": "none"}
    assert work.record(1, [(DARK, "brown")]).state.noted[DARK].looks == {}


def test_who_looked_goes_along_into_files_archives_and_behind_a_repair(
    book: CaseBook, with_eyes: Model, tmp_path: Path
) -> None:
    work, knowledge = Casework(book, with_eyes), with_eyes.knowledge
    work.open("van", [("refrigerant", "R134a"), ("sample_cloudiness", "slight")])
    work.record(1, [(DARK, "brown", "carl"), ("sample_bubbles", "none", "carl")])
    work.record(1, [(DARK, "black", '=anna, "the" one'), ("line_bubbles", "none")])
    work.repaired(1, ["replace_drier"])
    last = work.record(1, [(DARK, "none", "carl")])
    again = work.enter(load_case(case_text(last.state), knowledge), "again")
    assert again.state.sections() == last.state.sections()
    assert_same(again.after, last.after)
    assert work.record(2, [("sample_glow", "strong", "carl")]).events[0].content["by"] == "carl"
    came = inspection_of(again.state, knowledge).as_it_came
    assert [*came.looks] == ["carl", '=anna, "the" one']
    work.close(1, {"moisture": "absent"})
    work.open("two", [(DARK, "brown", "carl"), (DARK, "black", "anna")], {"moisture": "wet"})
    work.open("three", [(DARK, "brown", name) for name in "abc"], {"moisture": "wet"})
    file = io.StringIO(newline="")
    archived = write_archive(book, knowledge, file)
    left = [entry for entry in archived.left_out if "repair" not in entry]
    assert left == ['case 1: sample_darkening by =anna, "the" one', "case 4: sample_darkening by c"]
    path = tmp_path / "cases.csv"
    path.write_text(file.getvalue(), encoding="utf-8", newline="")
    rows = list(csv.DictReader(io.StringIO(file.getvalue(), newline="")))
    assert (rows[0]["looked_by"], rows[0]["second_looked_by"]) == ("", "carl")
    assert rows[0]["second_sample_darkening"] == rows[1]["sample_darkening"] == "brown"
    (read,) = read_inspections(path, knowledge)
    believed = score_batch(read.batch, with_eyes)
    assert believed.p_sound[1] == pytest.approx(book.events(3)[-1].posterior.p_sound, abs=1e-12)
