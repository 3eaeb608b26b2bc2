"""The page of ``loopodds compare``: what two sides differ in, the verdicts first."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from typing import TYPE_CHECKING

from loopodds import lowered, printable, sentence, title_of
from rich.text import Text

from loopodds_cli.screen.page import FAINT, Cell, Page, money, percent

if TYPE_CHECKING:
    from loopodds import Assessment, Comparison, Knowledge

MOVED_AT_MOST, STEPS_AT_MOST = 10, 12
PARTS = {
    "stops": "stops in force",
    "next_test": "next test",
    "plan": "best plan",
    "repairs": "repairs done",
    "tests_done": "tests done",
}


def print_comparison(found: Comparison) -> None:
    """Write the whole page to standard output."""
    page, knowledge = Page(), found.after.knowledge
    for label, side in zip(found.labels, (found.before, found.after), strict=True):
        page.title(printable(label), f" {_verdict(side)}")
    if not (found.told or found.shifted or found.changed or found.steps):
        page.line("nothing differs")
        return
    _advice(page, found, knowledge)
    _moved(page, found, knowledge)
    _told(page, found)
    if found.steps:
        left = len(found.steps) - STEPS_AT_MOST
        page.heading("In between", f"{left} earlier ones left out" if left > 0 else "")
        for step in found.steps[-STEPS_AT_MOST:]:
            page.line(printable(step), indent=2)


def _verdict(side: Assessment) -> str:
    leader = side.conditions[0]
    if side.p_sound >= leader.probability:
        return f"nothing wrong, {percent(side.p_sound)}"
    return f"{lowered(title_of(leader.name, side.knowledge))}, {percent(leader.probability)}"


def _advice(page: Page, found: Comparison, knowledge: Knowledge) -> None:
    """What is advised otherwise, side by side."""
    if not found.changed:
        page.line("the advice is the same")
        return
    page.heading("Advice")
    known = {name: test.title for name, test in knowledge.tests.items()}
    known |= {name: service.title for name, service in knowledge.services.items()}
    known |= {name: stop.title for name, stop in knowledge.stops.items()}

    def titles(names: Iterable[str]) -> str:
        return "; ".join(lowered(known[name]) for name in names)

    for one in found.changed:
        page.line(Text(sentence(PARTS[one.what]), FAINT))
        _sides(page, one.before, one.after, titles)
    if found.before.plan and found.after.plan:
        before, after = found.before.plan.outlay, found.after.plan.outlay
        paid = f"{before:,.0f} -> {money(after, found.after.currency)}"
        page.line(f"outlay of the plan {paid}", indent=2)


def _sides(
    page: Page, before: Sequence[str], after: Sequence[str], say: Callable[[Iterable[str]], str]
) -> None:
    """What both sides have is not told twice."""
    gone = [name for name in before if name not in after]
    come = [name for name in after if name not in before]
    if gone:
        page.marked("-", say(gone), FAINT)
    if come:
        page.marked("+", say(come))
    if not gone and not come:
        page.marked("+", f"in another order: {say(after)}")


def _moved(page: Page, found: Comparison, knowledge: Knowledge) -> None:
    if not found.shifted:
        return
    page.heading("Moved", "nine in ten between")

    def side(now: float, ends: tuple[float, float] | None) -> list[Cell]:
        return [percent(now), f"{percent(ends[0])}-{percent(ends[1])}" if ends else ""]

    rows = [
        [title_of(one.name, knowledge), *side(one.before, one.before_range), "->",
         *side(one.after, one.after_range)]
        for one in found.shifted[:MOVED_AT_MOST]
    ]  # fmt: skip
    page.rows(rows, right=[1, 4])


def _told(page: Page, found: Comparison) -> None:
    if not found.told:
        return
    page.heading("Told")
    for one in found.told:
        if one.before and one.after:
            said = f"{one.before} -> {one.after}"
        else:
            said = one.after or f"not any more (was {one.before})"
        page.line(printable(f"{one.title}: {said}"), indent=2)
