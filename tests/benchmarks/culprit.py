"""How often the finding named as misread is the one that was, and how often one is named wrongly.

Cars are drawn from the shipped network, 8 to 20 things seen on each, at most 5 of them gauge
numbers, none misread. Then in each car one thing is misread: a word becomes another of its
words, a number comes from the gauge's wide distribution.

    python tests/benchmarks/culprit.py [--cars N] [--seed N] [--json]
"""

from __future__ import annotations

import argparse
import json
import sys
from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path
from typing import NamedTuple

import numpy as np
from loopodds.base.arrays import BoolArray, IntArray
from loopodds.calibration.scores import wilson_interval
from loopodds.diagnosis.misreading import Suspect, named_suspect, suspects
from loopodds.diagnosis.model import Model
from loopodds.diagnosis.simulation import draw_reading, hide, simulate
from loopodds.inference.network import Evidence, GaugeNode

sys.path.insert(0, str(Path(__file__).parents[1]))
from shared import CONTEXT


class Outcome(NamedTuple):
    """One car with one thing misread: what it was, what was named, where it was ranked."""

    misread: str
    named: str
    rank: int
    telling: bool


def clean_cars(model: Model, count: int, rng: np.random.Generator) -> Evidence:
    """Cars with everything seen as it was: no gauge misread."""
    cars = simulate(model, CONTEXT, count, rng)
    gauges = model.tree(CONTEXT).network.gauges
    right = {
        name: draw_reading(replace(gauge, share=0.0), cars.states, rng)
        for name, gauge in gauges.items()
    }
    evidence = cars.evidence
    masked = {n: np.isnan(value) for n, (value, _) in evidence.numbers.items()}
    numbers = {n: (np.where(masked[n], np.nan, v), np.zeros(count)) for n, v in right.items()}
    history = model.knowledge.of_kind("history")
    words = [name for name in evidence.codes if name not in history]
    seen = rng.integers(8, 21, count)
    read = rng.integers(0, 6, count)
    told = rng.random((count, len(history))) < 0.1
    return hide(
        Evidence(count, evidence.codes, {}, numbers),
        {
            **dict(zip(history, told.T, strict=True)),
            **_chosen(words, seen - read, rng),
            **_chosen(list(numbers), read, rng),
        },
    )


def _chosen(
    names: list[str], counts: IntArray, rng: np.random.Generator
) -> Mapping[str, BoolArray]:
    """In each row that many of the names, shape (rows,) for each name."""
    place = rng.random((len(counts), len(names))).argsort(axis=1).argsort(axis=1)
    return dict(zip(names, (place < counts[:, None]).T, strict=True))


def misread(
    model: Model, evidence: Evidence, name: str, rng: np.random.Generator
) -> tuple[Evidence, str]:
    """One row with one thing misread, and what it then says."""
    variable = model.tree(CONTEXT).network.variable(name)
    if isinstance(variable, GaugeNode):
        value = rng.normal(0.0, variable.wide, 1)
        numbers = {**evidence.numbers, name: (value, np.zeros(1))}
        return Evidence(1, evidence.codes, {}, numbers), f"{value[0]:.0f}"
    others = [i for i in range(len(variable.states)) if i != evidence.codes[name][0]]
    wrong = int(rng.choice(others))
    return replace(evidence, codes={**evidence.codes, name: np.array([wrong])}), variable.states[
        wrong
    ]


def ranked(model: Model, evidence: Evidence) -> tuple[Suspect, ...]:
    """Suspects among everything seen, history apart."""
    history = model.knowledge.of_kind("history")
    seen = [name for name in evidence.names() if name not in history]
    return suspects(model.tree(CONTEXT), evidence, seen)


def measure(cars: int, seed: int) -> dict[str, object]:
    """Shares over all cars, with 90 % intervals."""
    model = Model()
    rng = np.random.default_rng(seed)
    clean = clean_cars(model, cars, rng)
    alarms = 0
    outcomes = []
    for row in range(cars):
        one = clean.take(slice(row, row + 1))
        alarms += named_suspect(ranked(model, one)) is not None
        history = model.knowledge.of_kind("history")
        name = str(rng.choice([n for n in one.names() if n not in history]))
        wrong, _ = misread(model, one, name, rng)
        found = ranked(model, wrong)
        named = named_suspect(found)
        places = [suspect.name for suspect in found]
        rank = 1 + places.index(name)
        telling = found[rank - 1].factor > 10
        outcomes.append(Outcome(name, named.name if named else "", rank, telling))
    alarmed = [o for o in outcomes if o.named]
    telling_ones = [o for o in outcomes if o.telling]
    return {
        "cars": cars,
        "seed": seed,
        "misread one comes first": share(sum(o.rank == 1 for o in outcomes), cars),
        "misread one among first three": share(sum(o.rank <= 3 for o in outcomes), cars),
        "named and right": share(sum(o.named == o.misread for o in outcomes), cars),
        "named but wrong": share(sum(o.named != o.misread for o in alarmed), cars),
        "right when named": share(sum(o.named == o.misread for o in alarmed), len(alarmed)),
        "right where the misreading clashes tenfold": share(
            sum(o.named == o.misread for o in telling_ones), len(telling_ones)
        ),
        "named in a clean car": share(alarms, cars),
    }


def share(count: int, whole: int) -> dict[str, float | int]:
    """Share with its 90 % Wilson interval."""
    low, high = wilson_interval(np.array([count]), np.array([whole]))
    ends = {"low": float(low[0]), "high": float(high[0])}
    return {"count": count, "of": whole, "share": count / whole, **ends}


def main() -> None:
    """Print the measurement."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--cars", type=int, default=2000)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--json", action="store_true")
    options = parser.parse_args()
    found = measure(options.cars, options.seed)
    if options.json:
        print(json.dumps(found, indent=2))
        return
    print(f"{found['cars']} cars, seed {found['seed']}, one thing misread in each")
    for name, value in found.items():
        if isinstance(value, dict):
            interval = f"{value['low']:.3f} to {value['high']:.3f}"
            print(f"  {name:44s} {value['share']:.3f}  ({interval})  {value['count']}")


if __name__ == "__main__":
    main()
