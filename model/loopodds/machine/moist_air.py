"""Moist air at the evaporator: humidity, enthalpy, and the wet coil by enthalpy potential.

Temperatures in degC, pressures in kPa, humidity in kg water per kg dry air, enthalpies in kJ per kg
dry air. All arrays are of one shape.
"""

from dataclasses import dataclass

import numpy as np

from loopodds.base.arrays import FloatArray

CP_AIR = 1.006
"""Of dry air [kJ/(kg K)]."""

SEA_LEVEL_KPA = 101.325
WATER_TO_AIR = 0.62198


def air_pressure(altitude_m: FloatArray) -> FloatArray:
    """Standard atmosphere: p = 101.325 (1 - 2.25577e-5 z)^5.2559 (ICAO, as in ASHRAE Handbook)."""
    return np.asarray(SEA_LEVEL_KPA * (1.0 - 2.25577e-5 * altitude_m) ** 5.2559)


def vapour_pressure(t: FloatArray) -> FloatArray:
    """Saturation over water [kPa], Magnus form: 0.6112 exp(17.62 t / (243.12 + t)).

    Constants of the WMO guide no. 8 for -45 to 60 degC (from memory, repeated in published code).
    """
    return np.asarray(0.6112 * np.exp(17.62 * t / (243.12 + t)))


def saturated_humidity(t: FloatArray, p: FloatArray) -> FloatArray:
    """Humidity ratio of saturated air; the vapour takes at most four fifths of the pressure."""
    steam = np.minimum(vapour_pressure(np.minimum(t, 90.0)), 0.8 * p)
    return WATER_TO_AIR * steam / (p - steam)


def humidity_ratio(t: FloatArray, relative_pct: FloatArray, p: FloatArray) -> FloatArray:
    """Humidity ratio at a relative humidity [%]: 0.62198 p_w / (p - p_w) (ASHRAE Fundamentals)."""
    steam = vapour_pressure(t) * relative_pct / 100.0
    return WATER_TO_AIR * steam / (p - steam)


def enthalpy(t: FloatArray, w: FloatArray) -> FloatArray:
    """Of moist air: 1.006 t + w (2501 + 1.86 t) (ASHRAE Handbook, Fundamentals)."""
    return CP_AIR * t + w * (2501.0 + 1.86 * t)


@dataclass(frozen=True, slots=True, eq=False)
class Coil:
    """What a coil wholly at one refrigerant temperature would do to its air."""

    heat_kw: FloatArray  # from air to refrigerant
    outlet_c: FloatArray  # mixed air behind it


def coil(
    inlet_c: FloatArray,
    humidity: FloatArray,
    t_ref: FloatArray,
    flow: FloatArray,
    ua_air: FloatArray,
    ua_ref: FloatArray,
    pressure: FloatArray,
) -> Coil:
    """Heat and outlet of a coil at one refrigerant temperature: the greater of dry and wet.

    Braun, Klein & Mitchell, ASHRAE Transactions 95 (1989) part 1 (from memory): a wet coil is a
    dry one with enthalpy in place of temperature; NTU* = NTU_o / (1 + (c_s / c_p) UA_o / UA_i), c_s
    the slope of the enthalpy of saturated air, and against an evaporating refrigerant
    eff = 1 - exp(-NTU*).
    The coil is taken as wholly dry or wholly wet, whichever moves more heat, as they recommend.

    Args:
        flow: Of dry air [kg/s]; ``ua_air`` and ``ua_ref``: conductances outside and inside [kW/K].
    """
    h_in = enthalpy(inlet_c, humidity)
    cp = CP_AIR + 1.86 * humidity
    ntu_air = ua_air / (flow * cp)
    ratio = ua_air / ua_ref
    dry = flow * cp * (1.0 - np.exp(-ntu_air / (1.0 + ratio))) * (inlet_c - t_ref)

    h_ref = enthalpy(t_ref, saturated_humidity(t_ref, pressure))
    # The slope between refrigerant and surface, which lies about a third of the way to the air.
    surface = t_ref + np.maximum((inlet_c - t_ref) / 3.0, 0.5)
    slope = (enthalpy(surface, saturated_humidity(surface, pressure)) - h_ref) / (surface - t_ref)
    ntu_wet = ntu_air / (1.0 + slope / cp * ratio)
    wet = flow * (1.0 - np.exp(-ntu_wet)) * (h_in - h_ref)

    # The outlets of either view differ where their heats are equal: fade over 2 % of the heat.
    fade = (wet - dry) / (0.02 * np.abs(dry) + 1e-4)
    damp = 1.0 / (1.0 + np.exp(-np.clip(fade, -60.0, 60.0)))
    heat = dry + damp * (wet - dry)
    # Effective surface: the one that would do the same with no resistance inside; ASHRAE.
    passed = np.exp(-ntu_air)
    h_surface = h_in - wet / (flow * (1.0 - passed))
    t_surface = t_ref + (h_surface - h_ref) / slope
    wet_out = t_surface + (inlet_c - t_surface) * passed
    dry_out = inlet_c - dry / (flow * cp)
    return Coil(heat, dry_out + damp * (wet_out - dry_out))
