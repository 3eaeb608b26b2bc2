"""A junction tree laid out flat for the compiled loops of :mod:`loopodds.inference.kernels`."""

from collections.abc import Callable, Sequence
from functools import lru_cache
from itertools import pairwise
from typing import TypeVar

import numpy as np

from loopodds.base.arrays import FloatArray, IntArray, Query
from loopodds.inference.likelihoods import Clique
from loopodds.inference.network import Evidence

AnyArray = TypeVar("AnyArray", FloatArray, IntArray)
Key = TypeVar("Key")
Made = TypeVar("Made")
_Arrays = tuple[FloatArray | IntArray, ...]
MOST_LAYOUTS = 16
"""Sets of names that a tree is laid out for at a time."""


class FlatTree:
    """Index maps and potentials of a junction tree in flat arrays.

    A map gives for every configuration of a clique its position in a smaller array; cells list
    the configurations of each position in turn. A gauge has distinct pairs of mean and spread,
    and for each configuration which pair holds. The kernel takes plain tuples: its cache on disk
    names the types of its arguments and must not depend on a class of this module.

    Args:
        cliques: In collect order, every clique before its parent.
    """

    def __init__(self, cliques: Sequence[Clique]) -> None:
        self._cliques = cliques
        self._factors = {
            factor.name: (number, factor)
            for number, clique in enumerate(cliques)
            for factor in clique.absorbed
        }
        own_maps = [self._map(number, c.separator) for number, c in enumerate(cliques)]
        home_maps = [
            np.empty(0, np.int32) if c.parent < 0 else self._map(c.parent, c.separator)
            for c in cliques
        ]
        start, home_at = _starts(own_maps)[:-1], _starts(home_maps)[:-1]
        size = np.array([len(own) for own in own_maps])
        parent = np.array([c.parent for c in cliques])
        sep_size = _extents(own_maps)
        sep_start = np.concatenate([[0], np.cumsum(sep_size)])
        prior = np.concatenate([np.broadcast_to(c.prior[..., 0], c.cards).ravel() for c in cliques])
        own_map, home_map = np.concatenate(own_maps), np.concatenate(home_maps)
        own_cells = np.concatenate([grouped(own) for own in own_maps])
        home_cells = np.concatenate([grouped(home) for home in home_maps])
        places = start, size, parent, sep_start, sep_size, prior
        self._layout = (*places, own_map, own_cells, home_map, home_cells, home_at)
        # what depends on names alone is laid out once. In plain dictionaries: a cached method would
        # refer to the tree, which then stays until the collector comes by
        self._asked: dict[tuple[tuple[Query, int], ...], tuple[_Arrays, IntArray]] = {}
        self._switched: dict[tuple[tuple[int, str], ...], tuple[_Arrays, IntArray]] = {}

    def propagate(
        self, evidence: Evidence, queries: Sequence[tuple[Query, int]]
    ) -> tuple[FloatArray, list[FloatArray]]:
        """Log evidence, shape (rows,), and joints, shape (rows, configurations of the query).

        Args:
            queries: Names of each, and the number of a clique that holds them.
        """
        from loopodds.inference import kernels

        names = (
            *((kernels.CODE, name) for name in evidence.codes),
            *((kernels.SOFT, name) for name in evidence.soft),
            *((kernels.NUMBER, name) for name in evidence.numbers),
        )
        factors, configs = _kept(self._switched, names, self._lay_out_factors)
        asked, columns = _kept(self._asked, tuple(queries), self._lay_out_queries)
        codes, soft, value, extra = _seen(evidence)
        log_evidence = np.empty(evidence.rows)
        out = np.zeros((evidence.rows, int(columns[-1])))
        order = _alike(codes, value, configs)
        seen = codes, soft, value, extra
        kernels.propagate(order, self._layout, factors, seen, asked, log_evidence, out)
        return log_evidence, [out[:, a:b] for a, b in pairwise(columns)]

    def _map(self, number: int, names: Query) -> IntArray:
        clique = self._cliques[number]
        return position_map(clique.scope, clique.cards, names)

    def _lay_out_queries(self, queries: tuple[tuple[Query, int], ...]) -> tuple[_Arrays, IntArray]:
        """Cliques, sizes, cells and where those start; and the columns of the result."""
        maps = [self._map(number, names) for names, number in queries]
        home = np.array([number for _, number in queries], dtype=np.int64)
        cells = _joined([grouped(index) for index in maps], np.int32)
        size = _extents(maps)
        columns = np.concatenate([[0], np.cumsum(size)]).astype(np.int64)
        return (home, size, cells, _starts(maps), columns), columns

    def _lay_out_factors(self, names: tuple[tuple[int, str], ...]) -> tuple[_Arrays, IntArray]:
        """Factors switched on, and the parent configurations of each."""
        chosen = [self._factors[name] for _, name in names]
        factors = [factor for _, factor in chosen]
        kind = np.array([kind for kind, _ in names], dtype=np.int64)
        home = np.array([number for number, _ in chosen], dtype=np.int64)
        maps = [self._map(number, factor.given) for number, factor in chosen]
        tables = [np.ascontiguousarray(f.table[:, :-1].T).ravel() for f in factors]
        states = np.array([f.table.shape[1] - 1 for f in factors], dtype=np.int64)
        configs = np.array([f.table.shape[0] for f in factors], dtype=np.int64)
        means = [f.mean.ravel() for f in factors]
        spread = _joined([f.spread.ravel() for f in factors])
        pairs = [f.pair for f in factors]
        share = np.array([f.share for f in factors], dtype=np.float64)
        wide = np.array([f.wide for f in factors], dtype=np.float64)
        words = kind, home, states, configs, _joined(tables), _starts(tables)
        where = _joined(maps, np.int32), _starts(maps)
        gauges = _joined(means), spread, _starts(means), _joined(pairs, np.int32), _starts(pairs)
        return (*words, *where, *gauges, share, wide), configs


def _kept(found: dict[Key, Made], key: Key, make: Callable[[Key], Made]) -> Made:
    """What was made of a key before, the last few of them."""
    if key not in found:
        if len(found) >= MOST_LAYOUTS:
            found.clear()
        found[key] = make(key)
    return found[key]


def _seen(evidence: Evidence) -> tuple[IntArray, FloatArray, FloatArray, FloatArray]:
    """States, weights of states, readings and extra spreads, shape (factors, rows, ...).

    A kind that is not there at all takes no rows.
    """
    first_soft = len(evidence.codes)
    first_number = first_soft + len(evidence.soft)
    count, rows = first_number + len(evidence.numbers), evidence.rows
    widest = max((weight.shape[1] for weight in evidence.soft.values()), default=1)
    codes = np.full((count, rows), -1, dtype=np.int32)
    soft = np.zeros((count, rows if evidence.soft else 0, widest))
    value, extra = np.full((2, count, rows if evidence.numbers else 0), np.nan)
    for i, code in enumerate(evidence.codes.values()):
        codes[i] = code
    for i, weight in enumerate(evidence.soft.values(), start=first_soft):
        soft[i, :, : weight.shape[1]] = weight
    for i, pair in enumerate(evidence.numbers.values(), start=first_number):
        value[i], extra[i] = pair
    return codes, soft, value, extra


@lru_cache(maxsize=512)
def position_map(scope: Query, cards: tuple[int, ...], names: Query) -> IntArray:
    """For every configuration of a scope its position among the configurations of some names.

    Both are counted with the last name fastest; shape (product of cards,), read-only.
    """
    index = np.indices(cards, dtype=np.int32)
    axes = [scope.index(name) for name in names]
    kept = tuple(cards[axis] for axis in axes)
    position = np.ravel_multi_index([index[a] for a in axes], kept) if names else np.zeros(cards)
    flat = np.asarray(position, dtype=np.int32).ravel()
    flat.flags.writeable = False
    return flat


def grouped(positions: IntArray) -> IntArray:
    """Configurations listed cell by cell, from the cell of each configuration."""
    return np.argsort(positions, kind="stable").astype(np.int32)


def _alike(codes: IntArray, value: FloatArray, configs: IntArray) -> IntArray:
    """Rows sorted by which evidence they have, the most expensive factors deciding first.

    A factor silent on a whole pack of neighbours costs nothing.
    """
    rows = codes.shape[1]
    if rows < 64:
        return np.arange(rows)
    key = np.zeros(rows, dtype=np.int64)
    for i in np.argsort(-configs, kind="stable")[:24]:
        present = codes[i] >= 0
        if value.shape[1]:
            present = present | ~np.isnan(value[i])
        key = 2 * key + present
    return np.argsort(key, kind="stable")


def _joined(parts: Sequence[AnyArray], kind: type = np.float64) -> AnyArray:
    """One after the other; the kind is that of nothing, if there are no parts."""
    return np.concatenate([*parts, np.empty(0, kind)])


def _starts(parts: Sequence[FloatArray] | Sequence[IntArray]) -> IntArray:
    return np.concatenate([[0], np.cumsum([len(part) for part in parts])]).astype(np.int64)


def _extents(maps: Sequence[IntArray]) -> IntArray:
    """Positions that each map has."""
    return np.array([int(index.max()) + 1 for index in maps], dtype=np.int64)
