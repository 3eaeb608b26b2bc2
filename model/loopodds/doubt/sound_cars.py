"""Published readings of sound cars held against what the knowledge expects of a sound car.

Every row of a published table becomes an inspection in the conditions that the table states; what
it leaves open is averaged over, as for any car.
"""

import math
from collections.abc import Iterator, Mapping
from typing import NamedTuple

import numpy as np

from loopodds.base.arrays import FloatArray, IntArray
from loopodds.base.unit_table import SEA_LEVEL_KPA
from loopodds.doubt.beta import QUANTILE_90
from loopodds.inspection.encoding import encode
from loopodds.inspection.inspection import InspectionBatch
from loopodds.inspection.vocabulary import CHOICES
from loopodds.knowledge.records import Knowledge
from loopodds.physics.published import PublishedTable, published_tables
from loopodds.physics.refrigerants import KPA_PER_BAR, SUPPORTED, refrigerant

GAUGES = {
    "high_side_bar": "high_side",
    "condensing_lift_k": "high_side",
    "low_side_bar": "low_side",
    "vent_c": "vent",
}
"""Gauge of each published quantity."""
WORDS: Mapping[str, Mapping[str, Mapping[str, str]]] = {
    "expansion": {"device": {"txv": "TXV", "orifice": "orifice"}},
    "compressor": {
        "compressor": {"fixed": "fixed", "variable": "variable", "electric": "electric"}
    },
    "air_intake": {"air": {"recirculation": "recirculated", "fresh": "fresh"}},
    "doors": {"doors": {"open": "open", "closed": "shut"}, "windows": {"open": "open"}},
}
"""What the words of a table are in a case."""
BLOWER_PCT = {"high": 100.0, "low": 40.0}
IDLE_RPM = 800.0


class Cell(NamedTuple):
    """One row of a published table held against the knowledge; in the scale of its gauge."""

    table: str
    gauge: str
    calibration: str  # ``in`` or ``out``
    ambient_c: float
    low: float  # lowest limit less what is expected; minus infinity where none is printed
    high: float  # highest limit less what is expected; infinity where none is printed
    spread: float  # standard deviation that the knowledge states of sound cars there

    @property
    def middle(self) -> float:
        """Middle of the limits less what is expected; of one limit how far that is beyond it."""
        if self.two_sided:
            return (self.low + self.high) / 2
        return min(max(0.0, self.low), self.high)

    @property
    def two_sided(self) -> bool:
        """Whether both limits are printed."""
        return math.isfinite(self.low) and math.isfinite(self.high)

    @property
    def inside(self) -> bool:
        """Whether the middle lies among nine in ten sound cars."""
        return abs(self.middle) <= QUANTILE_90 * self.spread

    @property
    def side(self) -> int:
        """1 where even the lowest limit lies above those, -1 where even the highest lies below."""
        reach = QUANTILE_90 * self.spread
        return int(self.low > reach) - int(self.high < -reach)


def published_cells(knowledge: Knowledge) -> list[Cell]:
    """Every row of the published tables but those of trade pages, which name neither car nor
    measurement.
    """
    tables = [t for t in published_tables().values() if t.kind != "trade-page"]
    return [cell for table in tables for cell in _of_table(table, knowledge)]


def _of_table(table: PublishedTable, knowledge: Knowledge) -> Iterator[Cell]:
    air = table.air_c.mean(axis=1)
    for quantity, gauge in GAUGES.items():
        rows = np.flatnonzero(table.rows(quantity))
        # of the air at the condenser nothing follows for what the evaporator takes in
        if not len(rows) or (gauge == "vent" and table.place == "condenser inlet"):
            continue
        values = (
            table.limits if quantity == "vent_c" else table.limits * KPA_PER_BAR + SEA_LEVEL_KPA
        )
        if quantity == "condensing_lift_k":
            values = _pressure(table, air[:, None] + table.limits)
        middles = np.nanmean(values[rows], axis=1)
        read = encode(_inspections(table, rows, gauge, middles), knowledge).readings[gauge]
        spread = np.hypot(knowledge.gauges[gauge].spread, read.extra)
        low, high = (
            encode(_inspections(table, rows, gauge, np.where(np.isnan(v), middles, v)), knowledge)
            .readings[gauge].residual
            for v in values[rows].T
        )  # fmt: skip
        for at, row in enumerate(rows):
            one, other = values[row]
            yield Cell(
                table.name, gauge, table.calibration, float(air[row]),
                float("-inf") if np.isnan(one) else float(low[at]),
                float("inf") if np.isnan(other) else float(high[at]), float(spread[at]),
            )  # fmt: skip


def _pressure(table: PublishedTable, temperature_c: FloatArray) -> FloatArray:
    gas = table.refrigerant if table.refrigerant in SUPPORTED else SUPPORTED[0]
    return refrigerant(gas).saturation_pressure(temperature_c)


def _inspections(
    table: PublishedTable, rows: IntArray, gauge: str, values: FloatArray
) -> InspectionBatch:
    """Rows of a table as inspections; air told at the evaporator is taken as it comes in."""
    said: dict[str, str] = {}
    for name, columns in WORDS.items():
        for column, words in columns.items():
            if (word := words.get(getattr(table, column))) is not None:
                said[name] = word
    if table.place == "evaporator inlet":
        said["air_intake"] = "fresh"
    gas = table.refrigerant if table.refrigerant in SUPPORTED else SUPPORTED[0]
    said["refrigerant"] = gas
    rpm = IDLE_RPM if table.idle else table.rpm
    count = len(rows)
    numbers = {
        "ambient_c": table.air_c[rows].mean(axis=1),
        "humidity_pct": table.humidity[rows].mean(axis=1),
        "engine_rpm": np.full(count, rpm),
        "blower_pct": np.full(count, BLOWER_PCT.get(table.blower, np.nan)),
        "running_min": np.full(count, 30.0),
    }
    choices = {
        name: np.full(count, CHOICES[name].index(word), np.int8) for name, word in said.items()
    }
    return InspectionBatch(count, readings={gauge: values}, choices=choices, numbers=numbers)
