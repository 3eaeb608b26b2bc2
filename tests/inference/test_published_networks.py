"""Published networks: the tree agrees with pyAgrum and pgmpy, and refuses what is too large.

The files are those installed with pgmpy; nothing of them is copied here. Chest clinic: Lauritzen &
Spiegelhalter 1988. Alarm: Beinlich, Suermondt, Chavez & Cooper 1989. Hailfinder: Abramson, Brown,
Edwards, Murphy & Winkler 1996. Hepar II: Onisko 2003. Win95pts: printing-fault network of the
bnlearn repository. Munin1: Andreassen, Jensen, Andersen, Falck, Kjaerulff, Woldbye, Sorensen,
Rosenfalck & Jensen 1989. Link: Jensen & Kong 1999.
"""

from __future__ import annotations

import gzip
import itertools
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
import pgmpy
import pytest
from loopodds.base.errors import TooLarge
from loopodds.exchange.bif import read_bif
from loopodds.exchange.libraries import pgmpy_model
from loopodds.inference.junction import JunctionTree
from loopodds.inference.network import Discrete, Evidence, Network, discrete_variables
from loopodds.inference.triangulation import plan_tree
from references import agrum, ask_agrum, ask_pgmpy, import_pyagrum, known_of, marginals, sample

FOLDER = Path(pgmpy.__file__).parent / "utils" / "example_models"
NAMES = ("asia", "alarm", "win95pts", "hepar2", "hailfinder")

# Float sums and products in another order: on these five networks marginals differ by at most
# 1e-15 and log evidence by at most 2e-14.
SAME = 1e-11
# pyAgrum's BIF reader keeps 32-bit floats (relative 6e-8 for each number).
SINGLE = 1e-7


@cache
def tree_of(name: str) -> JunctionTree:
    return JunctionTree(read_bif(FOLDER / f"{name}.bif.gz").network)


@cache
def agrum_of(name: str) -> Any:
    return agrum(variables_of(name))


def variables_of(name: str) -> list[Discrete]:
    return discrete_variables(tree_of(name).network)


def coded(draws: list[dict[str, int]], names: list[str]) -> dict[str, np.ndarray]:
    return {name: np.array([draw.get(name, -1) for draw in draws]) for name in names}


def all_leaves(network: Network, rng: np.random.Generator) -> Evidence:
    draws = [sample(discrete_variables(network), rng) for _ in range(8)]
    return Evidence(8, coded(draws, list(network.observables)))


def half_of(names: list[str], network: Network, rng: np.random.Generator) -> Evidence:
    draws = []
    for _ in range(8):
        draw = sample(discrete_variables(network), rng)
        draws.append({name: draw[name] for name in names if rng.random() < 0.5})
    return Evidence(8, coded(draws, names))


def half_the_leaves(network: Network, rng: np.random.Generator) -> Evidence:
    return half_of(list(network.observables), network, rng)


def hidden_and_leaves(network: Network, rng: np.random.Generator) -> Evidence:
    return half_of([*network.hidden, *network.observables], network, rng)


def doubts(network: Network, rng: np.random.Generator) -> Evidence:
    """Doubts on hidden variables and leaves, beside some states seen for certain."""
    seen = half_the_leaves(network, rng)
    soft = {
        name: rng.uniform(0.05, 1.0, (8, len(network.states(name))))
        for name in [*network.hidden, *network.observables]
        if rng.random() < 0.4
    }
    return seen.with_soft(soft)


SCHEMES = (all_leaves, half_the_leaves, hidden_and_leaves, doubts)


@pytest.mark.parametrize("scheme", SCHEMES, ids=lambda scheme: scheme.__name__)
@pytest.mark.parametrize("name", NAMES)
def test_every_marginal_and_the_log_evidence_equal_lazy_propagation(name, scheme):
    tree, variables = tree_of(name), variables_of(name)
    evidence = scheme(tree.network, np.random.default_rng(20))
    ours = marginals(tree, evidence)
    log_evidence = tree.propagate(evidence).log_evidence
    for row in range(evidence.rows):
        theirs = ask_agrum(agrum_of(name), known_of(variables, evidence, row), ours)
        assert log_evidence[row] == pytest.approx(theirs.log_evidence, abs=SAME)
        for variable, probabilities in theirs.marginals.items():
            np.testing.assert_allclose(ours[variable][row], probabilities, rtol=0, atol=SAME)


@pytest.mark.parametrize("name", NAMES)
def test_a_file_read_twice_gives_the_same_network_up_to_single_precision(name, tmp_path):
    plain = tmp_path / f"{name}.bif"
    plain.write_bytes(gzip.decompress((FOLDER / f"{name}.bif.gz").read_bytes()))
    theirs_net = import_pyagrum().loadBN(str(plain))
    tree, variables = tree_of(name), variables_of(name)
    evidence = half_the_leaves(tree.network, np.random.default_rng(21))
    ours = marginals(tree, evidence)
    for row in range(evidence.rows):
        theirs = ask_agrum(theirs_net, known_of(variables, evidence, row), ours)
        for variable, probabilities in theirs.marginals.items():
            states = theirs_net.variable(variable).labels()
            order = [states.index(state) for state in tree.network.states(variable)]
            np.testing.assert_allclose(
                ours[variable][row], probabilities[order], rtol=0, atol=SINGLE
            )


@pytest.mark.parametrize(("name", "rows"), [("asia", 4), ("alarm", 2), ("win95pts", 1)])
@pytest.mark.parametrize("scheme", [half_the_leaves, doubts], ids=lambda scheme: scheme.__name__)
def test_hidden_marginals_equal_variable_elimination(name, rows, scheme):
    tree, variables = tree_of(name), variables_of(name)
    model = pgmpy_model(tree.network)
    evidence = scheme(tree.network, np.random.default_rng(22)).take(slice(0, rows))
    posterior = tree.propagate(evidence, [(hidden,) for hidden in tree.network.hidden])
    targets = list(tree.network.hidden)[:: 1 if name == "asia" else 4]
    for row in range(rows):
        theirs = ask_pgmpy(model, known_of(variables, evidence, row), targets)
        for hidden, probabilities in theirs.items():
            np.testing.assert_allclose(posterior[hidden][row], probabilities, rtol=0, atol=SAME)


# Two engines, pgmpy's variable elimination and pyAgrum's lazy propagation, gave these digits in
# November 2026; they are printed to six places, hence the tolerance.
PRINTED = 6e-7


def given(name: str, states: dict[str, str]) -> Evidence:
    network = tree_of(name).network
    return Evidence(1, {key: np.array([network.states(key).index(s)]) for key, s in states.items()})


@pytest.mark.parametrize(
    ("name", "seen", "log_evidence", "expected"),
    [
        (
            "alarm",
            {"BP": "LOW", "CVP": "HIGH", "HRBP": "HIGH"},
            -2.845917,
            {
                ("HYPOVOLEMIA", "TRUE"): 0.837691,
                ("LVFAILURE", "TRUE"): 0.007914,
                ("INSUFFANESTH", "TRUE"): 0.100453,
            },
        ),
        (
            "win95pts",
            {"Problem1": "No_Output"},
            -0.849927,
            {
                ("FllCrrptdBffr", "Full_or_Corrupt"): 0.277974,
                ("PTROFFLINE", "Offline"): 0.338604,
                ("PrtOn", "No"): 0.184208,
                ("PrtDriver", "No"): 0.166820,
            },
        ),
        ("win95pts", {}, 0.0, {("PTROFFLINE", "Offline"): 0.30, ("PrtOn", "No"): 0.10}),
        ("hepar2", {"alcohol": "present"}, None, {("Steatosis", "present"): 0.131183}),
        ("hepar2", {}, 0.0, {("Steatosis", "present"): 0.095852}),
    ],
)
def test_known_posteriors_of_larger_networks(name, seen, log_evidence, expected):
    tree = tree_of(name)
    evidence = given(name, seen)
    found = marginals(tree, evidence)
    if log_evidence is not None:
        assert tree.propagate(evidence).log_evidence[0] == pytest.approx(log_evidence, abs=PRINTED)
    for (variable, state), probability in expected.items():
        index = tree.network.states(variable).index(state)
        assert found[variable][0, index] == pytest.approx(probability, abs=PRINTED)


def scopes_of(name: str) -> tuple[list[tuple[str, ...]], dict[str, int]]:
    variables = discrete_variables(read_bif(FOLDER / f"{name}.bif.gz").network)
    cards = {variable.name: len(variable.states) for variable in variables}
    return [(*variable.parents, variable.name) for variable in variables], cards


@pytest.mark.parametrize("name", [*NAMES, "insurance", "water", "pigs"])
def test_every_family_meets_in_a_clique_and_cliques_run_together(name):
    scopes, cards = scopes_of(name)
    plan = plan_tree(scopes, cards)
    cliques = [set(clique) for clique in plan.cliques]
    assert all(any(set(scope) <= clique for clique in cliques) for scope in scopes)
    # Running intersection: the cliques that hold a variable form a connected piece, so exactly
    # one of them does not share it with its parent.
    for variable in cards:
        tops = [
            i
            for i, clique in enumerate(cliques)
            if variable in clique
            and (plan.parents[i] < 0 or variable not in cliques[plan.parents[i]])
        ]
        assert len(tops) == 1
    for clique, parent, separator in zip(cliques, plan.parents, plan.separators, strict=True):
        assert set(separator) == (clique & cliques[parent] if parent >= 0 else set())


def grid(*sides: int) -> tuple[list[tuple[str, ...]], dict[str, int]]:
    """Neighbours of a lattice of variables of two states."""
    places = list(itertools.product(*map(range, sides)))
    names = {place: "x" + "_".join(map(str, place)) for place in places}
    steps = [tuple(int(i == axis) for i in range(len(sides))) for axis in range(len(sides))]
    scopes = [
        (names[place], names[after])
        for place in places
        for step in steps
        if (after := tuple(a + b for a, b in zip(place, step, strict=True))) in names
    ]
    return scopes, dict.fromkeys(names.values(), 2)


def test_a_network_too_large_for_memory_is_refused_with_an_estimate():
    expected = (
        r"^exact inference needs 2\^\d+\.\d configurations "
        r"\([\d.e+]+ GiB a row\); the limit is 2\^27$"
    )
    with pytest.raises(TooLarge, match=expected):
        plan_tree(*grid(5, 5, 6))


def test_what_one_order_makes_too_large_another_lets_in():
    """Fewest missing arcs alone makes 2**26.8 configurations of the grid, 2**27.5 of munin1."""
    assert plan_tree(*grid(18, 18)).space < 2**25.5
    assert plan_tree(*scopes_of("munin1")).space < 2**27


def test_whether_a_network_is_small_is_answered_without_a_search():
    scopes, cards = scopes_of("alarm")
    assert plan_tree(scopes, cards, searched=False) == plan_tree(scopes, cards)
    assert plan_tree(*grid(18, 18), searched=False).space > 2**26


def test_the_genetic_linkage_network_just_fits():
    """Elimination by fewest missing arcs alone makes a clique of 2**30 of it."""
    scopes, cards = scopes_of("link")
    assert plan_tree(scopes, cards).space < 2**26
