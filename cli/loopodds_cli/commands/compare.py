"""``loopodds compare``: two states of a case, or two cases, beside each other."""

from __future__ import annotations

from typing import TYPE_CHECKING

import click

from loopodds_cli.options import (
    CaseType,
    WritingCommand,
    common_options,
    open_case,
    prices_option,
    print_json,
)

if TYPE_CHECKING:
    from loopodds import Comparison, Knowledge


@click.command(cls=WritingCommand)
@click.argument("what", metavar="CASE BEFORE AFTER", nargs=-1, required=True, type=CaseType())
@prices_option
@common_options
def command(
    what: tuple[str, ...], prices: str | None, knowledge: str | None, as_json: bool
) -> None:
    """Show what two states of a case, or two cases, differ in.

    What was told, what moved and how far it could lie, and what is advised otherwise.

    A number of the case book with two moments of it: positions of its history, times, first,
    repair (as it stood before the first one) or last. Or two cases: files, demo cases, numbers.
    Both sides are worked out under the knowledge of today.

    \b
    Example:
      loopodds compare 3 first last
      loopodds compare 3 4 2026-11-28T14:00
      loopodds compare before.toml after.toml
    """
    from loopodds import Knowledge

    from loopodds_cli.pages.compare import print_comparison

    found = _compared(what, Knowledge(knowledge), prices)
    if as_json:
        print_json(found.as_json())
    else:
        print_comparison(found)


def _compared(what: tuple[str, ...], knowledge: Knowledge, prices: str | None) -> Comparison:
    from loopodds import CaseBook, assess, compare, state_at, steps_between

    if len(what) == 2:
        sides = [assess(open_case(case, knowledge), knowledge, prices=prices) for case in what]
        return compare(sides[0], sides[1], (what[0], what[1]))
    case = what[0]
    if len(what) != 3 or not (case.isascii() and case.isdigit()):
        raise click.UsageError("give the number of a case and two moments of it, or two cases")
    with CaseBook(write=False) as book:
        events = book.events(int(case))
    first, last = (state_at(events, moment, knowledge) for moment in what[1:])
    before, after = (assess(s.inspection, knowledge, prices=prices) for s in (first, last))
    steps = steps_between(events, first.position, last.position, knowledge)
    return compare(before, after, (first.label, last.label), steps)
