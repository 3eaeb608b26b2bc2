"""A junction tree for the compiled loops of :mod:`loopodds.inference.kernels`, batch by batch."""

from __future__ import annotations

from collections.abc import Hashable, Mapping, Sequence
from functools import lru_cache
from itertools import pairwise
from typing import TYPE_CHECKING, Any, Protocol

import numpy as np

from loopodds.base.arrays import FloatArray, IntArray, Query, starts
from loopodds.base.equal_rows import distinct, words_of
from loopodds.inference.likelihoods import Absorbed, Clique, Homes, Readings, kept, shaped
from loopodds.inference.network import Evidence

if TYPE_CHECKING:
    from loopodds.inference.kernels import Arrays

Names = tuple[tuple[int, str], ...]
"""Kind of evidence (code, soft, number) and name, in the order of the columns of each kind."""
Seen = tuple[Any, ...]
"""Codes (rows, names and up to three columns of -1), weights (rows, names, states), readings and
extra spreads (rows, names)."""

FEW = 64
"""Rows below which they stay in their order."""
A_NUMBER = 10
"""What a configuration costs where a number is compared, not a word looked up."""


class Laid(Protocol):
    """A tree as something that runs both passes takes it."""

    def columns(self, queries: Homes) -> IntArray:
        """Where the cells of each query begin in the answers, and the end of the last."""

    def propagate(
        self, names: Names, queries: Homes, order: IntArray, seen: Seen,
        log_evidence: FloatArray, out: FloatArray,
    ) -> None:  # fmt: skip
        """Fill in log evidence, shape (rows,), and answers, (rows, columns), of rows in order."""


class Passes(Hashable, Protocol):
    """What runs both passes on another processor."""

    def lay_out(self, cliques: Sequence[Clique]) -> Laid:
        """The tree as it takes it."""


class FlatTree:
    """Potentials and likelihoods of a junction tree in flat arrays.

    Args:
        cliques: In collect order, every clique before its parent.
        passes: What runs batches instead of the loops of the processor.
    """

    def __init__(self, cliques: Sequence[Clique], passes: Passes | None = None) -> None:
        factors = [factor for clique in cliques for factor in clique.absorbed]
        self._costs = {factor.name: factor.configs for factor in factors}
        self._code = np.int8 if all(f.states < 127 for f in factors) else np.int32
        self._laid = passes.lay_out(cliques) if passes else LoopTree(cliques)

    def propagate(
        self, evidence: Evidence, queries: Homes
    ) -> tuple[FloatArray, list[FloatArray], int]:
        """Log evidence, shape (rows,), joints, shape (rows, configurations), and distinct rows.

        Equal rows are worked out once.

        Args:
            queries: Names of each, and the number of a clique that holds them.
        """
        from loopodds.inference import kernels

        names = (
            *((kernels.CODE, name) for name in evidence.codes),
            *((kernels.SOFT, name) for name in evidence.soft),
            *((kernels.NUMBER, name) for name in evidence.numbers),
        )
        columns = self._laid.columns(queries)
        seen = _seen(evidence, self._code)
        # spreads that the conditions add are seldom there
        first, place = distinct(words_of(seen if seen[3].any() else seen[:3]))
        rows = len(first)
        if rows < evidence.rows:
            seen = tuple(array[first] for array in seen)
        log_evidence, out = np.empty(rows), np.empty((rows, int(columns[-1])))
        self._laid.propagate(names, queries, self._alike(names, seen), seen, log_evidence, out)
        if rows < evidence.rows:
            log_evidence, out = log_evidence[place], out.take(place, axis=0)
        return log_evidence, [out[:, a:b] for a, b in pairwise(columns)], rows

    def _alike(self, names: Names, seen: Seen) -> IntArray:
        """Rows sorted by what they say, the most expensive factors deciding first.

        A factor silent on a whole pack of neighbours costs nothing, and one word of all little.
        """
        from loopodds.inference.kernels import CODE

        codes, soft, value, _ = seen
        rows = codes.shape[0]
        if rows < FEW:
            return np.arange(rows)
        costs = np.array([self._costs[name] for _, name in names])
        words = sum(kind == CODE for kind, _ in names)
        costs[words + soft.shape[1] :] *= A_NUMBER
        key, left = np.zeros(rows, np.int64), 2**62
        for i in np.argsort(-costs, kind="stable"):
            number = i - words - soft.shape[1]
            if number >= 0:
                said, kinds = ~np.isnan(value[:, number]), 2
            elif i < words:
                said, kinds = codes[:, i] + 1, int(codes[:, i].max()) + 2
            else:
                continue
            if kinds > left:
                break
            key, left = kinds * key + said, left // kinds
        return np.argsort(key)


class LoopTree:
    """A tree laid out for the loops of the processor."""

    def __init__(self, cliques: Sequence[Clique]) -> None:
        self._factors = at_home(cliques)
        potentials = [_narrowed(clique) for clique in cliques]
        self._prior = _joined([table.ravel() for _, table in potentials])
        self._shape = shaped(
            tuple(
                (c.scope, c.cards, c.parent, c.separator, names)
                for c, (names, _) in zip(cliques, potentials, strict=True)
            )
        )
        # what hangs on names alone is laid out once. In a plain dictionary: a cached method would
        # refer to the tree, which then stays until the collector comes by
        self._laid_out: dict[tuple[Names, tuple[int, ...]], Arrays] = {}

    def columns(self, queries: Homes) -> IntArray:
        """See `Laid`."""
        return np.cumsum([0, *(self._shape.cells(names) for names, _ in queries)])

    def propagate(
        self, names: Names, queries: Homes, order: IntArray, seen: Seen,
        log_evidence: FloatArray, out: FloatArray,
    ) -> None:  # fmt: skip
        """See `Laid`."""
        from loopodds.inference import kernels
        from loopodds.inference.sums import program

        homes = tuple((factor.given, home) for home, factor in (self._factors[n] for _, n in names))
        key = homes, queries
        laid = kept(self._shape.programs, key, lambda: program(self._shape, homes, queries))
        turn = laid.turn
        factors = kept(self._laid_out, (names, turn), lambda: self._flat_factors(names, turn))
        kernels.propagate(
            order, laid.tree, laid.groups, laid.sums, laid.steps, self._prior, factors,
            seen, log_evidence, out,
        )  # fmt: skip

    def _flat_factors(self, names: Names, turn: tuple[int, ...]) -> Arrays:
        """What hangs on spreads alone is worked out beforehand, and maps are in numbers."""
        from loopodds.vectors.lanes import WIDTH

        *before, pairs, pair_at, means, spread, gauge_at, shares, wides = flat_factors(
            names, self._factors, turn
        )
        variance = spread * spread
        return (
            *before, (WIDTH * pairs).astype(np.int32), pair_at,
            means, variance, -0.5 / variance, 1.0 / spread, gauge_at, shares, wides,
        )  # fmt: skip


def at_home(cliques: Sequence[Clique]) -> dict[str, tuple[int, Absorbed]]:
    """What evidence on each variable switches on, and the number of the clique it multiplies."""
    return {f.name: (number, f) for number, clique in enumerate(cliques) for f in clique.absorbed}


def flat_factors(
    names: Names, factors: Mapping[str, tuple[int, Absorbed]], turn: Sequence[int]
) -> tuple[Any, ...]:
    """Factors of some evidence, in turn.

    Kind, column, words, configurations; tables one word after the other, and where they begin; of
    gauges the pair of each configuration, where these begin, mean and spread of each pair, where
    these begin, share of misreadings and their spread.
    """
    from loopodds.inference.kernels import NUMBER

    kinds = [kind for kind, _ in names]
    laid = [(kinds[i], factors[names[i][1]][1]) for i in turn]
    # of a gauge either its numbers are compared or its words are looked up
    read = [factor.readings if kind == NUMBER else NOT_READ for kind, factor in laid]
    tables = [
        np.empty(0) if kind == NUMBER else np.ascontiguousarray(factor.table.T).ravel()
        for kind, factor in laid
    ]
    pairs = [
        factor.readings.pair if kind == NUMBER else np.arange(factor.configs)
        for kind, factor in laid
    ]
    means = [gauge.mean.ravel() for gauge in read]
    return (
        np.array([kind for kind, _ in laid], np.int64),
        np.array([kinds[:i].count(kinds[i]) for i in turn], np.int64),
        np.array([factor.states for _, factor in laid], np.int64),
        np.array([factor.configs for _, factor in laid], np.int64),
        _joined(tables), starts(tables),
        np.concatenate([*pairs, np.empty(0, np.int64)]).astype(np.int32), starts(pairs),
        _joined(means), _joined([gauge.spread.ravel() for gauge in read]), starts(means),
        np.array([gauge.share for gauge in read], np.float64),
        np.array([gauge.wide for gauge in read], np.float64),
    )  # fmt: skip


NOT_READ = Readings(np.empty((0, 1)), np.empty((0, 1)), np.empty(0, np.int32), 0.0, 1.0)


def _narrowed(clique: Clique) -> tuple[Query | None, FloatArray]:
    """A potential over the variables that it hangs on; None and nothing if it is one everywhere."""
    table = np.broadcast_to(clique.prior[..., 0], clique.cards)
    names = list(clique.scope)
    for name in clique.scope:
        axis = names.index(name)
        one = table.take([0], axis=axis)
        if (table == one).all():
            table = one.squeeze(axis)
            names.remove(name)
    if not names and table == 1.0:
        return None, np.empty(0)
    return tuple(names), table


def _seen(evidence: Evidence, code_type: type[np.integer[Any]]) -> Seen:
    """States, weights of states, readings and extra spreads."""
    rows = evidence.rows
    # columns of nothing behind the others, for a whole number of words
    codes = np.full((rows, -(-len(evidence.codes) // 4) * 4), -1, code_type)
    widest = max((weight.shape[1] for weight in evidence.soft.values()), default=1)
    soft = np.zeros((rows, len(evidence.soft), widest))
    value, extra = np.empty((2, rows, len(evidence.numbers)))
    for i, code in enumerate(evidence.codes.values()):
        codes[:, i] = code
    for i, weight in enumerate(evidence.soft.values()):
        soft[:, i, : weight.shape[1]] = weight
    for i, pair in enumerate(evidence.numbers.values()):
        value[:, i], extra[:, i] = pair
    return codes, soft, value, extra


def _joined(parts: Sequence[FloatArray]) -> FloatArray:
    return np.concatenate([*parts, np.empty(0)])


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
