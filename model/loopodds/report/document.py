"""A document as plain blocks, written as one self-contained HTML file or as Markdown.

Text in blocks is data: the templates escape all of it. HTML holds its styles and pictures, has no
script and fetches nothing; in Markdown, pictures give way to the words that describe them.
Nothing here knows what a document is about.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, ClassVar

from loopodds.base.phrases import percent
from loopodds.report.figures import Picture

if TYPE_CHECKING:
    from jinja2 import Environment

_SPECIAL = re.compile(r"([\\`*_\[\]|<>~&]|^[#+-])")


@dataclass(frozen=True, slots=True)
class Heading:
    """Title of a section; level 1 is the document, 2 a part, 3 a section."""

    kind: ClassVar = "heading"
    level: int
    text: str


@dataclass(frozen=True, slots=True)
class Paragraph:
    """Running text. ``role`` is the style: ``answer`` is read from a distance, or ``faint``."""

    kind: ClassVar = "paragraph"
    text: str
    role: str = ""


@dataclass(frozen=True, slots=True)
class Items:
    """A list; ``role`` ``caution`` marks what can hurt, ``columns`` sets two side by side."""

    kind: ClassVar = "items"
    items: Sequence[str]
    role: str = ""


@dataclass(frozen=True, slots=True)
class Grid:
    """Rows under a head; ``numbers`` are the columns set flush right, ``widths`` in per cent."""

    kind: ClassVar = "grid"
    caption: str
    head: Sequence[str]
    rows: Sequence[Sequence[str]]
    numbers: Sequence[int] = ()
    widths: Sequence[int] = ()
    role: str = ""

    def as_grid(self) -> Grid:
        """Itself, for forms that show probabilities as rows too."""
        return self


@dataclass(frozen=True, slots=True)
class Chance:
    """A probability with a bar, and where it stood before."""

    label: str
    now: float
    before: float


@dataclass(frozen=True, slots=True)
class Chances:
    """Probabilities as bars under a caption."""

    kind: ClassVar = "chances"
    caption: str
    rows: Sequence[Chance]

    def as_grid(self) -> Grid:
        """The same in numbers."""
        rows = [(row.label, percent(row.now), percent(row.before)) for row in self.rows]
        return Grid(self.caption, ("", "now", "before looking"), rows, (1, 2))


@dataclass(frozen=True, slots=True)
class Drawing:
    """A picture with the sentence printed below it."""

    kind: ClassVar = "drawing"
    picture: Picture
    caption: str


Block = Heading | Paragraph | Items | Grid | Chances | Drawing


@dataclass(frozen=True, slots=True)
class Part:
    """Blocks that begin on a page of their own; the style sheet knows the name."""

    name: str
    blocks: Sequence[Block]


@dataclass(frozen=True, slots=True)
class Document:
    """A title, parts, a line at the end, and the style sheet: ``report`` or ``sheet``."""

    title: str
    parts: Sequence[Part]
    end: str = ""
    style: str = "report"


def to_html(document: Document) -> str:
    """The document as one HTML file."""
    return _environment("html").get_template("document.html").render(document=document)


def to_markdown(document: Document) -> str:
    """The document as Markdown with tables."""
    return _environment("md").get_template("document.md").render(document=document)


def escaped(text: str) -> str:
    """Text in which no character has a meaning of its own in Markdown.

    Examples:
    >>> print(escaped("a|b <i>"))
    a\\|b \\<i\\>
    """
    return _SPECIAL.sub(r"\\\1", " ".join(text.split()))


def _environment(form: str) -> Environment:
    """Where the templates are, everything that they are given escaped for a form."""
    import jinja2

    def escape_markdown(value: object) -> object:
        return value if hasattr(value, "__html__") else escaped(str(value))

    made = jinja2.Environment(
        loader=jinja2.PackageLoader("loopodds.report"),
        autoescape=form == "html",
        finalize=escape_markdown if form == "md" else None,
        undefined=jinja2.StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        keep_trailing_newline=True,
    )
    made.filters["percent"] = percent
    return made
