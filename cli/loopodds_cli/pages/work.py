"""The part of the page of ``loopodds assess`` that says what to do: tests, and the plan now."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

from loopodds import lowered, sentence
from rich.text import Text

from loopodds_cli.pages.page import AGAINST, FOR, STRONG, Cell, Page
from loopodds_cli.prompt.words import duration, money, services_text, signed, test_title

if TYPE_CHECKING:
    from loopodds import Assessment, Knowledge


def print_work(page: Page, result: Assessment, knowledge: Knowledge) -> None:
    """The best tests, and what would be done to the car if nothing more were tested."""
    tests, plan = result.next_tests, result.plan
    pays = any(test["net_value"] > 0 for test in tests)
    if pays:
        unit = f", in {money(0, plan['currency']).removeprefix('0 ')}" if plan is not None else ""
        page.heading("What to test next", f"what each saves, less its cost{unit}")
    elif tests:
        idle = "none pays for itself alone; these tell most for their time"
        page.heading("Further tests", idle)
    page.rows([_row(test, pays, knowledge) for test in tests], right=[1, 2])
    for test in tests:
        if test["blocked_by"]:
            page.line(_after(test, knowledge), indent=2)
    if plan is not None:
        _plan(page, plan, pays, knowledge)


def _row(test: Mapping[str, Any], pays: bool, knowledge: Knowledge) -> Sequence[Cell]:
    net = test["net_value"]
    row = (test_title(test, knowledge), duration(test["minutes"]))
    return (*row, Text(signed(net), FOR if net > 0 else AGAINST)) if pays else row


def _after(test: Mapping[str, Any], knowledge: Knowledge) -> str:
    """What has to come before a test."""
    first = ", ".join(lowered(knowledge.tests[name].title) for name in test["blocked_by"])
    return f"{knowledge.tests[test['test']].title} only after: {first}"


def _plan(page: Page, plan: Mapping[str, Any], pays: bool, knowledge: Knowledge) -> None:
    """In two lines what would be done now, what it costs and what it leaves."""
    page.heading("Plan as things stand", "test first" if pays else "")
    page.line(Text(sentence(services_text(plan["services"], knowledge)), STRONG), indent=2)
    currency = plan["currency"]
    left = f"harm left for a season, on average: {money(plan['harm_left'], currency)}"
    spent = f"{money(plan['outlay'], currency)}, {duration(plan['minutes'])}; "
    page.line(f"{spent if plan['services'] else ''}{left}", indent=2)
