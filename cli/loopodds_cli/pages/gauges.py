"""The page of ``loopodds gauges``: what is read beside what a sound car reads."""

from __future__ import annotations

from typing import TYPE_CHECKING

from loopodds import lowered, spaced
from rich.text import Text

from loopodds_cli.screen.page import CAUTION, FAINT, Cell, Page
from loopodds_cli.screen.shown import in_unit, shown
from loopodds_cli.screen.stops import put_stops

if TYPE_CHECKING:
    from loopodds import Assessment, GaugeLine, GaugeSheet


def print_gauges(sheet: GaugeSheet, result: Assessment) -> None:
    """Write the whole page to standard output: what was read first, then the rest."""
    page = Page()
    put_stops(page, result.stops, result.knowledge)
    read = [line for line in sheet.lines if line.read is not None]
    open_lines = [line for line in sheet.lines if line.read is None]
    outside = [line for line in read if line.place != "within"]
    page.title(sheet.case, _verdict(read, outside))
    given = ", ".join(f"{spaced(key)} {shown(value)}" for key, value in sheet.conditions.items())
    page.aside(f"at {given}" if given else "no condition is stated")
    if sheet.not_stated:
        names = ", ".join(lowered(result.knowledge.title(name)) for name in sheet.not_stated)
        page.aside(f"not stated and averaged over, which widens the ranges: {names}")
    _table(page, "Read", read, sheet)
    _table(page, "Not read", open_lines, sheet)
    page.aside("A range holds nine in ten sound cars like this one.")


def _verdict(read: list[GaugeLine], outside: list[GaugeLine]) -> str:
    if not read:
        return "nothing was read"
    if not outside:
        return "every reading is one of a sound car"
    return f"{len(outside)} of {len(read)} readings are not those of a sound car"


def _table(page: Page, heading: str, lines: list[GaugeLine], sheet: GaugeSheet) -> None:
    if not lines:
        return
    page.heading(heading)
    measured = lines[0].read is not None
    head = ["", *(["reads", ""] if measured else []), "sound", *_supposed_head(sheet)]
    rows: list[list[Cell]] = [[Text(word, FAINT) for word in head]]
    for line in lines:
        row: list[Cell] = [line.title]
        if measured:
            place = "" if line.place == "within" else line.place
            row += [f"{in_unit(line.read or 0.0, line.unit)[0]:g}", Text(place, CAUTION)]
        row.append(_range(line.sound, line.unit))
        if line.supposed is not None:
            row.append(_range(line.supposed, line.unit))
        rows.append(row)
    page.rows(rows, right=[1] if measured else [])


def _supposed_head(sheet: GaugeSheet) -> list[str]:
    if not sheet.supposed:
        return []
    return ["with " + " and ".join(spaced(text.replace("=", " ")) for text in sheet.supposed)]


def _range(values: tuple[float, float, float], unit: str) -> str:
    low, _, high = values
    return shown(f"{low:g} to {high:g} {unit}")
