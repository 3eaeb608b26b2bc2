"""A junction tree laid out flat for the compiled loops of :mod:`loopodds.inference.kernels`."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from itertools import pairwise
from typing import Any

import numpy as np
from numpy.typing import NDArray

from loopodds.base.arrays import FloatArray, IntArray, Query
from loopodds.inference.likelihoods import Absorbed
from loopodds.inference.network import Evidence

_Layout = tuple[NDArray[Any], ...]


@dataclass(frozen=True, slots=True, eq=False)
class Piece:
    """What the flat layout needs to know of one clique."""

    scope: Query
    cards: tuple[int, ...]
    parent: int
    separator: Query
    prior: FloatArray
    absorbed: Sequence[Absorbed]


class FlatTree:
    """Index maps and potentials of a junction tree in flat arrays.

    Parameters
    ----------
    pieces : sequence of Piece
        Cliques in collect order, every clique before its parent.
    """

    def __init__(self, pieces: Sequence[Piece]) -> None:
        self._pieces = pieces
        sizes = np.array([int(np.prod(piece.cards)) for piece in pieces])
        starts = np.concatenate([[0], np.cumsum(sizes)[:-1]])
        own = [position_map(p.scope, p.cards, p.separator) for p in pieces]
        separators = np.array([int(index.max()) + 1 for index in own])
        home: list[IntArray] = [
            position_map(pieces[p.parent].scope, pieces[p.parent].cards, p.separator)
            if p.parent >= 0
            else np.empty(0, dtype=np.int32)
            for p in pieces
        ]
        self._tree = (
            starts,
            sizes,
            np.array([piece.parent for piece in pieces]),
            np.concatenate([[0], np.cumsum(separators)]),
            separators,
            np.concatenate([np.broadcast_to(p.prior[..., 0], p.cards).ravel() for p in pieces]),
            np.concatenate(own),
            np.concatenate([grouped(index) for index in own]),
            np.concatenate(home),
            np.concatenate([grouped(index) for index in home]),
            np.concatenate([[0], np.cumsum([len(index) for index in home])[:-1]]),
        )
        self._asked: dict[tuple[tuple[Query, int], ...], _Layout] = {}
        self._switches: dict[
            tuple[tuple[int, str], ...],
            tuple[tuple[object, ...], tuple[object, ...], list[int]],
        ] = {}
        self._factors = {
            factor.name: (number, factor, _FlatFactor(piece, factor))
            for number, piece in enumerate(pieces)
            for factor in piece.absorbed
        }

    def propagate(
        self, evidence: Evidence, queries: Sequence[tuple[Query, int]]
    ) -> tuple[FloatArray, list[FloatArray]]:
        """Log evidence, shape (rows,), and joints, shape (rows, configurations of the query).

        Parameters
        ----------
        queries : sequence of (names, clique number)
        """
        from loopodds.inference import kernels

        asked = self._layout(tuple(queries))
        offsets = asked[-1]
        log_evidence = np.empty(evidence.rows)
        out = np.zeros((evidence.rows, int(offsets[-1])))
        active, gauges, order = self._active(evidence)
        kernels.propagate(order, self._tree, active, gauges, asked, log_evidence, out)
        joints = [out[:, a:b] for a, b in pairwise(offsets)]
        return log_evidence, joints

    def _layout(self, queries: tuple[tuple[Query, int], ...]) -> _Layout:
        """Where each query is summed from and to: cliques, sizes, groups, their starts, columns."""
        if queries not in self._asked:
            pieces = [self._pieces[number] for _, number in queries]
            maps = [
                position_map(piece.scope, piece.cards, names)
                for piece, (names, _) in zip(pieces, queries, strict=True)
            ]
            sizes = np.array([int(index.max()) + 1 for index in maps], dtype=np.int64)
            self._asked[queries] = (
                np.array([number for _, number in queries], dtype=np.int64),
                sizes,
                _joined([grouped(index) for index in maps], np.int32),
                _starts(maps),
                np.concatenate([[0], np.cumsum(sizes)]).astype(np.int64),
            )
        return self._asked[queries]

    def _active(
        self, evidence: Evidence
    ) -> tuple[tuple[object, ...], tuple[object, ...], IntArray]:
        """The factors that this evidence switches on, in the layout of the kernel, and an order
        of the rows in which neighbours have the same large factors silent.
        """
        from loopodds.inference.kernels import CODE, NUMBER, SOFT

        found = (
            *((CODE, name) for name in evidence.codes),
            *((SOFT, name) for name in evidence.soft),
            *((NUMBER, name) for name in evidence.numbers),
        )
        fixed, gauges, configs = self._switched(found)
        rows = evidence.rows
        codes = np.full((len(found), rows), -1, dtype=np.int32)
        widest = max((w.shape[1] for w in evidence.soft.values()), default=1)
        softs = np.zeros((len(found), rows if evidence.soft else 0, widest))
        numbers = np.full((2, len(found), rows if evidence.numbers else 0), np.nan)
        for i, (kind, name) in enumerate(found):
            if kind == CODE:
                codes[i] = evidence.codes[name]
            elif kind == SOFT:
                softs[i, :, : evidence.soft[name].shape[1]] = evidence.soft[name]
            else:
                numbers[:, i] = evidence.numbers[name]
        order = _alike(codes, numbers[0], configs)
        return (*fixed, codes, softs, numbers[0], numbers[1]), gauges, order

    def _switched(
        self, found: tuple[tuple[int, str], ...]
    ) -> tuple[tuple[object, ...], tuple[object, ...], list[int]]:
        """What depends on the names alone: factors, gauges, and configurations of each."""
        if found not in self._switches:
            flats = [self._factors[name][2] for _, name in found]
            absorbed = [self._factors[name][1] for _, name in found]
            fixed = (
                np.array([kind for kind, _ in found], dtype=np.int64),
                np.array([self._factors[name][0] for _, name in found], dtype=np.int64),
                _joined([flat.table for flat in flats]),
                np.array([flat.states for flat in flats], dtype=np.int64),
                np.array([flat.configs for flat in flats], dtype=np.int64),
                _joined([flat.index for flat in flats], np.int32),
                _starts([flat.index for flat in flats]),
                _starts([flat.table for flat in flats]),
            )
            gauges = (
                _joined([flat.mean for flat in flats]),
                _joined([flat.spread for flat in flats]),
                _joined([flat.pair for flat in flats], np.int32),
                _starts([flat.mean for flat in flats]),
                _starts([flat.pair for flat in flats]),
                np.array([factor.share for factor in absorbed], dtype=np.float64),
                np.array([factor.wide for factor in absorbed], dtype=np.float64),
            )
            self._switches[found] = fixed, gauges, [flat.configs for flat in flats]
        return self._switches[found]


class _FlatFactor:
    """One absorbed factor with its table state by state, as the kernel reads it."""

    __slots__ = ("configs", "index", "mean", "pair", "spread", "states", "table")

    def __init__(self, piece: Piece, factor: Absorbed) -> None:
        names = tuple(n for n, c in zip(piece.scope, factor.shape, strict=True) if c > 1)
        self.index = position_map(piece.scope, piece.cards, names)
        table = factor.table[:, :-1]
        self.configs, self.states = table.shape
        self.table = np.ascontiguousarray(table.T).ravel()
        self.mean, self.spread = factor.mean.ravel(), factor.spread.ravel()
        self.pair = factor.pair


@lru_cache(maxsize=512)
def position_map(scope: Query, cards: tuple[int, ...], names: Query) -> IntArray:
    """For every configuration of a scope its position among the configurations of some names.

    Both are counted with the last name fastest; shape (product of cards,).
    """
    card = dict(zip(scope, cards, strict=True))
    weight = {}
    step = 1
    for name in reversed(names):
        weight[name] = step
        step *= card[name]
    position = np.zeros(cards, dtype=np.int32)
    for axis, name in enumerate(scope):
        if name in weight:
            lift = [1] * len(scope)
            lift[axis] = card[name]
            position += (np.arange(card[name], dtype=np.int32) * weight[name]).reshape(lift)
    flat = position.ravel()
    flat.flags.writeable = False
    return flat


def grouped(positions: IntArray) -> IntArray:
    """Configurations listed cell by cell, from the cell of each configuration."""
    return np.argsort(positions, kind="stable").astype(np.int32)


def _alike(codes: IntArray, values: FloatArray, configs: Sequence[int]) -> IntArray:
    """Rows sorted by which evidence they have, the most expensive factors deciding first."""
    rows = codes.shape[1]
    if rows < 64:
        return np.arange(rows)
    key = np.zeros(rows, dtype=np.int64)
    for i in sorted(range(len(configs)), key=lambda i: -configs[i])[:24]:
        present = codes[i] >= 0
        if values.shape[1]:
            present = present | ~np.isnan(values[i])
        key = 2 * key + present
    return np.argsort(key, kind="stable")


def _joined(parts: Sequence[FloatArray | IntArray], kind: type = np.float64) -> FloatArray:
    return np.concatenate([*parts, np.empty(0)]).astype(kind)


def _starts(parts: Sequence[FloatArray | IntArray]) -> IntArray:
    return np.concatenate([[0], np.cumsum([len(part) for part in parts])]).astype(np.int64)
