"""Make the demo archives: invented inspections in two ways of writing, some of them spoilt.

Run from the top of the checkout: ``python tools/make_archive.py``. It rewrites
``data/loopodds_data/archive/metric.csv.gz`` and ``us.csv.gz``. The cars, their outcomes and what is
read on them are drawn from the shipped knowledge itself, so the archives show how scoring, learning
and watching work and are no evidence of accuracy. One reader says shades too dark, on purpose.
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
from loopodds.diagnosis.model import Model
from loopodds.diagnosis.predictions import instrument_readings
from loopodds.diagnosis.simulation import brought_in_for, simulate
from loopodds.inspection.gauges import STATIC_UNMEASURED_K, STATIC_UNMEASURED_WARMER_K
from loopodds.inspection.inspection import InspectionBatch
from loopodds.inspection.vocabulary import (
    CHOICES,
    COMPLAINT,
    LOOKED_BY,
    ROUTINE,
    SECOND,
    names_in,
    reading_dimension,
)
from loopodds.knowledge.tables import as_the_trade
from loopodds.upkeep.confirmation import CONFIRMED_BY, rates_of, read_ways, report_table
from loopodds.upkeep.habits import ASKED_BY, REASONS

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
STATIC_TEMPERATURE_READ = 0.5
# cars are opened for what is on record of them: the chance of an outcome, and its way, in the order
# of confirmation.toml, of cars whose sample is brown, black or full of specks and of all others
OUTCOME_RECORDED = {"bad": 0.9, "other": 0.6}
WAYS = {"bad": (0.6, 0.2, 0.2), "other": (0.2, 0.4, 0.4)}
BAD = {"sample_darkening": ("brown", "black"), "sample_specks": ("grit", "polymer", "metal")}
ASKED = {"complaint": (0.3, 0.5, 0.1, 0.1), "routine": (0.3, 0.0, 0.6, 0.1)}  # as REASONS
READERS = ("invented reader 1", "invented reader 2")
FIRST_LOOKS, SECOND_LOOK = (0.95, 0.05), 0.3
TOO_DARK, A_STEP_DARKER = 1, 0.2
"""The second of the readers says a shade one step darker that often."""
METRIC_UNITS = {
    "pressure": "bar", "temperature": "degC", "difference": "K", "mass": "g", "share": "pct",
    "volume_share": "pct",
}  # fmt: skip


@dataclass(frozen=True, slots=True, eq=False)
class Cars:
    """Invented cars with everything that is recorded of them; all arrays have shape (rows,).

    ``words`` and ``outcomes`` hold state indices, -1 is not recorded; ``numbers`` are in internal
    units, NaN is not recorded; ``choices`` are indices into ``CHOICES``; ``said`` is text, empty
    where not recorded: who looked, the second look, why tests were done, how outcomes were found.
    """

    words: dict[str, IntArray]
    numbers: dict[str, FloatArray]
    choices: dict[str, IntArray]
    outcomes: dict[str, IntArray]
    said: dict[str, list[str]]


def draw_cars(model: Model, rows: int, rng: np.random.Generator) -> Cars:
    """Cars as they come into a workshop, seen as a workshop sees them."""
    choices = {
        "refrigerant": rng.choice(2, rows, p=[0.65, 0.35]),
        "expansion": rng.choice(2, rows, p=[0.8, 0.2]),
        "compressor": rng.choice(3, rows, p=[0.35, 0.5, 0.15]),
    }
    numbers = {
        "ambient_c": np.round(rng.normal(24.0, 6.0, rows).clip(2, 42)),
        "humidity_pct": np.round(rng.normal(55.0, 14.0, rows).clip(15, 95)),
        "nameplate_charge_g": rng.choice([420.0, 480.0, 520.0, 560.0, 650.0, 800.0], rows),
        "nameplate_oil_g": rng.choice([90.0, 120.0, 150.0], rows),
    }
    words: dict[str, IntArray] = {}
    residuals: dict[str, FloatArray] = {}
    states: dict[str, IntArray] = {}
    came_for: dict[str, BoolArray] = {}
    weather = model.knowledge.contexts["weather"]
    band = np.searchsorted(weather.edges, numbers["ambient_c"], side="right")
    kinds = np.stack([*choices.values(), band], axis=1)
    for kind in np.unique(kinds, axis=0):
        where = np.flatnonzero((kinds == kind).all(axis=1))
        context = {name: CHOICES[name][i] for name, i in zip(choices, kind, strict=False)}
        context["weather"] = weather.values[kind[-1]]
        cars = simulate(model, context, len(where), rng)
        for target, source in (
            (words, cars.evidence.codes),
            (states, cars.states),
            (came_for, brought_in_for(cars, model.knowledge, rng)),
            (residuals, {name: pair[0] for name, pair in cars.evidence.numbers.items()}),
        ):
            for name, values in source.items():
                target.setdefault(name, np.zeros(rows, np.asarray(values).dtype))[where] = values
    complains = np.any([*came_for.values()], axis=0)
    choices["setting"] = np.where(complains, *map(CHOICES["setting"].index, (COMPLAINT, ROUTINE)))
    seen = _seen(model, rows, rng)
    for name, came in came_for.items():
        seen[name] |= came  # what brought the car in is always written down
    batch = InspectionBatch(rows, choices=choices, numbers=numbers)
    readings = _readings(model, residuals, batch, rng)
    words = {name: np.where(seen[name], codes, -1) for name, codes in words.items()}
    readings = {name: np.where(seen[name], v, np.nan) for name, v in readings.items()}
    looks = _looks(model, words, rng)
    outcomes, ways = _outcomes(model, states, words, rng)
    said = {ASKED_BY: _reasons(choices, rng), **looks, CONFIRMED_BY: ways}
    return Cars(words, {**numbers, **readings}, choices, outcomes, said)


def _readings(
    model: Model,
    residuals: Mapping[str, FloatArray],
    batch: InspectionBatch,
    rng: np.random.Generator,
) -> dict[str, FloatArray]:
    """What the instruments show, with the spread of all that the record does not state.

    A standing loop is warmer than the air by as much as is assumed where nobody measured it.
    """
    warmer = rng.normal(STATIC_UNMEASURED_WARMER_K, STATIC_UNMEASURED_K, batch.rows)
    standing = [n for n, g in model.knowledge.gauges.items() if g.transform == "static_residual"]
    moved = {name: residuals[name] + warmer for name in standing}
    readings = instrument_readings({**residuals, **moved}, batch, model.knowledge, rng)
    readings["static_temperature"] = batch.number("ambient_c") + warmer
    return readings


def _seen(model: Model, rows: int, rng: np.random.Generator) -> dict[str, BoolArray]:
    seen = {n: rng.random(rows) < HISTORY_TOLD for n in model.knowledge.of_kind("history")}
    for name in model.knowledge.of_kind("finding", "gauge"):
        seen[name] = np.zeros(rows, bool)
    for name, test in model.knowledge.tests.items():
        made = rng.random(rows) < MADE.get(name, SELDOM)
        for finding in test.yields:
            # now and then one thing that a test shows is not written down
            seen[finding] |= made & (rng.random(rows) < 0.9)
    for name, node in model.knowledge.of_kind("finding", "gauge").items():
        # whoever looks writes down what may have hidden it
        for hiding in (*node.masked_by, *node.veiled_by):
            seen[hiding] |= seen[name]
    # two readings that hang on one temperature are compared only where it was taken
    both = seen["static_pressure"] & seen["sensor_pressure"]
    standing = seen["static_pressure"] | seen["sensor_pressure"]
    seen["static_temperature"] = standing & (both | (rng.random(rows) < STATIC_TEMPERATURE_READ))
    return seen


def _outcomes(
    model: Model,
    states: Mapping[str, IntArray],
    words: Mapping[str, IntArray],
    rng: np.random.Generator,
) -> tuple[dict[str, IntArray], list[str]]:
    """Outcomes as recorded, each with the error rates of its way, and the ways.

    Which cars are opened hangs on what is recorded of them.
    """
    rates = rates_of(read_ways(None))
    bad = np.zeros(len(states[model.faults[0]]), bool)
    for name, dark in BAD.items():
        bad |= np.isin(words[name], [model.states(name).index(state) for state in dark])
    ways = np.full(len(bad), -1)
    for kind, rows in (("bad", np.flatnonzero(bad)), ("other", np.flatnonzero(~bad))):
        chosen = rng.choice(len(rates), len(rows), p=WAYS[kind])
        ways[rows] = np.where(rng.random(len(rows)) < OUTCOME_RECORDED[kind], chosen, -1)
    outcomes = {}
    for name in model.faults:
        tables = np.array([report_table(len(model.states(name)), rate) for rate in rates.values()])
        chances = tables[ways, states[name]]
        reported = _drawn(chances, rng)
        nothing = reported == chances.shape[1] - 1
        outcomes[name] = np.where(nothing | (ways < 0), -1, reported)
    return outcomes, _texts(ways, list(rates))


def _reasons(choices: Mapping[str, IntArray], rng: np.random.Generator) -> list[str]:
    """Why tests were done: on a car without a complaint never for one."""
    chances = np.array([ASKED[setting] for setting in CHOICES["setting"]])
    return _texts(_drawn(chances[choices["setting"]], rng), REASONS)


def _looks(
    model: Model, words: Mapping[str, IntArray], rng: np.random.Generator
) -> dict[str, list[str]]:
    """Who looked at the sample, and what a second person said; changes the words of the first.

    A first word is that of the trade, and a second is so as often as two people agree; but for the
    reader who now and then says a shade darker.
    """
    by_eye = [n for n, node in model.knowledge.of_kind("finding").items() if node.by_eye]
    looked = np.any([words[name] >= 0 for name in by_eye], axis=0)
    first = np.where(looked, rng.choice(2, len(looked), p=FIRST_LOOKS), -1)
    second = np.where(looked & (rng.random(len(looked)) < SECOND_LOOK), 1 - first, -1)
    said = {LOOKED_BY: _texts(first, READERS), SECOND + LOOKED_BY: _texts(second, READERS)}
    for name in by_eye:
        states = model.states(name)
        again = _drawn(as_the_trade(len(states))[words[name]], rng)
        again = np.where((second >= 0) & (words[name] >= 0), again, -1)
        if name == "sample_darkening":
            for who, word in ((first, words[name]), (second, again)):
                darker = (who == TOO_DARK) & (word >= 0) & (word < len(states) - 1)
                word += darker & (rng.random(len(word)) < A_STEP_DARKER)
        said[SECOND + name] = _texts(again, states)
    return said


def _drawn(chances: FloatArray, rng: np.random.Generator) -> IntArray:
    """One state a row, by the chances of the row, shape (rows,)."""
    drawn: IntArray = (rng.random((len(chances), 1)) >= np.cumsum(chances, axis=1)[:, :-1]).sum(1)
    return drawn


Rows = list[dict[str, str]]


def metric_rows(model: Model, cars: Cars, rng: np.random.Generator) -> Rows:
    """In the form that loopodds reads by itself."""
    columns: dict[str, list[str]] = _own_columns("M", cars, rng)
    for name, codes in cars.choices.items():
        columns[name] = _texts(codes, CHOICES[name])
    for name, values in cars.numbers.items():
        if name in names_in("readings", model.knowledge):
            dimension = reading_dimension(name, model.knowledge)
            unit = METRIC_UNITS[dimension]
            digits = 2 if unit == "bar" else 1
            there = column_unit(unit, dimension).from_internal(values)
            columns[f"{name}_{unit}"] = _numbers(there, digits)
        else:
            columns[name.replace("ambient_c", "ambient_degC")] = _numbers(values, 0)
    for name, codes in cars.words.items():
        columns[name] = _texts(codes, model.states(name))
    columns |= cars.said
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
    "low_side_bar": ["2,1", "210", "low"], "high_side_bar": ["255", "-4"],
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
