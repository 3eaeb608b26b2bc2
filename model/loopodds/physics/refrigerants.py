"""The supported refrigerants, and what readings mean on their saturation lines.

Temperatures are in degC, pressures in kPa absolute. Every method takes numbers or arrays of one
shape and gives a float or an array, in which NaN (not observed) stays NaN.
"""

import re
from dataclasses import dataclass
from functools import lru_cache
from typing import Generic

import numpy as np

from loopodds.base.errors import UnknownName
from loopodds.physics.saturation import Cubic, SaturationLine, V, read_table

SUPPORTED: tuple[str, ...] = ("R134a", "R1234yf")

STATIC_TEMPERATURE_ERROR_K = 1.5
"""Doubt about the temperature of the liquid in a resting loop; engineering estimate."""

GAUGE_ERROR_BAR = 0.10
"""Error of a workshop gauge; engineering estimate."""

KPA_PER_BAR = 100.0

MOLAR_MASS_OF_AIR = 28.965
"""Of dry air [g/mol]."""


@dataclass(frozen=True, slots=True, eq=False)
class StaticResidual(Generic[V]):
    """Distance of a resting loop from saturation: floats, or arrays of one shape."""

    kelvin: V  # saturation temperature at the pressure read minus temperature of the loop [K]
    bar: V  # pressure read minus saturation pressure at the temperature of the loop [bar]
    # band_kelvin, band_bar: Half width of the band inside which the residual says nothing [K, bar]:
    # 1.5 K of temperature error plus 0.10 bar of gauge error, both engineering estimates
    band_kelvin: V
    band_bar: V


@dataclass(frozen=True, slots=True, eq=False)
class Refrigerant(SaturationLine):
    """A pure refrigerant: its saturation line, and what readings mean on it.

    Obtain one from `refrigerant`.
    """

    safety_class: str  # ISO 817: ``A1`` (no flame propagation) or ``A2L`` (burns, slowly)
    molar_mass: float  # [g/mol]

    def condensing_lift(self, high_side_kpa: V, ambient_c: V) -> V:
        """Saturation temperature at the high side minus that of the air at the condenser [K].

        Raises:
            OutOfRange: if the pressure is off the line.
        """
        return self.saturation_temperature(high_side_kpa) - ambient_c

    def volume_share(self, mass_share: V, molar_mass: float) -> V:
        """Share by volume [%] of another gas in this vapour, from its share by mass [%].

        y = (w / M) / (w / M + (1 - w) / M_refrigerant): volumes of ideal gases go by moles. Of air
        1.8 % by mass are 6.1 % by volume in R134a. NaN stays NaN.

        Args:
            molar_mass: Of the other gas [g/mol], such as :data:`MOLAR_MASS_OF_AIR`.

        >>> round(refrigerant("R134a").volume_share(1.8, MOLAR_MASS_OF_AIR), 1)
        6.1
        """
        other = mass_share / molar_mass
        return 100.0 * other / (other + (100.0 - mass_share) / self.molar_mass)

    def static_residual(self, pressure_kpa: V, temperature_c: V) -> StaticResidual[V]:
        """How far a resting loop is from saturation, with the band of ordinary error.

        Positive when the pressure is above saturation, as with air in the loop.

        Args:
            pressure_kpa: With the engine off and the loop at one temperature [kPa abs].
            temperature_c: Of the loop where the liquid is [degC], same shape.

        Raises:
            OutOfRange: if the pressure or the temperature is off the line.

        band = 0.10 bar + 1.5 K dp/dT; common practice. As long as any liquid is left the residual
        of a sound loop is zero: it does not measure the charge.
        """
        slope_bar = self.saturation_slope(temperature_c) / KPA_PER_BAR
        return StaticResidual(
            kelvin=self.saturation_temperature(pressure_kpa) - temperature_c,
            bar=(pressure_kpa - self.saturation_pressure(temperature_c)) / KPA_PER_BAR,
            band_kelvin=STATIC_TEMPERATURE_ERROR_K + GAUGE_ERROR_BAR / slope_bar,
            band_bar=GAUGE_ERROR_BAR + STATIC_TEMPERATURE_ERROR_K * slope_bar,
        )


def designation(name: str) -> str | None:
    """Supported refrigerant that a name means; None if it means none.

    Case, blanks and hyphens do not matter, and the number may stand alone or behind the class of
    substance (HFC, HFO) in place of R.

    >>> designation("HFC-134a"), designation("r 1234YF"), designation("R13")
    ('R134a', 'R1234yf', None)
    """
    plain = re.sub(r"^(r|hfc|hfo)?(?=\d)", "r", re.sub(r"[-\s]", "", name.lower()))
    return next((known for known in SUPPORTED if known.lower() == plain), None)


def refrigerant(name: str) -> Refrigerant:
    """Refrigerant by its designation, read from the shipped table on first use.

    The name may have any spelling that :func:`designation` knows.

    Raises:
        UnknownName: if the refrigerant is not supported; the message names those that are.

    >>> refrigerant("r-134a").safety_class
    'A1'
    """
    known = designation(name)
    if known is not None:
        return _read(known)
    # No nearest spelling: designations one letter apart are different substances.
    raise UnknownName(
        f"refrigerant {name!r} is not supported; supported: {', '.join(SUPPORTED)}. "
        "Do not assess a loop that holds anything else"
    )


@lru_cache
def _read(name: str) -> Refrigerant:
    about, temperature, pressure, slope = read_table(name)
    logs = np.log(pressure)
    return Refrigerant(
        name=about["refrigerant"],
        safety_class=about["safety_class"],
        molar_mass=float(about["molar_mass_g_per_mol"]),
        critical_temperature_c=float(temperature[-1]),
        critical_pressure_kpa=float(pressure[-1]),
        lowest_temperature_c=float(temperature[0]),
        lowest_pressure_kpa=float(pressure[0]),
        equation=about["equation"],
        _log_pressure=Cubic(temperature, logs, slope / pressure),
        _temperature=Cubic(logs, temperature, pressure / slope),
    )
