"""What a typed word may mean: whole words first, then beginnings and parts, spelling last.

Nothing is guessed: one meaning is sure, of several the person is asked to choose. Capitals never
matter.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator, Mapping, Sequence
from difflib import SequenceMatcher
from typing import NamedTuple

ALIKE = 0.75
AT_MOST = 6
LEAST_PART, LEAST_BEGINNING = 2, 3
"""Letters that a part within a word needs, and the beginning of one among other words."""
FAR = 1000
"""Place of a word that a name has nothing to do with."""
SMALL = frozenset(("a", "an", "and", "at", "be", "has", "in", "is", "it", "of", "on", "the", "was"))
"""Words that say nothing in a line such as ``the oil is black``."""
_NUMBER = re.compile(r"[+-]?[.,]?[0-9]")


class Meaning(NamedTuple):
    """What a typed word may mean: ``sure`` if there is one option and the word begins it."""

    sure: bool
    options: tuple[str, ...]


def meaning(typed: str, options: Sequence[str], parts: bool = False) -> Meaning:
    """What a typed word may mean.

    A word means an option that it equals; else those it begins; else those whose parts it begins
    (``bub`` or ``s_b`` for ``sample_bubbles``), of several the one that has no other parts or ends
    in the word; else those within which it stands, sure only where ``parts`` says so. If there are
    none, options spelt alike are offered, most alike first, and none of them is sure.

    >>> meaning("per", ["none", "persisting"])
    Meaning(sure=True, options=('persisting',))
    >>> meaning("bub", ["line_bubbles", "sample_bubbles"])
    Meaning(sure=False, options=('line_bubbles', 'sample_bubbles'))
    >>> meaning("134", ["R134a", "R1234yf"], parts=True)
    Meaning(sure=True, options=('R134a',))
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
    within = tuple(o for low, o in lowered.items() if len(word) >= LEAST_PART and word in low)
    if within:
        return Meaning(parts and len(within) == 1, within[:AT_MOST])
    return Meaning(False, _alike(word, lowered.values()))


def by_state(words: Sequence[str], vocabulary: Mapping[str, Told]) -> list[tuple[str, str]]:
    """Names with a state that some words tell, the closest first; none where no state is told.

    All words of the state have to be there, and those left over have to be words of the name, its
    title or its question, for one name at least: ``black`` is a state of two names, and ``oil
    black`` too, for it is the oil of the sample as well as that on a swab.
    """
    said = [word for typed in words for word in typed.lower().split("_")]
    told = [word for word in said if word not in SMALL]
    hits = []
    for name, one in vocabulary.items():
        for state in one.states:
            needed = _pieces(state)
            if needed and set(needed) <= set(said):
                places = [one.place(word) for word in told if word not in needed]
                hits.append((sum(FAR if p is None else p for p in places), name, state))
    hits.sort(key=lambda hit: hit[0])
    return [(name, state) for place, name, state in hits if hits[0][0] < FAR]


def by_part_of_state(word: str, vocabulary: Mapping[str, Told]) -> list[tuple[str, str]]:
    """Names with a state of which a word is the beginning, or a part that holds a figure.

    ``134`` is a part of ``R134a``.
    """
    part = word.lower()
    if len(part) < LEAST_BEGINNING:
        return []
    figures = any(letter.isdigit() for letter in part)
    return [
        (name, state)
        for name, one in vocabulary.items()
        for state in one.states
        if any(p.startswith(part) or (figures and part in p) for p in _pieces(state))
    ]


class Told(NamedTuple):
    """What is known of a name: the states it may have, and the words about it, closest first."""

    states: tuple[str, ...]
    about: tuple[frozenset[str], ...]

    def place(self, word: str) -> int | None:
        """How close to the name a word stands, 0 in the name itself; None where it does not.

        Where no word is the typed one, one that it begins counts, further back.
        """
        for place, words in enumerate(self.about):
            if word in words:
                return place
        for place, words in enumerate(self.about):
            if len(word) >= LEAST_BEGINNING and any(known.startswith(word) for known in words):
                return place + len(self.about)
        return None


def told_of(name: str, states: tuple[str, ...], *texts: str) -> Told:
    """The words of a name and of texts about it."""
    return Told(states, tuple(frozenset(_pieces(text)) for text in (name, *texts)))


def begins_number(word: str) -> bool:
    """Whether a word is the start of a quantity.

    >>> [begins_number(word) for word in ("2.1", "-.3bar", "low", "-")]
    [True, True, False, False]
    """
    return _NUMBER.match(word) is not None


def is_bare(text: str) -> bool:
    """Whether a text is a number and nothing else.

    >>> is_bare("2,1"), is_bare("2.1 bar")
    (True, False)
    """
    return re.fullmatch(r"[+-]?([0-9]+([.,][0-9]*)?|[.,][0-9]+)", text) is not None


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


def several(line: str) -> Iterator[str]:
    """The entries of a line: parted by a semicolon, or by a comma with a blank behind it.

    >>> list(several("low 2,1 bar, high 14 bar; foam none"))
    ['low 2,1 bar', 'high 14 bar', 'foam none']
    """
    yield from (part.strip() for part in re.split(r";|,\s+", line))


def _pieces(text: str) -> list[str]:
    return re.findall(r"[^\W_]+", text.lower())


def _all_of(option: str, word: str) -> bool:
    """Whether a word stands for every part of an option, or is its end."""
    return option.endswith(f"_{word}") or option.count("_") == word.count("_") > 0


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
