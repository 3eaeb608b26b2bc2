"""One inspection's calibrated junction tree: exact joints of any hidden variables, and draws.

The joint of a junction tree is the product of its clique beliefs over those of the separators
(Lauritzen & Spiegelhalter 1988), so any joint is a contraction over the cliques between the
variables asked for.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from functools import cached_property, lru_cache
from itertools import combinations
from math import prod
from typing import NamedTuple

import numpy as np

from loopodds.base.arrays import FloatArray, IntArray, Query
from loopodds.base.errors import ImpossibleEvidence, LoopoddsError, TooLarge, unknown_name
from loopodds.inference.junction import JunctionTree, marginal
from loopodds.inference.network import Evidence

LARGEST_CELLS = 2**24


class Factor(NamedTuple):
    """An array whose axes are named variables."""

    names: Query
    values: FloatArray


class _Side(NamedTuple):
    """How one factor of a pair is laid out for the matrix product."""

    order: tuple[int, ...]
    shape: tuple[int, ...]


class _Step(NamedTuple):
    """Multiply the factors at two positions: shape of the product, and the order of its axes."""

    first: int
    second: int
    left: _Side
    right: _Side
    cells: tuple[int, ...]
    order: tuple[int, ...]


class _Plan(NamedTuple):
    """Axes that each factor is first summed over, the pairs in order, the order of the result."""

    gone: tuple[tuple[int, ...], ...]
    steps: tuple[_Step, ...]
    order: tuple[int, ...]


def contract(factors: Sequence[Factor], keep: Query) -> FloatArray:
    """Product of the factors, summed over every variable that is not kept.

    Shape (*cards of keep,) in this order; each variable kept must occur in some factor.

    Raises:
        TooLarge: if an intermediate array would have more than 2**24 cells.

    >>> a = Factor(("x", "y"), np.array([[0.5, 0.5], [0.2, 0.8]]))
    >>> contract([a, Factor(("x",), np.array([0.5, 0.5]))], ("y",))
    array([0.35, 0.65])
    """
    cards = {n: c for f in factors for n, c in zip(f.names, f.values.shape, strict=True)}
    plan = _plan(tuple(factor.names for factor in factors), tuple(sorted(cards.items())), keep)
    work = [
        factor.values.sum(axis=gone) if gone else factor.values
        for factor, gone in zip(factors, plan.gone, strict=True)
    ]
    for step in plan.steps:
        left = _matrix(work[step.first], step.left)
        product = left @ _matrix(work[step.second], step.right)
        work.append(product.reshape(step.cells).transpose(step.order))
    return work[-1].transpose(plan.order)


def _matrix(values: FloatArray, side: _Side) -> FloatArray:
    """Stacked matrices; contiguous, which the product is much faster for."""
    return np.ascontiguousarray(values.transpose(side.order)).reshape(side.shape)


@lru_cache(maxsize=4096)
def _plan(scopes: tuple[Query, ...], sizes: tuple[tuple[str, int], ...], keep: Query) -> _Plan:
    """Greedy: the pair whose product is smallest beyond what it replaces goes first.

    opt_einsum finds the same pairs, but carries them out in half as much time again: variables
    that two factors share and that are kept it leaves to einsum, here they stack matrices.
    """
    cards = dict(sizes)
    needed = Counter(name for scope in (keep, *scopes) for name in scope)
    gone = tuple(tuple(i for i, n in enumerate(scope) if needed[n] == 1) for scope in scopes)
    alive = {i: tuple(n for n in scope if needed[n] > 1) for i, scope in enumerate(scopes)}
    steps: list[_Step] = []
    while len(alive) > 1:
        first, second = _cheapest(alive, needed, cards)
        ours, theirs = alive.pop(first), alive.pop(second)
        names = _remaining(ours, theirs, needed)
        cells = prod(cards[name] for name in names)
        if cells > LARGEST_CELLS:
            raise TooLarge(f"a joint of {', '.join(names)} would have {cells} cells")
        alive[len(scopes) + len(steps)] = names
        steps.append(_step((first, ours), (second, theirs), names, cards))
        needed.subtract((*ours, *theirs))
        needed.update(names)
    (last,) = alive.values()
    return _Plan(gone, tuple(steps), tuple(last.index(name) for name in keep))


def _cheapest(
    alive: Mapping[int, Query], needed: Mapping[str, int], cards: Mapping[str, int]
) -> tuple[int, int]:
    """The pair of factors to multiply next; without a shared variable only if there is no other."""
    pairs = list(combinations(alive, 2))
    touching = [(i, j) for i, j in pairs if not set(alive[i]).isdisjoint(alive[j])]
    sizes = {i: prod(cards[name] for name in scope) for i, scope in alive.items()}

    def growth(pair: tuple[int, int]) -> int:
        ours, theirs = alive[pair[0]], alive[pair[1]]
        after = 1
        for name in ours:
            if needed[name] > 1 + (name in theirs):
                after *= cards[name]
        for name in theirs:
            if needed[name] > 1 and name not in ours:
                after *= cards[name]
        return after - sizes[pair[0]] - sizes[pair[1]]

    return min(touching or pairs, key=growth)


def _step(
    one: tuple[int, Query], other: tuple[int, Query], names: Query, cards: Mapping[str, int]
) -> _Step:
    """A product of two factors summed to some names, as one stacked matrix product."""
    (first, ours), (second, theirs) = one, other
    shared = [n for n in ours if n in theirs]
    batch = [n for n in shared if n in names]
    summed = [n for n in shared if n not in names]
    rows = [n for n in ours if n not in shared]
    columns = [n for n in theirs if n not in shared]
    layout = [*batch, *rows, *columns]

    def side(scope: Query, *groups: list[str]) -> _Side:
        order = tuple(scope.index(n) for group in groups for n in group)
        return _Side(order, tuple(prod(cards[n] for n in group) for group in groups))

    return _Step(
        first,
        second,
        side(ours, batch, rows, summed),
        side(theirs, batch, summed, columns),
        tuple(cards[n] for n in layout),
        tuple(layout.index(n) for n in names),
    )


def _remaining(first: Query, second: Query, count: Mapping[str, int]) -> Query:
    """Names that a product must still carry: kept, or in a factor besides these two."""
    union = (*first, *(n for n in second if n not in first))
    return tuple(n for n in union if count[n] > (n in first) + (n in second))


class Calibrated:
    """Posterior of one row of evidence, all cliques kept.

    Raises:
        LoopoddsError: if the evidence has more than one row.
        ImpossibleEvidence: if it cannot hold together.
    """

    def __init__(self, tree: JunctionTree, evidence: Evidence) -> None:
        if evidence.rows != 1:
            raise LoopoddsError(f"one inspection expected, got {evidence.rows} rows")
        self.tree = tree
        self.network = tree.network
        self.evidence = evidence
        posterior = tree.propagate(evidence, tree.plan.cliques)
        self.log_evidence = float(posterior.log_evidence[0])
        if not np.isfinite(self.log_evidence):
            raise ImpossibleEvidence("these findings cannot hold together", 0, evidence.names())
        self._beliefs = [posterior.joints[clique][0] for clique in tree.plan.cliques]
        self._joints: dict[Query, FloatArray] = {}

    @cached_property
    def known(self) -> frozenset[str]:
        """Names observed, hidden variables included."""
        return frozenset(self.evidence.names())

    @cached_property
    def fixed(self) -> frozenset[str]:
        """Hidden variables whose state was seen."""
        codes = self.evidence.codes
        return frozenset(n for n in self.network.hidden if n in codes and codes[n][0] >= 0)

    @cached_property
    def neighbours(self) -> dict[str, set[str]]:
        """Hidden variables that share a factor with each one: families and what was observed.

        A hidden variable that was itself seen links nothing any more.
        """
        scopes = [(*v.parents, name) for name, v in self.network.hidden.items()]
        seen = (self.known | self.evidence.implied.keys()) - self.network.hidden.keys()
        scopes += [self.network.variable(name).parents for name in seen]
        around: dict[str, set[str]] = {name: set() for name in self.network.hidden}
        for scope in scopes:
            free = set(scope) - self.fixed
            for name in free:
                around[name] |= free - {name}
        return around

    @cached_property
    def _conditionals(self) -> list[FloatArray]:
        """Each clique given its separator to the parent; zero where the separator is zero."""
        plan, conditionals = self.tree.plan, []
        parts = zip(plan.cliques, plan.separators, self._beliefs, strict=True)
        for scope, separator, belief in parts:
            gone = tuple(i for i, name in enumerate(scope) if name not in separator)
            total = belief.sum(axis=gone, keepdims=True)
            given = np.divide(belief, total, out=np.zeros_like(belief), where=total > 0)
            conditionals.append(given)
        return conditionals

    def factors(self, names: Iterable[str]) -> list[Factor]:
        """Factors whose product, summed over all else, is the joint of the names.

        Raises:
            UnknownName: if a name is not a hidden variable.
        """
        wanted = frozenset(names)
        for name in wanted - self.network.hidden.keys():
            raise unknown_name("hidden variable", name, self.network.hidden)
        plan, span = self.tree.plan, self.tree.span(wanted)
        chosen = [self._conditionals if plan.parents[i] in span else self._beliefs for i in span]
        return [Factor(plan.cliques[i], arrays[i]) for i, arrays in zip(span, chosen, strict=True)]

    def joint(self, names: Query) -> FloatArray:
        """Joint posterior of hidden variables, shape (*cards,), sums to one.

        Raises:
            UnknownName: if a name is not a hidden variable.
            TooLarge: if it would not fit in memory.
        """
        if names not in self._joints:
            self._joints[names] = contract(self.factors(names), names)
        return self._joints[names]

    def marginals(self, queries: Iterable[Query]) -> dict[Query, FloatArray]:
        """Joints of hidden variables that share a clique, shape (1, *cards) each, as
        :meth:`loopodds.inference.junction.JunctionTree.propagate` answers queries.
        """
        homes = {query: self.tree.home(query) for query in queries}
        cliques = self.tree.plan.cliques
        return {
            query: marginal(self._beliefs[home][..., None], cliques[home], query)[..., 0][None]
            for query, home in homes.items()
        }

    def draw(self, count: int, rng: np.random.Generator) -> dict[str, IntArray]:
        """Independent draws of every hidden variable from the joint posterior, shape (count,)."""
        states: dict[str, IntArray] = {}
        cliques = list(zip(self.tree.plan.cliques, self._beliefs, strict=True))
        for scope, belief in reversed(cliques):
            old = [name for name in scope if name in states]
            new = [name for name in scope if name not in states]
            if not new:
                continue
            cards = [belief.shape[scope.index(name)] for name in new]
            order = [scope.index(name) for name in (*old, *new)]
            chances = np.transpose(belief, order)
            below = np.cumsum(chances.reshape(*chances.shape[: len(old)], -1), axis=-1)
            below = below[tuple(states[name] for name in old)] if old else below[None]
            mark = rng.random(count)[:, None] * below[:, -1:]
            drawn = np.minimum((mark >= below).sum(axis=1), below.shape[1] - 1)
            states.update(zip(new, np.unravel_index(drawn, cards), strict=True))
        return states
