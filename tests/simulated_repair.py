"""Repairs done to cars whose faults are known: against this the network of a repair is held."""

from __future__ import annotations

import numpy as np
from loopodds.base.arrays import Query
from loopodds.diagnosis.repaired_car import changed_by
from loopodds.diagnosis.simulation import SimulatedCars, draw_readings, draw_state
from loopodds.inference.network import Evidence, Network
from loopodds.knowledge.cures import cure_chances
from loopodds.knowledge.records import Knowledge


def simulate_repair(
    cars: SimulatedCars,
    services: Query,
    network: Network,
    knowledge: Knowledge,
    rng: np.random.Generator,
) -> SimulatedCars:
    """The cars after services were done to them, and what one could see on them then.

    Each fault goes with the chance of its cure. What a repair does not touch is seen as before.

    Parameters
    ----------
    cars : SimulatedCars
    services : tuple of str
    network : Network
        That the cars come from.
    knowledge : Knowledge
        What the services cure.
    rng : numpy.random.Generator
        Whatever the services, equally many numbers are taken from it: cars with the same
        generator can be compared.
    """
    count = cars.evidence.rows
    chances, changed = cure_chances(services, knowledge), changed_by(services, knowledge)
    states = dict(cars.states)
    for name, variable in network.hidden.items():
        at = rng.random(count)
        if name in chances:
            states[name] = np.where(at < chances[name][states[name]], 0, states[name])
        elif name in changed:
            states[name] = draw_state(variable, states, at)
    codes = dict(cars.evidence.codes)
    for name, variable in network.observables.items():
        at = rng.random(count)
        if name in changed:
            codes[name] = draw_state(variable, states, at)
    anew = draw_readings(network, knowledge, states, codes, rng)
    numbers = {n: anew[n] if n in changed else pair for n, pair in cars.evidence.numbers.items()}
    return SimulatedCars(states, Evidence(count, codes, {}, numbers))
