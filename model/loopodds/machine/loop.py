"""One evaluation of the loop: what a guess of its state leaves unbalanced.

The state is a guess of the condensing temperature, the saturation temperature at the compressor's
inlet, the enthalpy at the evaporator's outlet and, where they matter, the heat exchanged inside
the loop, the partial pressure of air and the temperature of the cabin. Everything else follows
without a search, so that what is left to solve is one equation for each guess.
"""

from dataclasses import dataclass

import numpy as np

from loopodds.base.arrays import BoolArray, FloatArray, IntArray
from loopodds.machine import machines, moist_air
from loopodds.machine.cars import Batch, Cars, Conditions, Faults
from loopodds.machine.exchangers import Boiling, Passage, air_conductance, boil, condense
from loopodds.machine.fluids import KELVIN, Fluid, Line

UNKNOWNS = ("condensing_c", "suction_c", "stretched", "exchanged", "air_kpa", "cabin_c")
COLLECTED = 0.6
"""Share of the air that collects in condenser and receiver while the loop runs; estimate."""

ENGINE_BAY_K = 20.0
"""Of the engine bay above the air outside; estimate."""

CP_VAPOUR = 0.95
"""Of suction vapour where only a share of a difference depends on it [kJ/(kg K)]."""

VAPOUR_SIDE, LIQUID_SIDE = 0.55, 0.5
"""Conductance of the condenser to vapour and to liquid against two phases; estimate."""

DOORS_KW_PER_K = 0.4
"""What open doors exchange with the air outside; estimate."""

STANDING = 0.5
"""Share of blocked tubes that is full of liquid, the rest of vapour; estimate."""

HEATER_C = 65.0
FULL_LEVEL, FULL_QUALITY, BLEED_WIDTH = 0.006, 0.985, 0.008
"""Receiver: width in quality in which its level turns. Accumulator: its outlet at half level, and
the width: the oil bleed lets more liquid through the higher the level stands. Estimates."""


@dataclass(frozen=True)
class Case:
    """Cars of one refrigerant in their weather with their faults."""

    cars: Cars
    conditions: Conditions
    faults: Faults
    made_for: Fluid  # what their valves and pressure controls are set for

    def take(self, rows: IntArray | BoolArray) -> "Case":
        """The same for some of the rows."""
        parts = self.cars.take(rows), self.conditions.take(rows), self.faults.take(rows)
        return Case(*parts, self.made_for)

    def felt(self, fluid: Fluid, line: Line) -> FloatArray:
        """Boiling temperature [degC] that a control makes of a pressure of what is in the loop."""
        return line.t if fluid is self.made_for else self.made_for.dew_temperature(line.p)

    def __len__(self) -> int:
        return len(self.cars)


@dataclass(frozen=True)
class Running(Batch):
    """Everything that follows from a guess; arrays, shape (n,)."""

    residuals: FloatArray  # shape (n, 6): evaporator, metering, charge, exchanger, air, cabin
    high_kpa: FloatArray
    low_kpa: FloatArray
    flow: FloatArray
    share: FloatArray
    superheat_k: FloatArray
    suction_superheat_k: FloatArray
    liquid_c: FloatArray
    discharge_c: FloatArray
    outlet_c: FloatArray
    metering_kpa: FloatArray
    quality: FloatArray
    heat_in: FloatArray
    heat_out: FloatArray
    work: FloatArray
    other_heat: FloatArray  # into the loop: suction line less shell
    masses: FloatArray  # shape (n, 5): condenser, receiver, evaporator, accumulator, the rest
    fill: FloatArray  # logit of the level of the receiver or the accumulator


def logistic(x: FloatArray) -> FloatArray:
    return np.asarray(1.0 / (1.0 + np.exp(-np.clip(x, -60.0, 60.0))))


def evaluate(fluid: Fluid, case: Case, x: FloatArray) -> Running:
    """What follows from guesses x, shape (n, 6), in the order of `UNKNOWNS`."""
    cars, at, faults = case.cars, case.conditions, case.faults
    condensing, suction_c, stretched, exchanged, air_kpa, cabin_c = x.T
    # Wet outlets lie far apart in enthalpy, superheated ones close: steps go by the stretched one.
    over = 3.0 * stretched - 2.0 * np.sqrt(stretched**2 + 4.0) + 4.0
    line_c, line_s = fluid.line(condensing), fluid.line(suction_c)
    high, low = line_c.p + air_kpa, line_s.p
    outside = moist_air.air_pressure(at.altitude_m)
    thin = outside / moist_air.SEA_LEVEL_KPA

    # Air at the evaporator: from outside and from the cabin, which it has cooled and dried.
    air_flow = cars.blower_air * at.blower * faults.evaporator_air * thin
    inlet, humidity = _inlet_air(case, suction_c, cabin_c, air_flow, outside)

    # Compressor
    speed = np.where(
        cars.compressor == machines.ELECTRIC, cars.full_speed, at.engine_rpm / 60.0 * cars.pulley
    )
    # The thermostat sits where a fed coil is coldest; a starved one warms it.
    leaving_k, _, _ = fluid.vapour(line_s, over)
    fin = suction_c + 0.12 * (inlet - suction_c) + 0.5 * leaving_k
    set_c = np.where(faults.control_failed, -60.0, cars.set_c)
    felt_c = case.felt(fluid, line_s)
    share = machines.share_of_stroke(felt_c, fin, set_c, cars.band_k, cars.senses_fin)
    share = share * machines.shut_off_share(high, cars.shut_off_kpa)
    turning = np.where(cars.compressor == machines.ELECTRIC, speed * share, speed)
    ratio = np.maximum(high / low, 1.0)
    filled = machines.volumetric_efficiency(ratio, turning, cars.best_volumetric, cars.clearance)
    swept = cars.displacement_m3 * speed * share * filled * faults.pumping
    # Suction line: warmed by the engine bay, on an estimate of the flow.
    estimate = swept * line_s.rho_g * CP_VAPOUR
    bay = at.ambient_c + ENGINE_BAY_K
    warmed = CP_VAPOUR * (bay - suction_c - leaving_k) * -np.expm1(-cars.suction_ua / estimate)
    suction_k, entropy, rho_s = fluid.vapour(line_s, over + exchanged + warmed)
    flow = swept * rho_s
    h_out = line_s.h_g + over
    h_suction = h_out + exchanged + warmed
    line_d = fluid.line(fluid.dew_temperature(high)) if np.any(air_kpa) else line_c
    ideal = np.maximum(line_d.h_g + fluid.isentropic(line_d, entropy) - h_suction, 0.05)
    good = machines.isentropic_efficiency(ratio, turning, cars.best_isentropic)
    work = ideal / good / faults.pumping**faults.pumping_leak
    h_discharge = h_suction + work * (1.0 - cars.shell_loss)
    discharge_k, _, rho_d = fluid.vapour(line_d, h_discharge - line_d.h_g)

    condenser = _condenser(fluid, case, air_kpa, line_c, high, flow, h_discharge, thin)
    fill, hot_masses, leaving, air_room = condenser
    h_liquid = leaving.enthalpy(fluid, line_c) - exchanged

    # Liquid line and metering
    evaporating = low + cars.suction_drop * flow**2 / rho_s
    line_e = fluid.line(fluid.dew_temperature(evaporating))
    over_e = h_out - line_e.h_g
    superheat, _, _ = fluid.vapour(line_e, over_e)
    signed = superheat + np.minimum(over_e, 0.0) / CP_VAPOUR
    # The bulb feels the pipe's temperature, the diaphragm the pressure, as of its own refrigerant.
    felt_c = case.felt(fluid, line_e)
    above = signed + line_e.t - felt_c
    opening = machines.valve_opening(above, felt_c, cars.static_k, cars.to_full_k, cars.limit_c)
    opening = np.where(np.isnan(faults.valve_stuck), opening, faults.valve_stuck)
    area = cars.metering_area * np.where(cars.orifice, 1.0, opening) * faults.metering_free
    line_area = cars.line_area * (1.0 - faults.line_closed)
    rho_line = machines.inlet_density(h_liquid + exchanged, line_c)
    # Line and metering in series; what flashes between them is found in two rounds.
    before = machines.between(high, evaporating, (line_area, rho_line), (area, rho_line))
    liquid_c = leaving.liquid_c - exchanged / line_c.cp_f
    for _ in range(2):
        line_in = fluid.line(fluid.dew_temperature(before))
        rho_in = machines.inlet_density(h_liquid, line_in)
        arriving = fluid.line(np.minimum(liquid_c, line_in.t))
        choked = machines.choked_pressure(evaporating, arriving.p)
        behind = np.where(cars.orifice, choked, evaporating)
        before = machines.between(high, behind, (line_area, rho_line), (area, rho_in))
    let_through = machines.passage_flow(area, rho_in, before, behind)

    # Evaporator
    ua_air = cars.evaporator_ua_air * np.sqrt(at.blower * faults.evaporator_air)
    coil = moist_air.coil(
        inlet, humidity, line_e.t, air_flow, ua_air, cars.evaporator_ua_ref, outside
    )
    capacity = air_flow * moist_air.CP_AIR
    ua_dry = ua_air * cars.evaporator_ua_ref * 0.2 / (ua_air + cars.evaporator_ua_ref * 0.2)
    vapour = air_conductance(capacity, ua_dry)
    boiling = boil(
        h_liquid, line_e, flow, coil.heat_kw, inlet, vapour, np.full_like(flow, CP_VAPOUR)
    )
    wet = boiling.wet_share
    outlet = wet * coil.outlet_c + (1.0 - wet) * inlet - boiling.dry_heat / capacity
    vent = outlet + cars.duct_gain_k
    vent = vent + faults.mixing * (HEATER_C - vent)

    # What is left over
    rest = _low_side(cars, line_e, boiling, over_e)
    # Densities times volumes; two-phase parts by Zivi's void fraction (`exchangers`).
    # Oil takes up refrigerant by its pressure against saturation at its own temperature (Raoult's
    # form), three tenths of its mass when saturated; from memory for PAG.
    dissolved = 0.3 * cars.oil_kg * low / fluid.line(suction_c + suction_k).p
    lines = cars.liquid_volume * rho_line + cars.suction_volume * rho_s
    lines = lines + cars.discharge_volume * rho_d + dissolved
    masses = np.stack([*hot_masses, *rest[:2], lines], axis=-1)
    fill = np.where(cars.orifice, rest[2], fill)
    given = cars.charge_kg * faults.charge
    moles = COLLECTED * faults.air * cars.charge_kg / (28.965e-3)
    # Air by the ideal gas law in the room that liquid leaves (Dalton).
    pushed = moles * 8.314462618e-3 * (condensing + KELVIN) / air_room
    # Effectiveness by definition, the vapour's capacity the lesser (Kays & London).
    exchange = cars.exchanger * CP_VAPOUR * (leaving.liquid_c - suction_c - leaving_k)
    shell = cars.cabin_ua + at.doors_open * DOORS_KW_PER_K
    balance = shell * at.ambient_c + at.cabin_load_kw + capacity * vent
    residuals = np.stack(
        [
            1.0 - masses.sum(axis=-1) / given,
            np.log(let_through / flow),
            (line_e.h_g + boiling.over - h_out) / 50.0,
            (exchange - exchanged) / 50.0,
            (pushed - air_kpa) / 500.0,
            (balance / (shell + capacity) - cabin_c) / 20.0,
        ],
        axis=-1,
    )
    heat_out = flow * (h_discharge - h_liquid - exchanged)
    return Running(
        residuals=residuals,
        high_kpa=high,
        low_kpa=low,
        flow=flow,
        share=share,
        superheat_k=line_e.t + superheat - suction_c,
        suction_superheat_k=suction_k,
        liquid_c=leaving.liquid_c,
        discharge_c=line_d.t + discharge_k,
        outlet_c=vent,
        metering_kpa=before,
        quality=np.clip((h_liquid - line_in.h_f) / (line_in.h_g - line_in.h_f), 0.0, 1.0),
        heat_in=wet * coil.heat_kw + boiling.dry_heat,
        heat_out=heat_out,
        work=flow * work,
        other_heat=flow * (warmed - work * cars.shell_loss),
        masses=masses,
        fill=fill,
    )


def _inlet_air(
    case: Case, coil_c: FloatArray, cabin_c: FloatArray, flow: FloatArray, outside: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Temperature and humidity in front of the coil.

    The cabin's humidity balances what comes in by doors and leaks against what the coil takes
    out, four fifths of the way to saturation 2 K above its refrigerant; crude.
    """
    at = case.conditions
    fresh = moist_air.humidity_ratio(at.ambient_c, at.humidity_pct, outside)
    again = at.recirculation
    dried = moist_air.saturated_humidity(coil_c + 2.0, outside)
    leak = 0.02 + at.doors_open * DOORS_KW_PER_K
    gain = 0.8 * flow * dried + (0.2 * flow * (1.0 - again) + leak) * fresh
    cabin = np.minimum(gain / (flow * (1.0 - 0.2 * again) + leak), fresh)
    inlet = at.ambient_c + again * (cabin_c - at.ambient_c)
    return inlet, fresh + again * (cabin - fresh)


def _condenser(
    fluid: Fluid,
    case: Case,
    air_kpa: FloatArray,
    line_c: Line,
    high: FloatArray,
    flow: FloatArray,
    h_discharge: FloatArray,
    thin: FloatArray,
) -> tuple[FloatArray, tuple[FloatArray, FloatArray], Passage, FloatArray]:
    """Level of the receiver, masses in condenser and receiver, what leaves, and room for air."""
    cars, at, faults = case.cars, case.conditions, case.faults
    engine = (at.engine_rpm / 1500.0) ** cars.fan_with_engine
    stage = cars.fan_low + (1.0 - cars.fan_low) * machines.ramp((high - cars.fan_kpa) / 400.0)
    air_share = stage * engine * faults.condenser_air
    capacity = cars.condenser_air * air_share * moist_air.CP_AIR * thin
    ua = cars.condenser_ua * np.sqrt(air_share)
    foul = 1.0 / (1.0 + 2.0 * air_kpa / high)  # air blankets the tubes; estimate
    sides = (VAPOUR_SIDE, 1.0, LIQUID_SIDE)
    vapour, both, liquid = (air_conductance(capacity, ua * side * foul) for side in sides)
    conductances = vapour, both, liquid
    air_c = at.ambient_c + at.condenser_rise_k
    free = 1.0 - faults.condenser_blocked
    over = h_discharge - line_c.h_g
    latent = line_c.h_g - line_c.h_f
    dry, _, _ = fluid.vapour(line_c, over)
    entering = Passage(
        np.maximum(over, 0.0),
        np.clip(1.0 + np.minimum(over, 0.0) / latent, 0.0, 1.0),
        line_c.t,
        np.zeros_like(over),
        line_c.rho_g,
    )
    hot = line_c.t + dry
    area = (1.0 - cars.subcooling_share) * free
    main = condense(entering, hot, line_c, flow, air_c, conductances, area)
    fall = (line_c.h_f - main.enthalpy(fluid, line_c)) / latent
    level = logistic(fall / FULL_LEVEL)
    left = line_c.t + dry * main.over / np.maximum(entering.over, 1e-9)
    area_2 = np.maximum(cars.subcooling_share * free, 1e-6)
    last = condense(main, left, line_c, flow, air_c, conductances, area_2)
    dead = STANDING * cars.condenser_volume * faults.condenser_blocked * line_c.rho_f
    mass = cars.condenser_volume * (area * main.density + area_2 * last.density) + dead
    stored = cars.receiver_volume * (level * line_c.rho_f + (1.0 - level) * line_c.rho_g)
    full = main.liquid_share + last.liquid_share + faults.condenser_blocked
    room = cars.condenser_volume * np.maximum(1.0 - full, 0.05)
    room = room + cars.receiver_volume * (1.0 - 0.9 * level)
    return fall / FULL_LEVEL, (mass, stored), last, room


def _low_side(
    cars: Cars, line_e: Line, boiling: Boiling, over_e: FloatArray
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Masses in evaporator and accumulator, and the logit of the accumulator's level."""
    fill = (FULL_QUALITY - 1.0 - over_e / (line_e.h_g - line_e.h_f)) / BLEED_WIDTH
    level = logistic(fill)
    held = cars.accumulator_volume * (level * line_e.rho_f + (1.0 - level) * line_e.rho_g)
    return cars.evaporator_volume * boiling.density, held, fill
