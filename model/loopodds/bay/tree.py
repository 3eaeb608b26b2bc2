"""The compiled tree as plain data: cliques, separators, and every node in every context.

Which cliques there are does not hang on the context, only the numbers do. A node is kept once for
each combination of the contexts that it depends on, so that one binary serves every car; what is
not stated the page averages over as :mod:`loopodds.knowledge.assembly` does.
"""

from __future__ import annotations

import itertools
from collections.abc import Iterator
from typing import Any

from loopodds.bay.packing import Packer
from loopodds.diagnosis.model import Model
from loopodds.inference.network import Discrete, GaugeNode
from loopodds.knowledge.assembly import node_arrays
from loopodds.knowledge.nodes import Node
from loopodds.knowledge.records import Knowledge


def tree_data(model: Model, packer: Packer) -> dict[str, Any]:
    """Cliques in collect order, and the nodes with the clique that takes each in.

    ``versions`` of a node run through the options of its ``keys``, the last key fastest.
    """
    tree, knowledge = model.tree({}), model.knowledge
    cliques = zip(tree.plan.cliques, tree.plan.parents, tree.plan.separators, strict=True)
    network = tree.network
    nodes = {
        name: _node(knowledge.nodes[name], node, knowledge, packer)
        | {"hidden": True, "home": tree.home((*node.parents, name)), "own": tree.home((name,))}
        for name, node in network.hidden.items()
    }
    for node in network.observed:
        packed = _node(knowledge.nodes[node.name], node, knowledge, packer)
        nodes[node.name] = packed | {"hidden": False, "home": tree.home(node.parents)}
    return {
        "cliques": [
            {"scope": list(scope), "parent": parent, "separator": list(separator)}
            for scope, parent, separator in cliques
        ],
        "nodes": nodes,
        "faults": list(model.faults),
        "history": list(knowledge.of_kind("history")),
        "conditions": {
            name: {
                "title": condition.title,
                "variable": condition.variable,
                "states": list(condition.states),
            }
            for name, condition in model.conditions.items()
        },
    }


def versions(keys: list[str], knowledge: Knowledge) -> Iterator[dict[str, str]]:
    """Every combination of some contexts, the last key fastest."""
    for values in itertools.product(*(knowledge.contexts[key].values for key in keys)):
        yield dict(zip(keys, values, strict=True))


def options(keys: list[str], knowledge: Knowledge) -> list[list[str]]:
    """The values of some contexts."""
    return [list(knowledge.contexts[key].values) for key in keys]


def _node(
    node: Node, arrays: Discrete | GaugeNode, knowledge: Knowledge, packer: Packer
) -> dict[str, Any]:
    keys = sorted(node.context_keys())
    made = [node_arrays(node, knowledge, context) for context in versions(keys, knowledge)]
    packed: dict[str, Any] = {
        "states": list(arrays.states),
        "parents": list(arrays.parents),
        "keys": keys,
        "options": options(keys, knowledge),
        "gauge": isinstance(arrays, GaugeNode),
    }
    if isinstance(arrays, GaugeNode):
        gauges = [one for one in made if isinstance(one, GaugeNode)]
        packed |= {"share": arrays.share, "wide": arrays.wide, "cuts": list(arrays.cuts)}
        packed["word_doubt"] = arrays.word_doubt
        packed["mean"] = [packer.add(one.mean) for one in gauges]
        packed["spread"] = [packer.add(one.spread) for one in gauges]
    else:
        packed["table"] = [packer.add(one.table) for one in made if isinstance(one, Discrete)]
    return packed
