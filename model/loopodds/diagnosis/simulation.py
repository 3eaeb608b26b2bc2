"""Cars drawn from the network: what is wrong with each, and everything one could see on it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from loopodds.base.arrays import BoolArray, FloatArray, IntArray
from loopodds.diagnosis.model import Context, Model
from loopodds.inference.network import Discrete, Evidence, GaugeNode, Network
from loopodds.inspection.encoding import veil
from loopodds.knowledge.records import Knowledge


@dataclass(frozen=True, slots=True, eq=False)
class SimulatedCars:
    """Cars drawn from the joint distribution of one context."""

    states: dict[str, IntArray]  # shape (cars,): every hidden variable
    # one row a car: all history and findings as states, all gauges as numbers without extra
    # spread; NaN where a finding of the car masks the gauge
    evidence: Evidence

    def take(self, rows: IntArray) -> SimulatedCars:
        """Some of the cars, copied."""
        states = {name: column[rows] for name, column in self.states.items()}
        return SimulatedCars(states, self.evidence.take(rows))


def simulate(model: Model, context: Context, count: int, rng: np.random.Generator) -> SimulatedCars:
    """Draw cars, parents before children; what the context leaves out is averaged over.

    >>> cars = simulate(Model(), {"compressor": "fixed"}, 3, np.random.default_rng(1))
    >>> cars.evidence.rows
    3
    """
    return simulate_network(model.tree(context).network, model.knowledge, count, rng)


def simulate_network(
    network: Network, knowledge: Knowledge, count: int, rng: np.random.Generator
) -> SimulatedCars:
    """The same from a network with the names of the knowledge and perhaps other numbers."""
    states: dict[str, IntArray] = {}
    for name, variable in network.hidden.items():
        states[name] = draw_state(variable, states, rng.random(count))
    findings = {n: draw_state(v, states, rng.random(count)) for n, v in network.observables.items()}
    for name in findings:
        hidden = veil(knowledge.node(name), findings, {}, knowledge)
        findings[name] = np.where(rng.random(count) < hidden, 0, findings[name])
    numbers = draw_readings(network, knowledge, states, findings, rng)
    history = {name: states[name] for name in knowledge.of_kind("history")}
    return SimulatedCars(states, Evidence(count, {**history, **findings}, {}, numbers))


def draw_state(variable: Discrete, states: Mapping[str, IntArray], at: FloatArray) -> IntArray:
    """States of a variable at points between zero and one of its cumulated probabilities, given
    the states of its parents, shape (cars,).
    """
    index = tuple(states[parent] for parent in variable.parents)
    shape = (len(at), len(variable.states))
    below = np.cumsum(np.broadcast_to(variable.table[index], shape), axis=1)
    # the last edge may fall short of one by rounding, so it is left out of the comparison
    drawn: IntArray = (at[:, None] >= below[:, :-1]).sum(axis=1)
    return drawn


def draw_readings(
    network: Network,
    knowledge: Knowledge,
    states: Mapping[str, IntArray],
    findings: Mapping[str, IntArray],
    rng: np.random.Generator,
) -> dict[str, tuple[FloatArray, FloatArray]]:
    """Residual and extra spread of every gauge, NaN where a finding of the car masks it."""
    numbers = {}
    for name, gauge in network.gauges.items():
        value = draw_reading(gauge, states, rng)
        for finding, hiding in knowledge.node(name).masked_by.items():
            codes = [knowledge.node(finding).states.index(state) for state in hiding]
            value[np.isin(findings[finding], codes)] = np.nan
        numbers[name] = (value, np.zeros(len(value)))
    return numbers


def draw_reading(
    gauge: GaugeNode, states: Mapping[str, IntArray], rng: np.random.Generator
) -> FloatArray:
    """Readings of one gauge less the sound expectation, misreadings included, shape (cars,)."""
    index = tuple(states[parent] for parent in gauge.parents)
    count = len(next(iter(states.values())))
    misread = rng.random(count) < gauge.share
    mean = np.where(misread, 0.0, gauge.mean[index])
    spread = np.where(misread, gauge.wide, gauge.spread[index])
    result: FloatArray = rng.normal(mean, spread)
    return result


def brought_in_for(
    cars: SimulatedCars, knowledge: Knowledge, rng: np.random.Generator
) -> dict[str, BoolArray]:
    """For which of its complaints each car is brought in, by the chance of each, shape (cars,)."""
    found = {}
    for name, node in knowledge.of_kind("finding").items():
        if node.brings_in:
            chances = np.array([node.brings_in.get(state, 0.0) for state in node.states])
            codes = cars.evidence.codes[name]
            found[name] = rng.random(cars.evidence.rows) < chances[codes]
    return found


def hide(evidence: Evidence, seen: Mapping[str, BoolArray]) -> Evidence:
    """Evidence with names hidden row by row.

    ``seen``, shape (rows,): true where the name stays observed; names left out stay as they are.
    """
    keep = {name: seen.get(name, np.ones(evidence.rows, bool)) for name in _held(evidence)}
    return Evidence(
        evidence.rows,
        {n: np.where(keep[n], c, -1) for n, c in evidence.codes.items()},
        {n: np.where(keep[n][:, None], w, 1.0) for n, w in evidence.soft.items()},
        {n: (np.where(keep[n], v, np.nan), s) for n, (v, s) in evidence.numbers.items()},
        evidence.implied,
    )


def hide_at_random(evidence: Evidence, share: float, rng: np.random.Generator) -> Evidence:
    """Each name of each row kept with probability ``share``, independently."""
    return hide(evidence, {n: rng.random(evidence.rows) < share for n in _held(evidence)})


def _held(evidence: Evidence) -> list[str]:
    return list(dict.fromkeys([*evidence.codes, *evidence.soft, *evidence.numbers]))


def conditions_present(model: Model, states: Mapping[str, IntArray]) -> dict[str, BoolArray]:
    """Which conditions each simulated car has, shape (cars,)."""
    conditions = model.conditions.items()
    return {n: model.members(n)[states[condition.variable]] > 0 for n, condition in conditions}
