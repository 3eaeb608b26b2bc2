"""Arguments and options of ``loopodds case``, with what a shell completes for them."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, TypeVar

import click
from click.shell_completion import CompletionItem
from loopodds import LoopoddsError

from loopodds_cli.options import Word, json_option, knowledge_option

if TYPE_CHECKING:
    from loopodds import CaseBook, Casework, Knowledge

    WholeNumber = click.ParamType[int]
else:
    WholeNumber = click.ParamType  # has no type argument at run time before click 8.2

F = TypeVar("F", bound=Callable[..., Any])


@dataclass(frozen=True)
class Desk:
    """Everything a call on the case book was given besides what it is to do."""

    book: str | None
    knowledge: str | None
    as_json: bool
    who: str = ""
    note: str = ""

    @contextmanager
    def casework(self, write: bool = True, compiled: bool = False) -> Iterator[Casework]:
        """The book, with the model that judges what is entered; compiled for a long talk.

        Raises
        ------
        CaseBookError
            If the book cannot be opened.
        """
        from loopodds import Casework, Knowledge, Model

        model = Model(Knowledge(self.knowledge), compiled=compiled)
        with self.opened(write) as book:
            yield Casework(book, model, self.who, self.note)

    def opened(self, write: bool) -> CaseBook:
        """The book alone."""
        from loopodds import CaseBook

        return CaseBook(self.book, write)


class CaseNumber(WholeNumber):
    """Number of a case in the book."""

    name = "case number"

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> int:
        """A whole number above zero."""
        if isinstance(value, int):
            return value
        if not (value.isascii() and value.isdigit() and int(value) > 0):
            self.fail(f"{value!r} is no case number; `loopodds case list` shows them", param, ctx)
        return int(value)

    def shell_complete(
        self, ctx: click.Context, param: click.Parameter, incomplete: str
    ) -> list[CompletionItem]:
        """Cases of the book with their names."""
        from loopodds import printable

        try:
            with Desk(ctx.params.get("book"), None, False).opened(write=False) as book:
                ends = book.ends()
        except LoopoddsError:
            return []
        return [
            CompletionItem(str(first.case), help=printable(first.content["name"]))
            for first, _ in ends
            if str(first.case).startswith(incomplete)
        ]


class Assignment(Word):
    """``name=value``, as it is written on the command line.

    Parameters
    ----------
    words : callable
        From the knowledge to the names that may stand there and the words each may have.
    """

    name = "name=value"

    def __init__(self, words: Callable[[Knowledge], dict[str, tuple[str, ...]]]) -> None:
        self._words = words

    def shell_complete(
        self, ctx: click.Context, param: click.Parameter, incomplete: str
    ) -> list[CompletionItem]:
        """Names up to the sign of equality; then, or once only one is left, its states too."""
        from loopodds import Knowledge

        try:
            words = self._words(Knowledge(ctx.params.get("knowledge")))
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


class Recorded(Word):
    """Name of something that stands in the case, perhaps with shares behind it."""

    name = "name"

    def shell_complete(
        self, ctx: click.Context, param: click.Parameter, incomplete: str
    ) -> list[CompletionItem]:
        """Names recorded in the case given before."""
        from loopodds import replay, value_text

        try:
            with Desk(ctx.params.get("book"), None, False).opened(write=False) as book:
                noted = replay(book.events(ctx.params.get("number") or 0)).noted
        except LoopoddsError:
            return []
        return [
            CompletionItem(name, help=value_text(one.value))
            for name, one in noted.items()
            if name.startswith(incomplete)
        ]


def observable_words(knowledge: Knowledge) -> dict[str, tuple[str, ...]]:
    """Names that can be observed, with their states; none for what is only measured."""
    from loopodds import CHOICES, observable_names

    return {
        name: knowledge.nodes[name].states if name in knowledge.nodes else CHOICES.get(name, ())
        for name in observable_names(knowledge)
    }


def outcome_words(knowledge: Knowledge) -> dict[str, tuple[str, ...]]:
    """Faults and conditions, with what may turn out of them."""
    words = dict.fromkeys(knowledge.conditions, ("present", "absent"))
    return words | {name: fault.states for name, fault in knowledge.of_kind("fault").items()}


def looking(function: F) -> F:
    """Options of a command that only reads: ``book``, ``knowledge``, ``as_json``."""
    book = click.option(
        "--book",
        metavar="FILE",
        type=click.Path(dir_okay=False),
        help="Case book to use instead of LOOPODDS_BOOK or the one in your data folder.",
    )
    return book(json_option(knowledge_option(function)))


def writing(function: F) -> F:
    """Options of a command that records something: also ``who`` and ``note``."""
    who = click.option(
        "--who",
        default="",
        envvar="LOOPODDS_WHO",
        metavar="NAME",
        help="Who enters this (also LOOPODDS_WHO); free text, may be left out.",
    )
    note = click.option("--note", default="", metavar="TEXT", help="A remark kept beside it.")
    return looking(who(note(function)))


CASE_NUMBER = CaseNumber()
case_number = click.argument("number", metavar="N", type=CASE_NUMBER)
