"""The part of the page of ``loopodds assess`` that says what to do: tests, and the plan now."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

from loopodds import lowered, sentence
from rich.text import Text

from loopodds_cli.pages.page import AGAINST, FOR, STRONG, Cell, Page
from loopodds_cli.pages.wording import duration, money, services_text, signed, test_title

if TYPE_CHECKING:
    from loopodds import Assessment, Knowledge, RankedTest


def print_work(page: Page, result: Assessment) -> None:
    """The best tests, and what would be done to the car if nothing more were tested."""
    tests, knowledge = result.next_tests, result.knowledge
    pays = any(test.net_value > 0 for test in tests)
    if pays:
        unit = money(0, result.currency).removeprefix("0 ")
        page.heading("What to test next", f"what each saves, less its cost, in {unit}")
    elif tests:
        idle = "none pays for itself alone; these tell most for their time"
        page.heading("Further tests", idle)
    page.rows([_row(test, pays, knowledge) for test in tests], right=[1, 2])
    for test in tests:
        if test.blocked_by:
            first = ", ".join(lowered(knowledge.tests[name].title) for name in test.blocked_by)
            page.line(f"{knowledge.tests[test.test].title} only after: {first}", indent=2)
    _plan(page, result, pays)


def _row(test: RankedTest, pays: bool, knowledge: Knowledge) -> Sequence[Cell]:
    net = test.net_value
    row = (test_title(test, knowledge), duration(test.minutes))
    return (*row, Text(signed(net), FOR if net > 0 else AGAINST)) if pays else row


def _plan(page: Page, result: Assessment, pays: bool) -> None:
    """In two lines what would be done now, what it costs and what it leaves."""
    plan = result.plan
    if plan is None:
        return
    page.heading("Plan as things stand", "test first" if pays else "")
    page.line(Text(sentence(services_text(plan.services, result.knowledge)), STRONG), indent=2)
    left = f"harm left for a season, on average: {money(plan.harm, result.currency)}"
    spent = f"{money(plan.outlay, result.currency)}, {duration(plan.minutes)}; "
    page.line(f"{spent if plan.services else ''}{left}", indent=2)
