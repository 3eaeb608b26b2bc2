"""Both passes over a junction tree as a list of sums, for the loops of `inference.kernels`.

What a clique sends to a neighbour, and what is asked of it, is a sum over some of its variables of
the product of its potential and of what it was given: messages of its other neighbours and groups
of likelihoods (Shenoy & Shafer 1990). Configurations of the variables kept and of those summed out
are counted apart, so that the place of a configuration in any factor is one number of the first
and one of the second.
"""

from __future__ import annotations

from collections.abc import Callable, Hashable, Iterable, Sequence, Sized
from dataclasses import dataclass, field
from functools import lru_cache
from math import prod
from typing import NamedTuple, TypeVar

import numpy as np

from loopodds.base.arrays import FloatArray, IntArray, Query
from loopodds.base.lanes import WIDTH
from loopodds.inference.kernels import ANSWER, BELIEVE, CLOSE, SEND

Key = TypeVar("Key", bound=Hashable)
Made = TypeVar("Made")
Shaped = tuple[tuple[Query, tuple[int, ...], int, Query], ...]
"""Of each clique its scope, the cards of it, its parent (-1: none) and its separator to that."""
Homes = tuple[tuple[Query, int], ...]
"""Names, and the number of a clique that holds them."""
Arrays = tuple[FloatArray | IntArray, ...]
MOST_KEPT = 128
"""Sets of names that are laid out for at a time: an archive has a few for each of its contexts."""


class Program(NamedTuple):
    """What the loops take that hangs on names alone."""

    tree: Arrays
    groups: Arrays
    sums: Arrays
    steps: Arrays
    turn: list[int]  # in which the factors lie, group by group
    columns: IntArray  # where each query begins in the result, and the end of the last


@dataclass(slots=True)
class _Group:
    """Likelihoods over the same variables of a clique, and the next group that has them all."""

    home: int
    scope: Query
    members: list[int]
    host: int = -1

    def holds(self, other: _Group) -> bool:
        return self.home == other.home and {*other.scope} <= {*self.scope}


@dataclass(slots=True)
class _Sum:
    """Over all variables of a domain but those kept."""

    domain: Query
    kept: Query
    to: int  # number of the first cell it fills
    clique: int  # whose potential is a factor; -1: none
    factors: list[tuple[int, Query, Query]]  # number, names, names that decide how it is taken
    kind: int = SEND
    about: int = -1  # child, query or clique that it is for
    closes: bool = False  # whether the mass of a whole component is found with it


class TreeShape:
    """Cliques of a junction tree without their numbers: trees of one network in its contexts share
    it. Cells of messages and of groups are numbered through.
    """

    def __init__(self, cliques: Shaped) -> None:
        self.scopes, cards, self.parents, self.separators = zip(*cliques, strict=True)
        self.cards = {n: c for s, k in zip(self.scopes, cards, strict=True)
                      for n, c in zip(s, k, strict=True)}  # fmt: skip
        count = len(self.scopes)
        self.children = [[i for i in range(count) if self.parents[i] == k] for k in range(count)]
        self.sent = [self.cells(s) if p >= 0 else 0
                     for s, p in zip(self.separators, self.parents, strict=True)]  # fmt: skip
        self._programs: dict[tuple[Homes, Homes], Program] = {}

    def cells(self, names: Iterable[str]) -> int:
        """Configurations of some variables."""
        return prod(self.cards[name] for name in names)

    def program(self, factors: Homes, queries: Homes) -> Program:
        """For factors over names in a clique each, and queries."""
        return kept(self._programs, (factors, queries), lambda: _Layout(self, factors, queries).made())


class _Layout:
    """Work on one program."""

    def __init__(self, shape: TreeShape, factors: Homes, queries: Homes) -> None:
        self.shape, self.queries = shape, queries
        self.count = len(shape.scopes)
        self.largest = max(map(shape.cells, shape.scopes))
        self.groups = self._grouped(factors)
        sent = np.cumsum([0, *shape.sent])
        self.inward, self.resting = sent[:-1], sent[-1] + sent[:-1]
        self.outward = 2 * sent[-1] + sent[:-1]
        sizes = [shape.cells(group.scope) for group in self.groups]
        at = 3 * sent[-1] + np.cumsum([0, *sizes])
        self.group_at, self.group_cells = at[:-1], sizes
        self.answers = int(at[-1])  # cells of the query at hand
        self.beliefs = self.answers + max([1, *(shape.cells(names) for names, _ in queries)])
        self.size = self.beliefs + self.largest
        self.index: list[IntArray] = []
        self.found: dict[bytes, int] = {}
        self.end = 0

    def _grouped(self, factors: Homes) -> list[_Group]:
        """Clique by clique, small before large."""
        found: dict[tuple[int, Query], list[int]] = {}
        for number, (given, home) in enumerate(factors):
            found.setdefault((home, given), []).append(number)
        cells = self.shape.cells
        order = sorted(found, key=lambda key: (key[0], cells(key[1])))
        groups = [_Group(home, given, found[home, given]) for home, given in order]
        for i, group in enumerate(groups):
            later = (n for n in range(i + 1, len(groups)) if groups[n].holds(group))
            group.host = next(later, -1)
        return groups

    def made(self) -> Program:
        """The arrays. Maps into what rows have side by side are in numbers, not in cells."""
        self.place(WIDTH * np.arange(self.largest))  # the first leads each cell to itself
        groups = self._flat_groups()
        inward = [self._sent(k) for k in range(self.count)]
        outward = list(self._outward())
        sums = self._flat_sums([*inward, *outward])
        columns = np.cumsum([0, *(self.shape.cells(names) for names, _ in self.queries)])
        steps = [
            (s.kind, columns[s.about] if s.kind == ANSWER else s.about, s.closes) for s in outward
        ]
        tree = (
            np.concatenate(self.index).astype(np.int32), np.int64(self.size), np.int64(self.beliefs),
            starts(self.shape.children), joined(self.shape.children),
            self.inward, self.resting, self.outward, np.array(self.shape.sent),
        )  # fmt: skip
        turn = [member for group in self.groups for member in group.members]
        flat = tuple(np.array(steps, np.int64).reshape(-1, 3).T.copy())
        return Program(tree, groups, sums, flat, turn, columns)

    def place(self, index: IntArray) -> int:
        """Where an index map begins; the same one is kept once."""
        key = index.astype(np.int32).tobytes()
        if key not in self.found:
            self.found[key] = self.end
            self.index.append(index)
            self.end += len(index)
        return self.found[key]

    def part(self, names: Query, factor: Query) -> IntArray:
        """What each configuration of some names adds to the place in a factor."""
        found = np.zeros(1, np.int64)
        for name in names:
            step = self.shape.cells(factor[factor.index(name) + 1 :]) if name in factor else 0
            found = (found[:, None] + step * np.arange(self.shape.cards[name])).ravel()
        return found

    def wide(self, names: Query, factor: Query) -> int:
        """Where the map into a factor begins that rows have side by side."""
        return self.place(WIDTH * self.part(names, factor))

    def _flat_groups(self) -> Arrays:
        """First of each clique, host, level below the first host, cells, place, maps to the hosts,
        and first members."""
        level: list[int] = [0] * len(self.groups)
        lifts: list[list[int]] = []
        for i in reversed(range(len(self.groups))):
            host = self.groups[i].host
            level[i] = level[host] + 1 if host >= 0 else 0
        for group in self.groups:
            above, mine = group.host, []
            while above >= 0:
                mine.append(self.wide(self.groups[above].scope, group.scope))
                above = self.groups[above].host
            lifts.append(mine)
        homes = [group.home for group in self.groups]
        return (
            np.searchsorted(homes, np.arange(self.count + 1)), np.array([g.host for g in self.groups], np.int64),
            np.array(level, np.int64), np.array(self.group_cells, np.int64), self.group_at,
            starts(lifts), joined(lifts), starts([g.members for g in self.groups]),
        )  # fmt: skip

    def _factors(self, clique: int, but: int = -1) -> list[tuple[int, Query, Query]]:
        """What a clique was given, but for one: by its children, in groups, by its parent."""
        shape = self.shape
        neighbours = [(c, shape.separators[c]) for c in shape.children[clique]]
        found = [(c, names, names) for c, names in neighbours if c != but]
        # one group of those below the same first host is taken at a time, in the place of that
        own = [(self._top(i), i) for i, group in enumerate(self.groups) if group.home == clique]
        found += [
            (2 * self.count + i, self.groups[i].scope, self.groups[top].scope)
            for top, i in sorted(own)
        ]
        if shape.parents[clique] >= 0 and but != self.count + clique:
            separator = shape.separators[clique]
            found.append((self.count + clique, separator, separator))
        return found

    def _top(self, group: int) -> int:
        while self.groups[group].host >= 0:
            group = self.groups[group].host
        return group

    def _sent(self, clique: int) -> _Sum:
        """What a clique sends its parent."""
        scope, kept_names = self.shape.scopes[clique], self.shape.separators[clique]
        given = self._factors(clique, self.count + clique)
        return _Sum(scope, kept_names, int(self.inward[clique]), clique, given)

    def _outward(self) -> Iterable[_Sum]:
        """Sums of the outward pass in turn."""
        shape = self.shape
        inside: list[list[int]] = [[] for _ in range(self.count)]
        between: list[list[int]] = [[] for _ in range(self.count)]
        for number, (names, home) in enumerate(self.queries):
            fitting = [i for i, s in enumerate(shape.separators)
                       if shape.parents[i] >= 0 and {*names} <= {*s}]  # fmt: skip
            if fitting:
                between[min(fitting, key=shape.sent.__getitem__)].append(number)
            else:
                inside[home].append(number)
        wanted = [bool(own) for own in inside]
        for k, parent in enumerate(shape.parents):
            if parent >= 0:
                wanted[parent] |= wanted[k] or bool(between[k])
        for k in reversed(range(self.count)):
            yield from self._outward_of(k, wanted, inside[k], between)

    def _outward_of(
        self, k: int, wanted: list[bool], inside: list[int], between: list[list[int]]
    ) -> Iterable[_Sum]:
        shape = self.shape
        scope = shape.scopes[k]
        children = sorted(shape.children[k], key=lambda c: -shape.sent[c])
        is_root = shape.parents[k] < 0
        if is_root and not children:
            yield _Sum(scope, (), self.answers, k, self._factors(k), CLOSE, k, True)
        for place, child in enumerate(children):
            closes = is_root and place == 0
            if closes or wanted[child] or between[child]:
                separator = shape.separators[child]
                to = int(self.outward[child])
                yield _Sum(scope, separator, to, k, self._factors(k, child), SEND, child, closes)
            both = [(i, shape.separators[child], shape.separators[child])
                    for i in (child, self.count + child)]  # fmt: skip
            for query in between[child]:
                yield self._asked(query, shape.separators[child], -1, both)
        if len(inside) > 1:
            yield _Sum(scope, scope, self.beliefs, k, self._factors(k), BELIEVE, k)
            belief = [(2 * self.count + len(self.groups), scope, scope)]
            for query in inside:
                yield self._asked(query, scope, -1, belief)
        elif inside:
            yield self._asked(inside[0], scope, k, self._factors(k))

    def _asked(self, query: int, domain: Query, clique: int, factors: list[tuple[int, Query, Query]]) -> _Sum:
        return _Sum(domain, self.queries[query][0], self.answers, clique, factors, ANSWER, query)

    def _flat_sums(self, sums: list[_Sum]) -> Arrays:
        """Cells, length, where to, whose potential and its maps; the factors of each: number, both
        maps, and whether it hangs on nothing that is summed out."""
        shape = self.shape
        rows, given = [], []
        for one in sums:
            left = tuple(name for name in one.domain if name not in one.kept)
            own = shape.scopes[one.clique] if one.clique >= 0 else ()
            rows.append(
                (shape.cells(one.kept), shape.cells(left), one.to, one.clique,
                 self.place(self.part(one.kept, own)), self.place(self.part(left, own)))
            )  # fmt: skip
            given.append(
                [
                    (number, self.wide(one.kept, names), self.wide(left, names),
                     not {*deciding} & {*left})
                    for number, names, deciding in one.factors
                ]
            )  # fmt: skip
        table = np.array(rows, np.int64).T.copy()
        factors = np.array([f for own in given for f in own], np.int64).reshape(-1, 4).T.copy()
        return (*table, starts(given), *factors)


@lru_cache(maxsize=8)
def shaped(cliques: Shaped) -> TreeShape:
    """The shape of a tree, kept for the trees of other contexts."""
    return TreeShape(cliques)


def kept(found: dict[Key, Made], key: Key, make: Callable[[], Made]) -> Made:
    """What was made of a key before, the last few of them; threads may meet here."""
    made = found.get(key)
    if made is None:
        if len(found) >= MOST_KEPT:
            found.clear()
        found[key] = made = make()
    return made


def joined(parts: Sequence[Sequence[int]]) -> IntArray:
    """One after the other."""
    return np.array([number for part in parts for number in part], np.int64)


def starts(parts: Sequence[Sized]) -> IntArray:
    """Where each of several lists begins once they are joined, and the end of the last."""
    return np.cumsum([0, *map(len, parts)]).astype(np.int64)
