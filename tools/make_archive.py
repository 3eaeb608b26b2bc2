"""Make the demo archives: invented inspections in two ways of writing, some of them spoilt.

Run from the top of the checkout: ``python tools/make_archive.py``. It rewrites
``data/loopodds_data/archive/metric.csv.gz`` and ``us.csv.gz``. The cars are drawn from the shipped
knowledge itself, so the archives show how scoring works and are no evidence of its accuracy.
"""

from __future__ import annotations

import argparse
import csv
import gzip
import io
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from loopodds.base.arrays import BoolArray, FloatArray, IntArray
from loopodds.base.units import column_unit
from loopodds.diagnosis.model import Context, Model
from loopodds.diagnosis.simulation import SimulatedCars, brought_in_for, simulate
from loopodds.inspection.encoding import encode
from loopodds.inspection.gauges import NAMEPLATES
from loopodds.inspection.inspection import InspectionBatch
from loopodds.inspection.vocabulary import CHOICES, reading_dimension
from loopodds.physics.refrigerants import refrigerant

FOLDER = Path(__file__).parent.parent / "data" / "loopodds_data" / "archive"
SEED = 20240611
ROWS = {"metric": 2400, "us": 1600}

# invented habits: how often a test is made at all, where it is not one time in ten
MADE = {
    "interview": 0.7, "cold_look": 0.7, "pressure_test": 0.8, "vent_test": 0.7,
    "capture_sample": 0.6, "sample_let_off": 0.5, "refrigerant_identification": 0.6,
    "leak_stop_check": 0.4, "label_check": 0.5, "recover_and_weigh": 0.4, "running_look": 0.4,
    "sight_glass_look": 0.3, "temperature_test": 0.3, "detector_search": 0.2,
}  # fmt: skip
SELDOM = 0.1
HISTORY_TOLD = 0.25
OUTCOME_RECORDED = 0.7
FAULT_OVERLOOKED = 0.08
SOUND_RECORDED = 0.15
METRIC_UNITS = {
    "pressure": "bar", "temperature": "degC", "difference": "K", "mass": "g", "share": "pct",
    "volume_share": "pct",
}  # fmt: skip


@dataclass(frozen=True, slots=True, eq=False)
class Cars:
    """Invented cars with everything that is recorded of them; all arrays have shape (rows,).

    ``words`` and ``outcomes`` hold state indices, -1 is not recorded; ``numbers`` are in internal
    units, NaN is not recorded; ``choices`` are indices into ``CHOICES``.
    """

    words: dict[str, IntArray]
    numbers: dict[str, FloatArray]
    choices: dict[str, IntArray]
    outcomes: dict[str, IntArray]


def draw_cars(model: Model, rows: int, rng: np.random.Generator) -> Cars:
    """Cars as they come into a workshop, seen as a workshop sees them."""
    choices = {
        "refrigerant": rng.choice(2, rows, p=[0.65, 0.35]),
        "expansion": rng.choice(2, rows, p=[0.8, 0.2]),
        "compressor": rng.choice(3, rows, p=[0.35, 0.5, 0.15]),
        "setting": rng.choice(2, rows, p=[0.7, 0.3]),
    }
    numbers = {
        "ambient_c": np.round(rng.normal(24.0, 6.0, rows).clip(2, 42), 1),
        "humidity_pct": np.round(rng.normal(55.0, 14.0, rows).clip(15, 95)),
        "nameplate_charge_g": rng.choice([420.0, 480.0, 520.0, 560.0, 650.0, 800.0], rows),
        "nameplate_oil_g": rng.choice([90.0, 120.0, 150.0], rows),
    }
    words: dict[str, IntArray] = {}
    residuals: dict[str, FloatArray] = {}
    states: dict[str, IntArray] = {}
    weather = model.knowledge.contexts["weather"]
    band = np.searchsorted(weather.edges, numbers["ambient_c"], side="right")
    kinds = np.stack([*choices.values(), band], axis=1)
    for kind in np.unique(kinds, axis=0):
        where = np.flatnonzero((kinds == kind).all(axis=1))
        context = {name: CHOICES[name][i] for name, i in zip(choices, kind, strict=False)}
        context["weather"] = weather.values[kind[-1]]
        cars = _coming(model, context, len(where), rng)
        for target, source in (
            (words, cars.evidence.codes),
            (states, cars.states),
            (residuals, {name: pair[0] for name, pair in cars.evidence.numbers.items()}),
        ):
            for name, values in source.items():
                target.setdefault(name, np.zeros(rows, np.asarray(values).dtype))[where] = values
    readings = _raw_readings(model, residuals, choices, numbers)
    outcomes = _outcomes(model, states, rng)
    seen = _seen(model, rows, rng)
    return Cars(
        {name: np.where(seen[name], codes, -1) for name, codes in words.items()},
        {**numbers, **{n: np.where(seen[n], v, np.nan) for n, v in readings.items()}},
        choices,
        outcomes,
    )


def _coming(model: Model, context: Context, count: int, rng: np.random.Generator) -> SimulatedCars:
    """Cars that come for what the context says: with a complaint, or without."""
    drawn = simulate(model, {k: v for k, v in context.items() if k != "setting"}, 20 * count, rng)
    came = np.any([*brought_in_for(drawn, model.knowledge, rng).values()], axis=0)
    rows = np.flatnonzero(came == (context["setting"] == "complaint"))[:count]
    if len(rows) < count:
        raise RuntimeError(f"only {len(rows)} of {20 * count} cars come for {context['setting']}")
    states = {name: codes[rows] for name, codes in drawn.states.items()}
    return SimulatedCars(states, drawn.evidence.take(rows))


def _raw_readings(
    model: Model,
    residuals: Mapping[str, FloatArray],
    choices: Mapping[str, IntArray],
    numbers: Mapping[str, FloatArray],
) -> dict[str, FloatArray]:
    """What the instruments show, from the distance to what a sound loop would show."""
    rows = len(numbers["ambient_c"])
    anything = {name: np.full(rows, 20.0) for name in residuals}
    batch = InspectionBatch(rows, readings=anything, choices=choices, numbers=numbers)
    readings = {}
    for name, gauge in encode(batch, model.knowledge).readings.items():
        value = gauge.expected + residuals[name]
        transform = model.knowledge.node(name).transform
        if transform in ("condensing_lift", "static_residual"):
            value = value + numbers["ambient_c"]
        if reading_dimension(name, model.knowledge) == "pressure":
            value = _pressure(value, choices["refrigerant"])
        if name in NAMEPLATES:
            value = np.maximum(value, 0.0) * numbers[NAMEPLATES[name]] / 100.0
        if reading_dimension(name, model.knowledge).endswith("share"):
            value = value.clip(0.0, 100.0)
        readings[name] = value
    low, high = readings["low_side"], readings["high_side"]
    readings["high_side"] = np.where(high < low, np.nan, high)
    return readings


def _pressure(saturation_c: FloatArray, fluid: IntArray) -> FloatArray:
    limited = np.clip(saturation_c, -60.0, 90.0)
    each = [refrigerant(name).saturation_pressure(limited) for name in CHOICES["refrigerant"]]
    return np.where(np.isnan(saturation_c), np.nan, np.choose(fluid, each))


def _seen(model: Model, rows: int, rng: np.random.Generator) -> dict[str, BoolArray]:
    seen = {n: rng.random(rows) < HISTORY_TOLD for n in model.knowledge.of_kind("history")}
    for name in model.knowledge.of_kind("finding", "gauge"):
        seen[name] = np.zeros(rows, bool)
    for name, test in model.knowledge.tests.items():
        made = rng.random(rows) < MADE.get(name, SELDOM)
        for finding in test.yields:
            # now and then one thing that a test shows is not written down
            seen[finding] |= made & (rng.random(rows) < 0.9)
    return seen


def _outcomes(
    model: Model, states: Mapping[str, IntArray], rng: np.random.Generator
) -> dict[str, IntArray]:
    """Outcomes as recorded: mostly the faults that were there, now and then one is missing."""
    rows = len(states[model.faults[0]])
    recorded = rng.random(rows) < OUTCOME_RECORDED
    outcomes = {}
    for name in model.faults:
        state = states[name]
        noted = (state > 0) & (rng.random(rows) >= FAULT_OVERLOOKED)
        noted |= (state == 0) & (rng.random(rows) < SOUND_RECORDED)
        outcomes[name] = np.where(recorded & noted, state, -1)
    return outcomes


Rows = list[dict[str, str]]


def metric_rows(model: Model, cars: Cars, rng: np.random.Generator) -> Rows:
    """In the form that loopodds reads by itself."""
    columns: dict[str, list[str]] = _own_columns("M", cars, rng)
    for name, codes in cars.choices.items():
        columns[name] = _texts(codes, CHOICES[name])
    for name, values in cars.numbers.items():
        if name in model.knowledge.nodes:
            dimension = reading_dimension(name, model.knowledge)
            unit = METRIC_UNITS[dimension]
            digits = 2 if unit == "bar" else 1
            there = column_unit(unit, dimension).from_internal(values)
            columns[f"{name}_{unit}"] = _numbers(there, digits)
        else:
            columns[name.replace("ambient_c", "ambient_degC")] = _numbers(values, 0)
    for name, codes in cars.words.items():
        columns[name] = _texts(codes, model.states(name))
    for name, codes in cars.outcomes.items():
        columns[f"confirmed_{name}"] = _texts(codes, model.states(name))
    return [dict(zip(columns, cells, strict=True)) for cells in zip(*columns.values(), strict=True)]


US_READINGS = {
    "low_side": ("Low side", "psi"), "high_side": ("High side", "psi"), "vent": ("Vent F", "degF"),
    "static_pressure": ("Static", "psi"), "recovered": ("Recovered oz", "oz"),
    "superheat": ("Superheat F", "deltaF"), "subcooling": ("Subcool F", "deltaF"),
}  # fmt: skip
US_WORDS = {
    "cooling": ("Customer says", {"good": "OK", "weak": "weak", "none": "no cold"}),
    "compressor_cycle": ("Clutch", {"steady": "ON", "short_cycling": "CYCLES", "cut_out": "OFF"}),
    "sample_bubbles": ("Bubbles stay", {"none": "N", "persisting": "Y"}),
    "moisture_indicator": ("Indicator", {"dry": "blue", "damp": "violet", "wet": "pink"}),
    "fan_check": ("Fan", {"works": "OK", "one_stage": "one stage", "slow": "slow", "dead": "dead"}),
    "oily_dirt": ("Oily spots", {"none": "N", "present": "Y"}),
    "opened_without_new_drier": ("Drier reused", {"no": "N", "yes": "Y"}),
    "stop_leak_used": ("Stop leak", {"no": "N", "yes": "Y"}),
    "topped_up_without_weighing": ("Topped off", {"no": "N", "yes": "Y"}),
}
US_FOUND = {
    "leak": "leak", "moisture": "water", "compressor_wear": "compressor worn",
    "condenser_airflow": "condenser blocked", "air": "air", "foreign_sealant": "stop leak",
}  # fmt: skip


def us_rows(model: Model, cars: Cars, rng: np.random.Generator) -> Rows:
    """As another workshop might keep it: own headings, own words, US units, one diagnosis."""
    columns = _own_columns("U", cars, rng)
    columns["Refrigerant"] = _texts(cars.choices["refrigerant"], ("R-134a", "R-1234yf"))
    columns["Metering"] = _texts(cars.choices["expansion"], ("valve", "tube"))
    columns["Compressor"] = _texts(cars.choices["compressor"], ("FIX", "VAR", "ELEC"))
    columns["Visit"] = _texts(cars.choices["setting"], ("concern", "service"))
    columns["Air F"] = _numbers(cars.numbers["ambient_c"] * 1.8 + 32, 0)
    columns["RH"] = _numbers(cars.numbers["humidity_pct"], 0)
    charge = column_unit("oz").from_internal(cars.numbers["nameplate_charge_g"])
    columns["Label charge oz"] = _numbers(charge, 1)
    for name, (heading, suffix) in US_READINGS.items():
        values = column_unit(suffix).from_internal(cars.numbers[name])
        columns[heading] = _numbers(values, 0 if suffix == "psi" else 1)
    for name, (heading, words) in US_WORDS.items():
        columns[heading] = _texts(cars.words[name], [words[s] for s in model.states(name)])
    columns["Oil color"] = _oil_colours(model, cars)
    columns["Found"] = _diagnoses(cars)
    return [dict(zip(columns, cells, strict=True)) for cells in zip(*columns.values(), strict=True)]


def _oil_colours(model: Model, cars: Cars) -> list[str]:
    """One word for darkening and greenness together, as workshops write it."""
    dark = _texts(cars.words["sample_darkening"], model.states("sample_darkening"))
    green = _texts(cars.words["sample_greenness"], model.states("sample_greenness"))
    return [
        "GREEN" if g == "deep" and d in ("none", "") else d.replace("_", " ").upper()
        for d, g in zip(dark, green, strict=True)
    ]


def _diagnoses(cars: Cars) -> list[str]:
    found = [""] * len(cars.choices["setting"])
    for name, words in US_FOUND.items():
        for row in np.flatnonzero(cars.outcomes[name] > 0).tolist():
            found[row] = found[row] or words
    return found


def _own_columns(mark: str, cars: Cars, rng: np.random.Generator) -> dict[str, list[str]]:
    rows = len(cars.choices["setting"])
    notes = ["", "", "", "invented", 'said "fine", then left', "came back, see last visit"]
    return {
        "order": [f"{mark}{number:05d}" for number in range(1, rows + 1)],
        "workshop": [f"invented {number}" for number in rng.integers(1, 7, rows)],
        "remark": rng.choice(notes, rows).tolist(),
    }


def _texts(codes: IntArray, words: Sequence[str]) -> list[str]:
    return ["" if code < 0 else words[code] for code in codes.tolist()]


def _numbers(values: FloatArray, digits: int) -> list[str]:
    # adding zero turns a rounded -0 into 0
    return ["" if np.isnan(v) else f"{round(v, digits) + 0.0:.{digits}f}" for v in values.tolist()]


def csv_bytes(rows: Rows, slips: Mapping[str, Sequence[str]], rng: np.random.Generator) -> bytes:
    """CSV text with some cells empty, some mistyped, some impossible and some lines broken."""
    columns = list(rows[0])
    for row in rows:
        for name, wrong in slips.items():
            if rng.random() < 0.003:
                row[name] = str(rng.choice(list(wrong)))
        # the column after these is the refrigerant, without which no pressure can be used
        for name in columns[4:]:
            if rng.random() < 0.02:
                row[name] = ""
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow(columns)
    writer.writerows(row.values() for row in rows)
    lines = text.getvalue().encode().split(b"\n")
    for number in rng.choice(np.arange(1, len(lines) - 1), 6, replace=False).tolist():
        line = lines[number]
        broken = (
            line[: len(line) // 2],
            line + b",extra",
            line.replace(b"invented", b"inv\xe9nt", 1),
        )
        lines[number] = broken[number % 3]
    return b"\n".join(lines)


METRIC_SLIPS = {
    "sample_darkening": ["bown", "lightgrey"], "refrigerant": ["R22", "r134a"],
    "low_side_bar": ["2,1", "21.0", "low"], "high_side_bar": ["255", "-4"],
    "ambient_degC": ["300", "86"], "humidity_pct": ["450"], "sample_specks": ["metall", "yes"],
}  # fmt: skip
US_SLIPS = {
    "Low side": ["30.", "3O", "900"], "High side": ["2550"], "Refrigerant": ["R-12", "134"],
    "Oil color": ["ROSE"], "Clutch": ["on"], "Air F": ["-90"],
}  # fmt: skip


def main() -> None:
    """Write both archives."""
    parser = argparse.ArgumentParser(description=__doc__.split("\n", 1)[0])
    parser.add_argument("--out", type=Path, default=FOLDER)
    folder: Path = parser.parse_args().out
    folder.mkdir(parents=True, exist_ok=True)
    model, rng = Model(), np.random.default_rng(SEED)
    written = {
        "metric": csv_bytes(
            metric_rows(model, draw_cars(model, ROWS["metric"], rng), rng), METRIC_SLIPS, rng
        ),
        "us": csv_bytes(us_rows(model, draw_cars(model, ROWS["us"], rng), rng), US_SLIPS, rng),
    }
    for name, data in written.items():
        (folder / f"{name}.csv.gz").write_bytes(gzip.compress(data, 9, mtime=0))
        print(f"{name}: {len(data.splitlines())} lines, {len(data)} bytes")


if __name__ == "__main__":
    main()
