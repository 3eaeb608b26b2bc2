"""Small pieces of wording that every page and report shares, the scales of words among them."""

import re
from collections.abc import Mapping
from math import log2

UNSAFE_NOTE = (
    "Unsafe knowledge: safety rules may be broken or missing. Do not work by what it says."
)
"""What everything says that comes of knowledge in which safety rules may be broken."""

CHANCES = (
    (0.95, "almost certain"),
    (0.80, "very likely"),
    (0.60, "likely"),
    (0.40, "about even"),
    (0.15, "possible"),
    (0.05, "unlikely"),
    (0.0, "very unlikely"),
)
"""Lowest probability that still deserves the words."""

EVIDENCE = ((20.0, "decisively"), (10.0, "strongly"), (5.0, "clearly"), (1.0, "a little"))
"""Least weight of evidence, in decibans, that deserves the word: Jeffreys' steps of half a power of
ten in the odds (Theory of Probability, 1961, appendix B; from memory), his first one cut at what
an ear can tell.
"""
BITS_PER_DECIBAN = log2(10) / 10


def chance_word(probability: float) -> str:
    """A probability in words.

    >>> chance_word(0.83)
    'very likely'
    """
    return next(word for lowest, word in CHANCES if probability >= lowest)


def evidence_word(decibans: float) -> str:
    """A weight of evidence in words.

    >>> evidence_word(12.0), evidence_word(-3.0), evidence_word(0.4)
    ('strongly for', 'a little against', 'hardly either way')
    """
    for least, word in EVIDENCE:
        if abs(decibans) >= least:
            return f"{word} {'for' if decibans > 0 else 'against'}"
    return "hardly either way"


def bits_text(decibans: float) -> str:
    """A weight of evidence in bits, each of which doubles the odds or halves them.

    >>> bits_text(10.0), bits_text(-0.1)
    ('+3.3', '0.0')
    """
    bits = round(decibans * BITS_PER_DECIBAN, 1)
    return f"{bits:+.1f}" if bits else "0.0"


def percent(probability: float) -> str:
    """Whole per cent, but never 0 or 100 for what is not certain.

    >>> percent(0.834), percent(0.004), percent(0.9991)
    ('83 %', '<1 %', '>99 %')
    """
    if 0 < probability < 0.01:
        return "<1 %"
    if 0.99 < probability < 1:
        return ">99 %"
    return f"{100 * probability:.0f} %"


def sentence(text: str) -> str:
    """The text with a capital at its start.

    >>> sentence("slow swing of the needles")
    'Slow swing of the needles'
    """
    return text[:1].upper() + text[1:]


_HOLE = re.compile(r"\{(\w+)\}")


def holes_of(text: str) -> set[str]:
    """Words in braces that are to be filled in."""
    return set(_HOLE.findall(text))


def filled_in(text: str, told: Mapping[str, str]) -> str:
    """A text with its words in braces filled in; what is filled in is text and nothing more.

    >>> filled_in("{now} of {all}", {"now": "{all}", "all": "20"})
    '{all} of 20'
    """
    return _HOLE.sub(lambda hole: told.get(hole[1], hole[0]), text)


def lowered(title: str) -> str:
    """A title within a sentence.

    >>> lowered("Vacuum hold")
    'vacuum hold'
    """
    return title[:1].lower() + title[1:]


def money(amount: float, currency: str) -> str:
    """An amount without decimals.

    >>> money(1454.4, "unit"), money(1.0, "unit"), money(38.2, "EUR")
    ('1,454 units', '1 unit', '38 EUR')
    """
    word = currency if round(amount) == 1 else amounts_in(currency)
    return f"{round(amount):,d} {word}"


def amounts_in(currency: str) -> str:
    """What amounts are in; a currency that a workshop has named stays as it is.

    >>> amounts_in("unit"), amounts_in("EUR")
    ('units', 'EUR')
    """
    return "units" if currency == "unit" else currency


def spaced(name: str) -> str:
    """A name of the knowledge files as words.

    >>> spaced("moisture_indicator")
    'moisture indicator'
    """
    return name.replace("_", " ")


def printable(text: str) -> str:
    """Text of a person as it may be shown: nothing in it can steer a terminal or reorder a line.

    >>> printable("blue" + chr(27) + "[2Jvan")
    'blue\\\\x1b[2Jvan'
    """
    if text.isprintable():  # nearly always
        return text
    return "".join(c if c.isprintable() else c.encode("unicode_escape").decode() for c in text)
