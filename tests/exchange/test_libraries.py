"""The knowledge as networkx and pgmpy hold it, and our engine checked against pgmpy."""

from __future__ import annotations

from dataclasses import replace
from functools import cache
from pathlib import Path

import networkx
import numpy as np
import pytest
from loopodds.base.errors import KnowledgeError
from loopodds.diagnosis.model import Model
from loopodds.diagnosis.repaired_car import Repair
from loopodds.exchange.libraries import pgmpy_model, to_networkx, to_pgmpy
from loopodds.inference.network import discrete_variables
from loopodds.knowledge.assembly import build_network, full_contexts
from loopodds.knowledge.records import Knowledge
from loopodds.upkeep import verification
from loopodds.upkeep.verification import verify
from shared import loaded_after

CONTEXT = {"setting": "complaint"}


@cache
def small() -> Knowledge:
    return Knowledge(Path(__file__).parents[1] / "small_knowledge")


def test_the_graph_is_the_knowledge_without_its_numbers():
    knowledge = Knowledge()
    graph = to_networkx(knowledge)
    assert list(graph) == list(knowledge.nodes)
    for name, attributes in graph.nodes(data=True):
        node = knowledge.node(name)
        assert attributes["kind"] == node.kind
        assert attributes["title"] == node.title
        assert attributes["states"] == node.states
    network = build_network(knowledge, CONTEXT)
    assert set(graph.edges) == {
        (parent, variable.name)
        for variable in discrete_variables(network)
        for parent in variable.parents
    }


def test_causes_never_run_in_a_ring_and_history_comes_first():
    graph = to_networkx(Knowledge())
    assert networkx.is_directed_acyclic_graph(graph)
    kinds = networkx.get_node_attributes(graph, "kind")
    for name in graph:
        if kinds[name] == "fault":
            causes = networkx.ancestors(graph, name)
            assert {kinds[cause] for cause in causes} <= {"history", "fault", "mechanism"}
        if kinds[name] in ("finding", "gauge"):
            assert not networkx.descendants(graph, name)


def test_pgmpy_gets_every_table_and_refuses_none():
    network = build_network(small(), CONTEXT)
    model = to_pgmpy(small(), CONTEXT)
    for variable in discrete_variables(network):
        table = np.moveaxis(variable.table, -1, 0)
        np.testing.assert_array_equal(model.get_cpds(variable.name).values, table)


def test_a_model_hands_over_its_repairs():
    done = Repair(("dry_the_loop",), frozenset({"moisture_indicator"}))
    model = Model(Knowledge(), (done,))
    before = {variable.name for variable in discrete_variables(Model().network(CONTEXT))}
    assert set(to_pgmpy(model, CONTEXT).nodes) == {
        variable.name for variable in discrete_variables(model.network(CONTEXT))
    }
    assert set(to_pgmpy(model, CONTEXT).nodes) > before


def test_a_context_without_shares_must_be_stated():
    with pytest.raises(KnowledgeError, match="setting must be given"):
        list(full_contexts({"setting"}, Knowledge(), {}))


def test_both_engines_agree_on_small_knowledge_of_ones_own():
    seen: list[int] = []
    result = verify(small(), rows=7, seed=3, progress=seen.append)
    assert result.agrees
    assert result.largest < 1e-12  # order of float sums
    assert result.rows == 7
    assert len(result.contexts) == 4
    assert seen == list(range(1, 8))
    assert verify(small(), rows=7, seed=3).as_json() == result.as_json()


def test_a_probability_moved_by_a_millionth_is_noticed(monkeypatch):
    """Not in our engine but in the peer, which shows the same gap."""

    def moved(model, context):
        network = model.network(context)
        fault = next(iter(model.faults))
        variable = network.hidden[fault]
        table = variable.table.copy()
        table[..., 0] -= 1e-6
        table[..., 1] += 1e-6
        hidden = {**network.hidden, fault: replace(variable, table=table)}
        return pgmpy_model(replace(network, hidden=hidden))

    monkeypatch.setattr(verification, "to_pgmpy", moved)
    result = verify(small(), rows=2)
    assert not result.agrees
    assert not result.as_json()["agrees"]


def test_nothing_heavy_is_loaded_before_it_is_asked_for():
    """pgmpy takes two seconds to import; listing commands must not pay for it."""
    loaded = loaded_after("import loopodds.upkeep.verification, loopodds.exchange.bif")
    assert not {"pgmpy", "networkx"} & loaded
