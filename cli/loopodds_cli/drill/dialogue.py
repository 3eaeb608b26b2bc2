"""The prompt of ``loopodds drill``: a trainee at one practice car.

First tests are asked for, then probabilities are stated, then services chosen. Beginnings of
words are enough; what is unclear or misspelt is asked about and never guessed.
"""

from collections.abc import Callable, Sequence

import click
from loopodds import (
    SOUND,
    Closed,
    Debrief,
    Exercise,
    InspectionError,
    OutOfRange,
    View,
    check_stated,
    debriefed,
    lowered,
    offered,
    outcome,
    printable,
    title_of,
)

from loopodds_cli.drill import pages
from loopodds_cli.prompt.asking import Asking
from loopodds_cli.prompt.words import begins_number, meaning
from loopodds_cli.screen.page import Page, wrapped

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
        self._phase: Callable[[str, list[str]], None] = self._look
        self._help = pages.HELP
        self._stated: dict[str, float] = {}
        self._plan: list[str] = []
        self._result: Debrief | None = None

    def run(self) -> Debrief:
        """Ask and answer until the plan is made; then show what it was worth.

        Raises:
            Leave: if the trainee leaves or the input ends.
        """
        while self._result is None:
            self.take(_typed(f"{self._asking.prompt(self._prompt())}> "))
        return self._result

    def take(self, line: str) -> None:
        """One line from the trainee; prints all it leads to, and raises ``Leave`` if it says so."""
        # an empty line drops an open question; the phase gets it only where none is open
        self._asking.take(line.replace(",", " "), self._obey)

    def _obey(self, line: str) -> None:
        words = line.replace("=", " ").split() or [""]
        verb = ALIASES.get(words[0].lower(), words[0].lower())
        if verb == "quit":
            raise Leave
        if verb == "help":
            click.echo(self._help)
        else:
            self._phase(verb, words)

    def _begin(self, phase: Callable[[str, list[str]], None], explained: str) -> None:
        self._phase, self._help = phase, explained
        click.echo(explained)

    def _prompt(self) -> str:
        if self._phase == self._look:
            return f"{self._exercise.minutes_left:.0f} min"
        return "per cent" if self._phase == self._state else "plan"

    # ---- at the car ---------------------------------------------------------------------------

    def _look(self, verb: str, words: list[str]) -> None:
        if verb == "tests":
            pages.print_tests(self._exercise)
        elif verb == "seen":
            pages.print_seen(self._exercise)
        elif verb == "about":
            self._test_meant(words[1:], lambda name: pages.print_test(name, self._exercise))
        elif verb == "done":
            self._begin(self._state, pages.STATING)
        elif verb:
            self._test_meant(words, self._want)

    def _test_meant(self, words: list[str], then: Callable[[str], None]) -> None:
        typed = "_".join(words)
        if not typed:
            raise InspectionError("name a test: about press")
        found = meaning(typed, tuple(self._knowledge.tests))
        titles = {name: test.title for name, test in self._knowledge.tests.items()}
        self._asking.settle(typed, found, then, "is no test; `tests` lists them", titles)

    def _want(self, test: str) -> None:
        """Do a test, or say what has to come before it."""
        way, left = self._exercise.way(test), self._exercise.minutes_left
        # what cannot be done, or not in time, is refused with the reason
        if isinstance(way, Closed) or way.minutes > left or len(way.steps) == 1:
            self._do(test)
            return
        tests = self._knowledge.tests
        before = ", ".join(
            f"{lowered(tests[step.test].title)} ({step.minutes:.0f})" for step in way.steps[:-1]
        )
        Page().marked("!", f"{tests[test].title} only after {before}")
        self._asking.confirm(f"do all, {way.minutes:.0f} min", lambda: self._do(test))

    def _do(self, test: str) -> None:
        done = self._exercise.do(test)
        pages.print_done(done, self._exercise)
        if done[-1].test != test:
            title = lowered(self._knowledge.tests[test].title)
            click.echo(f"  ! what that showed closes the way to: {title}")

    # ---- how likely ---------------------------------------------------------------------------

    def _state(self, verb: str, words: list[str]) -> None:
        if not verb:
            check_stated(self._stated, self._knowledge)
            self._begin(self._choose, pages.PLANNING)
        elif verb == "list":
            names = (*self._knowledge.conditions, SOUND)
            pages.print_choices({n: title_of(n, self._knowledge) for n in names}, "Conditions")
        elif verb == "tests":
            self._phase, self._help = self._look, pages.HELP
        else:
            self._record(_pairs(words))

    def _record(self, pairs: list[tuple[str, float]]) -> None:
        """Take the pairs in turn; an unclear name is asked about before the rest."""
        if not pairs:
            return
        typed, probability = pairs[0]
        names = (*self._knowledge.conditions, SOUND)
        found, titles = meaning(typed, names), {n: title_of(n, self._knowledge) for n in names}

        def then(name: str) -> None:
            self._stated[name] = probability
            click.echo(f"  {title_of(name, self._knowledge)}: {100 * probability:g} %")
            self._record(pairs[1:])

        self._asking.settle(typed, found, then, "is no condition; `list` shows them", titles)

    # ---- what to do ---------------------------------------------------------------------------

    def _choose(self, verb: str, words: list[str]) -> None:
        services = self._knowledge.services
        if not verb:
            click.echo("Working out what every step was worth ...")
            self._result = debriefed(self._exercise, self._stated, self._plan)
            pages.print_debrief(self._result, self._exercise)
        elif verb == "list":
            possible = offered(View(self._exercise).shop.decision)
            titles = {name: services[name].title for name in services if name in possible}
            pages.print_choices(titles, "Services for this car")
        elif verb == "-":
            self._service_meant(words[1:], self._plan, self._plan.remove, "is not planned")
        else:
            no = "is no service; `list` shows them"
            self._service_meant(words, list(services), self._add, no)

    def _service_meant(
        self, words: list[str], options: Sequence[str], then: Callable[[str], None], no: str
    ) -> None:
        typed = "_".join(words)
        if not typed:
            raise InspectionError("name the service: - repair_control")

        def after(name: str) -> None:
            then(name)
            wrapped(f"plan: {', '.join(titles[name] for name in self._plan) or 'nothing'}", "  ")

        services = self._knowledge.services
        titles = {name: service.title for name, service in services.items()}
        self._asking.settle(typed, meaning(typed, options), after, no, titles)

    def _add(self, service: str) -> None:
        if service not in self._plan:
            outcome(self._exercise, [*self._plan, service])
            self._plan.append(service)


def wait_for_next() -> None:
    """Let the trainee read before the next car comes.

    Raises:
        Leave: if the trainee leaves or the input ends.
    """
    if _typed("Enter for the next car, q to leave> ").strip().lower() in ("q", "quit", "exit"):
        raise Leave


def _typed(prompt: str) -> str:
    try:
        return input(prompt)
    except EOFError:
        click.echo()
        raise Leave from None


def _pairs(words: list[str]) -> list[tuple[str, float]]:
    """Names and probabilities from ``oil short 20 leak 60%``."""
    pairs: list[tuple[str, float]] = []
    name: list[str] = []
    for word in words:
        if begins_number(word):
            pairs.append(("_".join(name), _per_cent(word)))
            name = []
        elif word != "%":
            name.append(word)
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
