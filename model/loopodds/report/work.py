"""What to do next and what to do to the car, for the record of a report."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any

from loopodds.base.phrases import percent
from loopodds.knowledge.records import Knowledge
from loopodds.report.content import Report
from loopodds.report.document import Block, Drawing, Heading, Paragraph, Table
from loopodds.report.figures import NextTest, next_tests_picture

TESTS = 6


def test_blocks(report: Report) -> Iterator[Block]:
    """The best next tests, as a picture and a table."""
    tests = report.next_tests[:TESTS]
    if not tests:
        return
    known = report.knowledge.tests
    yield Heading(3, "What to do next")
    points = [
        NextTest(known[t["test"]].title, t["minutes"], t["net_value"], not t["blocked_by"])
        for t in tests
    ]
    yield Drawing(
        next_tests_picture(points),
        "What each test saves on average, its own cost taken off, against its minutes. A ring "
        "marks a test that others must precede.",
    )
    rows = tuple(
        (known[t["test"]].title, f"{t['minutes']:.0f}", f"{t['bits']:.2f}", f"{t['net_value']:.0f}",
         ", ".join(known[name].title.lower() for name in t["blocked_by"]))
        for t in tests
    )  # fmt: skip
    yield Table(
        "Best first", ("test", "minutes", "bits", "worth", "after"), rows, (1, 2, 3)
    )  # fmt: skip


def plan_blocks(report: Report) -> Iterator[Block]:
    """The best plan and what comes closest to it."""
    plan = report.plan
    if plan is None:
        return
    yield Heading(3, "What to do to the car")
    if plan["test_first"]:
        title = report.knowledge.tests[plan["test_first"]].title.lower()
        yield Paragraph(f"A test pays first: {title}. Without it, the best plan comes first below.")
    rows = tuple(_plan_row(one, report.knowledge) for one in (plan["best"], *plan["others"]))
    yield Table(
        f"By expected cost, in {plural(plan['currency'])}; evacuating and charging included",
        ("services", "before", "minutes", "outlay", "harm left", "all"),
        rows,
        (2, 3, 4, 5),
    )
    same = plan["same_decision"]["probability"]
    yield Paragraph(
        f"If everything were known, the same plan would be best with probability {percent(same)}; "
        f"being wrong costs {plan['cost_of_being_wrong']:.0f} on average. Shipped prices are "
        "invented; a price file replaces them."
    )


def plural(currency: str) -> str:
    """A word gets its s, a code of three capitals does not.

    Examples
    --------
    >>> plural("unit"), plural("XTS")
    ('units', 'XTS')
    """
    return currency if currency.isupper() else f"{currency}s"


def _plan_row(plan: Mapping[str, Any], knowledge: Knowledge) -> tuple[str, ...]:
    services = [knowledge.services[name].title for name in plan["services"]]
    return (
        " + ".join(services) or "leave it as it is",
        ", ".join(knowledge.tests[name].title.lower() for name in plan["first"]),
        f"{plan['minutes']:.0f}",
        f"{plan['outlay']:.0f}",
        f"{plan['harm_left']:.0f}",
        f"{plan['expected_cost']:.0f}",
    )
