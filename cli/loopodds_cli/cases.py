"""What is made of a CASE of the command line: its assessment, and the next tests of one booked."""

from __future__ import annotations

import os
from collections.abc import Sequence
from typing import TYPE_CHECKING, NamedTuple

from loopodds import LoopoddsError

from loopodds_cli.options import open_case

if TYPE_CHECKING:
    from loopodds import Answer, Assessment, RankedTest


def assessed(
    case: str,
    knowledge: str | None,
    prices: str | None = None,
    done: Sequence[str] = (),
    lookahead: int = 1,
) -> Assessment:
    """What a CASE argument names, assessed; ``done`` are tests besides those of the case book."""
    from loopodds import Knowledge, assess

    known = Knowledge(knowledge)
    inspection = open_case(case, known)
    return assess(inspection, known, prices=prices, done=done, lookahead=lookahead)


class Next(NamedTuple):
    """The best next tests of a case of the book, or why they cannot be told."""

    tests: Sequence[RankedTest] = ()
    problem: str = ""

    @property
    def paying(self) -> list[RankedTest]:
        """Those that save more than they cost; the rest only tell most for their time."""
        return [test for test in self.tests if test.net_value > 0]


def none_pays(number: int) -> str:
    """What to say of a case in which no test alone pays: two together may, which takes longer."""
    return f"no single test pays for itself; loopodds next {number} looks at pairs"


def next_tests(answer: Answer) -> Next:
    """What to test next in a case as it stands; nothing once it is closed.

    By the price file that ``LOOPODDS_PRICES`` names, where it does.
    What has been recorded stays recorded even if there is no telling what comes next.
    """
    from loopodds import assess

    if answer.state.closed:
        return Next()
    model, prices = answer.model, os.environ.get("LOOPODDS_PRICES") or None
    try:
        result = assess(answer.inspection, model, prices=prices, belief=answer.belief)
        return Next(result.next_tests if result.tests else ())
    except LoopoddsError as error:
        return Next(problem=str(error))
