"""The course of a watch: what a stake on each stream has become, in the order of time."""

from __future__ import annotations

from math import log10
from typing import TYPE_CHECKING

from loopodds.base.errors import InspectionError
from loopodds.drift.results import Course, Moment, Watch
from loopodds.knowledge.records import Knowledge
from loopodds.report.figures import FAINT, INK, LINES, Picture, finished, in_style, wrapped

if TYPE_CHECKING:
    from matplotlib.axes import Axes

WIDTH, HEIGHT = 6.4, 3.6
TICKS = 5
ROOM = 1.5
"""Powers of ten above the line of an alarm that are always shown."""


def watch_picture(result: Watch, knowledge: Knowledge) -> Picture:
    """Stakes of the streams that won most, on a scale of powers of ten; the line is the alarm.

    Raises:
        InspectionError: if there are too few looks to judge, and so nothing to draw.
    """
    from matplotlib.figure import Figure

    if not result.streams:
        raise InspectionError(f"{result.looks} looks: too few to draw")
    line = -log10(result.needed)
    with in_style():
        figure = Figure(figsize=(WIDTH, HEIGHT), layout="constrained")
        axes = figure.add_subplot()
        for course, (colour, dash, mark) in zip(result.courses, LINES, strict=False):
            places = [moment.place for moment, _ in course.points]
            stakes = [height for _, height in course.points]
            every = max(1, len(places) // 8)
            axes.plot(places, stakes, color=colour, linestyle=dash, marker=mark, markersize=3.5,
                      markevery=every, linewidth=1.2, label=_label(course, knowledge))  # fmt: skip
        axes.axhline(line, color=INK, linewidth=0.8, linestyle=(0, (1, 2)))
        axes.annotate("alarm", (0, line), xytext=(2, 3), textcoords="offset points", fontsize=8)
        axes.set_ylim(top=max(axes.get_ylim()[1], line + ROOM))
        axes.set_ylabel("stake of one, powers of ten", color=FAINT)
        _times(axes, result.first, result.last, result)
        figure.legend(loc="outside upper left", frameon=False, ncols=2, fontsize=8,
                      handlelength=3.2)  # fmt: skip
        return finished(figure, _told(result, knowledge))


def _label(course: Course, knowledge: Knowledge) -> str:
    title = _title(course.name, knowledge)
    return wrapped(f"{title}, {course.group}" if course.group else title)


def _title(name: str, knowledge: Knowledge) -> str:
    node = knowledge.nodes.get(name)
    return node.title if node else "All looks together"


def _times(axes: Axes, first: Moment, last: Moment, result: Watch) -> None:
    """Dates, or row numbers, of some moments of the courses."""
    moments = {m.place: m for course in result.courses for m, _ in course.points}
    moments |= {first.place: first, last.place: last}
    wanted = [last.place * step / (TICKS - 1) for step in range(TICKS)]
    chosen = sorted({min(moments, key=lambda p: abs(p - place)) for place in wanted})
    axes.set_xticks(chosen, [moments[p].date[:10] or f"{moments[p].row:,}" for p in chosen])
    axes.set_xlabel(result.ordered_by or "row", color=FAINT)


def _told(result: Watch, knowledge: Knowledge) -> str:
    names = [_title(alarm.name, knowledge) for alarm in result.alarms]
    said = f"These are not as foretold: {', '.join(names)}" if names else "Nothing has moved"
    return f"Stakes against the forecasts of {result.rows:,} inspections. {said}."
