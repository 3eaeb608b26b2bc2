"""Sums of products of factors for a few rows side by side, as compiled loops (numba).

A factor is a place among the numbers at hand and two maps: what the configuration of the variables
that are kept adds to the place, and what that of the variables summed out does. So neither the
whole product nor any configuration of it is ever written down.
"""

from loopodds.vectors.compiling import loop, part
from loopodds.vectors.lanes import at, fused, load, load_from, plus, spread, store, times


@part
def _one(work, to, cells, run, index, f):  # type: ignore[no-untyped-def]
    """work[to] = the sum of a factor over some of its variables; what all of it adds up to.

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
        store(work, to + c, total)
        mass = plus(mass, total)
    return mass


@part
def _first(index, start, run):  # type: ignore[no-untyped-def]
    """The first three places of a map, as far as there are."""
    one, two = at(index, start), at(index, start + min(run, 2) - 1)
    return one, two, at(index, start + min(run, 3) - 1)


@part
def _with(work, total, u, a, v, b):  # type: ignore[no-untyped-def]
    return fused(load_from(work, u, a), load_from(work, v, b), total)


@part
def _two(work, to, cells, run, index, f, g):  # type: ignore[no-untyped-def]
    """The same of the product of two factors; long sums four cells at a time, because an addition
    waits for the one before it."""
    mass = spread(0.0)
    f0, f1, f2 = _first(index, f[2], run)
    g0, g1, g2 = _first(index, g[2], run)
    fours = cells // 4 * 4 if run > 3 else 0
    for c in range(0, fours, 4):
        u, v = f[0] + at(index, f[1] + c), g[0] + at(index, g[1] + c)
        i, j = f[0] + at(index, f[1] + c + 1), g[0] + at(index, g[1] + c + 1)
        k, p = f[0] + at(index, f[1] + c + 2), g[0] + at(index, g[1] + c + 2)
        m, n = f[0] + at(index, f[1] + c + 3), g[0] + at(index, g[1] + c + 3)
        w, x, y, z = spread(0.0), spread(0.0), spread(0.0), spread(0.0)
        for q in range(run):
            a, b = at(index, f[2] + q), at(index, g[2] + q)
            w, x = _with(work, w, u, a, v, b), _with(work, x, i, a, j, b)
            y, z = _with(work, y, k, a, p, b), _with(work, z, m, a, n, b)
        store(work, to + c, w)
        mass = plus(mass, w)
        store(work, to + c + 1, x)
        mass = plus(mass, x)
        store(work, to + c + 2, y)
        mass = plus(mass, y)
        store(work, to + c + 3, z)
        mass = plus(mass, z)
    # the shortest, which are most, with nothing to decide in the loop
    i, j = f[0] + f0, g[0] + g0
    f1, f2, g1, g2 = f1 - f0, f2 - f0, g1 - g0, g2 - g0
    for c in range(cells if run == 2 else 0):
        u, v = i + at(index, f[1] + c), j + at(index, g[1] + c)
        total = times(load_from(work, u, 0), load_from(work, v, 0))
        total = _with(work, total, u, f1, v, g1)
        store(work, to + c, total)
        mass = plus(mass, total)
    for c in range(cells if run == 3 else 0):
        u, v = i + at(index, f[1] + c), j + at(index, g[1] + c)
        total = times(load_from(work, u, 0), load_from(work, v, 0))
        total = _with(work, _with(work, total, u, f1, v, g1), u, f2, v, g2)
        store(work, to + c, total)
        mass = plus(mass, total)
    for c in range(fours, cells if run == 1 or run > 3 else 0):
        u, v = f[0] + at(index, f[1] + c), g[0] + at(index, g[1] + c)
        total = spread(0.0)
        for q in range(run):
            total = _with(work, total, u, at(index, f[2] + q), v, at(index, g[2] + q))
        store(work, to + c, total)
        mass = plus(mass, total)
    return mass


@part
def _row_of(count, work, to, cells, run, index, f, g, step):  # type: ignore[no-untyped-def]
    """The same for three to five cells at a time, for which ``f`` is the same and ``g`` lies evenly
    apart. Called with a number, it is compiled for that, with nothing to decide in the loop.
    """
    mass = spread(0.0)
    for c in range(0, cells, count):
        u, v = f[0] + at(index, f[1] + c), g[0] + at(index, g[1] + c)
        x0, x1, x2, x3, x4 = spread(0.0), spread(0.0), spread(0.0), spread(0.0), spread(0.0)
        for q in range(run):
            own, k = load_from(work, u, at(index, f[2] + q)), v + at(index, g[2] + q)
            x0 = fused(own, load_from(work, k, 0), x0)
            x1 = fused(own, load_from(work, k, step), x1)
            x2 = fused(own, load_from(work, k, 2 * step), x2)
            if count > 3:
                x3 = fused(own, load_from(work, k, 3 * step), x3)
            if count > 4:
                x4 = fused(own, load_from(work, k, 4 * step), x4)
        store(work, to + c, x0)
        store(work, to + c + 1, x1)
        store(work, to + c + 2, x2)
        mass = plus(plus(plus(mass, x0), x1), x2)
        if count > 3:
            store(work, to + c + 3, x3)
            mass = plus(mass, x3)
        if count > 4:
            store(work, to + c + 4, x4)
            mass = plus(mass, x4)
    return mass


@part
def _with_two(work, total, u, a, v, b, w, c):  # type: ignore[no-untyped-def]
    both = times(load_from(work, u, a), load_from(work, v, b))
    return fused(both, load_from(work, w, c), total)


@part
def _three(work, to, cells, run, index, f, g, h):  # type: ignore[no-untyped-def]
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
        store(work, to + c, x)
        mass = plus(mass, x)
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
        store(work, to + c, total)
        mass = plus(mass, total)
    return mass


@part
def _four(work, to, cells, run, index, f, g, h, k):  # type: ignore[no-untyped-def]
    """The same of four."""
    mass = spread(0.0)
    for c in range(cells):
        u, v = f[0] + at(index, f[1] + c), g[0] + at(index, g[1] + c)
        w, z = h[0] + at(index, h[1] + c), k[0] + at(index, k[1] + c)
        total = spread(0.0)
        for q in range(run):
            x = times(
                load_from(work, u, at(index, f[2] + q)), load_from(work, v, at(index, g[2] + q))
            )
            x = times(x, load_from(work, w, at(index, h[2] + q)))
            total = fused(x, load_from(work, z, at(index, k[2] + q)), total)
        store(work, to + c, total)
        mass = plus(mass, total)
    return mass


@part
def _more(work, to, cells, run, index, given, count):  # type: ignore[no-untyped-def]
    """The same of five or more, three numbers each in ``given``."""
    mass = spread(0.0)
    f, g, h, k = _given(given, 0), _given(given, 1), _given(given, 2), _given(given, count - 1)
    for c in range(cells):
        u, v = f[0] + at(index, f[1] + c), g[0] + at(index, g[1] + c)
        w, z = h[0] + at(index, h[1] + c), k[0] + at(index, k[1] + c)
        total = spread(0.0)
        for q in range(run):
            x = times(
                load_from(work, u, at(index, f[2] + q)), load_from(work, v, at(index, g[2] + q))
            )
            x = times(x, load_from(work, w, at(index, h[2] + q)))
            for i in range(3, count - 1):
                other = _given(given, i)
                away = at(index, other[1] + c) + at(index, other[2] + q)
                x = times(x, load_from(work, other[0], away))
            total = fused(x, load_from(work, z, at(index, k[2] + q)), total)
        store(work, to + c, total)
        mass = plus(mass, total)
    return mass


@part
def _given(given, number):  # type: ignore[no-untyped-def]
    """A factor in a list of them."""
    return at(given, 3 * number), at(given, 3 * number + 1), at(given, 3 * number + 2)


@part
def _outer(work, to, cells, index, f):  # type: ignore[no-untyped-def]
    """work[to] times one more factor over variables kept; what it adds up to."""
    mass = spread(0.0)
    for c in range(cells):
        total = times(load(work, to + c), load_from(work, f[0], at(index, f[1] + c)))
        store(work, to + c, total)
        mass = plus(mass, total)
    return mass


@part
def _of_two(work, to, cells, run, index, f, g, row):  # type: ignore[no-untyped-def]
    """The sum of two factors, in rows if one of them is the same for all cells of a row."""
    if row > 1:
        a, b = _apart(index, f[1]), _apart(index, g[1])
        if a and not b:
            f, g, a, b = g, f, b, a
        if not a:
            if row == 3:
                return _row_of(3, work, to, cells, run, index, f, g, b)
            if row == 4:
                return _row_of(4, work, to, cells, run, index, f, g, b)
            return _row_of(5, work, to, cells, run, index, f, g, b)
    return _two(work, to, cells, run, index, f, g)


@part
def _apart(index, start):  # type: ignore[no-untyped-def]
    """How far apart cells in a row are by a map: as far as its first two."""
    return at(index, start + 1) - at(index, start)


@loop
def common(work, one, other, cells):  # type: ignore[no-untyped-def]
    """Sum of the products of two lists of cells."""
    a, b = spread(0.0), spread(0.0)
    for s in range(0, cells - 1, 2):
        a = plus(a, times(load(work, one + s), load(work, other + s)))
        b = plus(b, times(load(work, one + s + 1), load(work, other + s + 1)))
    if cells % 2:
        last = cells - 1
        a = plus(a, times(load(work, one + last), load(work, other + last)))
    return plus(a, b)


@part
def target(number, heads):  # type: ignore[no-untyped-def]
    """Where a sum goes, and its cells."""
    return at(heads, 6 * number + 2), at(heads, 6 * number)


@part
def told(number, heads, items, live):  # type: ignore[no-untyped-def]
    """Whether any factor of a sum but the last says something."""
    any_of = False
    for i in range(at(heads, 6 * number + 3), at(heads, 6 * number + 4) - 1):
        any_of |= at(live, at(items, 4 * i)) != 0
    return any_of


@loop
def summed(work, number, heads, items, index, place, live, given):  # type: ignore[no-untyped-def]
    """One sum of products over the factors that say something; what all of it adds up to.

    Args:
        heads: Of each sum its cells, the terms of each, where it goes, and its first item and the
            end of the last, and how many cells in a row lie evenly apart in each factor.
        items: A factor, where its maps begin from what is kept and from what is left, and whether
            it hangs on nothing that is left.
        place, live: Where each factor begins, and whether it says something.
        given: Memory to work in, three numbers for each factor.
    """
    head = 6 * number
    cells, run, to = at(heads, head), at(heads, head + 1), at(heads, head + 2)
    first, end, row = 4 * at(heads, head + 3), 4 * at(heads, head + 4), at(heads, head + 5)
    count, outside = 0, False
    for i in range(first, end, 4):
        factor = at(items, i)
        if at(live, factor):
            if at(items, i + 3):
                outside = True
            else:
                given[3 * count] = at(place, factor)
                given[3 * count + 1], given[3 * count + 2] = at(items, i + 1), at(items, i + 2)
                count += 1
    f, g, h = _given(given, 0), _given(given, 1), _given(given, 2)
    if count == 1:
        mass = _one(work, to, cells, run, index, f)
    elif count == 2:
        mass = _of_two(work, to, cells, run, index, f, g, row)
    elif count == 3:
        mass = _three(work, to, cells, run, index, f, g, h)
    elif count == 4:
        mass = _four(work, to, cells, run, index, f, g, h, _given(given, 3))
    else:
        mass = _more(work, to, cells, run, index, given, count)
    for i in range(first, end if outside else 0, 4):
        factor = at(items, i)
        if at(live, factor) and at(items, i + 3):
            mass = _outer(work, to, cells, index, (at(place, factor), at(items, i + 1)))
    return mass
