"""Sound cars, published and of a second set of parameters, against what is expected of them."""

from __future__ import annotations

from functools import cache
from math import inf

import numpy as np
import pytest
from loopodds.doubt.sound_cars import Cell, published_cells
from loopodds.inspection.encoding import encode
from loopodds.inspection.inspection import InspectionBatch
from loopodds.knowledge.blocks import matches
from other_cars import drawn_world
from shared import shipped

KINDS = (
    ("fixed", "TXV", "R134a"),
    ("fixed", "orifice", "R134a"),
    ("variable", "TXV", "R1234yf"),
    ("electric", "TXV", "R1234yf"),
)
WEATHER = ((5.0, 18.0), (18.0, 30.0), (30.0, 43.0))


@cache
def cells() -> list[Cell]:
    """Rows of the published tables; see data/loopodds_data/published for the source of each."""
    return published_cells(shipped().knowledge)


@pytest.mark.parametrize(("calibration", "share"), [("in", 0.9), ("out", 0.85)])
def test_published_cells_lie_in_the_range_of_a_sound_car(calibration: str, share: float) -> None:
    """Nine of ten are asked for: 62 of 66 that the table was moved towards when this was written,
    16 of 18 of the sources kept out, 93 % of all."""
    own = [cell.inside for cell in cells() if cell.calibration == calibration]
    assert len(own) >= 18
    assert np.mean(own) >= share
    assert np.mean([cell.inside for cell in cells()]) >= 0.9


def test_no_published_table_is_off_on_one_side_throughout() -> None:
    tables: dict[tuple[str, str], list[Cell]] = {}
    for cell in cells():
        tables.setdefault((cell.table, cell.gauge), []).append(cell)
    for name, own in tables.items():
        assert {cell.side for cell in own} not in ({1}, {-1}), name


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


def model_doubt(gauge: str, kind: tuple[str, str, str]) -> float:
    """By how much published cars differ from the table of a gauge beyond its own cars."""
    tables = shipped().knowledge.gauges[gauge].tables
    said = dict(zip(("compressor", "expansion", "refrigerant"), kind, strict=True))
    car = {**said, "internal_heat_exchanger": "absent"}
    return next(sound.model_doubt for sound in tables.sound if matches(sound.when, car))


@pytest.mark.slow
@pytest.mark.parametrize("kind", KINDS, ids=" ".join)
@pytest.mark.parametrize("band", WEATHER)
def test_sound_cars_of_a_second_world_spread_as_the_network_states(
    kind: tuple[str, str, str], band: tuple[float, float]
) -> None:
    """Synthetic: drawn with sizes that the table was not made from. What published cars differ by
    beyond drawn ones is doubt of the model, kept apart and left out of the spread here. Sixty cars
    know a mean to 0.13 of a spread and a spread to a tenth of it; other sizes move means by up to
    0.45 of it (asked: 0.3).
    """
    rng = np.random.default_rng([len(" ".join(kind)), int(band[0])])
    world = drawn_world(kind, 60, rng, band, sound_share=1.0)
    gauges = shipped().knowledge.gauges
    for name, reading in encode(world.batch, shipped().knowledge).readings.items():
        whole = np.hypot(gauges[name].spread, reading.extra)
        between = np.sqrt(whole**2 - model_doubt(name, kind) ** 2)
        assert abs(np.nanmean(reading.residual / whole)) < 0.6, name
        assert 0.6 < np.nanstd(reading.residual / between) < 1.4, name


@pytest.mark.slow
@pytest.mark.parametrize("kind", KINDS, ids=" ".join)
def test_sound_cars_of_a_second_world_are_called_sound(kind: tuple[str, str, str]) -> None:
    """At a routine check, in any weather. Synthetic; `tests/benchmarks/gauges.py` draws more: sound
    is likelier than before looking in 95 % (asked: 95), and another thing likelier than not in
    1.3 % (asked: at most 2). Here 120 cars, each bound two deviations of the draw further off.
    """
    model = shipped()
    rng = np.random.default_rng(len(" ".join(kind)))
    batch = drawn_world(kind, 120, rng, (5.0, 43.0), sound_share=1.0).batch
    routine = {**batch.choices, "setting": np.ones(batch.rows, np.int8)}
    looked = InspectionBatch(
        batch.rows, readings=batch.readings, choices=routine, numbers=batch.numbers
    )
    bare = InspectionBatch(batch.rows, choices=routine, numbers=batch.numbers)
    sound, accused = np.zeros((2, batch.rows)), np.zeros(batch.rows, bool)
    for number, one in enumerate((bare, looked)):
        for group in encode(one, model.knowledge).groups:
            beliefs = model.believe(group.context, group.evidence)
            sound[number, group.rows] = beliefs.p_sound
            for condition in model.conditions.values() if number else ():
                states = model.tree(group.context).network.states(condition.variable)
                of = [states.index(state) for state in condition.states]
                told = beliefs.faults[condition.variable][:, of].sum(axis=1)
                accused[group.rows] |= told > 0.5
    assert np.mean(sound[1] > sound[0]) >= 0.88
    assert np.mean(accused) <= 0.05
