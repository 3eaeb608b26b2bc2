"""The network around one node: what it depends on at the left, what depends on it at the right."""

from __future__ import annotations

import textwrap
from typing import TYPE_CHECKING

from loopodds.knowledge.nodes import parents_of
from loopodds.knowledge.records import Knowledge
from loopodds.report.figures import FAINT, INK, PALE, Picture, as_picture, in_style

if TYPE_CHECKING:
    from matplotlib.axes import Axes

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


def network_picture(name: str, knowledge: Knowledge) -> Picture:
    """Parents and children of a node of the knowledge.

    Raises
    ------
    UnknownName
        With the nearest spelling.
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
