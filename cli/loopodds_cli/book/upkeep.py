"""Commands of ``loopodds case`` that look after the book: check, save, verify, back up."""

from pathlib import Path

import click

from loopodds_cli.book.options import Desk, case_number, listing, looking
from loopodds_cli.options import file_option, print_json
from loopodds_cli.terminal import say


@click.command()
@file_option("--salvage", "Write a new book there of everything that is sound.")
@click.option(
    "--noted",
    default="",
    metavar="LINK",
    help="A last link that was noted earlier: it must still stand in the book.",
)
@looking
def check(desk: Desk, salvage: str | None, noted: str) -> None:
    """Check the book: file, chain and probabilities.

    The chain is followed from the first event to the last: each carries a hash of what it says and
    of the event before it. Every case that is sound is replayed: each probability stored under the
    knowledge in force must come out again to 1e-12. Whoever notes the last link can have it checked
    later that nothing before it has changed.

    \b
    Example:
      loopodds case check --salvage sound.db
    """
    from loopodds import check_book, walk
    from loopodds import salvage as save

    from loopodds_cli.book.check_page import checked_json, print_checked, print_salvaged

    with desk.casework(write=False) as work:
        damage, walked = work.book.damage(), walk(work.book, noted.strip().lower())
        results = list(check_book(work.book, work.model, walked))
        saved = save(work.book, walked, Path(salvage)) if salvage else None
    if desk.as_json:
        print_json(checked_json(damage, walked, results, saved))
    else:
        print_checked(damage, walked, results, work.knowledge.digest)
        if saved is not None and salvage is not None:
            print_salvaged(saved, salvage)
    sound = not damage and not walked.findings and walked.noted
    if not sound or any(case.problem for case in results):
        raise click.exceptions.Exit(1)


@click.command()
@case_number
@looking
def verify(desk: Desk, number: int) -> None:
    """Work out anew what was believed along a case.

    Each probability is worked out with the version of the knowledge that made it, which the book
    keeps, and must come out again to 1e-9; where a version is missing, that is said.

    \b
    Example:
      loopodds case verify 1
    """
    from loopodds import verify_case

    from loopodds_cli.book.check_page import print_verified, verified_json

    with desk.casework(write=False) as work:
        found = verify_case(work.book, number, work.model)
        last = work.book.events(number)[-1].link
    if desk.as_json:
        print_json(verified_json(number, last, found))
    else:
        print_verified(number, last, found)
    if any(version.problem for version in found):
        raise click.exceptions.Exit(1)


@click.command()
@click.argument("out", metavar="OUT", type=click.Path(dir_okay=False))
@listing
def backup(desk: Desk, out: str) -> None:
    """Copy the book as it stands, also while others write to it.

    \b
    Example:
      loopodds case backup cases-monday.db
    """
    from loopodds import CaseBook

    with desk.opened() as book:
        book.copy_to(Path(out))
    with CaseBook(out, write=False) as copy:
        cases, last = len(copy.numbers()), copy.last_link()
    if desk.as_json:
        print_json({"file": out, "cases": cases, "last_link": last})
    else:
        say(f"{cases} cases written to {out}")
        say(f"last link {last or 'none'}")
