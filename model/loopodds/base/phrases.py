"""Small pieces of wording that every page and report shares."""

UNSAFE_NOTE = (
    "Unsafe knowledge: safety rules may be broken or missing. Do not work by what it says."
)
"""What everything says that comes of knowledge in which safety rules may be broken."""


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


def lowered(title: str) -> str:
    """A title within a sentence.

    >>> lowered("Vacuum hold")
    'vacuum hold'
    """
    return title[:1].lower() + title[1:]


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
