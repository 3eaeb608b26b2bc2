"""One inspection's calibrated junction tree: exact joints of any hidden variables, and draws.

The joint of a junction tree is the product of its clique beliefs over those of the separators
(Lauritzen & Spiegelhalter 1988), so any joint is a contraction over the cliques between the
variables asked for.
"""

from __future__ import annotations

from collections.abc import Iterable
from functools import cached_property

import numpy as np

from loopodds.aliases import FloatArray, IntArray, Query
from loopodds.contraction import Factor, contract
from loopodds.errors import ImpossibleEvidence, LoopoddsError, unknown_name
from loopodds.junction import JunctionTree
from loopodds.network import Evidence


class Calibrated:
    """Posterior of one row of evidence, all cliques kept.

    Parameters
    ----------
    tree : JunctionTree
    evidence : Evidence
        One row.

    Raises
    ------
    LoopoddsError
        If the evidence has more than one row.
    ImpossibleEvidence
        If it cannot hold together.
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
        fixed = self.fixed
        scopes = [(*v.parents, name) for name, v in self.network.hidden.items()]
        seen = [name for name in self.known if name not in self.network.hidden]
        scopes += [self.network.variable(name).parents for name in seen]
        around: dict[str, set[str]] = {name: set() for name in self.network.hidden}
        for scope in scopes:
            free = [name for name in scope if name not in fixed]
            for name in free:
                around[name].update(other for other in free if other != name)
        return around

    @cached_property
    def _conditionals(self) -> list[FloatArray]:
        """Each clique given its separator to the parent; zero where the separator is zero."""
        found = []
        for scope, separator, belief in zip(
            self.tree.plan.cliques, self.tree.plan.separators, self._beliefs, strict=True
        ):
            gone = tuple(i for i, name in enumerate(scope) if name not in separator)
            total = belief.sum(axis=gone, keepdims=True)
            found.append(np.divide(belief, total, out=np.zeros_like(belief), where=total > 0))
        return found

    def factors(self, names: Iterable[str]) -> list[Factor]:
        """Factors whose product, summed over all else, is the joint of the names.

        Raises
        ------
        UnknownName
            If a name is not a hidden variable.
        """
        wanted = frozenset(names)
        for name in wanted:
            if name not in self.network.hidden:
                raise unknown_name("hidden variable", name, self.network.hidden)
        span = self.tree.span(wanted)
        plan = self.tree.plan
        return [
            Factor(
                plan.cliques[i],
                self._conditionals[i] if plan.parents[i] in span else self._beliefs[i],
            )
            for i in span
        ]

    def joint(self, names: Query) -> FloatArray:
        """Joint posterior of hidden variables, shape (*cards,), sums to one.

        Raises
        ------
        UnknownName
            If a name is not a hidden variable.
        TooLarge
            If it would not fit in memory.
        """
        if names not in self._joints:
            self._joints[names] = contract(self.factors(names), names)
        return self._joints[names]

    def draw(self, count: int, rng: np.random.Generator) -> dict[str, IntArray]:
        """Independent draws of every hidden variable from the joint posterior, shape (count,)."""
        states: dict[str, IntArray] = {}
        for scope, belief in reversed(
            list(zip(self.tree.plan.cliques, self._beliefs, strict=True))
        ):
            old = [name for name in scope if name in states]
            new = [name for name in scope if name not in states]
            if not new:
                continue
            cards = [belief.shape[scope.index(name)] for name in new]
            order = [scope.index(name) for name in (*old, *new)]
            rows = np.transpose(belief, order)[tuple(states[name] for name in old)]
            chances = np.broadcast_to(rows, (count, *cards)) if not old else rows
            below = np.cumsum(chances.reshape(count, -1), axis=1)
            mark = rng.random(count)[:, None] * below[:, -1:]
            drawn = np.minimum((mark >= below).sum(axis=1), below.shape[1] - 1)
            states.update(zip(new, np.unravel_index(drawn, cards), strict=True))
        return states
