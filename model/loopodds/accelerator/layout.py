"""A junction tree laid out for the kernel of :mod:`loopodds.accelerator.passes`."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from functools import cached_property, lru_cache
from math import prod
from typing import Protocol

import numpy as np

from loopodds.base.arrays import BoolArray, FloatArray, IntArray, Query, starts
from loopodds.inference.flat_tree import LoopTree, Names, Seen, at_home, flat_factors, position_map
from loopodds.inference.likelihoods import Clique, Homes, kept

Arrays = tuple[FloatArray | IntArray | BoolArray, ...]
COMPARED = 256
"""Rows of the first batch that the loops of the processor work out too."""


class Card(Protocol):
    """What runs both passes."""

    apart: float | None  # furthest from the loops, of the rows that were compared

    def propagate(
        self, order: IntArray, layout: Arrays, groups: Arrays, factors: Arrays, seen: Seen,
        asked: Arrays, log_evidence: FloatArray, out: FloatArray,
    ) -> None:  # fmt: skip
        """Fill in log evidence and answers; what is seen has the names first."""


class CardTree:
    """Potentials and likelihoods of a junction tree in flat arrays, laid out by its shape.

    A gauge has distinct pairs of mean and spread, and for each configuration which pair holds.

    Args:
        cliques: In collect order, every clique before its parent.
    """

    def __init__(self, card: Card, cliques: Sequence[Clique]) -> None:
        self._card, self._cliques = card, cliques
        self._factors = at_home(cliques)
        self._shape = _shaped(tuple((c.scope, c.cards, c.parent, c.separator) for c in cliques))
        prior = np.concatenate([np.broadcast_to(c.prior[..., 0], c.cards).ravel() for c in cliques])
        before, after = self._shape.layout
        self._layout = (*before, prior, *after)
        # in a plain dictionary: see `LoopTree`
        self._switched: dict[Names, tuple[Arrays, Arrays]] = {}

    def columns(self, queries: Homes) -> IntArray:
        """See :class:`loopodds.inference.flat_tree.Laid`."""
        return self._shape.asked(queries)[1]

    def propagate(
        self, names: Names, queries: Homes, order: IntArray, seen: Seen,
        log_evidence: FloatArray, out: FloatArray,
    ) -> None:  # fmt: skip
        """See :class:`loopodds.inference.flat_tree.Laid`."""
        layout, groups, factors, asked = self.laid(names, queries)
        turned = turn(seen)
        self._card.propagate(order, layout, groups, factors, turned, asked, log_evidence, out)
        if self._card.apart is None:
            some, near = order[:COMPARED], np.zeros_like(out)
            self._loops.propagate(names, queries, some, seen, np.empty(len(out)), near)
            self._card.apart = float(np.abs(out[some] - near[some]).max(initial=0.0))

    def laid(self, names: Names, queries: Homes) -> tuple[Arrays, Arrays, Arrays, Arrays]:
        """Layout, groups, factors, and what is asked."""
        groups, factors = kept(self._switched, names, lambda: self._lay_out_factors(names))
        return self._layout, groups, factors, self._shape.asked(queries)[0]

    @cached_property
    def _loops(self) -> LoopTree:
        return LoopTree(self._cliques)

    def _lay_out_factors(self, names: Names) -> tuple[Arrays, Arrays]:
        """Groups of factors, and the factors group by group."""
        homes = tuple((home, factor.given) for home, factor in (self._factors[n] for _, n in names))
        groups, order = self._shape.groups(homes)
        return groups, flat_factors(names, self._factors, order)


def turn(seen: Seen) -> Seen:
    """What is seen with the names first, where neighbours on a card read side by side."""
    codes, *others = (np.moveaxis(array, 1, 0) for array in seen)
    return np.ascontiguousarray(codes, np.int32), *map(np.ascontiguousarray, others)


_Shaped = tuple[tuple[Query, tuple[int, ...], int, Query], ...]
"""Of each clique its scope, the cards of it, its parent (-1: none) and its separator to that."""


class TreeShape:
    """Index maps of a junction tree, which many trees share: those of one network in its contexts.

    A map gives for every configuration of a clique its position in a smaller array; cells list
    the configurations of each position in turn.
    """

    def __init__(self, cliques: _Shaped) -> None:
        self._scopes, self._cards, self._parents, self._separators = zip(*cliques, strict=True)
        numbers = range(len(cliques))
        self._children = [[i for i in numbers if self._parents[i] == number] for number in numbers]
        size = np.array([prod(cards) for cards in self._cards])
        cells = np.array([prod(self._sent_cards(i)) for i in numbers])
        children = [child for own in self._children for child in own]
        homes = [grouped(self._map(self._parents[c], self._separators[c])) for c in children]
        self._largest = int(size.max())
        self._sep_start = np.concatenate([[0], np.cumsum(cells)])
        home_run = np.array([len(h) for h in homes], np.int64) // cells[children]
        self.layout: tuple[Arrays, Arrays] = (
            (np.concatenate([[0], np.cumsum(size)])[:-1], size // cells,
             np.array(self._parents), self._sep_start),
            (starts(self._children), np.array(children, np.int64),
             _joined(homes), starts(homes)[:-1], home_run),
        )  # fmt: skip
        self._asked: dict[tuple[tuple[Query, int], ...], tuple[Arrays, IntArray]] = {}
        self._grouped: dict[tuple[tuple[int, Query], ...], tuple[Arrays, list[int]]] = {}

    def asked(self, queries: tuple[tuple[Query, int], ...]) -> tuple[Arrays, IntArray]:
        """Where each query is summed, and the columns of the result."""
        return kept(self._asked, queries, lambda: self._lay_out_queries(queries))

    def groups(self, factors: tuple[tuple[int, Query], ...]) -> tuple[Arrays, list[int]]:
        """Factors over names in a clique each, by groups, and the order in which they come."""
        return kept(self._grouped, factors, lambda: self._lay_out_groups(factors))

    def _sent_cards(self, number: int) -> tuple[int, ...]:
        """Cards of what is sent on; of a root its last variable, which sums to the same mass."""
        sent = len(self._separators[number]) if self._parents[number] >= 0 else 1
        cards: tuple[int, ...] = self._cards[number]
        return cards[len(cards) - sent :]

    def _map(self, number: int, names: Query) -> IntArray:
        return position_map(self._scopes[number], self._cards[number], names)

    def _lay_out_queries(self, queries: tuple[tuple[Query, int], ...]) -> tuple[Arrays, IntArray]:
        """Where each is summed, its cells and their configurations; and the columns of the result.

        Between two cliques there is less to sum than in one.
        """
        places = [self._narrowest(names, number) for names, number in queries]
        maps = [
            self._between(number, names) if between else self._map(number, names)
            for (number, between), (names, _) in zip(places, queries, strict=True)
        ]
        cells = _extents(maps)
        columns = np.concatenate([[0], np.cumsum(cells)]).astype(np.int64)
        turn = sorted(range(len(maps)), key=lambda q: (places[q][1], places[q][0]))
        lists = [grouped(maps[q]) for q in turn]
        run = np.array([len(maps[q]) for q in turn], np.int64) // cells[turn]
        inside = np.zeros(len(self._parents), np.int64)
        between = inside.copy()
        for number, is_between in places:
            (between if is_between else inside)[number] += 1
        first = np.concatenate([[0], np.cumsum(np.concatenate([inside, between]))])
        count = len(self._parents)
        wanted = inside > 0
        for number, parent in enumerate(self._parents):
            if parent >= 0:
                wanted[parent] |= wanted[number] or between[number] > 0
        answers = cells[turn], _joined(lists), starts(lists)[:-1], run, columns[turn]
        return (wanted, first[: count + 1], first[count:], *answers), columns

    def _narrowest(self, names: Query, number: int) -> tuple[int, bool]:
        """The clique that holds the names, or that which sends fewer cells with all of them."""
        fitting = [
            i
            for i, separator in enumerate(self._separators)
            if self._parents[i] >= 0 and {*names} <= {*separator}
        ]
        if not fitting:
            return number, False
        cells = np.diff(self._sep_start)
        return min(fitting, key=cells.__getitem__), True

    def _between(self, number: int, names: Query) -> IntArray:
        return position_map(self._separators[number], self._sent_cards(number), names)

    def _lay_out_groups(self, factors: tuple[tuple[int, Query], ...]) -> tuple[Arrays, list[int]]:
        """A group is what multiplies a clique at once: the message of a child or a likelihood, with
        all likelihoods over some of its variables folded in, which are smaller than the clique.
        """
        groups: list[list[_Group]] = [
            [_Group(self._separators[child], child) for child in children]
            for children in self._children
        ]
        for number, own in enumerate(groups):
            mine = [i for i, (home, _) in enumerate(factors) if home == number]
            for given in dict.fromkeys(factors[i][1] for i in mine):
                own.append(_Group(given, -1, [i for i in mine if factors[i][1] == given]))
            own.sort(key=lambda group: (self._cells(number, group.scope), group.child))
        return self._flat_groups(groups)

    def _cells(self, number: int, names: Query) -> int:
        return prod(self._cards_of(number, names))

    def _flat_groups(self, groups: list[list[_Group]]) -> tuple[Arrays, list[int]]:
        """The arrays of the groups, and the order of factors."""
        placed = [(number, group) for number, own in enumerate(groups) for group in own]
        cells = np.array([self._cells(number, g.scope) for number, g in placed], dtype=np.int64)
        first = starts(groups)
        at = np.concatenate([[0], np.cumsum(cells)]).astype(np.int64)
        group_at = self._sep_start[-1] + at[:-1] - np.repeat(at[first[:-1]], np.diff(first))
        hosts = [
            next((n for n in range(i + 1, first[number + 1]) if placed[n][1].holds(group)), -1)
            for i, (number, group) in enumerate(placed)
        ]
        # the first map leads everywhere to one cell
        maps: list[IntArray] = [np.zeros(self._largest, np.int32)]
        maps += [
            self._map(number, group.scope)
            if host < 0
            else position_map(
                placed[host][1].scope, self._cards_of(number, placed[host][1].scope), group.scope
            )
            for host, (number, group) in zip(hosts, placed, strict=True)
        ]
        children = np.array([group.child for _, group in placed], dtype=np.int64)
        return (
            (first, children, np.array(hosts, np.int64), cells, group_at,
             _joined(maps), starts(maps)[1:],
             starts([group.members for _, group in placed])),
            [i for _, group in placed for i in group.members],
        )  # fmt: skip

    def _cards_of(self, number: int, names: Query) -> tuple[int, ...]:
        cards = dict(zip(self._scopes[number], self._cards[number], strict=True))
        return tuple(cards[name] for name in names)


@lru_cache(maxsize=8)
def _shaped(cliques: _Shaped) -> TreeShape:
    """The shape of a tree, kept for the trees of other contexts."""
    return TreeShape(cliques)


@dataclass(slots=True)
class _Group:
    """The message of a child, or likelihoods over the same variables (child -1)."""

    scope: Query
    child: int
    members: list[int] = field(default_factory=list)

    def holds(self, other: _Group) -> bool:
        return {*other.scope} <= {*self.scope}


def grouped(positions: IntArray) -> IntArray:
    """The first configuration of every cell, then the second, from the cell of each."""
    cells = int(positions.max(initial=0)) + 1
    order = np.argsort(positions, kind="stable").astype(np.int32)
    return np.ascontiguousarray(order.reshape(cells, -1).T).ravel()


def _joined(maps: Sequence[IntArray]) -> IntArray:
    return np.concatenate([*maps, np.empty(0, np.int32)])


def _extents(maps: Sequence[IntArray]) -> IntArray:
    """Positions that each map has."""
    return np.array([int(index.max()) + 1 for index in maps], dtype=np.int64)
