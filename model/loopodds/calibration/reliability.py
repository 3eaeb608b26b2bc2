"""What was stated against what happened, without bins.

The shares that happened are the isotonic regression of outcomes on what was stated: they rise with
it and are as near to the outcomes as that allows (CORP: Dimitriadis, Gneiting & Jordan, PNAS 118,
2021). Scores fall apart into how far what was stated lies from them (miscalibration), how much
better they are than one share for all (discrimination), and the score of that one share
(uncertainty): score = miscalibration - discrimination + uncertainty.

An outcome is a report that may be wrong. What is scored is how well reports are foretold; a share
of cars is what it makes of the reports, turned back through their error rates. With reports that
are always right both are the usual ones.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import ArrayLike

from loopodds.base.arrays import BoolArray, FloatArray, IntArray
from loopodds.calibration.scores import LEAST

RESAMPLES = 999
"""Outcomes drawn as if all that was stated were right: the least p-value is one in a thousand."""
LEVEL = 0.9
ENOUGH = 10
"""Reports of either kind, seen or to be expected, below which nothing is said."""
POINTS = 60
"""Places at which a curve is given: half of them even in probability, half in cars."""


class Outcomes(NamedTuple):
    """Reports beside what was stated of the cars, all of shape (cars,)."""

    stated: FloatArray  # probability of the event
    said: BoolArray  # whether the report says that it happened
    least: FloatArray  # chance of such a report where it did not
    most: FloatArray  # and where it did; above the former
    weights: FloatArray  # cars that each stands for, up to a factor
    way: IntArray  # how it was confirmed, as an index
    # how the chance of the report moves with the chances that the way reports what is not there,
    # and what is
    by_false: FloatArray
    by_true: FloatArray

    def foretold(self, share: FloatArray) -> FloatArray:
        """Chance of the report where the event has this probability."""
        chance: FloatArray = self.least + (self.most - self.least) * share
        return chance


def certain(stated: ArrayLike, happened: ArrayLike, weights: ArrayLike | None = None) -> Outcomes:
    """Outcomes that are known for sure.

    >>> certain([0.2, 0.9], [False, True]).foretold(np.array([0.2, 0.9])).tolist()
    [0.2, 0.9]
    """
    p = np.asarray(stated, dtype=np.float64)
    none, all_ = np.zeros_like(p), np.ones_like(p)
    weight = all_ if weights is None else np.asarray(weights, dtype=np.float64)
    return Outcomes(
        p, np.asarray(happened, dtype=bool), none, all_, weight, none.astype(np.int64), 1 - p, p
    )


class Parts(NamedTuple):
    """A mean score taken apart: ``miscalibration - discrimination + uncertainty``; 0 is best."""

    score: float
    miscalibration: float
    discrimination: float
    uncertainty: float


class Curve(NamedTuple):
    """Places of a reliability curve, all of shape (places,), rising."""

    stated: FloatArray
    happened: FloatArray  # share of such cars
    low: FloatArray  # nine tenths of curves lie between here if what was stated is right
    high: FloatArray


class Stretch(NamedTuple):
    """Where a curve lies outside its band: what was stated, and at its worst place the rest."""

    first: float
    last: float
    happened: float
    low: float
    high: float


@dataclass(frozen=True, slots=True, eq=False)
class Reliability:
    """What was stated of one event against what happened."""

    cars: int
    effective: float  # cars of equal weight that would tell as much
    reports: int  # that say it happened
    stated: float  # mean
    happened: float  # share of cars
    log: Parts  # minus the natural logarithm of the chance of the report
    brier: Parts
    p_value: float  # of so large a miscalibration of the log score if what was stated is right
    curve: Curve
    few: bool  # too few reports to say anything

    @property
    def outside(self) -> tuple[Stretch, ...]:
        """Stretches of the curve outside the band, the furthest out first."""
        _, happened, low, high = self.curve
        beyond = np.maximum(happened - high, low - happened)
        ends = np.flatnonzero(np.diff(beyond > 0)) + 1
        runs = [run for run in np.split(np.arange(len(beyond)), ends) if beyond[run[0]] > 0]
        worst = [(run, run[beyond[run].argmax()]) for run in runs]
        worst.sort(key=lambda pair: -beyond[pair[1]])
        stated, *rest = self.curve
        return tuple(
            Stretch(float(stated[run[0]]), float(stated[run[-1]]), *(float(p[at]) for p in rest))
            for run, at in worst
        )

    def as_json(self) -> dict[str, Any]:
        """Plain data."""
        return {
            "cars": self.cars,
            "effective_cars": self.effective,
            "reports": self.reports,
            "too_few": self.few,
            "stated": self.stated,
            "happened": self.happened,
            "log_score": self.log._asdict(),
            "brier_score": self.brier._asdict(),
            "p_value": self.p_value,
            "outside": [stretch._asdict() for stretch in self.outside],
            "curve": {name: part.tolist() for name, part in self.curve._asdict().items()},
        }


def reliability(
    outcomes: Outcomes, rng: np.random.Generator, shifts: FloatArray | None = None
) -> Reliability:
    """Curve, band and parts of the scores of one event.

    Args:
        outcomes: At least one car.
        rng: Draws reports as they would be if all that was stated were right.
        shifts: How far the chances that a way reports what is not there, and what is, lie from what
            they are taken for, one draw for each such set of reports, shape (draws, ways, 2);
            nothing where left out.
    """
    fit = _Fit(outcomes)
    drawn = np.zeros((RESAMPLES, int(outcomes.way.max()) + 1, 2)) if shifts is None else shifts
    happened = fit.happened(outcomes.said)
    log = fit.parts(outcomes.said, happened, _log_loss)
    places = _places(fit.distinct, fit.group)
    foretold = outcomes.foretold(outcomes.stated)
    curves, as_far = np.empty((len(drawn), len(places))), 0
    for number, shift in enumerate(drawn):
        off = shift[outcomes.way]
        chance = foretold + outcomes.by_false * off[:, 0] + outcomes.by_true * off[:, 1]
        said = rng.random(len(chance)) < chance
        other = fit.happened(said)
        curves[number] = other[places]
        as_far += fit.parts(said, other, _log_loss).miscalibration >= log.miscalibration
    low, high = np.quantile(curves, [(1 - LEVEL) / 2, (1 + LEVEL) / 2], axis=0)
    weights, reports = outcomes.weights, int(outcomes.said.sum())
    return Reliability(
        len(weights), float(weights.sum() ** 2 / (weights**2).sum()), reports,
        float(np.average(fit.distinct, weights=fit.mass)), fit.share(outcomes.said), log,
        fit.parts(outcomes.said, happened, _squared_loss), (1 + as_far) / (1 + len(drawn)),
        Curve(fit.distinct[places], happened[places], low, high),
        _too_few(outcomes),
    )  # fmt: skip


def _too_few(told: Outcomes) -> bool:
    """Whether there are hardly any cars, seen or to be expected, of one of the two kinds."""
    reports, tells = int(told.said.sum()), told.most - told.least
    there, not_there = float(tells @ told.stated), float(tells @ (1 - told.stated))
    return max(reports, there) < ENOUGH or max(len(tells) - reports, not_there) < ENOUGH


class _Fit:
    """Isotonic regressions of reports on what was stated, for many reports on the same cars."""

    def __init__(self, outcomes: Outcomes) -> None:
        self.outcomes = outcomes
        self.distinct, self.group = np.unique(outcomes.stated, return_inverse=True)
        self._pull = outcomes.weights * (outcomes.most - outcomes.least)
        self.mass = np.bincount(self.group, self._pull * (outcomes.most - outcomes.least))

    def _sums(self, said: BoolArray) -> FloatArray:
        pulled = self._pull * (said - self.outcomes.least)
        return np.bincount(self.group, pulled).astype(np.float64)

    def happened(self, said: BoolArray) -> FloatArray:
        """Share of cars by what was stated, shape (distinct,): never falling, from 0 to 1."""
        from scipy.optimize import isotonic_regression

        rising = isotonic_regression(self._sums(said) / self.mass, weights=self.mass).x
        shares: FloatArray = np.clip(rising, 0.0, 1.0)
        return shares

    def share(self, said: BoolArray) -> float:
        """Of all cars."""
        return float(np.clip(self._sums(said).sum() / self.mass.sum(), 0.0, 1.0))

    def parts(self, said: BoolArray, happened: FloatArray, loss: Any) -> Parts:
        """A score of the reports, taken apart."""
        told = self.outcomes

        def mean(share: FloatArray) -> float:
            return float(np.average(loss(told.foretold(share), said), weights=told.weights))

        stated, curve = mean(told.stated), mean(happened[self.group])
        same = mean(np.full(len(said), self.share(said)))
        return Parts(stated, stated - curve, same - curve, same)


def _log_loss(foretold: FloatArray, said: BoolArray) -> FloatArray:
    loss: FloatArray = -np.log(np.maximum(np.where(said, foretold, 1 - foretold), LEAST))
    return loss


def _squared_loss(foretold: FloatArray, said: BoolArray) -> FloatArray:
    loss: FloatArray = (foretold - said) ** 2
    return loss


def _places(distinct: FloatArray, group: np.ndarray[Any, Any]) -> np.ndarray[Any, Any]:
    """Where a curve is given, as indices of what was stated: first and last among them."""
    even = np.linspace(distinct[0], distinct[-1], POINTS // 2)
    near = np.abs(distinct[:, None] - even).argmin(axis=0)
    cars = np.sort(group)[np.linspace(0, len(group) - 1, POINTS // 2).astype(int)]
    return np.unique(np.concatenate([near, cars]))
