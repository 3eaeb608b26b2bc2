"""``loopodds watch``: whether an archive still is what the knowledge foretells."""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from math import isfinite
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from loopodds_cli.options import (
    WritingCommand,
    common_options,
    number_option,
    output_option,
    picture_option,
    print_json,
)

if TYPE_CHECKING:
    from loopodds import WatchProgress

ALARM = 3
"""Exit code of an archive that is not as foretold; 1 and 2 are bad input and bad usage."""


@click.command(cls=WritingCommand)
@click.argument("archive", metavar="ARCHIVE", type=click.Path())
@click.option("--columns", metavar="MAP", help="Column map (TOML) of a foreign archive.")
@click.option(
    "--by",
    metavar="COLUMN",
    multiple=True,
    help="Judge apart too: workshop, technician or gauge. May be repeated.",
)
@click.option("--date", metavar="COLUMN", help="Dates that order the rows; 'date' if there is one.")
@click.option(
    "--keep", metavar="FOLDER", help="Keep what is worked out; a killed run goes on there."
)
@output_option("--rejects", "Write the rows that cannot be used, with the reason of each.")
@number_option("--workers", 1, None, "Threads.", default=2)
@picture_option
@common_options
def command(archive: str, as_json: bool, picture: str | None, **how: Any) -> None:
    """Watch an archive for drift away from the knowledge.

    ARCHIVE is a CSV, CSV.GZ or Parquet file, a demo archive (@metric, @us) or the file of a case
    book. Every look is foretold from the looks before it in its row, with conditions and reason of
    the visit given, and bets against what is foretold go on from row to row in the order of time.
    An alarm says since when, how often instead of how often, by how much a gauge is off, who
    carries it and which number of the knowledge explains it. It may be asked for at any time: where
    nothing has moved, one archive in a hundred alarms at most. The exit code is 3 where something
    has moved, else 0.

    \b
    Example:
      loopodds watch archive.csv --by workshop --by technician
      loopodds watch archive.parquet --date opened --picture watch.svg
    """
    from loopodds import Knowledge, watch, watch_picture, write_whole

    from loopodds_cli.numbers.watch_page import print_watch

    knowledge = Knowledge(how["knowledge"])
    with _watched() as progress:
        result = watch(archive, progress=progress, **how)
    if picture is not None:
        write_whole(Path(picture), watch_picture(result, knowledge).svg)
    if as_json:
        print_json(result.as_json())
    else:
        print_watch(result, knowledge)
    if result.alarms:
        sys.exit(ALARM)


@contextmanager
def _watched() -> Iterator[Callable[[WatchProgress], None] | None]:
    """A line that says how far it is, if standard error is a terminal."""
    if not sys.stderr.isatty():
        yield None
        return
    from rich.console import Console

    with Console(stderr=True).status("reading") as status:

        def tell(run: WatchProgress) -> None:
            share = f", {run.share:.0%}" if isfinite(run.share) else ""
            status.update(f"{run.stage}, {run.rows:,} rows{share}")

        yield tell
