"""A junction tree laid out flat for the compiled loops of :mod:`loopodds.inference.kernels`."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from functools import cache, lru_cache
from itertools import pairwise
from typing import NamedTuple, TypeVar

import numpy as np

from loopodds.base.arrays import FloatArray, IntArray, Query
from loopodds.inference.likelihoods import Absorbed
from loopodds.inference.network import Evidence

AnyArray = TypeVar("AnyArray", FloatArray, IntArray)


@dataclass(slots=True, eq=False)
class Clique:
    """One clique: its potential without evidence and what it absorbs and receives.

    ``prior`` has shape (*cards, 1), ready to be spread over a batch; ``parent`` is -1 for the root
    of a component.
    """

    scope: Query
    cards: tuple[int, ...]
    parent: int
    separator: Query
    children: list[int]
    prior: FloatArray
    absorbed: list[Absorbed] = field(default_factory=list)

    def axes(self, names: Iterable[str]) -> tuple[int, ...]:
        """Shape with the cards of the named variables and ones elsewhere."""
        kept = set(names)
        return tuple(c if n in kept else 1 for n, c in zip(self.scope, self.cards, strict=True))


class Layout(NamedTuple):
    """The cliques one after another: where each starts, and maps to separators at either end.

    A map gives for every configuration of a clique its position in the smaller array; cells
    list the configurations of each position in turn. ``home_at`` is where the map of the parent's
    configurations starts.
    """

    start: IntArray
    size: IntArray
    parent: IntArray
    sep_start: IntArray
    sep_size: IntArray
    prior: FloatArray
    own_map: IntArray
    own_cells: IntArray
    home_map: IntArray
    home_cells: IntArray
    home_at: IntArray


class Asked(NamedTuple):
    """Queries: cliques, sizes, cells and where those start, and the columns of the result."""

    home: IntArray
    size: IntArray
    cells: IntArray
    at: IntArray
    out: IntArray


class Factors(NamedTuple):
    """Factors switched on: kind and clique of each, its table state by state, its maps, its gauge.

    A gauge has distinct pairs of mean and spread, and for each configuration which pair holds.
    """

    kind: IntArray
    home: IntArray
    states: IntArray
    configs: IntArray
    table: FloatArray
    table_at: IntArray
    map: IntArray
    map_at: IntArray
    mean: FloatArray
    spread: FloatArray
    gauge_at: IntArray
    pair: IntArray
    pair_at: IntArray
    share: FloatArray
    wide: FloatArray


class Seen(NamedTuple):
    """Evidence, shape (factors, rows, ...): states, weights of states, readings, extra spreads."""

    codes: IntArray
    soft: FloatArray
    value: FloatArray
    extra: FloatArray


class FlatTree:
    """Index maps and potentials of a junction tree in flat arrays.

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
        own = [position_map(c.scope, c.cards, c.separator) for c in cliques]
        nothing = np.empty(0, dtype=np.int32)
        homes = [cliques[c.parent] if c.parent >= 0 else None for c in cliques]
        home = [
            nothing if above is None else position_map(above.scope, above.cards, c.separator)
            for c, above in zip(cliques, homes, strict=True)
        ]
        separators = np.array([int(index.max()) + 1 for index in own])
        priors = [np.broadcast_to(c.prior[..., 0], c.cards).ravel() for c in cliques]
        self._layout = Layout(
            start=_starts(own)[:-1],
            size=np.array([len(index) for index in own]),
            parent=np.array([c.parent for c in cliques]),
            sep_start=np.concatenate([[0], np.cumsum(separators)]),
            sep_size=separators,
            prior=np.concatenate(priors),
            own_map=np.concatenate(own),
            own_cells=np.concatenate([grouped(index) for index in own]),
            home_map=np.concatenate(home),
            home_cells=np.concatenate([grouped(index) for index in home]),
            home_at=_starts(home)[:-1],
        )
        # what depends on names alone is laid out once
        self._asked = cache(self._lay_out_queries)
        self._switched = cache(self._lay_out_factors)

    def propagate(
        self, evidence: Evidence, queries: Sequence[tuple[Query, int]]
    ) -> tuple[FloatArray, list[FloatArray]]:
        """Log evidence, shape (rows,), and joints, shape (rows, configurations of the query).

        Args:
            queries: sequence of (names, clique number)
        """
        from loopodds.inference import kernels

        names = (
            *((kernels.CODE, name) for name in evidence.codes),
            *((kernels.SOFT, name) for name in evidence.soft),
            *((kernels.NUMBER, name) for name in evidence.numbers),
        )
        factors, asked = self._switched(names), self._asked(tuple(queries))
        seen = _seen([name for _, name in names], evidence)
        log_evidence = np.empty(evidence.rows)
        out = np.zeros((evidence.rows, int(asked.out[-1])))
        order = _alike(seen, factors.configs)
        kernels.propagate(order, self._layout, factors, seen, asked, log_evidence, out)
        return log_evidence, [out[:, a:b] for a, b in pairwise(asked.out)]

    def _lay_out_queries(self, queries: tuple[tuple[Query, int], ...]) -> Asked:
        cliques = [self._cliques[number] for _, number in queries]
        maps = [
            position_map(clique.scope, clique.cards, names)
            for clique, (names, _) in zip(cliques, queries, strict=True)
        ]
        sizes = np.array([int(index.max()) + 1 for index in maps], dtype=np.int64)
        return Asked(
            home=np.array([number for _, number in queries], dtype=np.int64),
            size=sizes,
            cells=_joined([grouped(index) for index in maps], np.empty(0, np.int32)),
            at=_starts(maps),
            out=np.concatenate([[0], np.cumsum(sizes)]).astype(np.int64),
        )

    def _lay_out_factors(self, names: tuple[tuple[int, str], ...]) -> Factors:
        chosen = [self._factors[name] for _, name in names]
        factors = [factor for _, factor in chosen]
        maps = [_factor_map(self._cliques[number], factor) for number, factor in chosen]
        tables = [np.ascontiguousarray(f.table[:, :-1].T).ravel() for f in factors]
        means = [f.mean.ravel() for f in factors]
        pairs = [f.pair for f in factors]
        return Factors(
            kind=np.array([kind for kind, _ in names], dtype=np.int64),
            home=np.array([number for number, _ in chosen], dtype=np.int64),
            states=np.array([f.table.shape[1] - 1 for f in factors], dtype=np.int64),
            configs=np.array([f.table.shape[0] for f in factors], dtype=np.int64),
            table=_joined(tables, np.empty(0)),
            table_at=_starts(tables),
            map=_joined(maps, np.empty(0, np.int32)),
            map_at=_starts(maps),
            mean=_joined(means, np.empty(0)),
            spread=_joined([f.spread.ravel() for f in factors], np.empty(0)),
            gauge_at=_starts(means),
            pair=_joined(pairs, np.empty(0, np.int32)),
            pair_at=_starts(pairs),
            share=np.array([f.share for f in factors], dtype=np.float64),
            wide=np.array([f.wide for f in factors], dtype=np.float64),
        )


def _seen(names: Sequence[str], evidence: Evidence) -> Seen:
    """Evidence by factor; a kind that is not there at all takes no rows."""
    count, rows = len(names), evidence.rows
    widest = max((weight.shape[1] for weight in evidence.soft.values()), default=1)
    first_soft = len(evidence.codes)
    first_number = first_soft + len(evidence.soft)
    codes = np.full((count, rows), -1, dtype=np.int32)
    soft = np.zeros((count, rows if evidence.soft else 0, widest))
    value, extra = np.full((2, count, rows if evidence.numbers else 0), np.nan)
    for i, code in enumerate(evidence.codes.values()):
        codes[i] = code
    for i, weight in enumerate(evidence.soft.values(), start=first_soft):
        soft[i, :, : weight.shape[1]] = weight
    for i, pair in enumerate(evidence.numbers.values(), start=first_number):
        value[i], extra[i] = pair
    return Seen(codes, soft, value, extra)


def _factor_map(clique: Clique, factor: Absorbed) -> IntArray:
    names = tuple(n for n, c in zip(clique.scope, factor.shape, strict=True) if c > 1)
    return position_map(clique.scope, clique.cards, names)


@lru_cache(maxsize=512)
def position_map(scope: Query, cards: tuple[int, ...], names: Query) -> IntArray:
    """For every configuration of a scope its position among the configurations of some names.

    Both are counted with the last name fastest; shape (product of cards,), read-only.
    """
    card = dict(zip(scope, cards, strict=True))
    kept = tuple(card[name] for name in names)
    index = np.indices(cards, dtype=np.int32)
    axes = [index[scope.index(name)] for name in names]
    position = np.ravel_multi_index(axes, kept) if names else np.zeros(cards)
    flat = np.asarray(position, dtype=np.int32).ravel()
    flat.flags.writeable = False
    return flat


def grouped(positions: IntArray) -> IntArray:
    """Configurations listed cell by cell, from the cell of each configuration."""
    return np.argsort(positions, kind="stable").astype(np.int32)


def _alike(seen: Seen, configs: IntArray) -> IntArray:
    """Rows sorted by which evidence they have, the most expensive factors deciding first.

    A factor silent on a whole pack of neighbours costs nothing.
    """
    rows = seen.codes.shape[1]
    if rows < 64:
        return np.arange(rows)
    key = np.zeros(rows, dtype=np.int64)
    for i in np.argsort(-configs, kind="stable")[:24]:
        present = seen.codes[i] >= 0
        if seen.value.shape[1]:
            present = present | ~np.isnan(seen.value[i])
        key = 2 * key + present
    return np.argsort(key, kind="stable")


def _joined(parts: Sequence[AnyArray], nothing: AnyArray) -> AnyArray:
    """One after the other; ``nothing`` gives the type where there are none."""
    return np.concatenate([*parts, nothing]).astype(nothing.dtype)


def _starts(parts: Sequence[FloatArray] | Sequence[IntArray]) -> IntArray:
    return np.concatenate([[0], np.cumsum([len(part) for part in parts])]).astype(np.int64)
