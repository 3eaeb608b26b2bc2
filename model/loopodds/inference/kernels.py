"""The two passes over a junction tree as compiled loops (numba), a few rows at a time.

Importing this module loads numba; the first call on a machine compiles and caches. Rows are
worked on in packs that fit the vector unit. No belief of a clique is written: whatever is wanted of
a clique, what it sends to a neighbour or a posterior, is a sum of products of what it was given,
and these are small (Shenoy & Shafer 1990). :mod:`loopodds.inference.sums` lays the sums out.
"""

from math import factorial

import numpy as np
from numba import njit

from loopodds.base.lanes import WIDTH as PACK
from loopodds.base.lanes import (
    any_outside,
    at,
    doubled,
    fused,
    larger,
    load,
    load_from,
    minus,
    over,
    packs,
    plus,
    root,
    spread,
    store,
    times,
    where,
    whole,
)

CODE, SOFT, NUMBER = 0, 1, 2
SEND, ANSWER, SHARE, CLOSE = range(4)
"""What a sum of the outward pass is for: a child, a query, several of these, and the mass of a
clique that has no neighbour."""

_POWERS = 2.0 ** np.arange(-1080.0, 1.0)
_ROOT = 0.3989422804014327  # of 1 / (2 pi)
_LOG2E = 1.4426950408889634
_LN2_HIGH = 6.93147180369123816490e-01
_LN2_LOW = 1.90821492927058770002e-10
_TERMS = tuple(1.0 / factorial(k) for k in range(12, 1, -1))
RESTED = 8 * PACK
"""Rows from which what no row of a pack says anything about is worked out once for all of them."""


@njit(inline="always")
def exp_below(x):  # type: ignore[no-untyped-def]
    """exp(x) for x <= 0 by range reduction and a Taylor series; relative error below 4e-16."""
    x = max(x, -745.2)  # there and below it is zero, as elsewhere
    k = np.floor(x * _LOG2E + 0.5)
    r = (x - k * _LN2_HIGH) - k * _LN2_LOW
    p = 0.0
    for term in _TERMS:
        p = p * r + term
    p = (p * r + 1.0) * r + 1.0
    return p * _POWERS[int(k) + 1080]


@njit(inline="always")
def _exps(x):  # type: ignore[no-untyped-def]
    """The same of a pack, but for 1e-307 where it should be less."""
    x = larger(x, spread(-706.0))
    k = whole(fused(x, spread(_LOG2E), spread(-0.5)))
    r = fused(k, spread(-_LN2_LOW), fused(k, spread(-_LN2_HIGH), x))
    p = spread(_TERMS[0])
    for term in _TERMS[1:]:
        p = fused(p, r, spread(term))
    p = fused(fused(p, r, spread(1.0)), r, spread(1.0))
    return doubled(p, k)


@njit(cache=True, error_model="numpy")
def _one(work, to, cells, run, index, o, f):  # type: ignore[no-untyped-def]
    """work[to] = the sum of a factor over some of its variables, times a factor ``o`` over the
    others, of ones if it begins below zero; what all of it adds up to.

    A factor is given by where it begins, where the part of its map begins that hangs on the
    variables kept, and the part of those summed out. Most sums are of three terms or fewer, which
    are written out.
    """
    mass = spread(0.0)
    f0, f1, f2 = _first(index, f[2], run)
    for c in range(cells):
        u = f[0] + at(index, f[1] + c)
        total = load_from(work, u, f0)
        if run > 1:
            total = plus(total, load_from(work, u, f1))
        if run > 2:
            total = plus(total, load_from(work, u, f2))
        for q in range(3, run):
            total = plus(total, load_from(work, u, at(index, f[2] + q)))
        if o[0] >= 0:
            total = times(total, load_from(work, o[0], at(index, o[1] + c)))
        store(work, to + c, total)
        mass = plus(mass, total)
    return mass


@njit(inline="always")
def _first(index, start, run):  # type: ignore[no-untyped-def]
    """The first three places of a map, as far as there are."""
    one, two = at(index, start), at(index, start + min(run, 2) - 1)
    return one, two, at(index, start + min(run, 3) - 1)


@njit(inline="always")
def _with(work, total, u, a, v, b):  # type: ignore[no-untyped-def]
    return fused(load_from(work, u, a), load_from(work, v, b), total)


@njit(cache=True, error_model="numpy")
def _two(work, to, cells, run, index, o, f, g):  # type: ignore[no-untyped-def]
    """The same of the product of two factors; long sums four cells at a time, because an addition
    waits for the one before it."""
    mass = spread(0.0)
    f0, f1, f2 = _first(index, f[2], run)
    g0, g1, g2 = _first(index, g[2], run)
    fours = cells // 4 * 4 if run > 3 else 0
    for c in range(0, fours, 4):
        u, v = f[0] + at(index, f[1] + c), g[0] + at(index, g[1] + c)
        i, j = f[0] + at(index, f[1] + c + 1), g[0] + at(index, g[1] + c + 1)
        k, l = f[0] + at(index, f[1] + c + 2), g[0] + at(index, g[1] + c + 2)
        m, n = f[0] + at(index, f[1] + c + 3), g[0] + at(index, g[1] + c + 3)
        w, x, y, z = spread(0.0), spread(0.0), spread(0.0), spread(0.0)
        for q in range(run):
            a, b = at(index, f[2] + q), at(index, g[2] + q)
            w, x = _with(work, w, u, a, v, b), _with(work, x, i, a, j, b)
            y, z = _with(work, y, k, a, l, b), _with(work, z, m, a, n, b)
        if o[0] >= 0:
            w = times(w, load_from(work, o[0], at(index, o[1] + c)))
        store(work, to + c, w)
        mass = plus(mass, w)
        if o[0] >= 0:
            x = times(x, load_from(work, o[0], at(index, o[1] + c + 1)))
        store(work, to + c + 1, x)
        mass = plus(mass, x)
        if o[0] >= 0:
            y = times(y, load_from(work, o[0], at(index, o[1] + c + 2)))
        store(work, to + c + 2, y)
        mass = plus(mass, y)
        if o[0] >= 0:
            z = times(z, load_from(work, o[0], at(index, o[1] + c + 3)))
        store(work, to + c + 3, z)
        mass = plus(mass, z)
    if run == 3:
        for c in range(cells):
            u, v = f[0] + at(index, f[1] + c), g[0] + at(index, g[1] + c)
            total = _with(work, _with(work, spread(0.0), u, f0, v, g0), u, f1, v, g1)
            total = _with(work, total, u, f2, v, g2)
            if o[0] >= 0:
                total = times(total, load_from(work, o[0], at(index, o[1] + c)))
            store(work, to + c, total)
            mass = plus(mass, total)
        return mass
    for c in range(fours, cells):
        u, v = f[0] + at(index, f[1] + c), g[0] + at(index, g[1] + c)
        total = _with(work, spread(0.0), u, f0, v, g0)
        if run > 1:
            total = _with(work, total, u, f1, v, g1)
        if run > 2:
            total = _with(work, total, u, f2, v, g2)
        for q in range(3, run):
            total = _with(work, total, u, at(index, f[2] + q), v, at(index, g[2] + q))
        if o[0] >= 0:
            total = times(total, load_from(work, o[0], at(index, o[1] + c)))
        store(work, to + c, total)
        mass = plus(mass, total)
    return mass


@njit(inline="always")
def _with_two(work, total, u, a, v, b, w, c):  # type: ignore[no-untyped-def]
    both = times(load_from(work, u, a), load_from(work, v, b))
    return fused(both, load_from(work, w, c), total)


@njit(cache=True, error_model="numpy")
def _three(work, to, cells, run, index, o, f, g, h):  # type: ignore[no-untyped-def]
    """The same of three."""
    mass = spread(0.0)
    f0, f1, f2 = _first(index, f[2], run)
    g0, g1, g2 = _first(index, g[2], run)
    h0, h1, h2 = _first(index, h[2], run)
    twos = cells // 2 * 2 if run > 3 else 0
    for c in range(0, twos, 2):
        u, v = f[0] + at(index, f[1] + c), g[0] + at(index, g[1] + c)
        i, j = f[0] + at(index, f[1] + c + 1), g[0] + at(index, g[1] + c + 1)
        w, z = h[0] + at(index, h[1] + c), h[0] + at(index, h[1] + c + 1)
        x, y = spread(0.0), spread(0.0)
        for q in range(run):
            a, b, d = at(index, f[2] + q), at(index, g[2] + q), at(index, h[2] + q)
            x = _with_two(work, x, u, a, v, b, w, d)
            y = _with_two(work, y, i, a, j, b, z, d)
        if o[0] >= 0:
            x = times(x, load_from(work, o[0], at(index, o[1] + c)))
        store(work, to + c, x)
        mass = plus(mass, x)
        if o[0] >= 0:
            y = times(y, load_from(work, o[0], at(index, o[1] + c + 1)))
        store(work, to + c + 1, y)
        mass = plus(mass, y)
    for c in range(twos, cells):
        u, v = f[0] + at(index, f[1] + c), g[0] + at(index, g[1] + c)
        w = h[0] + at(index, h[1] + c)
        total = _with_two(work, spread(0.0), u, f0, v, g0, w, h0)
        if run > 1:
            total = _with_two(work, total, u, f1, v, g1, w, h1)
        if run > 2:
            total = _with_two(work, total, u, f2, v, g2, w, h2)
        for q in range(3, run):
            a, b, d = at(index, f[2] + q), at(index, g[2] + q), at(index, h[2] + q)
            total = _with_two(work, total, u, a, v, b, w, d)
        if o[0] >= 0:
            total = times(total, load_from(work, o[0], at(index, o[1] + c)))
        store(work, to + c, total)
        mass = plus(mass, total)
    return mass


@njit(cache=True, error_model="numpy")
def _more(work, to, cells, run, index, o, given, count):  # type: ignore[no-untyped-def]
    """The same of four or more."""
    mass = spread(0.0)
    last = count - 1
    for c in range(cells):
        u, v = given[0, 0] + at(index, given[1, 0] + c), given[0, 1] + at(index, given[1, 1] + c)
        w, z = given[0, 2] + at(index, given[1, 2] + c), given[0, last] + at(index, given[1, last] + c)
        total = spread(0.0)
        for q in range(run):
            a, b = at(index, given[2, 0] + q), at(index, given[2, 1] + q)
            x = times(load_from(work, u, a), load_from(work, v, b))
            x = times(x, load_from(work, w, at(index, given[2, 2] + q)))
            for i in range(3, last):
                place = at(index, given[1, i] + c) + at(index, given[2, i] + q)
                x = times(x, load_from(work, given[0, i], place))
            total = fused(x, load_from(work, z, at(index, given[2, last] + q)), total)
        if o[0] >= 0:
            total = times(total, load_from(work, o[0], at(index, o[1] + c)))
        store(work, to + c, total)
        mass = plus(mass, total)
    return mass


@njit(cache=True, error_model="numpy")
def _outer(work, to, cells, index, f):  # type: ignore[no-untyped-def]
    """work[to] times one more factor over variables kept; what it adds up to."""
    mass = spread(0.0)
    for c in range(cells):
        total = load(work, to + c)
        if f[0] >= 0:
            total = times(total, load_from(work, f[0], at(index, f[1] + c)))
        store(work, to + c, total)
        mass = plus(mass, total)
    return mass


@njit(cache=True, error_model="numpy")
def _common(work, one, other, cells):  # type: ignore[no-untyped-def]
    """Sum of the products of two lists of cells."""
    a, b = spread(0.0), spread(0.0)
    for s in range(0, cells - 1, 2):
        a = plus(a, times(load(work, one + s), load(work, other + s)))
        b = plus(b, times(load(work, one + s + 1), load(work, other + s + 1)))
    if cells % 2:
        last = cells - 1
        a = plus(a, times(load(work, one + last), load(work, other + last)))
    return plus(a, b)


@njit(cache=True, error_model="numpy")
def _lift(work, to, cells, mass, tiny, logs):  # type: ignore[no-untyped-def]
    """Divide the cells of a row by a mass that is too small or too large to go on with, whose
    logarithm is added up; which rows that are hangs on nothing but themselves.
    """
    if not any_outside(mass, tiny, 1.0 / tiny):
        return
    scale = packs(1)
    store(scale, 0, mass)
    for b in range(PACK):
        if 0.0 < scale[b] < tiny or scale[b] > 1.0 / tiny:
            logs[b] += np.log(scale[b])
            scale[b] = 1.0 / scale[b]
        else:
            scale[b] = 1.0
    factor = load(scale, 0)
    for c in range(to, to + cells):
        store(work, c, times(load(work, c), factor))


@njit(cache=True, error_model="numpy")
def _answer(work, start, cells, mass, answers, column):  # type: ignore[no-untyped-def]
    """Shares of the cells of each row; zeros where there is no mass."""
    scale = over(spread(1.0), mass)
    for s in range(cells):
        store(answers, column + s, times(load(work, start + s), scale))


@njit(cache=True, error_model="numpy")
def _written(answers, logs, pack, out, log_evidence):  # type: ignore[no-untyped-def]
    """A pack among the results, row by row."""
    for b in range(PACK):
        row = pack[b]
        if row >= 0:
            log_evidence[row] = logs[b]
            for s in range(out.shape[1]):
                out[row, s] = answers[s * PACK + b]


@njit(cache=True, error_model="numpy")
def readings(pack, value, extra, gauge, misread, work, to, tiny, logs):  # type: ignore[no-untyped-def]
    """Mixture density of a gauge under each distinct mean and spread, for the rows of a pack; see
    :mod:`loopodds.inference.likelihoods`.

    Small ones are divided by their largest, whose logarithm is added up: the product of several
    wild readings would be too small for a float. A row without a reading gets ones.

    Args:
        gauge: Of each pair the mean, the variance, -1 / (2 variance) and 1 / spread.
        to: Where the densities go in ``work``.
    """
    mean, variance, slope, height = gauge
    share, wide = misread
    said = packs(4)
    clear = True
    for b in range(PACK):
        read = pack[b] >= 0 and not np.isnan(value[pack[b]])
        said[b] = value[pack[b]] if read else 0.0
        said[PACK + b] = extra[pack[b]] ** 2 if read else 0.0
        clear &= said[PACK + b] == 0.0
        w = np.sqrt(wide * wide + said[PACK + b])
        density = share * _ROOT * np.exp(-0.5 * (said[b] / w) ** 2) / w
        said[2 * PACK + b] = (1.0 - share) * _ROOT if read else 0.0
        said[3 * PACK + b] = density if read else 1.0
    seen, own, near, far = load(said, 0), load(said, 1), load(said, 2), load(said, 3)
    peak = spread(0.0)
    for u in range(mean.shape[0]):
        if clear:  # to the last bit what the other way says without a spread of the conditions
            a, b = spread(slope[u]), spread(height[u])
        else:
            both = plus(spread(variance[u]), own)
            a, b = over(spread(-0.5), both), over(spread(1.0), root(both))
        gap = minus(seen, spread(mean[u]))
        density = fused(times(near, b), _exps(times(times(gap, gap), a)), far)
        store(work, to + u, density)
        peak = larger(density, peak)
    _lift(work, to, mean.shape[0], peak, tiny, logs)


@njit(cache=True, error_model="numpy")
def _weighed(pack, soft, column, table, states, configs, work, to):  # type: ignore[no-untyped-def]
    """Likelihood of each configuration from weights of the states, for the rows of a pack."""
    for c in range(to, to + configs):
        store(work, c, spread(0.0))
    weights = packs(1)
    for k in range(states):
        for b in range(PACK):
            weights[b] = soft[pack[b], column, k] if pack[b] >= 0 else 1.0
        weight = load(weights, 0)
        for c in range(configs):
            x = times(weight, spread(at(table, k * configs + c)))
            store(work, to + c, plus(load(work, to + c), x))


@njit(cache=True, error_model="numpy")
def _fold_words(work, to, cells, index, f, tables, first, own, words, count):  # type: ignore[no-untyped-def]
    """work[to] = a factor times the column of a table for the word of each row, cell by cell.

    ``f`` is where the factor and its index begin; below zero it is all ones. ``own`` are the words
    of the rows, ``words`` those that occur.
    """
    said = load(own, 0)
    for c in range(cells):
        x = spread(at(tables, first + cells * np.int64(words[0]) + c))
        for i in range(1, count):
            other = spread(at(tables, first + cells * np.int64(words[i]) + c))
            x = where(said, words[i], other, x)
        if f[0] >= 0:
            x = times(x, load_from(work, f[0], at(index, f[1] + c)))
        store(work, to + c, x)


@njit(cache=True, error_model="numpy")
def _fold(work, to, cells, index, f, others, g):  # type: ignore[no-untyped-def]
    """work[to] = a factor, of ones if it begins below zero, times one with other maps."""
    for c in range(cells):
        x = load_from(work, g[0], at(others, g[1] + c))
        if f[0] >= 0:
            x = times(x, load_from(work, f[0], at(index, f[1] + c)))
        store(work, to + c, x)


@njit(cache=True, error_model="numpy")
def _words_said(pack, codes, column, states, own, words):  # type: ignore[no-untyped-def]
    """What each row of a pack says, the number of states being nothing, and how many things."""
    count = 0
    for b in range(PACK):
        code = codes[pack[b], column] if pack[b] >= 0 else -1
        own[b] = code if code >= 0 else states
        new = True
        for i in range(count):
            new &= words[i] != own[b]
        if new:
            words[count] = own[b]
            count += 1
    return count


@njit(cache=True, error_model="numpy")
def _heard(pack, codes, values, low, high, number):  # type: ignore[no-untyped-def]
    """The lowest and the highest code of each column in a pack, and which numbers any row has."""
    low[:], high[:], number[:] = 2**30, -1, False
    for b in range(PACK):
        row = pack[b]
        if row < 0:
            low[:] = -1
            continue
        for i in range(high.shape[0]):
            low[i], high[i] = min(low[i], codes[row, i]), max(high[i], codes[row, i])
        for i in range(number.shape[0]):
            number[i] |= not np.isnan(values[row, i])


@njit(cache=True, error_model="numpy")
def _sum(work, number, sums, index, place, live, inner):  # type: ignore[no-untyped-def]
    """One sum of products over the factors that say something; what all of it adds up to."""
    all_cells, all_run, all_to, first, factor, kept, left, outer = sums
    cells, run, to = all_cells[number], all_run[number], all_to[number]
    count, outside = 0, -1
    for i in range(first[number], first[number + 1]):
        if live[factor[i]]:
            if outer[i]:
                outside = i if outside < 0 else outside
            else:
                inner[0, count] = place[factor[i]]
                inner[1, count], inner[2, count] = kept[i], left[i]
                count += 1
    f = inner[0, 0], inner[1, 0], inner[2, 0]
    g = inner[0, 1], inner[1, 1], inner[2, 1]
    h = inner[0, 2], inner[1, 2], inner[2, 2]
    o = (place[factor[outside]], kept[outside]) if outside >= 0 else (-1, 0)
    if count == 1:
        mass = _one(work, to, cells, run, index, o, f)
    elif count == 2:
        mass = _two(work, to, cells, run, index, o, f, g)
    elif count == 3:
        mass = _three(work, to, cells, run, index, o, f, g, h)
    else:
        mass = _more(work, to, cells, run, index, o, inner, count)
    for i in range(outside + 1, first[number + 1] if outside >= 0 else 0):
        if live[factor[i]] and outer[i]:
            mass = _outer(work, to, cells, index, (place[factor[i]], kept[i]))
    return mass


@njit(cache=True, error_model="numpy", nogil=True)
def propagate(  # type: ignore[no-untyped-def]
    order, tree, groups, sums, steps, prior, factors, seen, log_evidence, out,
):  # fmt: skip
    """Both passes for the rows in ``order``; :mod:`loopodds.inference.sums` lays them out.

    One long loop over named arrays on purpose: with the fields of the records used in place it
    takes longer.
    """
    index, size, place_of, child_first, children, in_at, rest_at, sent, prior_at, tiny = tree
    group_first, within, level, group_cells, group_at, lift_first, lift_at, member_first = groups
    kinds, column, states, configs, tables, table_at, pairs, pair_at = factors[:8]
    means, variances, slopes, heights, gauge_at, shares, wides = factors[8:]
    codes, softs, values, extras = seen
    step_kind, step_about, step_closes = steps
    cliques = in_at.shape[0]
    densities = size
    most = 1
    for f in range(configs.shape[0]):
        most = max(most, configs[f], gauge_at[f + 1] - gauge_at[f])
    work = packs(size + most)
    rested = np.zeros((cliques, PACK))
    place = place_of * PACK
    live = np.ones(place.shape[0], np.bool_)
    for c in range(prior.shape[0]):
        store(work, prior_at + c, spread(prior[c]))
    store(work, place_of[-1], spread(1.0))
    alias, quiet = np.empty(group_at.shape[0], np.int64), np.zeros(cliques, np.bool_)
    inner = np.zeros((3, max(4, place.shape[0])), np.int64)
    low, high = np.empty((2, codes.shape[1]), np.int32)
    number = np.empty(values.shape[1], np.bool_)
    answers = packs(out.shape[1])
    own, words, closing = packs(1), np.empty(PACK), packs(1)
    logs, outward = np.empty(PACK), np.zeros(PACK)  # the second is not asked for
    pack = np.empty(PACK, dtype=np.int64)
    resting = order.shape[0] > RESTED
    for first in range(-PACK if resting else 0, order.shape[0], PACK):
        for b in range(PACK):
            pack[b] = order[first + b] if 0 <= first + b < order.shape[0] else -1
        logs[:] = 0.0
        _heard(pack, codes, values, low, high, number)
        for k in range(cliques):
            silent = True
            for g in range(group_first[k], group_first[k + 1]):
                alias[g], live[2 * cliques + g] = -1, False
            for g in range(group_first[k], group_first[k + 1]):
                to, cells = group_at[g], group_cells[g]
                for f in range(member_first[g], member_first[g + 1]):
                    i, kind = column[f], kinds[f]
                    if first < 0 or (kind == CODE and high[i] < 0) or (kind == NUMBER and not number[i]):
                        continue
                    source = alias[g]
                    before = -1, 0
                    if source >= 0:
                        lift = lift_at[lift_first[source] + level[source] - level[g] - 1] if source != g else 0
                        before = group_at[source] * PACK, lift
                    if kind == CODE:
                        count, words[0] = 1, high[i]
                        if low[i] < high[i]:
                            count = _words_said(pack, codes, i, states[f], own, words)
                        _fold_words(work, to, cells, index, before, tables, table_at[f], own, words, count)
                    else:
                        if kind == SOFT:
                            table = tables[table_at[f] : table_at[f + 1]]
                            _weighed(pack, softs, i, table, states[f], configs[f], work, densities)
                        else:
                            a, z = gauge_at[f], gauge_at[f + 1]
                            gauge = means[a:z], variances[a:z], slopes[a:z], heights[a:z]
                            readings(
                                pack, values[:, i], extras[:, i], gauge, (shares[f], wides[f]), work, densities,
                                tiny, logs,
                            )
                        _fold(work, to, cells, index, before, pairs, (densities * PACK, pair_at[f]))
                    alias[g] = g
                source, host = alias[g], within[g]
                if source < 0:
                    continue
                silent = False
                if host < 0:
                    live[2 * cliques + source] = True
                elif alias[host] < 0:
                    alias[host] = source
                else:
                    other = alias[host]
                    lift = lift_at[lift_first[source] + level[source] - level[host] - 1]
                    before = 0 if other == host else lift_at[lift_first[other] + level[other] - level[host] - 1]
                    _fold(
                        work, group_at[host], group_cells[host], index,
                        (group_at[other] * PACK, before), index, (group_at[source] * PACK, lift),
                    )  # fmt: skip
                    alias[host] = host
            for e in range(child_first[k], child_first[k + 1]):
                silent &= quiet[children[e]]
            quiet[k] = silent and resting and first >= 0  # in what it was just now
            if sent[k] == 0:
                continue
            if quiet[k]:
                place[k] = rest_at[k] * PACK
                logs += rested[k]
                continue
            place[k] = in_at[k] * PACK
            mass = _sum(work, k, sums, index, place, live, inner)
            if first < 0:
                logs[:] = 0.0
            _lift(work, in_at[k], sent[k], mass, tiny, logs)
            if first < 0:
                rested[k] = logs
                for c in range(sent[k]):
                    store(work, rest_at[k] + c, load(work, in_at[k] + c))
        if first < 0:
            quiet[:] = True
            continue
        for t in range(step_kind.shape[0]):
            n, kind, about = cliques + t, step_kind[t], step_about[t]
            to, cells = sums[2][n], sums[0][n]
            mass = _sum(work, n, sums, index, place, live, inner)
            if step_closes[t]:
                whole = mass
                if kind == SEND:
                    whole = _common(work, place[about] // PACK, to, cells)
                store(closing, 0, whole)
                for b in range(PACK):
                    logs[b] += np.log(closing[b])
            if kind == SEND:
                _lift(work, to, cells, mass, tiny, outward)
            elif kind == ANSWER:
                _answer(work, to, cells, mass, answers, about)
        _written(answers, logs, pack, out, log_evidence)
