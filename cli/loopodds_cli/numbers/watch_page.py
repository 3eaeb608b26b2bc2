"""The page of ``loopodds watch``."""

from __future__ import annotations

from collections.abc import Sequence
from math import isfinite
from typing import TYPE_CHECKING

from loopodds import spaced
from rich.text import Text

from loopodds_cli.screen.page import CAUTION, STRONG, Page

if TYPE_CHECKING:
    from loopodds import Alarm, Explaining, Knowledge, Moment, Offset, Watch

SHOWN = 12
WHOLE = "All looks of an inspection together"
QUIET, TOO_FEW = "nothing has moved", "too few looks to say"


def print_watch(result: Watch, knowledge: Knowledge) -> None:
    """Write the whole page to standard output."""
    page = Page()
    count = len(result.alarms)
    quiet = QUIET if result.streams else TOO_FEW
    headline = f"{count} thing{'s' * (count != 1)} not as foretold" if count else quiet
    page.headline(headline, f"{result.rows:,} inspections, {result.looks:,} looks")
    page.line("")
    order = f"by {result.ordered_by}" if result.ordered_by else "as the rows stand"
    span = f"{order}, {_when(result.first)} to {_when(result.last)}"
    rows = [
        ("in order of time", span),
        ("judged", f"{result.streams:,} streams of looks; alarm from p {result.needed:.1g}"),
    ]
    if result.streams and not count:
        rows.append(("oddest of them", f"p {result.least_p:.2g}"))
    if result.rejected:
        rows.append(("set aside", f"{result.rejected:,} rows that cannot be used"))
    if result.not_judged:
        rows.append(("believed, not judged", f"{len(result.not_judged)} names, see --json"))
    page.rows(rows)
    for warning in result.warnings:
        page.marked("!", warning)
    if count:
        page.heading("Not as foretold", "surest first; p may be looked at any time")
    for alarm in result.alarms[:SHOWN]:
        _alarm(page, alarm, knowledge)
    if count > SHOWN:
        page.aside(f"and {count - SHOWN:,} more, see --json")
    if result.together:
        page.line("together", _explained(result.together), indent=2)


def _alarm(page: Page, alarm: Alarm, knowledge: Knowledge) -> None:
    whose = f", {alarm.group.word}" if alarm.group else ""
    page.line(Text(f"{title_of(alarm.name, knowledge)}{whose}", STRONG), indent=2)
    page.line(Text(what_moved(alarm), CAUTION), since_text(alarm), indent=4)
    for line in _about(alarm):
        page.line(line, indent=4)
    sure = f"p {alarm.p_value:.1g}, sure since {_when(alarm.raised)}"
    page.aside(f"{sure}; likely begin {_between(alarm.earliest, alarm.latest)}", indent=4)


def title_of(name: str, knowledge: Knowledge) -> str:
    """What is watched, as the knowledge calls it."""
    node = knowledge.nodes.get(name)
    return node.title if node else WHOLE


def what_moved(alarm: Alarm) -> str:
    """The change in words, expected and seen counts with it.

    Of a gauge that is off, by how much with its standard error.
    """
    if alarm.offset:
        return f"reads {_off(alarm.offset)}"
    if isfinite(alarm.scatter):
        return f"scatters about {alarm.scatter:g} times as far as foretold"
    what = f"{spaced(alarm.state)}" if alarm.state else "odd"
    of = f"of {alarm.looks_since:,} looks" if alarm.state else "looks"
    return f"{what}: {alarm.seen:,} {of}, {alarm.expected:,.0f} foretold,"


def _off(offset: Offset) -> str:
    way = "high" if offset.amount > 0 else "low"
    return f"{abs(offset.amount):.2g} {offset.unit} {way} (± {offset.error:.1g})"


def since_text(alarm: Alarm) -> str:
    """Since when, from the beginning where it may be so, and until when where it is over."""
    if alarm.until:
        return f"from {_when(alarm.since)} to {_when(alarm.until)}"
    return "from the beginning" if alarm.from_start else f"since {_when(alarm.since)}"


def _about(alarm: Alarm) -> list[str]:
    lines = []
    if alarm.group:
        rest = "all others are as foretold" if alarm.group.alone else "others moved too"
        lines.append(f"{alarm.group.column} {alarm.group.word} carries it; {rest}")
    if alarm.carried_by:
        words = ", ".join(f"{c.column} {c.word}" for c in alarm.carried_by[:4])
        more = len(alarm.carried_by) - 4
        lines.append(f"also seen at {words}{f' and {more} more' if more > 0 else ''}")
    if alarm.follows:
        lines.append("follows from the others named here: without those looks it is as foretold")
    if alarm.explained:
        lines.append(_explained(alarm.explained))
    return lines


def _explained(explained: Sequence[Explaining]) -> str:
    first, *others = explained
    what = f"P({first.state})" if first.state else "it"
    way = "larger" if first.more else "smaller"
    least = [f"{one.place} ({one.gain / first.gain:.0%} as well)" for one in others]
    most = f"explained most by {first.place}, {first.about}: {what} {way}"
    return "; or by ".join([most, *least])


def _when(moment: Moment) -> str:
    return f"{moment.date} (row {moment.row:,})" if moment.date else f"row {moment.row:,}"


def _between(first: Moment, last: Moment) -> str:
    one, other = (m.date or f"row {m.row:,}" for m in (first, last))
    return f"{one} to {other}" if one != other else one
