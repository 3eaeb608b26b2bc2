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
from html import escape
from typing import TYPE_CHECKING, Any, NamedTuple

from loopodds.base.phrases import filled_in, spaced
from loopodds.diagnosis.belief import condition_title
from loopodds.diagnosis.explanation import Explanation
from loopodds.diagnosis.weights import Shares
from loopodds.diagnosis.what_if import WhatIf
from loopodds.knowledge.nodes import parents_of
from loopodds.knowledge.records import Knowledge

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
WIDTH, NETWORK_WIDTH = 4.3, 5.6
LABEL_CHARACTERS = 27
DOTS, DOT, FIVES = 20, 10, 4  # dots, the room of each, and what is left free after every five
_TONES = ('1"', '0.45"', '0.15" stroke-dasharray="2 1.4"', '0"')
BARS, ROWS = 12, 8
# how each kind of node is drawn: edge, dash, width of the line
KINDS = {
    "fault": (INK, "-", 1.6),
    "mechanism": (INK, "--", 1.0),
    "history": (FAINT, "-", 0.8),
    "finding": (FAINT, "-", 0.8),
    "gauge": (FAINT, ":", 1.2),
}
KEY = "thick: fault   dashed: inner state   dotted: reading   thin: finding or history"

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
    """A whole SVG document, the same for the same data, and what it shows in words."""

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
    """What happened, and the probabilities by name after it."""

    label: str
    probabilities: Mapping[str, float]
    ranges: Mapping[str, tuple[float, float]] = {}  # where it is known how far they could lie


class Rows(NamedTuple):
    """One hypothesis in the case and in each variation."""

    label: str
    base: float
    variations: tuple[float, ...]


def course_picture(moments: Sequence[Moment], titles: Mapping[str, str]) -> Picture:
    """Probabilities of at most five names over the course of a case, step under step."""
    with in_style():
        figure, axes = _canvas(len(moments), 0.33, 0.7)
        for (name, title), (colour, dash, mark) in zip(titles.items(), LINES, strict=False):
            values = [100 * moment.probabilities[name] for moment in moments]
            axes.plot(
                values, range(len(moments)), color=colour, linestyle=dash, marker=mark,
                markersize=4, linewidth=1.5, label=title, clip_on=False,
            )  # fmt: skip
            for row, moment in enumerate(moments):
                low, high = moment.ranges.get(name, (0.0, 0.0))
                if low < high:
                    axes.hlines(row, 100 * low, 100 * high, colour, linewidth=4, alpha=0.22)
        _rows(axes, [moment.label for moment in moments])
        _percent_axis(axes)
        figure.legend(
            loc="outside upper center", ncols=min(2, len(titles)), frameon=False, handlelength=3.2,
            fontsize=8, columnspacing=1.4,
        )  # fmt: skip
        last = moments[-1].probabilities
        ends = [f"{title} {100 * moments[0].probabilities[n]:.0f} to {100 * last[n]:.0f} per cent"
                for n, title in titles.items()]  # fmt: skip
        return finished(
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
        return finished(
            figure,
            f"Weight of evidence in decibans. Before {before:+.1f}; {told or 'nothing seen'}; "
            f"all together {now:+.1f}.",
        )


def bars_of(
    shares: Shares, recorded: Mapping[str, str], knowledge: Knowledge, at_most: int = BARS
) -> list[Bar]:
    """The strongest shares under the words of what was recorded, the rest together."""
    bars = [
        Bar(spaced(f"{knowledge.node(share.name).title}: {recorded[share.name]}"), share.decibans)
        for share in shares.shares[:at_most]
    ]
    rest = shares.shares[at_most:]
    if rest:
        bars.append(Bar(f"{len(rest)} more together", sum(share.decibans for share in rest)))
    return bars


def explanation_picture(
    explanation: Explanation, recorded: Mapping[str, str], knowledge: Knowledge, at_most: int = BARS
) -> Picture:
    """Weight of evidence for the condition explained; so many observations have their own bar."""
    shares = explanation.shares
    bars = bars_of(shares, recorded, knowledge, at_most)
    return weights_picture(shares.before, bars, shares.after)


def what_if_picture(rows: Sequence[Rows], names: Sequence[str]) -> Picture:
    """A case beside its variations, at most five: a ring for the case, a mark for each of them."""
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
        return finished(figure, f"The case and {', '.join(names)}: {told}.")


def scenarios_picture(found: WhatIf, knowledge: Knowledge) -> Picture:
    """A case beside its variations, at most five: the hypotheses that any of them moves most."""
    rows = []
    for name, base in found.base.probabilities.items():
        variations = tuple(v.probabilities[name] for v in found.variations)
        rows.append(Rows(condition_title(name, knowledge).capitalize(), base, variations))
    rows.sort(key=lambda row: -max(abs(p - row.base) for p in row.variations))
    names = [
        " and ".join(spaced(f"{c.name}: {c.after}") for c in v.changes) for v in found.variations
    ]
    return what_if_picture(rows[:ROWS], names)


def network_picture(name: str, knowledge: Knowledge) -> Picture:
    """Parents and children of a node of the knowledge.

    Raises:
        UnknownName: with the nearest spelling.
    """
    node = knowledge.node(name)
    parents, children = parents_of(node), knowledge.children_of(name)
    rows = max(len(parents), len(children), 1)
    with in_style():
        figure, axes = _canvas(rows, 0.36, 0.25, NETWORK_WIDTH)
        axes.axis("off")
        axes.set_xlim(0, 3)
        axes.set_ylim(rows - 0.3, -1.2)
        middle = (rows - 1) / 2
        for x, names, heading in ((0.5, parents, "depends on"), (2.5, children, "shows in")):
            axes.text(x, -0.9, heading if names else "", ha="center", color=FAINT, fontsize=8)
            for row, other in enumerate(names):
                y = middle + row - (len(names) - 1) / 2
                _box(axes, x, y, other, knowledge)
                # from a parent at the left, or to a child at the right
                ends = ((x, y), (1.5, middle)) if x < 1.5 else ((1.5, middle), (x, y))
                line = {"arrowstyle": "-", "color": PALE, "linewidth": 1.0, "shrinkA": 0}
                axes.annotate("", xytext=ends[0], xy=ends[1], zorder=0, arrowprops=line)
        _box(axes, 1.5, middle, name, knowledge, strong=True)
        figure.supxlabel(KEY, fontsize=7, color=FAINT)
        causes, effects = (
            ", ".join(knowledge.node(other).title.lower() for other in names) or "nothing"
            for names in (parents, children)
        )
        return finished(figure, f"{node.title} depends on {causes} and shows in {effects}.")


class DotWords(NamedTuple):
    """What twenty dots say to whoever does not see them, in the language of a page."""

    dots: str = "{now} of {all}"
    reach: str = "{now} of {all}, could be {low} to {high}"
    over: str = "over {number}"
    under: str = "under {number}"


ENGLISH_DOTS = DotWords()


def twenty_dots(
    now: float, low: float | None = None, high: float | None = None, words: DotWords = ENGLISH_DOTS
) -> Picture:
    """A probability as twenty dots, as many of them filled.

    Those between ``low`` and ``high``, where these are known, are half-toned: grey where the
    probability fills them, else paler and dashed. For the running text of a page, in its colour.
    """
    low, high = now if low is None else low, now if high is None else high
    least, filled, most = (round(DOTS * end) for end in (low, now, high))
    drawn = []
    for place in range(DOTS):
        x = DOT * (place + 0.5) + place // 5 * FIVES
        tone = _TONES[sum(place >= end for end in (least, filled, most))]
        drawn.append(f'<circle cx="{x:g}" cy="5" r="3.8" fill-opacity="{tone}/>')
    counts = {"now": now, "low": low, "high": high}
    told = {end: _of_dots(chance, words) for end, chance in counts.items()} | {"all": str(DOTS)}
    alt = filled_in(words.reach if least < most else words.dots, told)
    width = DOT * DOTS + FIVES * (DOTS // 5 - 1)
    svg = (
        f'<svg xmlns="http://www.w3.org/2000/svg" class="dots" viewBox="0 0 {width} {DOT}" '
        f'width="{width}" height="{DOT}" role="img" fill="currentColor" stroke="currentColor" '
        f'stroke-width="0.9"><title>{escape(alt)}</title>{"".join(drawn)}</svg>'
    )
    return Picture(svg, alt)


def _of_dots(probability: float, words: DotWords) -> str:
    """Whole dots, but never none or all for what is not certain."""
    count = round(DOTS * probability)
    if not 0 < probability < 1 or count not in (0, DOTS):
        return str(count)
    text, number = (words.over, DOTS - 1) if count else (words.under, 1)
    return filled_in(text, {"number": str(number)})


def _box(
    axes: Axes, x: float, y: float, name: str, knowledge: Knowledge, strong: bool = False
) -> None:
    node = knowledge.node(name)
    edge, dash, width = KINDS[node.kind]
    axes.text(
        x, y, "\n".join(textwrap.wrap(node.title, 26)), ha="center", va="center", zorder=2,
        fontsize=8 if strong else 7, fontweight="bold" if strong else "normal",
        bbox={
            "boxstyle": f"{'round' if node.kind in ('fault', 'mechanism') else 'square'},pad=0.32",
            "facecolor": "white", "edgecolor": edge, "linestyle": dash, "linewidth": width,
        },
    )  # fmt: skip


def _canvas(
    rows: int, row_height: float, extra: float, width: float = WIDTH
) -> tuple[Figure, Axes]:
    """Figure as wide as a column, as high as its rows need [inches]."""
    from matplotlib.figure import Figure

    figure = Figure(figsize=(width, rows * row_height + extra + 0.45), layout="constrained")
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


def finished(figure: Figure, alt: str) -> Picture:
    """A drawn figure with what it shows in words."""
    text = io.StringIO()
    figure.savefig(text, format="svg", metadata={"Date": None})
    return Picture(text.getvalue(), alt)
