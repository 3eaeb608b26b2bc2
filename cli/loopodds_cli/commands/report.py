"""``loopodds report``: a page for the customer and the record for the workshop."""

from __future__ import annotations

from pathlib import Path

import click

from loopodds_cli.options import (
    WritingCommand,
    case_argument,
    knowledge_option,
    output_option,
    prices_option,
)
from loopodds_cli.papers import paper_options, printed, report_on

FORMATS = ("html", "md", "json", "pdf")
BOTH = "both"


@click.command(cls=WritingCommand)
@case_argument
@output_option("--out", "Where to write it; - prints it.")
@click.option(
    "--format",
    "form",
    type=click.Choice(FORMATS),
    help="Taken from the name of the file when left out, else html.",
)
@click.option(
    "--part",
    type=click.Choice(("customer", "record", BOTH)),
    default=BOTH,
    show_default=True,
    help="The customer's page, the record of the workshop, or one after the other.",
)
@paper_options
@prices_option
@knowledge_option
def command(
    case: str, out: str | None, form: str | None, part: str, language: str, plate: str,
    workshop: str, address: str, prices: str | None, knowledge: str | None,
) -> None:  # fmt: skip
    """Write a report for the customer and the workshop.

    One file: a page in plain words to hand over and sign, then the record with everything seen,
    what it moved and what was not checked. HTML needs nothing besides the file and prints on A4
    and Letter; PDF needs chromium to print it. A case of the book brings its times, its photos and
    its name, which stands for the plate.

    \b
    Example:
      loopodds report @wet_loop --out report.html --workshop "Bay Two"
      loopodds report @wet_loop --out seite.html --part customer --language de
    """
    from loopodds import PARTS, report_text, write_whole

    if out is None:
        raise click.UsageError("say where to write the report: --out FILE, or --out - to print it")
    suffix = Path(out).suffix.lower().lstrip(".")
    chosen = form or {"markdown": "md", "htm": "html"}.get(suffix, suffix)
    report, words = report_on(case, knowledge, prices, language, plate, workshop, address)
    parts = PARTS if part == BOTH else (part,)
    form = chosen if chosen in FORMATS else "html"
    text = report_text(report, "html" if form == "pdf" else form, words, parts)
    content = printed(text) if form == "pdf" else text
    if out == "-":
        click.echo(content, nl=False)
    else:
        write_whole(Path(out), content)
