"""Numbers of cars add up as their draws do, and their ends hold as often as they say."""

from __future__ import annotations

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st
from loopodds.fleets.sums import LEVEL, MOST_VALUES, OTHERS, Cars, Groups, Odds, count_ends


def exact(chances: np.ndarray) -> np.ndarray:
    """Distribution of a sum of independent draws, by convolution."""
    whole = np.ones(1)
    for chance in chances.tolist():
        whole = np.convolve(whole, [1 - chance, chance])
    return whole


@settings(max_examples=80, deadline=None)
@given(st.integers(0, 10_000), st.integers(1, 400), st.floats(0.05, 6.0))
def test_the_ends_of_a_number_of_cars_are_those_of_the_exact_sum(
    seed: int, cars: int, skew: float
) -> None:
    chances = np.random.default_rng(seed).beta(0.5, 0.5 * skew + 0.1, cars)
    odds = Odds.of(chances[:, None])
    low, high = count_ends(float(odds.mean[0]), float(odds.variance[0]), float(odds.third[0]), cars)
    below = np.cumsum(exact(chances))
    tail = (1 - LEVEL) / 2
    # the approximation may miss by one car
    assert abs(low - int(np.searchsorted(below, tail))) <= 1
    assert abs(high - int(np.searchsorted(below, 1 - tail - 1e-12))) <= 1
    assert 0 <= low <= odds.mean[0] + 1
    assert odds.mean[0] - 1 <= high <= cars


def cars_of(chances: np.ndarray) -> Cars:
    odds, zeros = Odds.of(chances), np.zeros(chances.shape[1] - 1)
    return Cars(len(chances), odds, 1, 2.5, 3.5, {"a": 1}, 1, 0.1, zeros, zeros, odds)


def test_sums_of_two_parts_are_those_of_the_whole_and_come_back_from_json() -> None:
    chances = np.random.default_rng(2).random((30, 4))
    both = cars_of(chances[:11]).plus(cars_of(chances[11:]))
    whole = Odds.of(chances)
    for found, wanted in zip(both.odds.as_json(), whole.as_json(), strict=True):
        assert np.allclose(found, wanted, rtol=1e-12)
    assert Cars.from_json(both.as_json()).as_json() == both.as_json()
    assert (both.cars, both.services) == (30, {"a": 2})


def test_values_beyond_so_many_are_counted_as_others_and_no_car_is_lost() -> None:
    one = cars_of(np.full((2, 3), 0.5))
    groups = Groups()
    for number in range(MOST_VALUES + 50):
        groups = groups.plus(Groups({"technician": {f"T{number}": one}}))
    values = groups.columns["technician"]
    assert len(values) == MOST_VALUES + 1
    assert values[OTHERS].cars == 100
    assert sum(cars.cars for cars in values.values()) == 2 * (MOST_VALUES + 50)
