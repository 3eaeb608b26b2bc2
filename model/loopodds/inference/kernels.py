"""The two passes over a junction tree as compiled loops (numba), a few rows at a time.

Importing this module loads numba; the first call on a machine compiles and caches. Rows are
worked on in packs that fit the vector unit. No belief of a clique is written: whatever is wanted of
a clique, what it sends to a neighbour or a posterior, is a sum of products of what it was given,
and these are small (Shenoy & Shafer 1990). :mod:`loopodds.inference.sums` lays the sums out.
"""

from typing import Any, NamedTuple

import numpy as np

from loopodds.base.arrays import FloatArray, IntArray
from loopodds.vectors.compiling import loop
from loopodds.vectors.densities import (
    announce,
    columns_of,
    fold,
    fold_words,
    heard,
    lift,
    readings,
    weighed,
)
from loopodds.vectors.lanes import WIDTH as PACK
from loopodds.vectors.lanes import bare, load, over, packs, plus, spread, store, times
from loopodds.vectors.products import common, summed, target, told

CODE, SOFT, NUMBER = 0, 1, 2
SEND, ANSWER, SHARE, CLOSE, PASS = range(5)
"""What a sum of the outward pass is for: a child, a query, several of these, the mass of a clique
that has no neighbour, and what a clique was sent with likelihoods of its own on it."""
RESTED = 8 * PACK
"""Rows from which what no row of a pack says anything about is worked out once for all of them."""
ROOM = 3
"""Packs for what lasts a moment."""
Arrays = tuple[Any, ...]


class Tree(NamedTuple):
    """What the loops take of a tree."""

    maps: IntArray  # one after the other
    size: np.int64  # cells of all factors
    place: IntArray  # where each factor begins
    small: IntArray  # whether factors of a clique are multiplied beforehand
    child_first: IntArray  # of each clique among the children
    children: IntArray
    in_at: IntArray  # where what a clique sends its parent begins
    rest_at: IntArray  # the same of a pack that says nothing
    sent: IntArray  # cells of that
    prior_at: np.int64  # where potentials begin
    one_at: np.int64  # where a one is
    tiny: np.float64  # mass below which what is sent is scaled


@loop
def _answer(work, start, cells, mass, answers, column):  # type: ignore[no-untyped-def]
    """Shares of the cells of each row; zeros where there is no mass."""
    scale = over(spread(1.0), mass)
    for s in range(cells):
        store(answers, column + s, times(load(work, start + s), scale))


@loop
def _written(answers, logs, pack, out, log_evidence):  # type: ignore[no-untyped-def]
    """A pack among the results, row by row."""
    for b in range(PACK):
        row = pack[b]
        if row >= 0:
            log_evidence[row] = logs[b]
            for s in range(out.shape[1]):
                out[row, s] = answers[s * PACK + b]


def propagate(
    order: IntArray, tree: Tree, groups: Arrays, sums: Arrays, steps: Arrays, prior: FloatArray,
    factors: Arrays, seen: Arrays, log_evidence: FloatArray, out: FloatArray,
) -> None:  # fmt: skip
    """Both passes for the rows in ``order``; :mod:`loopodds.inference.sums` lays them out."""
    given = order, tree, groups, sums, steps, prior, factors, seen
    passes(*given, _memory(tree, groups, factors, seen, out.shape[1]), log_evidence, out)


def _memory(tree: Tree, groups: Arrays, factors: Arrays, seen: Arrays, columns: int) -> Arrays:
    """What the loops work in."""
    cliques, places = len(tree.in_at), len(tree.place)
    codes, _, values, _ = seen
    configs, gauge_at = factors[3], factors[12]
    room = tree.size + max(configs.max(initial=1), np.diff(gauge_at).max(initial=1))
    return (
        packs(room + ROOM), np.int64(room), packs(cliques), tree.place * PACK,
        np.ones(places, np.int8), np.empty(len(groups[4]), np.int64), np.zeros(cliques, np.int8),
        np.zeros(3 * max(4, places), np.int64), packs(codes.shape[1]),
        np.empty(codes.shape[1], np.int64), np.empty(values.shape[1], np.int8), packs(columns),
        packs(1), np.zeros(PACK, np.int64),
        np.zeros(PACK + 1, np.int64),  # one more: the next is written before it is counted
        np.empty(PACK), np.zeros(PACK), np.empty(PACK, np.int64),
    )  # fmt: skip


@loop
def passes(  # type: ignore[no-untyped-def]
    order, tree, groups, sums, steps, prior, factors, seen, memory, log_evidence, out,
):  # fmt: skip
    """`propagate` in given memory.

    One long loop over named arrays on purpose: with the fields of the records used in place it
    takes longer.
    """
    cliques, last_step = tree.in_at.shape[0], steps[0].shape[0]
    index, densities, _, small, child_first, children, in_at, rest_at, sent = bare(tree)[:9]
    prior_at, one_at, tiny = tree.prior_at, tree.one_at, tree.tiny
    group_first, within, level, group_cells, group_at = bare(groups)[:5]
    lift_first, lift_at, member_first = bare(groups)[5:]
    kinds, column, states, configs, tables, table_at, pairs, pair_at = bare(factors[:8])
    means, variances, slopes, heights = factors[8:12]
    gauge_at, shares, wides = bare(factors[12:])
    codes, softs, values, extras = seen
    heads, items = bare(sums)
    step_kind, step_about, step_closes = bare(steps)
    work, room, rested, place, live, alias, quiet, inner, said, marks, number = bare(memory[:11])
    # the last is not asked for
    answers, closing, columns, words, logs, outward, pack = bare(memory[11:])
    for c in range(prior.shape[0]):
        store(work, prior_at + c, spread(prior[c]))
    store(work, one_at, spread(1.0))
    resting = order.shape[0] > RESTED
    for first in range(-PACK if resting else 0, order.shape[0], PACK):
        for b in range(PACK):
            pack[b] = order[first + b] if 0 <= first + b < order.shape[0] else -1
        announce(order, first + PACK, codes)
        announce(order, first + PACK, values)
        announce(order, first, out)
        store(logs, 0, spread(0.0))
        heard(pack, codes, values, said, marks, number)
        for k in range(cliques):
            at_rest = True
            for g in range(group_first[k], group_first[k + 1]):
                alias[g], live[2 * cliques + g] = -1, False
            for g in range(group_first[k], group_first[k + 1]):
                to, cells = group_at[g], group_cells[g]
                for f in range(member_first[g], member_first[g + 1]):
                    i, kind = column[f], kinds[f]
                    silent = (kind == CODE and marks[i] == 1) or (kind == NUMBER and not number[i])
                    if silent or first < 0:
                        continue
                    source, before = alias[g], (np.int64(-1), np.int64(0))
                    if source == g:
                        before = to * PACK, np.int64(0)
                    elif source >= 0:
                        up = lift_first[source] + level[source] - level[g] - 1
                        before = group_at[source] * PACK, lift_at[up]
                    if kind == CODE:
                        count = columns_of(marks[i], said, i, states[f], words)
                        for w in range(count):
                            word = words[w] if words[w] >= 0 else states[f]
                            columns[w] = table_at[f] + cells * word
                        own = load(said, i)
                        fold_words(
                            work, to, cells, index, before, tables, columns, own, words, count
                        )
                    else:
                        if kind == SOFT:
                            many = states[f], configs[f]
                            weighed(
                                pack, softs, i, tables, table_at[f], many, work, densities, room
                            )
                        else:
                            a, z = gauge_at[f], gauge_at[f + 1]
                            gauge = means[a:z], variances[a:z], slopes[a:z], heights[a:z]
                            read, misread = (values[:, i], extras[:, i]), (shares[f], wides[f])
                            readings(pack, read, gauge, misread, work, densities, tiny, logs, room)
                        fold(work, to, cells, index, before, pairs, (densities * PACK, pair_at[f]))
                    alias[g] = g
                source, host = alias[g], within[g]
                if source < 0:
                    continue
                at_rest = False
                if host < 0:
                    live[2 * cliques + source] = True
                elif alias[host] < 0:
                    alias[host] = source
                else:
                    other, to, cells = alias[host], group_at[host], group_cells[host]
                    up = lift_first[source] + level[source] - level[host] - 1
                    more = group_at[source] * PACK, lift_at[up]
                    before = to * PACK, np.int64(0)
                    if other != host:
                        up = lift_first[other] + level[other] - level[host] - 1
                        before = group_at[other] * PACK, lift_at[up]
                    fold(work, to, cells, index, before, index, more)
                    alias[host] = host
            for e in range(child_first[k], child_first[k + 1]):
                at_rest &= quiet[children[e]]
            quiet[k] = at_rest and resting and first >= 0  # in what it was just now
            if small[k]:
                summed(work, cliques + k, heads, items, index, place, live, inner)
            if sent[k] == 0:
                continue
            if quiet[k]:
                place[k] = rest_at[k] * PACK
                store(logs, 0, plus(load(logs, 0), load(rested, k)))
                continue
            place[k] = in_at[k] * PACK
            mass = summed(work, k, heads, items, index, place, live, inner)
            if first < 0:
                store(logs, 0, spread(0.0))
            lift(work, in_at[k], sent[k], mass, tiny, logs, room)
            if first < 0:
                store(rested, k, load(logs, 0))
                for c in range(sent[k]):
                    store(work, rest_at[k] + c, load(work, in_at[k] + c))
        if first < 0:
            for k in range(cliques):
                quiet[k] = True
            continue
        for t in range(last_step):
            n, kind, about = 2 * cliques + t, step_kind[t], step_about[t]
            if kind == PASS and not told(n, heads, items, live):
                continue
            to, cells = target(n, heads)
            mass = summed(work, n, heads, items, index, place, live, inner)
            if step_closes[t]:
                whole = mass
                if kind == SEND:
                    whole = common(work, place[about] // PACK, to, cells)
                store(closing, 0, whole)
                for b in range(PACK):
                    logs[b] += np.log(closing[b])
            if kind == SEND:
                lift(work, to, cells, mass, tiny, outward, room)
            elif kind == ANSWER:
                _answer(work, to, cells, mass, answers, about)
        _written(answers, logs, pack, out, log_evidence)
