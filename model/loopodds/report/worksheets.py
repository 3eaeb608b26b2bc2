"""Practice cars on paper: a worksheet for the class, and the answers for the one who asks.

On paper the trainer reads out what a test shows when it is asked for, so the answer sheet holds
the result of every test on every car.
"""

from collections.abc import Iterator, Sequence

from loopodds.base.phrases import lowered
from loopodds.decision.moves import Closed
from loopodds.diagnosis.belief import title_of
from loopodds.knowledge.records import SOUND, Knowledge
from loopodds.knowledge.work import Test
from loopodds.report.document import Block, Document, Heading, Items, Paragraph, Part, Table, render
from loopodds.training.cars import UNREADABLE, shown_words
from loopodds.training.debrief import NAMED_FROM, View, best_course, squared_error
from loopodds.training.decks import Deck
from loopodds.training.exercise import Exercise

BLANK_TESTS, BLANK_CHANCES, BLANK_SERVICES = 9, 6, 2


def worksheet(deck: Deck, cars: Sequence[Exercise]) -> str:
    """The class's sheet on untouched cars as a whole HTML document; it gives none of them away."""
    how = Paragraph(
        f"You have {cars[0].minutes:.0f} minutes for the tests on each car. Ask for a test, note"
        " what it showed, and stop when more would not change what you do. Then write down how"
        " likely you think each condition is, honestly: what you leave out counts as 0 %, and"
        " nothing is gained by saying more than you believe. The next table says what has to"
        " come before what, and what can no longer be done. The cars are invented."
    )
    title, listed = "Practice cars", _open(cars)
    parts = [Part("start", [*_opening(title, deck), how, *_reference(cars[0], listed)])]
    parts += [Part("car", list(_blank_car(car, listed))) for car in cars]
    return render(Document(title, parts, style="sheet"), "html")


def answer_sheet(deck: Deck, cars: Sequence[Exercise]) -> str:
    """The trainer's sheet: truth, what every test shows, and the best way, car by car."""
    how = Paragraph(
        "For the trainer. Read out what a test shows when it is asked for and what has to"
        " come before it has been done. Marks: add up, over all conditions and 'nothing wrong',"
        " the square of the difference between what was said and what is so (1"
        " if it is there, 0 if not); less is better, and the network's own sum on the best"
        " way stands with each car. It is a rule under which honesty pays best."
    )
    title = "Practice cars: answers"
    parts = [Part("intro", [*_opening(title, deck), how])]
    parts += [Part("car", list(_answers(car))) for car in cars]
    return render(Document(title, parts, style="sheet"), "html")


def _opening(title: str, deck: Deck) -> tuple[Block, ...]:
    return Heading(1, title), Paragraph(
        f"Level {deck.level}, seed {deck.seed}. Invented cars, drawn from the network; estimates,"
        " not measurements. Real work on a loop follows local law and licensed practice.",
        "small",
    )


def _reference(exercise: Exercise, listed: Sequence[Test]) -> Iterator[Block]:
    """Names of tests, conditions and services; what each test takes, needs and ends."""
    knowledge, minutes = exercise.model.knowledge, exercise.prices.minutes
    yield Heading(3, "Tests")
    rows = []
    for test in listed:
        first = ", ".join(lowered(knowledge.tests[name].title) for name in test.after)
        rows.append((test.title, f"{minutes[test.name]:.0f}", first, _mind(test, knowledge)))
    yield Table("", ("test", "minutes", "only after", "mind"), rows, (1,), (26, 9, 35, 30))
    needed = {name for test in listed for name in test.set_up}
    shared = [one for name, one in knowledge.set_ups.items() if name in needed]
    if shared:
        yield Paragraph("What a test needs takes minutes of its own, where it does not stand yet:")
        yield Items(
            [
                f"{one.title}: {minutes[one.name]:g} minutes {one.words}. {one.about}"
                for one in shared
            ]
        )
    for test in listed:
        ended = [lowered(other.title) for other in listed if other.name in test.destroys]
        if ended:
            yield Paragraph(f"After {lowered(test.title)} no longer possible: {', '.join(ended)}.")
    yield Heading(3, "Stops")
    stops = (stop for stop in knowledge.stops.values() if not stop.quiet)
    yield Items([f"{stop.title}. {stop.reason}" for stop in stops])
    yield Heading(3, "Conditions")
    yield Items([title_of(name, knowledge) for name in (*knowledge.conditions, SOUND)], "columns")
    yield Heading(3, "Services")
    yield Items([service.title for service in knowledge.services.values()], "columns")


def _mind(test: Test, knowledge: Knowledge) -> str:
    """What a test takes besides its minutes, and that it ends others."""
    said = [f"needs: {lowered(knowledge.set_ups[name].title)}" for name in test.set_up]
    said += [f"ends: {lowered(knowledge.set_ups[name].title)}" for name in test.upsets]
    if test.fresh_from:
        source = lowered(knowledge.tests[test.fresh_from].title)
        said.append(f"within {test.fresh_minutes:g} minutes of: {source}; later that again first")
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


def _story(exercise: Exercise) -> Iterator[Block]:
    car, knowledge = exercise.car, exercise.model.knowledge
    yield Heading(2, f"Car {car.number}")
    yield Paragraph(car.make_up)
    yield Heading(3, "The driver says")
    yield Table("", (), car.said(exercise.model))
    yield Heading(3, "What was done to it (all else was asked and is not so)")
    yield Items(car.past(knowledge))


def _blank_car(exercise: Exercise, listed: Sequence[Test]) -> Iterator[Block]:
    """A car as it comes in, why some tests cannot be done on it, and room to write."""
    yield from _story(exercise)
    shut = _shut(exercise)
    for why in dict.fromkeys(shut[test.name] for test in listed if test.name in shut):
        titles = (lowered(test.title) for test in listed if shut.get(test.name) == why)
        yield Paragraph(f"Not on this car ({why}): {', '.join(titles)}.")
    yield Heading(3, "Tests asked for")
    yield _blank(("test", "minutes", "what it showed"), BLANK_TESTS, (32, 12, 56))
    yield Heading(3, "How likely")
    yield _blank(("condition", "per cent") * 2, BLANK_CHANCES // 2, (35, 15, 35, 15))
    yield Heading(3, "What you would do")
    yield _blank(("",), BLANK_SERVICES)


def _blank(head: Sequence[str], lines: int, widths: Sequence[int] = ()) -> Table:
    return Table("", head, [[""] * len(head)] * lines, widths=widths, role="blank")


def _answers(exercise: Exercise) -> Iterator[Block]:
    knowledge, car = exercise.model.knowledge, exercise.car
    course = best_course(exercise)
    view = View(course)
    spent = course.minutes - course.minutes_left
    done = [knowledge.tests[name].title for name, *_ in course.done]
    plan = [knowledge.services[name].title for name in view.best_plan]
    yield from _story(exercise)
    yield Paragraph(" + ".join(car.truth(knowledge)), "truth")
    yield Paragraph(f"Dealt as: {car.kind}.")
    yield Heading(3, f"The best way ({spent:.0f} minutes)")
    yield Paragraph(", ".join(done) or "no test")
    yield Paragraph(f"Then: {', '.join(plan) or 'nothing'}.")
    yield Heading(3, "What the network then believes")
    believed = view.believed
    rows = [
        (title_of(name, knowledge), f"{100 * p:.0f}", "is so" if name in car.true else "")
        for name, p in sorted(believed.items(), key=lambda pair: -pair[1])
        if p >= NAMED_FROM or name in car.true
    ]
    yield Table("", ("condition", "per cent", ""), rows, (1,))
    error = squared_error(believed, car.true, believed)
    yield Paragraph(f"Sum of squares of the network: {error:.2f}.")
    yield Heading(3, "What every test shows")
    yield Table("", ("test", "minutes", "shows"), _results(exercise), (1,), (32, 10, 58))


def _results(exercise: Exercise) -> list[tuple[str, str, str]]:
    """Every test that can be done on the car, with all it shows."""
    knowledge, minutes = exercise.model.knowledge, exercise.prices.minutes
    rows = []
    for test in _open([exercise]):
        shown = [
            f"{knowledge.node(seen).title}: {shown_words(text) or UNREADABLE}"
            for seen, text in exercise.car.shown(test.yields).items()
        ]
        rows.append((test.title, f"{minutes[test.name]:.0f}", "; ".join(shown)))
    return rows
