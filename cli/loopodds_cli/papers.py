"""What papers are made of on the command line: a case, its events and photos, the sender."""

from __future__ import annotations

import os
import shutil
import subprocess
import tempfile
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING

import click
from loopodds import FileError

from loopodds_cli.cases import assessed
from loopodds_cli.options import Function

if TYPE_CHECKING:
    from loopodds import Event, Photo, Report, Wording


def paper_options(function: Function) -> Function:
    """Who hands a paper over, to whose car it belongs, and in which language."""
    options = (
        click.option(
            "--language", default="en", show_default=True, envvar="LOOPODDS_LANGUAGE",
            help="Of the customer's page: en, de, or the path of a language file of your own.",
        ),
        click.option("--plate", default="", help="Of the car; the name of a case of the book."),
        click.option(
            "--workshop", default="", envvar="LOOPODDS_WORKSHOP",
            help="Name at the head of the page; also LOOPODDS_WORKSHOP.",
        ),
        click.option(
            "--address", default="", envvar="LOOPODDS_ADDRESS",
            help="Its address, parts apart by semicolons; also LOOPODDS_ADDRESS.",
        ),
    )  # fmt: skip
    for option in reversed(options):
        function = option(function)
    return function


def report_on(
    case: str, knowledge: str | None, prices: str | None, language: str, plate: str,
    workshop: str, address: str, written: datetime | None = None,
) -> tuple[Report, Wording]:  # fmt: skip
    """The report of what a CASE argument names, and the words of the customer's page."""
    from loopodds import CaseBook, Report, Sender, photos_of, read_wording

    result = assessed(case, knowledge, prices=prices)
    events: tuple[Event, ...] = ()
    photos: list[Photo] = []
    if case.isascii() and case.isdigit():  # of a case of the book it is known what was done when
        with CaseBook(write=False) as book:
            events, photos = book.events(int(case)), photos_of(book.path, int(case))
    sender = Sender(
        workshop, "\n".join(part.strip() for part in address.split(";") if part.strip())
    )
    at = written or datetime.now().astimezone()
    report = Report(result, at, events, sender, plate, photos)
    return report, read_wording(language, result.knowledge, knowledge)


BROWSERS = ("chromium", "chromium-browser")
PRINT_SECONDS = 60
FLAGS = (
    "--headless", "--disable-gpu", "--no-first-run", "--disable-background-networking",
    "--disable-component-update", "--disable-sync", "--no-pdf-header-footer",
)  # fmt: skip


def printed(html: str) -> bytes:
    """A page as the browser prints it to PDF.

    Raises:
        FileError: if there is no Chromium to print with, or it does not print.
    """
    browser = next(filter(None, map(shutil.which, BROWSERS)), None)
    if browser is None:
        raise FileError("a PDF needs chromium; write .html and print that from any browser")
    with tempfile.TemporaryDirectory() as folder:
        page, pdf = Path(folder) / "page.html", Path(folder) / "page.pdf"
        page.write_text(html, encoding="utf-8")
        # the page runs no script and fetches nothing; for the administrator there is no sandbox
        own = [f"--user-data-dir={folder}/profile", *["--no-sandbox"] * (os.geteuid() == 0)]
        call = [browser, *FLAGS, *own, f"--print-to-pdf={pdf}", page.as_uri()]
        try:
            subprocess.run(call, capture_output=True, timeout=PRINT_SECONDS, check=True)
            return pdf.read_bytes()
        except (subprocess.SubprocessError, OSError) as error:
            raise FileError(f"{browser} did not print: write .html and print that") from error
