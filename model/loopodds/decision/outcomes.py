"""Imagined inspections: what a test may show, as rows of evidence for the engine.

The outcomes of a test are cut into cells: a cell names the states of some of its findings and
leaves the rest open, the cells do not overlap and together cover everything. Cells are refined
where they are probable, so that a test of a dozen findings costs some hundred rows, not some
hundred thousand. Seeing through cells is never worth more than seeing everything (Blackwell
1953): values computed from them are lower bounds.
"""

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from loopodds.base.arrays import FloatArray, IntArray, Query
from loopodds.inference.information import Grid, Look
from loopodds.inference.network import Evidence

Prefix = Mapping[str, int]


@dataclass(frozen=True, slots=True, eq=False)
class Cells:
    """Cells of the outcomes of a test."""

    names: Query
    index: IntArray  # shape (cells, names): outcome of each observable, -1 where it is left open
    grids: tuple[Grid | None, ...]  # the readings that outcomes stand for; None for words

    @property
    def count(self) -> int:
        """Number of cells."""
        return len(self.index)

    @property
    def lengths(self) -> FloatArray:
        """What turns the density of the readings of a cell into a probability, shape (cells,)."""
        result = np.ones(self.count)
        for column, grid in zip(self.index.T, self.grids, strict=True):
            if grid is not None:
                result *= np.append(grid.lengths, 1.0)[column]
        return result

    def seen(self, cell: int) -> dict[str, int]:
        """What a cell says: outcomes of the observables that it does not leave open."""
        told = zip(self.names, self.index[cell].tolist(), strict=True)
        return {name: code for name, code in told if code >= 0}


NOTHING = Cells((), np.empty((1, 0), dtype=np.int64), ())


def cut(look: Look, floor: float, drop: float = 0.0) -> Cells:
    """Cells of a look; the most telling observable is cut first, what masks others before them.

    Args:
        floor: A cell is refined as long as it is more probable than this.
        drop: Cells less probable are left out; 0 keeps all that are or may become possible.
    """
    if not look.names:
        return NOTHING
    order = _order(look)
    joint = np.transpose(look.distribution, [look.names.index(name) for name in order])
    count = len(order)
    index: IntArray = np.zeros((1, 0), dtype=np.int64)
    leaves: list[IntArray] = []
    for depth in range(count):
        chance = joint.sum(axis=tuple(range(depth, count)))[tuple(index.T)]
        split = np.atleast_1d(chance > floor) if depth else np.array([True])
        if not split.all():
            leaves.append(_padded(index[~split], count))
        index = _children(index[split], joint.shape[depth])
        below = joint.sum(axis=tuple(range(depth + 1, count)))[tuple(index.T)]
        index = index[below >= drop] if drop else index
    cells = np.vstack([*leaves, index])
    shut = look.shut(order, cells)
    cells = np.where(shut, -1, cells)
    grids = tuple(look.grid(name) for name in order)
    return Cells(order, np.unique(cells, axis=0) if shut.any() else cells, grids)


def _order(look: Look) -> Query:
    if len(look.names) == 1:
        return look.names
    telling = sorted(look.names, key=look.own_bits, reverse=True)
    order: list[str] = []
    for name in telling:
        order += [n for n in (*look.hiders(name), name) if n not in order]
    return tuple(order)


def _padded(index: IntArray, width: int) -> IntArray:
    wide = np.full((len(index), width), -1, dtype=np.int64)
    wide[:, : index.shape[1]] = index
    return wide


def _children(index: IntArray, card: int) -> IntArray:
    """Every row followed by every outcome of the next observable."""
    rows = np.repeat(index, card, axis=0)
    return np.column_stack([rows, np.tile(np.arange(card), len(index))])


class Batch:
    """Rows of imagined evidence in the making, all variations of one row."""

    def __init__(self, base: Evidence) -> None:
        self._base = base
        self._blocks: list[tuple[slice, Prefix, Cells]] = []
        self.rows = 0

    def add(self, seen: Prefix, cells: Cells = NOTHING) -> slice:
        """One row for each cell, with some states seen besides; where the rows will stand."""
        rows = slice(self.rows, self.rows + cells.count)
        self._blocks.append((rows, seen, cells))
        self.rows = rows.stop
        return rows

    def evidence(self) -> tuple[Evidence, IntArray]:
        """Distinct rows of evidence, and for every row added its number among them.

        Two tests in either order lead to the same rows, which are worked out once.
        """
        names = dict.fromkeys(name for _, prefix, _ in self._blocks for name in prefix)
        names |= dict.fromkeys(name for _, _, cells in self._blocks for name in cells.names)
        place = {name: i for i, name in enumerate(names)}
        codes = np.full((self.rows, len(place)), -1, dtype=np.int16)
        grids: dict[str, Grid] = {}
        for rows, seen, cells in self._blocks:
            for name, code in seen.items():
                codes[rows, place[name]] = code
            if cells.names:
                codes[rows, [place[name] for name in cells.names]] = cells.index
            grids.update((n, g) for n, g in zip(cells.names, cells.grids, strict=True) if g)
        first, inverse = _distinct(codes)
        codes = codes[first]
        batch = self._base.repeat(len(codes))
        words = {name: codes[:, i] for name, i in place.items() if name not in grids}
        numbers = dict(batch.numbers)
        for name, grid in grids.items():
            nodes = np.append(grid.nodes, np.nan)[codes[:, place[name]]]
            numbers[name] = nodes, np.full(len(codes), grid.extra)
        return Evidence(len(codes), {**batch.codes, **words}, batch.soft, numbers), inverse


def _distinct(codes: IntArray) -> tuple[IntArray, IntArray]:
    """Positions of distinct rows, and for every row the number of its like."""
    packed = np.ascontiguousarray(codes).view(np.dtype((np.void, codes.shape[1] * 2))).ravel()
    _, first, inverse = np.unique(packed, return_index=True, return_inverse=True)
    return first, inverse
