"""Questions at a prompt, one at a time: what is unclear is put to the person, never guessed."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Literal, NamedTuple

import click
from loopodds import CaseError, LoopoddsError, printable

from loopodds_cli.prompt.words import Meaning, begins_number, meaning
from loopodds_cli.remedies import advised

Then = Callable[[str], None]
YES_NO = ("yes", "no")


class Question(NamedTuple):
    """Something asked of the person, and what to do with an option that is chosen.

    A number is the ``place`` of an option, a ``quantity`` that stands beside them, or, where only
    a ``word`` will do, no answer.
    """

    prompt: str
    options: tuple[str, ...]
    then: Then
    number: Literal["place", "quantity", "word"] = "place"


class Asking:
    """The question that is open, if any."""

    def __init__(self) -> None:
        self._open: Question | None = None

    def prompt(self, otherwise: str) -> str:
        """What to show before the cursor."""
        return self._open.prompt if self._open else otherwise

    def take(self, words: list[str], otherwise: Callable[[list[str]], None]) -> None:
        """A line from the person: the answer to the open question, or something new.

        An empty line drops the question. A slip in the answer is told and keeps it open, unless
        it asks for yes or no.
        """
        question, self._open = self._open, None
        if question is not None and not (words and _answers(question, words)):
            question = None
        try:
            if question is not None:
                self._choose(question, words)
            elif words:
                otherwise(words)
        except LoopoddsError as error:
            click.echo(f"  ! {printable(advised(error))}")
            again = question is not None and question.number != "word"
            self._open = question if again else None

    def ask(self, question: Question) -> None:
        """Put a question; where a number is a place, it lists its options."""
        if question.number == "place":
            for place, option in enumerate(question.options, start=1):
                click.echo(f"  {place:>2} {option}")
        self._open = question

    def confirm(self, prompt: str, then: Callable[[], None]) -> None:
        """Go on if the answer is yes; a line that is neither yes nor no is something new."""
        self.ask(
            Question(
                f"{prompt}? yes or no",
                YES_NO,
                lambda said: then() if said == "yes" else None,
                "word",
            )
        )

    def settle(self, typed: str, meant: Meaning, then: Then, otherwise: str) -> None:
        """Go on with the one option that is sure, else let the person confirm or choose.

        ``otherwise`` says of the typed word what is wrong with it where nothing is like it.
        """
        if meant.sure:
            then(meant.options[0])
        elif not meant.options:
            click.echo(f"  ! {printable(typed)!r} {otherwise}")
        elif len(meant.options) == 1:
            (only,) = meant.options
            click.echo(f"  {printable(typed)!r} is not clear")
            self.confirm(f"did you mean {only}", lambda: then(only))
        else:
            click.echo(f"  {printable(typed)!r} is not clear; which one?")
            self.ask(Question("which", meant.options, then))

    def _choose(self, question: Question, words: Sequence[str]) -> None:
        """Go on with an answer: a place in the list, a beginning, a quantity."""
        if not begins_number(words[0]):
            typed = "_".join(words)
            self.settle(typed, meaning(typed, question.options), question.then, "is no answer")
        elif question.number == "quantity":
            question.then(" ".join(words))
        elif len(words) == 1 and words[0] in map(str, range(1, len(question.options) + 1)):
            question.then(question.options[int(words[0]) - 1])
        else:
            raise CaseError(f"choose 1 to {len(question.options)}, or an empty line for none")


def _answers(question: Question, words: Sequence[str]) -> bool:
    """Whether a line answers a question rather than beginning something new."""
    if begins_number(words[0]):
        return question.number != "word"
    typed = "_".join(words).lower()
    return any(option.lower().startswith(typed) for option in question.options)
