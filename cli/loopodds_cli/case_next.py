"""The next test of a case of the book."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any, NamedTuple

from loopodds.errors import LoopoddsError

if TYPE_CHECKING:
    from loopodds.caseanswer import Answer

COUNT = 3
NONE_PAYS = "none pays for itself alone; this one tells most for its time"


class Next(NamedTuple):
    """The best next tests as plain data, or why they cannot be told."""

    tests: Sequence[Mapping[str, Any]] = ()
    problem: str = ""


def next_tests(answer: Answer) -> Next:
    """What to test next in a case as it stands; nothing once it is closed.

    What has been recorded stays recorded even if there is no telling what comes next.
    """
    from loopodds.assessment import stated_context
    from loopodds.choice import json_rows, rank_tests

    if answer.state.closed:
        return Next()
    knowledge = answer.model.knowledge
    done = [test for test in answer.state.tests_done if test in knowledge.tests]
    try:
        context = stated_context(answer.inspection, knowledge)
        ranked = rank_tests(answer.belief(), done, context=context)
    except LoopoddsError as error:
        return Next(problem=str(error))
    return Next(json_rows(ranked, COUNT))
