"""The page of ``loopodds learn``, and what ``loopodds network --compare`` shows."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import groupby
from typing import TYPE_CHECKING

from rich.text import Text

from loopodds_cli.screen.page import CAUTION, FAINT, STRONG, Cell, Page, percent

if TYPE_CHECKING:
    from loopodds import Gain, Knowledge, Learning, Look, NumberChange, Tilt

CHANGES_SHOWN = 12
TILTED = "log-odds by which the test is likelier done on a car that has the fault"


def print_learning(result: Learning, knowledge: Knowledge) -> None:
    """Write the whole page to standard output."""
    page = Page()
    again = f", {result.rejected:,} set aside" if result.rejected else ""
    page.headline(f"{result.rows:,} inspections learnt from", f"{result.passes} passes{again}")
    page.line("")
    place = str(result.out) if result.written else "nothing written"
    page.rows([("knowledge", place)])
    for warning in result.warnings:
        page.marked("!", warning)
    page.heading("Rows kept back", "log score a row, before and after; above zero is better")
    kept: list[Sequence[Cell]] = [("all that was seen", *_gain_cells(result.score))]
    if result.outcomes:
        kept.append(("confirmed outcomes", *_gain_cells(result.outcomes)))
    page.rows(kept)
    _driven(page, result, knowledge)
    print_changes(result.changes, page)
    _confirmed(page, result)
    _eyes(page, result, knowledge)
    _own(page, result)


def _gain_cells(gain: Gain) -> tuple[str, str, str]:
    change = f"{gain.gain:+.3f} ({gain.low:+.3f} to {gain.high:+.3f})"
    return f"{gain.before:.3f} to {gain.after:.3f}", change, f"{gain.rows:,} rows"


def _driven(page: Page, result: Learning, knowledge: Knowledge) -> None:
    if not result.driven:
        return
    page.heading("Done for a reason that nobody wrote down", "given all that is recorded")
    for look in result.driven:
        page.line(Text(knowledge.tests[look.test].title, CAUTION), indent=2)
        page.line(_seen(look, knowledge), indent=4)
        if look.test in result.left_out:
            page.line("not learnt from where its reason is open; --anyway does", indent=4)
    for tilt in result.tilts:
        page.line(_tilted(tilt, knowledge), indent=4)
    if result.tilts:
        page.aside(TILTED, indent=4)


def _seen(look: Look, knowledge: Knowledge) -> str:
    node = knowledge.nodes[look.finding]
    what = "have it" if node.kind == "fault" else "are not as on a sound car"
    return (
        f"{node.title}: {percent(look.seen)} of {look.rows:,} {what}, where "
        f"{percent(look.foretold)} were to be expected (p {look.p_value:.2g})"
    )


def _tilted(tilt: Tilt, knowledge: Knowledge) -> str:
    steps = ", ".join(f"{size}: {percent(share)}" for size, share in tilt.shares.items())
    title = knowledge.nodes[tilt.fault].title
    return f"{title} would be {steps}; left out {percent(tilt.left_out)}"


def print_changes(changes: Sequence[NumberChange], page: Page | None = None) -> None:
    """What moved, furthest first, measured by what its weight left open."""
    page = page or Page()
    if not changes:
        page.line("nothing differs")
        return
    page.heading("What moved most", f"of {len(changes):,} lists of numbers; weight in cars")
    for change in changes[:CHANGES_SHOWN]:
        old, new = change.before.values, change.after
        page.line(Text(change.as_json()["place"], STRONG), f" {change.about}", indent=2)
        weights = f"weight {change.before.grounds.weight:.4g} to {change.weight:.4g}"
        spoke = f"{change.rows:,.0f} cars' worth" if change.rows else ""
        numbers = f"{_listed(old.tolist())} to {_listed(new.tolist())}"
        page.line(numbers, Text(f"  {weights}  {spoke}", FAINT), indent=4)
    if len(changes) > CHANGES_SHOWN:
        page.aside(f"and {len(changes) - CHANGES_SHOWN:,} more, see --json")


def _listed(numbers: Sequence[float]) -> str:
    return ", ".join(f"{number:.3g}" for number in numbers)


def _confirmed(page: Page, result: Learning) -> None:
    spoke = {name: entry for name, entry in result.rates.items() if entry[2] >= 1}
    if not spoke:
        return
    page.heading(
        "How often an outcome is wrong",
        "missed, false alarm, another state, noted if there, if not; before, now",
    )
    rows: list[Sequence[Cell]] = []
    for name, (before, now, _) in spoke.items():
        pairs = [f"{percent(a)}, {percent(b)}" for a, b in zip(before, now, strict=True)]
        rows.append((name.replace("_", " "), *pairs))
    page.rows(rows)


def _eyes(page: Page, result: Learning, knowledge: Knowledge) -> None:
    if not result.readers:
        return
    off = [looker for looker in result.readers if looker.off]
    page.heading("Who looked", "steps of words above what all others see; written for --knowledge")
    rows: list[Sequence[Cell]] = []
    for looker in off or result.readers[:1]:
        word = Text("sees it otherwise", CAUTION) if looker.off else "as the others"
        title = knowledge.node(looker.finding).title
        far = f"{looker.steps:+.2f} (+/- {1.645 * looker.doubt:.2f})"
        rows.append((looker.person, title, f"{looker.looks:,} looks", far, word))
    page.rows(rows)
    if not off:
        page.aside("nobody stands out beyond chance; the one who differs most is shown")


def _own(page: Page, result: Learning) -> None:
    if not result.by:
        return
    page.heading("Shown apart", "cars, own share, drawn towards all; the share learnt")
    for (place, state), own in groupby(result.by, lambda one: (one.place, one.state)):
        entries = list(own)
        page.line(Text(place, STRONG), f" {state}, learnt {percent(entries[0].learnt)}", indent=2)
        page.rows(
            [
                (e.group, f"{e.cars:,.0f}", percent(e.own), percent(e.shrunk))
                for e in entries
                if e.cars >= 1
            ],
            right=[1, 2, 3],
        )
