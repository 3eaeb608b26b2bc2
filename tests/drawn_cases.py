"""Cases drawn for the page: as one would type them in, plausible and wild ones."""

from __future__ import annotations

import itertools
from collections.abc import Iterator
from typing import Any

import numpy as np
from loopodds.base.errors import LoopoddsError
from loopodds.diagnosis.model import Model
from loopodds.diagnosis.simulation import SimulatedCars, simulate
from loopodds.inspection.inspection import Inspection
from loopodds.inspection.sections import inspection_from
from loopodds.inspection.vocabulary import BEFORE, CHOICES, STATED, names_in, reading_dimension

MAKES, OUTINGS = 6, 60
"""Makes of cars, and days on which one of them is looked at: more cases meet some again."""
RANGES = {
    "pressure": (0.0, 28.0, ("bar", "psi", "kPa abs", "inHg")),
    "temperature": (-5.0, 90.0, ("degC", "degF")),
    "difference": (-10.0, 40.0, ("K", "deltaF")),
    "mass": (0.0, 900.0, ("g", "oz")),
    "share": (0.0, 100.0, ("%",)),
    "volume_share": (0.0, 40.0, ("% by volume",)),
    "mass_share": (0.0, 10.0, ("% by mass",)),
    "length": (1000.0, 300_000.0, ("km",)),
    "time": (1.0, 60.0, ("min", "s")),
    "resistance": (0.0, 10.0, ("Mohm", "Gohm", "kohm")),
    "vacuum": (0.1, 40.0, ("mbar", "Torr")),
    "rise": (0.0, 30.0, ("mbar", "micron")),
    "rotation": (600.0, 2500.0, ("rpm",)),
}
OWN = {
    "age": (1.0, 20.0, ("years",)), "altitude": (0.0, 2500.0, ("m", "ft")),
    "ambient": (-5.0, 42.0, ("degC",)), "condenser_inlet": (5.0, 50.0, ("degC",)),
    "nameplate_charge": (300.0, 900.0, ("g",)), "nameplate_oil": (80.0, 250.0, ("g",)),
    "high_side": (2.0, 25.0, ("bar",)), "low_side": (-0.3, 5.0, ("bar",)),
    "static_pressure": (0.0, 9.0, ("bar", "psi")),
}  # fmt: skip


def drawn_cases(model: Model, count: int, seed: int) -> Iterator[tuple[dict[str, Any], Inspection]]:
    """Sections of cases, and the inspection that each is; what the door refuses is drawn anew."""
    rng = np.random.default_rng(seed)
    makes = [_stated("vehicle", rng) for _ in range(MAKES)]
    outings = [(makes[i % MAKES], _stated("conditions", rng)) for i in range(OUTINGS)]
    cars = simulate(model, {}, 2 * count, rng)

    def looks() -> Iterator[dict[str, Any]]:
        for car in itertools.cycle(range(2 * count)):
            vehicle, conditions = outings[int(rng.integers(OUTINGS))]
            stated = {"vehicle": dict(vehicle), "conditions": dict(conditions)}
            yield stated | _seen(_words(cars, car, model, rng), model, rng)

    return itertools.islice(_readable(looks(), model), count)


def drawn_repairs(
    model: Model, count: int, seed: int
) -> Iterator[tuple[dict[str, Any], Inspection]]:
    """Cases of cars that were looked at, repaired once or twice, and looked at again."""
    rng = np.random.default_rng(seed)
    looks = (sections for sections, _ in drawn_cases(model, 20 * count, seed))
    services = [name for name, service in model.knowledge.services.items() if service.cures]

    def cars() -> Iterator[dict[str, Any]]:
        while True:
            last, *before = itertools.islice(looks, int(rng.integers(2, 4)))
            done = [rng.choice(services, int(rng.integers(1, 3)), replace=False) for _ in before]
            repaired = [
                {"services": names.tolist(), **{key: look[key] for key in BEFORE}}
                for names, look in zip(done, before, strict=True)
            ]
            yield {**last, "repaired": repaired}

    return itertools.islice(_readable(cars(), model), count)


def _readable(
    drawn: Iterator[dict[str, Any]], model: Model
) -> Iterator[tuple[dict[str, Any], Inspection]]:
    """Those of some cases that the door lets in."""
    for sections in drawn:
        try:
            yield sections, inspection_from(sections, model.knowledge)
        except LoopoddsError:
            continue


def _stated(section: str, rng: np.random.Generator) -> dict[str, str]:
    return {
        name: str(rng.choice(CHOICES[name])) if dimension is None else _text(name, dimension, rng)
        for name, dimension in STATED[section].items()
        if rng.random() < 0.55
    }


def _seen(words: dict[str, int], model: Model, rng: np.random.Generator) -> dict[str, Any]:
    knowledge = model.knowledge
    sections: dict[str, Any] = {}
    seen = rng.choice([0.05, 0.2, 0.5])
    for section, kind, share in (("history", "history", 0.5), ("findings", "finding", 1.0)):
        sections[section] = {
            name: _word(name, words[name], model, rng)
            for name in knowledge.of_kind(kind)
            if rng.random() < share * seen
        }
    gauges = [n for n in knowledge.gauges if rng.random() < seen / 4]
    sections["findings"] |= {n: str(rng.choice(knowledge.node(n).states)) for n in gauges}
    sections["readings"] = {
        name: _text(name, reading_dimension(name, knowledge), rng)
        for name in names_in("readings", knowledge)
        if rng.random() < seen / 2
    }
    return sections


def _words(cars: SimulatedCars, car: int, model: Model, rng: np.random.Generator) -> dict[str, int]:
    """Words of a car: such as there are, or any."""
    knowledge = model.knowledge
    words = {name: int(code[car]) for name, code in cars.states.items()}
    found = {n: int(cars.evidence.codes[n][car]) for n in knowledge.of_kind("finding")}
    if rng.random() < 0.2:
        found = {n: int(rng.integers(len(knowledge.node(n).states))) for n in found}
    return words | found


def _word(name: str, code: int, model: Model, rng: np.random.Generator) -> Any:
    states = model.states(name)
    if rng.random() < 0.8:
        return states[code]
    shares = {state: round(float(rng.random()), 3) for state in states if rng.random() < 0.7}
    return {**shares, states[code]: 1.0}


def _text(name: str, dimension: str, rng: np.random.Generator) -> str:
    low, high, units = OWN.get(name, RANGES[dimension])
    number = round(float(rng.uniform(low, high)), 2)
    return f"{number} {rng.choice(units)}"
