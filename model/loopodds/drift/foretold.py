"""How readings lie in the law that was foretold, as a compiled loop (numba).

Importing this module loads numba.
"""

from math import erfc

import numpy as np
from numba import njit


@njit(cache=True, error_model="numpy", nogil=True)
def foretold_readings(joint, pair, gauge, seen, others, ratios, below):  # type: ignore[no-untyped-def]
    """How each reading lies in its predictive law, and in others: moved, then widened.

    ``joint`` are the chances of the parent configurations, shape (rows, configs), ``pair`` the
    distinct mean and spread of each; ``gauge`` is (mean, spread, share, wide), ``seen`` (value,
    extra), ``others`` (offsets, factors of the spread). ``ratios``, of shape (rows, offsets and
    factors), becomes the log of the density of each other law over that foretold, ``below`` the
    chance of a lower reading.
    """
    mean, spread, share, wide = gauge
    value, extra = seen
    offsets, factors = others
    root, half = 0.3989422804014327, 0.7071067811865476
    weight = np.empty(mean.shape[0])
    density = np.empty(1 + offsets.shape[0] + factors.shape[0])
    for r in range(joint.shape[0]):
        weight[:] = 0.0
        for c in range(joint.shape[1]):
            weight[pair[c]] += joint[r, c]
        far = np.sqrt(wide * wide + extra[r] * extra[r])
        density[:] = 0.0
        under = share * 0.5 * erfc(-half * value[r] / far)
        for u in range(mean.shape[0] + 1):
            slip = u == mean.shape[0]
            w = share if slip else (1.0 - share) * weight[u]
            if w <= 0.0:
                continue
            s = far if slip else np.sqrt(spread[u] * spread[u] + extra[r] * extra[r])
            gap = value[r] if slip else value[r] - mean[u]
            if not slip:
                under += w * 0.5 * erfc(-half * gap / s)
            density[0] += w * root * np.exp(-0.5 * (gap / s) ** 2) / s
            for i in range(offsets.shape[0]):
                z = (gap - offsets[i]) / s
                density[1 + i] += w * root * np.exp(-0.5 * z * z) / s
            for i in range(factors.shape[0]):
                z = gap / (s * factors[i])
                scaled = w * root * np.exp(-0.5 * z * z) / (s * factors[i])
                density[1 + offsets.shape[0] + i] += scaled
        below[r] = under
        for i in range(ratios.shape[1]):
            ratios[r, i] = np.log(max(density[1 + i], 1e-300)) - np.log(max(density[0], 1e-300))
