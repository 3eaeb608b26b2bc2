"""Questions at a prompt and the short words of an answer: what a beginning or misspelling may mean.

Nothing is guessed: one meaning is taken, of several the person is asked to choose.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Sequence
from difflib import SequenceMatcher
from typing import Literal, NamedTuple

import click
from loopodds import CaseError, LoopoddsError, printable

from loopodds_cli.remedies import advised

ALIKE = 0.6
AT_MOST = 6
_NUMBER = re.compile(r"[+-]?[.,]?[0-9]")
Then = Callable[[str], None]


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
        asked, self._open = self._open, None
        question = asked if asked and words and _answers(asked, words) else None
        try:
            if question:
                self._choose(question, words)
            elif words:
                otherwise(words)
        except LoopoddsError as error:
            click.echo(f"  ! {printable(advised(error))}")
            self._open = question if question and question.number != "word" else None

    def ask(self, question: Question) -> None:
        """Put a question; where a number is a place, it lists its options."""
        if question.number == "place":
            for place, option in enumerate(question.options, start=1):
                click.echo(f"  {place:>2} {option}")
        self._open = question

    def confirm(self, prompt: str, then: Callable[[], None]) -> None:
        """Go on if the answer is yes; a line that is neither yes nor no is something new."""

        def said(word: str) -> None:
            if word == "yes":
                then()

        self.ask(Question(f"{prompt}? yes or no", ("yes", "no"), said, "word"))

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


class Meaning(NamedTuple):
    """What a typed word may mean: ``sure`` if there is one option and the word begins it."""

    sure: bool
    options: tuple[str, ...]


def meaning(typed: str, options: Sequence[str]) -> Meaning:
    """What a typed word may mean.

    A word means an option that it equals; else those it begins; else those whose parts it begins
    (``bub`` or ``s_b`` for ``sample_bubbles``), of several the one that has no other parts or ends
    in the word. If there are none, options spelt alike are
    offered, most alike first, and none of them is sure.

    >>> meaning("per", ["none", "persisting"])
    Meaning(sure=True, options=('persisting',))
    >>> meaning("bub", ["line_bubbles", "sample_bubbles"])
    Meaning(sure=False, options=('line_bubbles', 'sample_bubbles'))
    >>> meaning("bubels", ["sample_bubbles", "frost_at_valve"])
    Meaning(sure=False, options=('sample_bubbles',))
    """
    word = typed.lower()
    lowered = {option.lower(): option for option in options}
    if word in lowered:
        return Meaning(True, (lowered[word],))
    for begins in (str.startswith, _parts_begin):
        meant = tuple(option for low, option in lowered.items() if begins(low, word))
        whole = tuple(option for option in meant if _all_of(option.lower(), word))
        if meant:
            return Meaning(True, whole) if len(whole) == 1 else Meaning(len(meant) == 1, meant)
    return Meaning(False, _alike(word, lowered.values()))


def _all_of(option: str, word: str) -> bool:
    """Whether a word stands for every part of an option, or is its end."""
    return option.endswith(f"_{word}") or option.count("_") == word.count("_") > 0


def begins_number(word: str) -> bool:
    """Whether a word is the start of a quantity.

    >>> [begins_number(word) for word in ("2.1", "-.3bar", "low", "-")]
    [True, True, False, False]
    """
    return _NUMBER.match(word) is not None


def are_shares(words: Sequence[str]) -> bool:
    """Whether words are states and numbers by turns.

    >>> are_shares(["none", ".3", "metal", ".7"]), are_shares(["none", "metal"])
    (True, False)
    """
    if len(words) < 2 or len(words) % 2:
        return False
    try:
        return all(float(number) >= 0 for number in words[1::2])
    except ValueError:
        return False


def _parts_begin(option: str, word: str) -> bool:
    """Whether the parts of the word begin parts of the option, in the same order."""
    parts = iter(option.split("_"))
    return all(any(part.startswith(piece) for part in parts) for piece in word.split("_"))


def _alike(word: str, options: Iterable[str]) -> tuple[str, ...]:
    scores = []
    for option in options:
        candidates = (option, *option.split("_"))
        score = max(SequenceMatcher(None, word, part.lower()).ratio() for part in candidates)
        if score >= ALIKE:
            scores.append((-score, option))
    return tuple(option for _, option in sorted(scores)[:AT_MOST])
