"""A document as plain blocks, written as one self-contained HTML file or as Markdown.

Text in blocks is data: the templates escape all of it, and show what steers a terminal or the order
of a line as what it is. HTML holds its styles and pictures, has no
script and fetches nothing; in Markdown, pictures give way to the words that describe them.
"""

from __future__ import annotations

import base64
import re
from collections.abc import Sequence
from typing import TYPE_CHECKING, NamedTuple

from loopodds.base.phrases import printable
from loopodds.report.figures import ENGLISH_DOTS, DotWords, Picture, twenty_dots

if TYPE_CHECKING:
    import jinja2

_SPECIAL = re.compile(r"([\\`*_\[\]|<>~&]|^[#+-])")


class Heading(NamedTuple):
    """Title of a section; level 1 is the document, 2 a part, 3 a section."""

    level: int
    text: str


class Paragraph(NamedTuple):
    """Running text. ``role`` is the style: ``answer`` is read from a distance, ``stop`` forbids; or
    ``faint``.
    """

    text: str
    role: str = ""


class Dotted(NamedTuple):
    """Running text, and how likely it is as twenty dots; the ends where they are known.

    ``words`` are what the dots say to whoever does not see them.
    """

    text: str
    now: float
    low: float | None = None
    high: float | None = None
    words: DotWords = ENGLISH_DOTS


class Items(NamedTuple):
    """A list; ``role`` ``caution`` marks what can hurt, ``columns`` sets two side by side."""

    items: Sequence[str]
    role: str = ""


class Table(NamedTuple):
    """Rows under a head; ``numbers`` are the columns set flush right, ``widths`` in per cent."""

    caption: str
    head: Sequence[str]
    rows: Sequence[Sequence[str]]
    numbers: Sequence[int] = ()
    widths: Sequence[int] = ()
    role: str = ""


class Shot(NamedTuple):
    """A photograph: what it shows in words, and the file as a data URI."""

    alt: str
    data_uri: str


class Drawing(NamedTuple):
    """A picture with the sentence printed below it."""

    picture: Picture | Shot
    caption: str


class Drawings(NamedTuple):
    """Pictures side by side, each with its sentence; ``role`` ``small`` for thumbnails."""

    drawings: Sequence[Drawing]
    role: str = ""


class Download(NamedTuple):
    """A file within the page, to be saved: its name, and its text."""

    name: str
    text: str

    @property
    def data_uri(self) -> str:
        """The file as a link; the byte order mark tells spreadsheets that it is UTF-8."""
        content = base64.b64encode(self.text.encode("utf-8-sig")).decode()
        return f"data:text/csv;charset=utf-8;base64,{content}"


class Facts(NamedTuple):
    """Names with their values in a few columns; what is empty is a line to write on."""

    rows: Sequence[tuple[str, str]]


class Offer(NamedTuple):
    """Something to choose, with a box to tick: what it is, what is done, and lines on it."""

    title: str
    works: Sequence[str]
    price: str  # empty where there is none
    lines: Sequence[str]


class Offers(NamedTuple):
    """Things to choose among, side by side."""

    offers: Sequence[Offer]


class Signatures(NamedTuple):
    """Lines to sign on, each with what it is for."""

    labels: Sequence[str]


class Columns(NamedTuple):
    """Blocks beside blocks: the wide ones left, the narrow ones right."""

    wide: Sequence[Block]
    narrow: Sequence[Block]


Block = (
    Heading | Paragraph | Dotted | Items | Table | Drawing | Drawings | Facts | Offers
    | Signatures | Columns | Download
)  # fmt: skip


class Part(NamedTuple):
    """Blocks that begin on a page of their own; the style sheet knows the words of the name."""

    name: str
    blocks: Sequence[Block]
    language: str = "en"


class Document(NamedTuple):
    """A title, parts, a line at the end, and the style sheet: ``report`` or ``sheet``."""

    title: str
    parts: Sequence[Part]
    end: str = ""
    style: str = "report"
    language: str = "en"


def escaped(text: str) -> str:
    """Text in which no character has a meaning of its own in Markdown.

    >>> print(escaped("a|b <i>"))
    a\\|b \\<i\\>
    """
    return _SPECIAL.sub(r"\\\1", " ".join(text.split()))


def render(document: Document, form: str) -> str:
    """The document as one HTML file (``html``), or as Markdown with tables (``md``)."""
    return environment(form).get_template(f"document.{form}").render(document=document)


def environment(form: str) -> jinja2.Environment:
    """The templates of a form, which escape all that they are given."""
    import jinja2

    def as_data(value: object) -> object:
        if hasattr(value, "__html__"):
            return value
        text = printable(" ".join(str(value).split()))
        return escaped(text) if form == "md" else text

    templates = jinja2.Environment(
        loader=jinja2.PackageLoader("loopodds.report"),
        autoescape=form == "html",
        finalize=as_data,
        undefined=jinja2.StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        keep_trailing_newline=True,
    )
    templates.globals |= {"twenty_dots": twenty_dots, "dot_words": ENGLISH_DOTS}
    return templates
