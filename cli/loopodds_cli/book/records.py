"""Commands of ``loopodds case`` that read the book, carry cases in and out, or work at length."""

import os
from dataclasses import asdict
from io import StringIO
from pathlib import Path

import click

from loopodds_cli.book.options import (
    CASE_NUMBER,
    Desk,
    case_number,
    listing,
    looking,
    talking,
    writing,
)
from loopodds_cli.options import (
    WritingCommand,
    case_argument,
    knowledge_option,
    open_case,
    output_option,
    print_json,
)
from loopodds_cli.terminal import say


@click.command()
@case_number
@looking
def show(desk: Desk, number: int) -> None:
    """Show what stands in a case and what it means.

    \b
    Example:
      loopodds case show 1
    """
    from loopodds_cli.pages.case import print_case

    with desk.casework(write=False) as work:
        desk.tell(work.show(number), print_case)


@click.command()
@case_number
@looking
def history(desk: Desk, number: int) -> None:
    """Show every event of a case, with who and when.

    \b
    Example:
      loopodds case history 1
    """
    from loopodds import Knowledge

    from loopodds_cli.pages.case import print_history

    knowledge = Knowledge(desk.knowledge)
    with desk.opened() as book:
        events = book.events(number)
    if desk.as_json:
        listed = [asdict(e) | {"posterior": e.posterior._asdict()} for e in events]
        print_json({"case": number, "knowledge": knowledge.digest, "events": listed})
    else:
        print_history(events, knowledge)


@click.command("list")
@click.option("--all", "everything", is_flag=True, help="Show the closed cases too.")
@listing
def list_(desk: Desk, everything: bool) -> None:
    """List the cases of the book.

    \b
    Example:
      loopodds case list --all
    """
    from loopodds_cli.book.list_page import list_json, print_list

    with desk.opened() as book:
        if desk.as_json:
            print_json({"cases": list_json(book.ends(), everything)})
        else:
            print_list(book.ends(), everything)


@click.command(cls=WritingCommand)
@click.argument("number", metavar="[N]", type=CASE_NUMBER, required=False)
@output_option("--out", "Write there, not to the screen.")
@output_option("--archive", "Write all closed cases there as an archive (CSV) instead of one case.")
@looking
def export(desk: Desk, number: int | None, out: str | None, archive: str | None) -> None:
    """Write a case file, or closed cases as an archive.

    \b
    Example:
      loopodds case export 1 --out van.toml
    """
    if (number is None) == (archive is None) or (archive and out):
        raise click.UsageError("give either a case number (with or without --out), or --archive")
    if desk.as_json and not (out or archive):
        raise click.UsageError("a case file is no JSON: with --json say where to write it, --out")
    if archive is not None:
        _export_archive(Path(archive), desk)
    elif number is not None:
        _export_case(number, out, desk)


@click.command("import")
@case_argument
@click.option("--name", default=None, metavar="TEXT", help="Name of the case; else the file's.")
@writing
def import_(desk: Desk, case: str, name: str | None) -> None:
    """Begin a case from a case file.

    One with confirmed outcomes is closed at once.

    \b
    Example:
      loopodds case import van.toml
    """
    from loopodds_cli.pages.case import print_answer

    with desk.casework() as work:
        stem = "" if case == "-" else Path(case.removeprefix("@")).stem
        opened = work.enter(open_case(case, work.knowledge), stem if name is None else name)
        desk.tell(opened, print_answer)


@click.command()
@click.argument("number", metavar="[N]", type=CASE_NUMBER, required=False)
@talking
def work(desk: Desk, number: int | None) -> None:
    """Work on a case at a prompt, from its opening to its closing.

    Without N it asks which case, or begins one. Beginnings of words are enough, a state alone
    where only one thing has it; what is unclear is asked about, never guessed. A question mark
    shows what can be typed.

    \b
    Example:
      loopodds case work 1
    """
    from loopodds_cli.preferences import active
    from loopodds_cli.prompt.workbench import Workbench

    units = active().units()
    with desk.casework(compiled=True) as casework:
        Workbench(casework, number, units, os.environ.get("LOOPODDS_PRICES")).run()


@click.command()
@knowledge_option
def template(knowledge: str | None) -> None:
    """Print the blank form of a case file.

    Every entry is there as a comment, with its question, its words or its units.

    \b
    Example:
      loopodds case template > car.toml
    """
    from loopodds import Knowledge, blank_case

    click.echo(blank_case(Knowledge(knowledge)), nl=False)


def _export_case(number: int, out: str | None, desk: Desk) -> None:
    from loopodds import Knowledge, case_text, replay, tests_of, write_whole

    with desk.opened() as book:
        state = replay(book.events(number))
    done = [f"--done {test}" for test in tests_of(state, Knowledge(desk.knowledge))]
    remark = f"tests done, to be given to assess, next and plan: {' '.join(done)}"
    text = case_text(state, *[remark] * bool(done))
    if out is None:
        click.echo(text, nl=False)
        return
    write_whole(Path(out), text)
    if desk.as_json:
        print_json({"case": number, "file": out})
    else:
        say(f"Case {number} written to {out}")


def _export_archive(path: Path, desk: Desk) -> None:
    from loopodds import Knowledge, write_archive, write_whole

    text = StringIO(newline="")
    with desk.opened() as book:
        archived = write_archive(book, Knowledge(desk.knowledge), text)
    write_whole(path, text.getvalue())
    if desk.as_json:
        print_json({"file": str(path), "rows": archived.rows, "left_out": list(archived.left_out)})
        return
    say(f"{archived.rows} closed cases written to {path}")
    for entry in archived.left_out:
        say(f"left out, an archive has no place for it: {entry}")
