"""The next test of a case of the book."""

from __future__ import annotations

import os
from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any, NamedTuple

from loopodds import LoopoddsError

if TYPE_CHECKING:
    from loopodds import Answer

COUNT = 3


class Next(NamedTuple):
    """The best next tests as plain data, or why they cannot be told."""

    tests: Sequence[Mapping[str, Any]] = ()
    problem: str = ""

    @property
    def paying(self) -> list[Mapping[str, Any]]:
        """Those that save more than they cost; the rest only tell most for their time."""
        return [test for test in self.tests if test["net_value"] > 0]


def none_pays(number: int) -> str:
    """What to say of a case in which no test alone pays: two together may, which takes longer."""
    return f"no single test pays for itself; loopodds next {number} looks at pairs"


def next_tests(answer: Answer) -> Next:
    """What to test next in a case as it stands; nothing once it is closed.

    By the price file that ``LOOPODDS_PRICES`` names, where it does.
    What has been recorded stays recorded even if there is no telling what comes next.
    """
    from loopodds import json_rows, load_prices, rank_tests, stated_context, tests_of

    if answer.state.closed:
        return Next()
    knowledge = answer.model.knowledge
    done = tests_of(answer.state, knowledge)
    try:
        context = stated_context(answer.inspection, knowledge)
        prices = load_prices(os.environ.get("LOOPODDS_PRICES") or None, knowledge)
        ranked = rank_tests(answer.belief, done, prices, context)
    except LoopoddsError as error:
        return Next(problem=str(error))
    return Next(json_rows(ranked, COUNT))
