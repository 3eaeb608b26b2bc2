"""Questions at a prompt: options with numbers, what a line answers, what is asked next."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from typing import Literal, NamedTuple

import click
from loopodds import CaseError, LoopoddsError, printable

from loopodds_cli.prompt.words import Meaning, begins_number, meaning
from loopodds_cli.remedies import advised
from loopodds_cli.screen.page import wrapped

Then = Callable[[str], None]
Step = Callable[[], None]


def nothing() -> None:
    """What a question leads to that is dropped."""


def as_at_the_shell(error: LoopoddsError) -> list[str]:
    """What is wrong, and the command that helps."""
    return [advised(error)]


class Question(NamedTuple):
    """Something asked of the person, and what to do with an option that is chosen.

    A number is the ``place`` of an option, a ``quantity`` that stands beside them, or, where only
    a ``word`` will do, no answer. To a ``text`` every line is an answer. ``titles`` are what
    options are called on the screen.
    """

    prompt: str
    options: tuple[str, ...]
    then: Then
    number: Literal["place", "quantity", "word", "text"] = "place"
    titles: Mapping[str, str] = {}
    dropped: Step = nothing
    # told a line that is none of the options: whether it took it, else it is something new
    else_taken: Callable[[str], bool] = lambda line: False

    def title(self, option: str) -> str:
        """What an option is called on the screen."""
        return self.titles.get(option, option.replace("_", " "))


class Asking:
    """The question that is open, if any, and those that wait behind it.

    Args:
        worded: An error in the words of the screen, a paragraph each.
    """

    def __init__(self, worded: Callable[[LoopoddsError], list[str]] = as_at_the_shell) -> None:
        self._worded = worded
        self._open: Question | None = None
        self._waiting: list[Step] = []

    def prompt(self, otherwise: str) -> str:
        """What to show before the cursor."""
        return self._open.prompt if self._open else otherwise

    def take(self, line: str, otherwise: Callable[[str], None]) -> None:
        """A line from the person: the answer to the open question, or something new.

        An empty line drops the question. A slip in the answer is told and keeps it open, unless
        it asks for yes or no.
        """
        asked, self._open = self._open, None
        words = line.replace("=", " ").split()
        question = asked if asked and words and _answers(asked, words) else None
        try:
            if question:
                self._choose(question, line, words)
            elif asked and not words:
                asked.dropped()
            elif not (asked and asked.else_taken(line)):
                otherwise(line)
        except LoopoddsError as error:
            self._refuse(error)
            self._open = question if question and question.number != "word" else None
        while self._open is None and self._waiting:
            try:
                self._waiting.pop(0)()
            except LoopoddsError as error:
                self._refuse(error)

    def _refuse(self, error: LoopoddsError) -> None:
        for text in self._worded(error):
            wrapped(f"! {printable(text)}", "  ")

    def ask(self, question: Question) -> None:
        """Put a question; where a number is a place, it lists its options."""
        if question.number == "place":
            for place, option in enumerate(question.options, start=1):
                wrapped(f"{place:>2} {question.title(option)}", "  ", "     ")
        self._open = question

    def later(self, *steps: Step) -> None:
        """Steps that each may ask something, once nothing else is asked."""
        self._waiting += steps

    def first(self, *steps: Step) -> None:
        """Steps that each may ask something, before those that wait already."""
        self._waiting[:0] = steps

    def enough(self) -> None:
        """Ask nothing more of what waits."""
        self._waiting.clear()

    def confirm(self, prompt: str, then: Step, otherwise: Step = nothing) -> None:
        """Go on if the answer is yes; a line that is neither yes nor no is something new."""

        def said(word: str) -> None:
            (then if word == "yes" else otherwise)()

        self.ask(Question(f"{prompt}? yes or no", ("yes", "no"), said, "word", dropped=otherwise))

    def settle(
        self,
        typed: str,
        meant: Meaning,
        then: Then,
        otherwise: str,
        titles: Mapping[str, str] | None = None,
    ) -> None:
        """Go on with the one option that is sure, else let the person confirm or choose.

        ``otherwise`` says of the typed word what is wrong with it where nothing is like it.
        """
        question = Question("which", meant.options, then, titles=titles or {})
        shown = repr(printable(typed.replace("_", " ")))
        if meant.sure:
            then(meant.options[0])
        elif not meant.options:
            wrapped(f"! {shown} {otherwise}", "  ")
        elif len(meant.options) == 1:
            (only,) = meant.options
            click.echo(f"  {shown} is not clear")
            self.confirm(f"did you mean {question.title(only)}", lambda: then(only))
        else:
            click.echo(f"  {shown} is not clear; which one?")
            self.ask(question)

    def _choose(self, question: Question, line: str, words: Sequence[str]) -> None:
        """Go on with an answer: a text, a place in the list, a beginning, a quantity."""
        places = [str(place) for place in range(1, len(question.options) + 1)]
        if question.number == "text":
            question.then(line.strip())
        elif question.number == "quantity" and begins_number(words[0]):
            question.then(" ".join(words))
        elif question.number == "place" and len(words) == 1 and words[0] in places:
            question.then(question.options[places.index(words[0])])
        else:
            meant = _meant(question, words)
            if begins_number(words[0]) and not meant.sure:
                raise CaseError(f"choose 1 to {len(question.options)}, or an empty line for none")
            typed = "_".join(words)
            self.settle(typed, meant, question.then, "is no answer", question.titles)


def _meant(question: Question, words: Sequence[str]) -> Meaning:
    """The option that is meant by its name, else the one meant by its title."""
    by_name = meaning("_".join(words), question.options, parts=True)
    if by_name.sure or not question.titles:
        return by_name
    names = {
        question.title(option).lower().replace(" ", "_"): option for option in question.options
    }
    by_title = meaning("_".join(words), list(names), parts=True)
    titled = Meaning(by_title.sure, tuple(names[title] for title in by_title.options))
    return titled if titled.sure or not by_name.options else by_name


def _answers(question: Question, words: Sequence[str]) -> bool:
    """Whether a line answers a question rather than beginning something new."""
    if question.number == "text":
        return True
    if begins_number(words[0]):
        return question.number != "word"
    typed = "_".join(words).lower()
    if any(option.lower().startswith(typed) for option in question.options):
        return True
    return _meant(question, words).sure
