"""Practice cars on paper: a worksheet for the class, and the answers for the one who asks.

On paper the trainer reads out what a test shows when it is asked for, so the answer sheet holds
the result of every test on every car.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from html import escape
from importlib import resources
from pathlib import Path
from typing import TYPE_CHECKING

from loopodds.hindsight import View, best_course
from loopodds.knowledge import SOUND
from loopodds.marks import squared_error
from loopodds.moves import Closed
from loopodds.practice import Exercise

from loopodds_cli.drill_pages import (
    SHOWN_FROM,
    UNREADABLE,
    history_titles,
    make_up,
    shown_words,
    title_of,
    told_rows,
    truth_of,
)

if TYPE_CHECKING:
    from loopodds.drills import Deck
    from loopodds.practice import PracticeCar

BLANK_TESTS, BLANK_CHANCES = 9, 6
Row = Sequence[str]


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
        _p(
            f"You have {minutes:.0f} minutes for the tests on each car. Ask for a test, note what"
            " it showed, and stop when more would not change what you do. Then write down how"
            " likely you think each condition is, honestly: what you leave out counts as 0 %, and"
            " nothing is gained by saying more than you believe. The next table says what has to"
            " come before what. The cars are invented."
        ),
        _reference(cars[0]),
        *(_blank_car(exercise) for exercise in cars),
    ]
    return _document("Practice cars", parts)


def answer_sheet(deck: Deck, cars: Sequence[Exercise]) -> str:
    """The trainer's sheet: truth, what every test shows, and the best way, car by car."""
    parts = [
        _heading("Practice cars: answers", deck),
        _p(
            "For the trainer. Read out what a test shows when it is asked for and what has to"
            " come before it has been done. Marks: add up, over all conditions and 'nothing wrong',"
            " the square of the difference between what was said and what is so (1"
            " if it is there, 0 if not); less is better, and the network's own sum on the best"
            " way stands with each car. It is a rule under which honesty pays best."
        ),
        *(_answers(exercise) for exercise in cars),
    ]
    return _document("Practice cars: answers", parts)


def _blank_car(exercise: Exercise) -> str:
    return "\n".join(
        [
            "<article>",
            *_story(exercise),
            "<h3>Tests asked for</h3>",
            _table(
                ("test", "minutes", "what it showed"),
                [("", "", "")] * BLANK_TESTS,
                style="blank",
                widths=(32, 12, 56),
            ),
            "<h3>How likely</h3>",
            _table(
                ("condition", "per cent", "condition", "per cent"),
                [("",) * 4] * (BLANK_CHANCES // 2),
                style="blank",
                widths=(35, 15, 35, 15),
            ),
            "<h3>What you would do</h3>",
            _table(("", ), [("",)] * 2, style="blank"),
            "</article>",
        ]
    )  # fmt: skip


def _story(exercise: Exercise) -> list[str]:
    knowledge, car = exercise.model.knowledge, exercise.car
    history = history_titles(car, knowledge) or ["Nothing that is known."]
    return [
        f"<h2>Car {car.number}</h2>",
        _p(make_up(car)),
        "<h3>The driver says</h3>",
        _table((), told_rows(exercise)),
        "<h3>What was done to it (all else was asked and is not so)</h3>",
        _list(history),
    ]


def _reference(exercise: Exercise) -> str:
    """Names of tests, conditions and services, with minutes and what has to come first."""
    knowledge, prices = exercise.model.knowledge, exercise.prices
    known = exercise.progress().done
    tests: list[Row] = [
        (
            test.title,
            f"{prices.minutes[name]:.0f}",
            ", ".join(knowledge.tests[one].title.lower() for one in test.after),
        )
        for name, test in knowledge.tests.items()
        if name not in known
    ]
    conditions = [title_of(name, knowledge) for name in (*knowledge.conditions, SOUND)]
    services = [service.title for service in knowledge.services.values()]
    return "\n".join(
        [
            "<section>",
            "<h3>Tests</h3>",
            _table(("test", "minutes", "only after"), tests, numbers=(1,)),
            "<h3>Conditions</h3>",
            f'<div class="columns">{_list(conditions)}</div>',
            "<h3>Services</h3>",
            f'<div class="columns">{_list(services)}</div>',
            "</section>",
        ]
    )


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
            _p(f"Dealt as: {car.kind}."),
            f"<h3>The best way ({spent:.0f} minutes)</h3>",
            _p(", ".join(knowledge.tests[done.test].title for done in course.done) or "no test"),
            _p(f"Then: {', '.join(plan)}."),
            "<h3>What the network then believes</h3>",
            *_believed(view, car),
            "<h3>What every test shows</h3>",
            _table(
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
    belief = view.bay.belief
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
        _table(("condition", "per cent", ""), rows, numbers=(1,)),
        _p(f"Sum of squares of the network: {error:.2f}."),
    ]


def _results(exercise: Exercise) -> list[Row]:
    """Every test that can be done on the car, with all it shows; nothing to be seen is left out."""
    knowledge, car = exercise.model.knowledge, exercise.car
    progress = exercise.progress()
    rows: list[Row] = []
    for name, test in knowledge.tests.items():
        if name in progress.done or isinstance(exercise.gates.way(name, progress), Closed):
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


def _table(
    head: Row,
    rows: Iterable[Row],
    style: str = "",
    numbers: Sequence[int] = (),
    widths: Sequence[int] = (),
) -> str:
    def line(cells: Row, tag: str) -> str:
        kinds = [' class="number"' if i in numbers else "" for i in range(len(cells))]
        made = [
            f"<{tag}{kind}>{escape(cell)}</{tag}>" for cell, kind in zip(cells, kinds, strict=True)
        ]
        return f"<tr>{''.join(made)}</tr>"

    columns = "".join(f'<col style="width: {width}%">' for width in widths)
    top = f"<thead>{line(head, 'th')}</thead>" if any(head) else ""
    kind = f' class="{style}"' if style else ""
    body = "".join(line(row, "td") for row in rows)
    return f"<table{kind}>{columns}{top}<tbody>{body}</tbody></table>"


def _list(items: Iterable[str]) -> str:
    return f"<ul>{''.join(f'<li>{escape(item)}</li>' for item in items)}</ul>"


def _p(text: str) -> str:
    return f"<p>{escape(text)}</p>"


def _document(title: str, parts: Iterable[str]) -> str:
    style = resources.files("loopodds_cli").joinpath("assets", "sheet.css").read_text("utf-8")
    body = "\n".join(parts)
    return (
        '<!doctype html>\n<html lang="en">\n<head>\n<meta charset="utf-8">\n'
        '<meta name="viewport" content="width=device-width, initial-scale=1">\n'
        f"<title>{escape(title)}</title>\n<style>\n{style}</style>\n</head>\n"
        f"<body>\n{body}\n</body>\n</html>\n"
    )
