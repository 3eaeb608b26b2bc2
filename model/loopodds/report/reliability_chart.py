"""Reliability as a picture: what was stated along, what happened up, and the band of chance."""

from __future__ import annotations

from typing import TYPE_CHECKING

from loopodds.base.phrases import lowered, percent
from loopodds.calibration.calibrating import Calibration, Claim
from loopodds.calibration.reliability import Reliability
from loopodds.report.figures import FAINT, LINES, PALE, Picture, finished, in_style, wrapped

if TYPE_CHECKING:
    from matplotlib.axes import Axes

ACROSS, PANELS = 3, 12
SIZE = 2.1
"""Of a panel [inch]."""


def reliability_picture(result: Calibration) -> Picture:
    """A panel for each event of which enough was reported, the whole car first.

    In nine of ten archives as large the line lies in the band if what was stated is right.
    """
    from matplotlib.figure import Figure

    shown = [(claim, claim.told) for claim in result.claims if claim.told and not claim.few]
    shown = shown[:PANELS]
    rows = max(1, -(-len(shown) // ACROSS))
    with in_style():
        figure = Figure(figsize=(SIZE * ACROSS, SIZE * 1.12 * rows + 0.4), layout="constrained")
        for number, (claim, told) in enumerate(shown, start=1):
            _panel(figure.add_subplot(rows, ACROSS, number), claim, told)
        figure.supxlabel("stated [%]", fontsize=8.5, color=FAINT)
        figure.supylabel("happened [%]", fontsize=8.5, color=FAINT)
        said = "; ".join(_told(claim, told) for claim, told in shown) or "too few cars to say"
        return finished(figure, f"What was stated against what happened: {said}.")


def _panel(axes: Axes, claim: Claim, told: Reliability) -> None:
    stated, happened, low, high = (100 * part for part in told.curve)
    colour, dash, _ = LINES[1] if claim.far_off else LINES[0]
    axes.plot([0, 100], [0, 100], color=FAINT, linewidth=0.6)
    axes.fill_between(stated, low, high, color=colour, alpha=0.16, linewidth=0)
    axes.plot(stated, happened, color=colour, linestyle=dash, linewidth=1.4)
    axes.set_xlim(0, 100)
    axes.set_ylim(0, 100)
    axes.set_aspect("equal")
    word = ", beyond chance" if claim.far_off else ""
    axes.set_title(wrapped(f"{claim.title}{word}"), fontsize=8, loc="left")
    axes.grid(color=PALE, linewidth=0.5)
    axes.set_axisbelow(True)


def _told(claim: Claim, told: Reliability) -> str:
    verdict = "beyond chance" if claim.far_off else "within chance"
    return (
        f"{lowered(claim.title)} stated {percent(told.stated)}, happened {percent(told.happened)}, "
        f"{verdict}"
    )
