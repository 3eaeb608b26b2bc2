"""Exact inference: a junction tree over the hidden variables, with a batch axis everywhere.

Observables never enter the tree: each is absorbed as a likelihood over its parents. Two passes
(Lauritzen & Spiegelhalter 1988; Jensen, Lauritzen & Olesen 1990) give the log evidence and the
exact joint of any variables that share a clique, for every row of the batch.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from functools import cached_property
from math import prod
from typing import TYPE_CHECKING

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
        block = max(1, min(BLOCK, MOST_NUMBERS // self.plan.space))
        for start in range(0, evidence.rows, block):
            rows = slice(start, min(start + block, evidence.rows))
            beliefs, messages, log_evidence[rows] = self._collect(evidence.take(rows))
            if homes:
                self._distribute(beliefs, messages)
            for query, home in homes.items():
                joint = marginal(beliefs[home], self._cliques[home].scope, query)
                joints[query][rows] = np.moveaxis(joint, -1, 0)
        return Posterior(log_evidence, joints, evidence.rows)

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

    def _collect(self, evidence: Evidence) -> tuple[list[FloatArray], list[FloatArray], FloatArray]:
        """Inward pass: clique potentials, normalised messages to the parents, log evidence.

        What hangs only on evidence that all rows share is worked out once: its last axis is one
        long. Imagined outcomes of a test differ in few places.
        """
        first, shared = evidence.take(slice(0, 1)), evidence.shared()
        beliefs: list[FloatArray] = []
        messages: list[FloatArray] = []
        log_evidence = np.zeros(evidence.rows)
        for clique in self._cliques:
            parts = []
            for child in clique.children:
                names = self._cliques[child].separator
                parts.append(messages[child].reshape(*clique.axes(names), -1))
            for factor in clique.absorbed:
                likelihood = likelihood_rows(factor, first if factor.name in shared else evidence)
                if likelihood is None:
                    continue
                if factor.name in evidence.numbers:
                    likelihood, log_peak = below_one(likelihood)
                    log_evidence += log_peak
                parts.append(likelihood.reshape(*factor.shape, -1))
            belief = _product(clique.prior, parts)
            message = marginal(belief, clique.scope, clique.separator)
            total = message.reshape(-1, message.shape[-1]).sum(axis=0)
            with np.errstate(divide="ignore"):
                log_evidence += np.log(total)
            scale = np.divide(1.0, total, out=np.zeros_like(total), where=total > 0)
            messages.append(message * scale)
            belief *= scale
            beliefs.append(belief)
        return beliefs, messages, log_evidence

    def _distribute(self, beliefs: list[FloatArray], messages: list[FloatArray]) -> None:
        """Outward pass: every clique becomes the joint posterior of its scope."""
        for index in range(len(self._cliques) - 1, -1, -1):
            clique = self._cliques[index]
            if clique.parent < 0:
                continue
            outward = marginal(
                beliefs[clique.parent], self._cliques[clique.parent].scope, clique.separator
            )
            inward = np.broadcast_to(messages[index], outward.shape)
            ratio = np.divide(outward, inward, out=np.zeros_like(outward), where=inward > 0)
            wide = ratio.reshape(*clique.axes(clique.separator), -1)
            beliefs[index] = beliefs[index] * wide


def _product(prior: FloatArray, parts: list[FloatArray]) -> FloatArray:
    """A potential times factors; those that differ from row to row come last."""
    parts.sort(key=lambda part: part.shape[-1] > 1)
    belief = prior.copy()
    for part in parts:
        if part.shape[-1] > belief.shape[-1]:
            belief = belief * part
        else:
            belief *= part
    return belief


def plan_of(network: Network, searched: bool = True) -> TreePlan:
    """Plan of the tree of a network, before any array is made; ``searched``: see `plan_tree`.

    Raises:
        TooLarge: if exact inference would not fit in memory.
    """
    cards = {name: len(variable.states) for name, variable in network.hidden.items()}
    families = [(*variable.parents, name) for name, variable in network.hidden.items()]
    return plan_tree([*families, *(node.parents for node in network.observed)], cards, searched)


def marginal(belief: FloatArray, scope: Query, keep: Query) -> FloatArray:
    """Sum out what is not kept, one axis at a time, then put the axes in the asked order.

    Shape (*cards, rows), before and after.
    """
    names = list(scope)
    for name in [n for n in scope if n not in keep]:
        belief = belief.sum(axis=names.index(name))
        names.remove(name)
    order = [names.index(name) for name in keep]
    return belief if order == sorted(order) else np.transpose(belief, (*order, len(order)))
