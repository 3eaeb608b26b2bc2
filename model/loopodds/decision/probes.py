"""Readings in thought: what hides them, what a car adds to their spread, what they mean."""

from collections.abc import Mapping
from functools import lru_cache

import numpy as np

from loopodds.base.arrays import FloatArray
from loopodds.base.unit_table import SEA_LEVEL_KPA
from loopodds.inference.information import Masks
from loopodds.inspection.encoding import encode
from loopodds.inspection.gauges import NAMEPLATES
from loopodds.inspection.inspection import InspectionBatch
from loopodds.inspection.vocabulary import AUXILIARY, CHOICES
from loopodds.knowledge.records import Knowledge
from loopodds.physics.refrigerants import KPA_PER_BAR
from loopodds.safety.stops import watched_readings

_PROBE = 300.0
"""A reading that can be turned into any scale: a pressure [kPa] within both saturation curves."""
_LADDER_BAR = np.arange(0.0, 32.0, 0.25)
"""Gauge pressures between which a distance from sound is turned back into a pressure."""
_AMBIENT_C = {"cool": 15.0, "warm": 25.0, "hot": 34.0}


@lru_cache(maxsize=8)
def masks(knowledge: Knowledge) -> Masks:
    """For each gauge the findings, with their states, under which it shows nothing."""
    return {
        name: {
            finding: [knowledge.node(finding).states.index(state) for state in states]
            for finding, states in node.masked_by.items()
        }
        for name, node in knowledge.of_kind("gauge").items()
        if node.masked_by
    }


@lru_cache(maxsize=64)
def extra_spread(knowledge: Knowledge, context: tuple[tuple[str, str], ...]) -> dict[str, float]:
    """Spread added to each gauge, found by taking one reading of each on such a car."""
    names = (*knowledge.of_kind("gauge"), *AUXILIARY)
    probe = _such_a_car(dict(context), {name: np.array([_PROBE]) for name in names})
    readings = encode(probe, knowledge).readings
    return {name: float(reading.extra[0]) for name, reading in readings.items()}


@lru_cache(maxsize=64)
def typical_bar_scales(
    knowledge: Knowledge, context: tuple[tuple[str, str], ...]
) -> Mapping[str, tuple[FloatArray, FloatArray]]:
    """The scales of :func:`bar_scales` on such a car on a typical day."""
    return bar_scales(_such_a_car(dict(context), {}), knowledge)


def _such_a_car(stated: Mapping[str, str], readings: Mapping[str, FloatArray]) -> InspectionBatch:
    """A car of some kind on a typical day."""
    return InspectionBatch(
        1,
        readings=readings,
        choices={
            key: np.array([values.index(stated[key])])
            for key, values in CHOICES.items()
            if stated.get(key) in values
        },
        numbers={
            "ambient_c": np.array([_AMBIENT_C[stated.get("weather", "warm")]]),
            "humidity_pct": np.array([50.0]),
            **{name: np.array([_PROBE]) for name in NAMEPLATES.values()},
        },
    )


def bar_scales(
    car: InspectionBatch, knowledge: Knowledge
) -> Mapping[str, tuple[FloatArray, FloatArray]]:
    """For each pressure that stops watch: distances from sound [K], and the gauge pressures [bar].

    The car is read once at every pressure of a ladder.
    """
    batch = car.take(np.zeros(len(_LADDER_BAR), dtype=int))
    kpa = _LADDER_BAR * KPA_PER_BAR + SEA_LEVEL_KPA
    scales = {}
    for name in watched_readings(knowledge):
        # what masks the reading on this car is left out: it says nothing of the scale
        alone = InspectionBatch(
            batch.rows,
            readings={**batch.readings, name: kpa},
            choices=batch.choices,
            numbers=batch.numbers,
        )
        distance = encode(alone, knowledge).readings[name].residual
        read = ~np.isnan(distance)
        scales[name] = distance[read], _LADDER_BAR[read]
    return scales
