"""From the knowledge to the network: every node as arrays in one context.

What a context leaves out is averaged over, with the shares of ``contexts.toml``. A node is made
once for each combination of the contexts that it depends on, however many contexts are met.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Collection, Iterator, Mapping
from functools import lru_cache

import numpy as np

from loopodds.base.errors import KnowledgeError
from loopodds.inference.network import Discrete, GaugeNode, Network, topological
from loopodds.knowledge.distributions import gauge_array, table_array
from loopodds.knowledge.nodes import Gauge, Node
from loopodds.knowledge.records import Knowledge

Pairs = tuple[tuple[str, str], ...]


def build_network(knowledge: Knowledge, context: Mapping[str, str]) -> Network:
    """The knowledge as arrays, in one context.

    Args:
        context: Values of contexts (``setting``, ``expansion`` ...). What is left out is not known:
            the distributions are averaged over its values with the shares of ``contexts.toml``.

    Raises:
        KnowledgeError: if the knowledge is inconsistent.
    """
    return _network(knowledge, tuple(sorted(context.items())))


@lru_cache(maxsize=256)
def _network(knowledge: Knowledge, context: Pairs) -> Network:
    made = {
        name: _made(knowledge, name, tuple(p for p in context if p[0] in _keys(knowledge, name)))
        for name in knowledge.nodes
    }
    discrete = {name: node for name, node in made.items() if isinstance(node, Discrete)}
    hidden = knowledge.of_kind("history", "fault", "mechanism")
    order = topological({name: discrete[name].parents for name in hidden})
    return Network(
        {name: discrete[name] for name in order},
        {name: discrete[name] for name in knowledge.of_kind("finding")},
        {name: node for name, node in made.items() if isinstance(node, GaugeNode)},
    )


@lru_cache(maxsize=4096)
def _keys(knowledge: Knowledge, name: str) -> frozenset[str]:
    return frozenset(knowledge.nodes[name].context_keys())


@lru_cache(maxsize=4096)
def _made(knowledge: Knowledge, name: str, context: Pairs) -> Discrete | GaugeNode:
    return node_arrays(knowledge.nodes[name], knowledge, dict(context))


def full_contexts(
    keys: Collection[str], knowledge: Knowledge, known: Mapping[str, str]
) -> Iterator[tuple[float, dict[str, str]]]:
    """Every way to complete the known contexts, with its share.

    Args:
        keys: The contexts that matter.
        known: Those that are stated.

    Yields:
        Share of the combination; all together they sum to one.
        The known contexts with the others filled in.

    Raises:
        KnowledgeError: if a context is not known to the files or must be given.
    """
    unknown = sorted(set(keys) - set(known))
    options = []
    for key in unknown:
        if key not in knowledge.contexts:
            raise KnowledgeError(f"contexts.toml: there is no context {key!r}")
        context = knowledge.contexts[key]
        if not context.shares:
            raise KnowledgeError(f"contexts.toml: {key} must be given: it has no shares")
        options.append(list(zip(context.values, context.shares, strict=True)))
    for combination in itertools.product(*options):
        values = {key: value for key, (value, _) in zip(unknown, combination, strict=True)}
        yield math.prod(share for _, share in combination), {**known, **values}


def node_arrays(
    node: Node, knowledge: Knowledge, context: Mapping[str, str]
) -> Discrete | GaugeNode:
    """One node of the knowledge as arrays in one context.

    Raises:
        KnowledgeError: if its numbers are inconsistent, or a variant changes the parents.
    """
    hidden = knowledge.of_kind("history", "fault", "mechanism")
    states = {name: other.states for name, other in hidden.items()}
    settled = list(full_contexts(node.context_keys(), knowledge, context))
    if isinstance(node, Gauge):
        gauges = [(s, gauge_array(node.in_context(full), states, full)) for s, full in settled]
        parents = _same_parents(node, [gauge.parents for _, gauge in gauges])
        # Unknown contexts mix Gaussians; their first two moments are kept.
        mean = sum((share * gauge.mean for share, gauge in gauges), np.zeros(()))
        second = sum((s * (g.spread**2 + g.mean**2) for s, g in gauges), np.zeros(()))
        spread = np.sqrt(second - mean**2)
        slips = node.misreading
        return GaugeNode(
            node.name, node.states, parents, mean, spread, slips.share, slips.spread, node.cuts
        )
    tables = [
        (share, table_array(node.in_context(full), states, full.get("setting", "")))
        for share, full in settled
    ]
    parents = _same_parents(node, [array.parents for _, array in tables])
    table = sum((share * array.p for share, array in tables), np.zeros(()))
    return Discrete(node.name, node.states, parents, table)


def _same_parents(node: Node, found: list[tuple[str, ...]]) -> tuple[str, ...]:
    if any(parents != found[0] for parents in found):
        raise KnowledgeError(f"{node.file}: {node.name}: variants must keep the parents in order")
    return found[0]
