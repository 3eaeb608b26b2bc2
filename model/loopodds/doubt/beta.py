"""Beta distributions by their moments, and the quantiles that an interval is made of."""

import numpy as np

from loopodds.base.arrays import FloatArray

LEVEL = 0.9
"""Of every interval."""
QUANTILE_90 = 1.6448536269514722
"""Of the standard normal: nine tenths lie within so many deviations of its mean."""
_POINTS = 600
_REACH = 30.0


def beta_interval(mean: FloatArray, variance: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Ends of the interval of 90 % of Beta distributions with these moments, shape (means,).

    A mean of zero or one, or no variance at all, is certain. The ends never leave the mean out: a
    very skewed distribution can have nine tenths of it on one side.
    """
    mean, variance = np.asarray(mean, np.float64), np.asarray(variance, np.float64)
    low, high = mean.copy(), mean.copy()
    # a variance that no Beta has would have all its weight at zero and one
    room = mean * (1 - mean)
    doubtful = (variance > 1e-16 * room) & (room > 0)
    size = room[doubtful] / np.minimum(variance[doubtful], 0.999 * room[doubtful]) - 1
    tails = np.array([(1 - LEVEL) / 2, (1 + LEVEL) / 2])
    ends = beta_quantiles(mean[doubtful] * size, (1 - mean[doubtful]) * size, tails)
    low[doubtful] = np.minimum(ends[:, 0], mean[doubtful])
    high[doubtful] = np.maximum(ends[:, 1], mean[doubtful])
    return low, high


def beta_quantiles(a: FloatArray, b: FloatArray, at: FloatArray) -> FloatArray:
    """Quantiles of Beta(a, b), shape (distributions, quantiles); good to about 1e-4.

    The log-odds have the density p^a (1 - p)^b, smooth and with one peak; it is summed on a grid
    on each side of the peak, as wide as that side needs.
    """
    if not len(a):
        return np.empty((0, len(at)))
    a, b = a[:, None], b[:, None]
    peak, curve = np.log(a) - np.log(b), np.sqrt((a + b) / (a * b))
    steps = np.linspace(0.0, 1.0, _POINTS)[None, :]
    below = peak - (8.0 * np.minimum(curve, 1.0 + curve) + _REACH / a) * steps[:, ::-1] ** 2
    above = peak + (8.0 * np.minimum(curve, 1.0 + curve) + _REACH / b) * steps**2
    x = np.hstack([below, above[:, 1:]])
    log_density = -a * np.logaddexp(0.0, -x) - b * np.logaddexp(0.0, x)
    density = np.exp(log_density - log_density.max(axis=1, keepdims=True))
    mass = np.diff(x) * (density[:, 1:] + density[:, :-1]) / 2
    below_x = np.hstack([np.zeros((len(x), 1)), np.cumsum(mass, axis=1)])
    marks = [
        np.interp(at * total[-1], total, points) for total, points in zip(below_x, x, strict=True)
    ]
    quantiles: FloatArray = 1.0 / (1.0 + np.exp(-np.clip(np.array(marks), -700.0, 700.0)))
    return quantiles
