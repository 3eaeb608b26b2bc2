"""The page of ``loopodds score``: how many rows, what they amount to, which to look at again."""

from __future__ import annotations

import shlex
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

import click
from loopodds import (
    SOUND,
    FileError,
    Knowledge,
    check_outputs,
    lowered,
    spaced,
    starter_map,
    title_of,
    write_whole,
)
from rich.text import Text

from loopodds_cli.options import print_json
from loopodds_cli.screen.page import (
    CAUTION,
    FAINT,
    STRONG,
    Cell,
    Page,
    fault_text,
    percent,
    unit_of,
)

if TYPE_CHECKING:
    from loopodds import Reopen, Summary, Tally

CONDITIONS_SHOWN = 12
REASONS_SHOWN = 8
MISSED_SHOWN = 3
LEAST_SHOWN = 5
UNUSED_SHOWN = 12


def print_summary(summary: Summary, knowledge: Knowledge) -> None:
    """Write the whole page to standard output."""
    page = Page()
    tally = summary.tally
    rows = f"{tally.rows:,} inspection{'' if tally.rows == 1 else 's'}"
    aside = f"{tally.scored:,} scored, {tally.rejected:,} set aside"
    again = f", {summary.resumed:,} of them by an earlier run" if summary.resumed else ""
    again += f", {summary.kept:,} of them as before" if summary.kept else ""
    page.headline(f"{rows} read", aside + again)
    page.line("")
    files = [("scored", str(summary.out)), ("set aside", str(summary.rejects))]
    page.rows(files if tally.rejected else files[:1])
    if summary.unused:
        shown = ", ".join(summary.unused[:UNUSED_SHOWN])
        more = len(summary.unused) - UNUSED_SHOWN
        page.line(f"{len(summary.used)} columns read; not read, but passed on: {shown}", indent=2)
        if more > 0:
            page.aside(f"and {more} more, see --json")
    for warning in summary.warnings:
        page.marked("!", warning)
    if tally.distinct < tally.scored:
        page.line(
            f"{tally.distinct:,} differ in what is read, each part by itself; equal ones are "
            "worked out once",
            indent=2,
        )
    if "name" in summary.ran_on:
        name, precision = summary.ran_on["name"], summary.ran_on["precision"]
        page.line(f"large batches ran on {name} in {precision}", indent=2)
        off_by = summary.ran_on["off_by"]
        if off_by is not None:
            page.aside(f"probabilities within {off_by:.0e} of the processor's where both ran")
    if tally.blank:
        rows = "1 row holds" if tally.blank == 1 else f"{tally.blank:,} rows hold"
        page.marked("!", f"{rows} nothing that was seen: scored as what is known before looking")
    if tally.formulas:
        page.marked("!", _formulas(tally.formulas, summary.safe))
    _stopped(page, tally, knowledge)
    set_aside(page, tally.rejected_by)
    if tally.scored:
        _conditions(page, summary, knowledge)
        page.heading("Least likely inspections", "misread, mistyped, or a rare car")
        page.line(f"rows {', '.join(f'{row:,}' for _, row in tally.least[:LEAST_SHOWN])}", indent=2)
    _reopen(page, summary.reopen, knowledge)


def write_starter_map(
    archive: str, out: str | None, overwrite: bool, knowledge: str | None, as_json: bool
) -> None:
    """Write a column map to correct, and say what it holds and what to do with it."""
    known = Knowledge(knowledge)
    made = starter_map(archive, known)
    stem = Path(archive).name.split(".")[0]
    path = Path(out) if out else Path(archive).with_name(f"{stem}.columns.toml")
    if path.exists() and not overwrite:
        raise FileError(f"{path}: is there already").helped_by("overwrite")
    check_outputs({"the column map": path}, [Path(archive)])
    write_whole(path, made.text)
    if as_json:
        print_json({"map": str(path), **made.as_json()})
        return
    page = Page()
    count = len(made.guessed) + len(made.known)
    page.headline("Column map written", f"{count} headings understood, {len(made.unread)} not")
    page.line("")
    page.line(str(path), indent=2)
    page.line("")
    page.rows([(heading, f"as {name}") for heading, name in made.guessed.items()])
    if made.unread:
        page.line(f"not understood: {', '.join(made.unread)}", indent=2)
    page.line("")
    page.line("Look through it and correct it, then:")
    words = f"{shlex.quote(archive)} --columns {shlex.quote(str(path))} --out {shlex.quote(stem)}"
    for line in (f"loopodds fleet {words}.html", f"loopodds score {words}_scored.csv"):
        click.echo(f"  {line}")  # whole, to be copied


def _formulas(count: int, safe: bool) -> str:
    cells = "1 cell reads" if count == 1 else f"{count:,} cells read"
    if safe:
        return f"{cells} as a formula; written behind an apostrophe"
    return f"{cells} as a formula that a spreadsheet would run; --spreadsheet-safe prevents it"


def _stopped(page: Page, tally: Tally, knowledge: Knowledge) -> None:
    if tally.stopped:
        page.heading("To be stopped", f"{tally.stopped:,} in all; the column stops says which")
        order = sorted(tally.stops.items(), key=lambda item: -item[1])
        page.rows([(f"{n:,}", knowledge.stops[name].title) for name, n in order], right=[0])


def set_aside(page: Page, rejected_by: Mapping[str, int]) -> None:
    if not rejected_by:
        return
    page.heading("Set aside", "the rejects file says why, row by row")
    reasons = sorted(rejected_by.items(), key=lambda item: -item[1])
    rows = [(f"{n:,}", reason) for reason, n in reasons[:REASONS_SHOWN]]
    rest = sum(n for _, n in reasons[REASONS_SHOWN:])
    page.rows([*rows, (f"{rest:,}", "for other reasons")] if rest else rows, right=[0])


def _conditions(page: Page, summary: Summary, knowledge: Knowledge) -> None:
    tally = summary.tally
    page.heading("How many cars", "expected to have it, and in how many it leads")
    # the sound car first, then the conditions by how many cars have them
    order = sorted(tally.expected.items(), key=lambda item: (item[0] != SOUND, -item[1]))
    rows = []
    for name, expected in order[: 1 + CONDITIONS_SHOWN]:
        leads = Text(f"leads in {tally.top.get(name, 0):,}", FAINT)
        share = percent(expected / tally.scored)
        rows.append((f"{expected:,.0f}", share, leads, title_of(name, knowledge)))
    page.rows(rows, right=[0, 1, 2])
    if len(order) > len(rows):
        page.aside(f"and {len(order) - len(rows)} rarer conditions, see --json")


def _reopen(page: Page, entries: Sequence[Reopen], knowledge: Knowledge) -> None:
    if not entries:
        return
    currency = knowledge.prices.get("currency", "unit")
    note = f"row, expected cost of what the outcome leaves out, {unit_of(currency)}"
    page.heading("Worth reopening", note)
    for entry in entries:
        parts: list[Cell] = [Text(f"{entry.row:,}", STRONG), f"{entry.cost:,.0f}"]
        parts += [Text(value, FAINT) for value in list(entry.passed.values())[:1]]
        if entry.reason == "conflict":
            parts.append(Text("findings contradict each other", CAUTION))
        page.line(*parts, indent=2)
        for stop in entry.stops:
            page.line(Text(f"stop: {lowered(knowledge.stops[stop].title)}", CAUTION), indent=4)
        page.line(_why(entry, knowledge), indent=4)


def _why(entry: Reopen, knowledge: Knowledge) -> str:
    recorded = ", ".join(
        f"{spaced(name.removeprefix('confirmed_'))}: {spaced(value)}"
        for name, value in entry.recorded.items()
    )
    said = f"recorded {recorded}" if recorded else "no outcome recorded"
    if entry.reason == "conflict":
        pairs = [
            f"{knowledge.node(one).title} against {knowledge.node(other).title}"
            for one, other, _ in entry.conflict.between[:1]
        ]
        return "; ".join([f"{entry.conflict.bits:.0f} bits of conflict", *pairs, said])
    shown = entry.missed[:MISSED_SHOWN]
    missed = [f"{fault_text(m.condition, knowledge)} {percent(m.probability)}" for m in shown]
    return f"{', '.join(missed)}; {said}"
