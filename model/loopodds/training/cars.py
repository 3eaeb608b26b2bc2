"""Practice cars in plain words: what the driver says, what every test would show, what is wrong."""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass

import numpy as np

from loopodds.base.phrases import spaced
from loopodds.base.units import Dimension, format_quantity
from loopodds.diagnosis.belief import title_of
from loopodds.diagnosis.model import Model
from loopodds.diagnosis.predictions import instrument_readings
from loopodds.inference.network import Evidence
from loopodds.inspection.inspection import InspectionBatch, batch_of
from loopodds.inspection.sections import inspection_from
from loopodds.inspection.vocabulary import reading_dimension
from loopodds.knowledge.records import SOUND, Knowledge
from loopodds.training.decks import Deck, Draw, Range, cars_data, told

UNREADABLE = "no usable reading"
SHOWN_IN: Mapping[Dimension, str] = {
    "pressure": "bar",
    "temperature": "degC",
    "difference": "K",
    "mass": "g",
    "share": "%",
    "volume_share": "%",
}


@dataclass(frozen=True, slots=True)
class PracticeCar:
    """A car to practise on, everything about it known."""

    number: int  # place in its deck, from 1
    level: str  # level, kind: Difficulty, and in which way
    kind: str
    vehicle: Mapping[str, str]
    conditions: Mapping[str, str]
    # history, findings, readings: Everything that was done to it and could be seen on it, less
    # gauges that show nothing usable on this car
    history: Mapping[str, str]
    findings: Mapping[str, str]
    readings: Mapping[str, str]
    states: Mapping[str, str]  # true state of every fault variable
    present: tuple[str, ...]  # conditions that are there

    def seen(self, *names: str) -> dict[str, Mapping[str, str]]:
        """Sections of a case in which only some findings and readings were recorded."""
        return {
            "vehicle": self.vehicle,
            "conditions": self.conditions,
            "history": self.history,
            "findings": {name: self.findings[name] for name in names if name in self.findings},
            "readings": {name: self.readings[name] for name in names if name in self.readings},
        }

    @property
    def true(self) -> tuple[str, ...]:
        """Conditions that are there, or that the car is sound."""
        return self.present or (SOUND,)

    @property
    def make_up(self) -> str:
        """Vehicle and conditions in one line."""
        vehicle, day = self.vehicle, self.conditions
        return shown_words(
            f"{vehicle['refrigerant']}, {vehicle['nameplate_charge']}, {vehicle['expansion']}, "
            f"{vehicle['compressor']} compressor; {day['ambient']}, humidity {day['humidity']}"
        )

    def truth(self, knowledge: Knowledge) -> list[str]:
        """Titles of what is wrong, each with its degree where it has several."""
        titles = []
        for condition in map(knowledge.condition, self.present):
            degree = f" ({spaced(self.states[condition.variable])})"
            several = len(condition.states) > 1
            titles.append(title_of(condition.name, knowledge) + (degree if several else ""))
        return titles or ["Nothing wrong"]

    def past(self, knowledge: Knowledge) -> list[str]:
        """Titles of what was done to the car before."""
        done = [name for name, said in self.history.items() if said == "yes"]
        return [knowledge.node(name).title for name in done] or ["Nothing that is known."]

    def said(self, model: Model) -> list[tuple[str, str]]:
        """What the driver tells: question and answer."""
        nodes = [model.knowledge.node(name) for name in told(model)]
        return [(n.question or n.title, spaced(self.findings[n.name])) for n in nodes]

    def shown(self, tests_yield: Iterable[str]) -> dict[str, str]:
        """What a test shows, by what it yields; empty for a gauge that shows nothing usable."""
        return {n: self.findings.get(n, self.readings.get(n, "")) for n in tests_yield}


def shown_words(text: str) -> str:
    """A word or a reading as it is printed.

    >>> shown_words("12.5 degC")
    '12.5 °C'
    """
    return spaced(text).replace("degC", "°C")


def practice_cars(deck: Deck, count: int) -> list[PracticeCar]:
    """The first cars of a deck.

    Raises:
        KnowledgeError: if cars of its level are too rare to be found.
    """
    return [_car(deck, draw, number) for number, draw in enumerate(deck.draw(count), start=1)]


def _car(deck: Deck, draw: Draw, number: int) -> PracticeCar:
    model, knowledge = deck.model, deck.model.knowledge
    ranges, rng = cars_data().ranges, deck.rng(number, "conditions")
    vehicle = {key: draw.context[key] for key in ("refrigerant", "expansion", "compressor")}
    vehicle["nameplate_charge"] = f"{10 * _even(ranges.nameplate_charge_10g, rng)} g"
    vehicle["nameplate_oil"] = f"{10 * _even(ranges.nameplate_oil_10g, rng)} g"
    conditions = {
        "setting": "complaint",  # decks hold no others
        "ambient": f"{_even(ranges.ambient_degC[draw.context['weather']], rng)} degC",
        "humidity": f"{_even(ranges.humidity_pct, rng)} %",
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
        draw.level,
        draw.kind.title,
        vehicle,
        conditions,
        history,
        words,
        _reading_texts(draw.evidence, batch, model, rng),
        states,
        tuple(n for n, c in model.conditions.items() if states[c.variable] in c.states),
    )


def _even(ends: Range, rng: np.random.Generator) -> int:
    return int(rng.integers(*ends, endpoint=True))


def _reading_texts(
    evidence: Evidence, batch: InspectionBatch, model: Model, rng: np.random.Generator
) -> dict[str, str]:
    residuals = {name: value for name, (value, _) in evidence.numbers.items()}
    raw = instrument_readings(residuals, batch, model.knowledge, rng)
    texts = {}
    for name, (value,) in raw.items():
        if not np.isnan(value):
            dimension = reading_dimension(name, model.knowledge)
            texts[name] = format_quantity(float(value), dimension, SHOWN_IN[dimension])
    return texts
