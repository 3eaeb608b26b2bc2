"""Populations of sound cars, drawn by kind. Sizes are of no one car; spreads are estimates.

Sizes are typical of published car loops, from memory, and chosen so that the middle of a sound
population reads like the middle of service tables. All numbers here are engineering estimates.
"""

from collections.abc import Mapping
from dataclasses import fields, replace
from typing import Any

import numpy as np

from loopodds.base.arrays import FloatArray
from loopodds.base.errors import UnknownName
from loopodds.machine.cars import Cars
from loopodds.machine.cycle import nominal_charge
from loopodds.machine.machines import ELECTRIC, FIXED, VARIABLE

COMPRESSORS: Mapping[str, int] = {"fixed": FIXED, "variable": VARIABLE, "electric": ELECTRIC}
DEVICES = ("valve", "orifice")
REDRAWS = 5

MIDDLE: Mapping[str, float] = {
    "displacement_m3": 145e-6,
    "pulley": 1.25,
    "full_speed": 75.0,
    "best_volumetric": 0.86,
    "clearance": 0.035,
    "best_isentropic": 0.68,
    "shell_loss": 0.12,
    "band_k": 2.0,
    "cut_in_k": 8.0,
    "shut_off_kpa": 2900.0,
    "condenser_ua": 0.54,
    "condenser_air": 0.55,
    "fan_low": 0.40,
    "fan_kpa": 1500.0,
    "condenser_volume": 0.75e-3,
    "receiver_volume": 0.17e-3,
    "line_area": 16e-6,
    "metering_area": 1.7e-6,
    "static_k": 3.0,
    "to_full_k": 4.5,
    "evaporator_ua_air": 0.26,
    "evaporator_ua_ref": 0.9,
    "blower_air": 0.13,
    "evaporator_volume": 0.7e-3,
    "accumulator_volume": 0.38e-3,
    "liquid_volume": 0.12e-3,
    "suction_volume": 0.4e-3,
    "discharge_volume": 0.25e-3,
    "suction_drop": 2.2e5,
    "suction_ua": 0.0035,
    "oil_kg": 0.15,
    "cabin_ua": 0.06,
}
SPREAD: Mapping[str, float] = {
    "displacement_m3": 0.18,
    "pulley": 0.06,
    "full_speed": 0.10,
    "best_volumetric": 0.03,
    "clearance": 0.15,
    "best_isentropic": 0.04,
    "shell_loss": 0.3,
    "band_k": 0.15,
    "cut_in_k": 0.15,
    "shut_off_kpa": 0.03,
    "condenser_ua": 0.22,
    "condenser_air": 0.20,
    "fan_low": 0.15,
    "fan_kpa": 0.12,
    "condenser_volume": 0.12,
    "receiver_volume": 0.2,
    "line_area": 0.15,
    "metering_area": 0.12,
    "static_k": 0.2,
    "to_full_k": 0.15,
    "evaporator_ua_air": 0.18,
    "evaporator_ua_ref": 0.15,
    "blower_air": 0.15,
    "evaporator_volume": 0.12,
    "accumulator_volume": 0.15,
    "liquid_volume": 0.2,
    "suction_volume": 0.2,
    "discharge_volume": 0.2,
    "suction_drop": 0.35,
    "suction_ua": 0.3,
    "oil_kg": 0.15,
    "cabin_ua": 0.2,
}
"""Standard deviation of the logarithm of each size between cars."""

SET_POINTS_C: Mapping[str, tuple[float, float]] = {
    "fixed": (-7.0, 3.0),
    "variable": (-7.0, 1.0),
    "electric": (-6.0, 1.0),
    "switch": (-7.0, 0.0),
}
"""Control set points lie evenly between: service tables know cars at either end."""


def draw_cars(
    compressor: str,
    device: str,
    refrigerant: str,
    n: int,
    rng: np.random.Generator,
    *,
    exchanger: bool = False,
    spread: float = 1.0,
) -> Cars:
    """Sound cars of a kind; their charge is that of half a receiver or accumulator.

    Args:
        compressor: ``fixed``, ``variable`` or ``electric``.
        device: ``valve`` or ``orifice``.
        refrigerant: As `fluid` knows it.
        exchanger: With an internal heat exchanger.
        spread: Factor on every spread; nought gives the middle car.

    Raises:
        UnknownName: for another compressor or device.
    """
    if compressor not in COMPRESSORS or device not in DEVICES:
        known = ", ".join((*COMPRESSORS, *DEVICES))
        raise UnknownName(f"kind of car {compressor!r}, {device!r}: known are {known}")
    drawn = _draw(compressor, device, refrigerant, n, rng, exchanger, spread)
    # A few odd combinations have no state at half level; others are drawn in their place.
    for _ in range(REDRAWS):
        odd = np.flatnonzero(np.isnan(drawn.charge_kg))
        if not len(odd):
            break
        again = _draw(compressor, device, refrigerant, len(odd), rng, exchanger, spread)
        for field in fields(Cars):
            getattr(drawn, field.name)[odd] = getattr(again, field.name)
    return drawn


def _draw(
    compressor: str,
    device: str,
    refrigerant: str,
    n: int,
    rng: np.random.Generator,
    exchanger: bool,
    spread: float,
) -> Cars:
    size = {
        name: middle * np.exp(spread * SPREAD.get(name, 0.0) * rng.standard_normal(n))
        for name, middle in MIDDLE.items()
    }
    orifice = device == "orifice"
    cars = Cars(
        refrigerant=np.full(n, refrigerant),
        made_for=np.full(n, refrigerant),
        charge_kg=np.ones(n),
        compressor=np.full(n, COMPRESSORS[compressor]),
        set_c=_set_points(compressor, compressor == "fixed" and orifice, n, rng, spread),
        senses_fin=np.full(n, compressor == "fixed" and not orifice),
        fan_with_engine=np.clip(0.15 + 0.15 * spread * rng.standard_normal(n), 0.0, 0.6),
        subcooling_share=np.full(n, 0.0 if orifice else 0.14),
        orifice=np.full(n, orifice),
        limit_c=np.full(n, 15.0),
        exchanger=np.full(n, 0.3 if exchanger else 0.0),
        duct_gain_k=1.5 + 0.5 * spread * rng.standard_normal(n),
        **size,
    )
    cars = _fit(cars, compressor, orifice)
    return replace(cars, charge_kg=nominal_charge(cars))


def _set_points(
    compressor: str, by_switch: bool, n: int, rng: np.random.Generator, spread: float
) -> FloatArray:
    coldest, warmest = SET_POINTS_C["switch" if by_switch else compressor]
    half = spread * 0.5 * (warmest - coldest)
    return 0.5 * (coldest + warmest) + half * rng.uniform(-1.0, 1.0, n)


def _fit(cars: Cars, compressor: str, orifice: bool) -> Cars:
    """Sizes that go with the kind."""
    change: dict[str, Any] = {}
    if compressor == "electric":
        change["displacement_m3"] = cars.displacement_m3 * (33.0 / 145.0)
    if orifice:
        change["receiver_volume"] = np.zeros(len(cars))
        change["metering_area"] = cars.metering_area * 1.3
    else:
        change["accumulator_volume"] = np.zeros(len(cars))
    return replace(cars, **change)
