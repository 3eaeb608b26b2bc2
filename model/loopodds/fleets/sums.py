"""Running sums over cars: how many are expected to have each fault, and how sure that is.

The number of cars with a fault is a sum of independent draws, each with its own probability
(Poisson binomial). Its first three cumulants add up car by car, and give its quantiles by the
normal approximation with a correction for skewness (Volkova, Theory Probab. Appl. 40, 1996, here as
in Hong, Comput. Stat. Data Anal. 59, 2013, section 2.5; both from memory). The sums take the
probabilities as they are: the doubt of the knowledge, which all cars share, comes on top.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, NamedTuple

import numpy as np

from loopodds.base.arrays import BoolArray, FloatArray
from loopodds.inference.network import normal_cdf

LEVEL = 0.9
FEW = 20
"""Cars of a group below which nothing is said of their share."""
OTHERS = "(others)"
MOST_VALUES = 400
"""Values of one column that are told apart; the cars of all further ones are counted together."""


class Expected(NamedTuple):
    """A number of cars: the mean, and the ends of nine tenths."""

    mean: float
    low: int
    high: int


@dataclass(frozen=True, slots=True, eq=False)
class Odds:
    """Cumulants of numbers of cars, one for each condition and the last for any fault at all."""

    mean: FloatArray  # shape (conditions + 1,)
    variance: FloatArray
    third: FloatArray

    @classmethod
    def of(cls, chances: FloatArray) -> Odds:
        """Those of some cars, shape (cars, conditions + 1)."""
        spread = chances * (1 - chances)
        third = (spread * (1 - 2 * chances)).sum(axis=0)
        return cls(chances.sum(axis=0), spread.sum(axis=0), third)

    def plus(self, other: Odds) -> Odds:
        """Those of all the cars of both."""
        return Odds(
            self.mean + other.mean, self.variance + other.variance, self.third + other.third
        )

    def expected(self, place: int, cars: int) -> Expected:
        """How many of so many cars."""
        mean, variance, third = (float(a[place]) for a in (self.mean, self.variance, self.third))
        return Expected(mean, *count_ends(mean, variance, third, cars))

    def as_json(self) -> list[list[float]]:
        """Plain data."""
        return [self.mean.tolist(), self.variance.tolist(), self.third.tolist()]


def count_ends(mean: float, variance: float, third: float, most: int) -> tuple[int, int]:
    """Ends of nine tenths of a number of cars, from its cumulants.

    The lower is the largest number below which less than a twentieth lies.
    """
    spread = variance**0.5
    if spread < 1e-9:
        return round(mean), round(mean)
    skew = third / spread**3
    around = int(np.ceil(6 * spread)) + 2
    numbers = np.arange(max(0, int(mean) - around), min(most, int(mean) + around) + 1)
    x = (numbers + 0.5 - mean) / spread
    below = np.clip(
        normal_cdf(x) + skew * (1 - x**2) * np.exp(-(x**2) / 2) / 6 / np.sqrt(2 * np.pi), 0, 1
    )
    below = np.maximum.accumulate(below)
    tail = (1 - LEVEL) / 2
    low = numbers[min(int(np.searchsorted(below, tail)), len(numbers) - 1)]
    high = numbers[min(int(np.searchsorted(below, 1 - tail)), len(numbers) - 1)]
    return int(low), int(high)


@dataclass(frozen=True, slots=True, eq=False)
class Cars:
    """What is added up over the cars of a group."""

    cars: int
    odds: Odds
    stopped: int
    # what the plans of least expected cost come to, and doing nothing at all [currency]
    planned: float
    leaving: float
    services: Mapping[str, int]  # cars whose plan has it
    closed: int  # cars with any outcome
    missed: float  # currency that looking again at what their outcomes leave out would save
    told: FloatArray  # shape (conditions,): cars of which the outcome says something about it
    noted: FloatArray  # of these, cars in which it was found
    told_odds: Odds  # of these

    def plus(self, other: Cars) -> Cars:
        """Both together."""
        return Cars(
            self.cars + other.cars,
            self.odds.plus(other.odds),
            self.stopped + other.stopped,
            self.planned + other.planned,
            self.leaving + other.leaving,
            dict(Counter(self.services) + Counter(other.services)),
            self.closed + other.closed,
            self.missed + other.missed,
            self.told + other.told,
            self.noted + other.noted,
            self.told_odds.plus(other.told_odds),
        )

    def as_json(self) -> dict[str, Any]:
        """Plain data; numbers come back to the last bit."""
        plain = {name: getattr(self, name) for name in ("cars", "stopped", "planned", "leaving")}
        plain |= {"closed": self.closed, "missed": self.missed, "services": dict(self.services)}
        plain |= {"told": self.told.tolist(), "noted": self.noted.tolist()}
        return {**plain, "odds": self.odds.as_json(), "told_odds": self.told_odds.as_json()}

    @classmethod
    def from_json(cls, content: Mapping[str, Any]) -> Cars:
        """The inverse of :meth:`as_json`."""
        arrays = {name: np.array(content[name], float) for name in ("told", "noted")}
        odds = {name: Odds(*map(np.array, content[name])) for name in ("odds", "told_odds")}
        return cls(**{**content, **arrays, **odds})


@dataclass(frozen=True, slots=True, eq=False)
class RowValues:
    """What is known of each car of a batch, to be added up; all arrays begin with the rows."""

    chances: FloatArray  # shape (rows, conditions + 1), the last: anything at all
    stopped: BoolArray
    services: Sequence[tuple[str, ...]]
    planned: FloatArray
    leaving: FloatArray
    closed: BoolArray
    missed: FloatArray
    told: BoolArray  # shape (rows, conditions)
    noted: BoolArray

    def summed(self, rows: BoolArray | slice = slice(None)) -> Cars:
        """The sums of some rows."""
        chances, told = self.chances[rows], self.told[rows]
        every = np.column_stack([told, told.any(axis=1)])
        places = np.arange(len(self.services))[rows].tolist()
        services = Counter(name for place in places for name in self.services[place])
        return Cars(
            len(chances),
            Odds.of(chances),
            int(self.stopped[rows].sum()),
            float(self.planned[rows].sum()),
            float(self.leaving[rows].sum()),
            dict(services),
            int(self.closed[rows].sum()),
            float(self.missed[rows].sum()),
            told.sum(axis=0).astype(float),
            (told & self.noted[rows]).sum(axis=0).astype(float),
            Odds.of(np.where(every, chances, 0.0)),
        )


@dataclass(frozen=True, slots=True, eq=False)
class Groups:
    """Sums by the values of some columns."""

    columns: Mapping[str, Mapping[str, Cars]] = field(default_factory=dict)

    def plus(self, other: Groups) -> Groups:
        """Both together; values beyond so many are counted as others."""
        together = {name: dict(values) for name, values in self.columns.items()}
        for name, values in other.columns.items():
            mine = together.setdefault(name, {})
            for value, cars in values.items():
                full = value not in mine and len(mine) >= MOST_VALUES
                place = OTHERS if full else value
                mine[place] = mine[place].plus(cars) if place in mine else cars
        return Groups(together)

    def as_json(self) -> dict[str, Any]:
        """Plain data."""
        return {
            name: {value: cars.as_json() for value, cars in values.items()}
            for name, values in self.columns.items()
        }

    @classmethod
    def from_json(cls, content: Mapping[str, Any]) -> Groups:
        """The inverse of :meth:`as_json`."""
        return cls(
            {
                name: {value: Cars.from_json(cars) for value, cars in values.items()}
                for name, values in content.items()
            }
        )
