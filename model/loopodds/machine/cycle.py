"""Solve the loops of many cars at once: gauges, temperatures, balances."""

from dataclasses import dataclass, fields, replace
from typing import Any

import numpy as np

from loopodds.base.arrays import BoolArray, FloatArray, IntArray
from loopodds.machine import machines, moist_air
from loopodds.machine.cars import Batch, Cars, Conditions, Faults
from loopodds.machine.fluids import KELVIN, Fluid, fluid
from loopodds.machine.loop import Case, evaluate, logistic
from loopodds.machine.solver import Rates, search, settle

AT_ONCE = 8192
"""Loops solved together."""

NOT_PUMPING = 0.03
"""Share of the flow below which the loop is taken as at rest."""

SCALE = np.array([6.0, 2.5, 6.0, 15.0, 300.0, 10.0])
MOST_STEPS = 25
EXTRA = np.array([False, False, False, True, True, False])
"""Unknowns that are nought where they do not matter."""

BESIDE = (4, 5)
"""After which guesses the rest starts from the solved loop most like it."""

BALANCED = 1e-6


@dataclass(frozen=True)
class Readings(Batch):
    """What a workshop reads, and the balances; NaN where the loop was not solved."""

    solved: BoolArray
    high_side_kpa: FloatArray  # absolute, as all pressures
    low_side_kpa: FloatArray
    high_low_kpa: FloatArray  # lowest and highest of the swing of either side
    high_high_kpa: FloatArray
    low_low_kpa: FloatArray
    low_high_kpa: FloatArray
    superheat_k: FloatArray  # at the evaporator's outlet, against the gauge
    compressor_superheat_k: FloatArray
    subcooling_k: FloatArray  # against the gauge, so that air adds to it
    discharge_pipe_c: FloatArray
    liquid_line_c: FloatArray
    vent_c: FloatArray
    cabin_c: FloatArray
    liquid_line_drop_k: FloatArray  # of saturation temperature up to the metering
    quality: FloatArray  # vapour in front of the metering: bubbles
    duty: FloatArray  # share of stroke, speed or time
    flow_kg_s: FloatArray
    capacity_kw: FloatArray
    power_kw: FloatArray
    level: FloatArray  # of receiver or accumulator
    masses_kg: FloatArray  # (n, 5): condenser, receiver, evaporator, accumulator, the rest
    energy_balance: FloatArray  # what is left of heat rejected
    mass_balance: FloatArray  # of the charge


def solve(cars: Cars, conditions: Conditions, faults: Faults, *, searched: bool = True) -> Readings:
    """Steady running readings of loops; where nothing is pumped, of the loop at rest.

    Args:
        cars, conditions, faults: Of one shape (n,).
        searched: Search the few loops left one by one (one in two hundred, half of the time);
            otherwise they stay unsolved.

    Raises:
        ValueError: if their shapes differ, or a refrigerant is unknown.
    """
    if not len(cars) == len(conditions) == len(faults):
        raise ValueError("cars, conditions and faults must have as many rows as each other")
    found = _empty(len(cars))
    for rows, gas, made_for in _batches(cars):
        part = Case(cars.take(rows), conditions.take(rows), faults.take(rows), made_for)
        resting = part.faults.pumping < NOT_PUMPING
        if resting.any():
            _put(found, rows[resting], _at_rest(gas, part.take(resting)))
        if not resting.all():
            _put(found, rows[~resting], _running(gas, part.take(~resting), searched))
    return found


def nominal_charge(cars: Cars, ambient_c: float = 32.0) -> FloatArray:
    """Charge [kg] that fills receiver or accumulator to the half in a sound loop in the test.

    NaN where no such state was found.
    """
    charge = np.full(len(cars), np.nan)
    for rows, gas, made_for in _batches(cars):
        n = len(rows)
        case = Case(
            replace(cars.take(rows), charge_kg=np.ones(n)),
            Conditions.workshop(np.full(n, ambient_c), cabin_load_kw=0.3),
            Faults.none(n),
            made_for,
        )
        x, solved = _solve(gas, case, half_full=True)
        charge[rows] = np.where(solved, evaluate(gas, case, x).masses.sum(axis=-1), np.nan)
    return charge


def volumes(cars: Cars) -> FloatArray:
    """Of the whole loop [m3]."""
    parts = ("condenser", "receiver", "evaporator", "accumulator", "liquid", "suction", "discharge")
    return np.asarray(sum(getattr(cars, f"{part}_volume") for part in parts))


def static_pressure(cars: Cars, faults: Faults, temperature_c: FloatArray) -> FloatArray:
    """Pressure [kPa] at rest at one temperature: saturated while liquid is left, plus air.

    Air by Dalton's law in the volume that liquid leaves free.
    """
    pressure = np.empty(len(cars))
    for rows, gas, _ in _batches(cars):
        some, bad, t = cars.take(rows), faults.take(rows), temperature_c[rows]
        line, volume = gas.line(t), volumes(some)
        mass = some.charge_kg * bad.charge
        liquid = np.maximum(mass - line.rho_g * volume, 0.0) / (line.rho_f - line.rho_g)
        thin = gas.thin_pressure(t, np.minimum(mass / volume, line.rho_g))
        moles = bad.air * some.charge_kg / 28.965e-3
        free = np.maximum(volume - liquid, 0.05 * volume)
        pressure[rows] = np.where(liquid > 0.0, line.p, thin)
        pressure[rows] += moles * 8.314462618e-3 * (t + KELVIN) / free
    return pressure


def _batches(cars: Cars) -> list[tuple[IntArray, Fluid, Fluid]]:
    """Rows of one refrigerant, not too many at once, with it and what the cars are made for."""
    found: list[tuple[IntArray, Fluid, Fluid]] = []
    for inside, made_for in sorted(set(zip(cars.refrigerant, cars.made_for, strict=True))):
        rows = np.flatnonzero((cars.refrigerant == inside) & (cars.made_for == made_for))
        parts = np.array_split(rows, -(-len(rows) // AT_ONCE))
        found += [(part, fluid(str(inside)), fluid(str(made_for))) for part in parts]
    return found


def _guesses(gas: Fluid, case: Case) -> list[FloatArray]:
    """First guesses: a sound loop, then hot, starved, flooded and empty ones.

    Valve cars in cool weather are nearly idle, which comes second; cars with a plugged orifice are
    held by the high-pressure switch, which comes last.
    """
    t, n = case.conditions.ambient_c, len(case)
    cars, orifice, zero = case.cars, case.cars.orifice, np.zeros(n)
    switch = gas.dew_temperature(cars.shut_off_kpa) - 4.0
    held = np.maximum(cars.set_c + 2.0, t / 3.0 - 6.0)
    idle = cars.set_c + 0.3 - np.where(cars.senses_fin, 0.1 * (t - cars.set_c), 0.0)
    sound, *ways = (
        (t + 14.0, held, np.where(orifice, -1.0, 6.0)),
        (t + 24.0, held, np.where(orifice, -1.0, 6.0)),
        (t + 6.0, held - 8.0, zero + 15.0),
        (t + 9.0, t / 2.0, zero - 2.0),
        (t + 4.0, zero - 25.0, zero + 25.0),
    )
    of_valves = sound, (t + 8.0, idle, zero + 1.3), *ways
    of_orifices = sound, *ways, (switch, t / 4.0, zero + 3.0)
    found = []
    for pair in zip(of_valves, of_orifices, strict=True):
        valve, other = (np.stack([*way, zero + 5.0, zero, t - 3.0], axis=-1) for way in pair)
        guess = np.where(orifice[:, None], other, valve)
        guess[:, 0] = np.minimum(guess[:, 0], switch)
        found.append(guess)
    return found


def _solve(
    gas: Fluid, case: Case, *, half_full: bool = False, searched: bool = True
) -> tuple[FloatArray, BoolArray]:
    """Unknowns of every loop, and whether they are solved.

    What no guess solves starts from the loop most like it; the last few are searched one by one.
    """
    x = np.zeros((len(case), len(SCALE)))
    solved = np.zeros(len(case), bool)
    guesses = _guesses(gas, case)

    def settled(left: IntArray, guess: FloatArray) -> None:
        own = Problem.of(gas, case.take(left), half_full)
        guess = np.where(own.active | ~EXTRA, guess, 0.0)
        x[left], solved[left] = settle(own.rates, guess, own.active, SCALE, own.bounds, MOST_STEPS)

    for number, guess in enumerate(guesses):
        if not solved.all():
            left = np.flatnonzero(~solved)
            settled(left, guess[left])
        if number in BESIDE and solved.any() and not solved.all():
            left = np.flatnonzero(~solved)
            settled(left, x[_neighbours(case, left, np.flatnonzero(solved))])
    whole = Problem.of(gas, case, half_full)
    for row in map(int, np.flatnonzero(~solved) if searched else ()):
        starts = np.where(whole.active | ~EXTRA, np.stack([guess[row] for guess in guesses]), 0.0)
        x[row], solved[row] = search(whole.rates, starts, row, whole.active, SCALE, whole.bounds)
    return x, solved


def _neighbours(case: Case, left: IntArray, solved: IntArray) -> IntArray:
    """For every row left the solved row that is most alike in weather, faults and set point."""
    columns = [case.cars.set_c, case.cars.displacement_m3]
    for batch in (case.conditions, case.faults):
        columns += [getattr(batch, field.name) for field in fields(batch)]
    values = np.nan_to_num(np.stack(columns, axis=-1).astype(float))
    values /= np.maximum(values.std(axis=0), 1e-9)
    here, there = values[left], values[solved]
    gaps = (there**2).sum(axis=-1) - 2.0 * here @ there.T  # squared, less what is the same
    return np.asarray(solved[gaps.argmin(axis=1)])


@dataclass(frozen=True)
class Problem:
    """What the unknowns of some loops have to bring to nought."""

    rates: Rates
    active: BoolArray  # shape (6,): which unknowns matter
    bounds: tuple[FloatArray, FloatArray]  # shape (n, 6) each

    @classmethod
    def of(cls, gas: Fluid, case: Case, half_full: bool) -> "Problem":
        """Of loops of a charge, or of loops whose receiver or accumulator is half full."""
        cars, t = case.cars, case.conditions.ambient_c
        zero = np.zeros(len(case))
        low = [t - 30.0, zero - 68.0, zero - 35.0, zero - 20.0]
        hot = np.minimum(gas.dew_temperature(cars.shut_off_kpa + 100.0), gas.warmest_c)
        high = [hot, np.minimum(t + 5.0, gas.warmest_c - 5.0), zero + 120.0, zero + 60.0]
        low, high = [*low, zero, zero - 20.0], [*high, zero + 3000.0, t + 90.0]

        def rates(x: FloatArray, rows: IntArray) -> FloatArray:
            running = evaluate(gas, case.take(rows), x)
            if half_full:
                running.residuals[:, 0] = -0.01 * running.fill
            return running.residuals

        active = np.array([True, True, True, *_matters(case)])
        return cls(rates, active, (np.stack(low, axis=-1), np.stack(high, axis=-1)))


def _matters(case: Case) -> tuple[bool, bool, bool]:
    """Whether inner exchange, air and the cabin's temperature are to be solved for."""
    return (
        bool(np.any(case.cars.exchanger > 0)),
        bool(np.any(case.faults.air > 0)),
        bool(np.any(case.conditions.recirculation > 0)),
    )


def _running(gas: Fluid, case: Case, searched: bool) -> Readings:
    x, solved = _solve(gas, case, searched=searched)
    run = evaluate(gas, case, x)
    at, cars = case.conditions, case.cars
    energy = (run.heat_in + run.work + run.other_heat - run.heat_out) / run.heat_out
    mass = run.masses.sum(axis=-1) / (cars.charge_kg * case.faults.charge) - 1.0
    solved &= (np.abs(energy) < BALANCED) & (np.abs(mass) < BALANCED)
    gauge_c = gas.dew_temperature(run.high_kpa)
    clutch = cars.compressor == machines.FIXED
    rests = np.where(clutch, run.share, 1.0)
    cut_in = gas.line(x[:, 1] + cars.cut_in_k).p
    low, low_low, low_high = machines.swing(run.low_kpa, rests, cut_in)
    # High side of a clutch that cycles: it falls towards the air at rest and rises above the mean
    # while the clutch is in; two thirds of the way, crude.
    lift = x[:, 0] - at.ambient_c
    swinging = np.clip((0.98 - rests) / 0.1, 0.0, 1.0) * (1.0 - rests)
    high_low = gas.line(x[:, 0] - 0.67 * swinging * lift).p + x[:, 4]
    high_high = gas.line(x[:, 0] + 0.5 * swinging * lift).p + x[:, 4]
    pipe = run.discharge_c - 0.08 * (run.discharge_c - at.ambient_c)
    return _blank_unsolved(
        Readings(
            solved=solved,
            high_side_kpa=run.high_kpa,
            low_side_kpa=low,
            high_low_kpa=high_low,
            high_high_kpa=high_high,
            low_low_kpa=low_low,
            low_high_kpa=low_high,
            superheat_k=run.superheat_k,
            compressor_superheat_k=run.suction_superheat_k,
            subcooling_k=gauge_c - run.liquid_c,
            discharge_pipe_c=pipe,
            liquid_line_c=run.liquid_c,
            vent_c=run.outlet_c,
            cabin_c=x[:, 5],
            liquid_line_drop_k=gauge_c - gas.dew_temperature(run.metering_kpa),
            quality=run.quality,
            duty=run.share,
            flow_kg_s=run.flow,
            capacity_kw=run.heat_in,
            power_kw=run.work,
            level=logistic(run.fill),
            masses_kg=run.masses,
            energy_balance=energy,
            mass_balance=mass,
        )
    )


def _at_rest(gas: Fluid, case: Case) -> Readings:
    """Both gauges at the static pressure of the ambient, air at the vents as it comes in."""
    del gas
    t, zero = case.conditions.ambient_c, np.zeros(len(case))
    pressure = static_pressure(case.cars, case.faults, t)
    nothing: dict[str, Any] = dict.fromkeys((f.name for f in fields(Readings)), zero)
    vent = t + case.cars.duct_gain_k
    same = ("high_side_kpa", "low_side_kpa", "high_low_kpa", "high_high_kpa")
    nothing |= dict.fromkeys((*same, "low_low_kpa", "low_high_kpa"), pressure)
    nothing |= dict.fromkeys(("discharge_pipe_c", "liquid_line_c", "cabin_c"), t)
    unknown = np.full(len(t), np.nan)
    nothing |= dict.fromkeys(("quality", "level"), unknown)
    masses = np.full((len(t), 5), np.nan)
    nothing |= {"vent_c": vent, "masses_kg": masses, "solved": np.ones(len(t), bool)}
    return Readings(**nothing)


def _blank_unsolved(readings: Readings) -> Readings:
    for field in fields(readings):
        if field.name != "solved":
            getattr(readings, field.name)[~readings.solved] = np.nan
    return readings


def _empty(n: int) -> Readings:
    values: dict[str, Any] = {f.name: np.full(n, np.nan) for f in fields(Readings)}
    return Readings(**values | {"masses_kg": np.full((n, 5), np.nan), "solved": np.zeros(n, bool)})


def _put(whole: Readings, rows: IntArray, part: Readings) -> None:
    for field in fields(whole):
        getattr(whole, field.name)[rows] = getattr(part, field.name)


def gauge_bar(kpa: FloatArray) -> FloatArray:
    """Gauge pressure [bar] at sea level of an absolute one [kPa]."""
    return (kpa - moist_air.SEA_LEVEL_KPA) / 100.0


__all__ = ["Readings", "gauge_bar", "nominal_charge", "solve", "static_pressure", "volumes"]
