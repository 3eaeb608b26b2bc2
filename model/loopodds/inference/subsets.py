"""The probability of every subset of one car's findings at once.

With n findings there are 2^n subsets, but a part of the junction tree sees only those of its own
findings. One inward pass carries, instead of one message, a message for each subset of the
findings behind it; where two parts meet, all their subsets meet in one matrix product. Twenty
findings, a million subsets, take a fraction of a second.
"""

from collections.abc import Callable, Mapping, Sequence
from math import prod
from typing import NamedTuple, TypeVar

import numpy as np

from loopodds.base.arrays import FloatArray, Query
from loopodds.inference.junction import JunctionTree
from loopodds.inference.likelihoods import likelihood_rows
from loopodds.inference.network import Evidence

_T = TypeVar("_T")

Clamp = Mapping[str, FloatArray]
"""Hidden variables held to some of their states: a likelihood of zeros and ones for each."""


class _Part(NamedTuple):
    """Factors over some variables, one for each subset of some findings.

    ``array`` has shape (2 ** len(findings), *cards of scope); the first finding is the highest
    bit of the leading index.
    """

    findings: tuple[int, ...]
    scope: Query
    array: FloatArray


class SubsetSums:
    """Probabilities of one row of evidence for every subset of some findings in it.

    Whatever else is in the evidence stays known.
    """

    def __init__(self, tree: JunctionTree, evidence: Evidence, names: Sequence[str]) -> None:
        self._tree = tree
        self._count = len(names)
        self._homes: list[list[_Part]] = [[] for _ in tree.plan.cliques]
        for name, variable in tree.network.hidden.items():
            self._place(_Part((), (*variable.parents, name), variable.table[None]))
        merged = evidence.merged()
        for name in merged.names():
            factor = tree.factors[name]
            rows = likelihood_rows(factor, merged)
            assert rows is not None
            likelihood = rows.reshape(1, *(tree.cards[parent] for parent in factor.given))
            if name not in names:
                self._place(_Part((), factor.given, likelihood))
                continue
            both = np.concatenate([np.ones_like(likelihood), likelihood])
            self._place(_Part((names.index(name),), factor.given, both))
        self._neighbours = self._connect()
        roots = range(len(self._homes))
        self.cost, self._root = min((self._cost_from(root), root) for root in roots)

    def probabilities(self, clamp: Clamp) -> FloatArray:
        """P(subset of findings, rest of the evidence, clamp), shape (2 ** len(names),).

        Bit i of the index says whether finding i of ``names`` is known.
        """
        homes: dict[int, list[_Part]] = {}
        for name, weight in clamp.items():
            homes.setdefault(self._tree.home((name,)), []).append(_Part((), (name,), weight[None]))
        whole = self._message(self._root, -1, homes)
        axes = np.argsort([-finding for finding in whole.findings], kind="stable")
        cube = whole.array.reshape((2,) * self._count)
        return np.transpose(cube, axes).ravel()

    def _place(self, part: _Part) -> None:
        self._homes[self._tree.home(part.scope)].append(part)

    def _connect(self) -> list[list[int]]:
        """Neighbours of each clique; roots of further components hang on the first root."""
        parents = self._tree.plan.parents
        roots = [i for i, parent in enumerate(parents) if parent < 0]
        neighbours: list[list[int]] = [[] for _ in parents]
        for clique, parent in enumerate(parents):
            other = parent if parent >= 0 else roots[0]
            if clique != other:
                neighbours[clique].append(other)
                neighbours[other].append(clique)
        return neighbours

    def _cost_from(self, root: int) -> float:
        """Numbers moved, and a twentieth of those multiplied, when messages run to a clique."""

        def behind(clique: int, towards: int) -> tuple[int, float]:
            further = [behind(o, clique) for o in self._neighbours[clique] if o != towards]
            counts = [len(part.findings) for part in self._homes[clique]]
            one, other = (sum(half) for half in _halves([*counts, *(n for n, _ in further)], int))
            size = self._tree.sizes[clique]
            sent = size // prod(self._tree.cards[name] for name in self._apart(clique, towards))
            moved = (2.0**one + 2.0**other) * size + 2.0 ** (one + other) * sent
            multiplied = 2.0 ** (one + other) * size
            return one + other, moved + multiplied / 20 + sum(cost for _, cost in further)

        return behind(root, -1)[1]

    def _apart(self, clique: int, towards: int) -> Query:
        """Variables of a clique that the next one does not share."""
        shared = self._tree.plan.cliques[towards] if towards >= 0 else ()
        return tuple(name for name in self._tree.plan.cliques[clique] if name not in shared)

    def _message(self, clique: int, towards: int, clamps: Mapping[int, list[_Part]]) -> _Part:
        """What a clique and all behind it say about the variables shared with the next one."""
        behind = [other for other in self._neighbours[clique] if other != towards]
        parts = [
            *self._homes[clique],
            *clamps.get(clique, ()),
            *(self._message(other, clique, clamps) for other in behind),
        ]
        gone = self._apart(clique, towards)
        kept = tuple(name for name in self._tree.plan.cliques[clique] if name not in gone)
        halves = _halves(parts, lambda part: len(part.findings))
        one, other = (self._product(half, (*kept, *gone)) for half in halves)
        cards = [self._tree.cards[name] for name in kept]
        left = np.moveaxis(one.array.reshape(len(one.array), prod(cards), -1), 1, 0)
        right = np.transpose(other.array.reshape(len(other.array), prod(cards), -1), (1, 2, 0))
        met = np.moveaxis(left @ right, 0, -1)
        return _Part((*one.findings, *other.findings), kept, met.reshape(-1, *cards))

    def _product(self, parts: Sequence[_Part], order: Query) -> _Part:
        """Product of parts over all of a clique, a row for each subset of their findings."""
        cards = [self._tree.cards[name] for name in order]
        array = np.ones((1, *cards))
        findings: tuple[int, ...] = ()
        for part in parts:
            factor = _spread(part, order)
            array = (array[:, None] * factor[None]).reshape(-1, *cards)
            findings += part.findings
        return _Part(findings, order, array)


def _halves(parts: Sequence[_T], findings: Callable[[_T], int]) -> tuple[list[_T], list[_T]]:
    """Two groups with about as many findings each: large parts first, into the lesser group."""
    halves: tuple[list[_T], list[_T]] = ([], [])
    counts = [0, 0]
    for part in sorted(parts, key=findings, reverse=True):
        lesser = int(counts[1] < counts[0])
        halves[lesser].append(part)
        counts[lesser] += findings(part)
    return halves


def _spread(part: _Part, order: Query) -> FloatArray:
    """A part's array with its variables in a clique's order and ones for all others."""
    axes = [part.scope.index(name) + 1 for name in order if name in part.scope]
    array = np.transpose(part.array, (0, *axes))
    card = dict(zip(part.scope, part.array.shape[1:], strict=True))
    return array.reshape(len(array), *(card.get(name, 1) for name in order))
