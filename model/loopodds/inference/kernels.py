"""The two passes over a junction tree as compiled loops (numba), a few rows at a time.

Importing this module loads numba; the first call on a machine compiles and caches. Rows are
worked on in packs that fit the vector unit, so that the beliefs of a pack stay in the cache.
All index maps are flat: position of a clique configuration -> position in the smaller array.
"""

from math import factorial

import numpy as np
from numba import njit

from loopodds.inference.lanes import WIDTH as PACK
from loopodds.inference.lanes import (
    at,
    doubled,
    larger,
    load,
    minus,
    over,
    pick,
    plus,
    root,
    spread,
    store,
    times,
    whole,
)

CODE, SOFT, NUMBER = 0, 1, 2

_POWERS = 2.0 ** np.arange(-1080.0, 1.0)
_ROOT = 0.3989422804014327  # of 1 / (2 pi)
_LOG2E = 1.4426950408889634
_LN2_HIGH = 6.93147180369123816490e-01
_LN2_LOW = 1.90821492927058770002e-10
_TERMS = tuple(1.0 / factorial(k) for k in range(13, 1, -1))


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
    """The same of a pack."""
    x = larger(x, spread(-745.2))  # there and below it is zero, as elsewhere
    k = whole(minus(times(x, spread(_LOG2E)), spread(0.5)))
    r = minus(minus(x, times(k, spread(_LN2_HIGH))), times(k, spread(_LN2_LOW)))
    p = spread(0.0)
    for term in _TERMS:
        p = plus(times(p, r), spread(term))
    p = plus(times(plus(times(p, r), spread(1.0)), r), spread(1.0))
    return doubled(p, k)


@njit(cache=True, error_model="numpy")
def _clear(total, start, cells):  # type: ignore[no-untyped-def]
    for s in range(cells):
        store(total, start + s, spread(0.0))


@njit(cache=True, error_model="numpy")
def _first(  # type: ignore[no-untyped-def]
    belief, clique, prior, work, to, maps, a, ma, b, mb, d, md
):
    """belief = prior * three factors, and what it sends on, in one pass."""
    start, cells, run = clique
    _clear(work, to, cells)
    for r in range(0, run * cells, cells):
        c, m, n, o = start + r, ma + r, mb + r, md + r
        for s in range(cells):
            x = times(spread(at(prior, c + s)), load(work, a + at(maps, m + s)))
            x = times(x, load(work, b + at(maps, n + s)))
            x = times(x, load(work, d + at(maps, o + s)))
            store(belief, c + s, x)
            store(work, to + s, plus(load(work, to + s), x))


@njit(cache=True, error_model="numpy")
def _more(belief, clique, work, to, maps, a, ma, b, mb):  # type: ignore[no-untyped-def]
    """belief = belief * two factors, and what it sends on."""
    start, cells, run = clique
    _clear(work, to, cells)
    for r in range(0, run * cells, cells):
        c, m, n = start + r, ma + r, mb + r
        for s in range(cells):
            x = times(load(belief, c + s), load(work, a + at(maps, m + s)))
            x = times(x, load(work, b + at(maps, n + s)))
            store(belief, c + s, x)
            store(work, to + s, plus(load(work, to + s), x))


@njit(cache=True, error_model="numpy")
def _spread(belief, clique, work, base):  # type: ignore[no-untyped-def]
    """belief = belief * what its parent sent."""
    start, cells, run = clique
    for c in range(start, start + run * cells, cells):
        for s in range(cells):
            store(belief, c + s, times(load(belief, c + s), load(work, base + s)))


@njit(cache=True, error_model="numpy")
def _gather(belief, start, run, total, cells, grouped, first):  # type: ignore[no-untyped-def]
    """Sum into cells of ``run`` configurations each; ``grouped`` lists the first of all cells,
    then the second, and so on."""
    k = first
    if run % 2 == 0:
        for s in range(cells):
            x = load(belief, start + at(grouped, k + s))
            y = load(belief, start + at(grouped, k + cells + s))
            store(total, s, plus(x, y))
        k += 2 * cells
    else:
        for s in range(cells):
            store(total, s, load(belief, start + at(grouped, k + s)))
        k += cells
    for r in range(k, first + run * cells, 2 * cells):
        for s in range(cells):
            x = load(belief, start + at(grouped, r + s))
            y = load(belief, start + at(grouped, r + cells + s))
            store(total, s, plus(load(total, s), plus(x, y)))


@njit(cache=True, error_model="numpy")
def _silent(kind, column, pack, codes, value):  # type: ignore[no-untyped-def]
    """Whether one piece of evidence says nothing about any row of a pack."""
    for row in pack:
        if (
            row < 0
            or (kind == CODE and codes[column, row] < 0)
            or (kind == NUMBER and np.isnan(value[column, row]))
        ):
            continue
        return False
    return True


@njit(cache=True, error_model="numpy")
def readings(pack, value, extra, mean, spread_, misread, densities, logs):  # type: ignore[no-untyped-def]
    """Mixture density of a gauge under each distinct mean and spread, for the rows of a pack; see
    :mod:`loopodds.inference.likelihoods`.

    They are divided by their largest, whose logarithm goes to ``logs``: the product of several
    wild readings would be too small for a float. A row without a reading gets ones.
    """
    share, wide = misread
    said = np.empty((4, PACK))
    for b in range(PACK):
        read = pack[b] >= 0 and not np.isnan(value[pack[b]])
        said[0, b] = value[pack[b]] if read else 0.0
        said[1, b] = extra[pack[b]] ** 2 if read else 1.0
        w = np.sqrt(wide * wide + said[1, b])
        density = share * _ROOT * np.exp(-0.5 * (said[0, b] / w) ** 2) / w
        said[2, b] = (1.0 - share) * _ROOT if read else 0.0
        said[3, b] = density if read else 1.0
    flat = said.reshape(4 * PACK)
    seen, own, near, far = load(flat, 0), load(flat, 1), load(flat, 2), load(flat, 3)
    peak = spread(0.0)
    for u in range(mean.shape[0]):
        variance = plus(spread(spread_[u] * spread_[u]), own)
        gap = minus(seen, spread(mean[u]))
        level = over(times(times(gap, gap), spread(-0.5)), variance)
        density = plus(over(times(near, _exps(level)), root(variance)), far)
        store(densities, u, density)
        peak = larger(density, peak)
    store(flat, 0, peak)
    for b in range(PACK):
        logs[b] += np.log(said[0, b])
    for u in range(mean.shape[0]):
        store(densities, u, over(load(densities, u), peak))


@njit(cache=True, error_model="numpy")
def _weighed(pack, soft, table, states, configs, likelihood):  # type: ignore[no-untyped-def]
    """Likelihood of each configuration from weights of the states, for the rows of a pack."""
    _clear(likelihood, 0, configs)
    weights = np.empty(PACK)
    for k in range(states):
        for b in range(PACK):
            weights[b] = soft[pack[b], k] if pack[b] >= 0 else 1.0
        weight = load(weights, 0)
        for c in range(configs):
            x = times(weight, spread(table[k * configs + c]))
            store(likelihood, c, plus(load(likelihood, c), x))


@njit(cache=True, error_model="numpy")
def _fold_words(work, to, source, table, places, cells, member, first):  # type: ignore[no-untyped-def]
    """work[to] = work[source] * the column of a table for the word of each row, cell by cell; a
    source below zero is all ones."""
    if source < 0:
        for c in range(cells):
            store(work, to + c, pick(table, places, at(member, first + c)))
    else:
        for c in range(cells):
            x = times(pick(table, places, at(member, first + c)), load(work, source + c))
            store(work, to + c, x)


@njit(cache=True, error_model="numpy")
def _fold(work, to, source, likelihood, cells, member, first):  # type: ignore[no-untyped-def]
    """The same with a likelihood worked out for the rows of the pack."""
    if source < 0:
        for c in range(cells):
            store(work, to + c, load(likelihood, at(member, first + c)))
    else:
        for c in range(cells):
            x = times(load(likelihood, at(member, first + c)), load(work, source + c))
            store(work, to + c, x)


@njit(cache=True, error_model="numpy")
def _join(work, to, source, other, cells, maps, first):  # type: ignore[no-untyped-def]
    """work[to] = work[source] * work[other], which has fewer cells; a source below zero is ones."""
    if source < 0:
        for c in range(cells):
            store(work, to + c, load(work, other + at(maps, first + c)))
    else:
        for c in range(cells):
            x = times(load(work, source + c), load(work, other + at(maps, first + c)))
            store(work, to + c, x)


@njit(cache=True, error_model="numpy")
def _mass(total, start, cells):  # type: ignore[no-untyped-def]
    """Sum of all cells; in four parts, because an addition waits for the one before it."""
    a, b, c, d = spread(0.0), spread(0.0), spread(0.0), spread(0.0)
    whole = cells // 4 * 4
    for s in range(start, start + whole, 4):
        a, b = plus(a, load(total, s)), plus(b, load(total, s + 1))
        c, d = plus(c, load(total, s + 2)), plus(d, load(total, s + 3))
    for s in range(start + whole, start + cells):
        a = plus(a, load(total, s))
    return plus(plus(a, b), plus(c, d))


@njit(cache=True, error_model="numpy")
def _answer(total, cells, pack, out, start):  # type: ignore[no-untyped-def]
    """Shares of the cells of each row of a pack; zeros where there is no mass."""
    scale = over(spread(1.0), _mass(total, 0, cells))
    for s in range(cells):
        store(total, s, times(load(total, s), scale))
    for b in range(PACK):
        if pack[b] >= 0:
            for s in range(cells):
                out[pack[b], start + s] = total[s * PACK + b]


@njit(cache=True, error_model="numpy", nogil=True)
def propagate(  # type: ignore[no-untyped-def]
    order, layout, groups, factors, seen, asked, log_evidence, out,
):  # fmt: skip
    """Both passes for the rows in ``order``; :mod:`loopodds.inference.flat_tree` lays them out.

    One long loop over named arrays on purpose: split into functions, or with the fields of the
    records used in place, it takes 15 to 30 % longer.
    """
    start, run, parent, sep_start, prior, child_first, children, home_cells, home_at, home_run = (
        layout
    )
    group_first, child_of, within, group_cells, group_at, maps, map_at, member_first = groups
    kinds, column, states, configs, tables, table_at, members, member_at = factors[:8]
    means, spreads, gauge_at, shares, wides = factors[8:]
    codes, softs, values, extras = seen
    wanted, first_inside, first_between, q_cells, q_list, q_at, q_run, q_out = asked
    cliques = run.shape[0]
    between = sep_start[-1]
    belief = np.empty(prior.shape[0] * PACK)
    room = group_at.max() + group_cells.max() if group_at.shape[0] else between
    ones = max(room, between)
    work = np.empty((ones + 1) * PACK)
    store(work, ones, spread(1.0))
    scales, masses = np.empty(cliques * PACK), np.empty(PACK)
    widest = max(configs.max(), means.shape[0]) if configs.shape[0] else 1
    scratch, places = np.empty(widest * PACK), np.empty(PACK, dtype=np.int64)
    total = np.empty(max(1, (sep_start[1:] - sep_start[:-1]).max()) * PACK)
    summed = np.empty(max(1, q_cells.max() if q_cells.shape[0] else 1) * PACK)
    pack = np.empty(PACK, dtype=np.int64)
    most = 4 + (group_first[1:] - group_first[:-1]).max()
    base, where = np.empty(most, dtype=np.int64), np.empty(most, dtype=np.int64)
    for first in range(0, order.shape[0], PACK):
        logs = np.zeros(PACK)
        for b in range(PACK):
            pack[b] = order[first + b] if first + b < order.shape[0] else -1
        for k in range(cliques):
            count, these = 0, group_first[k]
            for g in range(these, group_first[k + 1]):
                base[g - these] = sep_start[child_of[g]] if child_of[g] >= 0 else -1
            for g in range(these, group_first[k + 1]):
                source = base[g - these]
                for f in range(member_first[g], member_first[g + 1]):
                    i, h, j = column[f], gauge_at[f], table_at[f]
                    if _silent(kinds[f], i, pack, codes, values):
                        continue
                    to, cells, m = group_at[g], group_cells[g], member_at[f]
                    if kinds[f] == CODE:
                        for b in range(PACK):
                            code = codes[i, pack[b]] if pack[b] >= 0 else -1
                            places[b] = j + configs[f] * (code if code >= 0 else states[f])
                        _fold_words(work, to, source, tables, places, cells, members, m)
                    else:
                        if kinds[f] == SOFT:
                            table = tables[j : table_at[f + 1]]
                            _weighed(pack, softs[i], table, states[f], configs[f], scratch)
                        else:
                            readings(
                                pack, values[i], extras[i], means[h : gauge_at[f + 1]],
                                spreads[h : gauge_at[f + 1]], (shares[f], wides[f]), scratch, logs,
                            )  # fmt: skip
                        _fold(work, to, source, scratch, cells, members, m)
                    source = to
                if source < 0:
                    continue
                host = within[g]
                if host < 0:
                    base[count], where[count] = source, map_at[g]
                    count += 1
                else:
                    _join(
                        work, group_at[host], base[host - these], source, group_cells[host], maps,
                        map_at[g],
                    )  # fmt: skip
                    base[host - these] = group_at[host]
            to, cells = sep_start[k], sep_start[k + 1] - sep_start[k]
            clique = start[k], cells, run[k]
            for g in range(count, 3):
                base[g], where[g] = ones, 0
            _first(
                belief, clique, prior, work, to, maps, base[0], where[0], base[1], where[1],
                base[2], where[2],
            )  # fmt: skip
            for g in range(3, count, 2):
                base[count], where[count] = ones, 0
                _more(belief, clique, work, to, maps, base[g], where[g], base[g + 1], where[g + 1])
            store(masses, 0, _mass(work, to, cells))
            for b in range(PACK):
                logs[b] += np.log(masses[b])
            scale = over(spread(1.0), load(masses, 0))
            store(scales, k, scale)
            for s in range(to, to + cells):
                store(work, s, times(load(work, s), scale))
        for b in range(PACK):
            if pack[b] >= 0:
                log_evidence[pack[b]] = logs[b]
        for k in range(cliques - 1, -1, -1):
            if not wanted[k]:
                continue
            if parent[k] >= 0:
                cells = sep_start[k + 1] - sep_start[k]
                _spread(belief, (start[k], cells, run[k]), work, sep_start[k])
            for e in range(child_first[k], child_first[k + 1]):
                child = children[e]
                if not (wanted[child] or first_between[child] < first_between[child + 1]):
                    continue
                to, cells = sep_start[child], sep_start[child + 1] - sep_start[child]
                _gather(belief, start[k], home_run[e], total, cells, home_cells, home_at[e])
                for q in range(first_between[child], first_between[child + 1]):
                    _gather(total, 0, q_run[q], summed, q_cells[q], q_list, q_at[q])
                    _answer(summed, q_cells[q], pack, out, q_out[q])
                scale = load(scales, child)
                for s in range(cells):
                    outward = times(load(total, s), scale)
                    store(work, to + s, over(outward, load(work, to + s)))
            for q in range(first_inside[k], first_inside[k + 1]):
                _gather(belief, start[k], q_run[q], summed, q_cells[q], q_list, q_at[q])
                _answer(summed, q_cells[q], pack, out, q_out[q])
