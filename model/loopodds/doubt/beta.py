"""Beta distributions by their moments, and the quantiles that an interval is made of."""

import numpy as np

from loopodds.base.arrays import FloatArray

LEVEL = 0.9
"""Of every interval."""
QUANTILE_90 = 1.6448536269514722
"""Of the standard normal: nine tenths lie within so many deviations of its mean."""


def beta_interval(mean: FloatArray, variance: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Ends of the interval of 90 % of Beta distributions with these moments, any shape.

    A mean of zero or one, or no variance at all, is certain. The ends never leave the mean out: a
    very skewed distribution can have nine tenths of it on one side.
    """
    from scipy.special import betaincinv

    mean, variance = np.asarray(mean, np.float64), np.asarray(variance, np.float64)
    low, high = mean.copy(), mean.copy()
    # a variance that no Beta has would have all its weight at zero and one
    room = mean * (1 - mean)
    doubtful = (variance > 1e-16 * room) & (room > 0)
    size = room[doubtful] / np.minimum(variance[doubtful], 0.999 * room[doubtful]) - 1
    of = mean[doubtful] * size, (1 - mean[doubtful]) * size
    low[doubtful] = np.minimum(betaincinv(*of, (1 - LEVEL) / 2), mean[doubtful])
    high[doubtful] = np.maximum(betaincinv(*of, (1 + LEVEL) / 2), mean[doubtful])
    return low, high
