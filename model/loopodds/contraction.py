"""Sums of products of arrays with named axes: exact joints of any variables, cheaply.

A greedy pairwise contraction; what a pair does not share with anything else is summed at once.
The order depends on names and sizes only and is kept, so a repeated question costs the sums.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from functools import lru_cache
from math import prod
from typing import NamedTuple

import numpy as np

from loopodds.aliases import FloatArray, Query
from loopodds.errors import TooLarge

LARGEST_CELLS = 2**24


class Factor(NamedTuple):
    """An array whose axes are named variables."""

    names: Query
    values: FloatArray


class _Step(NamedTuple):
    """Multiply factors ``first`` and ``second`` (positions), keep ``names`` of the product."""

    first: int
    second: int
    names: Query


def contract(factors: Sequence[Factor], keep: Query) -> FloatArray:
    """Product of the factors, summed over every variable that is not kept.

    Parameters
    ----------
    factors : sequence of Factor
    keep : tuple of str
        Axes of the result, in this order; each must occur in some factor.

    Returns
    -------
    float array, shape (*cards of keep,)

    Raises
    ------
    TooLarge
        If an intermediate array would have more than 2**24 cells.

    Examples
    --------
    >>> a = Factor(("x", "y"), np.array([[0.5, 0.5], [0.2, 0.8]]))
    >>> contract([a, Factor(("x",), np.array([0.5, 0.5]))], ("y",))
    array([0.35, 0.65])
    """
    cards: dict[str, int] = {}
    for factor in factors:
        cards.update(zip(factor.names, factor.values.shape, strict=True))
    scopes = tuple(factor.names for factor in factors)
    lone, steps = _plan(scopes, tuple(sorted(cards.items())), keep)
    work = [
        Factor(names, _sum_to(factor, names)) for factor, names in zip(factors, lone, strict=True)
    ]
    for step in steps:
        work.append(Factor(step.names, _pair(work[step.first], work[step.second], step.names)))
    last = work[-1]
    order = [last.names.index(name) for name in keep]
    return np.transpose(last.values, order) if order else last.values


def _sum_to(factor: Factor, names: Query) -> FloatArray:
    gone = tuple(i for i, name in enumerate(factor.names) if name not in names)
    return factor.values.sum(axis=gone) if gone else factor.values


@lru_cache(maxsize=4096)
def _plan(
    scopes: tuple[Query, ...], sizes: tuple[tuple[str, int], ...], keep: Query
) -> tuple[tuple[Query, ...], tuple[_Step, ...]]:
    """Names each factor is first summed to, and the pairs in order.

    Greedy: the pair whose product is smallest beyond what it replaces goes first.
    """
    cards = dict(sizes)
    kept = set(keep)
    lone = tuple(
        tuple(n for n in scope if n in kept or _elsewhere(n, scopes, i))
        for i, scope in enumerate(scopes)
    )
    alive = dict(enumerate(lone))
    count = Counter(name for names in lone for name in names)
    count.update(kept)
    steps: list[_Step] = []
    while len(alive) > 1:
        pairs = [(i, j) for i in alive for j in alive if i < j]
        touching = [(i, j) for i, j in pairs if not set(alive[i]).isdisjoint(alive[j])]
        first, second = min(
            touching or pairs, key=lambda p: _growth(alive[p[0]], alive[p[1]], count, cards)
        )
        names = _remaining(alive[first], alive[second], count)
        cells = prod(cards[name] for name in names)
        if cells > LARGEST_CELLS:
            raise TooLarge(f"a joint of {', '.join(names)} would have {cells} cells")
        count.subtract((*alive.pop(first), *alive.pop(second)))
        count.update(names)
        alive[len(lone) + len(steps)] = names
        steps.append(_Step(first, second, names))
    return lone, tuple(steps)


def _elsewhere(name: str, scopes: Sequence[Query], own: int) -> bool:
    return any(name in scope for i, scope in enumerate(scopes) if i != own)


def _remaining(first: Query, second: Query, count: Mapping[str, int]) -> Query:
    """Names that a product must still carry: kept, or in a factor besides these two."""
    union = (*first, *(n for n in second if n not in first))
    return tuple(n for n in union if count[n] > (n in first) + (n in second))


def _growth(first: Query, second: Query, count: Mapping[str, int], cards: Mapping[str, int]) -> int:
    size = prod(cards[n] for n in _remaining(first, second, count))
    return size - prod(cards[n] for n in first) - prod(cards[n] for n in second)


def _pair(first: Factor, second: Factor, names: Query) -> FloatArray:
    """Product of two factors summed to the given names, as one stacked matrix product."""
    shared = [n for n in first.names if n in second.names]
    batch = [n for n in shared if n in names]
    summed = [n for n in shared if n not in names]
    rows = [n for n in first.names if n not in shared]
    columns = [n for n in second.names if n not in shared]
    card = dict(zip(first.names, first.values.shape, strict=True))
    card.update(zip(second.names, second.values.shape, strict=True))

    def grouped(factor: Factor, *groups: list[str]) -> FloatArray:
        order = [factor.names.index(n) for group in groups for n in group]
        shape = [prod(card[n] for n in group) for group in groups]
        return np.ascontiguousarray(np.transpose(factor.values, order)).reshape(shape)

    product = grouped(first, batch, rows, summed) @ grouped(second, batch, summed, columns)
    layout = [*batch, *rows, *columns]
    cells = product.reshape([card[n] for n in layout])
    return np.transpose(cells, [layout.index(n) for n in names])
