"""The two passes over a junction tree as compiled loops (numba), a few rows at a time.

Importing this module loads numba; the first call on a machine compiles and caches. Rows are
worked on in packs that fit the vector unit, so that the beliefs of a pack stay in the cache.
All index maps are flat: position of a clique configuration -> position in the smaller array.
"""

from math import erfc

import numpy as np
from numba import config, njit

# The inner loops are packs written out: only the straight-line vectoriser turns them into vectors.
config.SLP_VECTORIZE = 1

PACK = 8
CODE, SOFT, NUMBER = 0, 1, 2

_POWERS = 2.0 ** np.arange(-1080.0, 1.0)
_LOG2E = 1.4426950408889634
_LN2_HIGH = 6.93147180369123816490e-01
_LN2_LOW = 1.90821492927058770002e-10


@njit(inline="always")
def _exp(x):  # type: ignore[no-untyped-def]
    """exp(x) for x <= 0 by range reduction and a Taylor series; relative error below 4e-16."""
    x = max(x, -740.0)
    k = np.floor(x * _LOG2E + 0.5)
    r = (x - k * _LN2_HIGH) - k * _LN2_LOW
    p = 1.0 / 6227020800.0
    p = p * r + 1.0 / 479001600.0
    p = p * r + 1.0 / 39916800.0
    p = p * r + 1.0 / 3628800.0
    p = p * r + 1.0 / 362880.0
    p = p * r + 1.0 / 40320.0
    p = p * r + 1.0 / 5040.0
    p = p * r + 1.0 / 720.0
    p = p * r + 1.0 / 120.0
    p = p * r + 1.0 / 24.0
    p = p * r + 1.0 / 6.0
    p = p * r + 0.5
    p = p * r + 1.0
    p = p * r + 1.0
    return p * _POWERS[int(k) + 1080]


@njit(cache=True, error_model="numpy")
def densities(value, extra, mean, spread, share, wide, out):  # type: ignore[no-untyped-def]
    """Mixture density of one reading under each distinct (mean, spread); see likelihoods."""
    root = 0.3989422804014327
    w = np.sqrt(wide * wide + extra * extra)
    far = share * root * _exp(-0.5 * (value / w) ** 2) / w
    near = (1.0 - share) * root
    for u in range(mean.shape[0]):
        variance = spread[u] * spread[u] + extra * extra
        gap = value - mean[u]
        out[u] = near * _exp(-0.5 * gap * gap / variance) / np.sqrt(variance) + far


@njit(inline="always")
def _product(out, i, a, j):  # type: ignore[no-untyped-def]
    """out[i] *= a[j] for one pack: all loads before any store, so that it becomes one vector."""
    x0, x1, x2, x3 = (
        out[i] * a[j], out[i + 1] * a[j + 1], out[i + 2] * a[j + 2], out[i + 3] * a[j + 3]
    )  # fmt: skip
    x4, x5, x6, x7 = (
        out[i + 4] * a[j + 4], out[i + 5] * a[j + 5], out[i + 6] * a[j + 6], out[i + 7] * a[j + 7]
    )  # fmt: skip
    out[i], out[i + 1], out[i + 2], out[i + 3] = x0, x1, x2, x3
    out[i + 4], out[i + 5], out[i + 6], out[i + 7] = x4, x5, x6, x7


@njit(cache=True, error_model="numpy")
def _multiply(belief, start, size, factor, base, index, at):  # type: ignore[no-untyped-def]
    for c in range(size):
        _product(
            belief, np.uint64((start + c) * PACK), factor, np.uint64((base + index[at + c]) * PACK)
        )


@njit(cache=True, error_model="numpy")
def _begin(belief, start, size, prior, factor, base, index, at):  # type: ignore[no-untyped-def]
    """belief = prior * factor: the first product of a clique, without a pass to fill it."""
    for c in range(size):
        p = prior[start + c]
        i, j = np.uint64((start + c) * PACK), np.uint64((base + index[at + c]) * PACK)
        x0, x1, x2, x3 = (
            p * factor[j], p * factor[j + 1], p * factor[j + 2], p * factor[j + 3]
        )  # fmt: skip
        x4, x5, x6, x7 = (
            p * factor[j + 4], p * factor[j + 5], p * factor[j + 6], p * factor[j + 7]
        )  # fmt: skip
        belief[i], belief[i + 1], belief[i + 2], belief[i + 3] = x0, x1, x2, x3
        belief[i + 4], belief[i + 5], belief[i + 6], belief[i + 7] = x4, x5, x6, x7


@njit(cache=True, error_model="numpy")
def _gather(belief, start, size, total, base, cells, grouped, at):  # type: ignore[no-untyped-def]
    """Sum a belief into cells; ``grouped`` lists the configurations of each cell in turn."""
    run = size // cells
    for s in range(cells):
        x0, x1, x2, x3, x4, x5, x6, x7 = 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0
        for k in range(at + s * run, at + (s + 1) * run):
            i = np.uint64((start + grouped[k]) * PACK)
            x0 += belief[i]
            x1 += belief[i + 1]
            x2 += belief[i + 2]
            x3 += belief[i + 3]
            x4 += belief[i + 4]
            x5 += belief[i + 5]
            x6 += belief[i + 6]
            x7 += belief[i + 7]
        j = np.uint64((base + s) * PACK)
        total[j], total[j + 1], total[j + 2], total[j + 3] = x0, x1, x2, x3
        total[j + 4], total[j + 5], total[j + 6], total[j + 7] = x4, x5, x6, x7


@njit(cache=True, error_model="numpy")
def _silent(kind, pack, codes, soft, value):  # type: ignore[no-untyped-def]
    """Whether one piece of evidence says nothing about any row of a pack."""
    for row in pack:
        if (
            row < 0
            or (kind == CODE and codes[row] < 0)
            or (kind == NUMBER and np.isnan(value[row]))
        ):
            continue
        return False
    return True


@njit(cache=True, error_model="numpy")
def _likelihood(  # type: ignore[no-untyped-def]
    factor, kind, pack, table, states, configs, codes, soft, value, extra,
    mean, spread, pair, share, wide, scratch, logs,
):  # fmt: skip
    """Fill ``factor`` (configs, PACK) for one piece of evidence on the rows of a pack.

    Densities are divided by their largest, whose logarithm goes to ``logs``: the product of
    several wild readings would be too small for a float.
    """
    for b in range(PACK):
        row = pack[b]
        if (
            row < 0
            or (kind == CODE and codes[row] < 0)
            or (kind == NUMBER and np.isnan(value[row]))
        ):
            for c in range(configs):
                factor[c * PACK + b] = 1.0
        elif kind == CODE:
            base = codes[row] * configs
            for c in range(configs):
                factor[c * PACK + b] = table[base + c]
        elif kind == SOFT:
            for c in range(configs):
                factor[c * PACK + b] = 0.0
            for k in range(states):
                weight = soft[row, k]
                for c in range(configs):
                    factor[c * PACK + b] += weight * table[k * configs + c]
        else:
            densities(value[row], extra[row], mean, spread, share, wide, scratch)
            peak = 0.0
            for u in range(mean.shape[0]):
                peak = max(peak, scratch[u])
            logs[b] += np.log(peak)
            if peak > 0.0:
                for u in range(mean.shape[0]):
                    scratch[u] /= peak
            for c in range(configs):
                factor[c * PACK + b] = scratch[pair[c]]


@njit(cache=True, error_model="numpy", nogil=True)
def propagate(  # type: ignore[no-untyped-def]
    order, layout, factors, seen, asked, log_evidence, out,
):  # fmt: skip
    """Both passes for the rows in ``order``; :mod:`loopodds.inference.flat_tree` lays them out.

    One long loop over named arrays on purpose: split into functions, or with the fields of the
    records used in place, it takes 15 to 30 % longer.
    """
    start, size, parent, sep_start, sep_size, prior = layout[:6]
    own_map, own_cells, home_map, home_cells, home_at = layout[6:]
    kinds, homes, states, configs, tables, table_at, maps, map_at = factors[:8]
    means, spreads, gauge_at, pairs, pair_at, shares, wides = factors[8:]
    codes, softs, values, extras = seen
    q_home, q_size, q_cells, q_at, q_out = asked
    cliques = start.shape[0]
    belief = np.empty(prior.shape[0] * PACK)
    message = np.empty(sep_start[-1] * PACK)
    scales = np.empty(cliques * PACK)
    factor = np.empty(max(1, configs.max() if configs.shape[0] else 1) * PACK)
    scratch = np.empty(max(1, means.shape[0]))
    total = np.empty(max(1, sep_size.max()) * PACK)
    summed = np.empty(max(1, q_size.max() if q_size.shape[0] else 1) * PACK)
    pack = np.empty(PACK, dtype=np.int64)
    for first in range(0, order.shape[0], PACK):
        logs = np.zeros(PACK)
        for b in range(PACK):
            pack[b] = order[first + b] if first + b < order.shape[0] else -1
        for k in range(cliques):
            begun = False
            for child in range(k):
                if parent[child] != k:
                    continue
                if begun:
                    _multiply(
                        belief, start[k], size[k], message, sep_start[child],
                        home_map, home_at[child],
                    )  # fmt: skip
                else:
                    _begin(
                        belief, start[k], size[k], prior, message, sep_start[child],
                        home_map, home_at[child],
                    )  # fmt: skip
                    begun = True
            if not begun:
                for c in range(start[k], start[k] + size[k]):
                    for b in range(PACK):
                        belief[c * PACK + b] = prior[c]
            for f in range(homes.shape[0]):
                if homes[f] == k and not _silent(kinds[f], pack, codes[f], softs[f], values[f]):
                    g = gauge_at[f]
                    _likelihood(
                        factor, kinds[f], pack,
                        tables[table_at[f] : table_at[f] + states[f] * configs[f]],
                        states[f], configs[f], codes[f], softs[f], values[f], extras[f],
                        means[g : gauge_at[f + 1]], spreads[g : gauge_at[f + 1]],
                        pairs[pair_at[f] : pair_at[f] + configs[f]], shares[f], wides[f], scratch,
                        logs,
                    )  # fmt: skip
                    _multiply(belief, start[k], size[k], factor, 0, maps, map_at[f])
            _gather(
                belief, start[k], size[k], message, sep_start[k], sep_size[k], own_cells, start[k]
            )
            for b in range(PACK):
                mass = 0.0
                for s in range(sep_start[k], sep_start[k] + sep_size[k]):
                    mass += message[s * PACK + b]
                logs[b] += np.log(mass)
                scale = 1.0 / mass if mass > 0 else 0.0
                scales[k * PACK + b] = scale
                for s in range(sep_start[k], sep_start[k] + sep_size[k]):
                    message[s * PACK + b] *= scale
        for b in range(PACK):
            if pack[b] >= 0:
                log_evidence[pack[b]] = logs[b]
        if q_home.shape[0] == 0:
            continue
        for k in range(cliques - 1, -1, -1):
            if parent[k] < 0:
                continue
            p = parent[k]
            _gather(belief, start[p], size[p], total, 0, sep_size[k], home_cells, home_at[k])
            for s in range(sep_size[k]):
                for b in range(PACK):
                    inward = message[(sep_start[k] + s) * PACK + b]
                    outward = total[s * PACK + b] * scales[k * PACK + b]
                    total[s * PACK + b] = outward / inward if inward > 0 else 0.0
            _multiply(belief, start[k], size[k], total, 0, own_map, start[k])
        for q in range(q_home.shape[0]):
            k = q_home[q]
            _gather(belief, start[k], size[k], summed, 0, q_size[q], q_cells, q_at[q])
            for b in range(PACK):
                if pack[b] < 0:
                    continue
                mass = 0.0
                for s in range(q_size[q]):
                    mass += summed[s * PACK + b]
                scale = 1.0 / mass if mass > 0 else 0.0
                for s in range(q_size[q]):
                    out[pack[b], q_out[q] + s] = summed[s * PACK + b] * scale


@njit(cache=True, error_model="numpy", nogil=True)
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
                part = share * weights[g, r]
                for s in range(table.shape[1]):
                    out[g, c, s] += part * said[r, s]


@njit(cache=True, error_model="numpy", nogil=True)
def number_slopes(joint, parts, pair, weights, out, far):  # type: ignore[no-untyped-def]
    """Add up ``weights * joint * part`` over rows, shape (parts, groups, configs).

    ``parts`` has shape (parts, rows, pairs), the chance of no slip first; ``far`` becomes the
    chance of a slip in each row.
    """
    for r in range(joint.shape[0]):
        slip = 0.0
        for c in range(joint.shape[1]):
            x, p = joint[r, c], pair[c]
            slip += x * (1.0 - parts[0, r, p])
            for g in range(weights.shape[0]):
                y = x * weights[g, r]
                out[0, g, c] += y * parts[0, r, p]
                out[1, g, c] += y * parts[1, r, p]
                out[2, g, c] += y * parts[2, r, p]
        far[r] = slip


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


@njit(cache=True, error_model="numpy", nogil=True)
def squares(seen, felt, out):  # type: ignore[no-untyped-def]
    """Add up over lists the squared products over states: of ``seen``, shape (lists, states,
    rows), and ``felt``, shape (names, states, rows), to ``out``, shape (names, rows).
    """
    total = np.empty(2 * PACK)
    for first in range(0, out.shape[1], 2 * PACK):
        count = min(2 * PACK, out.shape[1] - first)
        for k in range(seen.shape[0]):
            for q in range(felt.shape[0]):
                total[:] = 0.0
                for s in range(seen.shape[1]):
                    for r in range(count):
                        total[r] += seen[k, s, first + r] * felt[q, s, first + r]
                for r in range(count):
                    out[q, first + r] += total[r] * total[r]
