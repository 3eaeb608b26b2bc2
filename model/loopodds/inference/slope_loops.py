"""Slopes of the log evidence by the numbers of observables, as compiled loops (numba).

Importing this module loads numba. :mod:`loopodds.inference.slopes` does the same with arrays.
"""

import numpy as np

from loopodds.vectors.compiling import loop
from loopodds.vectors.densities import exp_below

TOGETHER = 8
"""Rows whose squares are added up together."""


@loop
def word_slopes(joint, table, said, weights, out):  # type: ignore[no-untyped-def]
    """Add up ``weights * joint * said / (table @ said)``, shape (groups, configs, states).

    See :mod:`loopodds.inference.slopes`, which does the same with arrays.
    """
    for r in range(joint.shape[0]):
        for c in range(table.shape[0]):
            total = 0.0
            for s in range(table.shape[1]):
                total += said[r, s] * table[c, s]
            if total <= 0.0:
                continue
            share = joint[r, c] / total
            for g in range(weights.shape[0]):
                if weights[g, r] == 0.0:
                    continue
                part = share * weights[g, r]
                for s in range(table.shape[1]):
                    out[g, c, s] += part * said[r, s]


@loop
def number_slopes(joint, pair, gauge, seen, weights, out, far, part):  # type: ignore[no-untyped-def]
    """Add up what readings tell of a gauge, shape (parts, groups, configs).

    ``pair`` is the distinct mean and spread of each parent configuration, ``gauge`` is (mean,
    spread, share, wide), ``seen`` (value, extra). Parts are the chance of no slip and the slopes by
    mean and variance; ``far`` becomes the chance of a slip in each row. ``part`` is memory to work
    in, shape (parts, pairs). See
    :mod:`loopodds.inference.slopes`, which does the same with arrays.
    """
    mean, spread, share, wide = gauge
    value, extra = seen
    for r in range(joint.shape[0]):
        own = extra[r] * extra[r]
        reach = np.sqrt(wide * wide + own)
        slip = share / (1.0 - share) / reach
        level = -0.5 * (value[r] / reach) ** 2
        for u in range(mean.shape[0]):
            variance = spread[u] * spread[u] + own
            gap = value[r] - mean[u]
            z = gap * gap / variance
            # chances of slip and none, over the larger of both, so that no exponent overflows
            top = max(level, -0.5 * z)
            far_off = slip * np.sqrt(variance) * exp_below(level - top)
            close = exp_below(-0.5 * z - top)
            near = close / (close + far_off)
            part[0, u] = near
            part[1, u] = near * gap / variance
            part[2, u] = 0.5 * near * (z - 1.0) / variance
        slipped = 0.0
        for c in range(joint.shape[1]):
            x, p = joint[r, c], pair[c]
            if x == 0.0:
                continue
            slipped += x * (1.0 - part[0, p])
            for g in range(weights.shape[0]):
                if weights[g, r] == 0.0:
                    continue
                y = x * weights[g, r]
                out[0, g, c] += y * part[0, p]
                out[1, g, c] += y * part[1, p]
                out[2, g, c] += y * part[2, p]
        far[r] = slipped


@loop
def squares(seen, felt, out, total):  # type: ignore[no-untyped-def]
    """Add up over lists the squared products over states: of ``seen``, shape (lists, states,
    rows), and ``felt``, shape (names, states, rows), to ``out``, shape (names, rows). ``total`` is
    memory to work in, `TOGETHER` numbers.
    """
    for first in range(0, out.shape[1], TOGETHER):
        count = min(TOGETHER, out.shape[1] - first)
        for k in range(seen.shape[0]):
            for q in range(felt.shape[0]):
                total[:] = 0.0
                for s in range(seen.shape[1]):
                    for r in range(count):
                        total[r] += seen[k, s, first + r] * felt[q, s, first + r]
                for r in range(count):
                    out[q, first + r] += total[r] * total[r]
