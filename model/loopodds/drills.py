"""Practice cars drawn from the network, in decks that a class can share.

A car is drawn whole, by rejection: make-up and conditions first, then cars of that make-up until
one fits the level. What a trainee may find on it therefore follows the network's own conditional
distribution given the level.
"""

from __future__ import annotations

import itertools
import math
import zlib
from collections.abc import Iterator, Mapping
from dataclasses import dataclass

import numpy as np

from loopodds.engine import Context, Model
from loopodds.errors import KnowledgeError, OutOfRange, unknown_name
from loopodds.levels import LEVELS, Kind, Level, complains
from loopodds.network import Evidence
from loopodds.simulation import SimulatedCars, simulate

MIXED = "mixed"
_MIXTURE = ("single", "masked", "two", "sound")
_BLOCK = 2048
_MOST_BLOCKS = 400


@dataclass(frozen=True, slots=True)
class Draw:
    """One car as drawn.

    Attributes
    ----------
    level : Level
    kind : Kind
    context : mapping of str to str
        Make-up and weather.
    states : mapping of str to int
        State of every hidden variable: faults, mechanisms, history.
    evidence : Evidence
        One row: everything that could be seen on it.
    """

    level: Level
    kind: Kind
    context: Mapping[str, str]
    states: Mapping[str, int]
    evidence: Evidence


class Deck:
    """Practice cars in a fixed order: the same seed and level give the same cars to everyone.

    Parameters
    ----------
    model : Model
    level : str
        Name of a level, or ``mixed``: each car of one of the first four, equally often.
    seed : int
        Not negative.

    Raises
    ------
    UnknownName
        If there is no such level.
    OutOfRange
        If the seed is negative.
    """

    def __init__(self, model: Model, level: str, seed: int) -> None:
        if level != MIXED and level not in LEVELS:
            raise unknown_name("level", level, [*LEVELS, MIXED])
        if seed < 0:
            raise OutOfRange(f"seed {seed}: a seed is a whole number from 0 up")
        self.model = model
        self.level = level
        self.seed = seed
        names = _MIXTURE if level == MIXED else (level,)
        self._kinds = [[(LEVELS[name], kind) for kind in LEVELS[name].kinds] for name in names]
        self._contexts = _car_contexts(model)
        self._streams: dict[str, Iterator[tuple[SimulatedCars, int]]] = {}
        self._draws: list[Draw] = []

    def draw(self, count: int) -> list[Draw]:
        """The first cars of the deck; more of them never changes the earlier ones.

        Raises
        ------
        KnowledgeError
            If cars of this level are too rare to be found.
        """
        while len(self._draws) < count:
            self._draws.append(self._next(len(self._draws)))
        return self._draws[:count]

    def rng(self, number: int, purpose: str) -> np.random.Generator:
        """Random numbers that belong to one car of the deck and one purpose."""
        return np.random.default_rng([self.seed, *map(_code, (self.level, purpose)), number])

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
        empty = 0
        for block in itertools.count():
            rng = self.rng(block, purpose)
            cars = simulate(self.model, context, _BLOCK, rng)
            fits = kind.accepts(self.model, context, cars) & complains(self.model, cars)
            empty = 0 if fits.any() else empty + 1
            if empty == _MOST_BLOCKS:
                raise KnowledgeError(
                    f"no car with {kind.title} among {empty * _BLOCK} drawn from the knowledge"
                )
            for row in np.flatnonzero(fits).tolist():
                yield cars, row


def _code(text: str) -> int:
    return zlib.crc32(text.encode())


def _car_contexts(model: Model) -> list[tuple[float, dict[str, str]]]:
    """Every make-up and weather with its share; all with a complaint. Shares sum to one.

    Electric compressors are met with expansion valves only (common practice, no source).
    """
    contexts = model.knowledge.contexts
    names = [name for name, context in contexts.items() if context.shares]
    shares: dict[tuple[tuple[str, str], ...], float] = {}
    options = [zip(contexts[n].values, contexts[n].shares, strict=True) for n in names]
    for chosen in itertools.product(*map(list, options)):
        made = {name: value for name, (value, _) in zip(names, chosen, strict=True)}
        if made.get("compressor") == "electric" and "expansion" in made:
            made["expansion"] = "TXV"
        key = tuple({"setting": "complaint", **made}.items())
        shares[key] = shares.get(key, 0.0) + math.prod(share for _, share in chosen)
    return [(share, dict(key)) for key, share in shares.items()]
