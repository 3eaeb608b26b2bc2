"""Stops at the top of every page, cautions beside the work; the page of ``loopodds connect``."""

from __future__ import annotations

from collections.abc import Iterable
from typing import TYPE_CHECKING

from loopodds import lowered

from loopodds_cli.pages.page import FAINT, Page

if TYPE_CHECKING:
    from loopodds import Assessment, Beware, Knowledge, StopInForce

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
        page.marked("-", f"because: {'; '.join(stop.because)}", FAINT)
        shut = [*stop.shut_tests, *stop.shut_services]
        if shut:
            kinds = ", ".join(stop.shuts)
            page.marked("-", f"shut: {kinds} ({_some(shut, knowledge)})", FAINT)
        if stop.filtered:
            page.marked("-", f"through a filter only: {_some(stop.filtered, knowledge)}", FAINT)
        page.marked("-", f"lifted by: {stop.lifting}", FAINT)
        if stop.settled_by:
            page.marked("-", f"to find out: {_some(stop.settled_by, knowledge)}", FAINT)
        for text in stop.cautions:
            page.marked("!", text)
        page.line("")


def put_cautions(page: Page, beware: Beware) -> None:
    """Cautions of some work: in full what is special to it, in one line what always holds."""
    for text in beware.here:
        page.marked("!", text)
    if beware.always:
        page.aside(f"As always: {'; '.join(beware.always)}. In full: loopodds help safety")


def said_by(stops: Iterable[StopInForce]) -> list[str]:
    """Cautions that the stops say already."""
    return [text for stop in stops for text in stop.cautions]


def unsaid(cautions: Iterable[str], stops: Iterable[StopInForce]) -> list[str]:
    """Cautions that no stop has said already."""
    said = said_by(stops)
    return [text for text in cautions if text not in said]


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
    page.listed("Beware", "!", list(dict.fromkeys(said_by(result.stops))))
