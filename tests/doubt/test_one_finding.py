"""What one car tells of a list of numbers: the closed forms of sequential updating.

Spiegelhalter & Lauritzen (Networks 20, 1990): rows independent of each other beforehand, each a
Dirichlet of its numbers and weight. The example worked out in the paper could not be read, so that
its forms are held against enumeration on the chest clinic (Lauritzen & Spiegelhalter 1988).
"""

from __future__ import annotations

import itertools
from pathlib import Path

import numpy as np
import pytest
from loopodds.doubt.numbers import Numbers
from loopodds.doubt.updating import updated
from loopodds.exchange.bif import read_bif
from loopodds.inference.junction import JunctionTree
from loopodds.inference.network import Evidence, discrete_variables
from loopodds.inference.slopes import slopes
from loopodds.knowledge.shapes import Grounds

WEIGHT = 12.0
CLINIC = read_bif(Path(__file__).parents[1] / "oracles" / "chest_clinic.bif").network
VARIABLES = {variable.name: variable for variable in discrete_variables(CLINIC)}
Row = tuple[int, ...]


def rows_of(name: str) -> list[Row]:
    """Parent states of every row of a table."""
    return list(itertools.product(*map(range, VARIABLES[name].table.shape[:-1])))


def numbers(name: str, row: Row) -> Numbers:
    grounds = Grounds("estimate", "estimate", WEIGHT)
    return Numbers(name, ("rows",), "levels", VARIABLES[name].table[row], grounds, ())


def told(evidence: dict[str, int]) -> dict[str, np.ndarray]:
    codes = {name: np.array([state]) for name, state in evidence.items()}
    return slopes(JunctionTree(CLINIC), Evidence(1, codes), np.ones((1, 1))).tables


def cars(evidence: dict[str, int]):
    """Every complete car that agrees with what was found, as states by name, and its chance."""
    names = list(VARIABLES)
    for states in itertools.product(*(range(len(VARIABLES[n].states)) for n in names)):
        car = dict(zip(names, states, strict=True))
        if all(car[name] == state for name, state in evidence.items()):
            each = [v.table[(*(car[p] for p in v.parents), car[n])] for n, v in VARIABLES.items()]
            yield car, float(np.prod(each))


def test_a_car_of_which_all_is_known_adds_one_to_its_row_and_nothing_to_others():
    car, _ = max(cars({}), key=lambda pair: pair[1])
    found = told(car)
    for name, variable in VARIABLES.items():
        for row in rows_of(name):
            held = numbers(name, row)
            after = updated(held, held.values, found[name][(0, *row)])
            counts = WEIGHT * held.values
            if row == tuple(car[parent] for parent in variable.parents):
                counts[car[name]] += 1
            assert after == pytest.approx(counts / counts.sum(), abs=1e-8)


@pytest.mark.parametrize("evidence", [{"dysp": 0}, {"dysp": 0, "asia": 0, "xray": 1}])
def test_the_mean_of_a_row_after_one_finding_is_that_of_the_mixture_over_what_was_not_seen(
    evidence: dict[str, int],
):
    """Of each complete car that may be, the Dirichlet of the row with that car counted; the mean
    of this mixture is the old one and covariance times slope, for the chance of what was found is
    linear in each row.
    """
    every, found = list(cars(evidence)), told(evidence)
    total = sum(chance for _, chance in every)
    for name, variable in VARIABLES.items():
        for row in rows_of(name):
            held = numbers(name, row)
            exact = np.zeros(len(held.values))
            for car, chance in every:
                counts = WEIGHT * held.values
                if row == tuple(car[parent] for parent in variable.parents):
                    counts[car[name]] += 1
                exact += chance / total * counts / counts.sum()
            slope = found[name][(0, *row)] if name in found else np.zeros(len(exact))
            assert held.values + held.covariance @ slope == pytest.approx(exact, abs=1e-10)


def test_a_step_of_learning_goes_the_way_of_that_mean_and_at_most_one_car_further():
    """With chance q that the car is one of the row, weight + 1 cars against weight + q."""
    evidence = {"dysp": 0, "xray": 0}
    found = told(evidence)
    for name in ("tub", "lung", "bronc"):
        for row in rows_of(name):
            held, slope = numbers(name, row), found[name][(0, *row)]
            step = updated(held, held.values, slope) - held.values
            share = float(held.values @ slope)
            assert 0 < share < 1
            assert step == pytest.approx(
                held.covariance @ slope * (WEIGHT + 1) / (WEIGHT + share), abs=1e-9
            )
