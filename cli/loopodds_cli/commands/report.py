"""``loopodds report``: a page for the customer and the record for the workshop."""

from __future__ import annotations

from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING

import click

from loopodds_cli.options import (
    WritingCommand,
    case_argument,
    knowledge_option,
    output_option,
    prices_option,
    print_or_write,
)

if TYPE_CHECKING:
    from loopodds import Event

FORMATS = ("html", "md", "json")


@click.command(cls=WritingCommand)
@case_argument
@output_option("--out", "Where to write it; - prints it.")
@click.option(
    "--format",
    "form",
    type=click.Choice(FORMATS),
    help="Taken from the name of the file when left out, else html.",
)
@prices_option
@knowledge_option
def command(
    case: str, out: str | None, form: str | None, prices: str | None, knowledge: str | None
) -> None:
    """Write a report for the customer and the workshop.

    One file: a page in plain words, then the record with everything seen, what it moved and what
    was not checked. HTML needs nothing besides the file and prints on A4 and Letter.

    \b
    Example:
      loopodds report @wet_loop --out report.html
    """
    from loopodds import CaseBook, Report, report_text

    from loopodds_cli.cases import assessed

    if out is None:
        raise click.UsageError("say where to write the report: --out FILE, or --out - to print it")
    suffix = Path(out).suffix.lower().lstrip(".")
    chosen = form or {"markdown": "md", "htm": "html"}.get(suffix, suffix)
    result = assessed(case, knowledge, prices=prices)
    events: tuple[Event, ...] = ()
    if case.isascii() and case.isdigit():  # of a case of the book it is known what was done when
        with CaseBook(write=False) as book:
            events = book.events(int(case))
    report = Report(result, datetime.now().astimezone(), events)
    text = report_text(report, chosen if chosen in FORMATS else "html")
    print_or_write(out, text)
