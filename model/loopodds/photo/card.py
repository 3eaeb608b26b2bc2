"""The card: what is printed where, in millimetres, and the card as SVG or PDF.

The glass stands upright in the middle of a white field and is looked through at white. Four marks
at the corners are found by :mod:`loopodds.photo.marks`, a row of fields says which way up the card
is and which card it is, four dots tell whether it lies flat. Bars below are to be seen through the
liquid: what is cloudy hides them.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from functools import cache
from html import escape
from typing import NamedTuple

Colour = tuple[int, int, int]
WIDTH, HEIGHT = 130.0, 184.0
PAGE = (210.0, 279.0)
"""What both usual sizes of paper hold."""
MARKS = ((12.0, 12.0), (118.0, 12.0), (118.0, 168.0), (12.0, 168.0))
"""Centres of the corner marks, clockwise from the top left."""
RING, GAP, DOT = 8.0, 5.5, 3.0
"""Radii of a mark: black, white within, black in the middle."""
CODE = (1, 0, 1, 1, 0, 0, 1, 0)
"""Black fields of the row at the top: of this card, and never the same backwards."""
FLAT_DOTS = ((65.0, 22.5), (118.0, 86.0), (65.0, 168.0), (12.0, 86.0))
FLAT_DOT = 2.0
BLACK, WHITE = (0, 0, 0), (255, 255, 255)
CENTRE = 65.0
_LETTER = 0.5
"""Mean width of a letter by its size: places a centred text well enough."""


class Box(NamedTuple):
    """A rectangle, from the upper left corner of the card."""

    x: float
    y: float
    width: float
    height: float

    def inset(self, by: float) -> Box:
        """The same without a margin."""
        return Box(self.x + by, self.y + by, self.width - 2 * by, self.height - 2 * by)


FIELD = Box(36.0, 28.0, 58.0, 120.0)
"""The white field."""
BLANK_ROWS = (36.0, 56.0)
"""Rows where the glass must be empty."""
LIQUID_ROWS = (100.0, 122.0)
"""Rows where it must be full."""
BARS = tuple(Box(40.0, 127.0 + 4 * n, 50.0, 2.0) for n in range(4))
PAPER = (Box(39.5, 0, 7.0, 0), Box(83.5, 0, 7.0, 0))
"""Columns of white beside the glass."""
WIDEST_MM, NARROWEST_MM = 30.0, 6.0
"""Inner diameters that the card can be used with."""


class Patch(NamedTuple):
    """A field of a colour that is known as well as a printer keeps it."""

    box: Box
    colour: Colour
    grey: bool


_GREYS = (226, 198, 172, 148, 124, 102, 80)
_COLOURS = (
    (250, 236, 170), (240, 205, 100), (220, 160, 60), (180, 105, 45), (120, 66, 36),
    (215, 228, 150), (150, 185, 90), (70, 120, 60), (200, 80, 60), (100, 110, 170),
)  # fmt: skip
_PLACES = (
    *(Box(97.0, 29.0 + 16 * n, 12.0, 12.0) for n in range(7)),
    *(Box(37.0 + 22 * n, 151.0, 12.0, 9.0) for n in range(3)),
)
PATCHES = (
    *(Patch(Box(21.0, 29.0 + 16 * n, 12.0, 12.0), (v, v, v), True) for n, v in enumerate(_GREYS)),
    *(Patch(box, colour, False) for box, colour in zip(_PLACES, _COLOURS, strict=True)),
)


def code_boxes() -> list[Box]:
    """Fields of the row that says which card it is, from the left."""
    return [Box(33.0 + 8 * n, 8.0, 8.0, 8.0) for n in range(len(CODE))]


class Disc(NamedTuple):
    """A filled circle."""

    x: float
    y: float
    radius: float


class Words(NamedTuple):
    """A line of text; ``middle`` where it is centred on its place."""

    x: float
    y: float
    size: float
    text: str
    middle: bool = False


Shape = Box | Disc | Words
Painted = tuple[Shape, Colour]


def drawing() -> Iterator[Painted]:
    """Everything on the card, in the order in which it is laid on."""
    for x, y in MARKS:
        for radius, colour in ((RING, BLACK), (GAP, WHITE), (DOT, BLACK)):
            yield Disc(x, y, radius), colour
    for box, bit in zip(code_boxes(), CODE, strict=True):
        if bit:
            yield box, BLACK
    for x, y in FLAT_DOTS:
        yield Disc(x, y, FLAT_DOT), BLACK
    for patch in PATCHES:
        yield patch.box, patch.colour
    for bar in BARS:
        yield bar, BLACK
    for rows in (BLANK_ROWS, LIQUID_ROWS):
        for y in rows:
            for x in (FIELD.x - 2.0, FIELD.x + FIELD.width):
                yield Box(x, y - 0.2, 2.0, 0.4), BLACK
    for y in (FIELD.y - 2.5, FIELD.y + FIELD.height):
        yield Box(CENTRE - 0.2, y, 0.4, 2.5), BLACK
    yield from ((words, BLACK) for words in _texts())


CELL = 2.0
"""Side of the squares in which plain paper is looked at [mm]."""
_EDGE, _NEAR = 3.0, 1.0


@cache
def plain_paper() -> tuple[Box, ...]:
    """Squares that nothing is printed or written on and no glass stands before."""
    kept = [_around(shape) for shape, _ in drawing()]
    kept.append(Box(CENTRE - WIDEST_MM / 2 - 5, FIELD.y - 6, WIDEST_MM + 10, FIELD.height + 12))
    kept.append(Box(0.0, HEIGHT - 8.0, WIDTH, 8.0))
    across = int((WIDTH - 2 * _EDGE) // CELL)
    down = int((HEIGHT - 2 * _EDGE) // CELL)
    cells = (
        Box(_EDGE + CELL * x, _EDGE + CELL * y, CELL, CELL)
        for y in range(down) for x in range(across)
    )  # fmt: skip
    return tuple(c for c in cells if not any(_meet(c.inset(-_NEAR), other) for other in kept))


def _around(shape: Shape) -> Box:
    if isinstance(shape, Box):
        return shape
    if isinstance(shape, Disc):
        return Box(shape.x, shape.y, 0, 0).inset(-shape.radius)
    wide = len(shape.text) * shape.size * _LETTER
    return Box(shape.x - shape.middle * wide / 2, shape.y - shape.size, wide, 1.3 * shape.size)


def _meet(one: Box, other: Box) -> bool:
    apart_x = one.x + one.width <= other.x or other.x + other.width <= one.x
    apart_y = one.y + one.height <= other.y or other.y + other.height <= one.y
    return not (apart_x or apart_y)


def _texts() -> Iterator[Words]:
    yield Words(CENTRE, 5.5, 3.2, "Card for a photo of the sample", True)
    side = FIELD.x + FIELD.width / 2
    yield Words(side, BLANK_ROWS[0] - 1.5, 2.2, "glass empty from here to the next line", True)
    yield Words(side, LIQUID_ROWS[0] - 1.5, 2.2, "liquid from here down past the bars", True)
    y = HEIGHT - 2.5
    yield Words(4.0, y, 2.8, "Inner diameter of the glass: ............... mm")
    yield Words(76.0, y, 2.8, "Date and car: ........................")


def card_svg() -> str:
    """The card as an SVG file in its true size."""
    (width, height), (dx, dy) = PAGE, _margin()
    parts = [_svg(shape, colour) for shape, colour in drawing()]
    return "\n".join(
        [
            f'<svg xmlns="http://www.w3.org/2000/svg" width="{width:g}mm" height="{height:g}mm" '
            f'viewBox="0 0 {width:g} {height:g}" font-family="Helvetica, Arial, sans-serif">',
            "<title>Card for a photo of the sample</title>",
            f'<rect width="{width:g}" height="{height:g}" fill="#fff"/>',
            f'<g transform="translate({dx:g} {dy:g})">',
            *parts,
            "</g>",
            *(_svg(Words(width / 2, 12 + 5 * n, 3.6, text, True), BLACK)
              for n, text in enumerate(HOW_TO_PRINT)),
            "</svg>",
            "",
        ]
    )  # fmt: skip


HOW_TO_PRINT = (
    "Print at 100 %, on plain white matt paper, in colour; the two upper rings are 106 mm apart.",
    "Lay it flat, or glue it to a board. The glass stands upright before the white field.",
)


def _margin() -> tuple[float, float]:
    return (PAGE[0] - WIDTH) / 2, (PAGE[1] - HEIGHT) / 2


def _svg(shape: Shape, colour: Colour) -> str:
    fill = f'fill="#{colour[0]:02x}{colour[1]:02x}{colour[2]:02x}"'
    if isinstance(shape, Box):
        x, y, width, height = shape
        return f'<rect x="{x:g}" y="{y:g}" width="{width:g}" height="{height:g}" {fill}/>'
    if isinstance(shape, Disc):
        return f'<circle cx="{shape.x:g}" cy="{shape.y:g}" r="{shape.radius:g}" {fill}/>'
    anchor = ' text-anchor="middle"' * shape.middle
    place = f'x="{shape.x:g}" y="{shape.y:g}" font-size="{shape.size:g}"'
    return f"<text {place}{anchor} {fill}>{escape(shape.text)}</text>"


POINTS = 72 / 25.4
"""Units of a PDF in a millimetre."""
_ROUND = 0.5523
"""Of a circle drawn as four curves: length of their handles by its radius."""


def card_pdf() -> bytes:
    """The card as a PDF file of one page in its true size."""
    (width, height), (dx, dy) = PAGE, _margin()
    head = [f"{POINTS:.6f} 0 0 {-POINTS:.6f} 0 {height * POINTS:.3f} cm"]
    own = [f"q 1 0 0 1 {dx:g} {dy:g} cm", *(_pdf(s, c) for s, c in drawing()), "Q"]
    said = (
        _pdf(Words(width / 2, 12 + 5 * n, 3.6, text, True), BLACK)
        for n, text in enumerate(HOW_TO_PRINT)
    )
    stream = "\n".join([*head, *own, *said]).encode("latin-1")
    box = f"[0 0 {width * POINTS:.3f} {height * POINTS:.3f}]"
    fonts = "<</Type/Font/Subtype/Type1/BaseFont/Helvetica/Encoding/WinAnsiEncoding>>"
    page = (
        f"<</Type/Page/Parent 2 0 R/MediaBox{box}/Contents 4 0 R"
        f"/Resources<</Font<</F {fonts} >> >> >>"
    )
    return _pdf_file(
        [
            b"<</Type/Catalog/Pages 2 0 R>>",
            b"<</Type/Pages/Kids[3 0 R]/Count 1>>",
            page.encode(),
            b"<</Length %d>>stream\n%b\nendstream" % (len(stream), stream),
        ]
    )


def _pdf_file(objects: Iterable[bytes]) -> bytes:
    out, places = bytearray(b"%PDF-1.4\n"), []
    for number, content in enumerate(objects, start=1):
        places.append(len(out))
        out += b"%d 0 obj\n%b\nendobj\n" % (number, content)
    start = len(out)
    out += b"xref\n0 %d\n0000000000 65535 f \n" % (len(places) + 1)
    out += b"".join(b"%010d 00000 n \n" % place for place in places)
    out += b"trailer\n<</Size %d/Root 1 0 R>>\nstartxref\n%d\n%%%%EOF\n" % (len(places) + 1, start)
    return bytes(out)


def _pdf(shape: Shape, colour: Colour) -> str:
    fill = " ".join(f"{c / 255:.4f}" for c in colour) + " rg"
    if isinstance(shape, Box):
        return f"{fill} {shape.x:g} {shape.y:g} {shape.width:g} {shape.height:g} re f"
    if isinstance(shape, Words):
        x = shape.x - shape.middle * len(shape.text) * shape.size * _LETTER / 2
        text = shape.text.replace("\\", r"\\").replace("(", r"\(").replace(")", r"\)")
        return f"{fill} BT /F {shape.size:g} Tf 1 0 0 -1 {x:.3f} {shape.y:g} Tm ({text}) Tj ET"
    x, y, r, k = shape.x, shape.y, shape.radius, shape.radius * _ROUND
    return (
        f"{fill} {x + r:g} {y:g} m "
        f"{x + r:g} {y + k:g} {x + k:g} {y + r:g} {x:g} {y + r:g} c "
        f"{x - k:g} {y + r:g} {x - r:g} {y + k:g} {x - r:g} {y:g} c "
        f"{x - r:g} {y - k:g} {x - k:g} {y - r:g} {x:g} {y - r:g} c "
        f"{x + k:g} {y - r:g} {x + r:g} {y - k:g} {x + r:g} {y:g} c f"
    )
