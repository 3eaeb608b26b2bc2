"""Pages of ``loopodds drill``: the car, the tests, what was seen, and the debrief."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from typing import TYPE_CHECKING

from loopodds import (
    NAMED_FROM,
    UNREADABLE,
    Closed,
    shown_words,
    spaced,
    title_of,
)
from rich.text import Text

from loopodds_cli.pages.page import CAUTION, FAINT, STRONG, Cell, Page, percent
from loopodds_cli.pages.wording import signed

if TYPE_CHECKING:
    from loopodds import Debrief, Done, Exercise, JudgedStep, Knowledge, Outcome, PracticeCar

HELP = """\
  NAME         do that test; its beginning is enough: press, capt
  tests (t)    the tests that are left, with their minutes
  seen (s)     everything known so far
  about NAME   what a test is, what it shows, what can hurt
  done (d)     say how likely each condition is, then what you would do
  quit (q)     leave; a car that was not finished does not count
What is unclear is asked, not guessed."""
STATING = """\
How likely is each condition, in per cent? `moisture 60`, or several in a line.
`sound 5` is for nothing wrong. What you do not name counts as 0.
`list` shows the names, `tests` goes back to the car, an empty line goes on."""
PLANNING = """\
What would you do to the car? A service a line; `- NAME` takes one out again.
`list` shows the names; an empty line ends it: no service at all is a plan too."""


def print_car(exercise: Exercise, place: str) -> None:
    """The car as it comes in.

    Args:
        place: Which car of which deck this is.
    """
    _car(Page(), exercise, place)


def _car(page: Page, exercise: Exercise, place: str) -> None:
    knowledge, car = exercise.model.knowledge, exercise.car
    page.line(Text(place, STRONG))
    page.line(car.make_up)
    page.heading("The driver says")
    page.rows(car.said(exercise.model))
    page.heading("What was done to it", "all else was asked and is not so")
    for title in car.past(knowledge):
        page.line(title, indent=2)


def print_tests(exercise: Exercise) -> None:
    """Every test that is left, with its minutes, alone and with what has to come before it."""
    page = Page()
    page.heading("Tests", "minutes alone, and with what has to come before")
    rows: list[Sequence[Cell]] = []
    closed: list[Closed] = []
    progress = exercise.progress()
    for name, test in exercise.model.knowledge.tests.items():
        if name in progress.done:
            continue
        way = exercise.gates.way(name, progress)
        if isinstance(way, Closed):
            closed.append(way)
            continue
        alone, whole = f"{way.steps[-1].minutes:.0f}", f"{way.minutes:.0f}"
        late = way.minutes > exercise.minutes_left
        note = Text("too long", FAINT) if late else Text("" if whole == alone else whole)
        rows.append((name, alone, note, test.title))
    page.rows(rows, right=[1, 2])
    for way in closed:
        page.marked("-", f"{way.test}: {way.why}", FAINT)


def print_done(done: Iterable[Done], exercise: Exercise) -> None:
    """Tests just done and what they showed, in the words of the knowledge."""
    page = Page()
    knowledge = exercise.model.knowledge
    for one in done:
        test = knowledge.tests[one.test]
        page.line(Text(test.title, STRONG), Text(f"{one.minutes:.0f} min", FAINT))
        page.rows(_shown_rows(one.shown, knowledge))
        listed = ", ".join(spaced(key) for key in cautions_of(one.test, exercise))
        if listed:
            page.marked("!", f"mind: {listed}", FAINT)


def print_seen(exercise: Exercise) -> None:
    """Everything known so far, the driver's words and the history included."""
    page = Page()
    _car(page, exercise, f"Car {exercise.car.number}, {exercise.minutes_left:.0f} minutes left")
    for done in exercise.done:
        page.heading(exercise.model.knowledge.tests[done.test].title)
        page.rows(_shown_rows(done.shown, exercise.model.knowledge))


def _shown_rows(shown: Mapping[str, str], knowledge: Knowledge) -> list[Sequence[Cell]]:
    return [
        (knowledge.node(name).title, shown_words(text) or Text(UNREADABLE, FAINT))
        for name, text in shown.items()
    ]


def print_test(name: str, exercise: Exercise) -> None:
    """What a test is, what it shows, what has to come first, and its cautions in full."""
    knowledge = exercise.model.knowledge
    test = knowledge.tests[name]
    page = Page()
    page.line(Text(test.title, STRONG), Text(f"{exercise.prices.minutes[name]:.0f} min", FAINT))
    page.line(test.about)
    page.line("Shows: " + ", ".join(knowledge.node(one).title.lower() for one in test.yields))
    if test.after:
        page.line("First: " + ", ".join(test.after))
    for key in cautions_of(name, exercise):
        page.marked("!", knowledge.cautions[key].text, CAUTION)


def cautions_of(test: str, exercise: Exercise) -> list[str]:
    """Keys of the cautions that go with a test on this car."""
    knowledge, vehicle = exercise.model.knowledge, exercise.car.vehicle
    return [
        key
        for key in knowledge.tests[test].cautions
        if all(vehicle.get(k) == v for k, v in knowledge.cautions[key].when.items())
    ]


def print_choices(titles: Mapping[str, str], heading: str) -> None:
    """Names that can be typed, with what they mean."""
    page = Page()
    page.heading(heading)
    page.rows(list(titles.items()))


def print_debrief(result: Debrief, exercise: Exercise) -> None:
    """The truth, the probabilities, every step, the plan and the score."""
    page = Page()
    knowledge, car = exercise.model.knowledge, exercise.car
    page.line("")
    page.headline(" + ".join(car.truth(knowledge)), f"dealt as: {car.kind}")
    _probabilities(page, result, car, knowledge)
    _steps(page, result, exercise.prices.currency)
    _plans(page, result, exercise)
    page.heading("Score", "100: the network's probabilities, and the best step at every moment")
    lost = [("probabilities", result.probability_points), ("steps and plan", result.cost_points)]
    page.rows(
        [
            (Text(f"{result.score:.0f}", STRONG), "points for this car"),
            *((signed(-points), word) for word, points in lost),
        ],
        right=[0],
    )


def _probabilities(page: Page, result: Debrief, car: PracticeCar, knowledge: Knowledge) -> None:
    page.heading("How likely", "the network saw what you saw")
    named = {name for name, p in result.believed.items() if p >= NAMED_FROM}
    rows: list[Sequence[Cell]] = [("", "you", "network", "")]
    for name in sorted(named | {*result.stated, *car.true}, key=lambda n: -result.believed[n]):
        said, believed = result.stated.get(name, 0.0), result.believed[name]
        mark = Text("is so", STRONG) if name in car.true else Text("is not", FAINT)
        rows.append((title_of(name, knowledge), percent(said), percent(believed), mark))
    page.rows(rows, right=[1, 2])
    page.line(
        f"Squared error, all conditions together: you {result.error:.2f}, "
        f"the network {result.network_error:.2f}."
    )


def _steps(page: Page, result: Debrief, currency: str) -> None:
    page.heading("Step by step", f"promised before it was done, in bits and {currency}; best then")
    rows: list[Sequence[Cell]] = [("", "min", "bits", "worth", "best then", "worth", "lost")]
    rows += [_step_row(moment) for moment in result.moments]
    page.rows(rows, right=[1, 2, 3, 5, 6])
    for moment in result.moments:
        if moment.ended:
            more = f" and {len(moment.ended) - 1} more" if len(moment.ended) > 1 else ""
            ended = f"{moment.ended[0]}{more}"
            page.line(f"{moment.test} came early: it made impossible {ended}, which paid.")
    parted = next((moment for moment in result.moments if _noticed(moment.lost)), None)
    if parted is None:
        page.line("Every step was as good as the best one.")
    else:
        page.line(f"You parted from the best way at: {parted.test or 'stopping'}.")


def _noticed(lost: float) -> bool:
    """Whether a loss shows in the table."""
    return round(lost) > 0


def _step_row(moment: JudgedStep) -> Sequence[Cell]:
    same = moment.best == moment.test
    lost = Text(f"{moment.lost:.0f}", STRONG if _noticed(moment.lost) else FAINT)
    best = Text("the same", FAINT) if same else Text(moment.best or "stop")
    value = "" if same else f"{moment.best_value:.0f}"
    if not moment.test:
        return ("stop", "", "", "", best, value, lost)
    bits, worth = f"{moment.bits:.2f}", f"{round(moment.net_value)}"
    return (moment.test, f"{moment.minutes:.0f}", bits, worth, best, value, lost)


def _plans(page: Page, result: Debrief, exercise: Exercise) -> None:
    currency = exercise.prices.currency
    page.heading("Plan and bill", f"in {currency}; prices are invented unless you gave your own")
    rows: list[Sequence[Cell]] = [("", "minutes", "expected", "came to")]
    for title, outcome in (("you", result.own), ("the best way", result.best)):
        rows.append((title, f"{outcome.minutes:.0f}", *_money(outcome)))
    page.rows(rows, right=[1, 2, 3])
    page.line(f"Your plan: {_listed(result.own.plan)}.")
    page.line(f"The best way: {_listed(result.best.tests)}; then {_listed(result.best.plan)}.")
    if _noticed(result.plan_lost):
        page.line(f"For what you knew, another plan was {result.plan_lost:.0f} cheaper.")


def _money(outcome: Outcome) -> tuple[str, str]:
    return f"{outcome.expected:.0f}", f"{outcome.came_to:.0f}"


def _listed(names: Sequence[str]) -> str:
    return ", ".join(names) or "nothing"
