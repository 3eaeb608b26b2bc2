"""Work out ``data/loopodds_data/gauges.jsonl`` from the model of the machine.

Run from the top of the checkout: ``python tools/make_gauges.py`` (some minutes). For each kind of
car it solves a population of sound cars over a grid of conditions and writes what they read; then
the same populations with each fault state, and with pairs of them, at conditions drawn at random,
and writes by how much they move. Cars and severities are those of ``loopodds.machine``; conditions
are drawn as said below. All of them are engineering estimates.
"""

from __future__ import annotations

import argparse
import datetime
import json
from collections.abc import Iterator, Mapping, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from functools import partial
from itertools import combinations, product
from pathlib import Path
from typing import Any

import msgspec
import numpy as np
from loopodds.doubt.sound_cars import published_cells
from loopodds.knowledge.records import TABLES, Knowledge
from loopodds.machine.cars import Cars, Conditions, heat_soak_kw, stack
from loopodds.machine.cycle import Readings, solve
from loopodds.machine.fluids import fluid
from loopodds.machine.population import draw_cars
from loopodds.machine.severities import RUNNING_WRONG, draw_faults
from numpy.typing import NDArray

Floats = NDArray[np.float64]
FILE = Path(__file__).parent.parent / "data" / "loopodds_data" / "gauges.jsonl"
SEED = 20261128
PROCESSES = 2

COMPRESSORS = {"fixed": 0.45, "variable": 0.45, "electric": 0.10}
DEVICES = {"TXV": 0.75, "orifice": 0.25}
REFRIGERANTS = {"R134a": 0.65, "R1234yf": 0.35}
EXCHANGERS = {"absent": 0.8, "present": 0.2}
"""Kinds of cars, with the shares of contexts.toml."""

AXES: Mapping[str, tuple[float, ...]] = {
    "ambient": (5.0, 12.0, 19.0, 26.0, 33.0, 40.0, 46.0),
    "humidity": (20.0, 50.0, 85.0),
    "engine_speed": (800.0, 1500.0, 2500.0),
    "blower_speed": (40.0, 100.0),
    "air_intake": (0.0, 1.0),  # recirculated, fresh
    "doors": (0.0, 1.0),  # shut, open
}
WEATHER = {"cool": (5.0, 18.0), "warm": (18.0, 30.0), "hot": (30.0, 44.0)}
"""Air temperatures [degC] of each band, drawn evenly."""
GRID_CARS, SOUND_CARS, FAULTY_CARS = 12, 300, 130

# what each gauge may depend on: the parents that it has in readings.toml
PARENTS: Mapping[str, tuple[str, ...]] = {
    "high_side": ("charge", "air", "condenser_airflow", "evaporator_feed", "pumping", "coil"),
    "low_side": ("charge", "condenser_airflow", "evaporator_feed", "pumping", "coil"),
    "superheat": ("charge", "evaporator_feed", "pumping", "coil"),
    "compressor_superheat": ("charge", "evaporator_feed", "pumping", "coil"),
    "subcooling": ("charge", "air", "condenser_airflow", "evaporator_feed"),
    "discharge_pipe": ("charge", "air", "condenser_airflow", "evaporator_feed", "pumping"),
    "vent": (
        "charge", "air", "condenser_airflow", "evaporator_feed", "pumping", "cabin_mixing", "coil",
    ),
}  # fmt: skip
GAUGES = tuple(PARENTS)
MEASURING: Mapping[str, float] = {
    "high_side": 1.2, "low_side": 1.0, "superheat": 1.5, "compressor_superheat": 1.8,
    "subcooling": 1.5, "discharge_pipe": 5.0, "vent": 1.0,
}  # fmt: skip
"""Standard deviation of the instrument and of how it is held [K]; engineering estimate."""
LEAST_DOUBT: Mapping[str, float] = {
    "superheat": 2.0, "compressor_superheat": 2.5, "subcooling": 2.5, "discharge_pipe": 6.0,
    "vent": 1.5,
}  # fmt: skip
"""Doubt of the model [K] at least, and where no published table of sound cars says how far off it
is; estimate: about as large against the spread of cars as it is where tables say so."""
LEAST_SPREAD = 0.3
"""What a state adds to the spread at least [K]: drawn cars know it no better."""
TOGETHER_FROM = 1.0
"""Pairs of states that differ by less from the sum of their shifts [spread of the gauge] are left
out: what they would add is within the noise of the draws."""


@dataclass(frozen=True)
class Kind:
    """What a car is by its make-up."""

    compressor: str
    expansion: str
    refrigerant: str
    internal_heat_exchanger: str

    @property
    def share(self) -> float:
        """Of the cars with this compressor and device."""
        return REFRIGERANTS[self.refrigerant] * EXCHANGERS[self.internal_heat_exchanger]

    def draw(self, n: int, rng: np.random.Generator) -> Cars:
        """A population of sound cars of this kind."""
        device = "valve" if self.expansion == "TXV" else "orifice"
        exchanger = self.internal_heat_exchanger == "present"
        return draw_cars(self.compressor, device, self.refrigerant, n, rng, exchanger=exchanger)


KINDS = [Kind(*parts) for parts in product(COMPRESSORS, DEVICES, REFRIGERANTS, EXCHANGERS)]


# --- conditions and severities ------------------------------------------------------------------


def drawn_conditions(band: tuple[float, float], n: int, rng: np.random.Generator) -> Conditions:
    """Weather and settings of running tests in a band of air temperatures; estimates."""
    idle = rng.random(n) < 0.45
    ambient = rng.uniform(*band, n)
    return Conditions.workshop(
        ambient,
        humidity_pct=np.clip(rng.normal(50.0, 17.0, n), 15.0, 95.0),
        engine_rpm=np.where(idle, rng.normal(820.0, 60.0, n), rng.normal(1500.0, 150.0, n)),
        blower=np.where(rng.random(n) < 0.8, 1.0, rng.uniform(0.5, 1.0, n)),
        recirculation=(rng.random(n) < 0.8).astype(float),
        doors_open=(rng.random(n) < 0.4).astype(float),
        cabin_load_kw=heat_soak_kw(ambient) * rng.uniform(0.6, 1.4, n),
        condenser_rise_k=np.clip(rng.normal(2.5, 2.0, n), 0.0, None),
        altitude_m=rng.uniform(0.0, 600.0, n),
    )  # fmt: skip


# --- readings of the model, as the gauges compare them -------------------------------------------


def compared(readings: Readings, cars: Cars, at: Conditions) -> dict[str, Floats]:
    """What each gauge compares [K or degC], shape (n,); NaN where the loop was not solved."""
    boiling = {}
    for side in ("high_side_kpa", "low_side_kpa"):
        pressure = getattr(readings, side)
        found = np.full(len(cars), np.nan)
        for gas in np.unique(cars.refrigerant):
            rows = (cars.refrigerant == gas) & ~np.isnan(pressure)
            found[rows] = fluid(str(gas)).dew_temperature(pressure[rows])
        boiling[side] = found
    return {
        "high_side": boiling["high_side_kpa"] - at.ambient_c,
        "low_side": boiling["low_side_kpa"],
        "superheat": readings.superheat_k,
        "compressor_superheat": readings.compressor_superheat_k,
        "subcooling": readings.subcooling_k,
        "discharge_pipe": readings.discharge_pipe_c,
        "vent": readings.vent_c,
    }


def gridded(kind: Kind, rng: np.random.Generator) -> dict[str, Floats]:
    """Mean reading of a few sound cars at every point of the grid, the same cars at each."""
    cars = kind.draw(GRID_CARS, rng)
    faults = draw_faults({}, cars, rng)
    points = np.array(list(product(*AXES.values())))
    ambient, humidity, speed, blower, fresh, doors = np.repeat(points, GRID_CARS, axis=0).T
    every = np.tile(np.arange(GRID_CARS), len(points))
    at = Conditions.workshop(
        ambient,
        humidity_pct=humidity,
        engine_rpm=speed,
        blower=blower / 100.0,
        recirculation=1.0 - fresh,
        doors_open=doors,
        cabin_load_kw=heat_soak_kw(ambient),
        condenser_rise_k=2.5,
    )
    whole = cars.take(every)
    found = compared(solve(whole, at, faults.take(every), searched=False), whole, at)
    shape = [len(axis) for axis in AXES.values()]
    return {g: np.nanmean(found[g].reshape(-1, GRID_CARS), axis=1).reshape(shape) for g in GAUGES}


def expected(grid: Floats, at: Conditions) -> Floats:
    """A grid at conditions, multilinear, level beyond its ends."""
    from scipy.interpolate import RegularGridInterpolator

    axes = [np.array(axis) for axis in AXES.values()]
    points = np.stack(
        [at.ambient_c, at.humidity_pct, at.engine_rpm, 100.0 * at.blower, 1.0 - at.recirculation,
         at.doors_open], axis=-1,
    )  # fmt: skip
    inside = np.clip(points, [a[0] for a in axes], [a[-1] for a in axes])
    result: Floats = RegularGridInterpolator(axes, grid)(inside)
    return result


# --- the tables -----------------------------------------------------------------------------------


@dataclass(frozen=True)
class Expected:
    """What sound cars of a kind read: grid, and spread between cars at each air temperature."""

    grid: dict[str, Floats]
    spread: dict[str, Floats]  # shape (ambient points,)


def sound_cars(kind: Kind, seed: int) -> Expected:
    """Grid moved to the mean of many cars, and how far they spread around it."""
    rng = np.random.default_rng(seed)
    grid = gridded(kind, rng)
    parts = []
    for band in WEATHER.values():
        cars, at = kind.draw(SOUND_CARS, rng), drawn_conditions(band, SOUND_CARS, rng)
        found = compared(solve(cars, at, draw_faults({}, cars, rng), searched=False), cars, at)
        parts.append((at, {g: found[g] - expected(grid[g], at) for g in GAUGES}))
    ambient = np.concatenate([at.ambient_c for at, _ in parts])
    points = np.array(AXES["ambient"])
    spread = {}
    for gauge in GAUGES:
        away = np.concatenate([found[gauge] for _, found in parts])
        known = ~np.isnan(away)
        hats = _hats(ambient[known], points)
        moved = np.linalg.lstsq(hats, away[known], rcond=None)[0]
        grid[gauge] = grid[gauge] + moved.reshape(-1, *[1] * (len(AXES) - 1))
        left = away[known] - hats @ moved
        spread[gauge] = np.sqrt((hats.T @ left**2) / hats.sum(axis=0))
    return Expected(grid, spread)


def _hats(at: Floats, points: Floats) -> Floats:
    """Weights of linear interpolation, shape (n, points)."""
    return np.array([np.interp(at, points, row) for row in np.eye(len(points))]).T


Moments = dict[str, tuple[float, float]]
"""Mean and variance of the distance from what is expected, by gauge."""


class Shifts:
    """How far states move the gauges of cars of one compressor and device in one weather."""

    def __init__(
        self,
        compressor: str,
        device: str,
        band: tuple[float, float],
        made: Mapping[Kind, Expected],
        seed: int,
    ) -> None:
        rng = np.random.default_rng(seed)
        kinds = [k for k in KINDS if (k.compressor, k.expansion) == (compressor, device)]
        counts = [max(8, int(kind.share * FAULTY_CARS)) for kind in kinds]
        parts = list(zip(kinds, counts, strict=True))
        self.cars = stack([kind.draw(count, rng) for kind, count in parts])
        self.at = drawn_conditions(band, len(self.cars), rng)
        of = np.repeat(np.arange(len(kinds)), counts)
        self.expected = {gauge: np.empty(len(of)) for gauge in GAUGES}
        for number, kind in enumerate(kinds):
            rows = of == number
            for gauge in GAUGES:
                grid = made[kind].grid[gauge]
                self.expected[gauge][rows] = expected(grid, self.at.take(rows))
        self.seed = seed

    def moments(self, wrong: Sequence[Mapping[str, str]]) -> list[Moments]:
        """With each of some sets of states; the same cars and conditions each time.

        All are solved together: a loop that is hard to solve is led there from one like it.
        """
        faults = [
            draw_faults(states, self.cars, np.random.default_rng(self.seed + 1)) for states in wrong
        ]
        every = np.tile(np.arange(len(self.cars)), len(wrong))
        cars, at = self.cars.take(every), self.at.take(every)
        found = compared(solve(cars, at, stack(faults), searched=False), cars, at)
        away = {g: found[g].reshape(len(wrong), -1) - self.expected[g] for g in GAUGES}
        return [
            {g: (float(np.nanmean(away[g][i])), float(np.nanvar(away[g][i]))) for g in GAUGES}
            for i in range(len(wrong))
        ]


def shift_lines(
    made: Mapping[Kind, Expected], number: int, group: tuple[str, str, str]
) -> list[dict[str, Any]]:
    """Lines of single states, then of pairs that do more or less than their sum."""
    compressor, device, weather = group
    when = {"compressor": compressor, "expansion": device, "weather": weather}
    shifts = Shifts(compressor, device, WEATHER[weather], made, SEED + 1000 * (number + 1))
    one = [(parent, state) for parent, states in RUNNING_WRONG.items() for state in states]
    two = [(a, b) for a, b in combinations(one, 2) if a[0] != b[0]]
    sound, *rest = shifts.moments([{}, *(dict([a]) for a in one), *(dict(pair) for pair in two)])
    single, both = dict(zip(one, rest, strict=False)), dict(zip(two, rest[len(one) :], strict=True))
    moved = {
        key: {gauge: moments[gauge][0] - sound[gauge][0] for gauge in GAUGES}
        for key, moments in single.items()
    }
    found = []
    for gauge, parents in PARENTS.items():
        for parent in parents:
            shift = {}
            for state in RUNNING_WRONG[parent]:
                added = max(0.0, single[parent, state][gauge][1] - sound[gauge][1])
                spread = max(LEAST_SPREAD, added**0.5)
                shift[state] = [_round(moved[parent, state][gauge]), _round(spread)]
            block = {"parent": parent, "when": when, "shift": shift}
            found.append({"gauge": gauge, "shifts": block})
    for (a, b), moments in both.items():
        for gauge, parents in PARENTS.items():
            more = moments[gauge][0] - sound[gauge][0] - moved[a][gauge] - moved[b][gauge]
            spread = np.hypot(MEASURING[gauge], sound[gauge][1] ** 0.5)
            if {a[0], b[0]} <= set(parents) and abs(more) > TOGETHER_FROM * spread:
                block = {"states": dict([a, b]), "when": when, "shift": _round(more)}
                found.append({"gauge": gauge, "together": block})
    return found


def sound_line(kind: Kind, gauge: str, made: Expected) -> Any:
    """The grid of one gauge of one kind."""
    when = {name: getattr(kind, name) for name in
            ("compressor", "expansion", "refrigerant", "internal_heat_exchanger")}  # fmt: skip
    return {
        "gauge": gauge,
        "sound": {
            "when": when,
            "over": {name: list(points) for name, points in AXES.items()},
            "values": [_round(value) for value in made.grid[gauge].ravel()],
            "spreads": [_round(value) for value in made.spread[gauge]],
        },
    }


def _round(value: float) -> float:
    return round(float(value), 1)


def lines() -> Iterator[Any]:
    """Every line of the file."""
    import CoolProp

    with ProcessPoolExecutor(PROCESSES) as pool:
        seeds = [SEED + number for number in range(len(KINDS))]
        made = dict(zip(KINDS, pool.map(sound_cars, KINDS, seeds), strict=True))
    about = {
        "source": "cycle-model", "grade": "estimate", "weight": 20,
        "made_by": f"tools/make_gauges.py, seed {SEED}, {datetime.date.today()}, "
                   f"properties of CoolProp {CoolProp.__version__}",
    }  # fmt: skip
    yield {"about": about}
    for kind, result in made.items():
        for gauge in GAUGES:
            yield sound_line(kind, gauge, result)
    groups = list(product(COMPRESSORS, DEVICES, WEATHER))
    with ProcessPoolExecutor(PROCESSES) as pool:
        for found in pool.map(partial(shift_lines, made), range(len(groups)), groups):
            yield from found
            print(len(found), flush=True)


# --- moved towards published tables ---------------------------------------------------------------


@dataclass(frozen=True)
class Moved:
    """What published tables of sound cars ask for of one gauge."""

    bias: float  # at 30 degC [K]
    slope: float  # for each kelvin of air
    widened: float  # standard deviation by which tables differ beyond the spread of the cars [K]
    sources: int


def published_moves(text: str) -> dict[str, Moved]:
    """Bias, slope and spread of the gauges that are published, from the tables kept in.

    Least squares of the middles of the limits, every source with the same weight; what sources
    still differ by, beyond the spread that the drawn cars have already, widens.
    """
    whole = Knowledge.of_texts({**Knowledge().texts, TABLES: text})
    # what the files say of these gauges themselves would outrank the table that is to be moved
    bare = {name: msgspec.structs.replace(whole.gauges[name], sound=()) for name in GAUGES}
    knowledge = whole.changed(nodes={**whole.nodes, **bare})
    published = published_cells(knowledge)
    cells = [cell for cell in published if cell.calibration == "in" and cell.two_sided]
    moves = {}
    for gauge in dict.fromkeys(cell.gauge for cell in cells):
        own = [cell for cell in cells if cell.gauge == gauge]
        sources = [cell.table.partition("/")[0] for cell in own]
        weight = np.array([1.0 / sources.count(source) for source in sources])
        middle, spread = (np.array([getattr(c, k) for c in own]) for k in ("middle", "spread"))
        warmer = np.array([cell.ambient_c for cell in own]) - 30.0
        root = np.sqrt(weight)
        sides = np.stack([np.ones(len(own)), warmer], axis=-1)
        # a prior of no bias within 5 K and no slope within 0.15 keeps few sources from ruling
        prior = np.diag(np.array([1 / 5.0, 1 / 0.15])) * np.average(spread)
        fitted = np.linalg.lstsq(
            np.vstack([sides * root[:, None], prior]),
            np.append(middle * root, [0.0, 0.0]),
            rcond=None,
        )[0]
        left = np.average((middle - sides @ fitted) ** 2 - spread**2, weights=weight)
        moves[gauge] = Moved(*map(float, fitted), float(max(left, 0.0) ** 0.5), len(set(sources)))
    return moves


def moved_lines(made: Sequence[Any], moves: Mapping[str, Moved]) -> Iterator[Any]:
    """The lines with the expectations moved, and with how far published tables differ from them."""
    for line in made:
        if "sound" not in line:
            yield line
            continue
        gauge, sound = line["gauge"], line["sound"]
        move = moves.get(gauge, Moved(0.0, 0.0, 0.0, 0))
        doubt = max(move.widened, LEAST_DOUBT.get(gauge, 0.0))
        points = np.array(sound["over"]["ambient"])
        values = np.array(sound["values"]).reshape(len(points), -1)
        values = values + (move.bias + move.slope * (points - 30.0))[:, None]
        moved = {"values": [_round(v) for v in values.ravel()], "model_doubt": _round(doubt)}
        yield {**line, "sound": {**sound, **moved}}


def written(made: Sequence[Any]) -> str:
    """Lines as the text of the file."""
    return "".join(f"{json.dumps(line, separators=(',', ':'))}\n" for line in made)


def main() -> None:
    """Write the file, or move the one of ``--raw`` towards the published tables."""
    parser = argparse.ArgumentParser(description=str(__doc__).partition("\n")[0])
    parser.add_argument("--out", type=Path, default=FILE, help="file to write")
    parser.add_argument(
        "--raw", type=Path, help="file of what was solved; made where it is not there"
    )
    given = parser.parse_args()
    raw: Path = given.raw or given.out.with_suffix(".raw.jsonl")
    if not raw.exists():
        raw.write_text(written(list(lines())), encoding="utf-8")
    made = [json.loads(line) for line in raw.read_text(encoding="utf-8").splitlines()]
    moves = published_moves(written(made))
    told = "; ".join(
        f"{gauge} {move.bias:+.1f} K at 30 degC and {move.slope:+.2f} for each kelvin, widened by "
        f"{move.widened:.1f} K ({move.sources} sources)" for gauge, move in moves.items()
    )  # fmt: skip
    made[0]["about"]["note"] = f"Moved towards published tables: {told}."
    given.out.write_text(written(list(moved_lines(made, moves))), encoding="utf-8")
    print(made[0]["about"]["note"])
    if given.raw is None:
        raw.unlink()


if __name__ == "__main__":
    main()
