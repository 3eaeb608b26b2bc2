"""The page of ``loopodds whatif``: for each variation what moves, and what to expect then."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from loopodds import lowered, spaced, title_of
from rich.text import Text

from loopodds_cli.screen.page import FAINT, STRONG, Page, arrow, fault_text, observed, percent
from loopodds_cli.screen.stops import put_stops

if TYPE_CHECKING:
    from loopodds import Assessment, Change, Knowledge, Scenario, WhatIf

MOVED_FROM = 0.01
MOVED_AT_MOST = 7
EXPECTED_FROM = 0.05
EXPECTED_AT_MOST = 7


def print_what_if(found: WhatIf, result: Assessment) -> None:
    """Write the whole page to standard output; the stops are those of the case as it is."""
    page, knowledge = Page(), result.knowledge
    put_stops(page, result.stops, knowledge)
    now = percent(found.base.probabilities[found.base.verdict])
    page.title(found.case, f" as it is: {fault_text(found.base.verdict, knowledge)}, {now}")
    for variation in found.variations:
        page.line("")
        changes = [_change(change, knowledge) for change in variation.changes]
        page.headline(" and ".join(changes), *_chance(variation))
        _stops(page, result, variation)
        _moved(page, found, variation, knowledge)
        _expected(page, found, variation, knowledge)


def _stops(page: Page, result: Assessment, variation: Scenario) -> None:
    """Stops that the variation brings about, and those of the case that it lifts."""
    then, now = result.stops_of(variation), result.stops
    for stop in then:
        if stop.name not in {other.name for other in now}:
            page.marked("!", f"Stop: {stop.title}. {stop.reason}")
    for stop in now:
        if stop.name not in {other.name for other in then}:
            page.marked("-", f"no more in force: {lowered(stop.title)}", FAINT)


def _change(change: Change, knowledge: Knowledge) -> str:
    if change.name in knowledge.nodes:
        return observed(change.name, change.after, knowledge)
    return f"{spaced(change.name)}: {spaced(change.after)}"


def _chance(variation: Scenario) -> list[str]:
    from loopodds import NOTHING, UNKNOWN

    replaced = [c.before for c in variation.changes if c.before not in (NOTHING, UNKNOWN)]
    lines = [f"instead of {spaced(before)}" for before in replaced]
    if np.isfinite(variation.chance):
        lines.append(f"supposed; as the case stands, {percent(variation.chance)} likely")
    return lines


def _moved(page: Page, found: WhatIf, variation: Scenario, knowledge: Knowledge) -> None:
    page.heading("What moves", f"{page.stroke} is where it stands in the case")
    rows = []
    for name, before, after in found.moved(variation)[:MOVED_AT_MOST]:
        if abs(after - before) < MOVED_FROM:
            break
        course = (percent(before), arrow(before, after), percent(after))
        rows.append((*course, page.bar(after, before), title_of(name, knowledge)))
    page.rows(rows, right=[0, 2])
    if not rows:
        page.line("Nothing, by as much as one per cent.", indent=2)
    elif variation.verdict != found.base.verdict:
        leading = f"Now in the lead: {fault_text(variation.verdict, knowledge)}."
        page.line(Text(leading, STRONG), indent=2)


def _expected(page: Page, found: WhatIf, variation: Scenario, knowledge: Knowledge) -> None:
    """Findings not recorded that one would then expect to see otherwise."""
    pairs = [
        (before, after)
        for before, after in found.surprises(variation)
        if abs(after.states[after.likeliest] - before.states[after.likeliest]) >= EXPECTED_FROM
        or after.likeliest != before.likeliest
    ][:EXPECTED_AT_MOST]
    if pairs:
        page.heading("What one would then expect to see", "nine in ten readings within the range")
    rows = []
    for before, after in pairs:
        word, reach = after.likeliest, after.range_text()
        said = f"{spaced(word)} {percent(after.states[word])}"
        was = Text(f"was {percent(before.states[word])}", FAINT)
        rows.append((knowledge.node(after.name).title, f"{reach} ({said})" if reach else said, was))
    page.rows(rows)
