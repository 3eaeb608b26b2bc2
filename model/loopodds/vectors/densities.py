"""Likelihoods of what was seen, for a few rows side by side, as compiled loops (numba)."""

from math import factorial

import numpy as np

from loopodds.vectors.compiling import loop, part
from loopodds.vectors.lanes import (
    LINE,
    above,
    any_outside,
    at,
    doubled,
    fetch,
    fused,
    larger,
    load,
    load_from,
    minus,
    over,
    plus,
    root,
    spread,
    store,
    times,
    where,
)
from loopodds.vectors.lanes import WIDTH as PACK

MARKS = 62
"""Words of a column that have a mark of their own."""
_POWERS = 2.0 ** np.arange(-1080.0, 1.0)
_ROOT = 0.3989422804014327  # of 1 / (2 pi)
_LOG2E = 1.4426950408889634
_LN2_HIGH = 6.93147180369123816490e-01
_LN2_LOW = 1.90821492927058770002e-10
_WHOLE = 1.5 * 2.0**52  # added to a number, it leaves a whole one in the last bits
_LEAST = -707.0  # below, a result has not all its digits any more
_TERMS = tuple(1.0 / factorial(k) for k in range(12, 1, -1))


@part
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


@part
def _exps(x):  # type: ignore[no-untyped-def]
    """The same of a pack; zero where it is too small for a float with all its digits."""
    near = larger(x, spread(_LEAST))
    count = fused(near, spread(_LOG2E), spread(_WHOLE))
    k = minus(count, spread(_WHOLE))
    r = fused(k, spread(-_LN2_LOW), fused(k, spread(-_LN2_HIGH), near))
    p = spread(_TERMS[0])
    for term in _TERMS[1:]:
        p = fused(p, r, spread(term))
    p = fused(fused(p, r, spread(1.0)), r, spread(1.0))
    return above(x, _LEAST, doubled(p, count))


@loop
def lift(work, to, cells, mass, tiny, logs, room):  # type: ignore[no-untyped-def]
    """Divide the cells of a row by a mass that is too small or too large to go on with, whose
    logarithm is added up; which rows that are hangs on nothing but themselves.

    ``room`` is a pack of ``work`` that nothing is in.
    """
    if not any_outside(mass, tiny, 1.0 / tiny):
        return
    store(work, room, mass)
    for b in range(PACK):
        own, scale = work[room * PACK + b], 1.0
        if 0.0 < own < tiny or own > 1.0 / tiny:
            scale = min(1.0 / own, 1e300)
            logs[b] -= np.log(scale)
        work[room * PACK + b] = scale
    factor = load(work, room)
    for c in range(to, to + cells):
        store(work, c, times(load(work, c), factor))


@loop
def readings(pack, read, gauge, misread, work, to, tiny, logs, room):  # type: ignore[no-untyped-def]
    """Mixture density of a gauge under each distinct mean and spread, for the rows of a pack; see
    :mod:`loopodds.inference.likelihoods`.

    Small ones are divided by their largest, whose logarithm is added up: the product of several
    wild readings would be too small for a float. A row without a reading gets ones.

    Args:
        read: Readings and the spreads that the conditions add, for every row of the batch.
        gauge: Of each pair the mean, the variance, -1 / (2 variance) and 1 / spread.
        to: Where the densities go in ``work``.
        room: First of three packs of ``work`` that nothing is in.
    """
    mean, variance, slope, height = gauge
    share, wide = misread
    value, extra = read
    said, clear = room * PACK, True
    for b in range(PACK):
        has = pack[b] >= 0 and not np.isnan(value[pack[b]])
        work[said + b] = value[pack[b]] if has else 0.0
        work[said + PACK + b] = extra[pack[b]] ** 2 if has else 0.0
        work[said + 2 * PACK + b] = 1.0 if has else 0.0
        clear &= work[said + PACK + b] == 0.0
    seen, own, there = load(work, room), load(work, room + 1), load(work, room + 2)
    reach = plus(spread(wide * wide), own)
    level = over(times(spread(-0.5), times(seen, seen)), reach)
    far = over(times(spread(share * _ROOT), _exps(level)), root(reach))
    far = plus(times(there, far), minus(spread(1.0), there))
    near = times(there, spread((1.0 - share) * _ROOT))
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
    lift(work, to, mean.shape[0], peak, tiny, logs, room)


@loop
def weighed(pack, soft, column, tables, first, many, work, to, room):  # type: ignore[no-untyped-def]
    """Likelihood of each configuration from weights of the states, for the rows of a pack;
    ``room`` is a pack of ``work`` that nothing is in."""
    states, configs = many
    for c in range(to, to + configs):
        store(work, c, spread(0.0))
    for k in range(states):
        for b in range(PACK):
            work[room * PACK + b] = soft[pack[b], column, k] if pack[b] >= 0 else 1.0
        weight = load(work, room)
        for c in range(configs):
            x = times(weight, spread(at(tables, first + k * configs + c)))
            store(work, to + c, plus(load(work, to + c), x))


@loop
def fold_words(  # type: ignore[no-untyped-def]
    work, to, cells, index, f, tables, first, said, words, count,
):  # fmt: skip
    """work[to] = a factor times the column of a table for the word of each row, cell by cell.

    ``f`` is where the factor and its map begin; below zero it is all ones. ``said`` are the words
    of the rows, ``words`` those that occur, and ``first`` is where the columns of these begin.
    """
    a, b, second = at(first, 0), at(first, 1), float(at(words, 1))
    for c in range(cells):
        x = spread(at(tables, a + c))
        if count > 1:
            x = where(said, second, spread(at(tables, b + c)), x)
        for i in range(2, count):
            x = where(said, float(at(words, i)), spread(at(tables, at(first, i) + c)), x)
        if f[0] >= 0:
            x = times(x, load_from(work, f[0], at(index, f[1] + c)))
        store(work, to + c, x)


@loop
def fold(work, to, cells, index, f, others, g):  # type: ignore[no-untyped-def]
    """work[to] = a factor, of ones if it begins below zero, times one with other maps."""
    for c in range(cells):
        x = load_from(work, g[0], at(others, g[1] + c))
        if f[0] >= 0:
            x = times(x, load_from(work, f[0], at(index, f[1] + c)))
        store(work, to + c, x)


@loop
def columns_of(mask, said, column, states, words):  # type: ignore[no-untyped-def]
    """The words that a pack says of a column, -1 being nothing, from their marks; how many."""
    count = 0
    if mask < 0:  # some have no mark of their own: word by word, each as often as it is said
        for b in range(PACK):
            words[b] = np.int64(said[column * PACK + b])
        return PACK
    for word in range(-1, min(states, MARKS)):
        words[count] = word  # stays if it is said
        count += (mask >> (word + 1)) & 1
    return count


@loop
def announce(order, first, rows):  # type: ignore[no-untyped-def]
    """Ask for what the rows of a pack say, of an array with an axis of rows: they may lie anywhere,
    and what is asked for too late is waited for."""
    wide = rows.shape[1]
    for b in range(max(first, 0), min(first + PACK, order.shape[0])):
        start = order[b] * wide
        for i in range(start, start + wide, LINE // rows.itemsize):
            fetch(rows, i)
        if wide:
            fetch(rows, start + wide - 1)


@loop
def heard(pack, codes, values, said, marks, number):  # type: ignore[no-untyped-def]
    """What each row of a pack says of each column, side by side; a mark for each word that is said
    (the first bit for nothing, the last for all without one), and which numbers any row has."""
    for i in range(codes.shape[1]):
        marks[i] = 0
    for i in range(values.shape[1]):
        number[i] = False
    for b in range(PACK):
        row = pack[b]
        for i in range(codes.shape[1]):
            code = codes[row, i] if row >= 0 else -1
            said[i * PACK + b] = code
            marks[i] |= np.int64(1) << min(code + 1, 63)
        for i in range(values.shape[1] if row >= 0 else 0):
            number[i] |= not np.isnan(values[row, i])
