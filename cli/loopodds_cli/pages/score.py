"""The page of ``loopodds score``: how many rows, what they amount to, which to look at again."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING

from loopodds import SOUND, condition_title, title_of
from rich.text import Text

from loopodds_cli.pages.page import CAUTION, FAINT, STRONG, Cell, Page, percent

if TYPE_CHECKING:
    from loopodds import Knowledge, Reopen, Summary

CONDITIONS_SHOWN = 12
REASONS_SHOWN = 8
MISSED_SHOWN = 3
LEAST_SHOWN = 5


def print_summary(summary: Summary, knowledge: Knowledge) -> None:
    """Write the whole page to standard output."""
    page = Page()
    tally = summary.tally
    rows = f"{tally.rows:,} inspection{'' if tally.rows == 1 else 's'}"
    aside = f"{tally.scored:,} scored, {tally.rejected:,} set aside"
    again = f", {summary.resumed:,} of them by an earlier run" if summary.resumed else ""
    page.headline(f"{rows} read", aside + again)
    page.line("")
    page.rows(
        [("scored", str(summary.out)), ("set aside", f"{summary.rejects}")]
        if tally.rejected
        else [("scored", str(summary.out))]
    )
    for warning in summary.warnings:
        page.marked("!", warning)
    if tally.blank:
        rows = "1 row holds" if tally.blank == 1 else f"{tally.blank:,} rows hold"
        page.marked("!", f"{rows} nothing that was seen: scored as what is known before looking")
    _set_aside(page, tally.rejected_by)
    if tally.scored:
        _conditions(page, summary, knowledge)
        _least_likely(page, tally.least)
    _reopen(page, summary.reopen, knowledge)


def _set_aside(page: Page, rejected_by: Mapping[str, int]) -> None:
    if not rejected_by:
        return
    page.heading("Set aside", "the rejects file says why, row by row")
    reasons = sorted(rejected_by.items(), key=lambda item: -item[1])
    rows: list[Sequence[Cell]] = [(f"{n:,}", reason) for reason, n in reasons[:REASONS_SHOWN]]
    rest = sum(n for _, n in reasons[REASONS_SHOWN:])
    page.rows([*rows, (f"{rest:,}", "for other reasons")] if rest else rows, right=[0])


def _conditions(page: Page, summary: Summary, knowledge: Knowledge) -> None:
    tally = summary.tally
    page.heading("How many cars", "expected to have it, and in how many it leads")
    order = sorted(tally.expected.items(), key=lambda item: -item[1])
    sound = (SOUND, tally.expected[SOUND])
    faults = [item for item in order if item[0] != SOUND][:CONDITIONS_SHOWN]
    rows: list[Sequence[Cell]] = [
        (
            f"{expected:,.0f}",
            percent(expected / tally.scored),
            Text(f"leads in {tally.top.get(name, 0):,}", FAINT),
            title_of(name, knowledge),
        )
        for name, expected in (sound, *faults)
    ]
    page.rows(rows, right=[0, 1, 2])
    hidden = len(order) - 1 - len(faults)
    if hidden > 0:
        page.line(Text(f"and {hidden} rarer conditions, see --json", FAINT), indent=2)


def _least_likely(page: Page, least: Sequence[tuple[float, int]]) -> None:
    page.heading("Least likely inspections", "misread, mistyped, or a rare car")
    rows = ", ".join(f"{row:,}" for _, row in least[:LEAST_SHOWN])
    page.line(f"rows {rows}", indent=2)


def _reopen(page: Page, entries: Sequence[Reopen], knowledge: Knowledge) -> None:
    if not entries:
        return
    currency = knowledge.prices.get("currency", "unit")
    note = f"row, expected cost of what the outcome leaves out [{currency}]"
    page.heading("Worth reopening", note)
    for entry in entries:
        known = list(entry.passed.values())[:1]
        page.line(
            Text(f"{entry.row:,}", STRONG),
            f"{entry.cost:,.0f}",
            *(Text(value, FAINT) for value in known),
            *([Text("findings contradict each other", CAUTION)] if _odd(entry) else []),
            indent=2,
        )
        page.line(_why(entry, knowledge), indent=4)


def _odd(entry: Reopen) -> bool:
    return entry.reason == "conflict"


def _why(entry: Reopen, knowledge: Knowledge) -> str:
    recorded = ", ".join(
        f"{name.removeprefix('confirmed_').replace('_', ' ')}: {value.replace('_', ' ')}"
        for name, value in entry.recorded.items()
    )
    said = f"recorded {recorded}" if recorded else "no outcome recorded"
    if _odd(entry):
        pairs = [
            f"{knowledge.node(one).title} against {knowledge.node(other).title}"
            for one, other, _ in entry.conflict.between[:1]
        ]
        return "; ".join([f"{entry.conflict.bits:.0f} bits of conflict", *pairs, said])
    missed = ", ".join(
        f"{condition_title(m.condition, knowledge).lower()} {percent(m.probability)}"
        for m in entry.missed[:MISSED_SHOWN]
    )
    return f"{missed}; {said}"
