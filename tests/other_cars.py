"""Cars of a second parameter set of the cycle model, which no table was made from.

Synthetic: they show whether the network reads such cars as well as it could, not whether real cars
are like them. Every size is shifted from the middle that `make_gauges` draws around, some settings
are others, and severities are drawn anew.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np
from loopodds.base.arrays import FloatArray, IntArray
from loopodds.inspection.inspection import InspectionBatch
from loopodds.inspection.vocabulary import CHOICES
from loopodds.machine.cars import Cars, Conditions, Faults, heat_soak_kw
from loopodds.machine.cycle import Readings, nominal_charge, solve
from loopodds.machine.population import draw_cars
from loopodds.machine.severities import RUNNING_WRONG, draw_faults

# factors on the sizes: a larger compressor, a smaller condenser with more air, a bigger evaporator
OTHER: Mapping[str, float] = {
    "displacement_m3": 1.10, "best_volumetric": 0.97, "best_isentropic": 1.05,
    "condenser_ua": 0.90, "condenser_air": 1.10, "condenser_volume": 1.15,
    "evaporator_ua_air": 1.08, "evaporator_ua_ref": 0.9, "blower_air": 0.95,
    "metering_area": 1.06, "static_k": 1.15, "suction_ua": 1.3, "receiver_volume": 1.2,
    "accumulator_volume": 0.9, "suction_drop": 1.2,
}  # fmt: skip
INSTRUMENT = {
    "high_side": 15.0, "low_side": 6.0, "superheat": 1.8, "subcooling": 1.6, "discharge_pipe": 5.0,
    "vent": 1.0,
}  # fmt: skip
"""Standard deviation of an instrument and how it is held [kPa, K]."""
DEVICE = {"TXV": "valve", "orifice": "orifice"}


@dataclass(frozen=True)
class World:
    """Cars with what is wrong with them and what was read of them."""

    kind: tuple[str, str, str]  # compressor, device as the network says it, refrigerant
    states: Mapping[str, IntArray]  # of each node, 0 sound, else 1 + place in RUNNING_WRONG
    batch: InspectionBatch


def other_cars(kind: tuple[str, str, str], n: int, rng: np.random.Generator) -> Cars:
    """A population that differs from that of the table in every size."""
    compressor, device, refrigerant = kind
    cars = draw_cars(compressor, DEVICE[device], refrigerant, n, rng)
    cars = replace(cars, **{name: getattr(cars, name) * f for name, f in OTHER.items()})
    return replace(cars, charge_kg=nominal_charge(cars))


def weather(n: int, rng: np.random.Generator, band: tuple[float, float]) -> Conditions:
    """Days and settings of the test."""
    ambient = rng.uniform(*band, n)
    return Conditions.workshop(
        ambient,
        humidity_pct=rng.uniform(30.0, 75.0, n),
        engine_rpm=np.where(rng.random(n) < 0.5, 800.0, 1500.0),
        recirculation=(rng.random(n) < 0.8).astype(float),
        doors_open=(rng.random(n) < 0.5).astype(float),
        cabin_load_kw=heat_soak_kw(ambient) * rng.uniform(0.7, 1.5, n),
        condenser_rise_k=rng.uniform(0.0, 5.0, n),
    )


def drawn_world(
    kind: tuple[str, str, str],
    n: int,
    rng: np.random.Generator,
    band: tuple[float, float] = (5.0, 43.0),
    sound_share: float = 0.4,
    mass: bool = False,
) -> World:
    """Cars with nothing, one or two things wrong, read with all gauges."""
    cars, at = other_cars(kind, n, rng), weather(n, rng, band)
    nodes = list(RUNNING_WRONG)
    states = {node: np.zeros(n, int) for node in nodes}
    wrong = np.where(rng.random(n) < sound_share, 0, rng.integers(1, 3, n))
    for car in np.flatnonzero(wrong):
        for node in rng.choice(len(nodes), wrong[car], replace=False):
            states[nodes[node]][car] = rng.integers(1, len(RUNNING_WRONG[nodes[node]]) + 1)
    faults = _faults(states, cars, rng)
    readings = solve(cars, at, faults)
    batch = _inspections(kind, cars, at, faults, readings, rng, mass)
    return World(kind, states, batch)


def _faults(states: Mapping[str, IntArray], cars: Cars, rng: np.random.Generator) -> Faults:
    """Faults of cars that have different states, drawn together for those that have the same."""
    names = list(states)
    table = np.stack([states[name] for name in names], axis=-1)
    whole = draw_faults({}, cars, rng)
    fields = {name: getattr(whole, name).copy() for name in whole.__dataclass_fields__}
    for row in np.unique(table, axis=0):
        where = np.flatnonzero((table == row).all(axis=1))
        codes = zip(names, row, strict=True)
        named = {name: RUNNING_WRONG[name][code - 1] for name, code in codes if code}
        drawn = draw_faults(named, cars.take(where), rng)
        for name, values in fields.items():
            values[where] = getattr(drawn, name)
    return Faults(**fields)


def _inspections(
    kind: tuple[str, str, str],
    cars: Cars,
    at: Conditions,
    faults: Faults,
    found: Readings,
    rng: np.random.Generator,
    mass: bool,
) -> InspectionBatch:
    n = len(cars)
    compressor, device, refrigerant = kind
    raw = {
        "high_side": found.high_side_kpa, "low_side": found.low_side_kpa,
        "superheat": found.superheat_k, "subcooling": found.subcooling_k,
        "discharge_pipe": found.discharge_pipe_c, "vent": found.vent_c,
    }  # fmt: skip
    readings: dict[str, FloatArray] = {
        name: values + INSTRUMENT[name] * rng.standard_normal(n) for name, values in raw.items()
    }
    numbers = {
        "ambient_c": at.ambient_c,
        "humidity_pct": at.humidity_pct,
        "engine_rpm": at.engine_rpm,
        "blower_pct": 100.0 * at.blower,
    }
    if mass:
        label = 1000.0 * cars.charge_kg
        left = rng.normal(0.95, 0.02, n)
        readings["recovered"] = label * faults.charge * left + rng.normal(0.0, 10.0, n)
        numbers["nameplate_charge_g"] = label
    words = {"compressor": compressor, "expansion": device, "refrigerant": refrigerant}
    choices = {key: np.full(n, CHOICES[key].index(word), np.int8) for key, word in words.items()}
    choices["internal_heat_exchanger"] = np.ones(n, np.int8)
    choices["air_intake"] = (at.recirculation < 0.5).astype(np.int8)
    choices["doors"] = (at.doors_open > 0.5).astype(np.int8)
    return InspectionBatch(n, readings=readings, choices=choices, numbers=numbers)
