"""The part of a page that tells what is offered to the customer, and what a plan leaves."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

from loopodds import condition_title, sentence
from rich.text import Text

from loopodds_cli.screen.page import FAINT, Page, duration, money, percent, services_text

if TYPE_CHECKING:
    from loopodds import Assessment, Left, Proposal

KINDS = {
    "least": "The least that cures it",
    "best": "Least cost on average",
    "thorough": "Most thorough",
}


def gone_text(offer: Proposal) -> str:
    """How likely the complaint is gone after a plan; empty where there was none."""
    if offer.gone is None:
        return ""
    return f"complaint gone after it: estimated {percent(offer.gone.probability)}"


def put_offers(page: Page, result: Assessment) -> None:
    """Each plan that is offered, with price, time, the complaint, and what it leaves."""
    if len(result.offers) < 2:
        return
    page.heading("To offer", "work and tests to pay; harm left for a season, on average")
    for offer in result.offers:
        kinds = ", ".join(KINDS[kind].lower() for kind in offer.kinds)
        plan = offer.plan
        paid = f"{money(plan.outlay, result.currency)}, {duration(plan.minutes)}"
        harm = f"harm left {money(plan.harm, result.currency)}"
        numbers = "; ".join(part for part in (paid, harm, gone_text(offer)) if part)
        titles = sentence(services_text(plan.services, result.knowledge))
        page.marked("-", f"{sentence(kinds)}: {titles}", FAINT)
        page.line(numbers, indent=5)
        if offer.leaves and "best" not in offer.kinds:
            names = ", ".join(_named(left, result) for left in offer.leaves)
            page.aside(f"leaves: {names}", indent=5)


def put_leaves(page: Page, result: Assessment, leaves: Sequence[Left]) -> None:
    """What a plan may well leave, and why."""
    if leaves:
        page.heading("What it leaves", "and why")
    for left in leaves:
        page.rows([(Text("-", FAINT), f"{sentence(_named(left, result))}: {left.because}.")])


def _named(left: Left, result: Assessment) -> str:
    title = condition_title(left.condition, result.knowledge).lower()
    return f"{title} {percent(left.probability)}"
