"""Worked examples of the literature, reproduced to the digits their tables allow."""

from __future__ import annotations

import itertools
import tomllib
from collections.abc import Mapping, Sequence
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from loopodds.base.errors import KnowledgeError
from loopodds.exchange.bif import read_bif
from loopodds.inference.junction import JunctionTree
from loopodds.inference.network import Discrete, Evidence, Network, discrete_variables
from loopodds.knowledge.assembly import table_array
from loopodds.knowledge.nodes import parents_of, read_node
from references import enumerate_joint, known_of, marginals, with_codes

ORACLES = Path(__file__).parents[1] / "oracles"

# Two sums of the same few hundred products in another order.
FLOAT = 1e-12


def table_of(name: str) -> dict[str, Any]:
    return tomllib.loads((ORACLES / f"{name}.toml").read_text(encoding="utf-8"))


@cache
def tree_of(name: str) -> JunctionTree:
    return JunctionTree(read_bif(ORACLES / f"{name}.bif").network)


def evidence_of(
    tree: JunctionTree,
    given: Mapping[str, str],
    likelihood: Mapping[str, Sequence[float]] | None = None,
) -> Evidence:
    codes = {name: np.array([tree.network.states(name).index(s)]) for name, s in given.items()}
    soft = {name: np.array([weights]) for name, weights in (likelihood or {}).items()}
    return Evidence(1, codes, soft)


def log_evidence(tree: JunctionTree, given: Mapping[str, str]) -> float:
    return float(tree.propagate(evidence_of(tree, given)).log_evidence[0])


def probability(tree: JunctionTree, evidence: Evidence, event: str) -> float:
    name, state = event.split(".")
    return float(marginals(tree, evidence)[name][0, tree.network.states(name).index(state)])


POSTERIORS = table_of("posteriors")["case"]


@pytest.mark.parametrize("case", POSTERIORS, ids=lambda c: f"{c['network']}: {c['claim']}")
def test_posteriors_of_published_examples(case):
    tree = tree_of(case["network"])
    evidence = evidence_of(tree, case.get("given", {}), case.get("likelihood"))
    for event, expected in case["probability"].items():
        assert probability(tree, evidence, event) == pytest.approx(expected, abs=case["tolerance"])
    for event, (printed, rounding) in case.get("published", {}).items():
        assert probability(tree, evidence, event) == pytest.approx(printed, abs=rounding)
    if "evidence" in case:
        found = np.exp(tree.propagate(evidence).log_evidence[0])
        assert found == pytest.approx(case["evidence"], rel=1e-9)  # ten printed digits


@pytest.mark.parametrize("case", POSTERIORS, ids=lambda c: f"{c['network']}: {c['claim']}")
def test_the_same_examples_by_enumeration_of_the_joint(case):
    tree = tree_of(case["network"])
    variables = discrete_variables(tree.network)
    evidence = evidence_of(tree, case.get("given", {}), case.get("likelihood"))
    truth = enumerate_joint(variables, known_of(variables, evidence, 0))
    assert tree.propagate(evidence).log_evidence[0] == pytest.approx(truth.log_evidence, abs=FLOAT)
    for name, found in marginals(tree, evidence).items():
        np.testing.assert_allclose(found[0], truth.marginals[name], rtol=0, atol=FLOAT)


def test_joint_of_three_causes_in_the_chest_clinic():
    """P(tub, lung, bronc | asia, dysp), ten digits, Lauritzen & Spiegelhalter 1988's network."""
    expected = (
        0.0031490378, 0.0018272195, 0.0418372164, 0.0409374913,
        0.0598317181, 0.0347171698, 0.7065840993, 0.1111160479,
    )  # fmt: skip
    tree = tree_of("chest_clinic")
    seen = {"asia": "yes", "dysp": "yes"}
    total = log_evidence(tree, seen)
    for states, value in zip(itertools.product(("yes", "no"), repeat=3), expected, strict=True):
        joint = dict(zip(("tub", "lung", "bronc"), states, strict=True))
        found = np.exp(log_evidence(tree, {**seen, **joint}) - total)
        assert found == pytest.approx(value, abs=5.1e-11)


def test_both_neighbours_call_during_a_burglary():
    """P(john, mary | burglary) of the burglary network (Pearl 1988)."""
    tree = tree_of("burglary")
    both = log_evidence(tree, {"burglary": "yes", "john": "yes", "mary": "yes"})
    found = np.exp(both - log_evidence(tree, {"burglary": "yes"}))
    assert found == pytest.approx(0.59224259, abs=5.1e-9)


def jeffrey(tree: JunctionTree, name: str, final: Sequence[float]) -> Evidence:
    """Likelihoods that move a marginal to given final probabilities (Chan & Darwiche 2005)."""
    prior = marginals(tree, Evidence(1))[name][0]
    return evidence_of(tree, {}, {name: np.array(final) / prior})


@pytest.mark.parametrize(
    ("network", "name", "final", "event", "expected", "tolerance"),
    [
        ("chest_clinic", "xray", (0.8, 0.2), "lung.yes", 0.3912163926, 5.1e-11),
        ("hearsay", "alarm", (0.8, 0.2), "burglary.yes", 0.0075302355, 5.1e-11),
        ("candlelight", "colour", (0.7, 0.25, 0.05), "sold.yes", 0.42, FLOAT),
    ],
)
def test_all_things_considered(network, name, final, event, expected, tolerance):
    """Jeffrey's rule: the stated probability is where the variable ends up, not a likelihood."""
    tree = tree_of(network)
    evidence = jeffrey(tree, name, final)
    np.testing.assert_allclose(marginals(tree, evidence)[name][0], final, rtol=0, atol=FLOAT)
    assert probability(tree, evidence, event) == pytest.approx(expected, abs=tolerance)


def test_the_two_readings_of_hearsay_differ_by_twenty():
    """Pearl 1988: 4:1 for an alarm is not the same as being 80 % sure of it."""
    tree = tree_of("hearsay")
    considered = probability(tree, jeffrey(tree, "alarm", (0.8, 0.2)), "burglary.yes")
    alone = probability(tree, evidence_of(tree, {}, {"alarm": [4.0, 1.0]}), "burglary.yes")
    assert considered / alone == pytest.approx(20.15, abs=0.01)  # 0.0075302355 / 3.73684e-4


def test_cloth_by_candlelight_in_full():
    """Jeffrey 1965: joint of colour and sale after the look by candlelight."""
    tree = tree_of("candlelight")
    prior = marginals(tree, Evidence(1))
    assert prior["sold"][0, 0] == pytest.approx(0.56, abs=FLOAT)
    evidence = jeffrey(tree, "colour", (0.7, 0.25, 0.05))
    total = tree.propagate(evidence).log_evidence[0]
    expected = {"green": (0.28, 0.42), "blue": (0.10, 0.15), "violet": (0.04, 0.01)}
    for i, (colour, row) in enumerate(expected.items()):
        for sold, value in enumerate(row):
            seen = with_codes(evidence, {"sold": np.array([sold])})
            here = np.zeros((1, 3))
            here[0, i] = 1.0
            found = np.exp(tree.propagate(seen.with_soft({"colour": here})).log_evidence[0] - total)
            assert found == pytest.approx(value, abs=FLOAT), colour


def graded(
    name: str,
    states: Sequence[str],
    leak: Sequence[float],
    causes: Mapping[str, Mapping[str, Sequence[float]]],
    parent_states: Mapping[str, tuple[str, ...]],
) -> Discrete:
    """A noisy-MAX node as the knowledge files state it, turned into an array."""
    entry = {
        "distribution": "graded",
        "convention": "net",
        "states": list(states),
        "leak": {"p": [float(x) for x in leak]},
        "causes": [
            {"parent": parent, "effects": {s: [float(x) for x in p] for s, p in effects.items()}}
            for parent, effects in causes.items()
        ],
        "source": "literature",
        "grade": "handbook",
        "weight": 1,
    }
    node = read_node(name, "finding", entry, "literature.toml")
    return Discrete(name, node.states, parents_of(node), table_array(node, parent_states))


def yes_no(*names: str) -> dict[str, tuple[str, ...]]:
    return dict.fromkeys(names, ("no", "yes"))


def test_fever_table():
    """Noisy-OR without leak: cold, flu, malaria (Russell & Norvig, chapter 14)."""
    alone = {"cold": 0.4, "flu": 0.8, "malaria": 0.9}
    causes = {parent: {"yes": (1 - p, p)} for parent, p in alone.items()}
    fever = graded("fever", ("no", "yes"), (1, 0), causes, yes_no(*alone))
    expected = {
        (0, 0, 0): 0.0, (0, 0, 1): 0.9, (0, 1, 0): 0.8, (0, 1, 1): 0.98,
        (1, 0, 0): 0.4, (1, 0, 1): 0.94, (1, 1, 0): 0.88, (1, 1, 1): 0.988,
    }  # fmt: skip
    assert fever.parents == ("cold", "flu", "malaria")
    for configuration, value in expected.items():
        assert fever.table[configuration][1] == pytest.approx(value, abs=FLOAT)


def leaky(first: float, second: float) -> Discrete:
    causes = {"a": {"yes": (1 - first, first)}, "b": {"yes": (1 - second, second)}}
    return graded("effect", ("no", "yes"), (0.9, 0.1), causes, yes_no("a", "b"))


def test_leak_in_the_net_convention():
    """Leak .1, causes .8 and .6 with the leak shut off (Diez 1993)."""
    table = leaky(0.8, 0.6).table[..., 1]
    np.testing.assert_allclose(table, [[0.1, 0.64], [0.82, 0.928]], rtol=0, atol=FLOAT)


def test_leak_in_the_compound_convention_after_conversion():
    """Henrion 1989 asks with the leak still acting; p_net = (p - leak) / (1 - leak) converts."""
    table = leaky(*((p - 0.1) / 0.9 for p in (0.8, 0.6))).table[..., 1]
    expected = [[0.1, 0.6], [0.8, 0.9111111111111111]]
    np.testing.assert_allclose(table, expected, rtol=0, atol=FLOAT)


def test_a_file_that_asks_with_the_leak_acting_is_refused():
    entry = {
        "distribution": "graded", "convention": "compound", "states": ["no", "yes"],
        "leak": {"p": [0.9, 0.1]}, "causes": [],
        "source": "literature", "grade": "handbook", "weight": 1,
    }  # fmt: skip
    with pytest.raises(KnowledgeError) as caught:
        read_node("effect", "finding", entry, "literature.toml")
    said = "literature.toml: effect.convention: unknown word 'compound'; known: net"
    assert str(caught.value) == said


def test_three_levels_of_effect():
    """Noisy-MAX with leak (Diez 1993); cumulative products worked by hand."""
    causes = {
        "a": {"yes": (0.3, 0.4, 0.3)},
        "b": {"some": (0.5, 0.3, 0.2), "much": (0.1, 0.3, 0.6)},
    }
    states = {"a": ("no", "yes"), "b": ("no", "some", "much")}
    effect = graded("effect", ("none", "light", "heavy"), (0.9, 0.07, 0.03), causes, states)
    expected = [
        [[0.9, 0.07, 0.03], [0.45, 0.326, 0.224], [0.09, 0.298, 0.612]],
        [[0.27, 0.409, 0.321], [0.135, 0.4082, 0.4568], [0.027, 0.2446, 0.7284]],
    ]
    np.testing.assert_allclose(effect.table, expected, rtol=0, atol=FLOAT)


def noisy_or_network(prior: Sequence[float], leak: Sequence[float], alone: Any) -> JunctionTree:
    """Independent faults, each finding a leaky noisy-OR of all of them."""
    names = [f"d{i}" for i in range(1, len(prior) + 1)]
    faults = [
        Discrete(name, ("no", "yes"), (), np.array([1 - p, p]))
        for name, p in zip(names, prior, strict=True)
    ]
    findings = [
        graded(
            f"f{j + 1}",
            ("absent", "present"),
            (1 - leak[j], leak[j]),
            {name: {"yes": (1 - w[j], w[j])} for name, w in zip(names, alone, strict=True)},
            yes_no(*names),
        )
        for j in range(len(leak))
    ]
    return JunctionTree(Network.of_tables([*faults, *findings]))


MANY = table_of("many_faults")


@pytest.mark.parametrize("case", MANY["case"], ids=lambda c: " ".join(c["seen"].values()))
def test_four_faults_that_share_four_findings(case):
    tree = noisy_or_network(MANY["prior"], MANY["leak"], MANY["alone"])
    posterior = tree.propagate(evidence_of(tree, case["seen"]), [(n,) for n in tree.network.hidden])
    found = [posterior[f"d{i}"][0, 1] for i in range(1, 5)]
    np.testing.assert_allclose(found, case["posterior"], rtol=0, atol=MANY["tolerance"])
    # Nine or more printed digits of P(evidence).
    assert np.exp(posterior.log_evidence[0]) == pytest.approx(case["evidence"], abs=5.1e-12)


def quickscore(
    prior: Any, leak: Any, alone: Any, present: Sequence[int], absent: Sequence[int]
) -> float:
    """P(findings) by inclusion and exclusion over the present ones (Heckerman 1989)."""
    total = 0.0
    for size in range(len(present) + 1):
        for chosen in itertools.combinations(present, size):
            off = [*chosen, *absent]
            quiet = np.prod(1 - leak[off]) * np.prod(
                1 - prior + prior * np.prod(1 - alone[:, off], axis=1)
            )
            total += (-1) ** size * quiet
    return total


@pytest.mark.parametrize("seed", range(4))
def test_eight_faults_equal_inclusion_and_exclusion(seed):
    """Alternating signs cancel: with six findings present about 1e-10 of P(evidence) is left."""
    rng = np.random.default_rng(seed)
    prior, leak = rng.uniform(0.01, 0.1, 8), rng.uniform(0.01, 0.05, 10)
    alone = rng.uniform(0, 0.9, (8, 10)) * (rng.random((8, 10)) < 0.4)
    tree = noisy_or_network(prior, leak, alone)
    seen = {f"f{j + 1}": "present" if j < 6 else "absent" for j in range(9)}
    truth = quickscore(prior, leak, alone, range(6), range(6, 9))
    assert np.exp(log_evidence(tree, seen)) == pytest.approx(truth, rel=1e-8)
    for i in range(8):
        certain = prior.copy()
        certain[i] = 1.0
        share = prior[i] * quickscore(certain, leak, alone, range(6), range(6, 9)) / truth
        evidence = evidence_of(tree, seen)
        found = tree.propagate(evidence, [(f"d{i + 1}",)])[f"d{i + 1}"][0, 1]
        assert found == pytest.approx(share, rel=1e-7)
