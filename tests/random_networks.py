"""Small networks drawn at random, with impossible configurations and a gauge, and evidence."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from loopodds.inference.network import Discrete, Evidence, GaugeNode, Network, discrete_variables

ROWS = 5


def random_network(rng: np.random.Generator) -> Network:
    """Variables in order, each with up to three earlier parents; some rows with zeros; a gauge."""
    names = [f"v{i}" for i in range(int(rng.integers(3, 9)))]
    variables: list[Discrete] = []
    for i, name in enumerate(names):
        count = int(rng.integers(0, min(i, 3) + 1))
        parents = tuple(names[j] for j in sorted(rng.choice(i, count, replace=False)))
        cards = [len(v.states) for v in variables if v.name in parents]
        states = ("a", "b", "c")[: int(rng.integers(2, 4))]
        table = rng.gamma(0.7, 1.0, (*cards, len(states))) + 1e-3
        table[rng.random(table.shape) < 0.1] = 0.0
        table[..., 0] += table.sum(axis=-1) == 0
        table /= table.sum(axis=-1, keepdims=True)
        variables.append(Discrete(name, states, parents, table))
    network = Network.of_tables(variables)
    chosen = list(network.hidden)[: int(rng.integers(1, 3))]
    cards = [len(network.states(name)) for name in chosen]
    gauge = GaugeNode(
        "gauge", ("low", "high"), tuple(chosen),
        rng.normal(0, 5, cards), rng.uniform(1, 4, cards), 0.03, 20.0, (1.0,),
    )  # fmt: skip
    return replace(network, gauges={"gauge": gauge})


def random_evidence(network: Network, rng: np.random.Generator, rows: int = ROWS) -> Evidence:
    """States, doubts, both at once, readings, and gaps."""
    codes, soft = {}, {}
    for variable in discrete_variables(network):
        count = len(variable.states)
        if variable.name == "gauge" and rng.random() < 0.5:
            continue
        if rng.random() < 0.4:
            seen = rng.integers(0, count, rows)
            codes[variable.name] = np.where(rng.random(rows) < 0.5, seen, -1)
        if rng.random() < 0.3:
            weight = rng.uniform(0, 1, (rows, count))
            soft[variable.name] = np.where(rng.random((rows, 1)) < 0.5, weight, 1.0)
    numbers = {}
    if "gauge" not in codes and "gauge" not in soft and rng.random() < 0.7:
        value = np.where(rng.random(rows) < 0.7, rng.normal(0, 8, rows), np.nan)
        numbers["gauge"] = value, rng.uniform(0, 3, rows)
    return Evidence(rows, codes, soft, numbers)
