"""The knowledge in the hands of other libraries: a networkx graph and a pgmpy model.

Both are imported only here and only when asked for; pgmpy alone takes two seconds.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING

import numpy as np

from loopodds.base.errors import KnowledgeError
from loopodds.diagnosis.model import Model
from loopodds.inference.network import Discrete, Network, discrete_variables
from loopodds.knowledge.assembly import build_network
from loopodds.knowledge.nodes import parents_of
from loopodds.knowledge.records import Knowledge

if TYPE_CHECKING:
    from networkx import DiGraph
    from pgmpy.factors.discrete import TabularCPD
    from pgmpy.models import DiscreteBayesianNetwork


def to_networkx(knowledge: Knowledge) -> DiGraph:
    """The arcs of the knowledge as a directed graph, causes before effects.

    Nodes have the attributes ``kind`` ("fault", "finding" ...), ``group``, ``title``, ``states``.

    >>> from loopodds.knowledge.records import Knowledge
    >>> sorted(to_networkx(Knowledge()).predecessors("drier_saturated"))
    ['drier_over_eight_years', 'opened_without_new_drier']
    """
    from networkx import DiGraph

    graph = DiGraph()
    for name, node in knowledge.nodes.items():
        graph.add_node(name, kind=node.kind, group=node.group, title=node.title, states=node.states)
    for name, node in knowledge.nodes.items():
        graph.add_edges_from((parent, name) for parent in parents_of(node))
    return graph


def to_pgmpy(
    source: Knowledge | Model, context: Mapping[str, str] | None = None
) -> DiscreteBayesianNetwork:
    """The network of a context as a pgmpy model that has passed its own ``check_model``.

    pgmpy has only discrete variables: a gauge becomes the words for the intervals of its number.

    Args:
        source: A model brings the repairs that it knows of.
        context: What is left out is averaged over with the shares of ``contexts.toml``.

    Raises:
        KnowledgeError: if the context leaves out what has no shares, or pgmpy refuses a table.
    """
    if isinstance(source, Model):
        return pgmpy_model(source.network(context or {}))
    return pgmpy_model(build_network(source, context or {}))


def pgmpy_model(network: Network) -> DiscreteBayesianNetwork:
    """Any network of the engine as by :func:`to_pgmpy`."""
    from pgmpy.models import DiscreteBayesianNetwork

    variables = discrete_variables(network)
    states = {v.name: list(v.states) for v in variables}
    model = DiscreteBayesianNetwork()
    model.add_nodes_from(states)
    model.add_edges_from((parent, v.name) for v in variables for parent in v.parents)
    try:
        model.add_cpds(*(_table(variable, states) for variable in variables))
        model.check_model()
    except ValueError as error:
        raise KnowledgeError(f"pgmpy refuses the network: {error}") from error
    return model


def _table(variable: Discrete, states: Mapping[str, list[str]]) -> TabularCPD:
    """A table as pgmpy holds it: own states down, combinations of the parents across."""
    from pgmpy.factors.discrete import TabularCPD

    name, parents, card = variable.name, variable.parents, len(variable.states)
    return TabularCPD(
        name,
        card,
        np.moveaxis(variable.table, -1, 0).reshape(card, -1),
        evidence=list(parents),
        evidence_card=[len(states[parent]) for parent in parents],
        state_names={own: states[own] for own in (name, *parents)},
    )
