"""The page of ``loopodds calibrate``."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

from loopodds import lowered
from rich.text import Text

from loopodds_cli.screen.page import CAUTION, Cell, Page, percent

if TYPE_CHECKING:
    from loopodds import Calibration, Claim, Reliability, Stretch

STRETCHES_SHOWN = 2
ASIDE_SHOWN = 3
Told = Sequence[tuple["Claim", "Reliability"]]


def print_calibration(result: Calibration) -> None:
    """Write the whole page to standard output."""
    page = Page()
    told = [(claim, claim.told) for claim in result.claims if claim.told and not claim.few]
    off = [claim for claim in result.claims if claim.far_off]
    verdict = f"{len(off)} of {len(told)} stated otherwise than it happened, beyond chance"
    again = f", {result.rejected:,} rows set aside" if result.rejected else ""
    page.headline(
        f"{result.confirmed:,} of {result.rows:,} cars confirmed",
        verdict if told else "too few to say anything",
        f"they tell as much as {result.weighting.effective:,.0f} taken at random{again}",
    )
    page.line("")
    for warning in result.warnings:
        page.marked("!", warning)
    _compared(page, told)
    _apart(page, told)
    _set_aside(page, result)
    few = [lowered(claim.title) for claim in result.claims if claim.few]
    if few:
        page.heading("Too few to say")
        page.line(", ".join(few), indent=2)


def _set_aside(page: Page, result: Calibration) -> None:
    if not result.set_aside:
        return
    page.heading("Set aside", "--rejects FILE has all of them")
    for entry in result.set_aside[:ASIDE_SHOWN]:
        cell = f"{entry['column']} {entry['value']!r}: " if entry["column"] else ""
        page.line(f"row {entry['row']}: {cell}{entry['reason']}", indent=2)


def _compared(page: Page, told: Told) -> None:
    if not told:
        return
    page.heading("Stated and happened", "weighted to all cars; p is that of chance")
    header: Sequence[Cell] = ("", "said", "cars", "stated", "happened", "p", "")
    rows: list[Sequence[Cell]] = [header]
    for claim, one in told:
        rows.append(
            (claim.title, f"{one.reports:,}", f"{one.cars:,}", percent(one.stated),
             percent(one.happened), f"{one.p_value:.3f}", _verdict(claim))
        )  # fmt: skip
    page.rows(rows, right=[1, 2, 3, 4, 5])
    for claim, one in told:
        if claim.far_off:
            page.line(Text(claim.title, CAUTION), indent=2)
            for stretch in one.outside[:STRETCHES_SHOWN]:
                page.line(_stretch(stretch), indent=4)


def _verdict(claim: Claim) -> Cell:
    return Text("does not fit", CAUTION) if claim.far_off else "fits"


def _stretch(stretch: Stretch) -> str:
    first, last = percent(stretch.first), percent(stretch.last)
    where = first if first == last else f"{first} to {last}"
    return (
        f"stated {where}: happened {percent(stretch.happened)}, where {percent(stretch.low)} to "
        f"{percent(stretch.high)} would fit"
    )


def _apart(page: Page, told: Told) -> None:
    """Both scores in parts, of the whole car and of what does not fit."""
    shown = [(claim, one) for claim, one in told if claim.whole_car or claim.far_off]
    if not shown:
        return
    page.heading("Scores taken apart", "miscalibration - discrimination + uncertainty; all: --json")
    header: Sequence[Cell] = ("", "log", "mis", "discr", "unc", "Brier", "mis", "discr", "unc")
    rows: list[Sequence[Cell]] = [header]
    for claim, one in shown:
        rows.append((claim.title, *(f"{part:.3f}" for part in (*one.log, *one.brier))))
    page.rows(rows, right=range(1, 9))
