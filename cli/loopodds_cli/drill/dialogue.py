"""The prompt of ``loopodds drill``: a trainee at one practice car.

First tests are asked for, then probabilities are stated, then services chosen. Beginnings of
words are enough; what is unclear or misspelt is asked about and never guessed.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING

import click
from loopodds import (
    SOUND,
    Closed,
    InspectionError,
    LoopoddsError,
    Move,
    OutOfRange,
    View,
    check_stated,
    debriefed,
    offered,
    outcome,
    printable,
    title_of,
)

from loopodds_cli.drill.pages import (
    HELP,
    PLANNING,
    STATING,
    print_choices,
    print_debrief,
    print_done,
    print_seen,
    print_test,
    print_tests,
)
from loopodds_cli.pages.page import Page
from loopodds_cli.prompt.asking import Asking
from loopodds_cli.prompt.words import begins_number, meaning

if TYPE_CHECKING:
    from loopodds import Debrief, Exercise

ALIASES = {"?": "help", "a": "about", "d": "done", "q": "quit", "s": "seen", "t": "tests",
           "exit": "quit"}  # fmt: skip


class Leave(Exception):
    """The trainee leaves."""


class DrillDialogue:
    """One exercise, line by line."""

    def __init__(self, exercise: Exercise) -> None:
        self._exercise = exercise
        self._knowledge = exercise.model.knowledge
        self._asking = Asking()
        self._phase: Callable[[list[str]], None] = self._look
        self._stated: dict[str, float] = {}
        self._plan: list[str] = []
        self._result: Debrief | None = None

    def run(self) -> Debrief:
        """Ask and answer until the plan is made; then show what it was worth.

        Raises:
            Leave: if the trainee leaves or the input ends.
        """
        while self._result is None:
            try:
                line = input(f"{self._asking.prompt(self._prompt())}> ")
            except EOFError:
                click.echo()
                raise Leave from None
            self.take(line)
        return self._result

    def take(self, line: str) -> None:
        """One line from the trainee; everything it leads to is printed.

        Raises:
            Leave: if the line says so.
        """
        words = line.replace("=", " ").replace(",", " ").split()
        if words or self._asking.prompt(""):
            self._asking.take(words, self._phase)
            return
        try:
            self._phase([])
        except LoopoddsError as error:
            click.echo(f"  ! {printable(str(error))}")

    def _prompt(self) -> str:
        if self._phase == self._look:
            return f"{self._exercise.minutes_left:.0f} min"
        return "per cent" if self._phase == self._state else "plan"

    # ---- at the car ---------------------------------------------------------------------------

    def _look(self, words: list[str]) -> None:
        if not words:
            return
        first = ALIASES.get(words[0].lower(), words[0].lower())
        verbs: dict[str, Callable[[list[str]], None]] = {
            "help": lambda rest: click.echo(HELP),
            "tests": lambda rest: print_tests(self._exercise),
            "seen": lambda rest: print_seen(self._exercise),
            "about": lambda rest: self._test_meant(rest, lambda n: print_test(n, self._exercise)),
            "done": lambda rest: self._begin_stating(),
            "quit": lambda rest: _leave(),
        }
        if first in verbs:
            verbs[first](words[1:])
        else:
            self._test_meant(words, self._want)

    def _test_meant(self, words: list[str], then: Callable[[str], None]) -> None:
        typed = "_".join(words)
        if not typed:
            raise InspectionError("name a test: about press")
        found = meaning(typed, tuple(self._knowledge.tests))
        self._asking.settle(typed, found, then, "is no test; `tests` lists them")

    def _want(self, test: str) -> None:
        """Do a test, or say what has to come before it."""
        way = self._exercise.way(test)
        if isinstance(way, Closed):
            raise InspectionError(f"{test}: {way.why}")
        if len(way.steps) == 1 or way.minutes > self._exercise.minutes_left:
            self._do(test)
            return
        Page().marked("!", f"{test} only after {_with_minutes(way)}")
        self._asking.confirm(f"do all, {way.minutes:.0f} min", lambda: self._do(test))

    def _do(self, test: str) -> None:
        done = self._exercise.do(test)
        print_done(done, self._exercise)
        if done[-1].test != test:
            click.echo(f"  ! what that showed closes the way to {test}")

    # ---- how likely ---------------------------------------------------------------------------

    def _begin_stating(self) -> None:
        self._phase = self._state
        click.echo(STATING)

    def _state(self, words: list[str]) -> None:
        if not words:
            check_stated(self._stated, self._knowledge)
            self._begin_planning()
        elif words[0].lower() == "list":
            names = (*self._knowledge.conditions, SOUND)
            titles = {name: title_of(name, self._knowledge) for name in names}
            print_choices(titles, "Conditions")
        elif words[0].lower() in ("tests", "t"):
            self._phase = self._look
        elif words[0].lower() in ("quit", "q"):
            _leave()
        elif words[0] in ("?", "help"):
            click.echo(STATING)
        else:
            self._record(_pairs(words))

    def _record(self, pairs: list[tuple[str, float]]) -> None:
        """Take the pairs in turn; an unclear name is asked about before the rest."""
        if not pairs:
            return
        typed, probability = pairs[0]
        found = meaning(typed, (*self._knowledge.conditions, SOUND))

        def then(name: str) -> None:
            self._stated[name] = probability
            click.echo(f"  {title_of(name, self._knowledge)}: {100 * probability:g} %")
            self._record(pairs[1:])

        self._asking.settle(typed, found, then, "is no condition; `list` shows them")

    # ---- what to do ---------------------------------------------------------------------------

    def _begin_planning(self) -> None:
        self._phase = self._choose
        click.echo(PLANNING)

    def _choose(self, words: list[str]) -> None:
        if not words:
            self._finish()
        elif words[0].lower() == "list":
            known = self._knowledge.services
            possible = offered(View(self._exercise).shop.decision)
            print_choices(
                {name: known[name].title for name in known if name in possible},
                "Services for this car",
            )
        elif words[0].lower() in ("quit", "q"):
            _leave()
        elif words[0] in ("?", "help"):
            click.echo(PLANNING)
        elif words[0] == "-":
            self._service_meant(words[1:], tuple(self._plan), self._plan.remove, "is not planned")
        else:
            names = tuple(self._knowledge.services)
            self._service_meant(words, names, self._add, "is no service; `list` shows them")

    def _service_meant(
        self, words: list[str], options: tuple[str, ...], then: Callable[[str], None], no: str
    ) -> None:
        typed = "_".join(words)
        if not typed:
            raise InspectionError("name the service: - repair_control")

        def after(name: str) -> None:
            then(name)
            click.echo(f"  plan: {', '.join(self._plan) or 'nothing'}")

        self._asking.settle(typed, meaning(typed, options), after, no)

    def _add(self, service: str) -> None:
        if service not in self._plan:
            outcome(self._exercise, [*self._plan, service])
            self._plan.append(service)

    def _finish(self) -> None:
        click.echo("Working out what every step was worth ...")
        self._result = debriefed(self._exercise, self._stated, self._plan)
        print_debrief(self._result, self._exercise)


def wait_for_next() -> None:
    """Let the trainee read before the next car comes.

    Raises:
        Leave: if the trainee leaves or the input ends.
    """
    try:
        said = input("Enter for the next car, q to leave> ")
    except EOFError:
        click.echo()
        raise Leave from None
    if said.strip().lower() in ("q", "quit", "exit"):
        raise Leave


def _pairs(words: list[str]) -> list[tuple[str, float]]:
    """Names and probabilities from ``oil short 20 leak 60%``.

    Raises:
        OutOfRange, InspectionError: if a name has no number, or a number is not meant as per cent.
    """
    pairs: list[tuple[str, float]] = []
    name: list[str] = []
    for word in words:
        if not begins_number(word):
            if word != "%":
                name.append(word)
            continue
        pairs.append(("_".join(name), _per_cent(word)))
        name = []
    if name or not all(typed for typed, _ in pairs):
        raise InspectionError("a name and then its per cent: moisture 60")
    return pairs


def _per_cent(word: str) -> float:
    try:
        number = float(word.rstrip("%"))
    except ValueError:
        raise InspectionError(f"{printable(word)!r} is no number") from None
    if 0 < number < 1:
        raise OutOfRange(f"{number:g} is less than one per cent; write 60 for 60 %, or 0")
    if not 0 <= number <= 100:
        raise OutOfRange(f"{number:g} is no probability; 0 to 100 per cent")
    return number / 100


def _with_minutes(way: Move) -> str:
    return ", ".join(f"{step.test} ({step.minutes:.0f})" for step in way.steps[:-1])


def _leave() -> None:
    raise Leave
