"""Pictures of a fleet: numbers of cars with their intervals, and shares by group.

Plain SVG by hand: light, the same on every machine, and readable in grey. A dot stands for what is
expected, a stroke for nine tenths, and every row says its number.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple
from xml.sax.saxutils import escape

from loopodds.base.phrases import printable
from loopodds.report.figures import FAINT, FOR, INK, PALE, Picture

WIDTH, LABEL, RIGHT, LINE, TOP, FOOT = 380, 172, 46, 19, 8, 22
LETTERS = 28
"""Of a label; what is longer is cut, and stands whole in the table."""
SIZE = 10


class Mark(NamedTuple):
    """One row of a picture."""

    label: str
    value: float
    low: float
    high: float
    text: str


def dots(
    marks: Sequence[Mark], most: float, unit: str, words: str, line: float | None = None
) -> Picture:
    """Rows of dots with their intervals on one scale from zero.

    Args:
        most: The end of the scale.
        unit: What the scale counts.
        line: A value to hold the rows against.
    """
    most = most or 1.0
    height = TOP + LINE * len(marks) + FOOT
    room = WIDTH - LABEL - RIGHT

    def x(value: float) -> float:
        return round(LABEL + room * min(max(value / most, 0.0), 1.0), 1)

    floor = TOP + LINE * len(marks)
    parts = [_stroke(x(0), floor, x(most), floor, FAINT, 0.8)]
    for tick in _ticks(most):
        parts.append(_stroke(x(tick), TOP, x(tick), floor, PALE, 0.7))
        parts.append(_text(x(tick), floor + 14, f"{tick:g}", "middle", FAINT, 9))
    parts.append(_text(WIDTH - 2, floor + 14, unit, "end", FAINT, 9))
    if line is not None:
        parts.append(_stroke(x(line), TOP, x(line), floor, INK, 1.0, "3 2"))
    for place, mark in enumerate(marks):
        y = TOP + LINE * place + LINE / 2
        label = mark.label if len(mark.label) <= LETTERS else f"{mark.label[: LETTERS - 1]}…"
        parts.append(_text(LABEL - 8, y + 4, label, "end", INK, SIZE))
        parts.append(_stroke(x(mark.low), y, x(mark.high), y, FOR, 2.4))
        parts.append(f'<circle cx="{x(mark.value)}" cy="{y:g}" r="3.6" fill="{FOR}"/>')
        parts.append(_text(WIDTH - 2, y + 4, mark.text, "end", INK, SIZE))
    svg = (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {WIDTH} {height}" '
        f'width="{WIDTH * 2}" height="{height * 2}" font-family="DejaVu Sans, sans-serif">'
        f"{''.join(parts)}</svg>"
    )
    return Picture(svg, words)


def _ticks(most: float) -> list[float]:
    """Three or four round numbers up to the end of a scale."""
    step = 10.0 ** (len(str(int(most))) - 1) if most >= 1 else 0.1
    for factor in (0.2, 0.5, 1, 2, 5):
        if most / (step * factor) <= 4:
            step *= factor
            break
    return [round(step * i, 6) for i in range(int(most / step + 1e-9) + 1)]


def _stroke(
    x: float, y: float, to_x: float, to_y: float, colour: str, width: float, dash: str = ""
) -> str:
    dashes = f' stroke-dasharray="{dash}"' if dash else ""
    return (
        f'<line x1="{x}" y1="{y:g}" x2="{to_x}" y2="{to_y:g}" stroke="{colour}" '
        f'stroke-width="{width}" stroke-linecap="round"{dashes}/>'
    )


def _text(x: float, y: float, said: str, anchor: str, colour: str, size: int) -> str:
    return (
        f'<text x="{x}" y="{y:g}" text-anchor="{anchor}" fill="{colour}" font-size="{size}">'
        f"{escape(printable(said))}</text>"
    )
