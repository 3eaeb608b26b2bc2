"""What stands on a car follows from the order in which the book was told of it."""

from __future__ import annotations

import io
from collections.abc import Iterator
from contextlib import redirect_stdout
from pathlib import Path

import pytest
from loopodds.advice.assessment import Assessment, assess
from loopodds.casebook.book import CaseBook
from loopodds.casebook.work import Casework
from loopodds.diagnosis.model import Model
from loopodds.knowledge.records import Knowledge
from loopodds_cli.pages.next import print_next

VEHICLE = (("refrigerant", "R134a"), ("compressor", "fixed"), ("expansion", "TXV"))
CLEARED = (
    ("label_and_fittings", "agree"),
    ("identification", "as_labelled"),
    ("port_core", "clean"),
    ("sealant_check", "negative"),
)
VENTS = (("vent", "14 degC"),)
GAUGES = (("low_side", "2.1 bar"), ("high_side", "14 bar"), ("ambient", "30 degC"))


@pytest.fixture(scope="module")
def model() -> Model:
    return Model(Knowledge())


@pytest.fixture
def work(tmp_path: Path, model: Model) -> Iterator[Casework]:
    with CaseBook(tmp_path / "book.db") as book:
        yield Casework(book, model)


def now(work: Casework, number: int = 1) -> Assessment:
    answer = work.show(number)
    return assess(answer.inspection, answer.model, belief=answer.belief)


def told_on_screen(result: Assessment) -> str:
    """The page of ``next``, as one line."""
    with redirect_stdout(io.StringIO()) as page:
        print_next(result)
    return " ".join(page.getvalue().split())


def minutes(result: Assessment, test: str) -> float:
    """What a test is told to take if it is done next."""
    return result.shop.step(test).minutes


def own(model: Model, test: str) -> float:
    return model.knowledge.tests[test].minutes


def test_gauges_are_told_to_take_less_right_after_the_vents(work: Casework, model: Model):
    work.open("", (*VEHICLE, *CLEARED))
    before = minutes(now(work), "pressure_test")
    work.record(1, VENTS)
    result = now(work)
    assert result.shop.progress.standing == {"settled"}
    assert before - minutes(result, "pressure_test") == model.knowledge.set_ups["settled"].minutes
    told = next(test for test in result.tests if test.test == "discharge_test")
    assert (told.minutes, told.set_ups) == (own(model, "discharge_test"), {})
    screen = told_on_screen(result)
    assert "taken to stand, as the tests were entered: running and settled" in screen
    assert "until it runs settled" not in screen


def test_what_a_case_was_opened_with_was_seen_nobody_knows_when(work: Casework, model: Model):
    """As in a case file, whose minutes are the same then."""
    work.open("", (*VEHICLE, *CLEARED, *VENTS, *GAUGES))
    assert now(work).shop.progress.standing == frozenset()
    told = next(test for test in now(work).tests if test.test == "discharge_test")
    assert told.set_ups == {"settled": 10.0}
    assert told.minutes == own(model, "discharge_test") + 10
    assert "taken to stand" not in told_on_screen(now(work))


def test_the_screen_says_which_minutes_are_a_wait(work: Casework):
    complaint = (("setting", "complaint"), ("cooling", "weak"), ("ambient", "31 degC"))
    work.open("", (*VEHICLE, *CLEARED, *complaint))
    screen = told_on_screen(now(work))
    assert "Vent temperatures 12 min" in screen
    assert "vent temperatures: 10 min of it until it runs settled" in screen


def test_a_test_done_with_the_engine_off_ends_the_run(work: Casework):
    work.open("", (*VEHICLE, *CLEARED))
    work.record(1, GAUGES)
    assert now(work).shop.progress.standing == {"settled", "coupled"}
    work.tests_done(1, ["detector_search"])
    assert now(work).shop.progress.standing == {"coupled"}
    work.undo(1)
    assert now(work).shop.progress.standing == {"settled", "coupled"}


def test_the_same_told_in_another_order_stands_otherwise(work: Casework):
    for number, order in enumerate([("fan_check", "vent"), ("vent", "fan_check")], start=1):
        values = {"fan_check": "works", "vent": "14 degC"}
        work.open("", (*VEHICLE, *CLEARED))
        for name in order:
            work.record(number, [(name, values[name])])
    assert now(work, 1).shop.progress.standing == {"settled"}
    assert now(work, 2).shop.progress.standing == frozenset()


def test_more_of_a_test_that_was_begun_does_not_do_it_again(work: Casework):
    """The colour of a sample, looked at again once the gauges are on."""
    work.open("", (*VEHICLE, *CLEARED))
    work.record(1, [("sample_darkening", "brown")])
    work.record(1, GAUGES)
    work.record(1, [("sample_foam", "none")])
    assert now(work).shop.progress.standing == {"settled", "coupled"}


def test_a_repaired_car_begins_anew(work: Casework):
    work.open("", (*VEHICLE, *CLEARED))
    work.record(1, GAUGES)
    work.repaired(1, ["repair_control"])
    assert not now(work).shop.progress.standing & {"settled", "coupled"}
    work.record(1, VENTS)
    assert now(work).shop.progress.standing == {"settled"}
