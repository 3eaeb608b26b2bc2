"""The prompt of ``loopodds case work``: for someone with one clean hand.

Short words, unambiguous beginnings; what is ambiguous or misspelt is asked about and never
guessed. Every entry is in the book before the next prompt appears.
"""

from __future__ import annotations

import sys
import textwrap
from collections.abc import Callable
from contextlib import suppress
from functools import cached_property
from typing import TYPE_CHECKING

import click
from loopodds import (
    UNSAFE_NOTE,
    CaseError,
    Value,
    described,
    names_in,
    observable_names,
    printable,
    title_of,
    words_of,
)

from loopodds_cli.cases import Next, next_tests, none_pays
from loopodds_cli.pages.case import case_title, print_case, print_history
from loopodds_cli.pages.page import percent
from loopodds_cli.prompt.asking import Asking, Meaning, Question, are_shares, begins_number, meaning

if TYPE_CHECKING:
    from loopodds import Answer, Casework, RankedTest

HELP = """\
  NAME STATE        record what was seen       bub per
  NAME NUMBER UNIT  record what was measured   low 2.1 bar
  NAME S1 P1 S2 P2  not sure: shares           specks none .3 metal .7
  NAME              asks for the state
  doubt NAME (d)    keep it but do not use it
  - NAME            take it back
  repaired SERVICE  it was done; what follows is of the repaired car
  next (n)  undo (u)  redo (r)  show (s)  history (h)  names WORD  help (?)  quit (q)
Beginnings are enough. A number picks from a list. What is unclear is asked, not guessed."""

ALIASES = {
    "?": "help", "-": "withdraw", "d": "doubt", "h": "history", "q": "quit", "r": "redo",
    "n": "next", "s": "show", "u": "undo", "w": "withdraw", "exit": "quit",
}  # fmt: skip
MOVES = 4
WORDS_IN_A_NAME = 4
WIDTH = 80


class Workbench:
    """A dialogue about the case of one number."""

    def __init__(self, work: Casework, number: int) -> None:
        self.work = work
        self._number = number
        self._asking = Asking()
        self._names = tuple(observable_names(work.knowledge))
        self._faults = names_in("confirmed", work.knowledge)
        self._told: set[str] = set()
        self.open = True

    def run(self) -> None:
        """Ask and answer until the person leaves; the end of the input is as good as ``quit``."""
        if self.work.knowledge.unsafe:
            click.echo(UNSAFE_NOTE)
        click.echo(f"{case_title(self.work.show(self._number).state)}   ? for help, q to leave")
        if hasattr(sys.stdin, "reconfigure"):
            sys.stdin.reconfigure(errors="replace")
        self._complete_with_tab()
        try:
            while self.open:
                self.take(input(f"{self._asking.prompt(str(self._number))}> "))
        except (EOFError, KeyboardInterrupt):
            click.echo()
        click.echo(f"Case {self._number} is kept.")

    def take(self, line: str) -> None:
        """One line from the person; everything it leads to is printed."""
        self._asking.take(line.replace("=", " ").split(), self._do)

    @property
    def _commands(self) -> tuple[str, ...]:
        return tuple(sorted(self._verbs))

    @cached_property
    def _verbs(self) -> dict[str, Callable[[list[str]], None]]:
        work, number = self.work, self._number
        return {
            "help": lambda words: click.echo(HELP),
            "quit": lambda words: setattr(self, "open", False),
            "undo": lambda words: self._tell(work.undo(number)),
            "redo": lambda words: self._tell(work.redo(number)),
            "next": lambda words: self._offer_tests(work.show(number)),
            "show": self._show,
            "history": lambda words: print_history(work.book.events(number), work.knowledge),
            "names": self._list_names,
            "repaired": self._repaired,
            "doubt": lambda words: self._entry(words, lambda n: work.doubt(number, [(n, None)])),
            "withdraw": lambda words: self._entry(words, lambda n: work.withdraw(number, [n])),
        }

    def _do(self, words: list[str]) -> None:
        first = ALIASES.get(words[0].lower(), words[0].lower())
        if first in self._verbs:
            self._verbs[first](words[1:])
            return

        def start(word: str) -> None:
            if word in self._verbs:
                self._verbs[word](rest)
            else:
                self._observe(word, rest)

        name, rest = self._longest_name(words)
        meant = meaning(name, self._names if "_" in name else (*self._names, *self._commands))
        # a fault cannot be seen: its name may be meant, though it begins a finding's
        sure = meant.sure and (name in meant.options or name not in self._faults)
        hint = "is no name here; ? for help, names WORD to search"
        self._asking.settle(name, meant._replace(sure=sure), start, hint)

    def _longest_name(self, words: list[str]) -> tuple[str, list[str]]:
        """As many words as begin the parts of a name, joined; and what is left of the line."""
        for count in range(min(WORDS_IN_A_NAME, len(words)), 1, -1):
            joined = "_".join(words[:count])
            meant = meaning(joined, self._names)
            if meant.sure:
                return joined, words[count:]
        return words[0], words[1:]

    def _observe(self, name: str, words: list[str]) -> None:
        """Record something of a name, or ask what."""
        states = words_of(name, self.work.knowledge)
        if not words:
            self._ask_value(name, states)
        elif not states or (self._measured(name) and begins_number(words[0])):
            self._record(name, " ".join(words))
        elif are_shares(words):
            self._record(name, self._shares(name, states, words))
        else:
            typed = "_".join(words)
            otherwise = f"is no state of {name}: {', '.join(states)}"
            self._asking.settle(
                typed, meaning(typed, states), lambda state: self._record(name, state), otherwise
            )

    def _ask_value(self, name: str, states: tuple[str, ...]) -> None:
        knowledge = self.work.knowledge
        node, amount = knowledge.nodes.get(name), knowledge.amounts.get(name)
        asked = amount.amount.question if amount else node.question or node.title if node else ""
        click.echo(f"  {asked or name.replace('_', ' ')}")
        for measured, by in node.amounts.items() if node else ():
            click.echo(f"  measured: {measured} and the number, in {by.unit}")
        if self._measured(name) or not states:
            words = f", or {' / '.join(states)}" if states else ""
            click.echo(f"  a number with its unit{words}")

            def observe(text: str) -> None:
                self._observe(name, text.split())

            self._asking.ask(Question(name, states, observe, "quantity"))
        else:
            self._asking.ask(Question(name, states, lambda state: self._record(name, state)))

    def _record(self, name: str, value: Value) -> None:
        self._tell(self.work.record(self._number, [(name, value)]))

    def _entry(self, words: list[str], step: Callable[[str], Answer]) -> None:
        """Find the entry of the case that is meant, and do something to it."""
        entries = tuple(self.work.show(self._number).state.noted)
        typed = "_".join(words)
        meant = meaning(typed, entries) if typed else Meaning(False, entries)
        otherwise = f"is not recorded: {', '.join(entries) or 'nothing is'}"
        self._asking.settle(typed or "it", meant, lambda name: self._tell(step(name)), otherwise)

    def _repaired(self, words: list[str]) -> None:
        """Record services that were done; without any, those of the plan chosen."""
        services = tuple(self.work.knowledge.services)
        chosen: list[str] = []
        for typed in words:
            meant = meaning(typed, services)
            if not meant.sure:
                options = ", ".join(meant.options or services)
                raise CaseError(f"{typed!r} is no clear service: {options}")
            chosen.append(meant.options[0])
        self._tell(self.work.repaired(self._number, chosen))

    def _show(self, words: list[str]) -> None:
        answer = self.work.show(self._number)
        print_case(answer, next_tests(answer))

    def _list_names(self, words: list[str]) -> None:
        typed = "_".join(words).lower()
        fitting = ", ".join(name for name in self._names if typed in name)
        click.echo(f"  {fitting or f'no name contains {printable(typed)!r}'}")

    def _measured(self, name: str) -> bool:
        return name in self.work.knowledge.of_kind("gauge")

    def _shares(self, name: str, states: tuple[str, ...], words: list[str]) -> dict[str, float]:
        shares = {}
        for typed, number in zip(words[::2], words[1::2], strict=True):
            meant = meaning(typed, states)
            if not meant.sure:
                problem = f"{typed!r} is no clear state of {name}"
                raise CaseError(f"{problem}; its states are {', '.join(states)}")
            shares[meant.options[0]] = float(number)
        return shares

    def _tell(self, answer: Answer) -> None:
        """What was recorded and what it moved, in a few lines."""
        for event in answer.events:
            click.echo(f"  {printable(described(event))}")
        next_up = next_tests(answer)
        self._tell_stops(next_up)
        for text in answer.skipped():
            click.echo(f"  ! {text}")
        for name in answer.shown():
            click.echo(f"  seen while it was done, not recorded yet: {name}")
        moves = answer.moved()[:MOVES]
        for move in moves:
            way = "up  " if move.after > move.before else "down"
            title = title_of(move.name, self.work.knowledge)
            click.echo(f"    {way} {title}: {percent(move.before)} to {percent(move.after)}")
        if not moves:
            click.echo("    moves nothing much")
        for test in next_up.paying[:1]:
            click.echo(f"    next {self._test_line(test)}")
        if next_up.tests and not next_up.paying:
            click.echo(f"    {none_pays(self._number)}")

    def _tell_stops(self, next_up: Next) -> None:
        """What must not be done: in full when it comes up, then as one line."""
        for stop in next_up.stops:
            _wrapped(f"STOP: {stop.title} ({'; '.join(stop.because)})", "  ")
            if stop.name not in self._told:
                _wrapped(stop.reason, "    ")
                _wrapped(f"lifted by: {stop.lifting}", "    ")
        self._told = {stop.name for stop in next_up.stops}

    def _offer_tests(self, answer: Answer) -> None:
        """The next tests, to pick the one that was done and enter what it showed."""
        next_up = next_tests(answer)
        self._tell_stops(next_up)
        tests = {test.test: test for test in next_up.tests}
        if tests and not next_up.paying:
            click.echo(f"  {none_pays(self._number)}")
        for test in tests.values():
            click.echo(f"  {test.test}: {self._test_line(test)}")
        if not tests:
            click.echo(f"  no next test {printable(next_up.problem)}".rstrip())
            return

        def unseen(name: str) -> None:
            shows = self.work.knowledge.tests[name].yields
            left = tuple(shown for shown in shows if shown not in answer.state.noted)
            if len(left) == 1:
                self._observe(left[0], [])
            elif left:
                click.echo("  what did it show?")
                self._asking.ask(Question(name, left, lambda shown: self._observe(shown, [])))
            else:
                click.echo("  all it shows is recorded")

        self._asking.ask(Question("done", tuple(tests), unseen))

    def _test_line(self, test: RankedTest) -> str:
        tests = self.work.knowledge.tests
        first = ", ".join(tests[name].title for name in test.blocked_by)
        title = f"{tests[test.test].title}, {test.minutes:.0f} min"
        return f"{title}, after: {first}" if first else title

    def _complete_with_tab(self) -> None:
        """Names and commands with the Tab key, where the system can."""
        if not sys.stdin.isatty():
            return
        with suppress(ImportError):
            import readline

            words = (*self._names, *self._commands)

            def complete(text: str, place: int) -> str | None:
                fitting = [word for word in words if word.startswith(text)]
                return fitting[place] if place < len(fitting) else None

            readline.set_completer(complete)
            readline.parse_and_bind("tab: complete")


def _wrapped(text: str, margin: str) -> None:
    """Print a paragraph within the width of a page."""
    click.echo(
        textwrap.fill(
            printable(text),
            WIDTH,
            initial_indent=margin,
            subsequent_indent=f"{margin}  ",
            break_on_hyphens=False,
        )
    )
