"""Arguments and options of ``loopodds case``, with what a shell completes for them."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from functools import wraps
from typing import TYPE_CHECKING, Any

import click
from click.shell_completion import CompletionItem
from loopodds import LoopoddsError

from loopodds_cli.options import (
    Decorator,
    NameType,
    Word,
    chosen_knowledge,
    common_options,
    file_option,
    json_option,
    knowledge_option,
    print_json,
)

if TYPE_CHECKING:
    from loopodds import Answer, CaseBook, Casework, Knowledge

    from loopodds_cli.cases import Next

Command = Callable[..., None]


@dataclass(frozen=True)
class Desk:
    """Everything a call on the case book was given besides what it is to do."""

    book: str | None = None
    knowledge: str | None = None
    as_json: bool = False
    who: str = ""
    note: str = ""

    @contextmanager
    def casework(self, write: bool = True, compiled: bool = False) -> Iterator[Casework]:
        """The book, with the model that judges what is entered; compiled for a long talk."""
        from loopodds import Casework, Knowledge, Model

        model = Model(Knowledge(self.knowledge), compiled=compiled)
        with self.opened(write) as book:
            yield Casework(book, model, self.who, self.note)

    def opened(self, write: bool = False) -> CaseBook:
        """The book alone."""
        from loopodds import CaseBook

        return CaseBook(self.book, write)

    def step(self, do: Callable[[Casework], Answer]) -> None:
        """Do one step on the book and say what it changed."""
        from loopodds_cli.pages.case import print_answer

        with self.casework() as work:
            self.tell(do(work), print_answer)

    def tell(self, answer: Answer, page: Callable[[Answer, Next], None]) -> None:
        """Answer on a page or as JSON."""
        from loopodds_cli.cases import next_tests
        from loopodds_cli.pages.case import answer_json

        next_up = next_tests(answer)
        if self.as_json:
            print_json(answer_json(answer, next_up))
        else:
            page(answer, next_up)


def _case_names(ctx: click.Context) -> dict[str, str]:
    from loopodds import printable

    with Desk(ctx.params.get("book")).opened() as book:
        return {str(ends.case): printable(ends.name) for ends in book.ends()}


def _recorded(ctx: click.Context) -> dict[str, str]:
    from loopodds import replay, value_text

    with Desk(ctx.params.get("book")).opened() as book:
        noted = replay(book.events(ctx.params.get("number") or 0)).noted
    return {name: value_text(seen.value) for name, seen in noted.items()}


class CaseNumber(NameType):
    """Number of a case in the book."""

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> Any:
        """A whole number above zero."""
        if isinstance(value, int):
            return value
        if not (value.isascii() and value.isdigit() and int(value) > 0):
            self.fail(f"{value!r} is no case number; `loopodds case list` shows them", param, ctx)
        return int(value)


class Assignment(Word):
    """``name=value``, as it is written on the command line.

    ``words`` leads from the knowledge to the names that may stand there, with the words of each.
    """

    name = "name=value"

    def __init__(self, words: Callable[[Knowledge], Mapping[str, tuple[str, ...]]]) -> None:
        self._words = words

    def shell_complete(
        self, ctx: click.Context, param: click.Parameter, incomplete: str
    ) -> list[CompletionItem]:
        """Names up to the sign of equality; then, or once only one is left, its states too."""
        try:
            words = self._words(chosen_knowledge(ctx))
        except LoopoddsError:
            return []
        name, sign, begun = incomplete.partition("=")
        names = [name] if sign else [known for known in words if known.startswith(name)]
        if len(names) != 1:
            return [CompletionItem(f"{known}=") for known in names]
        (only,) = names
        states = [state for state in words.get(only, ()) if state.startswith(begun)]
        if not states and not sign:
            return [CompletionItem(f"{only}=")]
        return [CompletionItem(f"{only}={state}") for state in states]


def observable_words(knowledge: Knowledge) -> dict[str, tuple[str, ...]]:
    """Names that can be observed, with their words; none for what is only measured."""
    from loopodds import observable_names, words_of

    return {name: words_of(name, knowledge) for name in observable_names(knowledge)}


def outcome_states(knowledge: Knowledge) -> dict[str, tuple[str, ...]]:
    """Faults and conditions, with what may turn out of them."""
    words = dict.fromkeys(knowledge.conditions, ("present", "absent"))
    return words | {name: fault.states for name, fault in knowledge.of_kind("fault").items()}


book_option = file_option(
    "--book", "Case book to use instead of LOOPODDS_BOOK or the one in your data folder."
)
who_option = click.option(
    "--who",
    default="",
    envvar="LOOPODDS_WHO",
    metavar="NAME",
    help="Who enters this (also LOOPODDS_WHO); free text, may be left out.",
)
LOOKS_ENV = "LOOPODDS_LOOKS"


def who_looks() -> str:
    """Who looks at samples where a call does not say it; empty: nobody is named."""
    return os.environ.get(LOOKS_ENV, "")


by_option = click.option(
    "--by",
    default=who_looks,
    metavar="NAME",
    help=f"Who looked (also {LOOKS_ENV}): shades and tints are then read through that person's "
    "eyes, where the knowledge has learnt them.",
)
with_option = click.option(
    "--with",
    "instrument",
    default="",
    metavar="NAME",
    help="What the readings of this call were taken with, as 'gauge 3'.",
)
note_option = click.option("--note", default="", metavar="TEXT", help="A remark kept beside it.")


def at_desk(*options: Decorator) -> Callable[[Command], Command]:
    """What is given of these options reaches a command as a :class:`Desk`."""

    def decorated(function: Command) -> Command:
        @wraps(function)
        def called(
            book: str | None = None,
            knowledge: str | None = None,
            as_json: bool = False,
            who: str = "",
            note: str = "",
            **given: Any,
        ) -> None:
            function(Desk(book, knowledge, as_json, who, note), **given)

        made: Command = called
        for option in reversed(options):
            made = option(made)
        return made

    return decorated


looking = at_desk(book_option, common_options)
"""Of a command that reads the book and judges by the knowledge."""
listing = at_desk(book_option, json_option)
"""Of a command to which the knowledge is nothing."""
writing = at_desk(who_option, note_option, book_option, common_options)
"""Of a command that records something: also who does, and a note."""
talking = at_desk(who_option, note_option, book_option, knowledge_option)
"""Of a dialogue that records what is said in it."""


RECORDED = NameType("name", _recorded)
"""Name of something that stands in the case given before, perhaps with shares behind it."""

CASE_NUMBER = CaseNumber("case number", _case_names)
case_number = click.argument("number", metavar="N", type=CASE_NUMBER)
