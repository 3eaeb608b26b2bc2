"""One list of numbers moved by what rows tell of it, held by its weight: the maximum a posteriori.

Chances have the Dirichlet prior of the shipped list times its weight (Dempster, Laird & Rubin 1977;
Lauritzen 1995): with n cars they go n / (n + weight) of the way. A mean is held by a normal of the
variance of one car's reading over the weight, a variance as that of a sample of that many cars.
"""

from __future__ import annotations

import numpy as np

from loopodds.base.arrays import FloatArray
from loopodds.doubt.numbers import Numbers

LEAST = 1e-9
"""A chance above zero never falls below: it could not come back."""


def updated(held: Numbers, now: FloatArray, tally: FloatArray) -> FloatArray:
    """The next numbers of a list: one step of expectation and maximisation.

    Args:
        held: The list as it was to begin with, with its weight.
        now: Its numbers at which the tally was worked out.
        tally: Of :func:`loopodds.doubt.chain.tallies_of`, one group.
    """
    weight, first = held.grounds.weight, held.values
    if held.kind in ("levels", "passing"):
        counts = now * tally + weight * first
        moved = np.where(first > 0, np.maximum(counts, LEAST * weight), 0.0)
        chances: FloatArray = moved / moved.sum()
        return chances
    if held.kind == "slips":
        kept, slips, by_variance = tally
        share = (slips + weight * first[0]) / (kept + slips + weight)
        wide = _variance(now[1] ** 2, slips, by_variance, 0.0, 0.0, weight, first[1] ** 2)
        return np.array([share, np.sqrt(wide)])
    count, by_mean, by_variance = tally
    if held.kind == "spread":
        own = _variance(now[0] ** 2, count, by_variance, 0.0, 0.0, weight, first[0] ** 2)
        return np.array([np.sqrt(own)])
    mean, variance = now[0], now[1] ** 2
    if variance == 0:
        return now
    # the reading's part that is due to this state, given the whole: mean and square about its mean
    pull, own = weight / (first[1] ** 2 + held.noise), count / variance
    new = (own * mean + by_mean + pull * first[0]) / (own + pull)
    spread = _variance(variance, count, by_variance, new - mean, by_mean, weight, first[1] ** 2)
    return np.array([new, np.sqrt(spread)])


def _variance(
    now: float, count: float, slope: float, step: float, by_mean: float, weight: float, first: float
) -> float:
    """Expected squares about the new mean, and the prior's as of so many cars more."""
    squares = count * (now + step**2) + 2 * now**2 * slope - 2 * step * now * by_mean
    return float((max(squares, 0.0) + weight * first) / (count + weight))


def log_prior(held: Numbers, now: FloatArray) -> float:
    """What holds a list, as a log-likelihood: its weight times the fit to what it was."""
    weight, first = held.grounds.weight, held.values
    if held.kind in ("levels", "passing"):
        some = first > 0
        return float(weight * (first[some] @ np.log(now[some])))
    if held.kind == "slips":
        share = first[0] * np.log(now[0]) + (1 - first[0]) * np.log1p(-now[0])
        return float(weight * share) + _held_variance(weight, first[1] ** 2, now[1] ** 2)
    if held.kind == "spread":
        return _held_variance(weight, first[0] ** 2, now[0] ** 2)
    if first[1] == 0:
        return 0.0
    pull = weight / (first[1] ** 2 + held.noise)
    away = -pull * (now[0] - first[0]) ** 2 / 2
    return float(away) + _held_variance(weight, first[1] ** 2, now[1] ** 2)


def _held_variance(weight: float, first: float, now: float) -> float:
    return float(-weight / 2 * (np.log(now) + first / now))


def effective_rows(numbers: Numbers, now: FloatArray, information: FloatArray) -> float:
    """Cars of which everything is known that would tell as much of a list.

    Args:
        information: Sum of squared deviations of the slope by each number, rows taken one by one or
            in small lots, shape (numbers,): the observed information.
    """
    if numbers.kind in ("levels", "passing"):
        some = now > 0
        # with every car known, a chance p would have the information cars (1 - p) / p
        return float((now[some] * information[some]).sum() / max(some.sum() - 1, 1))
    if numbers.kind == "shift":
        return float(information[0] * (now[1] ** 2 + numbers.noise))
    if numbers.kind == "slips":
        return float(information[0] * now[0] * (1 - now[0]))
    return float(information[0] * 2 * now[0] ** 4)
