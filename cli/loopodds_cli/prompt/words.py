"""Short words for long names: what a typed beginning may mean, and what a misspelling may.

Nothing is ever guessed: one meaning is taken, several are for the person to choose from.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from difflib import SequenceMatcher
from typing import NamedTuple

ALIKE = 0.6
AT_MOST = 6
_NUMBER = re.compile(r"[+-]?[.,]?[0-9]")


class Meaning(NamedTuple):
    """What a typed word may mean: ``sure`` if there is one option and the word begins it."""

    sure: bool
    options: tuple[str, ...]


def meaning(typed: str, options: Sequence[str]) -> Meaning:
    """What a typed word may mean.

    A word means an option that it equals; else those it begins; else those whose parts it begins
    (``bub`` or ``s_b`` for ``sample_bubbles``). If there are none, options spelt alike are
    offered, most alike first, and none of them is sure.

    Examples:
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
    for fits in (_begins, _begins_parts):
        found = tuple(option for low, option in lowered.items() if fits(word, low))
        if found:
            return Meaning(len(found) == 1, found)
    return Meaning(False, _alike(word, lowered.values()))


def begins_number(word: str) -> bool:
    """Whether a word is the start of a quantity.

    Examples:
    >>> [begins_number(word) for word in ("2.1", "-.3bar", "low", "-")]
    [True, True, False, False]
    """
    return _NUMBER.match(word) is not None


def are_shares(words: Sequence[str]) -> bool:
    """Whether words are states and numbers by turns.

    Examples:
    >>> are_shares(["none", ".3", "metal", ".7"]), are_shares(["none", "metal"])
    (True, False)
    """
    if len(words) < 2 or len(words) % 2:
        return False
    try:
        return all(float(number) >= 0 for number in words[1::2])
    except ValueError:
        return False


def _begins(word: str, option: str) -> bool:
    return option.startswith(word)


def _begins_parts(word: str, option: str) -> bool:
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
