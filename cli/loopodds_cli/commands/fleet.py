"""``loopodds fleet``: what an owner reads of an archive."""

from __future__ import annotations

from typing import Any

import click

from loopodds_cli.commands.score import watched
from loopodds_cli.options import common_options, number_option, prices_option, print_json


@click.command()
@click.argument("archive", metavar="ARCHIVE")
@click.option("--out", metavar="FILE", required=True, help="The page, one HTML file.")
@click.option(
    "--by",
    metavar="COLUMN",
    multiple=True,
    help="Compare by it: workshop, technician, vehicle type; dates by month. May be repeated; "
    "columns that look like these when left out.",
)
@click.option("--columns", metavar="MAP", help="Column map (TOML) of a foreign archive.")
@click.option("--rejects", metavar="FILE", help="Rows set aside; beside --out when left out.")
@number_option("--workers", 1, None, "Processes; a single one has two threads.", default=1)
@click.option("--resume", is_flag=True, help="Go on where a killed run stopped.")
@click.option("--overwrite", is_flag=True, help="Replace outputs that are there already.")
@prices_option
@common_options
def command(archive: str, out: str, as_json: bool, **how: Any) -> None:
    """Write what an owner reads of an archive.

    ARCHIVE is what `loopodds score` takes. The page, one file, says how many cars are expected to
    have what, with intervals; what was done by the outcomes, what the plans of least expected cost
    would have done, and what the difference cost; the same by month, workshop or any column; the
    dearest misses; cars worth looking at again; and how good the data is. Every number in it can
    be saved as CSV.

    \b
    Example:
      loopodds fleet archive.csv --by workshop --by date --out fleet.html
    """
    from loopodds import fleet

    from loopodds_cli.pages.fleet import print_fleet

    with watched() as watch:
        made = fleet(archive, out, progress=watch, **how)
    if as_json:
        print_json(made.as_json())
    else:
        print_fleet(made)
