"""A practice car in plain words, and an exercise on it: tests asked for, minutes, what was seen.

An exercise obeys the gates of the workshop. What it has revealed is an ordinary inspection, so
everything else that can be computed of a car can be computed at any moment of it.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np

from loopodds.base.errors import InspectionError, UnknownName, unknown_name
from loopodds.base.units import Dimension, format_quantity
from loopodds.decision.gates import Closed, Gates, Move, Progress
from loopodds.decision.prices import Prices, shipped_prices
from loopodds.diagnosis.diagnose import stated_context
from loopodds.diagnosis.model import Model
from loopodds.diagnosis.predictions import instrument_readings
from loopodds.inference.network import Evidence
from loopodds.inspection.encoding import encoding_of
from loopodds.inspection.inspection import Inspection, InspectionBatch, batch_of
from loopodds.inspection.sections import inspection_from
from loopodds.inspection.vocabulary import reading_dimension
from loopodds.training.decks import INTERVIEW, Deck, Draw, told

# conditions at the car, drawn evenly; common practice, no source
_AMBIENT_C = {"cool": (8, 18), "warm": (18, 37)}
_HUMIDITY_PCT = (30, 81)
_CHARGE_10G = (38, 86)
_OIL_10G = (9, 22)

SHOWN_IN: Mapping[Dimension, str] = {
    "pressure": "bar",
    "temperature": "degC",
    "difference": "K",
    "mass": "g",
    "share": "%",
}


@dataclass(frozen=True, slots=True)
class PracticeCar:
    """A car to practise on, everything about it known.

    Attributes
    ----------
    number : int
        Place in its deck, from 1.
    level, kind : str
        Difficulty, and in which way.
    vehicle, conditions : mapping of str to str
        As a case file has them.
    history, findings, readings : mapping of str to str
        Everything that was done to it and could be seen on it. A gauge that shows nothing
        usable on this car is left out.
    states : mapping of str to str
        True state of every fault variable.
    present : tuple of str
        Conditions that are there.
    """

    number: int
    level: str
    kind: str
    vehicle: Mapping[str, str]
    conditions: Mapping[str, str]
    history: Mapping[str, str]
    findings: Mapping[str, str]
    readings: Mapping[str, str]
    states: Mapping[str, str]
    present: tuple[str, ...]

    def seen(self, *names: str) -> dict[str, Mapping[str, str]]:
        """Sections of a case in which only some findings and readings were recorded."""
        return {
            "vehicle": self.vehicle,
            "conditions": self.conditions,
            "history": self.history,
            "findings": {name: self.findings[name] for name in names if name in self.findings},
            "readings": {name: self.readings[name] for name in names if name in self.readings},
        }


class Done(NamedTuple):
    """A test done in an exercise: what it showed, and when it was asked for.

    ``minutes`` include waiting, ``cost`` is in currency; ``shown`` maps what can be seen to text,
    empty text for a gauge that showed nothing usable.
    """

    test: str
    minutes: float
    cost: float
    shown: Mapping[str, str]


def practice_cars(deck: Deck, count: int) -> list[PracticeCar]:
    """The first cars of a deck.

    Raises
    ------
    KnowledgeError
        If cars of its level are too rare to be found.
    """
    draws = deck.draw(count)
    return [_car(deck, draw, number) for number, draw in enumerate(draws, start=1)]


def _car(deck: Deck, draw: Draw, number: int) -> PracticeCar:
    model = deck.model
    knowledge = model.knowledge
    rng = deck.rng(number, "conditions")
    vehicle = {key: draw.context[key] for key in ("refrigerant", "expansion", "compressor")}
    vehicle["nameplate_charge"] = f"{10 * rng.integers(*_CHARGE_10G)} g"
    vehicle["nameplate_oil"] = f"{10 * rng.integers(*_OIL_10G)} g"
    conditions = {
        "setting": draw.context["setting"],
        "ambient": f"{rng.integers(*_AMBIENT_C[draw.context['weather']])} degC",
        "humidity": f"{rng.integers(*_HUMIDITY_PCT)} %",
        "recovery_machine": "modern",
    }
    words = {
        name: knowledge.node(name).states[int(code[0])]
        for name, code in draw.evidence.codes.items()
    }
    history = {name: words.pop(name) for name in knowledge.of_kind("history")}
    sections = {"vehicle": vehicle, "conditions": conditions, "findings": words}
    batch = batch_of([inspection_from(sections, knowledge)], knowledge)
    states = {name: model.states(name)[draw.states[name]] for name in model.faults}
    return PracticeCar(
        number,
        draw.level.name,
        draw.kind.title,
        vehicle,
        conditions,
        history,
        words,
        _reading_texts(draw.evidence, batch, model, rng),
        states,
        tuple(n for n, c in model.conditions.items() if states[c.variable] in c.states),
    )


def _reading_texts(
    evidence: Evidence, batch: InspectionBatch, model: Model, rng: np.random.Generator
) -> dict[str, str]:
    residuals = {name: value for name, (value, _) in evidence.numbers.items()}
    raw = instrument_readings(residuals, batch, model.knowledge, rng)
    texts = {}
    for name, value in raw.items():
        if not np.isnan(value[0]):
            dimension = reading_dimension(name, model.knowledge)
            texts[name] = format_quantity(float(value[0]), dimension, SHOWN_IN[dimension])
    return texts


class Exercise:
    """One trainee at one practice car.

    Parameters
    ----------
    model : Model
    car : PracticeCar
    minutes : float
        Budget; the interview has been done and costs nothing of it.
    prices : Prices, optional
        Of the workshop; the shipped ones when left out.

    Attributes
    ----------
    done : list of Done
        Tests so far, in order, without the interview.
    """

    def __init__(
        self, model: Model, car: PracticeCar, minutes: float, prices: Prices | None = None
    ) -> None:
        self.model = model
        self.car = car
        self.minutes = minutes
        self.prices = prices or shipped_prices(model.knowledge)
        self.done: list[Done] = []
        stated = stated_context(self.inspection(), model.knowledge)
        self.gates = Gates(model.knowledge, stated, self.prices)

    @property
    def minutes_left(self) -> float:
        """What remains of the budget."""
        return self.minutes - sum(done.minutes for done in self.done)

    def tests_done(self, steps: int | None = None) -> tuple[str, ...]:
        """Tests done before a step (all when left out), the interview first."""
        known = self.model.knowledge.tests
        first = (INTERVIEW,) if INTERVIEW in known else ()
        return (*first, *(done.test for done in self.done[:steps]))

    def inspection(self, steps: int | None = None) -> Inspection:
        """What was known before a step (all that is known when left out)."""
        seen = [name for done in self.done[:steps] for name in done.shown]
        if "static_pressure" in seen:
            seen.append("static_temperature")
        sections = self.car.seen(*told(self.model), *seen)
        return inspection_from(sections, self.model.knowledge, f"car {self.car.number}")

    def progress(self, steps: int | None = None) -> Progress:
        """How far the gates take the exercise to have come before a step."""
        knowledge = self.model.knowledge
        (group,) = encoding_of(self.inspection(steps), knowledge).groups
        return self.gates.progress(group.evidence, self.tests_done(steps))

    def way(self, test: str) -> Move | Closed:
        """What has to be done for a test, or why it cannot be done.

        Raises
        ------
        UnknownName
            If there is no such test; with the nearest spelling.
        InspectionError
            If it has been done already.
        """
        if test not in self.model.knowledge.tests:
            raise self.unknown_test(test)
        progress = self.progress()
        if test in progress.done:
            raise InspectionError(f"{test}: what it shows is known already")
        return self.gates.way(test, progress)

    def unknown_test(self, name: str) -> UnknownName:
        """Error for a test that is not in the knowledge."""
        return unknown_name("test", name, self.model.knowledge.tests)

    def do(self, test: str) -> list[Done]:
        """Do a test, after everything that has to come before it.

        Returns
        -------
        list of Done
            The tests done, the one asked for last. Fewer if one of those before it showed
            something that closes the way.

        Raises
        ------
        UnknownName, InspectionError
            If it is no test, has been done, cannot be done or does not fit in the minutes left.
        """
        way = self.way(test)
        if isinstance(way, Closed):
            raise InspectionError(f"{test}: {way.why}")
        if way.minutes > self.minutes_left:
            raise InspectionError(
                f"{test} takes {way.minutes:.0f} minutes with what has to come before it; "
                f"{self.minutes_left:.0f} are left"
            )
        shown: list[Done] = []
        for step in way.steps:
            shown.append(Done(step.test, step.minutes, step.cost, self._reveal(step.test)))
            self.done.append(shown[-1])
            if isinstance(self.gates.way(test, self.progress()), Closed) and step.test != test:
                break
        return shown

    def _reveal(self, test: str) -> dict[str, str]:
        car = self.car
        return {
            name: car.findings.get(name, car.readings.get(name, ""))
            for name in self.model.knowledge.tests[test].yields
        }
