"""What must hold of exact inference on any network, tried on random small ones.

Networks have up to eight discrete variables of two or three states, some impossible
configurations, and a gauge; the whole joint as one array is the truth.
"""

from __future__ import annotations

import sys
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from loopodds.base.errors import LoopoddsError, UnknownName
from loopodds.diagnosis.model import smallest_impossible
from loopodds.inference import junction
from loopodds.inference.junction import JunctionTree
from loopodds.inference.network import Discrete, Evidence, Network, discrete_variables
from random_networks import random_evidence, random_network
from references import (
    contract,
    enumerate_joint,
    known_of,
    marginals,
    one_hot,
    readings_of,
    with_codes,
)

# Other order of the same float products and sums.
FLOAT = 1e-12
seeds = st.integers(0, 10**6)
often = settings(max_examples=60, deadline=None, derandomize=True)


@pytest.fixture(params=["arrays", "compiled"], autouse=True, scope="module")
def route(request):
    """Both ways through the tree: numpy arrays, and the compiled loops used for large batches."""
    with pytest.MonkeyPatch.context() as patch:
        if request.param == "arrays":
            patch.setattr(junction, "COMPILED_FROM", sys.maxsize)
        else:
            patch.setattr(junction, "COMPILED_FROM", 0)
        yield request.param


def everything(tree: JunctionTree, evidence: Evidence) -> np.ndarray:
    """Log evidence and all hidden marginals side by side, shape (rows, 1 + states)."""
    posterior = tree.propagate(evidence, [(name,) for name in tree.network.hidden])
    log_evidence = posterior.log_evidence[:, None]
    return np.hstack([log_evidence, *(posterior[name] for name in tree.network.hidden)])


def problem(seed: int) -> tuple[np.random.Generator, JunctionTree, Evidence]:
    rng = np.random.default_rng(seed)
    network = random_network(rng)
    return rng, JunctionTree(network), random_evidence(network, rng)


def assert_close(one: np.ndarray, other: np.ndarray) -> None:
    np.testing.assert_allclose(one, other, rtol=FLOAT, atol=FLOAT)


@often
@given(seeds)
def test_marginals_and_log_evidence_equal_the_whole_joint(seed):
    _, tree, evidence = problem(seed)
    network = tree.network
    discrete = discrete_variables(network)
    found = marginals(tree, evidence)
    log_evidence = tree.propagate(evidence).log_evidence
    for row in range(evidence.rows):
        extra, seen, scale = readings_of(network, evidence, row)
        known = {**known_of(discrete, evidence, row), **seen}
        truth = enumerate_joint([*discrete, *extra], known)
        assert log_evidence[row] == pytest.approx(truth.log_evidence + scale, abs=FLOAT)
        for name in found:
            expected = truth.marginals.get(name, np.zeros(len(network.states(name))))
            assert_close(found[name][row], expected)


@often
@given(seeds)
def test_two_independent_references_agree_with_each_other(seed):
    """Enumeration and tensor contraction, so that neither is trusted alone."""
    _, tree, evidence = problem(seed)
    discrete = discrete_variables(tree.network)
    known = known_of(discrete, evidence, 0)
    factors = [((*v.parents, v.name), v.table) for v in discrete]
    factors += [((name,), weight) for name, weight in known.items()]
    truth = enumerate_joint(discrete, known)
    with np.errstate(divide="ignore"):
        assert np.log(contract(factors, [])) == pytest.approx(truth.log_evidence, abs=FLOAT)


@often
@given(seeds)
def test_the_order_in_which_things_were_seen_does_not_matter(seed):
    rng, tree, evidence = problem(seed)
    shuffled = Evidence(
        evidence.rows,
        {n: evidence.codes[n] for n in rng.permutation(list(evidence.codes))},
        {n: evidence.soft[n] for n in rng.permutation(list(evidence.soft))},
        evidence.numbers,
    )
    assert_close(everything(tree, evidence), everything(tree, shuffled))


@often
@given(seeds)
def test_knowing_nothing_changes_nothing(seed):
    """Rows of ones, gaps and readings not taken are the same as silence."""
    _, tree, evidence = problem(seed)
    network, rows = tree.network, evidence.rows
    silent = {n: np.ones((rows, len(network.states(n)))) for n in network.hidden}
    gaps = {n: np.full(rows, -1) for n in network.observables if n not in evidence.codes}
    blank = {"gauge": (np.full(rows, np.nan), np.zeros(rows))}
    padded = evidence.with_soft(silent)
    padded = replace(
        padded, codes={**evidence.codes, **gaps}, numbers={**blank, **evidence.numbers}
    )
    assert_close(everything(tree, evidence), everything(tree, padded))


@often
@given(seeds, st.floats(1e-6, 1e6))
def test_only_the_ratio_of_likelihoods_counts(seed, factor):
    """Posteriors stay; the log evidence moves by the log of the factor."""
    _, tree, evidence = problem(seed)
    scaled = replace(evidence, soft={n: w * factor for n, w in evidence.soft.items()})
    before, after = everything(tree, evidence), everything(tree, scaled)
    assert_close(before[:, 1:], after[:, 1:])
    for row in range(evidence.rows):
        times = len(evidence.soft)
        if np.isfinite(before[row, 0]):
            assert after[row, 0] - before[row, 0] == pytest.approx(
                times * np.log(factor), abs=1e-11
            )


@often
@given(seeds)
def test_marginals_sum_to_one_and_joints_to_their_marginals(seed):
    _, tree, evidence = problem(seed)
    families = [(*v.parents, name) for name, v in tree.network.hidden.items()]
    single = [(name,) for name in tree.network.hidden]
    posterior = tree.propagate(evidence, [*single, *families])
    possible = np.isfinite(posterior.log_evidence)
    for family in families:
        joint = posterior[family]
        for axis, name in enumerate(family, start=1):
            others = tuple(i for i in range(1, joint.ndim) if i != axis)
            assert_close(joint.sum(axis=others), posterior[name])
            assert_close(posterior[name].sum(axis=1), possible.astype(float))


@often
@given(seeds)
def test_a_row_does_not_depend_on_its_neighbours(seed):
    rng, tree, _ = problem(seed)
    evidence = random_evidence(tree.network, rng, 2 * junction.BLOCK + 3)
    batch = everything(tree, evidence)
    for row in rng.choice(evidence.rows, 5, replace=False):
        alone = everything(tree, evidence.take(slice(row, row + 1)))
        assert_close(batch[row], alone[0])


@often
@given(seeds)
def test_a_finding_never_looked_at_changes_nothing(seed):
    _, tree, evidence = problem(seed)
    network = tree.network
    seen = set(evidence.names()).union(*(evidence.names(r) for r in range(evidence.rows)))
    looked_at = {n: v for n, v in network.observables.items() if n in seen}
    gauges = {n: g for n, g in network.gauges.items() if n in seen}
    less = JunctionTree(replace(network, observables=looked_at, gauges=gauges))
    kept = evidence.only([*network.hidden, *looked_at, *gauges])
    assert_close(everything(tree, evidence), everything(less, kept))


@often
@given(seeds)
def test_given_its_parents_a_variable_ignores_what_does_not_follow_from_it(seed):
    """The Markov property that defines a Bayesian network (Pearl 1988)."""
    rng, tree, _ = problem(seed)
    network = tree.network
    variables = {v.name: v for v in [*network.hidden.values(), *network.observables.values()]}
    name = str(rng.choice(list(network.hidden)))
    after = {name}
    for other in variables.values():  # parents come first
        if after & set(other.parents):
            after.add(other.name)
    codes = {n: rng.integers(0, len(v.states), 1) for n, v in variables.items() if n not in after}
    posterior = tree.propagate(Evidence(1, codes), [(name,)])
    if np.isfinite(posterior.log_evidence[0]):
        row = network.hidden[name].table[tuple(int(codes[p][0]) for p in variables[name].parents)]
        assert_close(posterior[name][0], row)


@often
@given(seeds)
def test_fixing_hidden_variables_is_the_same_as_seeing_them(seed):
    rng, tree, evidence = problem(seed)
    hidden = list(tree.network.hidden)
    names = rng.permutation(hidden)[: min(2, len(hidden) - 1)]
    fixed = {str(n): int(rng.integers(len(tree.network.states(n)))) for n in names}
    smaller, constant = tree.network.given(fixed)
    rest = evidence.without(fixed)
    seen = with_codes(rest, {n: np.full(rest.rows, s) for n, s in fixed.items()})
    found = JunctionTree(smaller).propagate(rest).log_evidence + constant
    np.testing.assert_allclose(found, tree.propagate(seen).log_evidence, rtol=0, atol=FLOAT)


@often
@given(seeds)
def test_an_observation_multiplies_by_its_own_probability(seed):
    """Chain rule: P(e, x) = P(e) P(x | e) for every state of every hidden variable."""
    _, tree, evidence = problem(seed)
    for name in tree.network.hidden:
        before = evidence.without([name])
        posterior = tree.propagate(before, [(name,)])
        for state in range(len(tree.network.states(name))):
            after = with_codes(before, {name: np.full(before.rows, state)})
            with np.errstate(divide="ignore"):
                expected = posterior.log_evidence + np.log(posterior[name][:, state])
            found = tree.propagate(after).log_evidence
            np.testing.assert_allclose(found, expected, rtol=0, atol=1e-11)


def parity(bits: int) -> Network:
    """Fair coins, their parity, and many unrelated coins with a copy each."""
    coins = [f"coin{i}" for i in range(bits)]
    fair = np.array([0.5, 0.5])
    table = np.zeros((2,) * (bits + 1))
    for index in np.ndindex(*(2,) * bits):
        table[(*index, sum(index) % 2)] = 1.0
    variables = [Discrete(c, ("0", "1"), (), fair) for c in coins]
    variables.append(Discrete("parity", ("0", "1"), tuple(coins), table))
    for i in range(20):
        variables.append(Discrete(f"other{i}", ("0", "1"), (), fair))
        variables.append(Discrete(f"copy{i}", ("0", "1"), (f"other{i}",), np.eye(2) * 0.8 + 0.1))
    return Network.of_tables(variables)


@pytest.mark.parametrize("bits", [1, 2, 3, 4])
def test_the_smallest_set_that_cannot_hold_together_is_named(bits):
    """Coins that all show 0 have parity 0; any part of them with parity 1 is possible.

    With forty things seen, sets of five are too many to try and names are dropped one by one.
    """
    network = parity(bits)
    seen = {name: np.array([0]) for name in [*network.hidden, *network.observables]}
    seen["parity"] = np.array([1])
    tree = JunctionTree(network)
    evidence = Evidence(1, seen)
    assert np.isneginf(tree.propagate(evidence).log_evidence[0])
    expected = {f"coin{i}" for i in range(bits)} | {"parity"}
    assert set(smallest_impossible(tree, evidence)) == expected


def test_a_finding_impossible_by_itself_is_named_alone():
    certain = Discrete("fault", ("absent", "present"), (), np.array([0.6, 0.4]))
    never = Discrete("mark", ("no", "yes"), ("fault",), np.array([[1.0, 0.0], [1.0, 0.0]]))
    other = Discrete("sound", ("no", "yes"), ("fault",), np.array([[0.5, 0.5], [0.1, 0.9]]))
    tree = JunctionTree(Network.of_tables([certain, never, other]))
    evidence = Evidence(1, {"sound": np.array([1])}, {"mark": np.array([[0.0, 0.7]])})
    assert smallest_impossible(tree, evidence) == ("mark",)


def test_impossible_rows_have_zero_joints_and_leave_the_others_alone():
    """No NaN leaves the engine, and an impossible car does not spoil the batch."""
    tree = JunctionTree(parity(2))
    codes = {"coin0": np.array([0, 0]), "coin1": np.array([0, 0]), "parity": np.array([1, 0])}
    posterior = tree.propagate(Evidence(2, codes), [("other0",)])
    assert np.isneginf(posterior.log_evidence[0])
    assert posterior.log_evidence[1] == pytest.approx(np.log(0.25), abs=FLOAT)
    np.testing.assert_array_equal(posterior["other0"], [[0.0, 0.0], [0.5, 0.5]])


def test_a_state_and_a_doubt_about_one_finding_are_not_two_findings():
    """Seen for certain, a doubt about the same look only scales the evidence."""
    tree = JunctionTree(parity(1))
    seen = {"copy0": np.array([1])}
    doubt = {"copy0": np.array([[0.3, 0.6]])}
    plain = tree.propagate(Evidence(1, seen), [("other0",)])
    both = tree.propagate(Evidence(1, seen, doubt), [("other0",)])
    assert_close(plain["other0"], both["other0"])
    assert both.log_evidence[0] - plain.log_evidence[0] == pytest.approx(np.log(0.6), abs=FLOAT)


def test_unknown_names_and_scattered_queries_are_refused():
    tree = JunctionTree(parity(2))
    with pytest.raises(UnknownName) as unknown:
        tree.propagate(Evidence(1, {"parrity": np.array([0])}))
    assert str(unknown.value) == "unknown variable 'parrity'; did you mean 'parity'?"
    with pytest.raises(LoopoddsError) as scattered:
        tree.propagate(Evidence(1), [("other0", "other1")])
    assert str(scattered.value) == "no clique holds other0, other1 together"


def test_the_one_hot_vector_of_a_state_is_that_state():
    tree = JunctionTree(parity(2))
    hard = everything(tree, Evidence(1, {"parity": np.array([1])}))
    soft = everything(tree, Evidence(1, {}, {"parity": one_hot(2, 1)[None]}))
    assert_close(hard, soft)


@often
@given(seeds)
def test_what_does_not_bear_on_the_evidence_may_be_left_out(seed):
    """Barren variables (Shachter 1986): the rest says the same of what is asked."""
    rng, tree, evidence = problem(seed)
    network = tree.network
    asked = list(network.hidden)[: int(rng.integers(1, len(network.hidden) + 1))]
    told = {*evidence.names_held, *evidence.implied}
    part = network.relevant([*asked, *told])
    assert part.holds([*asked, *told])
    queries = [(name,) for name in asked]
    whole, rest = tree.propagate(evidence, queries), JunctionTree(part).propagate(evidence, queries)
    assert_close(rest.log_evidence, whole.log_evidence)
    for query in queries:
        assert_close(rest[query], whole[query])
