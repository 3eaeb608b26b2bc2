"""Both passes over a junction tree as a list of sums, for the loops of `inference.kernels`.

What a clique sends to a neighbour, and what is asked of it, is a sum over some of its variables of
the product of its potential and of what it was given: messages of its other neighbours and groups
of likelihoods (Shenoy & Shafer 1990). Configurations of the variables kept and of those summed out
are counted apart, so that the place of a configuration in any factor is one number of the first
and one of the second.
"""

from __future__ import annotations

from collections.abc import Collection, Iterator, Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import NamedTuple

import numpy as np

from loopodds.base.arrays import IntArray, Query, joined, starts
from loopodds.inference.kernels import ANSWER, CLOSE, PASS, SEND, SHARE, Arrays, Tree
from loopodds.inference.likelihoods import Homes, TreeShape
from loopodds.vectors.lanes import WIDTH

Factor = tuple[int, Query, Query]
"""Number of a factor, its variables, and those that decide how it is taken."""
SPARED = 2
"""How many times smaller than a clique its targets must be together to share one sum."""
SMALL = 8
"""How many times smaller than a clique factors must be together to be multiplied beforehand."""
ROWS = (5, 4, 3)
"""Cells in a row that the loops take together."""
WORTH = 32
"""Cells of a separator from which likelihoods over it are passed on."""
FAR = 250
"""Powers of ten that the factors of a clique may go down together."""


class Program(NamedTuple):
    """What the loops take that hangs on names alone."""

    tree: Tree
    groups: Arrays
    sums: Arrays
    steps: Arrays
    turn: tuple[int, ...]  # in which the factors lie, group by group


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
    factors: list[Factor]
    kind: int = SEND
    about: int = -1  # child, query or clique that it is for
    closes: bool = False  # whether the mass of a whole component is found with it


def program(shape: TreeShape, factors: Homes, queries: Homes) -> Program:
    """For factors over names in a clique each, and queries."""
    return _Layout(shape, factors, queries).made()


class _Layout:
    """Work on one program.

    Factors are numbered: what cliques send their parents, what they are sent, groups of
    likelihoods, potentials, what several targets of a clique share, a one, and products of small
    factors of a clique.
    """

    def __init__(self, shape: TreeShape, factors: Homes, queries: Homes) -> None:
        self.shape, self.queries = shape, queries
        self.count = len(shape.scopes)
        self.groups = self._grouped(factors)
        self.potentials = 2 * self.count + len(self.groups)
        self.of_groups = range(2 * self.count, self.potentials)
        self.shared = self.potentials + self.count
        self.ones = self.shared + 1
        self.products = self.ones + 1
        self.small = [self._small(k) for k in range(self.count)]
        asked = max([1, *(shape.cells(names) for names, _ in queries)])
        shared = max(shape.cells(self._together(k)[1]) for k in range(self.count))
        group_cells = [shape.cells(group.scope) for group in self.groups]
        small_cells = [shape.cells(names) if some else 0 for some, names in self.small]
        blocks = [*shape.sent, *shape.sent, *group_cells, *shape.held, shared, 1, *small_cells]
        at = np.cumsum([0, *blocks, *shape.sent, asked])
        self.place, self.resting = at[: len(blocks)], at[len(blocks) : -2]
        self.answers, self.size = int(at[-2]), int(at[-1])
        self.maps: dict[int, IntArray] = {}  # by where they begin
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
        """The arrays."""
        shape = self.shape
        # the first map leads every cell of a group to itself
        self.map(max((group.scope for group in self.groups), key=shape.cells, default=()), None)
        groups = self._flat_groups()
        outward = [s for k in reversed(range(self.count)) for s in self._outward(k)]
        every = range(self.count)
        before = [*map(self._inward, every), *map(self._product, every)]
        sums = self._flat_sums([*before, *outward])
        columns = np.cumsum([0, *(shape.cells(names) for names, _ in self.queries)])
        steps = [
            (s.kind, columns[s.about] if s.kind == ANSWER else s.about, s.closes) for s in outward
        ]
        tree = Tree(
            np.concatenate([*self.maps.values()]), np.int64(self.size), self.place,
            np.array([bool(some) for some, _ in self.small], np.int8),
            starts(shape.children), joined(shape.children), self.place[: self.count], self.resting,
            np.array(shape.sent), np.int64(self.place[self.potentials]),
            np.int64(self.place[self.ones]), self._tiny(),
        )  # fmt: skip
        turn = tuple(member for group in self.groups for member in group.members)
        flat = tuple(np.array(steps, np.int64).reshape(-1, 3).T.copy())
        return Program(tree, groups, sums, flat, turn)

    def _tiny(self) -> np.float64:
        """Mass of a factor from which as many of them as any clique has do not become too small
        for a float, nor from its inverse too large."""
        most = max(len(self._factors(k)) for k in range(self.count))
        return np.float64(10.0 ** (-FAR / (most + 1)))

    def map(self, names: Query, factor: Query | None) -> int:
        """Where the map begins from configurations of some names to places in a factor, as far as
        these names decide; None is the factor of all of them. The same map is kept once.
        """
        factor, found = names if factor is None else factor, np.zeros(1, np.int64)
        for name in names:
            step = self.shape.cells(factor[factor.index(name) + 1 :]) if name in factor else 0
            found = (found[:, None] + step * np.arange(self.shape.cards[name])).ravel()
        index = (WIDTH * found).astype(np.int32)
        key = index.tobytes()
        if key not in self.found:
            self.found[key] = self.end
            self.maps[self.end] = index
            self.end += len(index)
        return self.found[key]

    def _in_row(self, cells: int, maps: Sequence[int]) -> int:
        """How many cells, one after the other, lie evenly apart by all of some maps."""
        indices = [self.maps[start][:cells] for start in maps]
        for row in (row for row in ROWS if cells % row == 0):
            if all((np.diff(i.reshape(-1, row)) == i[1] - i[0]).all() for i in indices):
                return row
        return 1

    def _flat_groups(self) -> Arrays:
        """First of each clique, host, level below the first host, cells, place, maps to the hosts,
        and first members."""
        level = [0] * len(self.groups)
        for i, group in reversed([*enumerate(self.groups)]):
            level[i] = level[group.host] + 1 if group.host >= 0 else 0
        lifts = []
        for i, group in enumerate(self.groups):
            hosts = self._hosts(i)
            lifts.append([self.map(self.groups[h].scope, group.scope) for h in hosts])
        homes = [group.home for group in self.groups]
        return (
            np.searchsorted(homes, np.arange(self.count + 1)),
            *(np.array(list(column), np.int64) for column in (
                (group.host for group in self.groups), level,
                (self.shape.cells(group.scope) for group in self.groups))),
            self.place[self.of_groups],
            starts(lifts), joined(lifts), starts([g.members for g in self.groups]),
        )  # fmt: skip

    def _hosts(self, group: int) -> list[int]:
        """The host of a group, the host of that, and so on."""
        host = self.groups[group].host
        return [host, *self._hosts(host)] if host >= 0 else []

    def _factors(self, clique: int, but: Collection[int] = ()) -> list[Factor]:
        """What a clique was given and has: in groups, its potential, by children, by its parent.

        Groups come first, so that one of ones may be left out to the last bit: only the last
        factor, which is not a group, is multiplied and added in one.
        """
        shape = self.shape
        # one group of those below the same first host is taken at a time, in the place of that
        own = [([i, *self._hosts(i)][-1], i) for i, g in enumerate(self.groups) if g.home == clique]
        found: list[Factor] = [
            (2 * self.count + i, self.groups[i].scope, self.groups[top].scope)
            for top, i in sorted(own)
        ]
        small, names = self.small[clique]
        rest = self._given(clique)
        if small and small.isdisjoint(but):
            found.append((self.products + clique, names, names))
            rest = [factor for factor in rest if factor[0] not in small]
        found += rest
        if shape.parents[clique] >= 0:
            separator = shape.separators[clique]
            found.append((self.count + clique, separator, separator))
        return [factor for factor in found if factor[0] not in but]

    def _given(self, clique: int) -> list[Factor]:
        """The potential of a clique, where it is not one, and what its children send."""
        shape = self.shape
        found = [self._message(child) for child in shape.children[clique]]
        if shape.held[clique]:
            held = shape.priors[clique] or ()
            found.insert(0, (self.potentials + clique, held, held))
        return found

    def _small(self, clique: int) -> tuple[frozenset[int], Query]:
        """Factors of a clique that are few cells together, two or more, and their variables."""
        cells, size = self.shape.cells, self.shape.cells(self.shape.scopes[clique])
        found = frozenset[int]()
        names: Query = ()
        for number, own, _ in sorted(self._given(clique), key=lambda factor: cells(factor[1])):
            more = (*names, *(name for name in own if name not in names))
            if SMALL * cells(more) <= size:
                found, names = found | {number}, more
        return (found, names) if len(found) > 1 else (frozenset(), ())

    def _product(self, clique: int) -> _Sum:
        """Small factors of a clique multiplied beforehand; no sum, if there are none."""
        small, names = self.small[clique]
        given = [factor for factor in self._given(clique) if factor[0] in small]
        return _Sum(names, names, int(self.place[self.products + clique]), given)

    def _message(self, child: int) -> Factor:
        separator = self.shape.separators[child]
        return child, separator, separator

    def _inward(self, clique: int) -> _Sum:
        """What a clique sends its parent."""
        scope, separator = self.shape.scopes[clique], self.shape.separators[clique]
        given = self._factors(clique, [self.count + clique])
        return _Sum(scope, separator, int(self.place[clique]), given)

    def _outward(self, k: int) -> Iterator[_Sum]:
        """What a clique sends its children, and what is asked of it or of what it was sent."""
        shape, scope = self.shape, self.shape.scopes[k]
        if shape.parents[k] < 0 and not shape.children[k]:
            yield _Sum(scope, (), self.answers, self._factors(k), CLOSE, k, True)
        together, names = self._together(k)
        spared = [c for c in together if c >= 0]
        passed = self._passed(k)
        if passed:
            separator, sent = shape.separators[k], self.count + k
            given = [*passed, (sent, separator, separator)]
            yield _Sum(separator, separator, int(self.place[sent]), given, PASS, k)
        gone = [number for number, _, _ in passed]
        if together:
            given = self._factors(k, [*spared, *gone])
            yield _Sum(scope, names, int(self.place[self.shared]), given, SHARE, k)
        closing = self._closing(k)
        for child in self._sends(k):
            domain, given = scope, self._factors(k, [child, *gone])
            if child in together:
                domain = names
                others = [self._message(c) for c in spared if c != child]
                given = [(self.shared, names, names), *others]
            to = int(self.place[self.count + child])
            yield _Sum(domain, shape.separators[child], to, given, SEND, child, child == closing)
        for query in self._inside[k]:
            domain, given = scope, self._factors(k, gone)
            if ~query in together:
                domain = names
                given = [(self.shared, names, names), *map(self._message, spared)]
            yield self._asked(query, domain, given)
        for child in shape.children[k]:
            separator = shape.separators[child]
            both = [self._message(child), (self.count + child, separator, separator)]
            for query in self._between[child]:
                yield self._asked(query, separator, both)

    def _passed(self, k: int) -> list[Factor]:
        """Groups of a clique that hang on its separator alone: multiplied onto what it was sent,
        they are not needed in each of several sums over all of it."""
        separator = self.shape.separators[k]
        many = len(self._sends(k)) + len(self._inside[k]) > 1
        if self.shape.parents[k] < 0 or not many or self.shape.cells(separator) < WORTH:
            return []
        return [f for f in self._factors(k) if f[0] in self.of_groups and {*f[2]} <= {*separator}]

    def _closing(self, k: int) -> int:
        """The child with which a root finds the mass of all: that with most cells; -1: none."""
        children = self.shape.children[k] if self.shape.parents[k] < 0 else []
        return max(children, key=self.shape.sent.__getitem__, default=-1)

    def _sends(self, k: int) -> list[int]:
        """Children that something is sent to, the closing one first."""
        closing, own = self._closing(k), self.shape.children[k]
        wanted = [c for c in own if c == closing or self._wanted[c] or self._between[c]]
        return sorted(wanted, key=lambda c: c != closing)

    def _together(self, k: int) -> tuple[Collection[int], Query]:
        """Targets of a clique that are few cells together, children and queries (complements of
        their numbers), and all their variables: what is left of the clique is summed out once."""
        shape, closing = self.shape, self._closing(k)
        targets = [(c, shape.separators[c]) for c in self._sends(k) if c != closing]
        targets += [(~q, self.queries[q][0]) for q in self._inside[k]]
        targets.sort(key=lambda target: shape.cells(target[1]))
        found: list[int] = []
        names: Query = ()
        for number, own in targets:
            more = (*names, *(name for name in own if name not in names))
            if SPARED * shape.cells(more) <= shape.cells(shape.scopes[k]):
                names = more
                found.append(number)
        if len(found) < 2:
            return (), ()
        # last what fewest messages hang on: cells that are summed side by side then share them
        sent = [name for child in shape.children[k] for name in shape.separators[child]]
        return found, tuple(sorted(names, key=sent.count, reverse=True))

    def _asked(self, query: int, domain: Query, given: list[Factor]) -> _Sum:
        return _Sum(domain, self.queries[query][0], self.answers, given, ANSWER, query)

    @cached_property
    def _inside(self) -> list[list[int]]:
        """Queries that are asked of each clique."""
        found: list[list[int]] = [[] for _ in range(self.count)]
        for number, (_, home) in enumerate(self.queries):
            if not self._fitting(number):
                found[home].append(number)
        return found

    @cached_property
    def _between(self) -> list[list[int]]:
        """Queries that are asked of what each clique sends and is sent, where there is less to sum
        than in a clique."""
        found: list[list[int]] = [[] for _ in range(self.count)]
        for number in range(len(self.queries)):
            fitting = self._fitting(number)
            if fitting:
                found[min(fitting, key=self.shape.sent.__getitem__)].append(number)
        return found

    def _fitting(self, query: int) -> list[int]:
        names = {*self.queries[query][0]}
        pairs = zip(self.shape.separators, self.shape.parents, strict=True)
        return [k for k, (s, parent) in enumerate(pairs) if parent >= 0 and names <= {*s}]

    @cached_property
    def _wanted(self) -> list[bool]:
        """Whether anything is asked of a clique or beyond it."""
        found = [bool(own) for own in self._inside]
        for k, parent in enumerate(self.shape.parents):
            if parent >= 0:
                found[parent] |= found[k] or bool(self._between[k])
        return found

    def _flat_sums(self, sums: list[_Sum]) -> Arrays:
        """Heads and items, see `loopodds.vectors.products.summed`."""
        rows, given = [], []
        for one in sums:
            left = tuple(name for name in one.domain if name not in one.kept)
            rows.append((self.shape.cells(one.kept), self.shape.cells(left), one.to))
            found = []
            for i, names, deciding in one.factors:
                outer = bool(left) and {*deciding}.isdisjoint(left)
                found.append((i, self.map(one.kept, names), self.map(left, names), outer))
            if all(outer or number in self.of_groups for number, _, _, outer in found):
                found.append((self.ones, self.map(one.kept, ()), self.map(left, ()), False))
            given.append(found)
        first = starts(given)
        in_row = [
            self._in_row(cells, [start for _, start, _, _ in own])
            for (cells, *_), own in zip(rows, given, strict=True)
        ]
        heads = np.column_stack([np.array(rows, np.int64), first[:-1], first[1:], in_row])
        return heads, np.array([f for own in given for f in own], np.int64).reshape(-1, 4)
