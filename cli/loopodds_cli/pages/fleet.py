"""The page of ``loopodds fleet`` on the screen: the main numbers, and where the page lies."""

from __future__ import annotations

from typing import TYPE_CHECKING

from loopodds import percent, sentence

from loopodds_cli.pages.score import set_aside
from loopodds_cli.screen.page import Page, unit_of

if TYPE_CHECKING:
    from loopodds import Fleet

CONDITIONS_SHOWN, GROUPS_SHOWN, AGAIN_SHOWN = 8, 8, 5


def print_fleet(fleet: Fleet) -> None:
    """Write the whole page to standard output."""
    page = Page()
    whole, tally = fleet.as_json()["whole"], fleet.gathered.tally
    cars = f"{whole['cars']:,} car{'' if whole['cars'] == 1 else 's'}"
    again = f", {fleet.resumed:,} rows of them by an earlier run" if fleet.resumed else ""
    page.headline(f"{cars} of {tally.rows:,} rows read", f"{tally.rejected:,} set aside{again}")
    page.line("")
    files = [("page", fleet.out), ("set aside", fleet.rejects)]
    page.rows(files if tally.rejected else files[:1])
    for warning in fleet.warnings:
        page.marked("!", warning)
    set_aside(page, tally.rejected_by)
    if not whole["cars"]:
        return
    page.heading("All cars", f"expected, {unit_of(fleet.currency)}")
    faulty = f"{whole['faulty_low']:,} to {whole['faulty_high']:,}"
    page.rows(
        [
            ("something wrong", f"{whole['faulty']:,.0f} cars, nine times in ten {faulty}"),
            ("to be stopped", f"{whole['stopped']:,} cars"),
            ("left as they are", f"{whole['leaving_cost']:,.0f}"),
            ("best plan for each", f"{whole['plan_cost']:,.0f}"),
            ("left out by outcomes", f"{whole['left_out_cost']:,.0f}"),
        ]
    )
    page.heading("How many cars have what", "expected, and nine times in ten")
    page.rows(
        [
            (f"{r['expected']:,.0f}", f"{r['low']:,} to {r['high']:,}", sentence(r["title"]))
            for r in fleet.by_condition[:CONDITIONS_SHOWN]
        ],
        right=[0, 1],
    )
    for column, rows in fleet.by_group.items():
        page.heading(f"By {column}", "cars, and how many have something wrong")
        said = [
            (
                f"{r['cars']:,}",
                percent(r["faulty"] / r["cars"]) if r["enough"] else "too few to say",
                r["value"],
            )
            for r in rows[:GROUPS_SHOWN]
        ]
        page.rows(said, right=[0, 1])
        if len(rows) > GROUPS_SHOWN:
            page.aside(f"and {len(rows) - GROUPS_SHOWN} more, see the page")
    if fleet.again:
        page.heading("Worth looking at again", "cars, not people")
        for row in fleet.again[:AGAIN_SHOWN]:
            page.line(f"row {row['row']:,}: {row['why']}", indent=2)
