"""How honest probabilities are: Brier score and its parts, log score, calibration, base rates.

Forecasts are probabilities of events, outcomes say whether they happened (true or 1); both are
arrays of shape (forecasts,). Where there is none, the shapes differ or a value is no probability
or no outcome, the functions raise :class:`OutOfRange`.
"""

from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike

from loopodds.base.arrays import FloatArray, IntArray
from loopodds.base.errors import OutOfRange
from loopodds.doubt.beta import QUANTILE_90

LEAST = 1e-15
"""What a probability of exactly zero or one counts as where its logarithm is needed."""
_HALVINGS = 50


class MurphyParts(NamedTuple):
    """Brier score taken apart: ``reliability - resolution + uncertainty`` (Murphy 1973).

    How far forecasts lie from what then happened (0 is best), how far the outcomes of different
    forecasts lie apart (more is better), and the score of always saying the overall share.
    """

    reliability: float
    resolution: float
    uncertainty: float


class CalibrationCurve(NamedTuple):
    """Forecasts in bins, all arrays of shape (bins that hold a forecast,).

    ``stated`` is the mean forecast of the bin, ``happened`` the share of events in it, ``low``
    and ``high`` the 90 % Wilson interval of that share, ``forecasts`` how many there are.
    """

    stated: FloatArray
    happened: FloatArray
    low: FloatArray
    high: FloatArray
    forecasts: IntArray

    @property
    def error(self) -> float:
        """Expected calibration error: mean of ``|happened - stated|`` over forecasts."""
        return float(np.average(np.abs(self.happened - self.stated), weights=self.forecasts))


class BaseRate(NamedTuple):
    """Share of inspections with a condition, and its standard error.

    The error is infinite where the inspections told nothing, nan where the share is 0 or 1.
    """

    share: float
    standard_error: float


def brier_score(probabilities: ArrayLike, outcomes: ArrayLike) -> float:
    """Mean squared distance between forecast and outcome (Brier 1950); 0 is best.

    >>> round(brier_score([0.1, 0.9, 0.8, 0.3], [0, 1, 1, 0]), 4)
    0.0375
    """
    stated, happened = _forecasts(probabilities, outcomes)
    return float(np.mean((stated - happened) ** 2))


def log_score(probabilities: ArrayLike, outcomes: ArrayLike) -> float:
    """Mean of minus the natural log of the probability given to what happened (Good 1952).

    0 is best. Certainty about what did not happen costs ``-log(1e-15)``, not infinity.
    """
    stated, happened = _forecasts(probabilities, outcomes)
    given = np.where(happened > 0, stated, 1 - stated)
    return float(-np.log(np.maximum(given, LEAST)).mean())


def murphy_parts(probabilities: ArrayLike, outcomes: ArrayLike) -> MurphyParts:
    """Brier score taken apart by distinct forecast, which makes the sum exact."""
    stated, happened = _forecasts(probabilities, outcomes)
    distinct, group, count = np.unique(stated, return_inverse=True, return_counts=True)
    share = np.bincount(group, weights=happened) / count
    overall = happened.mean()
    return MurphyParts(
        float(np.average((distinct - share) ** 2, weights=count)),
        float(np.average((share - overall) ** 2, weights=count)),
        float(overall * (1 - overall)),
    )


def calibration_curve(
    probabilities: ArrayLike, outcomes: ArrayLike, bins: int = 10
) -> CalibrationCurve:
    """What was stated against what happened, in bins of equal width between 0 and 1.

    A forecast on an inner edge belongs to the lower bin.

    Raises:
        OutOfRange: also if there is no bin.
    """
    if bins < 1:
        raise OutOfRange(f"{bins} bins: at least one is needed")
    stated, happened = _forecasts(probabilities, outcomes)
    edges = np.linspace(0.0, 1.0, bins + 1)
    place = np.searchsorted(edges[1:-1], stated)
    count = np.bincount(place, minlength=bins)
    held = count > 0
    sums = [np.bincount(place, weights=w, minlength=bins)[held] for w in (stated, happened)]
    low, high = wilson_interval(sums[1], count[held])
    return CalibrationCurve(sums[0] / count[held], sums[1] / count[held], low, high, count[held])


def wilson_interval(events: ArrayLike, trials: ArrayLike) -> tuple[FloatArray, FloatArray]:
    """Interval of 90 % for a share from its count (Wilson 1927); never outside 0 to 1."""
    n, z = np.asarray(trials, dtype=np.float64), QUANTILE_90
    p = np.asarray(events, dtype=np.float64) / n
    centre = (p + z**2 / (2 * n)) / (1 + z**2 / n)
    half = z * np.sqrt(p * (1 - p) / n + z**2 / (4 * n**2)) / (1 + z**2 / n)
    return np.maximum(centre - half, 0.0), np.minimum(centre + half, 1.0)


def base_rate(probabilities: ArrayLike, prior: ArrayLike) -> BaseRate:
    """Share of an archive's inspections that had a condition, without knowing which.

    The mean of posteriors leans towards the prior they were computed with. This is the share
    that makes the archive most likely: how findings come about given the condition is taken from
    the knowledge, how often the condition occurs from the archive. It is the fixed point of the
    iteration of Saerens, Latinne & Decaestecker (2002), found here by halving, since the slope of
    the log-likelihood falls steadily with the share.

    Args:
        probabilities: Posterior of the condition in each inspection.
        prior: Prior that went into them, one or one each, above 0 and below 1.
    """
    after = _probabilities(probabilities)
    before = np.broadcast_to(np.asarray(prior, dtype=np.float64), after.shape)
    if not ((before > 0) & (before < 1)).all():
        raise OutOfRange("a prior of 0 or 1 cannot be revised by any archive")
    # likelihoods with and without the condition, up to a factor common to both
    present, absent = after / before, (1 - after) / (1 - before)
    low, high = 0.0, 1.0
    for _ in range(_HALVINGS):
        share = (low + high) / 2
        slope = (present - absent) / (share * present + (1 - share) * absent)
        low, high = (share, high) if slope.sum() > 0 else (low, share)
    if not slope.any():
        return BaseRate(float(after.mean()), float("inf"))
    at_an_end = low == 0 or high == 1
    error = float("nan") if at_an_end else float(1 / np.sqrt((slope**2).sum()))
    return BaseRate(round(share) if at_an_end else share, error)


def adjusted_shares(successes: ArrayLike, trials: ArrayLike) -> FloatArray:
    """Success of each treatment if all had been given the same mix of strata.

    Comparing overall shares can reverse what holds in every stratum (Simpson 1951): a repair
    given to the worst cars looks bad. Direct standardisation weighs each stratum by its share
    of all trials. Counts have shape (treatments, strata), the result (treatments,).

    Raises:
        OutOfRange: if a treatment was never tried in some stratum: nothing can be said of it there.

    >>> adjusted_shares([[81, 192], [234, 55]], [[87, 263], [270, 80]]).round(4)
    array([0.8325, 0.7789])
    """
    tried = np.asarray(trials, dtype=np.float64)
    if not (tried > 0).all():
        raise OutOfRange("a treatment was never tried in one of the strata; leave that stratum out")
    weights = tried.sum(axis=0) / tried.sum()
    result: FloatArray = (np.asarray(successes) / tried) @ weights
    return result


def _probabilities(values: ArrayLike) -> FloatArray:
    stated = np.asarray(values, dtype=np.float64)
    if stated.ndim != 1 or not len(stated):
        raise OutOfRange(f"forecasts in one row expected, at least one; got shape {stated.shape}")
    wrong = np.flatnonzero(~((stated >= 0) & (stated <= 1)))
    if len(wrong):
        first = int(wrong[0])
        raise OutOfRange(f"forecast {first} is {stated[first]:g}; a probability is from 0 to 1")
    return stated


def _forecasts(probabilities: ArrayLike, outcomes: ArrayLike) -> tuple[FloatArray, FloatArray]:
    stated = _probabilities(probabilities)
    happened = np.asarray(outcomes, dtype=np.float64)
    if happened.shape != stated.shape:
        raise OutOfRange(f"{len(stated)} forecasts but outcomes of shape {happened.shape}")
    if not np.isin(happened, (0.0, 1.0)).all():
        raise OutOfRange("an outcome is 0 or 1, false or true")
    return stated, happened
