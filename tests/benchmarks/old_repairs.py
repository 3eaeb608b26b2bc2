"""What it changes that old evidence counts for less where a car was repaired several times.

Cars are drawn from the shipped network, repaired and looked at again some times; all of them are
invented. Each is believed by the network that follows everything (where that fits the wider limit)
and by the one in use. Printed are the differences of the probabilities of all conditions: largest
of a car, its mean and percentiles over the cars, and how often the likeliest condition is another.

    python tests/benchmarks/old_repairs.py --cars 60 --rounds 3
"""

from __future__ import annotations

import argparse
import json
from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np
from loopodds.diagnosis.model import Model
from loopodds.diagnosis.past_evidence import MOST_CELLS, merged, that_fits, with_past
from loopodds.diagnosis.repaired_car import Repair
from loopodds.diagnosis.simulation import simulate
from loopodds.inference.network import Evidence
from loopodds.knowledge.assembly import build_network
from loopodds.knowledge.records import Knowledge

CONTEXT = {"setting": "complaint", "expansion": "TXV", "compressor": "fixed", "weather": "warm"}
WIDE = 3_000_000
"""Configurations up to which everything is followed for comparison."""
LOOKED_AT = 9
"""Findings and gauges seen between repairs."""


@dataclass
class Course:
    """A car through its repairs: what was seen before each, and since."""

    past: list[Evidence]
    done: tuple[Repair, ...]
    now: Evidence


def course(model: Model, rounds: int, rng: np.random.Generator) -> Course:
    """A car drawn at random, with a service chosen at random after each look."""
    from simulated_repair import simulate_repair

    knowledge = model.knowledge
    network = build_network(knowledge, CONTEXT)
    seen = [*network.observables, *network.gauges]
    curing = [name for name, service in knowledge.services.items() if service.cures]
    cars = simulate(model, CONTEXT, 1, rng)
    past, done = [], []
    for _ in range(rounds):
        names = sorted(rng.choice(seen, LOOKED_AT, replace=False).tolist())
        services = (str(rng.choice(curing)),)
        past.append(cars.evidence.only(names))
        done.append(Repair(services, frozenset(names)))
        cars = simulate_repair(cars, services, network, knowledge, rng)
    names = sorted(rng.choice(seen, LOOKED_AT, replace=False).tolist())
    return Course(past, tuple(done), cars.evidence.only(names))


def chances(model: Model, car: Course, left: Mapping[str, np.ndarray]) -> np.ndarray:
    """Probability of every condition now, by a model of the repairs; ``left`` is merged into it."""
    evidence = with_past(car.past, model.repairs, car.now, model.knowledge, CONTEXT)
    beliefs = model.believe(CONTEXT, replace(evidence, implied={**evidence.implied, **left}))
    return np.array([model.probability(beliefs, name)[0] for name in model.conditions])


def differences(cars: int, rounds: int, seed: int) -> dict[str, float]:
    """How far the network in use is from the one that follows everything."""
    model, rng = Model(Knowledge()), np.random.default_rng(seed)
    largest, other, whole, too_large = [], 0, 0, 0
    while len(largest) + whole + too_large < cars:
        car = course(model, rounds, rng)
        full = model.after(car.done)
        used = that_fits(car.done, CONTEXT, model, MOST_CELLS)
        if not any(repair.left for repair in used.repairs):
            whole += 1
        elif not full.fits(CONTEXT, WIDE):
            too_large += 1
        else:
            left = merged(car.past, car.done, used, CONTEXT)
            exact, found = chances(full, car, {}), chances(used, car, left)
            largest.append(float(np.abs(exact - found).max()))
            other += int(exact.argmax() != found.argmax())
    apart = np.array(largest or [0.0])
    return {
        "rounds": rounds, "cars": cars, "nothing left out": whole,
        "too large to compare": too_large, "compared": len(largest),
        "mean": float(apart.mean()), "median": float(np.median(apart)),
        "90 %": float(np.quantile(apart, 0.9)), "largest": float(apart.max()),
        "another condition first": other,
    }  # fmt: skip


def main() -> None:
    """Measure and print."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    for option, default in (("cars", 60), ("rounds", 3), ("seed", 1)):
        parser.add_argument(f"--{option}", type=int, default=default)
    print(json.dumps(differences(**vars(parser.parse_args())), indent=2))


if __name__ == "__main__":
    import sys
    from pathlib import Path

    sys.path.insert(0, str(Path(__file__).parents[1]))
    main()
