"""Stops at the top of every page, cautions beside the work; the page of ``loopodds connect``."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import TYPE_CHECKING

from loopodds import lowered

from loopodds_cli.screen.page import FAINT, Page
from loopodds_cli.screen.shown import shown

if TYPE_CHECKING:
    from loopodds import Assessment, Beware, Knowledge, StopInForce

EXPLAINED = 2
"""With more stops than these, what brought each about is not said in short."""
NAMED = 4
"""Tests and services that a stop names as shut; the rest is counted."""
ANSWERS = {
    "yes": ("Yes, it may be connected", "the machine may be coupled to this car"),
    "filtered": ("Only through a filter", "one that is thrown away afterwards"),
    "no": ("No, keep the machine off", ""),
}


def put_stops(page: Page, stops: Iterable[StopInForce], knowledge: Knowledge) -> None:
    """What must not be done, before anything else on the page; nothing where nothing is stopped."""
    for stop in stops:
        page.headline(f"Stop: {stop.title}", stop.reason)
        page.marked("-", _because(stop), FAINT)
        _put_reach(page, stop, knowledge)
        page.line("")


def put_stops_short(page: Page, stops: Sequence[StopInForce]) -> None:
    """The same in a line or two each, for a page that says the rest further down."""
    for stop in stops:
        page.headline(f"Stop: {stop.title}", *[_because(stop)] * (len(stops) <= EXPLAINED))
    if stops:
        page.line("")


def put_stops_further(page: Page, stops: Sequence[StopInForce], knowledge: Knowledge) -> None:
    """What :func:`put_stops_short` left out."""
    if stops:
        page.heading("The stops" if len(stops) > 1 else "The stop")
    for stop in stops:
        page.title(stop.title)
        page.line(stop.reason, indent=2)
        if len(stops) > EXPLAINED:
            page.marked("-", _because(stop), FAINT)
        _put_reach(page, stop, knowledge)


def _because(stop: StopInForce) -> str:
    return shown(f"because: {'; '.join(stop.because)}")


def _put_reach(page: Page, stop: StopInForce, knowledge: Knowledge) -> None:
    """What a stop shuts, what lifts it, what to beware of meanwhile."""
    shut = [*stop.shut_tests, *stop.shut_services]
    if shut:
        kinds = ", ".join(stop.shuts)
        page.marked("-", f"shut: {kinds} ({_some(shut, knowledge)})", FAINT)
    if stop.filtered:
        page.marked("-", f"through a filter only: {_some(stop.filtered, knowledge)}", FAINT)
    page.marked("-", f"lifted by: {stop.lifting}", FAINT)
    if stop.settled_by:
        page.marked("-", f"to find out: {_some(stop.settled_by, knowledge)}", FAINT)
    page.warn(stop.cautions)


def put_cautions(page: Page, beware: Beware) -> None:
    """Cautions of some work: in full what is special to it, in one line what always holds."""
    page.warn(beware.here)
    if beware.always:
        page.aside(f"As always: {'; '.join(beware.always)}. In full: loopodds help safety")


def _some(names: Iterable[str], knowledge: Knowledge) -> str:
    work = {**knowledge.tests, **knowledge.services}
    titles = [lowered(work[name].title) for name in names]
    more = f" and {len(titles) - NAMED} more" if len(titles) > NAMED else ""
    return ", ".join(titles[:NAMED]) + more


def print_connection(result: Assessment) -> None:
    """Write the whole page of ``loopodds connect`` to standard output."""
    page, knowledge, connection = Page(), result.knowledge, result.connection
    page.title(result.case, " may this car be connected to the machine?")
    page.line("")
    answer, note = ANSWERS[connection.answer]
    page.headline(answer, *([note] if note else []))
    page.heading("Why")
    for reason in connection.reasons:
        page.marked("-", reason, FAINT)
    titles = [knowledge.tests[name].title for name in connection.to_do]
    page.listed("First", "-", titles, "and record what it shows")
    page.listed("What would change it", "-", connection.lifted_by)
    if any(stop.cautions for stop in result.stops):
        page.heading("Beware")
    for stop in result.stops:
        page.warn(stop.cautions)
