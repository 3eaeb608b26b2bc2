"""The prompt of ``loopodds case work``: a whole case for someone with one clean hand.

Short words, unambiguous beginnings, state words anywhere; what is ambiguous or misspelt is asked
about and never guessed. Every entry is in the book before the next prompt appears.
"""

from __future__ import annotations

import sys
from collections.abc import Callable, Mapping
from contextlib import suppress
from functools import cached_property, partial
from typing import TYPE_CHECKING

import click
from loopodds import UNSAFE_NOTE, CaseError, names_with, printable, spaced, words_of

from loopodds_cli.pages.case import case_title, print_case, print_history
from loopodds_cli.prompt.asking import Asking
from loopodds_cli.prompt.course import Course
from loopodds_cli.prompt.observing import Observing
from loopodds_cli.prompt.telling import Telling
from loopodds_cli.prompt.words import Meaning, meaning, several
from loopodds_cli.screen.page import wrapped

if TYPE_CHECKING:
    from loopodds import Answer, Casework, Knowledge

HELP = """\
  bubbles persisting    what was seen: a name and a state, or beginnings of both
  milky                 a state alone, where only one name has it
  low 2.1 bar           what was measured; a name alone asks for the rest
  specks none .3 metal .7            not sure: shares
  doubt NAME (d)   - NAME            keep it but do not use it; take it back
  open   look (n)  plan (p)  why     begin a case; next test; what to do; reasons
  decide  agree  done  prove  close  in the order of the work; see their questions
  note TEXT        repaired SERVICE  a remark on the next entry; it was done
  with gauge 3     what readings are taken with from here on
  undo (u)  redo (r)  show (s)  history (h)  list  case N  names WORD  quit (q)
Several entries go in one line with commas between. A number picks from a list, an
empty line passes a question over. What is unclear is asked, not guessed."""

ALIASES = {
    "?": "help", "-": "withdraw", "d": "doubt", "h": "history", "q": "quit", "r": "redo",
    "n": "look", "next": "look", "p": "plan", "s": "show", "u": "undo", "w": "withdraw",
    "find": "names", "exit": "quit", "cases": "list",
}  # fmt: skip
NAMES_SHOWN = 12


class Workbench:
    """A dialogue about one case after the other.

    Args:
        number: Case to begin with; without one the person is asked which, or opens one.
        units: Unit of a bare number by dimension, as the workshop has it.
    """

    def __init__(
        self,
        work: Casework,
        number: int | None = None,
        units: Mapping[str, str] | None = None,
        prices: str | None = None,
    ) -> None:
        self.work = work
        self.asking = Asking()
        self.telling = Telling(prices)
        self.open = True
        self._number = number
        self.observing = Observing(self, units or {})
        self._course = Course(self)
        self._note = ""
        self.instrument = ""

    @property
    def number(self) -> int:
        """The case at hand.

        Raises:
            CaseError: where none is.
        """
        if self._number is None:
            raise CaseError("no case yet; `open` begins one, `list` shows those there are")
        return self._number

    @property
    def knowledge(self) -> Knowledge:
        """What judges the entries."""
        return self.work.knowledge

    def run(self) -> None:
        """Ask and answer until the person leaves; the end of the input is as good as ``quit``."""
        if self.knowledge.unsafe:
            click.echo(UNSAFE_NOTE)
        if self._number is None:
            click.echo("Case book   ? for help, q to leave")
            self._course.which()
        else:
            self.turn_to(self._number)
        if hasattr(sys.stdin, "reconfigure"):
            sys.stdin.reconfigure(errors="replace")
        self._complete_with_tab()
        try:
            while self.open:
                at = str(self._number or "")
                self.take(input(f"{self.asking.prompt(at)}> "))
        except (EOFError, KeyboardInterrupt):
            click.echo()
        if self._note:
            click.echo("The note was not written: nothing was entered after it.")
        if self._number is not None:
            click.echo(f"Case {self._number} is kept.")

    def turn_to(self, number: int) -> None:
        """Go on with another case of the book."""
        title = case_title(self.work.show(number).state)
        self._number = number
        click.echo(f"{title}   ? for help, q to leave")

    def take(self, line: str) -> None:
        """One line from the person; everything it leads to is printed."""
        self.asking.take(line, self._do)

    def step(self, do: Callable[[Casework, int], Answer]) -> Answer:
        """Record something on the case at hand, with the note if there is one, and tell it."""
        work = self.work.noting(self._note) if self._note else self.work
        answer = do(work, self.number)
        self._note = ""
        self.telling.tell(answer)
        return answer

    def begin(self, name: str) -> None:
        """Open a case and turn to it."""
        answer = self.work.open(name)
        self._number = answer.state.number
        click.echo(f"  {case_title(answer.state)}: open")

    @cached_property
    def _verbs(self) -> dict[str, Callable[[list[str]], None]]:
        def work(do: Callable[[Casework, int], Answer]) -> Callable[[list[str]], None]:
            return lambda words: void(self.step(do))

        def history(words: list[str]) -> None:
            print_history(self.work.book.events(self.number), self.knowledge)

        return {
            "help": lambda words: click.echo(HELP),
            "quit": lambda words: setattr(self, "open", False),
            "undo": work(lambda w, n: w.undo(n)),
            "redo": work(lambda w, n: w.redo(n)),
            "show": self._show,
            "history": history,
            "names": self._list_names,
            "note": self._take_note,
            "with": self._take_instrument,
            "doubt": lambda words: self._entry(words, lambda w, n, e: w.doubt(n, [(e, None)])),
            "withdraw": lambda words: self._entry(words, lambda w, n, e: w.withdraw(n, [e])),
            **self._course.verbs,
        }

    def _do(self, line: str) -> None:
        if not line.strip():
            return
        first, _, rest = line.strip().partition(" ")
        verb = ALIASES.get(first.lower(), first.lower())
        if verb in self._verbs:
            self._verbs[verb](rest.split())
            return
        entries = [part.replace("=", " ").split() for part in several(line)]
        # each by itself: a slip in one, or a question about it, takes nothing from the others
        self.asking.first(
            *(partial(self.observing.entry, words, self._verbs) for words in entries if words)
        )

    def _entry(self, words: list[str], step: Callable[[Casework, int, str], Answer]) -> None:
        """Find the entry of the case that is meant, and do something to it."""
        entries = tuple(self.work.show(self.number).state.noted)
        typed = "_".join(words)
        meant = meaning(typed, entries) if typed else Meaning(False, entries)
        titles = ", ".join(self.observing.titles.get(name, name) for name in entries)
        self.asking.settle(
            typed or "it",
            meant,
            lambda name: void(self.step(lambda work, number: step(work, number, name))),
            f"is not recorded: {titles or 'nothing is'}",
            self.observing.titles,
        )

    def _take_note(self, words: list[str]) -> None:
        self._note = " ".join(words)
        click.echo("  will stand beside the next entry" if words else "  no note")

    def _take_instrument(self, words: list[str]) -> None:
        self.instrument = " ".join(words)
        told = f"readings are taken with {printable(self.instrument)}" if words else "no instrument"
        click.echo(f"  {told} from here on")

    def _show(self, words: list[str]) -> None:
        answer = self.work.show(self.number)
        print_case(answer, self.telling.next_of(answer))

    def _list_names(self, words: list[str]) -> None:
        typed, titles = " ".join(words), self.observing.titles
        hits = [hit.name for hit in names_with(typed, self.knowledge) if hit.name in titles]
        for name in hits[:NAMES_SHOWN]:
            wrapped(f"{titles[name]}: {self._taken(name)}", "  ", "    ")
        if not hits:
            wrapped(f"no name has {printable(typed)!r} in what it is called", "  ")

    def _taken(self, name: str) -> str:
        states = words_of(name, self.knowledge)
        return " / ".join(map(spaced, states)) or "a number with its unit"

    def _complete_with_tab(self) -> None:
        """Names and commands with the Tab key, where the system can."""
        if not sys.stdin.isatty():
            return
        with suppress(ImportError):
            import readline

            words = (*self.observing.names, *self._verbs)

            def complete(text: str, place: int) -> str | None:
                fitting = [word for word in words if word.startswith(text)]
                return fitting[place] if place < len(fitting) else None

            readline.set_completer(complete)
            readline.parse_and_bind("tab: complete")


def void(_: object) -> None:
    """Take an answer that has been told already."""
