"""Beta distributions by their moments, and the quantiles that an interval is made of.

Those of one car are worked out with arrays alone: scipy, which many repay, takes longer to load
than everything else that an answer about one car needs.
"""

from math import lgamma

import numpy as np

from loopodds.base.arrays import FloatArray

LEVEL = 0.9
"""Of every interval."""
QUANTILE_90 = 1.6448536269514722
"""Of the standard normal: nine tenths lie within so many deviations of its mean."""
SCIPY_FROM = 1000
"""Quantiles that repay loading scipy, about a quarter of a second."""
_NEAR = 1e-14
_MOST_STEPS, _MOST_TERMS = 200, 5000
_lgamma = np.vectorize(lgamma, otypes=[np.float64])


def beta_interval(mean: FloatArray, variance: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Ends of the interval of 90 % of Beta distributions with these moments, any shape.

    A mean of zero or one, or no variance at all, is certain. The ends never leave the mean out: a
    very skewed distribution can have nine tenths of it on one side.
    """
    mean, variance = np.asarray(mean, np.float64), np.asarray(variance, np.float64)
    low, high = mean.copy(), mean.copy()
    # a variance that no Beta has would have all its weight at zero and one
    room = mean * (1 - mean)
    doubtful = (variance > 1e-16 * room) & (room > 0)
    if doubtful.any():
        size = room[doubtful] / np.minimum(variance[doubtful], 0.999 * room[doubtful]) - 1
        of = mean[doubtful] * size, (1 - mean[doubtful]) * size
        low[doubtful] = np.minimum(beta_quantile(*of, (1 - LEVEL) / 2), mean[doubtful])
        high[doubtful] = np.maximum(beta_quantile(*of, (1 + LEVEL) / 2), mean[doubtful])
    return low, high


def beta_quantile(a: FloatArray, b: FloatArray, share: float) -> FloatArray:
    """Where a share of Beta distributions lies below, shape (distributions,).

    Newton's steps on the distribution function, halving what is left where one would leave it.
    """
    if len(a) >= SCIPY_FROM:
        from scipy.special import betaincinv

        quantiles: FloatArray = betaincinv(a, b, share)
        return quantiles
    scale = _lgamma(a) + _lgamma(b) - _lgamma(a + b)
    low, high, x = np.zeros(len(a)), np.ones(len(a)), a / (a + b)
    open_ = np.arange(len(a))
    for _ in range(_MOST_STEPS):
        here, own = x[open_], (a[open_], b[open_], scale[open_])
        off = _below(here, *own) - share
        low[open_] = np.where(off < 0, here, low[open_])
        high[open_] = np.where(off < 0, high[open_], here)
        with np.errstate(all="ignore"):
            log_density = (own[0] - 1) * np.log(here) + (own[1] - 1) * np.log1p(-here) - own[2]
            step = here - off / np.exp(log_density)
        inside = (step > low[open_]) & (step < high[open_])
        x[open_] = np.where(inside, step, 0.5 * (low[open_] + high[open_]))
        open_ = open_[np.abs(x[open_] - here) > _NEAR]
        if not len(open_):
            break
    return x


def _below(x: FloatArray, a: FloatArray, b: FloatArray, scale: FloatArray) -> FloatArray:
    """Regularised incomplete Beta function by its continued fraction, after Lentz.

    Abramowitz & Stegun 26.5.8, on the side on which it converges fast.
    """
    turned = x > (a + 1) / (a + b + 2)
    x, a, b = np.where(turned, 1 - x, x), np.where(turned, b, a), np.where(turned, a, b)
    with np.errstate(divide="ignore"):
        front = np.exp(a * np.log(x) + b * np.log1p(-x) - scale) / a
    tiny = 1e-300
    over, under = np.ones(len(a)), 1 / (1 - (a + b) * x / (a + 1))
    found = under.copy()
    for m in range(1, _MOST_TERMS):
        for term in (
            m * (b - m) * x / ((a + 2 * m - 1) * (a + 2 * m)),
            -(a + m) * (a + b + m) * x / ((a + 2 * m) * (a + 2 * m + 1)),
        ):
            under, over = 1 + term * under, 1 + term / over
            under, over = 1 / np.where(under == 0, tiny, under), np.where(over == 0, tiny, over)
            found = found * under * over
        if np.abs(under * over - 1).max() < 1e-15:
            break
    return np.where(turned, 1 - front * found, front * found)
