"""Practice cars on paper: a worksheet for the class, and the answers for the one who asks.

On paper the trainer reads out what a test shows when it is asked for, so the answer sheet holds
the result of every test on every car.
"""

from __future__ import annotations

from collections.abc import Sequence
from html import escape
from pathlib import Path
from typing import TYPE_CHECKING

from loopodds import (
    SOUND,
    Closed,
    Exercise,
    View,
    best_course,
    lowered,
    spaced,
    squared_error,
    title_of,
)

from loopodds_cli.drill.html import Row, document, listing, paragraph, table
from loopodds_cli.drill.pages import (
    SHOWN_FROM,
    UNREADABLE,
    history_titles,
    make_up,
    shown_words,
    told_rows,
    truth_of,
)

if TYPE_CHECKING:
    from loopodds import Deck, Knowledge, PracticeCar, Test

BLANK_TESTS, BLANK_CHANCES = 9, 6


def write_sheets(deck: Deck, cars: Sequence[Exercise], out: str) -> list[str]:
    """Write the worksheet and, beside it, the answers.

    Parameters
    ----------
    deck : Deck
    cars : sequence of Exercise
        Its first cars, untouched.
    out : str
        Path of the worksheet; the answers go to the same name with ``-answers``.

    Returns
    -------
    list of str
        Paths written.

    Raises
    ------
    OSError
        If a file cannot be written.
    """
    sheet = Path(out)
    answers = sheet.with_name(f"{sheet.stem}-answers{sheet.suffix}")
    sheet.write_text(worksheet(deck, cars), encoding="utf-8")
    answers.write_text(answer_sheet(deck, cars), encoding="utf-8")
    return [str(sheet), str(answers)]


def worksheet(deck: Deck, cars: Sequence[Exercise]) -> str:
    """The class's sheet as a whole HTML document; nothing on it gives a car away."""
    minutes = cars[0].minutes
    parts = [
        _heading("Practice cars", deck),
        paragraph(
            f"You have {minutes:.0f} minutes for the tests on each car. Ask for a test, note what"
            " it showed, and stop when more would not change what you do. Then write down how"
            " likely you think each condition is, honestly: what you leave out counts as 0 %, and"
            " nothing is gained by saying more than you believe. The next table says what has to"
            " come before what, and what can no longer be done. The cars are invented."
        ),
        _reference(cars),
        *(_blank_car(exercise, _open(cars)) for exercise in cars),
    ]
    return document("Practice cars", parts)


def answer_sheet(deck: Deck, cars: Sequence[Exercise]) -> str:
    """The trainer's sheet: truth, what every test shows, and the best way, car by car."""
    parts = [
        _heading("Practice cars: answers", deck),
        paragraph(
            "For the trainer. Read out what a test shows when it is asked for and what has to"
            " come before it has been done. Marks: add up, over all conditions and 'nothing wrong',"
            " the square of the difference between what was said and what is so (1"
            " if it is there, 0 if not); less is better, and the network's own sum on the best"
            " way stands with each car. It is a rule under which honesty pays best."
        ),
        *(_answers(exercise) for exercise in cars),
    ]
    return document("Practice cars: answers", parts)


def _blank_car(exercise: Exercise, listed: Sequence[Test]) -> str:
    return "\n".join(
        [
            "<article>",
            *_story(exercise),
            *_shut_here(exercise, listed),
            "<h3>Tests asked for</h3>",
            table(
                ("test", "minutes", "what it showed"),
                [("", "", "")] * BLANK_TESTS,
                style="blank",
                widths=(32, 12, 56),
            ),
            "<h3>How likely</h3>",
            table(
                ("condition", "per cent", "condition", "per cent"),
                [("",) * 4] * (BLANK_CHANCES // 2),
                style="blank",
                widths=(35, 15, 35, 15),
            ),
            "<h3>What you would do</h3>",
            table(("", ), [("",)] * 2, style="blank"),
            "</article>",
        ]
    )  # fmt: skip


def _story(exercise: Exercise) -> list[str]:
    knowledge, car = exercise.model.knowledge, exercise.car
    history = history_titles(car, knowledge) or ["Nothing that is known."]
    return [
        f"<h2>Car {car.number}</h2>",
        paragraph(make_up(car)),
        "<h3>The driver says</h3>",
        table((), told_rows(exercise)),
        "<h3>What was done to it (all else was asked and is not so)</h3>",
        listing(history),
    ]


def _reference(cars: Sequence[Exercise]) -> str:
    """Names of tests, conditions and services; what each test takes, needs and ends.

    Tests that are shut on every car are left out.
    """
    exercise = cars[0]
    knowledge, prices = exercise.model.knowledge, exercise.prices
    listed = _open(cars)
    tests: list[Row] = [
        (
            test.title,
            f"{prices.minutes[test.name]:.0f}",
            ", ".join(lowered(knowledge.tests[one].title) for one in test.after),
            _mind(test, knowledge),
        )
        for test in listed
    ]
    ending = (
        f"After {lowered(test.title)} no longer possible: {', '.join(ended)}."
        for test in listed
        if (ended := [lowered(one.title) for one in listed if one.name in test.destroys])
    )
    conditions = [title_of(name, knowledge) for name in (*knowledge.conditions, SOUND)]
    services = [service.title for service in knowledge.services.values()]
    return "\n".join(
        [
            "<section>",
            "<h3>Tests</h3>",
            table(
                ("test", "minutes", "only after", "mind"),
                tests,
                numbers=(1,),
                widths=(26, 9, 35, 30),
            ),
            *map(paragraph, ending),
            "<h3>Conditions</h3>",
            f'<div class="columns">{listing(conditions)}</div>',
            "<h3>Services</h3>",
            f'<div class="columns">{listing(services)}</div>',
            "</section>",
        ]
    )


def _mind(test: Test, knowledge: Knowledge) -> str:
    """What a test takes besides its minutes, and that it ends others."""
    said = []
    if test.soak_minutes:
        said.append(f"{test.soak_minutes:g} minutes more once the engine has run")
    if test.fresh_from:
        source = lowered(knowledge.tests[test.fresh_from].title)
        said.append(f"within {test.fresh_minutes:g} minutes of: {source}; later that again first")
    for finding, states in test.unless.items():
        title = lowered(knowledge.node(finding).title)
        said.append(f"not once this was seen: {title} {' or '.join(map(spaced, states))}")
    if test.destroys:
        said.append("ends others, see below")
    return "; ".join(said)


def _shut(exercise: Exercise) -> dict[str, str]:
    """Tests that cannot be done on a car from the start, and why."""
    progress = exercise.progress()
    ways = (exercise.gates.way(name, progress) for name in exercise.model.knowledge.tests)
    return {way.test: way.why for way in ways if isinstance(way, Closed)}


def _open(cars: Sequence[Exercise]) -> list[Test]:
    """Tests still to be done that at least one of some cars allows."""
    done = cars[0].progress().done
    shut = set.intersection(*(set(_shut(car)) for car in cars))
    tests = cars[0].model.knowledge.tests
    return [test for name, test in tests.items() if name not in done and name not in shut]


def _shut_here(exercise: Exercise, listed: Sequence[Test]) -> list[str]:
    """Tests of a list that are shut on a car: a paragraph for each reason."""
    shut = _shut(exercise)
    reasons: dict[str, list[str]] = {}
    for test in listed:
        if test.name in shut:
            reasons.setdefault(shut[test.name], []).append(lowered(test.title))
    return [paragraph(f"Not on this car ({why}): {', '.join(n)}.") for why, n in reasons.items()]


def _answers(exercise: Exercise) -> str:
    knowledge, car = exercise.model.knowledge, exercise.car
    course = best_course(exercise)
    view = View(course, len(course.done))
    spent = course.minutes - course.minutes_left
    plan = [knowledge.services[name].title for name in view.best_plan] or ["nothing"]
    return "\n".join(
        [
            "<article>",
            *_story(exercise),
            f'<p class="truth">{escape(" + ".join(truth_of(car, knowledge)))}</p>',
            paragraph(f"Dealt as: {car.kind}."),
            f"<h3>The best way ({spent:.0f} minutes)</h3>",
            paragraph(
                ", ".join(knowledge.tests[done.test].title for done in course.done) or "no test"
            ),
            paragraph(f"Then: {', '.join(plan)}."),
            "<h3>What the network then believes</h3>",
            *_believed(view, car),
            "<h3>What every test shows</h3>",
            table(
                ("test", "minutes", "shows"),
                _results(exercise),
                numbers=(1,),
                widths=(32, 10, 58),
            ),
            "</article>",
        ]
    )


def _believed(view: View, car: PracticeCar) -> list[str]:
    """Probabilities at the end of the best way, and their squared error."""
    belief = view.shop.belief
    knowledge = belief.model.knowledge
    true = car.present or (SOUND,)
    believed = {name: belief.condition(name) for name in knowledge.conditions}
    believed[SOUND] = belief.p_sound
    rows = [
        (title_of(name, knowledge), f"{100 * p:.0f}", "is so" if name in true else "")
        for name, p in sorted(believed.items(), key=lambda pair: -pair[1])
        if p >= SHOWN_FROM or name in true
    ]
    error = squared_error(believed, true, believed)
    return [
        table(("condition", "per cent", ""), rows, numbers=(1,)),
        paragraph(f"Sum of squares of the network: {error:.2f}."),
    ]


def _results(exercise: Exercise) -> list[Row]:
    """Every test that can be done on the car, with all it shows; nothing to be seen is left out."""
    knowledge, car = exercise.model.knowledge, exercise.car
    left_out = {*exercise.progress().done, *_shut(exercise)}
    rows: list[Row] = []
    for name, test in knowledge.tests.items():
        if name in left_out:
            continue
        shown = {
            one: car.findings.get(one) or car.readings.get(one) or UNREADABLE for one in test.yields
        }
        listed = [
            f"{knowledge.node(one).title}: {shown_words(text)}" for one, text in shown.items()
        ]
        rows.append((test.title, f"{exercise.prices.minutes[name]:.0f}", "; ".join(listed)))
    return rows


def _heading(title: str, deck: Deck) -> str:
    return (
        f'<h1>{title}</h1>\n<p class="small">Level {escape(deck.level)}, seed {deck.seed}.'
        " Invented cars, drawn from the network; estimates, not measurements. Real work on a loop"
        " follows local law and licensed practice.</p>"
    )
