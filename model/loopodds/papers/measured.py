"""Readings of a case as a table: what was read, what a sound car reads, when, by whom."""

from collections.abc import Iterator, Mapping

from loopodds.base.errors import InspectionError
from loopodds.base.phrases import sentence, spaced
from loopodds.casebook.events import Event
from loopodds.casebook.replay import Noted, replay
from loopodds.inspection.inspection import Inspection
from loopodds.papers.content import Report
from loopodds.report.gauge_sheet import GaugeLine, gauge_sheet

Row = tuple[str, ...]


def reading_rows(report: Report) -> tuple[list[Row], bool]:
    """A row for each reading, those before a repair first; and whether they have times.

    A row is the reading, the value and what it was taken with, the range of sound cars, on which
    side of it the value lies and, of a case of the book, when it was read and by whom, with the
    remark made.
    """
    inspection = report.result.inspection
    rounds = [*(repair.before for repair in inspection.repairs), inspection]
    state = replay(report.events) if report.events else None
    noted = (
        [*(repair.noted for repair in state.repairs), state.noted] if state else [{}] * len(rounds)
    )
    events = {event.position: event for event in report.events}
    rows: list[Row] = []
    for number, (seen, known) in enumerate(zip(rounds, noted, strict=True)):
        prefix = f"before repair {number + 1}: " if number < len(rounds) - 1 else ""
        for row in _rows(seen, report):
            name, *cells = row
            told = (sentence(prefix + _title(name, report)), *cells)
            rows.append((*told, *_taken(name, known, events, report)) if state else told)
    return rows, state is not None


def _rows(seen: Inspection, report: Report) -> Iterator[Row]:
    lines = _lines(seen, report)
    for name, quantity in seen.readings.items():
        line = lines.get(name)
        tool = seen.instruments.get(name, "")
        if line is None:
            yield name, quantity.text, tool, "", ""
        else:
            place = "" if line.place == "within" else line.place
            yield (
                name,
                quantity.text,
                tool,
                f"{line.sound.low:g} to {line.sound.high:g} {line.unit}",
                place,
            )


def _lines(seen: Inspection, report: Report) -> Mapping[str, GaugeLine]:
    """What each gauge of one round should read; nothing where the refrigerant is not stated."""
    try:
        sheet = gauge_sheet(seen, report.result.model)
    except InspectionError:
        return {}
    return {line.name: line for line in sheet.lines}


def _taken(
    name: str, noted: Mapping[str, Noted], events: Mapping[int, Event], report: Report
) -> tuple[str, str]:
    """When a reading was entered, and by whom with what remark."""
    if name not in noted:
        return "", ""
    event = events[noted[name].position]
    return f"{report.here(event.time):%m-%d %H:%M}", "; ".join(
        filter(None, (event.who, event.note))
    )


def _title(name: str, report: Report) -> str:
    nodes = report.knowledge.nodes
    return nodes[name].title if name in nodes else spaced(name)
