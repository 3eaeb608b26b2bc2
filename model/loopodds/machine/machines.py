"""What moves the refrigerant and what meters it: compressors, expansion valves, orifice tubes.

Pressures in kPa absolute, temperatures in degC, enthalpies in kJ/kg, densities in kg/m3, flows in
kg/s, areas in m2. The controls are proportional
bands, so that a state of the loop has one answer; what swings is worked out from the mean.
"""

import numpy as np

from loopodds.base.arrays import BoolArray, FloatArray
from loopodds.machine.exchangers import smooth_positive
from loopodds.machine.fluids import Line

FIXED, VARIABLE, ELECTRIC = 0, 1, 2
SHUT_OFF_BAND_KPA = 450.0
"""Between cut-out and cut-in of the high-pressure switch, over which it cycles; common practice."""


CORNER = 0.1
"""Half the width of the corners of a proportional band, in shares of it."""


def ramp(x: FloatArray) -> FloatArray:
    """0 below 0, 1 above 1, in between x, with rounded corners; nowhere quite 0 or flat."""
    low, high = np.sqrt(x * x + CORNER**2), np.sqrt((x - 1.0) ** 2 + CORNER**2)
    return np.asarray(np.maximum(0.5 * (low - high) + 0.5, 1e-6))


def volumetric_efficiency(
    ratio: FloatArray, speed: FloatArray, best: FloatArray, clearance: FloatArray
) -> FloatArray:
    """Clearance volume re-expands: best - c ((p_d / p_s)^(1 / 1.1) - 1), less with speed.

    The clearance relation 1 - c (r^(1/n) - 1) of Stoecker & Jones, Refrigeration and Air
    Conditioning (from memory; the same in many text books), n = 1.1 for a halocarbon; sizes as of
    published car compressors, from memory: 0.55 to 0.8 at 30 rev/s and a ratio of 6. Speed takes
    0.1 per 50 rev/s above 25.
    """
    value = best - clearance * (ratio ** (1.0 / 1.1) - 1.0) - 0.002 * (speed - 25.0)
    return 0.5 * (value + np.sqrt(value * value + 4e-4))


def isentropic_efficiency(ratio: FloatArray, speed: FloatArray, best: FloatArray) -> FloatArray:
    """Highest near a ratio of 3.5, falling to both sides and with speed; shape from memory."""
    off = np.log(np.maximum(ratio, 1.0) / 3.5)
    return np.asarray(best / (1.0 + 0.12 * off * off) - 0.0015 * (speed - 25.0))


def share_of_stroke(
    low_c: FloatArray, fin_c: FloatArray, set_c: FloatArray, band_k: FloatArray, by_fin: BoolArray
) -> FloatArray:
    """Share of displacement, speed or time that the control asks for.

    A variable compressor's valve shortens the stroke as the suction pressure falls to its set
    point; an electric one slows down by the same rule; a clutch that cycles gives a share of time,
    by the temperature at the fin (thermostat) or by the low side (pressure switch).

    Args:
        low_c: Saturation temperature of the low side; ``fin_c``: of the coldest fin.
        set_c: Where next to nothing is asked for; ``band_k``: above it, to the full share.
        by_fin: Which of the two temperatures is sensed.
    """
    return ramp((np.where(by_fin, fin_c, low_c) - set_c) / band_k)


def shut_off_share(high_kpa: FloatArray, limit_kpa: FloatArray) -> FloatArray:
    """Share of time left by the high-pressure switch, which cycles near its limit."""
    return ramp((limit_kpa - high_kpa) / SHUT_OFF_BAND_KPA)


def swing(
    low_kpa: FloatArray, duty: FloatArray, cut_in_kpa: FloatArray
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Mean, lowest and highest of the low side of a clutch that cycles [kPa].

    While it runs the low side falls to the cut-out and it rests until the cut-in: the band of the
    control stands for the running phase, and the mean goes up with the share of rest (half way at
    rest throughout; crude).
    """
    span = np.maximum(cut_in_kpa - low_kpa, 0.0)
    rest = np.clip((0.98 - duty) / 0.1, 0.0, 1.0)
    mean = low_kpa + 0.5 * (1.0 - duty) * span * rest
    return mean, low_kpa, low_kpa + span * rest


DISCHARGE = 0.7
"""Of a sharp short passage for liquid; common practice."""

FLASHING = 0.88
"""Share of the saturation pressure of the liquid below which the flow chokes; from memory."""


def valve_opening(
    superheat_k: FloatArray,
    evaporating_c: FloatArray,
    static_k: FloatArray,
    to_full_k: FloatArray,
    limit_c: FloatArray,
) -> FloatArray:
    """Share of a thermostatic valve's greatest opening.

    Shut below the static superheat, then in proportion until full (valve characteristic of the
    ASHRAE Handbook, Refrigeration); above the limit (MOP) each kelvin of evaporating temperature
    asks for one more of superheat (from memory). Both corners are rounded; a closed valve still
    weeps.
    """
    above = superheat_k - static_k - smooth_positive(evaporating_c - limit_c, 0.2)
    return ramp(above / to_full_k)


def inlet_density(h: FloatArray, line: Line) -> FloatArray:
    """Density in front of a passage: liquid, or homogeneous mixture once vapour is in it.

    1 / rho = x / rho_g + (1 - x) / rho_f, no slip (homogeneous model; by definition).
    """
    quality = smooth_positive((h - line.h_f) / (line.h_g - line.h_f), 1e-3)
    quality = np.minimum(quality, 1.0)
    return 1.0 / (quality / line.rho_g + (1.0 - quality) / line.rho_f)


def passage_flow(
    area: FloatArray, density: FloatArray, before_kpa: FloatArray, behind_kpa: FloatArray
) -> FloatArray:
    """Orifice equation: m = C A sqrt(2 rho dp); Bernoulli, C from practice (`DISCHARGE`)."""
    fall = smooth_positive(before_kpa - behind_kpa, 1.0)
    return np.asarray(DISCHARGE * area * np.sqrt(2.0 * density * fall * 1e3))


def choked_pressure(evaporating_kpa: FloatArray, saturation_kpa: FloatArray) -> FloatArray:
    """Pressure that an orifice tube works against.

    Liquid chokes as it begins to flash: the pressure at the throat does not fall below a share of
    the saturation pressure of what comes in. That short tubes choke below the saturation pressure
    of the temperature upstream is measured for R22 and R134a (Kim & O'Neal, Int. J. Refrigeration
    18 (1995) 447, abstract); the form is that of Kim & O'Neal, ASHRAE Transactions 100 (1994) part
    1 (from memory), with a constant share in place of their fit, whose figures could not be read.
    """
    return np.maximum(evaporating_kpa, FLASHING * saturation_kpa)


def between(
    before_kpa: FloatArray,
    behind_kpa: FloatArray,
    first: tuple[FloatArray, FloatArray],
    second: tuple[FloatArray, FloatArray],
) -> FloatArray:
    """Pressure between two passages in series, each an area and a density.

    The fall of a passage goes by 1 / (rho A^2) at one flow (orifice equation).
    """
    fall = [1.0 / (density * area**2) for area, density in (first, second)]
    over = smooth_positive(before_kpa - behind_kpa, 1.0)
    return behind_kpa + over * fall[1] / (fall[0] + fall[1])
