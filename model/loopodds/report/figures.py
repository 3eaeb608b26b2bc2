"""Pictures as SVG, one restrained style: ink on paper, few colours, meaning never in colour alone.

Every line has its own dash and mark, bars for and against differ in hatching and direction, so
that a copy in grey says the same. Each picture carries a text that says what it shows.
"""

from __future__ import annotations

import base64
import io
import textwrap
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, NamedTuple

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

INK, FAINT, PALE = "#1c2b33", "#5d6b73", "#d5dbdd"
FOR, AGAINST = "#14507a", "#c2571a"
# colour, dash and mark of the lines; the colours also differ in lightness
LINES = (
    ("#14507a", "-", "o"),
    ("#c2571a", (0, (5, 1.5)), "s"),
    ("#2a9d7c", (0, (1.5, 1)), "^"),
    ("#8a4f9e", (0, (6, 1.5, 1.5, 1.5)), "D"),
    ("#7a7f26", (0, (3, 3)), "v"),
)
MOST_LINES = len(LINES)
WIDTH = 4.3
LABEL_CHARACTERS = 27

_STYLE = {
    "font.family": "DejaVu Sans",
    "font.size": 8.5,
    "axes.edgecolor": FAINT,
    "axes.labelcolor": FAINT,
    "axes.linewidth": 0.6,
    "axes.spines.top": False,
    "axes.spines.right": False,
    "text.color": INK,
    "xtick.color": FAINT,
    "ytick.color": INK,
    "ytick.major.size": 0,
    "xtick.major.size": 2.5,
    "xtick.major.width": 0.6,
    "hatch.linewidth": 0.7,
    "svg.hashsalt": "loopodds",
}


@dataclass(frozen=True, slots=True)
class Picture:
    """A drawing and what it shows in words.

    Attributes:
        svg: A whole SVG document, text as outlines; the same for the same data.
        alt: Plain text for those who do not see it.
    """

    svg: str
    alt: str

    @property
    def data_uri(self) -> str:
        """For pages that hold their pictures."""
        return f"data:image/svg+xml;base64,{base64.b64encode(self.svg.encode()).decode()}"

    def _repr_svg_(self) -> str:
        """For notebooks."""
        return self.svg


class Bar(NamedTuple):
    """One weight of evidence: what was seen, and its decibans."""

    label: str
    decibans: float


class Moment(NamedTuple):
    """What happened, and what was believed after it: probability by name."""

    label: str
    probabilities: Mapping[str, float]


class NextTest(NamedTuple):
    """A test that could come next; ``ready`` is false while others must come first."""

    title: str
    minutes: float
    value: float
    ready: bool


class Rows(NamedTuple):
    """One hypothesis in the case and in each variation."""

    label: str
    base: float
    variations: tuple[float, ...]


def course_picture(moments: Sequence[Moment], titles: Mapping[str, str]) -> Picture:
    """Probabilities over the course of a case, step under step.

    Args:
        moments: In time order, at least one.
        titles: Names to draw, with what to call them; at most five.
    """
    with in_style():
        figure, axes = _canvas(len(moments), 0.33, 0.7)
        for (name, title), (colour, dash, mark) in zip(titles.items(), LINES, strict=False):
            values = [100 * moment.probabilities[name] for moment in moments]
            axes.plot(
                values, range(len(moments)), color=colour, linestyle=dash, marker=mark,
                markersize=4, linewidth=1.5, label=title, clip_on=False,
            )  # fmt: skip
        _rows(axes, [moment.label for moment in moments])
        _percent_axis(axes)
        columns = 2 if len(titles) > 1 else 1
        figure.legend(
            loc="outside upper center", ncols=columns, frameon=False, handlelength=3.2,
            fontsize=8, columnspacing=1.4,
        )  # fmt: skip
        last = moments[-1].probabilities
        ends = [f"{title} {100 * moments[0].probabilities[n]:.0f} to {100 * last[n]:.0f} per cent"
                for n, title in titles.items()]  # fmt: skip
        return as_picture(
            figure, f"Probabilities over {len(moments)} steps, first to last: {'; '.join(ends)}."
        )


def weights_picture(before: float, bars: Sequence[Bar], now: float) -> Picture:
    """Weight of evidence, finding by finding; for to the right, against to the left.

    Args:
        before, now: Log-odds without and with all evidence [decibans].
        bars: From top to bottom; with ``before`` they sum to ``now``.
    """
    with in_style():
        figure, axes = _canvas(len(bars) + 2, 0.33, 0.3)
        values = [before, *(bar.decibans for bar in bars), now]
        labels = ["before anything was seen", *(bar.label for bar in bars), "all together"]
        reach = max(1.0, *(abs(value) for value in values))
        for row, value in enumerate(values):
            is_end = row in (0, len(values) - 1)
            colour = FAINT if is_end else FOR if value > 0 else AGAINST
            hatch = "" if is_end or value > 0 else "/////"
            axes.barh(
                row, value, height=0.62, color="white" if hatch or is_end else colour,
                edgecolor=colour, hatch=hatch, linewidth=0.9,
            )  # fmt: skip
            side = 1 if value >= 0 else -1
            axes.text(
                value + 0.03 * reach * side, row, f"{value:+.1f}", va="center",
                ha="left" if side > 0 else "right", fontsize=8,
            )  # fmt: skip
        axes.axvline(0, color=INK, linewidth=0.8)
        low = min(0.0, *values)
        axes.set_xlim(low - (0.24 * reach if low < 0 else 0.02 * reach), reach * 1.24)
        _rows(axes, labels)
        axes.set_xlabel("decibans; 3 double the odds", fontsize=8)
        told = "; ".join(f"{bar.label} {bar.decibans:+.1f}" for bar in bars)
        return as_picture(
            figure,
            f"Weight of evidence in decibans. Before {before:+.1f}; {told or 'nothing seen'}; "
            f"all together {now:+.1f}.",
        )


def next_tests_picture(points: Sequence[NextTest]) -> Picture:
    """What each next test is worth against the minutes it takes; numbered, best first.

    Args:
        points: At most a dozen.
    """
    with in_style():
        figure, axes = _canvas(8, 0.3, 0.15 * len(points) + 0.3)
        for number, point in enumerate(points, start=1):
            axes.plot(
                point.minutes, point.value, "o", markersize=13, markeredgecolor=FOR,
                color=FOR if point.ready else "white", zorder=2, clip_on=False,
            )  # fmt: skip
            axes.text(
                point.minutes, point.value, str(number), ha="center", va="center_baseline",
                fontsize=7.5, color="white" if point.ready else FOR, zorder=3,
            )  # fmt: skip
        axes.axhline(0, color=PALE, linewidth=0.8, zorder=0)
        axes.set_xlim(left=0)
        axes.margins(0.1)
        axes.set_xlabel("minutes")
        axes.set_ylabel("worth, less its cost")
        names = [
            f"{i}  {p.title}{'' if p.ready else ' (others first)'}"
            for i, p in enumerate(points, start=1)
        ]
        figure.supxlabel("\n".join(names), ha="left", x=0.04, fontsize=8, color=INK)
        told = "; ".join(f"{p.title} {p.minutes:.0f} minutes, worth {p.value:.0f}" for p in points)
        return as_picture(figure, f"Worth of the next tests against their minutes: {told}.")


def what_if_picture(rows: Sequence[Rows], names: Sequence[str]) -> Picture:
    """A case beside its variations: a ring for the case, a mark for each variation.

    Args:
        names: What to call the variations; at most five.
    """
    with in_style():
        figure, axes = _canvas(len(rows), 0.33, 0.3 + 0.2 * len(names))
        for row, entry in enumerate(rows):
            values = [100 * p for p in (entry.base, *entry.variations)]
            axes.plot([min(values), max(values)], [row, row], color=PALE, linewidth=3, zorder=0)
            axes.plot(
                values[0], row, "o", markersize=8, markerfacecolor="white", zorder=2,
                markeredgecolor=INK, label="the case" if row == 0 else None, clip_on=False,
            )  # fmt: skip
            for name, value, (colour, _, mark) in zip(names, values[1:], LINES, strict=False):
                axes.plot(
                    value, row, mark, markersize=5, color=colour, zorder=3, linestyle="none",
                    label=name if row == 0 else None, clip_on=False,
                )  # fmt: skip
        _rows(axes, [entry.label for entry in rows])
        _percent_axis(axes)
        figure.legend(loc="outside upper left", frameon=False, fontsize=8, ncols=1)
        told = "; ".join(
            f"{r.label} {100 * r.base:.0f} per cent, then "
            + ", ".join(f"{100 * p:.0f}" for p in r.variations)
            for r in rows
        )
        return as_picture(figure, f"The case and {', '.join(names)}: {told}.")


def _canvas(rows: int, row_height: float, extra: float) -> tuple[Figure, Axes]:
    """Figure as wide as a column, as high as its rows need [inches]."""
    from matplotlib.figure import Figure

    figure = Figure(figsize=(WIDTH, rows * row_height + extra + 0.45), layout="constrained")
    return figure, figure.subplots()


def _rows(axes: Axes, labels: Sequence[str]) -> None:
    """One labelled row for each entry, the first on top."""
    axes.set_yticks(range(len(labels)), [wrapped(label) for label in labels], fontsize=8)
    axes.set_ylim(len(labels) - 0.4, -0.6)
    axes.spines["left"].set_visible(False)
    axes.grid(axis="x", color=PALE, linewidth=0.5)
    axes.set_axisbelow(True)


def _percent_axis(axes: Axes) -> None:
    axes.set_xlim(-3, 101)
    axes.set_xticks([0, 25, 50, 75, 100], ["0", "25", "50", "75", "100 %"])


def wrapped(label: str) -> str:
    """A label in two lines at most, its end kept: that is where the state stands.

    Examples:
    >>> wrapped("Bubbles that stay in the sample: persisting")
    'Bubbles that stay in the\\nsample: persisting'
    """
    lines = textwrap.wrap(label, LABEL_CHARACTERS)
    if len(lines) < 3:
        return "\n".join(lines)
    return f"{lines[0]} …\n{lines[-1]}"


def in_style() -> Any:
    """The style, for a with block around a drawing."""
    import matplotlib

    return matplotlib.rc_context(_STYLE)


def as_picture(figure: Figure, alt: str) -> Picture:
    """A finished drawing as a picture."""
    text = io.StringIO()
    figure.savefig(text, format="svg", metadata={"Date": None})
    return Picture(text.getvalue(), alt)
