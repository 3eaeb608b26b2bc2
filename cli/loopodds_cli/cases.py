"""What is made of a CASE of the command line: its assessment, and the next tests of one booked."""

from __future__ import annotations

import os
from collections.abc import Callable, Sequence
from functools import wraps
from typing import TYPE_CHECKING, Any, NamedTuple

import click
from loopodds import LoopoddsError

from loopodds_cli.options import (
    Decorator,
    Function,
    WritingCommand,
    case_argument,
    common_options,
    open_case,
)

if TYPE_CHECKING:
    from loopodds import Answer, Assessment, RankedTest, StopInForce

HOW = ("prices", "done", "lookahead")
"""Options that say how a car is assessed."""


def assessed(case: str, knowledge: str | None, **how: Any) -> Assessment:
    """What a CASE argument names, assessed with the keywords of :func:`loopodds.assess`."""
    from loopodds import Knowledge, assess

    known = Knowledge(knowledge)
    return assess(open_case(case, known), known, **how)


def assessing(*own: Decorator) -> Callable[[Function], click.Command]:
    """Make a command about one car: of its assessment, ``as_json`` and the rest of its options.

    Args:
        own: Its arguments and options besides CASE, --json and --knowledge, in their order; those
            of the assessment itself go there.
    """

    def made(function: Function) -> click.Command:
        @wraps(function)
        def called(case: str, knowledge: str | None, **given: Any) -> None:
            how = {name: given.pop(name) for name in HOW if name in given}
            function(assessed(case, knowledge, **how), **given)

        command: Function = called
        decorators: list[Decorator] = [case_argument, *own, common_options]
        for decorate in reversed(decorators):
            command = decorate(command)
        return click.command(cls=WritingCommand)(command)

    return made


class Next(NamedTuple):
    """The stops and the best next tests of a case of the book, or why they cannot be told."""

    tests: Sequence[RankedTest] = ()
    problem: str = ""
    stops: Sequence[StopInForce] = ()

    @property
    def paying(self) -> list[RankedTest]:
        """Those that save more than they cost; the rest only tell most for their time."""
        return [test for test in self.tests if test.pays]


def none_pays(number: int) -> str:
    """What to say of a case in which no test alone pays: two together may, which takes longer."""
    return f"no single test pays for itself; loopodds next {number} looks at pairs"


def next_tests(answer: Answer, prices: str | None = None) -> Next:
    """What to test next in a case as it stands; nothing once it is closed.

    ``LOOPODDS_PRICES`` may name the price file where none is given. What has been recorded stays
    recorded even if there is no telling what comes next.
    """
    from loopodds import assess

    if answer.state.closed:
        return Next()
    model, prices = answer.model, prices or os.environ.get("LOOPODDS_PRICES") or None
    try:
        result = assess(answer.inspection, model, prices=prices, belief=answer.belief)
        return Next(result.next_tests if result.tests else (), stops=result.stops)
    except LoopoddsError as error:
        return Next(problem=str(error))
