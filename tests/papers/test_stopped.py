"""Stops in a report: in force, in both parts; lifted, with what lifted them."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path

from loopodds.advice.assessment import assess
from loopodds.base.phrases import lowered
from loopodds.casebook.book import CaseBook
from loopodds.casebook.sources import read_case
from loopodds.casebook.work import Casework
from loopodds.papers.content import Report
from loopodds.papers.wording import read_wording
from loopodds.papers.writing import report_text
from shared import assessed, shipped

WHEN = datetime(2026, 11, 28, 9, 0, tzinfo=UTC)
REPAIRED = """
[vehicle]
refrigerant = "R134a"
[[repaired]]
services = ["repair_leak_and_charge"]
[repaired.conditions]
[repaired.findings]
loop_found = "open"
"""


def test_a_stop_in_force_stands_before_what_was_found_and_in_the_record() -> None:
    result = assessed("@after_a_bump")
    text = report_text(Report(result, WHEN), "md")
    say = read_wording("en", shipped().knowledge)
    for stop in result.stops:
        assert text.index(say.stop(stop.name)) < text.index("## What we found")
        assert f"## Stop in force: {stop.title}" in text
        assert f"Lifted by: {lowered(stop.lifted_by)[:-1]} ({stop.who})." in text


def test_every_caution_of_a_report_is_said_once() -> None:
    text = report_text(Report(assessed("@after_a_bump"), WHEN), "md")
    for caution in shipped().knowledge.cautions.values():
        assert text.count(caution.text) <= 1


def test_a_case_of_the_book_says_what_lifted_a_stop(tmp_path: Path) -> None:
    with CaseBook(tmp_path / "book.db") as book:
        work = Casework(book, shipped())
        work.open("van", [("refrigerant", "R134a"), ("loop_found", "open")])
        assert not Report(assess(work.show(1).inspection, shipped()), WHEN, book.events(1)).lifted
        work.record(1, [("loop_found", "closed")])
        report = Report(assess(work.show(1).inspection, shipped()), WHEN, book.events(1))
    lifted = {stop.name: (since, by) for stop, since, by in report.lifted}
    assert lifted["loop_open"] == ("Loop found open: open", "Loop found open: closed")
    text = report_text(report, "md")
    assert text.count("| Loop found open: open | Loop found open: closed |") == len(lifted)
    told = {stop["name"]: stop["lifted_after"] for stop in report.as_json()["stops_lifted"]}
    assert told == {name: by for name, (_, by) in lifted.items()}


def test_a_case_file_says_which_repair_lifted_a_stop() -> None:
    report = Report(assess(read_case(REPAIRED), shipped()), WHEN)
    lifted = [(one.stop.name, one.since, one.by) for one in report.lifted]
    title = shipped().knowledge.services["repair_leak_and_charge"].title
    assert ("loop_open", "as it came", f"repaired: {title}") in lifted
