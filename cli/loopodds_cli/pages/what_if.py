"""The page of ``loopodds whatif``: for each variation what moves, and what to expect then."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np
from loopodds import condition_title, spaced, title_of
from rich.text import Text

from loopodds_cli.pages.page import AGAINST, FAINT, FOR, STRONG, Cell, Page, percent

if TYPE_CHECKING:
    from loopodds import Change, Foretold, Knowledge, Scenario, WhatIf

MOVED_FROM = 0.01
MOVED_AT_MOST = 7
EXPECTED_FROM = 0.05
EXPECTED_AT_MOST = 7


def print_what_if(found: WhatIf, knowledge: Knowledge) -> None:
    """Write the whole page to standard output."""
    page = Page()
    leading = condition_title(found.base.verdict, knowledge).lower()
    now = percent(found.base.probabilities[found.base.verdict])
    page.line(Text(found.case, STRONG), Text(f" as it is: {leading}, {now}", FAINT))
    for variation in found.variations:
        page.line("")
        page.headline(
            " and ".join(_change(change, knowledge) for change in variation.changes),
            *_chance(variation),
        )
        _moved(page, found, variation, knowledge)
        _expected(page, found, variation, knowledge)


def _change(change: Change, knowledge: Knowledge) -> str:
    if change.name in knowledge.nodes:
        title = knowledge.node(change.name).title
    else:
        title = spaced(change.name)
    return f"{title}: {spaced(change.after)}"


def _chance(variation: Scenario) -> list[str]:
    changed = [f"instead of {spaced(c.before)}" for c in variation.changes if _was(c)]
    if np.isfinite(variation.chance):
        changed.append(f"supposed; as the case stands, {percent(variation.chance)} likely")
    return changed


def _was(change: Change) -> bool:
    from loopodds import NOTHING, UNKNOWN

    return change.before not in (NOTHING, UNKNOWN)


def _moved(page: Page, found: WhatIf, variation: Scenario, knowledge: Knowledge) -> None:
    stroke = page.bar(0.0, 0.0).plain[0]
    page.heading("What moves", f"{stroke} is where it stands in the case")
    rows: list[Sequence[Cell]] = []
    for name, before, after in found.moved(variation)[:MOVED_AT_MOST]:
        if abs(after - before) < MOVED_FROM:
            break
        up = after > before
        arrow = Text("up" if up else "down", FOR if up else AGAINST)
        title = title_of(name, knowledge)
        rows.append((percent(before), arrow, percent(after), page.bar(after, before), title))
    if not rows:
        page.line("Nothing, by as much as one per cent.", indent=2)
        return
    page.rows(rows, right=[0, 2])
    if variation.verdict != found.base.verdict:
        leading = condition_title(variation.verdict, knowledge).lower()
        page.line(Text(f"Now in the lead: {leading}.", STRONG), indent=2)


def _expected(page: Page, found: WhatIf, variation: Scenario, knowledge: Knowledge) -> None:
    """Findings not recorded that one would then expect to see otherwise."""
    pairs = [
        (before, after)
        for before, after in found.surprises(variation)
        if abs(after.states[after.likeliest] - before.states[after.likeliest]) >= EXPECTED_FROM
        or after.likeliest != before.likeliest
    ][:EXPECTED_AT_MOST]
    if not pairs:
        return
    page.heading("What one would then expect to see", "nine in ten readings within the range")
    page.rows([_expectation(before, after, knowledge) for before, after in pairs])


def _expectation(before: Foretold, after: Foretold, knowledge: Knowledge) -> Sequence[Cell]:
    word = after.likeliest
    title = knowledge.node(after.name).title
    said = f"{spaced(word)} {percent(after.states[word])}"
    if after.range_text():
        said = f"{after.range_text()} ({said})"
    return title, said, Text(f"was {percent(before.states[word])}", FAINT)
