"""Slopes by every number of the files: those of the shipped knowledge with the number turned."""

from __future__ import annotations

import numpy as np
import pytest
from loopodds.diagnosis.model import Model
from loopodds.diagnosis.simulation import hide_at_random, simulate
from loopodds.doubt.chain import slope_by, tallies_of
from loopodds.doubt.numbers import Numbers, numbers_of, with_numbers
from loopodds.inference.network import Evidence
from loopodds.inference.slopes import slopes
from loopodds.knowledge.records import Knowledge

STEP = 1e-5
CONTEXTS = (
    {"expansion": "TXV", "compressor": "fixed", "weather": "warm", "age": "to_5_years"},
    {"compressor": "variable"},
)
NODES = (
    "charge", "air", "evaporator_feed", "sample_darkening", "high_side", "low_side",
)  # fmt: skip


def some_cars(model: Model, context: dict[str, str]) -> Evidence:
    rng = np.random.default_rng(8)
    cars = hide_at_random(simulate(model, context, 60, rng).evidence, 0.5, rng)
    words = {"high_side": rng.integers(-1, 3, 60)}
    cars.numbers["high_side"][0][words["high_side"] >= 0] = np.nan
    return Evidence(60, {**cars.codes, **words}, cars.soft, cars.numbers)


def turned(numbers: Numbers, index: int, step: float) -> np.ndarray:
    """One number up and the next of its list down; of normals the square of the deviation."""
    values = numbers.values.copy()
    if numbers.kind in ("levels", "passing"):
        values[index] += step
        values[index - 1] -= step
    elif numbers.kind == "spread" or index == 1:
        values[index] = np.sqrt(values[index] ** 2 + step)
    else:
        values[index] += step
    return values


@pytest.mark.slow
@pytest.mark.parametrize("context", CONTEXTS)
def test_slopes_by_the_numbers_of_the_files_are_those_of_small_steps(context: dict[str, str]):
    """Half a step of 1e-5 to either side; slopes of sixty cars agree to a millionth of the largest
    or so, and ten of the numbers or so are tried in each context.
    """
    knowledge = Knowledge()
    model = Model(knowledge)
    cars = some_cars(model, context)
    found = slopes(model.tree(context), cars, np.ones((1, cars.rows)))
    rng, tried = np.random.default_rng(2), 0
    for name in NODES:
        node = knowledge.node(name)
        given = {**found.tables, **found.gauges}[name]
        tallies, lists = tallies_of(node, knowledge, context, given), numbers_of(node)
        for path in rng.permutation(list(map(str, tallies)))[:2]:
            key = next(p for p in tallies if str(p) == path)
            numbers = lists[key]
            if numbers.kind in ("levels", "passing") and numbers.values.min() < STEP:
                continue
            if numbers.kind == "shift" and numbers.values[1] ** 2 < STEP:
                continue
            slope = slope_by(numbers, tallies[key])[0]
            for index in range(len(slope)):
                logs = []
                for sign in (1, -1):
                    new = with_numbers(node, {key: turned(numbers, index, sign * STEP)})
                    other = knowledge.changed(nodes={**knowledge.nodes, name: new})
                    tree = Model(other).tree(context)
                    logs.append(tree.propagate(cars).log_evidence.sum())
                ours = slope[index]
                if numbers.kind in ("levels", "passing"):
                    ours -= slope[index - 1]
                by_step = (logs[0] - logs[1]) / (2 * STEP)
                assert ours == pytest.approx(by_step, rel=1e-4, abs=2e-3), (name, key, index)
                tried += 1
    assert tried > 8


def test_expected_counts_of_a_graded_finding_come_to_the_cars_that_were_looked_at():
    """Every car on which the finding was seen is in the background once."""
    knowledge = Knowledge()
    model = Model(knowledge)
    cars = some_cars(model, {})
    found = slopes(model.tree({}), cars, np.ones((1, cars.rows)))
    node = knowledge.node("sample_darkening")
    tallies = tallies_of(node, knowledge, {}, found.tables["sample_darkening"])
    lists = numbers_of(node)
    counts = {path: lists[path].values * tally[0] for path, tally in tallies.items()}
    looked = (cars.codes["sample_darkening"] >= 0).sum()
    background = sum(n.sum() for path, n in counts.items() if "leak" in path)
    assert background == pytest.approx(looked)
