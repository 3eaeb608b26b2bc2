"""``loopodds gauges``: what the gauges of this car should read today."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from loopodds_cli.cases import assessing
from loopodds_cli.options import NameType, chosen_knowledge, picture_option, print_json

if TYPE_CHECKING:
    from loopodds import Assessment

FAULT = NameType(
    "fault=state",
    lambda ctx: {
        f"{name}={state}": node.title
        for name, node in chosen_knowledge(ctx).of_kind("fault").items()
        for state in node.states[1:]
    },
)
suppose_option = click.option(
    "--suppose",
    metavar="FAULT=STATE",
    type=FAULT,
    multiple=True,
    help="Show beside it what the gauges would read with this fault, all else sound; may be "
    "repeated for several at once.",
)


@assessing(suppose_option, picture_option)
def command(
    result: Assessment, suppose: tuple[str, ...], picture: str | None, as_json: bool
) -> None:
    """Say what the gauges of this car should read today.

    Nine in ten sound cars of this make-up, in the weather and at the running conditions of the
    case, read between the two numbers. What is not stated of car and conditions is averaged over
    and widens them. Pressures come in the unit of the case, at its altitude.

    \b
    Example:
      loopodds gauges @overfilled
      loopodds gauges @overfilled --suppose charge=high --picture wall_chart.svg
    """
    from loopodds import CHARTED, gauge_sheet, gauges_picture, write_whole

    from loopodds_cli.pages.gauges import print_gauges

    charted = CHARTED if picture else ()
    sheet = gauge_sheet(result.inspection, result.model, suppose, charted)
    if picture is not None:
        write_whole(Path(picture), gauges_picture(sheet).svg)
    if as_json:
        print_json({**result.stops_json(), **sheet.as_json()})
    else:
        print_gauges(sheet, result)
