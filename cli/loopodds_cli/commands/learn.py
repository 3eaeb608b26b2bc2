"""``loopodds learn``: the numbers of the knowledge, learnt from an archive."""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import TYPE_CHECKING, Any

import click

from loopodds_cli.options import TEST, common_options, number_option, print_json

if TYPE_CHECKING:
    from loopodds import LearnProgress


@click.command()
@click.argument("archive", metavar="ARCHIVE")
@click.option("--out", required=True, metavar="FOLDER", help="Folder of knowledge to be made.")
@click.option("--columns", metavar="MAP", help="Column map (TOML) of a foreign archive.")
@click.option("--by", metavar="COLUMN", help="Show apart: workshop, technician or year.")
@click.option(
    "--reader", metavar="COLUMN", help="Who looked: learn how each sees shades and tints."
)
@click.option(
    "--anyway",
    type=TEST,
    metavar="TEST",
    multiple=True,
    help="Learn from TEST though something unrecorded drives it. May be repeated.",
)
@click.option(
    "--census", is_flag=True, help="Cars are as they come: learn from why they came, too."
)
@number_option("--workers", 1, None, "Threads.", default=2)
@click.option("--resume", is_flag=True, help="Go on where a killed run stopped.")
@common_options
def command(archive: str, as_json: bool, **how: Any) -> None:
    """Learn the numbers of the knowledge from an archive.

    Every list of numbers moves from what it was by as much as the cars that spoke weigh against its
    weight, and is written with its new weight into FOLDER, for --knowledge in every command. One
    row in five judges: where those are foretold worse than before, nothing is written and the exit
    code is 1. A column confirmed_by (opened_and_seen, cured_and_proved, technicians_word) says how
    an outcome was confirmed, asked_by or asked_by_TEST (tool, complaint, routine, other) why tests
    were done. Of --reader COLUMN a second look at the same sample stands in second_COLUMN and
    second_FINDING.

    Which cars a workshop gets, for a complaint or for routine, is its habit: what is learnt is what
    they show given their setting, unless --census says that the archive holds all as they come.

    \b
    Example:
      loopodds learn archive.csv --out learnt --by workshop

    @metric is an invented archive to try it on. It is drawn from the shipped numbers, so that there
    is nothing to learn from it: rows kept back are foretold worse, and nothing is written.
    """
    from loopodds import Knowledge, learn

    from loopodds_cli.numbers.learning_page import print_learning

    with _watched() as watch:
        result = learn(archive, progress=watch, **how)
    if as_json:
        print_json(result.as_json())
    else:
        print_learning(result, Knowledge(how["knowledge"]))
    if not result.written:
        click.echo(
            f"loopodds: {result.out} is not written: rows kept back are foretold worse than before",
            err=True,
        )
        click.get_current_context().exit(1)


@contextmanager
def _watched() -> Iterator[Callable[[LearnProgress], None] | None]:
    """A line that says how far it is, if standard error is a terminal."""
    if not sys.stderr.isatty():
        yield None
        return
    from rich.console import Console

    with Console(stderr=True).status("reading") as status:

        def watch(run: LearnProgress) -> None:
            rows = f", {run.rows:,} rows" if run.rows else ""
            passes = f", pass {run.passes}, {run.gain:+.5f} a row" if run.passes else ""
            status.update(f"{run.stage}{rows}{passes}")

        yield watch
