"""Archives drawn from a knowledge, row after row as a workshop would write them, for the watch."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pyarrow as pa
import pyarrow.csv
import pyarrow.parquet
from loopodds.base.arrays import FloatArray, IntArray
from loopodds.base.units import column_unit
from loopodds.diagnosis.model import Model
from loopodds.diagnosis.predictions import instrument_readings
from loopodds.diagnosis.simulation import simulate_network
from loopodds.inspection.inspection import InspectionBatch
from loopodds.inspection.vocabulary import CHOICES, reading_dimension

UNITS = {
    "pressure": "bar", "temperature": "degC", "difference": "K", "mass": "g", "share": "pct",
    "volume_share": "pct",
}  # fmt: skip
SEEN = 0.35
"""Share of the looks that are taken, whatever the car: what may hide others always is."""


@dataclass(slots=True, eq=False)
class Rows:
    """Invented inspections: words as states (-1 is not recorded), readings in internal units."""

    model: Model
    words: dict[str, IntArray]
    readings: dict[str, FloatArray]
    choices: dict[str, IntArray]
    numbers: dict[str, FloatArray]
    more: dict[str, list[str]]  # further columns

    @property
    def count(self) -> int:
        """How many there are."""
        return len(self.numbers["ambient_c"])

    def write(self, path: Path) -> Path:
        """As CSV or Parquet, by the end of the name."""
        columns: dict[str, object] = dict(self.more)
        for name, codes in self.choices.items():
            columns[name] = np.array([*CHOICES[name], None], object)[codes]
        columns["ambient_degC"] = self.numbers["ambient_c"]
        columns["humidity_pct"] = self.numbers["humidity_pct"]
        columns["nameplate_charge_g"] = self.numbers["nameplate_charge_g"]
        columns["nameplate_oil_g"] = self.numbers["nameplate_oil_g"]
        for name, codes in self.words.items():
            columns[name] = np.array([*self.model.states(name), None], object)[codes]
        for name, value in self.readings.items():
            dimension = reading_dimension(name, self.model.knowledge)
            unit = UNITS.get(dimension)
            if unit is None:
                continue
            there = column_unit(unit, dimension).from_internal(value)
            columns[f"{name}_{unit}"] = pa.array(np.round(there, 3), from_pandas=True)
        table = pa.table(columns)
        if path.suffix == ".parquet":
            pa.parquet.write_table(table, path, row_group_size=8192)
        else:
            pa.csv.write_csv(table, path)
        return path


def drawn_rows(
    model: Model,
    count: int,
    rng: np.random.Generator,
    ambient: Callable[[FloatArray], FloatArray] = lambda at: 24 + 0 * at,
    seen: float = SEEN,
    keep: tuple[str, ...] = (),
    alike: bool = False,
) -> Rows:
    """Inspections in the order of time, drawn from the network of their conditions.

    Args:
        ambient: Mean temperature of the air [degC] at each share of the time from zero to one.
        seen: Share of the looks that are taken.
        keep: Findings and gauges that are looked at every time.
        alike: Whether all cars have one refrigerant, expansion device and compressor.
    """
    knowledge, at = model.knowledge, np.arange(count) / count
    choices = {
        "refrigerant": rng.choice(2, count, p=[0.65, 0.35]),
        "expansion": rng.choice(2, count, p=[0.8, 0.2]),
        "compressor": rng.choice(3, count, p=[0.35, 0.5, 0.15]),
    }
    if alike:
        choices = {name: np.zeros(count, np.int64) for name in choices}
    numbers = {
        "ambient_c": np.round(rng.normal(ambient(at), 4.0).clip(2, 42), 1),
        "humidity_pct": np.round(rng.normal(55.0, 14.0, count).clip(15, 95)),
        "nameplate_charge_g": rng.choice([420.0, 480.0, 520.0, 560.0, 650.0, 800.0], count),
        "nameplate_oil_g": rng.choice([90.0, 120.0, 150.0], count),
    }
    weather = knowledge.contexts["weather"]
    edges = weather.edges or (18.0,)
    band = np.searchsorted(edges, numbers["ambient_c"], side="right")
    kinds = np.stack([*choices.values(), band], axis=1)
    words: dict[str, IntArray] = {}
    residuals: dict[str, FloatArray] = {}
    for kind in np.unique(kinds, axis=0):
        where = np.flatnonzero((kinds == kind).all(axis=1))
        context = {name: CHOICES[name][i] for name, i in zip(choices, kind, strict=False)}
        context["weather"] = weather.values[kind[-1]]
        network = model.tree(context).network
        cars = simulate_network(network, knowledge, len(where), rng)
        for name, codes in cars.evidence.codes.items():
            words.setdefault(name, np.full(count, -1))[where] = codes
        for name, (value, _) in cars.evidence.numbers.items():
            residuals.setdefault(name, np.full(count, np.nan))[where] = value
    batch = InspectionBatch(count, choices=choices, numbers=numbers)
    readings = instrument_readings(residuals, batch, knowledge, rng)
    nodes = knowledge.of_kind("history", "finding", "gauge")
    always = {h for node in nodes.values() for h in (*node.masked_by, *node.veiled_by)} | set(keep)
    for name in words:
        if nodes[name].brings_in:
            words[name][:] = -1
        elif name not in always:
            words[name][rng.random(count) >= seen] = -1
    for name, value in readings.items():
        if name not in (*keep, "static_temperature"):
            value[rng.random(count) >= seen] = np.nan
    return Rows(model, words, readings, choices, numbers, {})


def seen_by(
    count: int, rng: np.random.Generator, days: int, technicians: int
) -> dict[str, list[str]]:
    """Further columns: dates from the new year on, one of six gauges, and who looked."""
    dates = np.datetime64("2026-01-01") + np.arange(count) * days // count
    return {
        "date": dates.astype(str).tolist(),
        "gauge": [f"gauge {i}" for i in rng.integers(1, 7, count)],
        "technician": [f"T{i}" for i in rng.integers(1, technicians + 1, count)],
    }
