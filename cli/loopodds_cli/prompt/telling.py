"""What an entry at the prompt brought about, in a few lines: stops, moves, the next test."""

from __future__ import annotations

from typing import TYPE_CHECKING

import click
from loopodds import lowered, title_of

from loopodds_cli.cases import Next, next_tests
from loopodds_cli.screen.events import event_text
from loopodds_cli.screen.page import duration, percent, shares, wrapped
from loopodds_cli.screen.shown import shown

if TYPE_CHECKING:
    from loopodds import Answer, Knowledge, RankedTest

MOVES = 4


class Telling:
    """Tells answers of one dialogue; a stop is said in full when it comes up, then as one line."""

    def __init__(self, prices: str | None) -> None:
        self.prices = prices
        self._told: set[str] = set()

    def next_of(self, answer: Answer) -> Next:
        """What to test next in a case as it stands."""
        return next_tests(answer, self.prices)

    def tell(self, answer: Answer) -> None:
        """What was recorded and what it moved."""
        knowledge = answer.model.knowledge
        for event in answer.events:
            wrapped(event_text(event, knowledge), "  ")
        if answer.state.closed:
            return
        next_up = self.next_of(answer)
        self.tell_stops(next_up)
        for text in answer.skipped():
            wrapped(f"! {text}", "  ")
        for name in answer.shown():
            title = lowered(knowledge.node(name).title)
            wrapped(f"seen while it was done, not recorded yet: {title}", "  ")
        moves = answer.moved()[:MOVES]
        for move in moves:
            way = "up  " if move.after > move.before else "down"
            title = title_of(move.name, knowledge)
            wrapped(f"{way} {title}: {percent(move.before)} to {percent(move.after)}", "    ")
        if not moves:
            click.echo("    moves nothing much")
        for test in next_up.paying[:1]:
            wrapped(f"next {test_line(test, knowledge)}", "    ")
        if next_up.tests and not next_up.paying:
            wrapped("no single test pays for itself; `plan` says what to do", "    ")

    def tell_stops(self, next_up: Next) -> None:
        """What must not be done: in full when it comes up, then as one line."""
        for stop in next_up.stops:
            wrapped(f"STOP: {stop.title} ({shown('; '.join(stop.because))})", "  ")
            if stop.name not in self._told:
                wrapped(stop.reason, "    ", "    ")
                wrapped(f"lifted by: {stop.lifting}", "    ")
        self._told = {stop.name for stop in next_up.stops}


def test_line(test: RankedTest, knowledge: Knowledge) -> str:
    """A test with its minutes and what comes before it."""
    tests = knowledge.tests
    first = ", ".join(lowered(tests[name].title) for name in test.blocked_by)
    time = ", ".join([duration(test.minutes), *shares(test.set_ups, knowledge)])
    title = f"{tests[test.test].title}, {time}"
    return f"{title}, after: {first}" if first else title
