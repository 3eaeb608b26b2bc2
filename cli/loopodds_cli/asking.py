"""Questions at a prompt, one at a time: what is unclear is put to the person, never guessed."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import NamedTuple

import click
from loopodds.errors import LoopoddsError
from loopodds.observations import printable
from loopodds.replay import CaseError

from loopodds_cli.wording import Meaning, begins_number, meaning

Then = Callable[[str], None]


class Question(NamedTuple):
    """Something asked of the person, and what to do with an option that is chosen.

    Options that are not ``numbered`` stand beside a quantity, which a bare number would be.
    """

    prompt: str
    options: tuple[str, ...]
    then: Then
    numbered: bool = True


class Asking:
    """The question that is open, if any."""

    def __init__(self) -> None:
        self._open: Question | None = None

    def prompt(self, otherwise: str) -> str:
        """What to show before the cursor."""
        return self._open.prompt if self._open else otherwise

    def take(self, words: list[str], otherwise: Callable[[list[str]], None]) -> None:
        """A line from the person: the answer to the open question, or something new.

        An empty line drops the question. A slip in the answer is told and keeps it open.
        """
        question, self._open = self._open, None
        answers = question is not None and bool(words) and _answers(question, words)
        try:
            if question is not None and answers:
                self._choose(question, words)
            elif words:
                otherwise(words)
        except LoopoddsError as error:
            click.echo(f"  ! {printable(str(error))}")
            self._open = question if answers else None

    def ask(self, question: Question) -> None:
        """Put a question; a numbered one lists its options."""
        if question.numbered:
            for place, option in enumerate(question.options, start=1):
                click.echo(f"  {place:>2} {option}")
        self._open = question

    def settle(self, typed: str, found: Meaning, then: Then, otherwise: str) -> None:
        """Go on with the one option that is sure, else let the person choose.

        ``otherwise`` says of the typed word what is wrong with it where nothing is like it.
        """
        if found.sure:
            then(found.options[0])
        elif not found.options:
            click.echo(f"  ! {printable(typed)!r} {otherwise}")
        else:
            click.echo(f"  {printable(typed)!r} is not clear; which one?")
            self.ask(Question("which", found.options, then))

    def _choose(self, question: Question, words: Sequence[str]) -> None:
        """Go on with an answer: a place in the list, a beginning, a quantity."""
        if not begins_number(words[0]):
            typed = "_".join(words)
            self.settle(typed, meaning(typed, question.options), question.then, "is no answer")
        elif not question.numbered:
            question.then(" ".join(words))
        elif len(words) == 1 and words[0] in map(str, range(1, len(question.options) + 1)):
            question.then(question.options[int(words[0]) - 1])
        else:
            raise CaseError(f"choose 1 to {len(question.options)}, or an empty line for none")


def _answers(question: Question, words: Sequence[str]) -> bool:
    """Whether a line answers a question rather than beginning something new."""
    if begins_number(words[0]):
        return True
    typed = "_".join(words).lower()
    return any(option.lower().startswith(typed) for option in question.options)
