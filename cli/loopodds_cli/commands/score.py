"""``loopodds score``: a whole archive of inspections."""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import TYPE_CHECKING, Any

import click

from loopodds_cli.options import common_options, number_option, prices_option, print_json
from loopodds_cli.terminal import is_quiet

if TYPE_CHECKING:
    from loopodds import RunProgress

REVIEW_FILE_ROWS = 100


@click.command()
@click.argument("archive", metavar="ARCHIVE")
@click.option("--out", metavar="FILE", help="Scored archive; a folder for a folder.")
@click.option("--rejects", metavar="FILE", help="Rows set aside; beside --out when left out.")
@click.option("--columns", metavar="MAP", help="Column map (TOML) of a foreign archive.")
@click.option(
    "--starter-map",
    is_flag=True,
    help="Score nothing: write a column map to correct, beside the archive or as --out.",
)
@number_option("--workers", 1, None, "Processes; a single one has two threads.", default=1)
@click.option(
    "--cluster", metavar="ADDRESS", help="Dask scheduler; Parquet only, --out is a folder."
)
@click.option("--resume", is_flag=True, help="Go on where a killed run stopped.")
@number_option(
    "--review", 0, None, "List the N inspections most worth reopening.", default=0, metavar="N"
)
@click.option(
    "--review-out", metavar="FILE", help="Write that list to a file, .csv or .json (N: 100)."
)
@click.option(
    "--spreadsheet-safe",
    is_flag=True,
    help="Write cells that a spreadsheet would run as formulas behind an apostrophe.",
)
@click.option(
    "--intervals",
    is_flag=True,
    help="Add how far each probability could lie (low_, high_), behind all else; takes long.",
)
@click.option(
    "--plan", is_flag=True, help="Add the plan of least expected cost, and that cost (plan_cost)."
)
@click.option(
    "--next",
    is_flag=True,
    help="Add the test to do next (next_test); takes a third of a second a car, or more.",
)
@prices_option
@click.option(
    "--device",
    metavar="NAME",
    default="processor",
    show_default=True,
    help="What large batches run on: processor, gpu or gpu-float32 (extra gpu).",
)
@click.option("--overwrite", is_flag=True, help="Replace outputs that are there already.")
@click.option(
    "--append",
    is_flag=True,
    help="Score only what the archive has more than last time; the first time all of it.",
)
@common_options
def command(
    archive: str,
    out: str | None,
    starter_map: bool,
    review: int,
    review_out: str | None,
    as_json: bool,
    knowledge: str | None,
    **how: Any,  # the other options, called as loopodds.score calls them
) -> None:
    """Score an archive of inspections.

    ARCHIVE is a CSV, CSV.GZ or Parquet file with one row an inspection, a folder of Parquet
    files, or a demo archive: @metric or @us. The output has all its columns and the probability
    of every condition. Rows that cannot be used go to the rejects file with the reason; row 1 is
    the first below the header.

    \b
    Example:
      loopodds score @metric --out scored.csv --review 10
    """
    from loopodds import Knowledge, score

    from loopodds_cli.pages.score import print_summary, write_starter_map

    if starter_map:
        write_starter_map(archive, out, how["overwrite"], knowledge, as_json)
        return
    if out is None:
        raise click.UsageError("name the file that the scored rows go to: --out FILE")
    with watched() as watch:
        summary = score(
            archive,
            out,
            review=review or (REVIEW_FILE_ROWS if review_out else 0),
            review_out=review_out,
            knowledge=knowledge,
            progress=watch,
            **how,
        )
    if as_json:
        print_json(summary.as_json())
    else:
        print_summary(summary, Knowledge(knowledge))


@contextmanager
def watched() -> Iterator[Callable[[RunProgress], None] | None]:
    """A bar with rate and time left, if standard error is a terminal."""
    if is_quiet() or not sys.stderr.isatty():
        yield None
        return
    from rich import progress as bars
    from rich.console import Console

    columns = (
        bars.BarColumn(bar_width=24),
        bars.TaskProgressColumn(),
        bars.TextColumn("{task.fields[rows]:,} rows, {task.fields[rate]:,.0f} a second, left"),
        bars.TimeRemainingColumn(),
    )
    with bars.Progress(*columns, console=Console(stderr=True), transient=True) as bar:
        task = bar.add_task("", total=1.0, rows=0, rate=0.0)

        def watch(run: RunProgress) -> None:
            seconds = max(bar.tasks[0].elapsed or 0.0, 1e-3)
            rate = (run.rows - run.resumed) / seconds
            bar.update(task, completed=run.share, rows=run.rows, rate=rate)

        yield watch
