"""Levels of practice cars: what is wrong with them, and what looks or hides as if it were not."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass

import numpy as np

from loopodds.aliases import BoolArray, IntArray
from loopodds.engine import Context, Model
from loopodds.network import Evidence
from loopodds.simulation import SimulatedCars, conditions_present

INTERVIEW = "interview"
"""The test whose findings the driver tells unasked."""

ALARMING_ODDS = 1 / 3
"""A finding is alarming when, seen alone, it leaves this much of the odds of a sound car."""

ONE_STORY = ("leak", "undercharge")
"""Two conditions that count as one fault: what is lost and where it went."""

Accepts = Callable[[Model, Context, SimulatedCars], BoolArray]


@dataclass(frozen=True, slots=True)
class Kind:
    """One way to be of a level: what it is, and which cars are so, shape (cars,)."""

    title: str
    accepts: Accepts


@dataclass(frozen=True, slots=True)
class Level:
    """A difficulty: a name, what it says of the car, and its kinds, dealt equally often."""

    name: str
    about: str
    kinds: tuple[Kind, ...]


def fault_count(model: Model, cars: SimulatedCars) -> IntArray:
    """Faults of each car, a low charge and the leak behind it counted as one, shape (cars,)."""
    present = conditions_present(model, cars.states)
    unsound: IntArray = np.sum([cars.states[name] > 0 for name in model.faults], axis=0)
    if all(name in present for name in ONE_STORY):
        unsound = unsound - (present[ONE_STORY[0]] & present[ONE_STORY[1]])
    return unsound


def alarming(model: Model, context: Context) -> dict[str, IntArray]:
    """Findings besides complaints, with the states that alone make a sound car unlikely.

    A state is alarming when seeing it and nothing else leaves at most a third of the odds that
    the car is sound.

    Returns
    -------
    dict of str to int array
        State codes by finding; findings without such a state are left out.
    """
    findings = model.knowledge.of_kind("finding")
    pairs = [
        (name, code)
        for name, node in findings.items()
        if not node.complaint
        for code in range(len(node.states))
    ]
    columns = {name: np.full(len(pairs) + 1, -1) for name, _ in pairs}
    for row, (name, code) in enumerate(pairs):
        columns[name][row] = code
    sound = model.believe(context, Evidence(len(pairs) + 1, columns)).p_sound
    odds = sound / (1 - sound)
    found: dict[str, list[int]] = {}
    for (name, code), one in zip(pairs, odds[:-1], strict=True):
        if one <= ALARMING_ODDS * odds[-1]:
            found.setdefault(name, []).append(code)
    return {name: np.array(codes) for name, codes in found.items()}


def told(model: Model) -> tuple[str, ...]:
    """Findings the driver tells: those of the interview, else every complaint."""
    interview = model.knowledge.tests.get(INTERVIEW)
    if interview is not None:
        return interview.yields
    return tuple(n for n, v in model.knowledge.of_kind("finding").items() if v.complaint)


def complains(model: Model, cars: SimulatedCars) -> BoolArray:
    """Cars whose driver tells of at least one complaint, shape (cars,)."""
    found = np.zeros(cars.evidence.rows, bool)
    for name in told(model):
        node = model.knowledge.node(name)
        codes = [node.states.index(state) for state in node.complaint]
        found |= np.isin(cars.evidence.codes[name], codes)
    return found


def _with_faults(count: int) -> Accepts:
    def accepts(model: Model, context: Context, cars: SimulatedCars) -> BoolArray:
        result: BoolArray = fault_count(model, cars) == count
        return result

    return accepts


def _looks_bad(model: Model, context: Context, cars: SimulatedCars) -> BoolArray:
    seen = np.zeros(cars.evidence.rows, bool)
    for name, codes in alarming(model, context).items():
        seen |= np.isin(cars.evidence.codes[name], codes)
    result: BoolArray = seen & (fault_count(model, cars) == 0)
    return result


def _all_of(needed: Mapping[str, tuple[str, ...]]) -> Accepts:
    def accepts(model: Model, context: Context, cars: SimulatedCars) -> BoolArray:
        fits = np.ones(cars.evidence.rows, bool)
        columns = {**cars.evidence.codes, **cars.states}
        for name, states in needed.items():
            known = model.states(name)
            fits &= np.isin(columns[name], [known.index(state) for state in states])
        return fits

    return accepts


def _any(model: Model, context: Context, cars: SimulatedCars) -> BoolArray:
    return np.ones(cars.evidence.rows, bool)


_HOT = ("moderate", "severe")
_LOW = ("low", "very_low")

MASKS: Mapping[str, Mapping[str, tuple[str, ...]]] = {
    "dark oil hides the dye": {"dye_excess": ("present",), "compressor_overheating": _HOT},
    "leak-stop hides the leak": {"foreign_sealant": ("present",), "leak": ("slow", "fast")},
    "fresh oil hides an overheated compressor": {
        "oil_changed_recently": ("yes",),
        "compressor_overheating": _HOT,
    },
    "a low charge and a hot condenser cancel on the high side": {
        "charge": _LOW,
        "condenser_airflow": ("reduced", "blocked"),
    },
    "a low charge and air cancel on the high side": {"charge": _LOW, "air": ("mild", "high")},
    "the compressor cuts out before the gauges settle": {"compressor_cycle": ("cut_out",)},
}

LEVELS: Mapping[str, Level] = {
    level.name: level
    for level in (
        Level("single", "one fault", (Kind("one fault", _with_faults(1)),)),
        Level(
            "masked",
            "something hides what is wrong",
            tuple(Kind(title, _all_of(needed)) for title, needed in MASKS.items()),
        ),
        Level("two", "two faults", (Kind("two faults", _with_faults(2)),)),
        Level(
            "sound",
            "nothing is wrong, but something looks bad",
            (Kind("a sound car that looks bad", _looks_bad),),
        ),
        Level(
            "workshop",
            "any number of faults, as they come in with a complaint",
            (Kind("as it came in", _any),),
        ),
    )
}
