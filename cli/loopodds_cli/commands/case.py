"""``loopodds case``: a diagnosis that grows, kept in the case book."""

from __future__ import annotations

import sys
from collections.abc import Callable, Mapping, Sequence
from typing import TYPE_CHECKING, Any

import click

from loopodds_cli.book import closing
from loopodds_cli.book.options import (
    RECORDED,
    Assignment,
    Desk,
    by_option,
    case_number,
    observable_words,
    outcome_states,
    with_option,
    writing,
)
from loopodds_cli.book.records import export, history, import_, list_, show, template, work
from loopodds_cli.book.upkeep import backup, check, verify
from loopodds_cli.options import TEST, Decorator, NameType, chosen_knowledge

if TYPE_CHECKING:
    from loopodds import Against, Answer, Casework, Value


Words = tuple[str, ...]


class InOrder(click.Group):
    """Group that lists its commands in the order of the work."""

    def list_commands(self, ctx: click.Context) -> list[str]:
        """Names in the order they were added."""
        return list(self.commands)


SERVICE = NameType(
    "service", lambda ctx: {n: s.title for n, s in chosen_knowledge(ctx).services.items()}
)


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
names = click.argument("names", metavar="NAME...", nargs=-1, required=True, type=RECORDED)
confirmed_option = click.option(
    "--confirmed",
    metavar="NAME=STATE",
    multiple=True,
    type=Assignment(outcome_states),
    help="What turned out to be true of the car as it came, as moisture=wet or air=absent; may be "
    "repeated.  'sound' means every fault not named is absent.",
)


@command.command("open")
@assignments
@click.option("--name", default="", metavar="TEXT", help="Name of the case; free text.")
@by_option
@with_option
@writing
def open_(desk: Desk, assignments: tuple[str, ...], name: str, by: str, instrument: str) -> None:
    """Begin a case, with whatever is already known of the car.

    \b
    Example:
      loopodds case open --name "blue van" refrigerant=R134a ambient="31 degC"
    """
    desk.step(lambda work: work.open(name, _seen(work, assignments, by, instrument)))


def _verb(
    name: str,
    about: str,
    example: str,
    method: Callable[[Casework], Callable[..., Answer]],
    argument: Decorator | None = None,
    parse: Callable[[Words], Any] = tuple,
) -> None:
    """Add a command that does one step on a case, with the words behind its number.

    Args:
        about: Help, in one sentence or with more paragraphs.
        example: Without ``loopodds case`` and the name.
        method: What is done, given the number and the words.
        argument: The words; none where the number says it all.
        parse: Makes of the words what the method takes, before the book is opened.
    """

    def does(desk: Desk, number: int, **named: Words) -> None:
        given = [parse(words) for words in named.values()]
        desk.step(lambda work: method(work)(number, *given))

    does.__doc__ = f"{about}\n\n\b\nExample:\n  loopodds case {name} {example}\n"
    decorated = writing(does)
    command.command(name)(case_number(argument(decorated) if argument else decorated))


def _parsed(texts: Words) -> list[tuple[str, Value]]:
    from loopodds import parse_assignment

    return [parse_assignment(text) for text in texts]


def _recorded(texts: Words) -> list[tuple[str, Value]]:
    if not texts:
        raise click.UsageError("nothing to record; write NAME=VALUE")
    return _parsed(texts)


def _doubted(texts: Words) -> list[tuple[str, Value | None]]:
    return [_parsed((text,))[0] if "=" in text else (text, None) for text in texts]


def _seen(
    work: Casework, texts: Words, by: str, instrument: str
) -> list[tuple[str, Value, str, str]]:
    """What was recorded, with who saw it; of readings also with what."""
    from loopodds import observation

    seen = _parsed(texts)
    sections = {observation(*one, work.knowledge).section for one in seen}
    if instrument and "readings" not in sections:
        raise click.UsageError("--with tells what readings were taken with; there is none here")
    return [(name, value, by, instrument) for name, value in seen]


@command.command()
@case_number
@assignments
@by_option
@with_option
@writing
def saw(desk: Desk, number: int, assignments: Words, by: str, instrument: str) -> None:
    """Record what was seen, told or measured, and by whom or with what.

    Two people who look at the same sample are two looks at it, never two samples; a second word of
    the same person replaces the first.

    \b
    Example:
      loopodds case saw 1 sample_bubbles=persisting sample_specks=none:0.3,metal:0.7
      loopodds case saw 1 sample_darkening=light --by anna
    """
    _recorded(assignments)
    desk.step(lambda work: work.record(number, _seen(work, assignments, by, instrument)))


@command.command()
@case_number
@assignments
@with_option
@writing
def read(desk: Desk, number: int, assignments: Words, instrument: str) -> None:
    """Record what was measured, with its unit.

    What it was taken with stays beside each reading: `watch --by instrument_low_side` finds a gauge
    that is off.

    \b
    Example:
      loopodds case read 1 low_side="2.1 bar" high_side="14 bar" --with "gauge 3"
    """
    _recorded(assignments)
    desk.step(lambda work: work.record(number, _seen(work, assignments, "", instrument)))


_verb(
    "doubt",
    "Keep an entry but do not use it, or use it with shares.",
    "1 low_side",
    lambda work: work.doubt,
    names,
    _doubted,
)
_verb(
    "withdraw",
    "Take entries back that were recorded in error.",
    "1 low_side",
    lambda work: work.withdraw,
    names,
)
_verb("undo", "Take the last step back, a closing too.", "1", lambda work: work.undo)
_verb("redo", "Put the step back that was undone last.", "1", lambda work: work.redo)
_verb(
    "done",
    "Say that tests were done, whatever they showed.",
    "1 cold_look",
    lambda work: work.tests_done,
    click.argument("tests", metavar="TEST...", nargs=-1, required=True, type=TEST),
)


@command.command()
@case_number
@click.argument("services", metavar="[SERVICE...]", nargs=-1, type=SERVICE)
@click.option(
    "--refused",
    metavar="SERVICE=WHY",
    multiple=True,
    type=Assignment(lambda knowledge: dict.fromkeys(knowledge.services, ())),
    help="A service that the customer does not want, and why; may be repeated.",
)
@click.option("--back-by", metavar="DAY", default="", help="Day by which to look again.")
@click.option("--watch", metavar="TEXT", default="", help="What to watch for until then.")
@writing
def decide(
    desk: Desk, number: int, services: Words, refused: Words, back_by: str, watch: str
) -> None:
    """Record the services that were decided on, and what was agreed beside them.

    \b
    Example:
      loopodds case decide 1 recover_and_charge
      loopodds case decide 1 advise_and_recheck --back-by 2027-03-01 \\
          --watch "vents less cold" --refused repair_leak_and_charge="too dear"
    """
    from loopodds import Agreed

    if not (services or refused or back_by or watch):
        raise click.UsageError("nothing decided; name a SERVICE, or what was refused")
    declined = dict(text.partition("=")[::2] for text in refused)
    desk.step(lambda work: work.choose_plan(number, services, Agreed(declined, back_by, watch)))


_verb(
    "repaired",
    "Say that services were done; without any, those decided on.\n\n"
    "What was seen before counts on as what it was before. What is recorded from here on is of the "
    "repaired car, and the next tests are those that prove the repair.",
    "1 recover_and_charge",
    lambda work: work.repaired,
    click.argument("services", metavar="[SERVICE...]", nargs=-1, type=SERVICE),
)


@command.command()
@case_number
@confirmed_option
@click.option("--unconfirmed", is_flag=True, help="Close though it is not known what was true.")
@click.option(
    "--as-it-came",
    is_flag=True,
    help="What was confirmed is true of the car as it came, though it is in doubt.",
)
@writing
def close(
    desk: Desk, number: int, confirmed: tuple[str, ...], unconfirmed: bool, as_it_came: bool
) -> None:
    """Close a case with what turned out to be true.

    Asks at the terminal when not told, and where what was confirmed goes against what was seen
    or may be meant of the car as it came or since its repair.

    \b
    Example:
      loopodds case close 1 --confirmed moisture=wet --confirmed sound
    """
    from loopodds import CaseError, parse_outcomes

    if confirmed and unconfirmed:
        raise click.UsageError("either --confirmed or --unconfirmed")
    if not confirmed and not unconfirmed:
        confirmed = _asked()

    def end(work: Casework) -> Answer:
        outcomes: Mapping[str, str] = parse_outcomes(confirmed)
        sure = as_it_came
        while True:
            try:
                return work.close(number, outcomes, sure)
            except CaseError as error:
                if error.remedy != "as it came" or not sys.stdin.isatty():
                    raise
                click.echo(str(error))
                sure, outcomes = _settled(work.against(number, outcomes), outcomes, work)

    desk.step(end)


for record in (
    show, history, list_, template, export, import_, check, verify, backup, work
):  # fmt: skip
    command.add_command(record)


def _settled(
    against: Sequence[Against], outcomes: Mapping[str, str], work: Casework
) -> tuple[bool, Mapping[str, str]]:
    """What the person says of outcomes that are in doubt: whether it is sure, and what is true."""
    from loopodds import parse_outcomes

    offered = closing.choices(against)
    for place, choice in enumerate(offered, start=1):
        click.echo(f"  {place} {choice}")
    answer = offered[click.prompt("which", type=click.IntRange(1, len(offered))) - 1]
    if answer == closing.KEEP_OPEN:
        raise click.Abort
    if answer == closing.ANEW:
        return False, parse_outcomes(_asked())
    return True, closing.settled(answer, work, outcomes, against)


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
