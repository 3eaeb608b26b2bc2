"""Practice cars drawn from the network, in decks that a class can share.

A car is drawn whole, by rejection: make-up and conditions first, then cars of that make-up until
one fits the level. What a trainee may find on it therefore follows the network's own conditional
distribution given the level.
"""

import itertools
import math
import tomllib
import zlib
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import cache, partial
from importlib import resources
from typing import NamedTuple

import msgspec
import numpy as np

from loopodds.base.arrays import BoolArray, IntArray
from loopodds.base.errors import KnowledgeError, OutOfRange, unknown_name
from loopodds.diagnosis.model import Context, Model
from loopodds.diagnosis.simulation import SimulatedCars, conditions_present, simulate
from loopodds.inference.network import Evidence

INTERVIEW = "interview"
"""The test whose findings the driver tells unasked."""

ALARMING_ODDS = 1 / 3
"""A state is alarming when, seen alone, it leaves at most this much of the odds of a sound car."""

Range = tuple[int, int]


class Ranges(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """What cars and days are like, each drawn evenly with both ends; ambient air by weather."""

    ambient_degC: Mapping[str, Range]
    humidity_pct: Range
    nameplate_charge_10g: Range
    nameplate_oil_10g: Range


class CarsData(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """The file ``drills.toml``: what counts as one fault; states by story that masks; ranges."""

    one_fault: tuple[str, ...]
    masks: Mapping[str, Mapping[str, tuple[str, ...]]]
    ranges: Ranges


@cache
def cars_data() -> CarsData:
    """What is shipped about practice cars."""
    file = resources.files("loopodds_data").joinpath("drills.toml")
    return msgspec.convert(tomllib.loads(file.read_text(encoding="utf-8")), CarsData)


class Kind(NamedTuple):
    """One way to be of a level: what it is, and in a context which cars are so, shape (cars,)."""

    title: str
    among: Callable[[Model, Context], Callable[[SimulatedCars], BoolArray]]


def fault_count(model: Model, cars: SimulatedCars) -> IntArray:
    """Faults of each car, a low charge and the leak behind it counted as one, shape (cars,)."""
    present = conditions_present(model, cars.states)
    together = cars_data().one_fault
    unsound: IntArray = np.sum([cars.states[name] > 0 for name in model.faults], axis=0)
    if all(name in present for name in together):
        unsound = unsound - np.all([present[name] for name in together], axis=0)
    return unsound


def alarming(model: Model, context: Context) -> dict[str, list[int]]:
    """Codes of alarming states by finding, complaints left out."""
    pairs = [
        (name, code)
        for name, node in model.knowledge.of_kind("finding").items()
        if not node.complaint
        for code in range(len(node.states))
    ]
    columns = {name: np.full(len(pairs) + 1, -1) for name, _ in pairs}
    for row, (name, code) in enumerate(pairs):
        columns[name][row] = code
    sound = model.believe(context, Evidence(len(pairs) + 1, columns)).p_sound
    odds = sound / (1 - sound)
    found: dict[str, list[int]] = {}
    for name, code in itertools.compress(pairs, odds[:-1] <= ALARMING_ODDS * odds[-1]):
        found.setdefault(name, []).append(code)
    return found


def told(model: Model) -> tuple[str, ...]:
    """Findings the driver tells: those of the interview, else every complaint."""
    interview = model.knowledge.tests.get(INTERVIEW)
    if interview is not None:
        return interview.yields
    return tuple(n for n, v in model.knowledge.of_kind("finding").items() if v.complaint)


def complains(model: Model, cars: SimulatedCars) -> BoolArray:
    """Cars whose driver tells of at least one complaint, shape (cars,)."""
    nodes = map(model.knowledge.node, told(model))
    return _shows_any(cars, {n.name: [*map(n.states.index, n.complaint)] for n in nodes})


def _faulty(count: int, model: Model, context: Context) -> Callable[[SimulatedCars], BoolArray]:
    return lambda cars: fault_count(model, cars) == count


def _looks_bad(model: Model, context: Context) -> Callable[[SimulatedCars], BoolArray]:
    codes = alarming(model, context)
    return lambda cars: (fault_count(model, cars) == 0) & _shows_any(cars, codes)


def _shows_any(cars: SimulatedCars, codes: Mapping[str, Sequence[int]]) -> BoolArray:
    """Cars with at least one of some states, given as codes by finding, shape (cars,)."""
    shown = np.zeros(cars.evidence.rows, bool)
    for name, alternatives in codes.items():
        shown |= np.isin(cars.evidence.codes[name], alternatives)
    return shown


def _all_of(
    needed: Mapping[str, Sequence[str]], model: Model, context: Context
) -> Callable[[SimulatedCars], BoolArray]:
    codes = {n: [*map(model.states(n).index, states)] for n, states in needed.items()}

    def fitting(cars: SimulatedCars) -> BoolArray:
        fits = np.ones(cars.evidence.rows, bool)
        columns = {**cars.evidence.codes, **cars.states}
        for name, alternatives in codes.items():
            fits &= np.isin(columns[name], alternatives)
        return fits

    return fitting


@cache
def levels() -> Mapping[str, tuple[Kind, ...]]:
    """Kinds of car by the name of the level; each is dealt equally often."""
    masks = cars_data().masks.items()
    return {
        "single": (Kind("one fault", partial(_faulty, 1)),),
        "masked": tuple(Kind(title, partial(_all_of, needed)) for title, needed in masks),
        "two": (Kind("two faults", partial(_faulty, 2)),),
        "sound": (Kind("a sound car that looks bad", _looks_bad),),
        "workshop": (Kind("as it came in", partial(_all_of, {})),),
    }


MIXED = "mixed"
_MIXTURE = ("single", "masked", "two", "sound")
_BLOCK = 2048
_MOST_BLOCKS = 400


@dataclass(frozen=True, slots=True)
class Draw:
    """One car as drawn."""

    level: str
    kind: Kind
    context: Mapping[str, str]  # make-up and weather
    states: Mapping[str, int]  # state of every hidden variable: faults, mechanisms, history
    evidence: Evidence  # one row: everything that could be seen on it


class Deck:
    """Practice cars in a fixed order: the same seed and level give the same cars to everyone.

    Args:
        level: Name of a level, or ``mixed``: each car of one of the first four, equally often.
        seed: Not negative.

    Raises:
        UnknownName: if there is no such level.
        OutOfRange: if the seed is negative.
    """

    def __init__(self, model: Model, level: str, seed: int) -> None:
        if level != MIXED and level not in levels():
            raise unknown_name("level", level, [*levels(), MIXED])
        if seed < 0:
            raise OutOfRange(f"seed {seed}: a seed is a whole number from 0 up")
        self.model = model
        self.level = level
        self.seed = seed
        names = _MIXTURE if level == MIXED else (level,)
        self._kinds = [[(name, kind) for kind in levels()[name]] for name in names]
        self._contexts = _car_contexts(model)
        self._streams: dict[str, Iterator[tuple[SimulatedCars, int]]] = {}
        self._draws: list[Draw] = []

    def draw(self, count: int) -> list[Draw]:
        """The first cars of the deck; more of them never changes the earlier ones.

        Raises:
            KnowledgeError: if cars of its level are too rare to be found.
        """
        while len(self._draws) < count:
            self._draws.append(self._next(len(self._draws)))
        return self._draws[:count]

    def rng(self, number: int, purpose: str) -> np.random.Generator:
        """Random numbers that belong to one car of the deck and one purpose."""
        words = (zlib.crc32(text.encode()) for text in (self.level, purpose))
        return np.random.default_rng([self.seed, *words, number])

    def _next(self, number: int) -> Draw:
        rng = self.rng(number, "make-up")
        options = self._kinds[rng.integers(len(self._kinds))]
        level, kind = options[rng.integers(len(options))]
        shares = [share for share, _ in self._contexts]
        context = self._contexts[rng.choice(len(shares), p=shares)][1]
        key = kind.title + "".join(f", {name} {value}" for name, value in context.items())
        if key not in self._streams:
            self._streams[key] = self._stream(kind, context, key)
        cars, row = next(self._streams[key])
        states = {name: int(column[row]) for name, column in cars.states.items()}
        return Draw(level, kind, context, states, cars.evidence.take(slice(row, row + 1)))

    def _stream(
        self, kind: Kind, context: Context, purpose: str
    ) -> Iterator[tuple[SimulatedCars, int]]:
        """Cars of one kind and make-up, in blocks of a fixed size, only those that fit."""
        empty, accepted = 0, kind.among(self.model, context)
        for block in itertools.count():
            rng = self.rng(block, purpose)
            cars = simulate(self.model, context, _BLOCK, rng)
            fits = accepted(cars) & complains(self.model, cars)
            empty = 0 if fits.any() else empty + 1
            if empty == _MOST_BLOCKS:
                raise KnowledgeError(
                    f"no car with {kind.title} among {empty * _BLOCK} drawn from the knowledge"
                )
            # a copy, so that the others do not stay in memory
            cars = cars.take(np.flatnonzero(fits))
            yield from ((cars, row) for row in range(cars.evidence.rows))


MAKE_UP = ("expansion", "compressor", "refrigerant", "weather")
"""Contexts that a practice car states; others are averaged over."""


def _car_contexts(model: Model) -> list[tuple[float, dict[str, str]]]:
    """Every make-up and weather with its share. Shares sum to one.

    Electric compressors are met with expansion valves only (common practice, no source).
    """
    contexts = model.knowledge.contexts
    names = [name for name in MAKE_UP if name in contexts and contexts[name].shares]
    shares: dict[tuple[tuple[str, str], ...], float] = {}
    options = [zip(contexts[n].values, contexts[n].shares, strict=True) for n in names]
    for chosen in itertools.product(*options):
        made = {name: value for name, (value, _) in zip(names, chosen, strict=True)}
        if made.get("compressor") == "electric" and "expansion" in made:
            made["expansion"] = "TXV"
        key = tuple(made.items())
        shares[key] = shares.get(key, 0.0) + math.prod(share for _, share in chosen)
    return [(share, dict(key)) for key, share in shares.items()]
