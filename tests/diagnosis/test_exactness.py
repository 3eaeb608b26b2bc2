"""The shipped network is solved exactly: other engines, other routes, the same digits.

Truth comes from pyAgrum (lazy propagation), pgmpy (variable elimination) and a contraction of all
tables with opt_einsum. Densities of readings are recomputed with scipy, graded tables by taking
the maximum of independent causes one by one.
"""

from __future__ import annotations

import itertools
import sys
from functools import cache
from typing import Any

import numpy as np
import pytest
from loopodds.exchange.bif import read_bif, write_bif
from loopodds.exchange.libraries import pgmpy_model
from loopodds.inference import junction
from loopodds.inference.junction import JunctionTree, Posterior
from loopodds.inference.network import Discrete, Evidence, GaugeNode, Network, discrete_variables
from loopodds.knowledge.assembly import build_network
from loopodds.knowledge.blocks import matches
from loopodds.knowledge.nodes import Gauge, Graded
from loopodds.knowledge.records import Knowledge
from references import (
    IMPOSSIBLE,
    agrum,
    ask_agrum,
    ask_pgmpy,
    contract,
    fill,
    known_of,
    one_hot,
    readings_of,
    sample,
    seen_reading,
)
from shared import shipped

# Float sums and products in another order: on these rows marginals differ by at most 2e-15 and
# log evidence, itself some tens, by at most 5e-14.
SAME = 1e-11

CONTEXTS = (
    {},
    {"compressor": "electric"},
    {"expansion": "TXV", "compressor": "fixed", "weather": "warm"},
    {"expansion": "orifice", "compressor": "fixed", "weather": "cool"},
    {"expansion": "TXV", "compressor": "electric", "weather": "warm"},
    {"expansion": "orifice", "compressor": "variable"},
    {"expansion": "TXV", "compressor": "variable", "weather": "cool"},
)
ROWS = 24
LABELS = ["-".join(context.values()) for context in CONTEXTS]
contexts = pytest.mark.parametrize("number", range(len(CONTEXTS)), ids=LABELS)


@cache
def tree_of(number: int) -> JunctionTree:
    return JunctionTree(build_network(Knowledge(), CONTEXTS[number]))


@cache
def evidence_of(number: int) -> Evidence:
    """Two dozen cars: states, doubts, words or numbers of gauges, history, gaps.

    Most are drawn from the network itself; every sixth has states and readings that have nothing
    to do with each other, so that rare corners are met too.
    """
    network = tree_of(number).network
    rng = np.random.default_rng(100 + number)
    discrete = discrete_variables(network)
    codes = {v.name: np.full(ROWS, -1) for v in discrete}
    soft = {v.name: np.ones((ROWS, len(v.states))) for v in discrete}
    value = {name: np.full(ROWS, np.nan) for name in network.gauges}
    extra = {name: np.zeros(ROWS) for name in network.gauges}
    faults = Knowledge().of_kind("fault", "mechanism")
    for row in range(ROWS):
        car = sample(discrete, rng)
        share = rng.uniform(0.05, 0.6)
        for v in discrete:
            name, count = v.name, len(v.states)
            state = int(rng.integers(count)) if row % 6 == 0 else car[name]
            if name in faults and rng.random() < 0.95:
                continue
            chance = rng.random() / share
            if name in network.gauges and chance < 0.7:
                gauge = network.gauges[name]
                here = tuple(car[parent] for parent in gauge.parents)
                value[name][row] = rng.normal(gauge.mean[here], gauge.spread[here])
                extra[name][row] = rng.choice([0.0, 2.5, 30.0])
                if row % 6 == 0:
                    value[name][row] = rng.normal(0, 2 * gauge.wide)
            elif chance < 0.85:
                codes[name][row] = state
            elif chance < 1:
                soft[name][row] = rng.uniform(0.05, 1, count)
                soft[name][row, state] = 1.0
    numbers = {name: (value[name], extra[name]) for name in network.gauges}
    return Evidence(ROWS, codes, soft, numbers)


def faults_of(number: int) -> list[str]:
    return [n for n in Knowledge().of_kind("fault") if n in tree_of(number).network.hidden]


def asked(number: int) -> Posterior:
    tree = tree_of(number)
    return tree.propagate(evidence_of(number), [(name,) for name in tree.network.hidden])


@pytest.fixture(params=["arrays", "compiled"])
def route(request, monkeypatch):
    """Both ways through the tree: numpy arrays, and the compiled loops used for large batches."""
    if request.param == "arrays":
        monkeypatch.setattr(junction, "COMPILED_FROM", sys.maxsize)
    else:
        monkeypatch.setattr(junction, "COMPILED_FROM", 0)
    return request.param


@cache
def agrum_of(number: int) -> Any:
    """The network with one binary child for each gauge, on which a reading is entered."""
    network = tree_of(number).network
    children = [seen_reading(gauge, 0.0, 0.0)[0] for gauge in network.gauges.values()]
    return agrum([*discrete_variables(network), *children])


@cache
def lazy_propagation(number: int) -> list[tuple[float, dict[str, np.ndarray]]]:
    """pyAgrum's log evidence and hidden marginals for every row."""
    network, evidence, net = tree_of(number).network, evidence_of(number), agrum_of(number)
    discrete = discrete_variables(network)
    answers = []
    for row in range(ROWS):
        children, seen, scale = readings_of(network, evidence, row)
        for child in children:
            fill(net, child)
        answer = ask_agrum(net, {**known_of(discrete, evidence, row), **seen}, network.hidden)
        answers.append((answer.log_evidence + scale, answer.marginals))
    return answers


@contexts
def test_every_hidden_marginal_and_the_log_evidence_equal_lazy_propagation(number, route):
    """Faults, mechanisms and history, with all three kinds of evidence on one car."""
    posterior = asked(number)
    for row, (log_evidence, marginals) in enumerate(lazy_propagation(number)):
        assert log_evidence != IMPOSSIBLE  # nothing in this network is certain enough
        assert posterior.log_evidence[row] == pytest.approx(log_evidence, abs=SAME)
        for name, probabilities in marginals.items():
            np.testing.assert_allclose(posterior[name][row], probabilities, rtol=0, atol=SAME)


def test_the_comparison_covers_a_hundred_and_fifty_cars_and_every_kind_of_evidence():
    """Every table of a context is in every row of it: a wrong one shows in each."""
    assert ROWS * len(CONTEXTS) >= 150
    for number in range(len(CONTEXTS)):
        evidence = evidence_of(number)
        assert sum((code >= 0).sum() for code in evidence.codes.values()) > 5 * ROWS
        assert sum((np.ptp(w, axis=1) > 0).sum() for w in evidence.soft.values()) > 2 * ROWS
        assert sum((~np.isnan(v)).sum() for v, _ in evidence.numbers.values()) > ROWS
        history = Knowledge().of_kind("history")
        assert any((evidence.codes[name] >= 0).any() for name in history)


def factors_of(network: Network, evidence: Evidence, row: int) -> tuple[list[Any], float]:
    """All tables that matter and the likelihoods of one row, as factors of one product."""
    discrete = discrete_variables(network)
    children, seen, scale = readings_of(network, evidence, row)
    known = known_of(discrete, evidence, row)
    used = [v for v in discrete if v.name in network.hidden or v.name in known]
    factors: list[Any] = [((*v.parents, v.name), v.table) for v in [*used, *children]]
    factors += [((name,), weight) for name, weight in [*known.items(), *seen.items()]]
    return factors, scale


@contexts
def test_fault_marginals_equal_a_contraction_of_all_tables(number):
    tree, evidence = tree_of(number), evidence_of(number)
    posterior, faults = asked(number), faults_of(number)
    for row in (0, 7, 14):
        factors, scale = factors_of(tree.network, evidence, row)
        total = float(contract(factors, []))
        assert posterior.log_evidence[row] == pytest.approx(np.log(total) + scale, abs=SAME)
        for name in faults[row % 3 :: 4]:
            expected = contract(factors, [name]) / total
            np.testing.assert_allclose(posterior[name][row], expected, rtol=0, atol=SAME)


@contexts
def test_the_probability_of_a_sound_car_equals_a_contraction(number):
    """All faults in their first state at once, which is not the product of their marginals."""
    network, evidence = tree_of(number).network, evidence_of(number)
    found = shipped().believe(CONTEXTS[number], evidence).p_sound
    for row in (1, 8, 15):
        factors, _ = factors_of(network, evidence, row)
        sound = [((name,), one_hot(len(network.states(name)), 0)) for name in faults_of(number)]
        expected = float(contract([*factors, *sound], [])) / float(contract(factors, []))
        assert found[row] == pytest.approx(expected, rel=1e-10, abs=1e-15)  # float, as above


@pytest.mark.parametrize("number", [2, 3, 4, 6], ids=lambda i: LABELS[i])
def test_fault_marginals_equal_pgmpys_variable_elimination(number):
    """Words and doubts; a reading enters as the seen child that pgmpy gets besides."""
    tree, evidence = tree_of(number), evidence_of(number)
    network, faults = tree.network, faults_of(number)
    posterior = asked(number)
    for row in range(1, 6):
        children, seen, _ = readings_of(network, evidence, row)
        observables = {**network.observables, **{child.name: child for child in children}}
        known = known_of(discrete_variables(network), evidence, row)
        gauges = {name: gauge for name, gauge in network.gauges.items() if name in known}
        model = pgmpy_model(Network(network.hidden, observables, gauges))
        theirs = ask_pgmpy(model, {**known, **seen}, faults[row % 4 :: 5])
        for name, probabilities in theirs.items():
            np.testing.assert_allclose(posterior[name][row], probabilities, rtol=0, atol=SAME)


@contexts
def test_the_exported_network_is_the_shipped_one(number):
    """Written as BIF and read again, bit for bit; a gauge as its words."""
    network = tree_of(number).network
    again, notes = read_bif(write_bif(network))
    assert notes == ()
    found = {v.name: v for v in discrete_variables(again)}
    for variable in discrete_variables(network):
        assert found[variable.name].states == variable.states
        assert found[variable.name].parents == variable.parents
        np.testing.assert_array_equal(found[variable.name].table, variable.table)


def maximum_of_causes(node: Graded, states: dict[str, str]) -> np.ndarray:
    """Distribution of the highest level that any cause or the leak produces, one by one."""
    levels = np.array(node.leak.p)
    for cause in node.causes:
        if states[cause.parent] not in cause.effects:
            continue
        alone = np.array(cause.effects[states[cause.parent]])
        for parent, factors in cause.weakened_by.items():
            factor = factors.get(states[parent], 1.0)
            alone = np.array([1 - factor * alone[1:].sum(), *(factor * alone[1:])])
        higher = np.zeros(len(node.states))
        for (i, p), (j, q) in itertools.product(enumerate(levels), enumerate(alone)):
            higher[max(i, j)] += p * q
        levels = higher
    return levels


@pytest.mark.parametrize("number", [2, 3, 4], ids=lambda i: LABELS[i])
def test_graded_tables_are_the_maximum_of_independent_causes(number):
    """Noisy-MAX with leak (Diez 1993), recomputed by convolution for up to 200 configurations."""
    context, network = CONTEXTS[number], tree_of(number).network
    rng = np.random.default_rng(3)
    met = 0
    for variable in [*network.hidden.values(), *network.observables.values()]:
        node = Knowledge().node(variable.name).in_context(context)
        # what is averaged over ages has no single table of causes
        if not isinstance(node, Graded) or not node.context_keys() <= context.keys():
            continue
        met += 1
        configurations = list(np.ndindex(*variable.table.shape[:-1]))
        for pick in rng.permutation(len(configurations))[:200]:
            index = configurations[pick]
            states = {
                parent: network.states(parent)[i]
                for parent, i in zip(variable.parents, index, strict=True)
            }
            expected = maximum_of_causes(node, states)
            np.testing.assert_allclose(variable.table[index], expected, rtol=0, atol=1e-12)
    assert met > 20


def owned(shape: Gauge, part: tuple[str, str], context: dict[str, str]) -> bool:
    """Whether readings.toml itself says how far a state of a parent moves a gauge."""
    parent, state = part
    blocks = (s for s in shape.shifts if s.parent == parent and matches(s.when, context))
    return state in getattr(next(blocks, None), "shift", {})


def shifted(shape: Gauge, states: dict[str, str], context: dict[str, str]) -> tuple[float, float]:
    """Mean and standard deviation of a gauge for one configuration, from the records alone."""
    for override in reversed(shape.overrides):
        if matches(override.when, states):
            return override.shift
    mean, variance = 0.0, shape.spread**2
    told: dict[tuple[str, str], tuple[float, float]] = {}
    for blocks in (shape.shifts, shape.tables.shifts if shape.tables else ()):
        for parent in {shift.parent for shift in blocks}:
            block = next(
                (s for s in blocks if s.parent == parent and matches(s.when, context)), None
            )
            if block is not None and states[parent] in block.shift:
                told.setdefault((parent, states[parent]), block.shift[states[parent]])
    for step, spread in told.values():
        mean, variance = mean + step, variance + spread**2
    mean += sum(
        pair.shift
        for pair in (shape.tables.together if shape.tables else ())
        if matches(pair.when, context) and matches(pair.states, states)
        and not any(owned(shape, part, context) for part in pair.states.items())
    )  # fmt: skip
    return mean, variance**0.5


@pytest.mark.parametrize("number", [2, 3, 4], ids=lambda i: LABELS[i])
def test_gauge_shifts_add_and_variances_add(number):
    context, network = CONTEXTS[number], tree_of(number).network
    for name, gauge in network.gauges.items():
        shape = Knowledge().gauges[name].in_context(context)
        for index in np.ndindex(*gauge.mean.shape):
            states = {
                parent: network.states(parent)[i]
                for parent, i in zip(gauge.parents, index, strict=True)
            }
            mean, spread = shifted(shape, states, context)
            assert gauge.mean[index] == pytest.approx(mean, abs=1e-12)
            assert gauge.spread[index] == pytest.approx(spread, abs=1e-12)


def only(gauge: GaugeNode) -> tuple[JunctionTree, list[str]]:
    """A gauge over evenly likely parents that have no parents of their own."""
    hidden = {
        parent: Discrete(parent, tuple(map(str, range(n))), (), np.full(n, 1 / n))
        for parent, n in zip(gauge.parents, gauge.mean.shape, strict=True)
    }
    return JunctionTree(Network(hidden, {}, {gauge.name: gauge})), list(hidden)


def test_a_word_is_the_integral_of_its_numbers():
    """Summing the density of readings over an interval gives the probability of the word."""
    network = tree_of(2).network
    for gauge in network.gauges.values():
        tree, parents = only(gauge)
        step = gauge.spread.min() / 40
        edge = gauge.cuts[0]
        # Far beyond the widest misreading; midpoints of the interval below the first cut.
        below = np.arange(edge - step / 2, edge - 9 * gauge.wide - 200, -step)
        doubt = Knowledge().gauges[gauge.name].word_doubt
        reading = {gauge.name: (below, np.full(len(below), doubt))}
        density = np.exp(tree.propagate(Evidence(len(below), {}, {}, reading)).log_evidence)
        word = tree.propagate(Evidence(1, {gauge.name: np.array([0])})).log_evidence[0]
        # Midpoint rule with a fortieth of a standard deviation: error below 1e-4 of the density.
        assert density.sum() * step == pytest.approx(np.exp(word), abs=1e-5), parents


def test_a_wild_reading_neither_breaks_nor_convinces():
    """A number no car can show is read as a misreading: posteriors stay near the prior.

    The misreading is one wide normal for all parent states, so far out it has all the weight.
    """
    tree = tree_of(2)
    names = [(name,) for name in tree.network.gauges["high_side"].parents]
    wide = tree.network.gauges["high_side"].wide
    prior = tree.propagate(Evidence(1), names)
    reading = {"high_side": (np.array([-30 * wide, 30 * wide]), np.zeros(2))}
    posterior = tree.propagate(Evidence(2, {}, {}, reading), names)
    assert np.isfinite(posterior.log_evidence).all()
    for (name,) in names:
        for row in range(2):
            np.testing.assert_allclose(posterior[name][row], prior[name][0], rtol=0, atol=1e-9)


def test_wild_readings_on_every_gauge_at_once_are_still_possible(route):
    """Products of many tiny densities must not reach zero in floating point."""
    tree = tree_of(2)
    far = {name: (np.array([25 * g.wide]), np.zeros(1)) for name, g in tree.network.gauges.items()}
    posterior = tree.propagate(Evidence(1, {}, {}, far), [("charge",)])
    assert np.isfinite(posterior.log_evidence[0])
    assert posterior["charge"].sum() == pytest.approx(1, abs=1e-12)


def test_a_hidden_state_confirmed_is_certain():
    tree = tree_of(2)
    for name, variable in tree.network.hidden.items():
        count = len(variable.states)
        batch = Evidence(count, {name: np.arange(count)})
        found = tree.propagate(batch, [(name,)])[name]
        expected = [one_hot(count, i) for i in range(count)]
        np.testing.assert_allclose(found, expected, rtol=0, atol=1e-14)  # a few roundings
