"""What a reading or a condition cannot be."""

from __future__ import annotations

from collections.abc import Mapping
from typing import NamedTuple

import numpy as np

from loopodds.aliases import BoolArray, FloatArray
from loopodds.gauges import NAMEPLATES, masked_rows
from loopodds.inspection import NUMBERS, InspectionBatch, reading_dimension
from loopodds.knowledge import Knowledge
from loopodds.phrases import lowered
from loopodds.refrigerants import SUPPORTED, refrigerant
from loopodds.units import INTERNAL_UNITS, Dimension

# engineering estimates, wide on purpose: outside them it is a slip of the pen, not a rare car
LIMITS: Mapping[str, tuple[float, float, str]] = {
    "ambient_c": (-50.0, 60.0, "air around a car is between -50 and 60 degC"),
    "humidity_pct": (0.0, 100.0, "relative humidity is between 0 and 100 %"),
    "altitude_m": (-500.0, 6000.0, "roads lie between -500 and 6000 m"),
    "nameplate_charge_g": (1.0, 20000.0, "a nameplate charge is between 1 g and 20 kg"),
    "nameplate_oil_g": (1.0, 5000.0, "a nameplate oil mass is between 1 g and 5 kg"),
}
READING_LIMITS: Mapping[Dimension, tuple[float, float, str]] = {
    "temperature": (-100.0, 250.0, "no part of a loop is outside -100 to 250 degC"),
    "difference": (-150.0, 150.0, "no temperature difference in a loop is above 150 K"),
    "mass": (0.0, 20000.0, "a mass in a loop is between 0 g and 20 kg"),
    "share": (0.0, 100.0, "a share is between 0 and 100 %"),
}
MOST_TIMES_NAMEPLATE = 10.0  # a loop brim-full of liquid holds some six times its charge
EQUAL_SIDES_KPA = 50.0


class Impossible(NamedTuple):
    """A value that cannot be; ``column`` is the name it has in a case."""

    row: int
    column: str
    value: float
    reason: str


def impossible_readings(batch: InspectionBatch, knowledge: Knowledge) -> list[Impossible]:
    """Values that no car can have, each once with the first reason; sorted by row.

    A pressure without a refrigerant is among them: it cannot be turned into a temperature.

    Raises
    ------
    UnknownName
        If the batch has a reading that the knowledge does not know.
    """
    found: list[Impossible] = []
    for name, (low, high, reason) in LIMITS.items():
        if name in batch.numbers:
            values = batch.numbers[name]
            found += _marked(outside(values, low, high), NUMBERS[name][0], values, reason)
    for name, values in batch.readings.items():
        dimension = reading_dimension(name, knowledge)
        if dimension == "pressure":
            found += _impossible_pressures(name, batch)
        else:
            low, high, reason = _limits(name, dimension, knowledge)
            found += _marked(outside(values, low, high), name, values, reason)
    found += _more_than_the_loop_holds(batch)
    found += _sides_the_wrong_way_round(batch, knowledge)
    first: dict[tuple[int, str], Impossible] = {}
    for one in found:
        first.setdefault((one.row, one.column), one)
    return sorted(first.values(), key=lambda one: one.row)


def _limits(name: str, dimension: Dimension, knowledge: Knowledge) -> tuple[float, float, str]:
    """Limits of a reading: its own, in internal units, where the knowledge gives them."""
    node = knowledge.of_kind("gauge").get(name)
    if node is None or "possible" not in node.raw:
        return READING_LIMITS[dimension]
    low, high = node.raw["possible"]
    unit = INTERNAL_UNITS[dimension]
    return low, high, f"{lowered(node.title)} is between {low:g} and {high:g} {unit}"


def outside(values: FloatArray, low: float, high: float) -> BoolArray:
    """Which values lie outside a range or are infinite; NaN (not observed) does not."""
    result: BoolArray = (values < low) | (values > high)
    return result


def _marked(bad: BoolArray, column: str, values: FloatArray, reason: str) -> list[Impossible]:
    rows = np.flatnonzero(bad).tolist()
    return [Impossible(row, column, float(values[row]), reason) for row in rows]


def _impossible_pressures(name: str, batch: InspectionBatch) -> list[Impossible]:
    pressure = batch.reading(name)
    code = batch.choice("refrigerant")
    unstated = (code < 0) & ~np.isnan(pressure)
    options = " or ".join(SUPPORTED)
    reason = f"a pressure says nothing while the refrigerant is not stated; state {options}"
    found = _marked(unstated, name, pressure, reason)
    for index, fluid in enumerate(map(refrigerant, SUPPORTED)):
        beyond = (code == index) & ~fluid.covers_pressure(pressure)
        top, bottom = fluid.critical_pressure_kpa, fluid.lowest_pressure_kpa
        reason = f"above the critical pressure of {fluid.name} ({top:.0f} kPa abs); check the unit"
        found += _marked(beyond & (pressure >= top), name, pressure, reason)
        reason = f"below {bottom:.2g} kPa abs, where the {fluid.name} curve ends; check the unit"
        found += _marked(beyond & (pressure < bottom), name, pressure, reason)
    return found


def _more_than_the_loop_holds(batch: InspectionBatch) -> list[Impossible]:
    found = []
    for name, nameplate in NAMEPLATES.items():
        mass = batch.reading(name)
        reason = f"more than {MOST_TIMES_NAMEPLATE:.0f} times the nameplate; check the unit"
        too_much = mass > MOST_TIMES_NAMEPLATE * batch.number(nameplate)
        found += _marked(too_much, name, mass, reason)
    return found


def _sides_the_wrong_way_round(batch: InspectionBatch, knowledge: Knowledge) -> list[Impossible]:
    high, low = batch.reading("high_side"), batch.reading("low_side")
    if np.isnan(high).all() or np.isnan(low).all():
        return []
    stopped = np.zeros(batch.rows, bool)
    for name in ("high_side", "low_side"):
        stopped |= masked_rows(knowledge.node(name), batch, knowledge)
    slack = np.where(_sides_equal(batch, knowledge), EQUAL_SIDES_KPA, 0.0)
    reason = (
        "below the low side with the compressor running; check which hose is which, or record "
        'sides_equal = "yes" or compressor_cycle = "cut_out" if that was seen'
    )
    return _marked((high < low - slack) & ~stopped, "high_side", high, reason)


def _sides_equal(batch: InspectionBatch, knowledge: Knowledge) -> BoolArray:
    if "sides_equal" not in batch.codes:
        return np.zeros(batch.rows, bool)
    yes: BoolArray = batch.codes["sides_equal"] == knowledge.node("sides_equal").states.index("yes")
    return yes
