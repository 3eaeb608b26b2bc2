"""Coverage of the intervals: truths drawn from the stated weights, and how often 90 % hold them.

For the shipped network and two published ones out of pgmpy's wheel (chest clinic, alarm; every row
worth ten cars). A class of queries is a condition, or a state of a published variable.

    python tests/benchmarks/intervals.py --draws 400
"""

from __future__ import annotations

import argparse
import json
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import NamedTuple

import numpy as np
import pgmpy
from loopodds.base.arrays import FloatArray
from loopodds.diagnosis.belief import Belief
from loopodds.diagnosis.model import Model
from loopodds.diagnosis.simulation import hide_at_random, simulate
from loopodds.doubt.beta import beta_interval
from loopodds.doubt.intervals import doubts
from loopodds.doubt.numbers import Numbers, numbers_of, with_numbers
from loopodds.exchange.bif import read_bif
from loopodds.inference.junction import JunctionTree
from loopodds.inference.network import Discrete, Evidence, Network, discrete_variables
from loopodds.inference.slopes import slopes
from loopodds.knowledge.records import SOUND, Knowledge
from loopodds.knowledge.shapes import Grounds

FOLDER = Path(pgmpy.__file__).parent / "utils" / "example_models"
CONTEXT = {"expansion": "TXV", "compressor": "fixed", "weather": "warm", "age": "to_10_years"}
OPEN = 0.01
"""Posteriors nearer to zero or one than this are no queries: nothing is open there."""


class Coverage(NamedTuple):
    """Share of truths within the interval: of all, and by class of queries."""

    network: str
    draws: int
    queries: int
    mean: float
    worst: float
    worst_class: str
    classes: dict[str, float]


def shipped(draws: int, cars: int, rng: np.random.Generator, classes_from: int = 3) -> Coverage:
    """Of the shipped network, on cars drawn from it with a third of everything looked at."""
    model = Model()
    evidence = hide_at_random(simulate(model, CONTEXT, cars, rng).evidence, 0.3, rng)
    names = [*model.conditions, SOUND]
    low, high, point = np.empty((3, cars, len(names)))
    for row in range(cars):
        belief = Belief(model, CONTEXT, evidence.take(slice(row, row + 1)))
        found = doubts(belief)
        low[row], high[row], _ = np.array([found.intervals[name] for name in names]).T
        point[row] = [*(belief.condition(name) for name in model.conditions), belief.p_sound]
    held = np.zeros_like(point)
    for _ in range(draws):
        other = Model(drawn_knowledge(model.knowledge, rng))
        beliefs = other.believe(CONTEXT, evidence)
        truth = np.stack([other.probability(beliefs, name) for name in names], axis=1)
        held += (low <= truth) & (truth <= high)
    asked = (point > OPEN) & (point < 1 - OPEN)
    return _coverage("shipped", draws, held / draws, asked, names, classes_from)


def drawn_knowledge(knowledge: Knowledge, rng: np.random.Generator) -> Knowledge:
    """The knowledge with every list drawn from what its weight leaves open."""
    nodes = {}
    for name, node in knowledge.nodes.items():
        lists = numbers_of(node).values()
        nodes[name] = with_numbers(node, {n.path: drawn(n, rng) for n in lists if n.free})
    return knowledge.changed(nodes=nodes)


def drawn(numbers: Numbers, rng: np.random.Generator) -> FloatArray:
    """One draw of a list: Dirichlet, Beta, and mean and variance of a normal sample."""
    weight, values = numbers.grounds.weight, numbers.values
    if numbers.kind in ("levels", "passing"):
        result = np.zeros(len(values))
        some = values > 0
        gamma = np.maximum(rng.gamma(weight * values[some]), 1e-300)
        result[some] = gamma / gamma.sum()
        return result
    scaled = np.sqrt(rng.chisquare(weight) / weight)
    if numbers.kind == "slips":
        share = rng.beta(weight * values[0], weight * (1 - values[0]))
        return np.array([share, values[1] * scaled])
    if numbers.kind == "spread":
        return values * scaled
    deviation = np.sqrt((values[1] ** 2 + numbers.noise) / weight)
    return np.array([rng.normal(values[0], deviation), values[1] * scaled])


def published(
    name: str, draws: int, rows: int, weight: float, rng: np.random.Generator, classes_from: int = 3
) -> Coverage:
    """Of a published network whose every row is worth so many cars, three variables seen."""
    network = read_bif(FOLDER / f"{name}.bif.gz").network
    variables = discrete_variables(network)
    names = [v.name for v in variables if v.name in network.hidden]
    evidence = _looked_at(variables, rows, rng)
    point, low, high = _intervals(network, evidence, names, weight)
    held = np.zeros_like(point)
    for _ in range(draws):
        truth = _points(_drawn_network(network, weight, rng), evidence, names)
        held += (low - 1e-12 <= truth) & (truth <= high + 1e-12)
    asked = (point > OPEN) & (point < 1 - OPEN)
    return _coverage(name, draws, held / draws, asked, names, classes_from)


def _looked_at(variables: list[Discrete], rows: int, rng: np.random.Generator) -> Evidence:
    """Rows drawn from the network, three variables of each seen."""
    seen = {v.name: np.full(rows, -1) for v in variables}
    for row in range(rows):
        states: dict[str, int] = {}
        for v in variables:
            p = v.table[tuple(states[parent] for parent in v.parents)]
            states[v.name] = int(rng.choice(len(p), p=p / p.sum()))
        for name in rng.choice([v.name for v in variables], 3, replace=False):
            seen[name][row] = states[name]
    return Evidence(rows, seen)


def _points(network: Network, evidence: Evidence, names: list[str]) -> FloatArray:
    """P(first state) of each hidden variable, shape (rows, variables)."""
    posterior = JunctionTree(network).propagate(evidence, [(name,) for name in names])
    return np.stack([posterior[name][:, 0] for name in names], axis=1)


def _intervals(
    network: Network, evidence: Evidence, names: list[str], weight: float
) -> tuple[FloatArray, FloatArray, FloatArray]:
    tree, point = JunctionTree(network), _points(network, evidence, names)
    variance = np.zeros_like(point)
    for row in range(evidence.rows):
        batch = evidence.take(slice(row, row + 1)).repeat(len(names) + 1)
        soft = {}
        for i, name in enumerate(names, start=1):
            soft[name] = np.ones((batch.rows, len(network.states(name))))
            soft[name][i] = np.eye(len(network.states(name)))[0]
        found = slopes(tree, batch.with_soft(soft))
        for name, table in found.tables.items():
            lists = network.variable(name).table.reshape(-1, table.shape[-1])
            each = table.reshape(batch.rows, *lists.shape)
            move = point[row][:, None, None] * (each[1:] - each[:1])
            for i, p in enumerate(lists):
                known = Numbers(name, (), "levels", p, Grounds("estimate", "estimate", weight), ())
                variance[row] += np.einsum("qi,ij,qj->q", move[:, i], known.covariance, move[:, i])
    return point, *beta_interval(point, variance)


def _drawn_network(network: Network, weight: float, rng: np.random.Generator) -> Network:
    def other(variable: Discrete) -> Discrete:
        gamma = rng.gamma(np.maximum(weight * variable.table, 1e-12)) * (variable.table > 0)
        gamma = np.where(variable.table > 0, np.maximum(gamma, 1e-300), 0.0)
        return replace(variable, table=gamma / gamma.sum(axis=-1, keepdims=True))

    hidden = {n: other(v) for n, v in network.hidden.items()}
    return Network(hidden, {n: other(v) for n, v in network.observables.items()}, {})


def _coverage(
    network: str, draws: int, held: FloatArray, asked: FloatArray, names: list[str], least: int
) -> Coverage:
    """Classes of fewer queries than ``least`` are left out of the worst."""
    classes = {
        name: float(held[asked[:, i], i].mean())
        for i, name in enumerate(names)
        if asked[:, i].sum() >= least
    }
    worst = min(classes, key=lambda name: classes[name])
    mean = float(held[asked].mean())
    return Coverage(network, draws, int(asked.sum()), mean, classes[worst], worst, classes)


def measure(draws: int, rows: int, seed: int) -> Iterator[Coverage]:
    """All three networks."""
    rng = np.random.default_rng(seed)
    yield published("asia", draws, rows, 10, rng)
    yield published("alarm", draws, rows, 10, rng)
    yield shipped(draws, rows, rng)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--draws", type=int, default=400)
    parser.add_argument("--rows", type=int, default=60)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--json", action="store_true")
    given = parser.parse_args()
    for result in measure(given.draws, given.rows, given.seed):
        if given.json:
            print(json.dumps(result._asdict()))
        else:
            print(
                f"{result.network}: {result.queries} queries, {result.draws} truths: "
                f"{result.mean:.3f} within, worst {result.worst:.3f} ({result.worst_class})"
            )


if __name__ == "__main__":
    main()
