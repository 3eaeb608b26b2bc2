"""What is drawn of a case and of the knowledge: an explanation, a what-if, a node's neighbours."""

from __future__ import annotations

import textwrap
from collections.abc import Mapping
from typing import TYPE_CHECKING

from loopodds.base.phrases import spaced
from loopodds.diagnosis.explanation import Explanation
from loopodds.diagnosis.titles import condition_title
from loopodds.diagnosis.weights import Shares
from loopodds.diagnosis.what_if import WhatIf
from loopodds.knowledge.nodes import parents_of
from loopodds.knowledge.records import Knowledge
from loopodds.report.figures import (
    FAINT,
    INK,
    PALE,
    Bar,
    Picture,
    Rows,
    as_picture,
    in_style,
    weights_picture,
    what_if_picture,
)

if TYPE_CHECKING:
    from matplotlib.axes import Axes

BARS, ROWS = 12, 8
# how each kind of node is drawn: edge, dash, width of the line
KINDS = {
    "fault": (INK, "-", 1.6),
    "mechanism": (INK, "--", 1.0),
    "history": (FAINT, "-", 0.8),
    "finding": (FAINT, "-", 0.8),
    "gauge": (FAINT, ":", 1.2),
}
HIDDEN = ("fault", "mechanism")
KEY = "thick: fault   dashed: inner state   dotted: reading   thin: finding or history"
WIDTH, ROW = 5.6, 0.36


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
    """Weight of evidence for the condition explained.

    Args:
        recorded: Words of what was seen, by name.
        at_most: So many observations have a bar of their own.
    """
    shares = explanation.shares
    return weights_picture(
        shares.before, bars_of(shares, recorded, knowledge, at_most), shares.after
    )


def scenarios_picture(found: WhatIf, knowledge: Knowledge) -> Picture:
    """A case beside its variations, at most five: the hypotheses that any of them moves most."""
    moved = {
        name: max(abs(v.probabilities[name] - before) for v in found.variations)
        for name, before in found.base.probabilities.items()
    }
    rows = [
        Rows(
            condition_title(name, knowledge).capitalize(),
            found.base.probabilities[name],
            tuple(v.probabilities[name] for v in found.variations),
        )
        for name in sorted(moved, key=lambda name: -moved[name])[:ROWS]
    ]
    names = [
        " and ".join(spaced(f"{c.name}: {c.after}") for c in v.changes) for v in found.variations
    ]
    return what_if_picture(rows, names)


def network_picture(name: str, knowledge: Knowledge) -> Picture:
    """Parents and children of a node of the knowledge.

    Raises:
        UnknownName: with the nearest spelling.
    """
    node = knowledge.node(name)
    parents, children = parents_of(node), knowledge.children_of(name)
    rows = max(len(parents), len(children), 1)
    from matplotlib.figure import Figure

    with in_style():
        figure = Figure(figsize=(WIDTH, rows * ROW + 0.7), layout="constrained")
        axes = figure.subplots()
        axes.axis("off")
        axes.set_xlim(0, 3)
        axes.set_ylim(rows - 0.3, -1.2)
        middle = (rows - 1) / 2
        for x, names, heading in ((0.5, parents, "depends on"), (2.5, children, "shows in")):
            axes.text(x, -0.9, heading if names else "", ha="center", color=FAINT, fontsize=8)
            for row, other in enumerate(names):
                y = middle + row - (len(names) - 1) / 2
                _box(axes, x, y, other, knowledge)
                _arrow(axes, x, y, middle)
        _box(axes, 1.5, middle, name, knowledge, strong=True)
        figure.supxlabel(KEY, fontsize=7, color=FAINT)
        said = [
            f"{node.title} depends on {_listed(parents, knowledge)}",
            f"and shows in {_listed(children, knowledge)}.",
        ]
        return as_picture(figure, " ".join(said))


def _listed(names: tuple[str, ...], knowledge: Knowledge) -> str:
    return ", ".join(knowledge.node(name).title.lower() for name in names) or "nothing"


def _box(
    axes: Axes, x: float, y: float, name: str, knowledge: Knowledge, strong: bool = False
) -> None:
    node = knowledge.node(name)
    edge, dash, width = KINDS[node.kind]
    axes.text(
        x, y, "\n".join(textwrap.wrap(node.title, 26)), ha="center", va="center", zorder=2,
        fontsize=8 if strong else 7, fontweight="bold" if strong else "normal",
        bbox={
            "boxstyle": f"{'round' if node.kind in HIDDEN else 'square'},pad=0.32",
            "facecolor": "white", "edgecolor": edge, "linestyle": dash, "linewidth": width,
        },
    )  # fmt: skip


def _arrow(axes: Axes, x: float, y: float, middle: float) -> None:
    """From a parent at the left to the middle, or from the middle to a child at the right."""
    ends = ((x, y), (1.5, middle)) if x < 1.5 else ((1.5, middle), (x, y))
    axes.annotate(
        "", xy=ends[1], xytext=ends[0], zorder=0,
        arrowprops={"arrowstyle": "-", "color": PALE, "linewidth": 1.0, "shrinkA": 0},
    )  # fmt: skip
