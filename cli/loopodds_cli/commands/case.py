"""``loopodds case``: a diagnosis that grows, kept in the case book."""

from __future__ import annotations

import sys
from collections.abc import Iterable
from typing import TYPE_CHECKING

import click

from loopodds_cli.book.options import (
    Assignment,
    Desk,
    Recorded,
    case_number,
    observable_words,
    outcome_states,
    writing,
)
from loopodds_cli.book.records import check, export, history, import_, list_, show, work
from loopodds_cli.options import TEST, NameType

if TYPE_CHECKING:
    from loopodds import Value


class InOrder(click.Group):
    """Group that lists its commands in the order of the work."""

    def list_commands(self, ctx: click.Context) -> list[str]:
        """Names in the order they were added."""
        return list(self.commands)


SERVICE = NameType("service", lambda knowledge: {n: s.title for n, s in knowledge.services.items()})


@click.group(cls=InOrder)
def command() -> None:
    """Keep a growing case in the case book.

    Everything seen, read, doubted, withdrawn or undone stays on record with its time; each call
    answers with what it moved and the next test. Names and states complete with the Tab key.

    \b
    Example:
      loopodds case open --name "blue van" refrigerant=R134a
      loopodds case saw 1 sample_bubbles=persisting
      loopodds case repaired 1 dry_the_loop
      loopodds case close 1 --confirmed moisture=wet
    """


assignments = click.argument(
    "assignments", metavar="NAME=VALUE...", nargs=-1, type=Assignment(observable_words)
)
names = click.argument("names", metavar="NAME...", nargs=-1, required=True, type=Recorded())
confirmed_option = click.option(
    "--confirmed",
    metavar="NAME=STATE",
    multiple=True,
    type=Assignment(outcome_states),
    help="What turned out to be true of the car as it came, as moisture=wet or air=absent; may be "
    "repeated.  "
    "'sound' means every fault not named is absent.",
)


@command.command("open")
@assignments
@click.option("--name", default="", metavar="TEXT", help="Name of the case; free text.")
@writing
def open_(desk: Desk, assignments: tuple[str, ...], name: str) -> None:
    """Begin a case, with whatever is already known of the car.

    \b
    Example:
      loopodds case open --name "blue van" refrigerant=R134a ambient="31 degC"
    """
    desk.step(lambda work: work.open(name, _parsed(assignments)))


@command.command()
@case_number
@assignments
@writing
def saw(desk: Desk, number: int, assignments: tuple[str, ...]) -> None:
    """Record what was seen or told.

    \b
    Example:
      loopodds case saw 1 sample_bubbles=persisting sample_specks=none:0.3,metal:0.7
    """
    _record(desk, number, assignments)


@command.command()
@case_number
@assignments
@writing
def read(desk: Desk, number: int, assignments: tuple[str, ...]) -> None:
    """Record what was measured, with its unit.

    \b
    Example:
      loopodds case read 1 low_side="2.1 bar" vent="14 degC"
    """
    _record(desk, number, assignments)


@command.command()
@case_number
@names
@writing
def doubt(desk: Desk, number: int, names: tuple[str, ...]) -> None:
    """Keep an entry but do not use it, or use it with shares.

    \b
    Example:
      loopodds case doubt 1 low_side
    """
    from loopodds import parse_assignment

    doubts = [parse_assignment(text) if "=" in text else (text, None) for text in names]
    desk.step(lambda work: work.doubt(number, doubts))


@command.command()
@case_number
@names
@writing
def withdraw(desk: Desk, number: int, names: tuple[str, ...]) -> None:
    """Take entries back that were recorded in error.

    \b
    Example:
      loopodds case withdraw 1 low_side
    """
    desk.step(lambda work: work.withdraw(number, names))


@command.command()
@case_number
@writing
def undo(desk: Desk, number: int) -> None:
    """Take the last step back, a closing too.

    \b
    Example:
      loopodds case undo 1
    """
    desk.step(lambda work: work.undo(number))


@command.command()
@case_number
@writing
def redo(desk: Desk, number: int) -> None:
    """Put the step back that was undone last.

    \b
    Example:
      loopodds case redo 1
    """
    desk.step(lambda work: work.redo(number))


@command.command()
@case_number
@click.argument("tests", metavar="TEST...", nargs=-1, required=True, type=TEST)
@writing
def done(desk: Desk, number: int, tests: tuple[str, ...]) -> None:
    """Say that tests were done, whatever they showed.

    \b
    Example:
      loopodds case done 1 cold_look
    """
    desk.step(lambda work: work.tests_done(number, tests))


@command.command()
@case_number
@click.argument("services", metavar="SERVICE...", nargs=-1, required=True, type=SERVICE)
@writing
def decide(desk: Desk, number: int, services: tuple[str, ...]) -> None:
    """Record the services that were decided on.

    \b
    Example:
      loopodds case decide 1 recover_and_charge
    """
    desk.step(lambda work: work.choose_plan(number, services))


@command.command()
@case_number
@click.argument("services", metavar="[SERVICE...]", nargs=-1, type=SERVICE)
@writing
def repaired(desk: Desk, number: int, services: tuple[str, ...]) -> None:
    """Say that services were done; without any, those decided on.

    What was seen before counts on as what it was before. What is recorded from here on is of the
    repaired car, and the next tests are those that prove the repair.

    \b
    Example:
      loopodds case repaired 1 recover_and_charge
    """
    desk.step(lambda work: work.repaired(number, services))


@command.command()
@case_number
@confirmed_option
@click.option("--unconfirmed", is_flag=True, help="Close though it is not known what was true.")
@writing
def close(desk: Desk, number: int, confirmed: tuple[str, ...], unconfirmed: bool) -> None:
    """Close a case with what turned out to be true.

    Asks at the terminal when not told.

    \b
    Example:
      loopodds case close 1 --confirmed moisture=wet --confirmed sound
    """
    from loopodds import parse_outcomes

    if confirmed and unconfirmed:
        raise click.UsageError("either --confirmed or --unconfirmed")
    if not confirmed and not unconfirmed:
        confirmed = _asked()
    outcomes = parse_outcomes(confirmed)
    desk.step(lambda work: work.close(number, outcomes))


for record in (show, history, list_, export, import_, check, work):
    command.add_command(record)


def _record(desk: Desk, number: int, assignments: Iterable[str]) -> None:
    if not assignments:
        raise click.UsageError("nothing to record; write NAME=VALUE")
    observed = _parsed(assignments)
    desk.step(lambda work: work.record(number, observed))


def _parsed(assignments: Iterable[str]) -> list[tuple[str, Value]]:
    from loopodds import parse_assignment

    return [parse_assignment(text) for text in assignments]


def _asked() -> tuple[str, ...]:
    """Outcomes asked for at the terminal; none if the answer is empty."""
    if not sys.stdin.isatty():
        raise click.UsageError(
            "say what turned out to be true with --confirmed NAME=STATE, or --unconfirmed"
        )
    click.echo("What turned out to be true? NAME=STATE, several with spaces between;")
    click.echo("sound = nothing else was wrong; empty = not known.")
    answer: str = click.prompt("true", default="", show_default=False)
    return tuple(answer.split())
