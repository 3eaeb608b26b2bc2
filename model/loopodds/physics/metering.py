"""Expansion valves and orifice tubes: the flow that they let pass.

Pressures in kPa, temperatures in degC, densities in kg/m3, flows in kg/s, areas in m2.
"""

import numpy as np

from loopodds.base.arrays import FloatArray
from loopodds.physics.compressor import ramp
from loopodds.physics.exchangers import smooth_positive
from loopodds.physics.fluids import Line

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
    asks for one more of superheat. Both corners are rounded; a closed valve still weeps.
    """
    above = superheat_k - static_k - smooth_positive(evaporating_c - limit_c, 0.2)
    return ramp(above / to_full_k)


def inlet_density(h: FloatArray, line: Line) -> FloatArray:
    """Density in front of a passage: liquid, or homogeneous mixture once vapour is in it."""
    quality = smooth_positive((h - line.h_f) / (line.h_g - line.h_f), 1e-3)
    quality = np.minimum(quality, 1.0)
    return 1.0 / (quality / line.rho_g + (1.0 - quality) / line.rho_f)


def passage_flow(
    area: FloatArray, density: FloatArray, before_kpa: FloatArray, behind_kpa: FloatArray
) -> FloatArray:
    """Orifice equation: m = C A sqrt(2 rho dp); Bernoulli."""
    fall = smooth_positive(before_kpa - behind_kpa, 1.0)
    return np.asarray(DISCHARGE * area * np.sqrt(2.0 * density * fall * 1e3))


def choked_pressure(evaporating_kpa: FloatArray, saturation_kpa: FloatArray) -> FloatArray:
    """Pressure that an orifice tube works against.

    Liquid chokes as it begins to flash: the pressure at the throat does not fall below a share of
    the saturation pressure of what comes in. The form of Kim & O'Neal, ASHRAE Transactions 100
    (1994) part 1, with a constant share in place of their fit, whose figures could not be read.
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
