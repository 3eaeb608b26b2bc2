"""Exact inference: a junction tree over the hidden variables, with a batch axis everywhere.

Observables never enter the tree: each is absorbed as a likelihood over its parents. Two passes
(Lauritzen & Spiegelhalter 1988; Jensen, Lauritzen & Olesen 1990) give the log evidence and the
exact joint of any variables that share a clique, for every row of the batch.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from functools import cached_property
from itertools import accumulate, pairwise
from math import prod
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from loopodds.base.arrays import FloatArray, Query
from loopodds.base.errors import LoopoddsError, TooLarge
from loopodds.inference.likelihoods import Absorbed, Clique, below_one, likelihood_rows
from loopodds.inference.network import Evidence, Network
from loopodds.inference.triangulation import TreePlan, plan_tree

if TYPE_CHECKING:
    from loopodds.inference.flat_tree import FlatTree, Passes

BLOCK = 96
"""Rows that are worked on together, where memory allows."""
MOST_NUMBERS = 8_000_000
"""Numbers in all cliques of the rows that are worked on together: 64 MB, of which a pass over the
tree needs some three times as much."""
COMPILED_FROM = 4096
"""Rows of a batch that repay loading the compiled loops, which takes about half a second."""


@dataclass(frozen=True, slots=True, eq=False)
class Posterior:
    """Result of a propagation."""

    # natural log of P(words) times the density of the numbers, shape (rows,); minus infinity is
    # impossible
    log_evidence: FloatArray
    # for each query the joint posterior, shape (rows, *cards); each row sums to one
    joints: dict[Query, FloatArray]
    # rows that were worked out, where those that are the same are worked out once
    distinct: int

    def __getitem__(self, query: str | Query) -> FloatArray:
        return self.joints[(query,) if isinstance(query, str) else query]


class JunctionTree:
    """Compiled network.

    Args:
        compiled: Always the compiled loops, for a long process with many small batches; otherwise
            only for batches of at least `COMPILED_FROM` rows, and plain arrays below.
        passes: What runs both passes for such batches instead, on another processor.

    Raises:
        TooLarge: if exact inference would not fit in memory.
    """

    def __init__(
        self, network: Network, compiled: bool = False, passes: Passes | None = None
    ) -> None:
        self.network = network
        self.compiled = compiled
        self._passes = passes
        self.cards = cards = {name: len(v.states) for name, v in network.hidden.items()}
        self._homes: dict[Query, int] = {}
        self._spans: dict[frozenset[str], tuple[int, ...]] = {}
        self.plan = plan_of(network)
        self._cliques: list[Clique] = []
        for number, scope in enumerate(self.plan.cliques):
            shape = tuple(cards[n] for n in scope)
            parent, separator = self.plan.parents[number], self.plan.separators[number]
            children = [i for i, p in enumerate(self.plan.parents) if p == number]
            clique = Clique(scope, shape, parent, separator, children, np.ones((*shape, 1)))
            self._cliques.append(clique)
        # axes of a message in the clique that sends it, and in its parent (a root has none)
        self._sent = [c.axes(c.separator) for c in self._cliques]
        self._received = [self._cliques[c.parent].axes(c.separator) for c in self._cliques]
        self.sizes = [prod(c.cards) for c in self._cliques]
        for name, variable in network.hidden.items():
            family = (*variable.parents, name)
            home = self._cliques[self.home(family)]
            axes = [family.index(n) for n in home.scope if n in family]
            home.prior *= np.transpose(variable.table, axes).reshape(*home.axes(family), 1)
            smallest = self._cliques[self.home((name,))]
            smallest.absorbed.append(Absorbed.of_states(name, cards[name], smallest.axes((name,))))
        for node in network.observed:
            home = self._cliques[self.home(node.parents)]
            order = tuple(n for n in home.scope if n in node.parents)
            home.absorbed.append(Absorbed.of_node(node, order, home.axes(order)))

    def home(self, names: Query) -> int:
        """Smallest clique that holds all the names; a LoopoddsError if none does."""
        if names not in self._homes:
            wanted = set(names)
            fitting = [i for i, c in enumerate(self._cliques) if wanted <= set(c.scope)]
            if not fitting:
                raise LoopoddsError(f"no clique holds {', '.join(names)} together")
            self._homes[names] = min(fitting, key=self.sizes.__getitem__)
        return self._homes[names]

    @cached_property
    def factors(self) -> dict[str, Absorbed]:
        """What evidence on each variable switches on."""
        return {factor.name: factor for c in self._cliques for factor in c.absorbed}

    def span(self, wanted: frozenset[str]) -> tuple[int, ...]:
        """Cliques left when every leaf that adds no wanted variable is cut away."""
        if wanted in self._spans:
            return self._spans[wanted]
        cliques = self.plan.cliques
        around: dict[int, set[int]] = {i: set() for i in range(len(cliques))}
        for child, parent in enumerate(self.plan.parents):
            if parent >= 0:
                around[child].add(parent)
                around[parent].add(child)
        waiting = list(around)
        while waiting:
            index = waiting.pop()
            if index not in around or len(around[index]) > 1:
                continue
            own = wanted.intersection(cliques[index])
            if not own or any(own <= set(cliques[other]) for other in around[index]):
                for other in around.pop(index):
                    around[other].discard(index)
                    waiting.append(other)
        self._spans[wanted] = tuple(sorted(around))
        return self._spans[wanted]

    def propagate(self, evidence: Evidence, queries: Iterable[Query] = ()) -> Posterior:
        """Log evidence and joint posteriors of a batch.

        Those of an impossible row are minus infinity and zero.

        Args:
            queries: Hidden variables; those of one query must share a clique.

        Raises:
            UnknownName: if the evidence names something the network does not have.
            LoopoddsError: if no clique holds a query.
            TooLarge: if there is not enough memory.
        """
        for name in (*evidence.codes, *evidence.soft, *evidence.numbers):
            self.network.variable(name)
        evidence = evidence.merged()
        homes = {query: self.home(query) for query in queries}
        loops = self.compiled or evidence.rows >= COMPILED_FROM
        try:
            posterior = (self._loops if loops else self._arrays)(evidence, homes)
        except MemoryError as error:
            raise TooLarge(
                f"not enough memory for {evidence.rows} rows of {self.plan.space:,} configurations"
            ) from error
        impossible = np.isneginf(posterior.log_evidence)
        if impossible.any():
            # Parts of the network that hang together with nothing impossible have joints still.
            for joint in posterior.joints.values():
                joint[impossible] = 0.0
        return posterior

    def _arrays(self, evidence: Evidence, homes: dict[Query, int]) -> Posterior:
        """Block by block with numpy, which needs nothing loaded."""
        log_evidence = np.empty(evidence.rows)
        joints = {q: np.empty((evidence.rows, *(self.cards[n] for n in q))) for q in homes}
        block = max(1, min(evidence.rows, BLOCK, MOST_NUMBERS // self.plan.space))
        # Memory that is new costs more than the arithmetic: all blocks write to the same.
        memory = np.empty(block * sum(self.sizes))
        asked = self._with_ancestors(homes.values())
        for start in range(0, evidence.rows, block):
            rows = slice(start, min(start + block, evidence.rows))
            spaces = self._spaces(memory, rows.stop - rows.start)
            inward = self._collect(evidence.take(rows), spaces)
            log_evidence[rows] = inward.log_evidence
            beliefs = self._distribute(inward, spaces, asked)
            for query, home in homes.items():
                joint = marginal(beliefs[home], self._cliques[home].scope, query)
                joints[query][rows] = np.moveaxis(joint, -1, 0)
        return Posterior(log_evidence, joints, evidence.rows)

    def _spaces(self, memory: FloatArray, rows: int) -> list[FloatArray]:
        """Room for the belief of each clique, shape (*cards, rows)."""
        starts = [0, *accumulate(size * rows for size in self.sizes)]
        return [
            memory[start:end].reshape(*clique.cards, rows)
            for clique, (start, end) in zip(self._cliques, pairwise(starts), strict=True)
        ]

    def _with_ancestors(self, cliques: Iterable[int]) -> frozenset[int]:
        """Some cliques and all on their ways to the root."""
        found = set[int]()
        for clique in cliques:
            while clique >= 0 and clique not in found:
                found.add(clique)
                clique = self.plan.parents[clique]
        return frozenset(found)

    def _loops(self, evidence: Evidence, homes: dict[Query, int]) -> Posterior:
        """The same by compiled loops, which pay once they are loaded."""
        flat = self._elsewhere if evidence.rows >= COMPILED_FROM else self._flat
        log_evidence, cells, distinct = flat.propagate(evidence, tuple(homes.items()))
        joints = {
            query: cell.reshape(evidence.rows, *(self.cards[n] for n in query))
            for query, cell in zip(homes, cells, strict=True)
        }
        return Posterior(log_evidence, joints, distinct)

    @cached_property
    def _flat(self) -> FlatTree:
        from loopodds.inference.flat_tree import FlatTree

        return FlatTree(self._cliques)

    @cached_property
    def _elsewhere(self) -> FlatTree:
        """The same for large batches."""
        from loopodds.inference.flat_tree import FlatTree

        if self._passes is None:
            return self._flat
        return FlatTree(self._cliques, self._passes)

    def _collect(self, evidence: Evidence, spaces: Sequence[FloatArray]) -> _Inward:
        """Inward pass.

        What hangs only on evidence that all rows share is worked out once: its last axis is one
        long. Imagined outcomes of a test differ in few places.
        """
        first, shared = evidence.take(slice(0, 1)), evidence.shared()
        log_evidence = np.zeros(evidence.rows)
        inward = _Inward([], [], [], log_evidence)
        for clique, space in zip(self._cliques, spaces, strict=True):
            parts = []
            for child in clique.children:
                parts.append(inward.messages[child].reshape(*self._received[child], -1))
            for factor in clique.absorbed:
                likelihood = likelihood_rows(factor, first if factor.name in shared else evidence)
                if likelihood is None:
                    continue
                if factor.name in evidence.numbers:
                    likelihood, log_peak = below_one(likelihood)
                    log_evidence += log_peak
                parts.append(likelihood.reshape(*factor.shape, -1))
            belief = _product(clique.prior, parts, space)
            message = marginal(belief, clique.scope, clique.separator)
            total = message.reshape(-1, message.shape[-1]).sum(axis=0)
            with np.errstate(divide="ignore"):
                log_evidence += np.log(total)
            scale = np.divide(1.0, total, out=np.zeros_like(total), where=total > 0)
            inward.beliefs.append(belief)
            inward.messages.append(message * scale)
            inward.scales.append(scale)
        return inward

    def _distribute(
        self, inward: _Inward, spaces: Sequence[FloatArray], asked: frozenset[int]
    ) -> list[FloatArray]:
        """Outward pass: the cliques that are asked for become joint posteriors of their scopes."""
        beliefs = list(inward.beliefs)
        for index in sorted(asked, reverse=True):
            clique, ratio = self._cliques[index], inward.scales[index]
            if clique.parent >= 0:
                above = self._cliques[clique.parent].scope
                outward = marginal(beliefs[clique.parent], above, clique.separator)
                message = np.broadcast_to(inward.messages[index], outward.shape)
                ratio = ratio * np.divide(
                    outward, message, out=np.zeros_like(outward), where=message > 0
                )
            wide = ratio.reshape(*self._sent[index], -1)
            beliefs[index] = _times(beliefs[index], wide, spaces[index])
        return beliefs


class _Inward(NamedTuple):
    """What the inward pass leaves: of each clique its potential, its message to the parent that
    sums to one, and what its potential must be multiplied by to go with that.
    """

    beliefs: list[FloatArray]
    messages: list[FloatArray]
    scales: list[FloatArray]
    log_evidence: FloatArray


def _product(prior: FloatArray, parts: list[FloatArray], space: FloatArray) -> FloatArray:
    """A potential times factors, smallest first, so that few products are as large as it is."""
    if not parts:
        return prior
    parts.sort(key=np.size)
    factor, *others = parts
    for part in others:
        factor = _times(factor, part, space)
    return _times(prior, factor, space)


def _times(one: FloatArray, other: FloatArray, space: FloatArray) -> FloatArray:
    """A product, in the space for it if it is as large."""
    shape = np.broadcast_shapes(one.shape, other.shape)
    return np.multiply(one, other, out=space if shape == space.shape else None)


def plan_of(network: Network, searched: bool = True) -> TreePlan:
    """Plan of the tree of a network, before any array is made; ``searched``: see `plan_tree`.

    Raises:
        TooLarge: if exact inference would not fit in memory.
    """
    cards = {name: len(variable.states) for name, variable in network.hidden.items()}
    families = [(*variable.parents, name) for name, variable in network.hidden.items()]
    return plan_tree([*families, *(node.parents for node in network.observed)], cards, searched)


def marginal(belief: FloatArray, scope: Query, keep: Query) -> FloatArray:
    """Sum out what is not kept, then put the axes in the asked order.

    Shape (*cards, rows), before and after.
    """
    belief = np.add.reduce(belief, axis=tuple(i for i, n in enumerate(scope) if n not in keep))
    names = [name for name in scope if name in keep]
    order = [names.index(name) for name in keep]
    return belief if order == sorted(order) else np.transpose(belief, (*order, len(order)))
