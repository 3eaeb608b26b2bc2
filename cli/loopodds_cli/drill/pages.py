"""Pages of ``loopodds drill``: the car, the tests, what was seen, and the debrief."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from typing import TYPE_CHECKING

from loopodds import NAMED_FROM, UNREADABLE, Closed, Move, shown_words, spaced, title_of
from rich.text import Text

from loopodds_cli.screen.page import (
    CAUTION,
    FAINT,
    STRONG,
    Cell,
    Page,
    duration,
    percent,
    signed,
    unit_of,
)
from loopodds_cli.screen.stops import put_stops

if TYPE_CHECKING:
    from loopodds import Debrief, Done, Exercise, JudgedStep, Knowledge, PracticeCar

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


def print_car(exercise: Exercise, place: str) -> Page:
    """The car as it comes in, ``place`` saying which of which deck; more may follow on the page."""
    page, car = Page(), exercise.car
    page.line(Text(place, STRONG))
    page.line(car.make_up)
    page.heading("The driver says")
    page.rows(car.said(exercise.model))
    page.heading("What was done to it", "all else was asked and is not so")
    for title in car.past(exercise.model.knowledge):
        page.line(title, indent=2)
    return page


def print_tests(exercise: Exercise) -> None:
    """Every test that is left, with its minutes, alone and with what has to come before it."""
    shop = exercise.shop()
    page, progress = Page(), shop.progress
    put_stops(page, shop.stops, exercise.model.knowledge)
    page.heading("Tests", "minutes with waits still due, and with what has to come before")
    tests = exercise.model.knowledge.tests
    rows: list[Sequence[Cell]] = []
    ways = [exercise.gates.way(name, progress) for name in tests if name not in progress.done]
    for way in (way for way in ways if isinstance(way, Move)):
        alone, whole = f"{way.steps[-1].minutes:.0f}", f"{way.minutes:.0f}"
        late = way.minutes > exercise.minutes_left
        note = Text("too long", FAINT) if late else Text("" if whole == alone else whole)
        rows.append((way.test, alone, note, tests[way.test].title))
    page.rows(rows, right=[1, 2])
    for closed in (way for way in ways if isinstance(way, Closed)):
        page.marked("-", f"{closed.test}: {closed.why}", FAINT)


def print_done(done: Iterable[Done], exercise: Exercise) -> None:
    """Tests just done and what they showed, in the words of the knowledge."""
    page, knowledge = Page(), exercise.model.knowledge
    for name, minutes, _, shown in done:
        page.line(Text(knowledge.tests[name].title, STRONG), Text(f"{minutes:.0f} min", FAINT))
        page.rows(_shown_rows(shown, knowledge))
        listed = ", ".join(map(spaced, _cautions_of(name, exercise)))
        if listed:
            page.marked("!", f"mind: {listed}", FAINT)


def print_seen(exercise: Exercise) -> None:
    """Everything known so far, the driver's words and the history included."""
    place = f"Car {exercise.car.number}, {exercise.minutes_left:.0f} minutes left"
    page = print_car(exercise, place)
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
    page, knowledge = Page(), exercise.model.knowledge
    test = knowledge.tests[name]
    minutes = exercise.prices.minutes
    page.line(Text(test.title, STRONG), Text(f"{minutes[name]:.0f} min", FAINT))
    page.line(test.about)
    for more in test.set_up:
        page.line(f"Unless that stands: {duration(minutes[more])} {knowledge.set_ups[more].words}")
    page.line("Shows: " + ", ".join(knowledge.node(seen).title.lower() for seen in test.yields))
    if test.after:
        page.line("First: " + ", ".join(test.after))
    for key in _cautions_of(name, exercise):
        page.marked("!", knowledge.cautions[key].text, CAUTION)


def _cautions_of(test: str, exercise: Exercise) -> list[str]:
    """Keys of those that go with a test on this car."""
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
    page.rows([*titles.items()])


def print_debrief(result: Debrief, exercise: Exercise) -> None:
    """The truth, the probabilities, every step, the plan and the score."""
    page, car = Page(), exercise.car
    page.line("")
    page.headline(" + ".join(car.truth(exercise.model.knowledge)), f"dealt as: {car.kind}")
    _probabilities(page, result, car, exercise.model.knowledge)
    _steps(page, result, exercise.prices.currency)
    _plans(page, result, exercise)
    page.heading("Score", "100: the network's probabilities, and the best step at every moment")
    rows: list[Sequence[Cell]] = [
        (Text(f"{result.score:.0f}", STRONG), "points for this car"),
        (signed(-result.probability_points), "probabilities"),
        (signed(-result.cost_points), "steps and plan"),
    ]
    page.rows(rows, right=[0])


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
    page.heading(
        "Step by step", f"promised before it was done, in bits and {unit_of(currency)}; best then"
    )
    rows: list[Sequence[Cell]] = [("", "min", "bits", "worth", "best then", "worth", "lost")]
    rows += [_step_row(moment) for moment in result.moments]
    page.rows(rows, right=[1, 2, 3, 5, 6])
    for moment in result.moments:
        if moment.ended:
            first, *others = moment.ended
            ended = f"{first} and {len(others)} more" if others else first
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
    page.heading(
        "Plan and bill", f"{unit_of(currency)}; prices are invented unless you gave your own"
    )
    rows: list[Sequence[Cell]] = [("", "minutes", "expected", "came to")]
    for title, outcome in (("you", result.own), ("the best way", result.best)):
        figures = (outcome.minutes, outcome.expected, outcome.came_to)
        rows.append((title, *(f"{figure:.0f}" for figure in figures)))
    page.rows(rows, right=[1, 2, 3])
    page.line(f"Your plan: {_listed(result.own.plan)}.")
    page.line(f"The best way: {_listed(result.best.tests)}; then {_listed(result.best.plan)}.")
    if _noticed(result.plan_lost):
        page.line(f"For what you knew, another plan was {result.plan_lost:.0f} cheaper.")


def _listed(names: Sequence[str]) -> str:
    return ", ".join(names) or "nothing"
