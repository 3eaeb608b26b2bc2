"""The list of cases: loads little, since a book may hold thousands."""

from __future__ import annotations

from collections.abc import Iterable
from functools import partial
from operator import itemgetter
from typing import TYPE_CHECKING, Any

from loopodds import SOUND, printable, title_of

from loopodds_cli.screen.page import Page, local_time, percent

if TYPE_CHECKING:
    from loopodds import Ends, Event, Knowledge


def print_list(cases: Iterable[Ends], everything: bool, knowledge: Knowledge) -> None:
    """One line a case: number, name, when last touched, what was likeliest then."""
    page, rows, damaged, hidden = Page(), [], [], 0
    titled = partial(title_of, knowledge=knowledge)
    for case, name, _, last, problem in cases:
        about = (case, printable(name) or "-")
        if problem:
            damaged.append(case)
        if last is None:
            rows.append((*about, "", "damaged", "", ""))
            continue
        closed = is_closed(last)
        if closed and not everything and not problem:
            hidden += 1
        else:
            state = "damaged" if problem else "closed" if closed else "open"
            condition, p = likeliest(last)
            rows.append((*about, local_time(last.time)[:10], state, percent(p), titled(condition)))
    page.rows([(str(case), *cells) for case, *cells in sorted(rows)], right=[0, 4])
    for case in sorted(damaged):
        page.marked("!", f"case {case} is damaged; `loopodds case check` says how")
    if hidden:
        page.aside(f"{hidden} closed; --all shows them too", indent=1)
    elif not rows:
        page.line("No cases yet; `loopodds case open` begins one.")


def list_json(cases: Iterable[Ends], everything: bool) -> list[dict[str, Any]]:
    """The same as plain data; what a damaged case does not tell any more is null."""
    return [
        {
            "case": case,
            "name": name,
            "opened": opened,
            "last": last and last.time,
            "closed": last and is_closed(last),
            "events": last and last.position,
            "p_sound": last and last.posterior.p_sound,
            "conditions": last and last.posterior.conditions,
            "damaged": problem,
        }
        for case, name, opened, last, problem in sorted(cases, key=itemgetter(0))
        if everything or problem or last is None or not is_closed(last)
    ]


def is_closed(last: Event) -> bool:
    """Whether a case is closed, from its last event: nothing but undoing can follow a closing."""
    return "closed" in (last.kind, last.content.get("kind")) and last.kind != "undone"


def likeliest(event: Event) -> tuple[str, float]:
    """What was likeliest after an event, a sound car among it, and its probability."""
    conditions, sound = event.posterior.conditions, event.posterior.p_sound
    highest = max(conditions.values(), default=sound)
    names = (name for name, p in conditions.items() if p == highest >= sound)
    return next(names, SOUND), max(highest, sound)
