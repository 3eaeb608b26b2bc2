"""``loopodds photo``: the colour of a sample read from a photo, and how that is taught."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import click
from loopodds import LoopoddsError

from loopodds_cli.book.options import CASE_NUMBER, Desk, writing
from loopodds_cli.options import Output, WritingCommand, common_options, output_option, print_json

if TYPE_CHECKING:
    from loopodds import Answer, Casework, Glass, Reading


@click.group()
def command() -> None:
    """Read the colour of a sample from a photo against a card.

    Darkness comes as a number on an open scale (ASTM D1500), greenness as a second one, each with
    its doubt, and both as likelihoods of the words that a case has for them. Nothing of it is
    validated on real samples; `loopodds help sample-photos` says what to check first.

    \b
    Example:
      loopodds photo card --out card.svg
      loopodds photo read sample.jpg --path '12.5 mm' --case 7
    """


@command.command(cls=WritingCommand)
@click.option(
    "--out", required=True, metavar="FILE", type=Output(), help="Ends in .svg or .pdf; - is SVG."
)
def card(out: str) -> None:
    """Write the card that a glass is photographed against.

    \b
    Example:
      loopodds photo card --out card.pdf
    """
    from loopodds import card_pdf, card_svg, write_whole

    kind = "svg" if out == "-" else Path(out).suffix.lower().removeprefix(".")
    if kind not in ("svg", "pdf"):
        raise LoopoddsError(f"{out}: the card is written as .svg or .pdf")
    content = card_svg() if kind == "svg" else card_pdf()
    if out == "-":
        click.echo(content, nl=False)
    else:
        write_whole(Path(out), content)


@command.command(cls=WritingCommand)
@click.argument("image", metavar="IMAGE", type=click.Path(exists=True, dir_okay=False))
@click.option("--path", metavar="LENGTH", help="Inner diameter of the glass, as '12.5 mm'.")
@click.option("--path-error", metavar="LENGTH", help="How far that may be off; 0.3 mm if not said.")
@click.option(
    "--glass",
    metavar="NAME",
    help="A glass by its name; with --path it is kept under that name for later.",
)
@click.option(
    "--case", "number", metavar="N", type=CASE_NUMBER, help="Enter it in that case, once confirmed."
)
@click.option("--yes", is_flag=True, help="Enter it without asking.")
@output_option("--marked", "Write a picture (PNG) of what was measured where.")
@writing
def read(
    desk: Desk,
    image: str,
    path: str | None,
    path_error: str | None,
    glass: str | None,
    number: int | None,
    yes: bool,
    marked: str | None,
) -> None:
    """Read a photo of the glass before the card.

    Whatever speaks against the photo is told with its remedy; such a photo is no evidence, nothing
    is entered, and the exit code is 1. What is entered replaces nothing: the word that somebody saw
    of the same sample stays beside it, and only one of the two counts.

    \b
    Example:
      loopodds photo read sample.jpg --glass bench --path '12.5 mm'
      loopodds photo read sample.jpg --glass bench --case 7
    """
    from loopodds import PictureError, marked_picture, open_picture, read_picture, write_whole

    content = Path(image).read_bytes()
    try:
        picture = open_picture(content)
    except PictureError as error:
        raise PictureError(f"{image}: {error}") from error
    reading = read_picture(picture, _glass(desk, path, path_error, glass))
    if number is not None:
        reading = _of_case(desk, reading, content, number)
    if marked is not None and (drawn := marked_picture(reading)) is not None:
        write_whole(Path(marked), drawn)
    entered = _entered(desk, image, reading, content, number, yes)
    if desk.as_json:
        from loopodds_cli.pages.photo import reading_json

        print_json(reading_json(image, reading, _knowledge(desk), number if entered else None))
    if not reading.usable:
        click.echo(f"loopodds: {image}: the photo is no evidence", err=True)
        click.get_current_context().exit(1)


def _knowledge(desk: Desk) -> Any:
    from loopodds import Knowledge

    return Knowledge(desk.knowledge)


def _glass(desk: Desk, path: str | None, error: str | None, name: str | None) -> Glass | None:
    """The glass that is meant; None where nothing is said of it."""
    from loopodds import book_path, glass_named, glass_of, keep_glass

    if path is None:
        if error is not None:
            raise click.UsageError("--path-error goes with --path")
        return None if name is None else glass_named(book_path(desk.book), name)
    glass = glass_of(path, error)
    if name is not None:
        keep_glass(book_path(desk.book), name, glass)
    return glass


def _of_case(desk: Desk, reading: Reading, content: bytes, number: int) -> Reading:
    from loopodds import photo_of_case

    with desk.casework(write=False) as work:
        return photo_of_case(reading, content, number, work)


def _entered(
    desk: Desk, image: str, reading: Reading, content: bytes, number: int | None, yes: bool
) -> bool:
    """Show the reading, ask, and enter it in the case; whether it was entered."""
    from loopodds_cli.pages.photo import print_reading

    if not desk.as_json:
        print_reading(Path(image).name, reading, _knowledge(desk))
    if number is None or not reading.usable:
        return False
    if not yes and (desk.as_json or not click.confirm(f"Enter this in case {number}?")):
        return False

    def do(work: Casework) -> Answer:
        from loopodds import enter_photo

        return enter_photo(work, number, reading, content)

    if desk.as_json:
        with desk.casework() as work:
            do(work)
    else:
        desk.step(do)
    return True


@command.command()
@click.argument("folder", metavar="FOLDER", type=click.Path(exists=True, file_okay=False))
@click.option("--out", required=True, metavar="FOLDER", help="Folder of knowledge to be made.")
@common_options
def learn(folder: str, out: str, knowledge: str | None, as_json: bool) -> None:
    """Learn from labelled photos where words lie on the scales.

    FOLDER holds photos and labels.csv with the columns file, path (inner diameter, as 12.5 mm) and
    sample_darkening or sample_greenness, the word that the trade would use. Every place moves by
    as much as its photos weigh; one in five judges, and where those are told apart worse than
    before nothing is written and the exit code is 1.

    \b
    Example:
      loopodds photo learn our_photos --out our_knowledge
    """
    from loopodds import Knowledge, learn_photos

    from loopodds_cli.pages.photo import print_photo_learning

    result = learn_photos(folder, out, Knowledge(knowledge))
    if as_json:
        print_json(result.as_json())
    else:
        print_photo_learning(result)
    if not result.written:
        problem = "photos kept back are told apart worse than before"
        click.echo(f"loopodds: {result.out} is not written: {problem}", err=True)
        click.get_current_context().exit(1)
