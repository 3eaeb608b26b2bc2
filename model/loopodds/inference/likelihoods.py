"""Evidence on one observable turned into a likelihood, which a clique of the tree absorbs; and how
the cliques of a tree hang together."""

from __future__ import annotations

from collections.abc import Callable, Hashable, Iterable
from dataclasses import dataclass, field
from functools import cached_property, lru_cache, reduce
from math import prod
from typing import Any, NamedTuple, TypeVar

import numpy as np

from loopodds.base.arrays import FloatArray, IntArray, Query
from loopodds.inference.network import Discrete, Evidence, GaugeNode

Key = TypeVar("Key", bound=Hashable)
Made = TypeVar("Made")
Shaped = tuple[tuple[Query, tuple[int, ...], int, Query, Query | None], ...]
"""Of each clique its scope, the cards of it, its parent (-1: none), its separator to that, and what
its potential hangs on (None: it is one everywhere)."""
Homes = tuple[tuple[Query, int], ...]
"""Names, and the number of a clique that holds them."""
AT_ROOT = 64
"""How many times smaller than the root what is sent there in place of a parent must be."""
MOST_KEPT = 128
"""Sets of names that are laid out for at a time: an archive has a few for each of its contexts."""
_SQRT_2PI = float(np.sqrt(2 * np.pi))


@dataclass(eq=False)
class Absorbed:
    """A factor that evidence switches on; what depends on its numbers is made when asked for."""

    name: str  # observable, or hidden variable with evidence on itself
    given: Query  # its parents, or the hidden variable, in the order of the clique
    shape: tuple[int, ...]  # axes of the clique it multiplies: cards of those, ones elsewhere
    states: int  # words that can be seen
    node: Discrete | GaugeNode | None  # None: of the hidden variable itself
    axes: tuple[int, ...]  # which parent of the node each name given is

    @classmethod
    def of_states(cls, name: str, card: int, shape: tuple[int, ...]) -> Absorbed:
        """Evidence on a hidden variable itself."""
        return cls(name, (name,), shape, card, None, (0,))

    @classmethod
    def of_node(cls, node: Discrete | GaugeNode, given: Query, shape: tuple[int, ...]) -> Absorbed:
        """An observable whose parents are put in the order of its clique."""
        axes = tuple(node.parents.index(name) for name in given)
        return cls(node.name, given, shape, len(node.states), node, axes)

    @property
    def configs(self) -> int:
        """Configurations of what is given."""
        return prod(self.shape)

    @cached_property
    def table(self) -> FloatArray:
        """P(state | given), shape (configurations, states + 1); the last column of ones stands for
        "not observed" (code -1).
        """
        ones = np.ones((self.configs, 1))
        if self.node is None:
            return np.hstack([np.eye(self.states), ones])
        table = self.node.word_table if isinstance(self.node, GaugeNode) else self.node.table
        rows = np.transpose(table, (*self.axes, len(self.axes))).reshape(-1, self.states)
        return np.hstack([rows, ones])

    @cached_property
    def readings(self) -> Readings:
        """Of a gauge what its numbers are compared with."""
        assert isinstance(self.node, GaugeNode)
        mean, spread, pair = self.node.pairs
        where = np.transpose(pair, self.axes).ravel()
        return Readings(mean[:, None], spread[:, None], where, self.node.share, self.node.wide)


class Readings(NamedTuple):
    """Distinct pairs of mean and spread of a gauge: many configurations share one."""

    mean: FloatArray  # shape (pairs, 1)
    spread: FloatArray  # shape (pairs, 1)
    pair: IntArray  # which of them holds in each configuration of what is given
    share: float  # of misreadings
    wide: float  # their standard deviation


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


class TreeShape:
    """Cliques of a junction tree without their numbers: trees of one network in its contexts share
    it. Cells of messages and of groups are numbered through.
    """

    def __init__(self, cliques: Shaped) -> None:
        self.scopes, cards, parents, self.separators, self.priors = zip(*cliques, strict=True)
        self.cards = {n: c for s, k in zip(self.scopes, cards, strict=True)
                      for n, c in zip(s, k, strict=True)}  # fmt: skip
        self.parents = self._hung(parents)
        count = len(self.scopes)
        self.children = [[i for i in range(count) if self.parents[i] == k] for k in range(count)]
        self.sent = [self.cells(s) if p >= 0 else 0
                     for s, p in zip(self.separators, self.parents, strict=True)]  # fmt: skip
        self.held = [0 if names is None else self.cells(names) for names in self.priors]
        self.programs: dict[tuple[Homes, Homes], Any] = {}  # what the loops take of it, by names

    def _hung(self, parents: tuple[int, ...]) -> list[int]:
        """Parents, where a clique that sends few cells, all of them known to the root, sends them
        there if the root sums up as few for others: then one sum serves them all."""
        hung = list(parents)
        for root in (k for k, parent in enumerate(parents) if parent < 0):
            few = self.cells(self.scopes[root]) // AT_ROOT
            below, first = [], root  # a component stands in one piece, its root last
            while first > 0 and parents[first - 1] >= 0:
                first -= 1
                below.append(first)
            small = [k for k in below if self.cells(self.separators[k]) <= few]
            if any(parents[k] == root for k in small):
                for k in small:
                    if {*self.separators[k]} <= {*self.scopes[root]}:
                        hung[k] = root
        return hung

    def cells(self, names: Iterable[str]) -> int:
        """Configurations of some variables."""
        return prod(self.cards[name] for name in names)


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


def likelihood_rows(factor: Absorbed, evidence: Evidence) -> FloatArray | None:
    """Likelihood of each parent configuration, shape (configurations, rows); None is no evidence.

    Words, relative likelihoods and numbers of one observable multiply; the encoder sees to it
    that a word and a number for the same thing never meet.
    """
    parts = []
    codes = evidence.codes.get(factor.name)
    if codes is not None and codes.max(initial=-1) >= 0:
        parts.append(np.take(factor.table, codes, axis=1, mode="wrap"))
    soft = evidence.soft.get(factor.name)
    if soft is not None:
        parts.append(factor.table[:, :-1] @ soft.T)
    number = evidence.numbers.get(factor.name)
    if number is not None:
        parts.append(_read(factor.readings, *number))
    return reduce(np.multiply, parts) if parts else None


def implied_table(variable: Discrete, weights: FloatArray) -> FloatArray:
    """P(state | parents) once the circumstances have weighed the states, shape (rows, *table).

    Likelihoods of the states, shape (rows, states), change what one expects to be told. Their
    weight on the parents is evidence of its own: the table is scaled to sum to one again.
    """
    axes = (len(weights), *(1,) * (variable.table.ndim - 1), -1)
    weighed = variable.table * weights.reshape(axes)
    total = weighed.sum(axis=-1, keepdims=True)
    table: FloatArray = np.divide(weighed, total, out=np.zeros_like(weighed), where=total > 0)
    return table


def normal_density(distance: FloatArray | float, spread: FloatArray | float) -> FloatArray:
    """Density of a normal distribution at a distance from its mean; the arrays broadcast."""
    z = np.asarray(distance) / spread
    result: FloatArray = np.exp(-0.5 * z * z) / (_SQRT_2PI * spread)
    return result


def gauge_density(
    value: FloatArray | float,
    extra: FloatArray | float,
    mean: FloatArray | float,
    spread: FloatArray | float,
    misread: tuple[float, float],
) -> FloatArray:
    """Density of a reading: a Gaussian mixed with the wide Gaussian of a misreading.

    `loopodds.inference.kernels` has the same as a compiled loop.

    Args:
        value, extra: Reading less its sound expectation, and the standard deviation that the
            conditions add, in quadrature, to every spread [scale of the gauge].
        mean, spread: Of the gauge under each parent configuration [scale]; all arrays broadcast.
        misread: Weight of a misreading, and its standard deviation around the sound value.
    """
    share, wide = misread
    near = normal_density(value - mean, np.hypot(spread, extra))
    return (1 - share) * near + share * normal_density(value, np.hypot(wide, extra))


def _read(gauge: Readings, value: FloatArray, extra: FloatArray) -> FloatArray:
    """Density of a reading under every parent configuration; one where there is no reading."""
    read = np.flatnonzero(~np.isnan(value))
    misread = gauge.share, gauge.wide
    density = gauge_density(value[read], extra[read], gauge.mean, gauge.spread, misread)
    if len(read) == len(value):
        return density[gauge.pair]
    result = np.ones((len(gauge.pair), len(value)))
    result[:, read] = density[gauge.pair]
    return result


def below_one(likelihood: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Likelihoods over the largest of their row, shape kept, and its log, shape (rows,).

    The product of the densities of several wild readings would be too small for a float.
    """
    peak = likelihood.max(axis=0)
    scale = np.where(peak > 0, peak, 1.0)
    return likelihood / scale, np.log(scale)


def interval_codes(value: FloatArray, cuts: tuple[float, ...]) -> IntArray:
    """Word index of numbers: the interval between cuts in which each lies."""
    return np.searchsorted(np.asarray(cuts), value, side="right")
