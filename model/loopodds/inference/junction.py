"""Exact inference: a junction tree over the hidden variables, with a batch axis everywhere.

Observables never enter the tree: each is absorbed as a likelihood over its parents. Two passes
(Lauritzen & Spiegelhalter 1988; Jensen, Lauritzen & Olesen 1990) give the log evidence and the
exact joint of any variables that share a clique, for every row of the batch.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from math import prod

import numpy as np

from loopodds.base.arrays import FloatArray, Query
from loopodds.base.errors import LoopoddsError
from loopodds.inference.flat_tree import Clique, FlatTree
from loopodds.inference.likelihoods import Absorbed, below_one, likelihood_rows
from loopodds.inference.network import Discrete, Evidence, GaugeNode, Network
from loopodds.inference.triangulation import TreePlan, plan_tree

BLOCK = 96
COMPILED_FROM = 4096
"""Rows of a batch that repay loading the compiled loops, which takes about half a second."""


@dataclass(frozen=True, slots=True, eq=False)
class Posterior:
    """Result of a propagation.

    Attributes:
        log_evidence: float array, shape (rows,); natural log of P(words) times the density of the
            numbers; minus infinity is impossible.
        joints: dict of Query to float array, shape (rows, *cards); for each query the joint
            posterior, which sums to one over all axes but the first.
    """

    log_evidence: FloatArray
    joints: dict[Query, FloatArray]

    def __getitem__(self, query: str | Query) -> FloatArray:
        return self.joints[(query,) if isinstance(query, str) else query]


class JunctionTree:
    """Compiled network.

    Args:
        compiled: Always the compiled loops, for a long process with many small batches; otherwise
            only for batches of at least `COMPILED_FROM` rows, and plain arrays below.

    Raises:
        TooLarge: if exact inference would not fit in memory.
    """

    def __init__(self, network: Network, compiled: bool = False) -> None:
        self.network = network
        self.compiled = compiled
        cards = {name: len(v.states) for name, v in network.hidden.items()}
        self._cards = cards
        self._flat: FlatTree | None = None
        self._homes: dict[Query, int] = {}
        self._spans: dict[frozenset[str], tuple[int, ...]] = {}
        families = {n: (*v.parents, n) for n, v in network.hidden.items()}
        observed: dict[str, Discrete | GaugeNode] = {**network.observables, **network.gauges}
        self.plan = plan_of(network)
        self._cliques = [
            Clique(
                scope,
                tuple(cards[n] for n in scope),
                parent,
                separator,
                [i for i, p in enumerate(self.plan.parents) if p == k],
                np.ones((*(cards[n] for n in scope), 1)),
            )
            for k, (scope, parent, separator) in enumerate(
                zip(self.plan.cliques, self.plan.parents, self.plan.separators, strict=True)
            )
        ]
        self._sizes = [prod(c.cards) for c in self._cliques]
        for name, variable in network.hidden.items():
            home = self._cliques[self._home(families[name])]
            home.prior = home.prior * _spread(variable.table, families[name], home)
            smallest = self._cliques[self._home((name,))]
            smallest.absorbed.append(Absorbed.of_states(name, cards[name], smallest.axes((name,))))
        for node in observed.values():
            home = self._cliques[self._home(node.parents)]
            order = tuple(n for n in home.scope if n in node.parents)
            home.absorbed.append(Absorbed.of_node(node, order, home.axes(order)))

    def _home(self, names: Sequence[str]) -> int:
        """Smallest clique that holds all the names.

        Raises:
            LoopoddsError: if no clique does.
        """
        key = tuple(names)
        if key not in self._homes:
            wanted = set(names)
            fitting = [i for i, c in enumerate(self._cliques) if wanted <= set(c.scope)]
            if not fitting:
                raise LoopoddsError(f"no clique holds {', '.join(names)} together")
            self._homes[key] = min(fitting, key=lambda i: self._sizes[i])
        return self._homes[key]

    def holds(self, names: Sequence[str]) -> bool:
        """Whether some clique holds all the names, so that their joint can be asked for."""
        wanted = set(names)
        return any(wanted <= set(c.scope) for c in self._cliques)

    def span(self, wanted: frozenset[str]) -> tuple[int, ...]:
        """Cliques left when every leaf that adds no wanted variable is cut away."""
        if wanted not in self._spans:
            self._spans[wanted] = _span(self.plan, wanted)
        return self._spans[wanted]

    def propagate(self, evidence: Evidence, queries: Iterable[Query] = ()) -> Posterior:
        """Log evidence and joint posteriors of a batch.

        Args:
            queries: Hidden variables; those of one query must share a clique (see :meth:`holds`).

        Returns:
            For a row whose evidence is impossible the log evidence is minus infinity and the joints
                are zero: :meth:`require_possible` turns that into an error.

        Raises:
            UnknownName: if the evidence names something the network does not have.
        """
        self._check(evidence)
        evidence = evidence.merged()
        homes = {query: self._home(query) for query in queries}
        loops = self.compiled or evidence.rows >= COMPILED_FROM
        posterior = (self._loops if loops else self._arrays)(evidence, homes)
        impossible = np.isneginf(posterior.log_evidence)
        if impossible.any():
            # Parts of the network that hang together with nothing impossible have joints still.
            for joint in posterior.joints.values():
                joint[impossible] = 0.0
        return posterior

    def _arrays(self, evidence: Evidence, homes: dict[Query, int]) -> Posterior:
        """Block by block with numpy, which needs nothing loaded."""
        log_evidence = np.empty(evidence.rows)
        joints = {
            query: np.empty((evidence.rows, *(self._cards[n] for n in query))) for query in homes
        }
        for start in range(0, evidence.rows, BLOCK):
            rows = slice(start, min(start + BLOCK, evidence.rows))
            beliefs, messages, log_evidence[rows] = self._collect(evidence.take(rows))
            if homes:
                self._distribute(beliefs, messages)
            for query, home in homes.items():
                joint = _marginal(beliefs[home], self._cliques[home].scope, query)
                joints[query][rows] = np.moveaxis(joint, -1, 0)
        return Posterior(log_evidence, joints)

    def _loops(self, evidence: Evidence, homes: dict[Query, int]) -> Posterior:
        """The same by compiled loops, which pay once they are loaded."""
        if self._flat is None:
            self._flat = FlatTree(self._cliques)
        log_evidence, cells = self._flat.propagate(evidence, list(homes.items()))
        joints = {
            query: cell.reshape(evidence.rows, *(self._cards[n] for n in query))
            for query, cell in zip(homes, cells, strict=True)
        }
        return Posterior(log_evidence, joints)

    def _check(self, evidence: Evidence) -> None:
        for name in (*evidence.codes, *evidence.soft, *evidence.numbers):
            self.network.variable(name)

    def _collect(self, evidence: Evidence) -> tuple[list[FloatArray], list[FloatArray], FloatArray]:
        """Inward pass: clique potentials, normalised messages to the parents, log evidence."""
        rows = evidence.rows
        beliefs: list[FloatArray] = []
        messages: list[FloatArray] = []
        log_evidence = np.zeros(rows)
        for clique in self._cliques:
            belief = np.broadcast_to(clique.prior, (*clique.cards, rows)).copy()
            for child in clique.children:
                names = self._cliques[child].separator
                belief *= messages[child].reshape(*clique.axes(names), rows)
            for factor in clique.absorbed:
                likelihood = likelihood_rows(factor, evidence)
                if likelihood is None:
                    continue
                if factor.name in evidence.numbers:
                    likelihood, log_peak = below_one(likelihood)
                    log_evidence += log_peak
                belief *= likelihood.reshape(*factor.shape, rows)
            message = _marginal(belief, clique.scope, clique.separator)
            total = message.reshape(-1, rows).sum(axis=0)
            with np.errstate(divide="ignore"):
                log_evidence += np.log(total)
            scale = np.divide(1.0, total, out=np.zeros(rows), where=total > 0)
            messages.append(message * scale)
            belief *= scale
            beliefs.append(belief)
        return beliefs, messages, log_evidence

    def _distribute(self, beliefs: list[FloatArray], messages: list[FloatArray]) -> None:
        """Outward pass, in place: every clique becomes the joint posterior of its scope."""
        rows = beliefs[0].shape[-1]
        for index in range(len(self._cliques) - 1, -1, -1):
            clique = self._cliques[index]
            if clique.parent < 0:
                continue
            outward = _marginal(
                beliefs[clique.parent], self._cliques[clique.parent].scope, clique.separator
            )
            inward = messages[index]
            ratio = np.divide(outward, inward, out=np.zeros_like(outward), where=inward > 0)
            beliefs[index] *= ratio.reshape(*clique.axes(clique.separator), rows)


def plan_of(network: Network) -> TreePlan:
    """Plan of the tree of a network, before any array is made.

    Raises:
        TooLarge: if exact inference would not fit in memory.
    """
    cards = {name: len(variable.states) for name, variable in network.hidden.items()}
    families = [(*variable.parents, name) for name, variable in network.hidden.items()]
    words = [node.parents for node in network.observables.values()]
    gauges = [node.parents for node in network.gauges.values()]
    return plan_tree([*families, *words, *gauges], cards)


def _span(plan: TreePlan, wanted: frozenset[str]) -> tuple[int, ...]:
    cliques, parents = plan.cliques, plan.parents
    around: dict[int, set[int]] = {i: set() for i in range(len(cliques))}
    for child, parent in enumerate(parents):
        if parent >= 0:
            around[child].add(parent)
            around[parent].add(child)
    waiting = list(around)
    while waiting:
        index = waiting.pop()
        if index not in around or len(around[index]) > 1:
            continue
        own = wanted.intersection(cliques[index])
        neighbours = around[index]
        if not own or any(own <= set(cliques[other]) for other in neighbours):
            del around[index]
            for other in neighbours:
                around[other].discard(index)
                waiting.append(other)
    return tuple(sorted(around))


def _spread(table: FloatArray, names: Query, clique: Clique) -> FloatArray:
    """A table with axes in the clique's order, broadcastable over its scope and the batch."""
    order = [names.index(n) for n in clique.scope if n in names]
    return np.transpose(table, order).reshape(*clique.axes(names), 1)


def _marginal(belief: FloatArray, scope: Query, keep: Query) -> FloatArray:
    """Sum out what is not kept, one axis at a time, then put the axes in the asked order."""
    names = list(scope)
    for name in [n for n in scope if n not in keep]:
        axis = names.index(name)
        belief = belief.sum(axis=axis)
        del names[axis]
    order = [names.index(name) for name in keep]
    return belief if order == sorted(order) else np.transpose(belief, (*order, len(order)))
