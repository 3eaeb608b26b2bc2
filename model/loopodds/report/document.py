"""A document as plain blocks, written out as one HTML file or as Markdown.

Text in blocks is data: every writer escapes it. Nothing here knows what the document is about.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from loopodds.report.figures import Picture


@dataclass(frozen=True, slots=True)
class Heading:
    """Title of a section; level 1 is the document, 2 a part, 3 a section."""

    level: int
    text: str


@dataclass(frozen=True, slots=True)
class Paragraph:
    """Running text. ``role`` is "", ``answer`` (read from a distance), ``faint`` or ``lead``."""

    text: str
    role: str = ""


@dataclass(frozen=True, slots=True)
class Items:
    """A list; ``role`` ``caution`` marks what can hurt."""

    items: tuple[str, ...]
    role: str = ""


@dataclass(frozen=True, slots=True)
class Table:
    """Rows under a head; ``numbers`` are the columns set flush right."""

    caption: str
    head: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    numbers: tuple[int, ...] = ()


@dataclass(frozen=True, slots=True)
class Chance:
    """A probability with a bar, and where it stood before."""

    label: str
    now: float
    before: float


@dataclass(frozen=True, slots=True)
class Chances:
    """Probabilities as bars under a caption."""

    caption: str
    rows: tuple[Chance, ...]


@dataclass(frozen=True, slots=True)
class Drawing:
    """A picture with the sentence printed below it."""

    picture: Picture
    caption: str


Block = Heading | Paragraph | Items | Table | Chances | Drawing


@dataclass(frozen=True, slots=True)
class Part:
    """Blocks that begin on a page of their own."""

    name: str
    blocks: Sequence[Block]


@dataclass(frozen=True, slots=True)
class Document:
    """A title, parts, and a line at the end."""

    title: str
    parts: tuple[Part, ...]
    end: str
