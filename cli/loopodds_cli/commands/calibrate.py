"""``loopodds calibrate``: probabilities beside what was confirmed."""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import click

from loopodds_cli.options import (
    WritingCommand,
    common_options,
    output_option,
    picture_option,
    print_json,
)


@click.command(cls=WritingCommand)
@click.argument("archive", metavar="ARCHIVE", type=click.Path())
@click.option(
    "--columns", metavar="MAP", type=click.Path(), help="Column map (TOML) of a foreign archive."
)
@picture_option
@output_option("--rejects", "Rows set aside, each with its reason.")
@common_options
def command(archive: str, picture: str | None, as_json: bool, **how: Any) -> None:
    """Compare probabilities with what was confirmed in an archive.

    For each fault, the leading one, a sound car and the plan: what was stated, what happened, and
    whether chance explains the difference. Opened cars are no random sample: each stands for as
    many as had its chance of being opened. Outcomes may be wrong as confirmation.toml of the
    knowledge says; the band counts how sure that is. Take cars that the knowledge was not learnt
    from.

    \b
    Example:
      loopodds calibrate archive.csv --picture reliability.svg
      loopodds calibrate this_year.parquet --knowledge learnt --json
    """
    from loopodds import calibrate, reliability_picture, write_whole

    from loopodds_cli.numbers.calibration_page import print_calibration

    with _watched() as watch:
        result = calibrate(archive, progress=watch, **how)
    if picture is not None:
        write_whole(Path(picture), reliability_picture(result).svg)
    if as_json:
        print_json(result.as_json())
    else:
        print_calibration(result)


@contextmanager
def _watched() -> Iterator[Callable[[str, int], None] | None]:
    """A line that says how far it is, if standard error is a terminal."""
    if not sys.stderr.isatty():
        yield None
        return
    from rich.console import Console

    with Console(stderr=True).status("reading") as status:
        yield lambda stage, cars: status.update(f"{stage}, {cars:,} cars")
