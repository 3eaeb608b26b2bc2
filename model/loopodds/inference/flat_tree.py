"""A junction tree laid out flat for the compiled loops of :mod:`loopodds.inference.kernels`."""

from __future__ import annotations

from collections.abc import Callable, Sequence, Sized
from dataclasses import dataclass, field
from functools import lru_cache
from itertools import pairwise
from math import prod
from typing import Any, TypeVar

import numpy as np

from loopodds.base.arrays import BoolArray, FloatArray, IntArray, Query
from loopodds.base.equal_rows import Answers, Room, distinct, words_of
from loopodds.inference.likelihoods import Clique, Readings
from loopodds.inference.network import Evidence

AnyArray = TypeVar("AnyArray", FloatArray, IntArray)
Key = TypeVar("Key")
Made = TypeVar("Made")
_Arrays = tuple[FloatArray | IntArray | BoolArray, ...]
Passes = Callable[
    [IntArray, _Arrays, _Arrays, _Arrays, _Arrays, _Arrays, FloatArray, FloatArray], None
]
"""Order of the rows, layout, groups, factors, what is seen, what is asked; log evidence and joints
to be filled in."""
MOST_LAYOUTS = 128
"""Sets of names that are laid out for at a time: an archive has a few for each of its contexts, of
some 300 kB each."""


class FlatTree:
    """Potentials and likelihoods of a junction tree in flat arrays, laid out by its shape.

    A gauge has distinct pairs of mean and spread, and for each configuration which pair holds.
    The kernel takes plain tuples: its cache on disk names the types of its arguments and must not
    depend on a class of this module.

    Args:
        cliques: In collect order, every clique before its parent.
        room: For answers, so that rows that were met in an earlier batch are not worked out again.
    """

    def __init__(self, cliques: Sequence[Clique], room: Room | None = None) -> None:
        self._room = room
        self._answers: dict[Any, Answers] = {}
        self._factors = {
            factor.name: (number, factor)
            for number, clique in enumerate(cliques)
            for factor in clique.absorbed
        }
        self._shape = _shaped(tuple((c.scope, c.cards, c.parent, c.separator) for c in cliques))
        prior = np.concatenate([np.broadcast_to(c.prior[..., 0], c.cards).ravel() for c in cliques])
        before, after = self._shape.layout
        self._layout = (*before, prior, *after)
        # what depends on names alone is laid out once. In a plain dictionary: a cached method would
        # refer to the tree, which then stays until the collector comes by
        self._switched: dict[tuple[tuple[int, str], ...], tuple[_Arrays, _Arrays, IntArray]] = {}

    def propagate(
        self, evidence: Evidence, queries: Sequence[tuple[Query, int]], passes: Passes | None = None
    ) -> tuple[FloatArray, list[FloatArray], int]:
        """Log evidence, shape (rows,), joints, shape (rows, configurations), and distinct rows.

        Equal rows are worked out once.

        Args:
            queries: Names of each, and the number of a clique that holds them.
            passes: What runs both passes, with the arguments of
                :func:`loopodds.inference.kernels.propagate`; that one when left out.
        """
        from loopodds.inference import kernels

        names = (
            *((kernels.CODE, name) for name in evidence.codes),
            *((kernels.SOFT, name) for name in evidence.soft),
            *((kernels.NUMBER, name) for name in evidence.numbers),
        )
        groups, factors, configs = _kept(self._switched, names, self._lay_out_factors)
        asked, columns = self._shape.asked(tuple(queries))
        seen = _seen(evidence)
        words = words_of(seen)
        first, place = distinct(words)
        rows, most = len(first), int(columns[-1])

        def work(some: IntArray) -> tuple[FloatArray, FloatArray]:
            those = seen if len(some) == evidence.rows else tuple(array[:, some] for array in seen)
            log_evidence, out = np.empty(len(some)), np.zeros((len(some), most))
            run = passes or kernels.propagate
            order = _alike(those, configs)
            run(order, self._layout, groups, factors, those, asked, log_evidence, out)
            return log_evidence, out

        if self._room is None or not np.isnan(seen[2]).all():  # two readings are never the same
            log_evidence, out = work(first)
        else:
            none_yet = Answers(self._room, words.shape[1], 1 + most)
            met = self._answers.setdefault((names, tuple(queries)), none_yet)
            found = met.of(words[first], lambda new: np.column_stack(work(first[new])))
            log_evidence, out = found[:, 0], found[:, 1:]
        if rows < evidence.rows:
            log_evidence, out = log_evidence[place], out[place]
        return log_evidence, [out[:, a:b] for a, b in pairwise(columns)], rows

    def _lay_out_factors(
        self, names: tuple[tuple[int, str], ...]
    ) -> tuple[_Arrays, _Arrays, IntArray]:
        """Groups of factors, the factors group by group, and the configurations of each name."""
        from loopodds.inference.kernels import NUMBER

        chosen = [(kind, *self._factors[name]) for kind, name in names]
        groups, turn = self._shape.groups(tuple((home, f.given) for _, home, f in chosen))
        kinds = np.array([kind for kind, *_ in chosen], dtype=np.int64)
        column = np.array([np.count_nonzero(kinds[:i] == kinds[i]) for i in turn], dtype=np.int64)
        laid = [chosen[i][2] for i in turn]
        # of a gauge either its numbers are compared or its words are looked up
        both = list(zip(kinds[turn] == NUMBER, laid, strict=True))
        read = [factor.readings if number else NOT_READ for number, factor in both]
        tables = [
            np.empty(0) if number else np.ascontiguousarray(factor.table.T).ravel()
            for number, factor in both
        ]
        into = [
            factor.readings.pair if number else np.arange(factor.configs) for number, factor in both
        ]
        means = [gauge.mean.ravel() for gauge in read]
        configs = np.array([factor.configs for *_, factor in chosen], dtype=np.int64)
        states = np.array([factor.states for factor in laid], dtype=np.int64)
        return (
            groups,
            (kinds[turn], column, states, configs[turn], _joined(tables), _starts(tables),
             _joined(into, np.int32).astype(np.int32), _starts(into), _joined(means),
             _joined([gauge.spread.ravel() for gauge in read]), _starts(means),
             np.array([gauge.share for gauge in read], np.float64),
             np.array([gauge.wide for gauge in read], np.float64)),
            configs,
        )  # fmt: skip


NOT_READ = Readings(np.empty((0, 1)), np.empty((0, 1)), np.empty(0, np.int32), 0.0, 1.0)
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
        self.layout: tuple[_Arrays, _Arrays] = (
            (np.concatenate([[0], np.cumsum(size)])[:-1], size // cells,
             np.array(self._parents), self._sep_start),
            (_starts(self._children), np.array(children, np.int64),
             _joined(homes, np.int32), _starts(homes)[:-1], home_run),
        )  # fmt: skip
        self._asked: dict[tuple[tuple[Query, int], ...], tuple[_Arrays, IntArray]] = {}
        self._grouped: dict[tuple[tuple[int, Query], ...], tuple[_Arrays, list[int]]] = {}

    def asked(self, queries: tuple[tuple[Query, int], ...]) -> tuple[_Arrays, IntArray]:
        """Where each query is summed, and the columns of the result."""
        return _kept(self._asked, queries, self._lay_out_queries)

    def groups(self, factors: tuple[tuple[int, Query], ...]) -> tuple[_Arrays, list[int]]:
        """Factors over names in a clique each, by groups, and the order in which they come."""
        return _kept(self._grouped, factors, self._lay_out_groups)

    def _sent_cards(self, number: int) -> tuple[int, ...]:
        """Cards of what is sent on; of a root its last variable, which sums to the same mass."""
        sent = len(self._separators[number]) if self._parents[number] >= 0 else 1
        cards: tuple[int, ...] = self._cards[number]
        return cards[len(cards) - sent :]

    def _map(self, number: int, names: Query) -> IntArray:
        return position_map(self._scopes[number], self._cards[number], names)

    def _lay_out_queries(self, queries: tuple[tuple[Query, int], ...]) -> tuple[_Arrays, IntArray]:
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
        answers = cells[turn], _joined(lists, np.int32), _starts(lists)[:-1], run, columns[turn]
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

    def _lay_out_groups(self, factors: tuple[tuple[int, Query], ...]) -> tuple[_Arrays, list[int]]:
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

    def _flat_groups(self, groups: list[list[_Group]]) -> tuple[_Arrays, list[int]]:
        """The arrays of :func:`loopodds.inference.kernels.propagate`, and the order of factors."""
        placed = [(number, group) for number, own in enumerate(groups) for group in own]
        cells = np.array([self._cells(number, g.scope) for number, g in placed], dtype=np.int64)
        first = _starts(groups)
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
             _joined(maps, np.int32), _starts(maps)[1:],
             _starts([group.members for _, group in placed])),
            [i for _, group in placed for i in group.members],
        )  # fmt: skip

    def _cards_of(self, number: int, names: Query) -> tuple[int, ...]:
        cards = dict(zip(self._scopes[number], self._cards[number], strict=True))
        return tuple(cards[name] for name in names)


@lru_cache(maxsize=8)
def _shaped(cliques: _Shaped) -> TreeShape:
    """The shape of a tree, kept for the trees of other contexts."""
    return TreeShape(cliques)


def _kept(found: dict[Key, Made], key: Key, make: Callable[[Key], Made]) -> Made:
    """What was made of a key before, the last few of them; threads may meet here."""
    made = found.get(key)
    if made is None:
        if len(found) >= MOST_LAYOUTS:
            found.clear()
        found[key] = made = make(key)
    return made


@dataclass(slots=True)
class _Group:
    """The message of a child, or likelihoods over the same variables (child -1)."""

    scope: Query
    child: int
    members: list[int] = field(default_factory=list)

    def holds(self, other: _Group) -> bool:
        return {*other.scope} <= {*self.scope}


def _seen(evidence: Evidence) -> _Arrays:
    """States, weights of states, readings and extra spreads: (factors of the kind, rows, ...)."""
    rows = evidence.rows
    codes = np.empty((len(evidence.codes), rows), dtype=np.int32)
    widest = max((weight.shape[1] for weight in evidence.soft.values()), default=1)
    soft = np.zeros((len(evidence.soft), rows, widest))
    value, extra = np.empty((2, len(evidence.numbers), rows))
    for i, code in enumerate(evidence.codes.values()):
        codes[i] = code
    for i, weight in enumerate(evidence.soft.values()):
        soft[i, :, : weight.shape[1]] = weight
    for i, pair in enumerate(evidence.numbers.values()):
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
    """The first configuration of every cell, then the second, from the cell of each."""
    cells = int(positions.max(initial=0)) + 1
    order = np.argsort(positions, kind="stable").astype(np.int32)
    return np.ascontiguousarray(order.reshape(cells, -1).T).ravel()


def _alike(seen: _Arrays, configs: IntArray) -> IntArray:
    """Rows sorted by which evidence they have, the most expensive factors deciding first.

    A factor silent on a whole pack of neighbours costs nothing.
    """
    codes, soft, value, _ = seen
    rows = codes.shape[1]
    if rows < 64:
        return np.arange(rows)
    key = np.zeros(rows, dtype=np.int64)
    for i in np.argsort(-configs, kind="stable")[:24]:
        number = i - len(codes) - len(soft)
        if number >= 0:
            key = 2 * key + ~np.isnan(value[number])
        elif i < len(codes):
            key = 2 * key + (codes[i] >= 0)
    return np.argsort(key, kind="stable")


def _joined(parts: Sequence[AnyArray], kind: type = np.float64) -> AnyArray:
    """One after the other; the kind is that of nothing, if there are no parts."""
    return np.concatenate([*parts, np.empty(0, kind)])


def _starts(parts: Sequence[Sized]) -> IntArray:
    return np.concatenate([[0], np.cumsum([len(part) for part in parts])]).astype(np.int64)


def _extents(maps: Sequence[IntArray]) -> IntArray:
    """Positions that each map has."""
    return np.array([int(index.max()) + 1 for index in maps], dtype=np.int64)
