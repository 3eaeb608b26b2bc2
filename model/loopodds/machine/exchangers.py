"""Exchangers in which every element of refrigerant meets fresh air, in zones with moving borders.

Shares of area are shares of the air too. With air unmixed in one passage and refrigerant mixed
across it, an element of area da takes up C_air (1 - exp(-UA / C_air)) (T - T_air) da; integrated
along the refrigerant this is the relation of Kays & London, Compact Heat Exchangers, for cross flow
with one fluid mixed: eff_ref = 1 - exp(-(1 - exp(-NTU_air)) C_air / C_ref) (from memory; as in
Mitchell & Braun 2012, table 13.1, read as an open library repeats it), and it gives every border in
closed form.
Temperatures in degC, enthalpies in kJ/kg, flows in kg/s, conductances in kW/K. Coefficients of heat
transfer are not worked out: conductances are sizes of a car (`population`). Two-phase mixtures slip
as of Zivi, J. Heat Transfer 86 (1964) 247 (from memory).
"""

from dataclasses import dataclass

import numpy as np

from loopodds.base.arrays import FloatArray
from loopodds.machine.fluids import Fluid, Line

TINY = 1e-9


def smooth_min(a: FloatArray, b: FloatArray, width: float) -> FloatArray:
    """The smaller, rounded off over a width so that Newton's method sees no corner."""
    return 0.5 * (a + b - np.sqrt((a - b) ** 2 + width**2))


def smooth_positive(a: FloatArray, width: float) -> FloatArray:
    """a where above zero and near zero elsewhere, always above zero."""
    return 0.5 * (a + np.sqrt(a * a + width * width))


def air_conductance(air_capacity: FloatArray, ua: FloatArray) -> FloatArray:
    """C_air (1 - exp(-UA / C_air)) [kW/K]: heat per kelvin of one side at one temperature."""
    return np.asarray(air_capacity * (1.0 - np.exp(-ua / air_capacity)))


def zivi_void(quality: FloatArray, line: Line) -> FloatArray:
    """Void fraction of Zivi (1964): 1 / (1 + (1 - x) / x (rho_g / rho_f)^(2/3)) (from memory).

    Slip ratio (rho_f / rho_g)^(1/3): least flux of kinetic energy in annular flow.
    """
    slip = (line.rho_g / line.rho_f) ** (2.0 / 3.0)
    return quality / (quality + slip * (1.0 - quality))


def mean_density(first: FloatArray, last: FloatArray, line: Line) -> FloatArray:
    """Mean over a passage in which quality goes evenly from first to last [kg/m3].

    The mean of Zivi's void fraction is [x / a - s / a^2 ln(s + a x)], a = 1 - s, over the step.
    """
    slip = (line.rho_g / line.rho_f) ** (2.0 / 3.0)
    rest = 1.0 - slip
    step = last - first
    narrow = np.abs(step) < 1e-3
    wide = np.where(narrow, 1.0, step)
    logs = np.log((slip + rest * last) / (slip + rest * first))
    mean = (1.0 - slip / rest * logs / wide) / rest
    void = np.where(narrow, zivi_void(0.5 * (first + last), line), mean)
    return void * line.rho_g + (1.0 - void) * line.rho_f


@dataclass(frozen=True, slots=True, eq=False)
class Passage:
    """What leaves a condensing passage and what stays in it."""

    over: FloatArray  # superheat left at the outlet, as enthalpy above the dew line [kJ/kg]
    quality: FloatArray  # 0 where all is liquid, 1 where nothing has condensed
    liquid_c: FloatArray  # temperature of the liquid
    liquid_share: FloatArray  # of the area
    density: FloatArray  # mean [kg/m3]

    def enthalpy(self, fluid: Fluid, line: Line) -> FloatArray:
        """Of what leaves [kJ/kg]; liquid as saturated liquid of its temperature."""
        liquid = fluid.line(self.liquid_c).h_f
        return liquid + self.quality * (line.h_g - line.h_f) + self.over


def condense(
    entering: Passage,
    hot_c: FloatArray,
    line: Line,
    flow: FloatArray,
    air_c: FloatArray,
    conductances: tuple[FloatArray, FloatArray, FloatArray],
    area: FloatArray,
) -> Passage:
    """Desuperheat, condense and subcool in a passage.

    Args:
        entering: What comes in; its superheat, quality and liquid temperature are used.
        hot_c: Temperature of the superheated vapour coming in.
        conductances: From `air_conductance` for vapour, two phases and liquid, per whole area.
        area: Share of the whole area that this passage is.
    """
    vapour, both, liquid = conductances
    lift = smooth_positive(line.t - air_c, 0.1)
    # Desuperheating, C dT/da = -G (T - T_air): the relation at the head of this module solved for
    # the area. Without superheat the logarithm is nought and no area is taken.
    superheat = np.maximum(hot_c - line.t, 0.0)
    cp = np.maximum(entering.over, 0.0) / np.maximum(superheat, TINY)
    needed = flow * cp / vapour * np.log1p(superheat / lift)
    dry = smooth_min(needed, area, 0.002)
    dry = np.clip(dry, 0.0, area)
    left = np.expm1((needed - dry) * vapour / np.maximum(flow * cp, TINY)) * lift
    over = entering.over * np.clip(left / np.maximum(superheat, TINY), 0.0, 1.0)
    # Two phases at one temperature, G (T - T_air) for each area (Kays & London, C* = 0): quality
    # falls evenly with it.
    room = np.maximum(area - dry, 0.0)
    needed = flow * (line.h_g - line.h_f) * entering.quality / (both * lift)
    wet = np.clip(smooth_min(needed, room, 0.002), 0.0, room)
    quality = entering.quality * np.clip(1.0 - wet / np.maximum(needed, TINY), 0.0, 1.0)
    # The rest holds liquid: the same relation solved for the outlet.
    rest = area - dry - wet
    liquid_in = np.minimum(entering.liquid_c, line.t)
    cooled = air_c + (liquid_in - air_c) * np.exp(-liquid * rest / (flow * line.cp_f))
    cooled = np.minimum(cooled, line.t)
    mass = dry * line.rho_g * 0.85 + wet * mean_density(entering.quality, quality, line)
    mass += rest * (line.rho_f + 3.5 * (line.t - 0.5 * (cooled + liquid_in)))
    return Passage(over, quality, cooled, rest, mass / area)


@dataclass(frozen=True, slots=True, eq=False)
class Boiling:
    """What leaves an evaporator and what stays in it."""

    over: FloatArray  # enthalpy above the dew line at the outlet; below zero wet [kJ/kg]
    wet_share: FloatArray  # of the area and the air
    dry_heat: FloatArray  # taken up as superheat [kW]
    density: FloatArray  # mean [kg/m3]


def boil(
    h_in: FloatArray,
    line: Line,
    flow: FloatArray,
    whole_wet_kw: FloatArray,
    air_c: FloatArray,
    vapour: FloatArray,
    cp_vapour: FloatArray,
) -> Boiling:
    """Boil and superheat in an evaporator.

    Args:
        h_in: Behind the expansion [kJ/kg].
        whole_wet_kw: What the coil would take up with two phases everywhere.
        vapour: Conductance of the whole area to vapour, from `air_conductance`.
        cp_vapour: Of the vapour [kJ/(kg K)].
    """
    # In a loop nearly empty, what comes in is vapour, and superheated.
    lack = np.maximum(line.h_g - h_in, 0.0)
    over_in = np.maximum(h_in - line.h_g, 0.0)
    full = np.maximum(whole_wet_kw, 1e-4)
    needed = flow * lack / full
    wet = np.clip(smooth_min(needed, np.ones_like(needed), 0.002), 0.0, 1.0)
    hold = flow * cp_vapour
    warm = np.maximum(air_c - line.t - over_in / cp_vapour, 0.0)
    dry_heat = hold * warm * (1.0 - np.exp(-vapour * (1.0 - wet) / hold))
    over = over_in - lack + (wet * full + dry_heat) / flow
    latent = line.h_g - line.h_f
    first = np.clip(1.0 - lack / latent, 0.0, 1.0)
    last = np.clip(1.0 + np.minimum(over, 0.0) / latent, first, 1.0)
    density = wet * mean_density(first, last, line) + (1.0 - wet) * line.rho_g * 0.95
    return Boiling(over, wet, dry_heat, density)
