"""What was seen, drawn: a sample in its glass, and the air from the vents on a scale.

Plain SVG by hand: light, the same on every machine, and readable in grey, since bubbles, specks and
layers are shapes and every picture carries its words.
"""

import random
from collections.abc import Mapping, Sequence
from typing import NamedTuple
from xml.sax.saxutils import escape

from loopodds.report.figures import FAINT, INK, PALE, Picture

WIDTH, HEIGHT = 120, 150
LEFT, RIGHT, TOP, FLOOR, SURFACE = 30, 90, 12, 138, 34
"""The glass, and the level of what is in it."""
LINE = 11
CLEAR = "#f4f6f2"
BAND, BAND_EDGE = "#cfe6d8", "#235c3f"
DARK = {"light_grey": "#b3b8ba", "brown": "#8a5a2b", "black": "#211d1a"}
GREEN = {"pale": "#d8efc9", "deep": "#6fbf5a"}
MILK = {"slight": 0.35, "milky": 0.85}
SPECKS = {"grit": "#4a3b2c", "polymer": "#f3e3a3", "metal": "#9aa3ab"}
SHIMMER = {"grey": "#8d979d", "metallic": "#dfe6ea"}

Look = Mapping[str, str]
"""The likeliest word for each thing seen of a sample."""


def look_of(findings: Mapping[str, str | Mapping[str, float]]) -> Look:
    """What was seen of a sample, of a doubtful word the likeliest."""
    return {
        name: word if isinstance(word, str) else max(word, key=lambda state: word[state])
        for name, word in findings.items()
        if name.startswith("sample_")
    }


def glass(look: Look, words: str) -> Picture:
    """A sample as it looks in a vertical glass after it has settled.

    Args:
        look: By the names and words of the knowledge; what is not there was not seen.
        words: What the picture shows, for whoever cannot see it.
    """
    said = look.get
    dark = DARK.get(said("sample_darkening", ""), "")
    liquid = dark or GREEN.get(said("sample_greenness", ""), CLEAR)
    parts = [_box(liquid)]
    if said("sample_darkening") == "light_grey" and said("sample_greenness") in GREEN:
        parts.append(_box(GREEN[said("sample_greenness", "")], 0.35))
    if said("sample_cloudiness") in MILK:
        parts.append(_box("#ffffff" if dark else "#e9ece6", MILK[said("sample_cloudiness", "")]))
    if said("sample_layers") == "layered":
        parts.append(_box("#c9a45c", 0.55, top=(SURFACE + FLOOR) // 2))
        parts.append(_line(LEFT, (SURFACE + FLOOR) // 2, RIGHT, (SURFACE + FLOOR) // 2))
    rng = random.Random(7)  # where things float means nothing; the same picture every time
    if said("sample_shimmer") in SHIMMER:
        parts += [_streak(rng, SHIMMER[said("sample_shimmer", "")]) for _ in range(9)]
    if said("sample_strands") == "present":
        parts += [_strand(rng) for _ in range(4)]
    if said("sample_specks") in SPECKS:
        kind = said("sample_specks", "")
        parts += [_speck(rng, kind) for _ in range(16)]
    if said("sample_bubbles") == "persisting":
        parts += [_bubble(rng, SURFACE + 8, FLOOR - 8) for _ in range(14)]
    if said("sample_foam") in ("brief", "lasting"):
        parts += [_bubble(rng, SURFACE - 7, SURFACE + 2) for _ in range(16)]
    parts.append(
        f'<path d="M{LEFT} {TOP} V{FLOOR - 8} Q{LEFT} {FLOOR} {LEFT + 8} {FLOOR} H{RIGHT - 8} '
        f'Q{RIGHT} {FLOOR} {RIGHT} {FLOOR - 8} V{TOP}" fill="none" stroke="{INK}" '
        'stroke-width="2.5"/>'
    )
    parts.append(_line(LEFT, SURFACE, RIGHT, SURFACE))
    return Picture(_svg(WIDTH, HEIGHT, parts, words), words)


class Mark(NamedTuple):
    """A reading on the scale."""

    label: str
    value: float
    text: str  # the value with its unit


def scale(marks: Sequence[Mark], low: float, high: float, right: str, words: str) -> Picture:
    """Readings on an upright scale, with the band in which they would be right and its label.

    ``low``, ``high`` and the marks are in one unit; of two marks the later one stands right.
    """
    ends = [low, high, *(mark.value for mark in marks)]
    room = max(ends) - min(ends) or 1.0
    start, end = min(ends) - 0.12 * room, max(ends) + 0.12 * room
    top, tall, axis = 10, 130, 60

    def at(value: float) -> float:
        return top + tall * (end - value) / (end - start)

    parts = [
        f'<rect x="{axis - 8}" y="{at(high):.1f}" width="16" height="{at(low) - at(high):.1f}" '
        f'fill="{BAND}" stroke="{BAND_EDGE}" stroke-width="0.8"/>',
        _line(axis, top, axis, top + tall, FAINT),
        *_texts(axis + 13, (at(low) + at(high)) / 2, right, BAND_EDGE, "start"),
    ]
    apart = len(marks) == 2 and abs(at(marks[0].value) - at(marks[1].value)) < 2 * LINE
    for number, mark in enumerate(marks):
        shift = (LINE if at(mark.value) >= at(marks[1 - number].value) else -LINE) if apart else 0
        parts.append(f'<circle cx="{axis}" cy="{at(mark.value):.1f}" r="4.5" fill="{INK}"/>')
        label = f"{mark.label}\n{mark.text}"
        parts += _texts(axis - 13, at(mark.value) + shift, label, INK, "end")
    return Picture(_svg(axis * 2 + 12, HEIGHT, parts, words), words)


def _svg(width: float, height: float, parts: Sequence[str], words: str) -> str:
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {width} {height}" '
        f'width="{width}" height="{height}" role="img" font-family="Helvetica, Arial, sans-serif">'
        f"<title>{escape(words)}</title>{''.join(parts)}</svg>"
    )


def _box(colour: str, opacity: float = 1.0, top: int = SURFACE) -> str:
    return (
        f'<path d="M{LEFT} {top} V{FLOOR - 8} Q{LEFT} {FLOOR} {LEFT + 8} {FLOOR} H{RIGHT - 8} '
        f'Q{RIGHT} {FLOOR} {RIGHT} {FLOOR - 8} V{top} Z" fill="{colour}" '
        f'fill-opacity="{opacity}"/>'
    )


def _line(x1: float, y1: float, x2: float, y2: float, colour: str = INK) -> str:
    ends = f'x1="{x1:.1f}" y1="{y1:.1f}" x2="{x2:.1f}" y2="{y2:.1f}"'
    return f'<line {ends} stroke="{colour}" stroke-width="1"/>'


def _texts(x: float, y: float, text: str, colour: str, anchor: str) -> list[str]:
    """Lines of text around a height."""
    lines = text.split("\n")
    first = y - LINE * (len(lines) - 1) / 2 + 3.5
    return [
        f'<text x="{x:.1f}" y="{first + LINE * row:.1f}" font-size="{LINE - 1}" fill="{colour}" '
        f'text-anchor="{anchor}">{escape(line)}</text>'
        for row, line in enumerate(lines)
    ]


def _place(rng: random.Random, top: int = SURFACE + 6, floor: int = FLOOR - 8) -> tuple[int, int]:
    return rng.randint(LEFT + 6, RIGHT - 6), rng.randint(top, floor)


def _bubble(rng: random.Random, top: int, floor: int) -> str:
    x, y = _place(rng, top, floor)
    return (
        f'<circle cx="{x}" cy="{y}" r="{rng.uniform(1.6, 3.6):.1f}" fill="#ffffff" '
        f'fill-opacity="0.75" stroke="{INK}" stroke-width="0.6"/>'
    )


def _speck(rng: random.Random, kind: str) -> str:
    # what is heavy lies low in the glass
    x, y = _place(rng, SURFACE + 30 if kind == "polymer" else FLOOR - 34)
    size = rng.uniform(1.6, 3.2)
    turn = rng.randint(0, 89)
    long = 2.4 if kind == "polymer" else 1.0
    return (
        f'<rect x="{x}" y="{y}" width="{size * long:.1f}" height="{size:.1f}" '
        f'fill="{SPECKS[kind]}" '
        f'stroke="{PALE if kind != "polymer" else INK}" stroke-width="0.4" '
        f'transform="rotate({turn} {x} {y})"/>'
    )


def _streak(rng: random.Random, colour: str) -> str:
    x, y = _place(rng)
    return f'<path d="M{x - 5} {y} q5 -3 10 0" fill="none" stroke="{colour}" stroke-width="1.4"/>'


def _strand(rng: random.Random) -> str:
    x, y = _place(rng, SURFACE + 10, FLOOR - 40)
    return (
        f'<path d="M{x} {y} c10 8 -10 14 0 24 s-6 8 2 14" fill="none" stroke="#d9d2b8" '
        f'stroke-width="2.4" stroke-opacity="0.9"/>'
    )
