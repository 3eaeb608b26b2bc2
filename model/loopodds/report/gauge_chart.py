"""The wall chart of one car: its pressures, superheat and subcooling over the warmth of the air."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from loopodds.base.phrases import lowered, spaced
from loopodds.report.figures import FAINT, INK, LINES, PALE, Picture, finished, in_style, wrapped
from loopodds.report.gauge_sheet import Curve, GaugeSheet

if TYPE_CHECKING:
    from matplotlib.axes import Axes

CHARTED = ("high_side", "low_side", "superheat", "subcooling")
"""Gauges of the chart."""
WIDTH, ROW_HEIGHT = 6.4, 2.7
SOUND, SUPPOSED = LINES[0], LINES[1]


def gauges_picture(sheet: GaugeSheet) -> Picture:
    """A panel for each gauge charted; nine in ten sound cars like this one lie in the band.

    A ring is this car, a broken line what one would read with what is supposed.
    """
    from matplotlib.figure import Figure

    rows = (len(sheet.curves) + 1) // 2
    with in_style():
        figure = Figure(figsize=(WIDTH, ROW_HEIGHT * rows + 0.4), layout="constrained")
        for number, curve in enumerate(sheet.curves, start=1):
            _panel(figure.add_subplot(rows, 2, number), curve)
        figure.supxlabel("air around the car [degC]", fontsize=8.5, color=FAINT)
        handles, labels = figure.axes[0].get_legend_handles_labels()
        if sheet.supposed:
            labels[1] = f"with {' and '.join(spaced(t.replace('=', ' ')) for t in sheet.supposed)}"
        figure.legend(handles, labels, loc="outside upper left", frameon=False, ncols=3,
                      fontsize=8, handlelength=3.0)  # fmt: skip
        told = "; ".join(map(_told, sheet.curves))
        return finished(figure, f"What this car should read over air temperature: {told}.")


def _panel(axes: Axes, curve: Curve) -> None:
    """One gauge: the band of sound cars, what is supposed, and this car."""
    low, middle, high = curve.sound.T
    colour, dash, _ = SOUND
    axes.fill_between(curve.ambient_c, low, high, color=colour, alpha=0.16, linewidth=0)
    axes.plot(curve.ambient_c, middle, color=colour, linestyle=dash, label="sound")
    if curve.supposed is not None:
        other, broken, _ = SUPPOSED
        axes.plot(curve.ambient_c, curve.supposed[:, 1], color=other, linestyle=broken,
                  label="supposed")  # fmt: skip
    if curve.point is not None:
        axes.plot(*curve.point, "o", color="white", markersize=8, markeredgecolor=INK,
                  markeredgewidth=1.6, label="this car", zorder=4, clip_on=False)  # fmt: skip
    axes.set_title(wrapped(curve.title), fontsize=8.5, loc="left")
    axes.set_ylabel(curve.unit)
    axes.grid(color=PALE, linewidth=0.5)
    axes.set_axisbelow(True)


def _told(curve: Curve) -> str:
    known = ~np.isnan(curve.sound).any(axis=1)
    first, last = curve.sound[known][0], curve.sound[known][-1]
    text = (
        f"{lowered(curve.title)} {first[0]:g} to {first[2]:g} at {curve.ambient_c[known][0]:g} "
        f"degC, {last[0]:g} to {last[2]:g} {curve.unit} at {curve.ambient_c[known][-1]:g} degC"
    )
    return f"{text}, this car {curve.point[1]:g}" if curve.point else text
