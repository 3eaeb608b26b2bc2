"""What a person may mean by some words: names found by what they are called and told about.

Whole words come before beginnings, these before parts within words, and words that are merely
spelt alike, in names and titles only, last. Nothing is known here of what the names stand for.
"""

import difflib
import re
from collections.abc import Iterable, Iterator, Mapping
from enum import IntEnum
from functools import lru_cache
from itertools import pairwise
from typing import NamedTuple

FIELDS = (("title",), ("question",), ("states", "values"), ("about", "text"))
"""Attributes of what a name stands for, the most telling first; the name itself leads."""
IN_TITLE = 1  # place of the title: a word that stands further back is told, but is no name of it
EXACT = -1  # stands before a name that holds other words too
SPELT_ALIKE, NEARLY = 0.8, 0.6
"""Ratios of :class:`difflib.SequenceMatcher`, estimates: a slip of the hand, and a family likeness.
"""
LEAST_BEGINNING, LEAST_PART = 2, 3  # letters
LONGEST = 200  # letters; what is longer was not typed as a name
MOST_MEANT = 3
"""Names that a message offers; of more, none is meant."""
_SMALL = frozenset(("a", "an", "and", "at", "by", "in", "is", "of", "on", "or", "the", "to"))


class How(IntEnum):
    """How a word is found, the surest way first."""

    WHOLE = 0
    BEGINNING = 1
    PART = 2
    ALIKE = 3


class Hit(NamedTuple):
    """A name that was found: by its least sure word, and how far back the words stand."""

    how: How
    depth: int
    name: str
    titled: bool  # whether one of the words stands in its name or title


def found(words: str, options: Mapping[str, object]) -> list[Hit]:
    """Names in whose own texts every word stands, best first; spelt alike only where none is.

    Args:
        words: As typed; blanks, dashes and underscores part them.
        options: What each name stands for; its ``title``, ``question``, ``states``, ``about`` are
            read where it has them.

    >>> [hit.name for hit in found("line bub", {"sample_bubbles": None, "line_bubbles": None})]
    ['line_bubbles']
    """
    if len(words) > LONGEST:
        return []
    typed = [word for word in _words(words) if word not in _SMALL]
    hits = [hit for name, what in options.items() if (hit := _hit(typed, name, what))]
    sure = [hit for hit in hits if hit.how < How.ALIKE]
    return sorted(sure or hits, key=lambda hit: (hit.how, hit.depth))


def meant(word: str, options: Iterable[str]) -> tuple[str, ...]:
    """What a misspelt or misremembered name may mean, none where nothing is like it.

    Of a name of several words each must be like one of the option: what merely shares a word
    with it is of the same family, and no misspelling.

    >>> meant("moistrue", ["moisture", "debris"]), meant("bubbles_line", ["line_bubbles"])
    (('moisture',), ('line_bubbles',))
    """
    sure = intended(word, options)
    close = None if sure else nearest(word, options)
    return (close,) if close is not None and _each_like(word, close) else sure


def _each_like(word: str, option: str) -> bool:
    parts, others = _words(word), _words(option)
    return len(parts) < 2 or all(nearest(part, others) for part in parts)


def intended(word: str, options: Iterable[str]) -> tuple[str, ...]:
    """The name of which a word is a slip of the hand, else the names whose texts hold its parts.

    Options that are a mapping are known by the texts of what they stand for, too.
    """
    told = options if isinstance(options, Mapping) else dict.fromkeys(options)
    slip = nearest(word, told, SPELT_ALIKE)
    if slip is not None:
        return (slip,)
    hits = [hit for hit in found(word, told) if hit.titled and hit.how in (How.WHOLE, How.ALIKE)]
    best = tuple(hit.name for hit in hits if hit[:2] == hits[0][:2])
    return best if len(best) <= MOST_MEANT else ()


def nearest(word: str, options: Iterable[str], cutoff: float = NEARLY) -> str | None:
    """Most similar option to a misspelt word, or None when nothing is close.

    >>> nearest("moistrue", ["moisture", "debris"])
    'moisture'
    """
    pool = {option.lower(): option for option in options}
    close = difflib.get_close_matches(word.lower(), list(pool), n=1, cutoff=cutoff)
    return pool[close[0]] if close else None


def _hit(typed: list[str], name: str, what: object) -> Hit | None:
    places = list(_places(name, what))
    hits = []
    for word in typed:
        best = _best(word, places)
        if best is None:
            return None
        hits.append(best)
    if not hits:
        return None
    depths = [depth for _, depth in hits]
    depth = EXACT if typed == _words(name) else sum(depths)
    return Hit(max(how for how, _ in hits), depth, name, min(depths) <= IN_TITLE)


def _places(name: str, what: object) -> Iterator[frozenset[str]]:
    """Words of the name and of each text; two that follow each other also as one.

    What is only text is a title.
    """
    yield _with_pairs(name)
    for fields in FIELDS:
        texts = [what if isinstance(what, str) else getattr(what, field, "") for field in fields]
        yield _with_pairs(" ".join(map(_text, texts)))
        if isinstance(what, str):
            return


def _text(said: object) -> str:
    if isinstance(said, tuple):
        return " ".join(map(str, said))
    return said if isinstance(said, str) else ""


@lru_cache(maxsize=4096)  # a file of unknown names asks for the same texts again and again
def _with_pairs(text: str) -> frozenset[str]:
    words = _words(text)
    return frozenset((*words, *(a + b for a, b in pairwise(words))))


def _best(word: str, places: list[frozenset[str]]) -> tuple[How, int] | None:
    """How surely and how far to the front a word stands, if it stands anywhere."""
    for depth, words in enumerate(places):
        if word in words:
            return How.WHOLE, depth
    ways = (
        (how, depth)
        for depth, words in enumerate(places)
        for known in words
        if (how := _how(word, known, depth <= IN_TITLE)) is not None
    )
    return min(ways, default=None)


def _how(word: str, known: str, alike: bool) -> How | None:
    """How a word that is not there as a whole is found in another; ``alike`` if that counts too."""
    if len(word) >= LEAST_BEGINNING and known.startswith(word):
        return How.BEGINNING
    if len(word) >= LEAST_PART and word in known:
        return How.PART
    # a ratio cannot exceed what the lengths allow, and that is found without comparing letters
    shorter, longer = sorted((len(word), len(known)))
    if not alike or 2 * shorter < SPELT_ALIKE * (shorter + longer):
        return None
    letters = difflib.SequenceMatcher(None, word, known)
    enough = letters.quick_ratio() >= SPELT_ALIKE and letters.ratio() >= SPELT_ALIKE
    return How.ALIKE if enough else None


def _words(text: str) -> list[str]:
    """Words in small letters, without the s of a plural."""
    words = re.findall(r"[^\W_]+", text.lower())
    return [word[:-1] if len(word) > 3 and word.endswith("s") else word for word in words]
