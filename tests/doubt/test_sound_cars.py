"""Published sound cars held against what the knowledge expects of a sound car."""

from __future__ import annotations

from functools import cache
from math import inf

import numpy as np
import pytest
from loopodds.doubt.sound_cars import Cell, published_cells
from shared import shipped


@cache
def cells() -> list[Cell]:
    """Rows of the published tables; see data/loopodds_data/published for the source of each."""
    return published_cells(shipped().knowledge)


def test_three_of_four_published_cells_lie_in_the_range_of_a_sound_car() -> None:
    """79 % when this was written; tables of different makers lie up to 12 K apart."""
    assert len(cells()) > 80
    assert np.mean([cell.inside for cell in cells()]) >= 0.75


def test_limits_around_what_is_expected_are_inside_and_on_no_side() -> None:
    cell = Cell("a/b", "vent", "in", 30.0, -3.0, 5.0, 2.0)
    assert (cell.middle, cell.inside, cell.side) == (1.0, True, 0)


@pytest.mark.parametrize(
    ("low", "high", "middle", "side"),
    [
        (-inf, 4.0, 0.0, 0),  # no more than that, and less is expected
        (-inf, -6.0, -6.0, -1),
        (6.0, inf, 6.0, 1),
        (4.0, 8.0, 6.0, 1),
        (-9.0, -5.0, -7.0, -1),
    ],
)
def test_one_limit_asks_only_for_its_side(
    low: float, high: float, middle: float, side: int
) -> None:
    cell = Cell("a/b", "vent", "in", 30.0, low, high, 2.0)
    assert (cell.middle, cell.side) == (middle, side)
