"""The saturation line between shipped table rows.

Temperatures are in degC, pressures in kPa absolute. Every method takes numbers or arrays: a number
gives a float, an array an array of the same shape, in which NaN (not observed) stays NaN. For a
pure substance bubble point and dew point are one line.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field
from importlib import resources
from typing import TypeVar

import numpy as np
from numpy.typing import NDArray

from loopodds.base.arrays import BoolArray, FloatArray
from loopodds.base.errors import OutOfRange

V = TypeVar("V", float, FloatArray)

ROUNDING = 1e-9
"""So that the lowest row survives a round trip in floating point."""


@dataclass(frozen=True, slots=True, eq=False)
class Cubic:
    """Cubic Hermite interpolant: passes through every (x, y) with the slope dy/dx given there."""

    # x, y, slope: array, shape (rows,); ``x`` strictly increasing. Outside its ends the outer
    # cubics go on
    x: FloatArray
    y: FloatArray
    slope: FloatArray

    def __post_init__(self) -> None:
        for array in (self.x, self.y, self.slope):
            array.setflags(write=False)

    def value(self, at: FloatArray) -> FloatArray:
        """Interpolated y at points of any shape; NaN stays NaN."""
        row, _, t, rise, start, end = self._piece(at)
        return self.y[row] + t * rise + t * (1.0 - t) * (start * (1.0 - t) + end * t)

    def derivative(self, at: FloatArray) -> FloatArray:
        """Slope dy/dx of the interpolant at points of any shape; NaN stays NaN."""
        _, width, t, rise, start, end = self._piece(at)
        bend = start * (1.0 - t) * (1.0 - 3.0 * t) + end * t * (2.0 - 3.0 * t)
        return (rise + bend) / width

    def _piece(
        self, at: FloatArray
    ) -> tuple[NDArray[np.intp], FloatArray, FloatArray, FloatArray, FloatArray, FloatArray]:
        """Row, width, position from 0 to 1, rise, and how the end slopes depart from the chord."""
        row = np.clip(np.searchsorted(self.x, at, side="right") - 1, 0, len(self.x) - 2)
        width = self.x[row + 1] - self.x[row]
        rise = self.y[row + 1] - self.y[row]
        start = width * self.slope[row] - rise
        end = rise - width * self.slope[row + 1]
        return row, width, (at - self.x[row]) / width, rise, start, end


@dataclass(frozen=True, slots=True, eq=False)
class SaturationLine:
    """Saturation line of a pure substance up to, not including, its critical point.

    ln p is a cubic of T between rows 1 K apart, T likewise a cubic of ln p, both with the slopes
    of the equation of state. Against the equation: within 0.001 % in pressure and 0.001 K in
    temperature up to 1 mK below the critical point; dp/dT within 0.1 %.
    """

    name: str  # designation, e.g. ``R134a``
    equation: str  # the published equation of state behind the line
    lowest_temperature_c: float
    lowest_pressure_kpa: float
    # critical_temperature_c, critical_pressure_kpa: Upper end of the line [degC, kPa abs], itself
    # outside the range
    critical_temperature_c: float
    critical_pressure_kpa: float
    _log_pressure: Cubic = field(repr=False)
    _temperature: Cubic = field(repr=False)

    @property
    def temperature_curve(self) -> Cubic:
        """Saturation temperature [degC] over the natural log of the pressure [kPa abs]."""
        return self._temperature

    def covers_pressure(self, pressure_kpa: FloatArray) -> BoolArray:
        """Which absolute pressures [kPa] lie on the line; same shape, NaN gives False."""
        pressure = np.asarray(pressure_kpa)
        lowest = self.lowest_pressure_kpa * (1.0 - ROUNDING)
        return (pressure >= lowest) & (pressure < self.critical_pressure_kpa)

    def covers_temperature(self, temperature_c: FloatArray) -> BoolArray:
        """Which temperatures [degC] lie on the line; same shape, NaN gives False."""
        temperature = np.asarray(temperature_c)
        lowest = self.lowest_temperature_c - ROUNDING
        return (temperature >= lowest) & (temperature < self.critical_temperature_c)

    def saturation_temperature(self, pressure_kpa: V) -> V:
        """Temperature [degC] at which liquid and vapour rest together at a pressure [kPa abs].

        Raises:
            OutOfRange: below the table, at or above the critical pressure, or a single NaN.

        >>> from loopodds.physics.refrigerants import refrigerant
        >>> round(refrigerant("R134a").saturation_temperature(414.6), 2)
        10.0
        """
        pressure = np.asarray(pressure_kpa, dtype=np.float64)
        self._check(pressure_kpa, self.covers_pressure(pressure), "kPa abs")
        return like(pressure_kpa, self._temperature.value(np.log(pressure)))

    def saturation_pressure(self, temperature_c: V) -> V:
        """Pressure [kPa abs] at which liquid and vapour rest together at a temperature [degC].

        Raises:
            OutOfRange: below the table, at or above the critical temperature, or a single NaN.

        >>> from loopodds.physics.refrigerants import refrigerant
        >>> round(refrigerant("R1234yf").saturation_pressure(25.0), 1)
        682.7
        """
        temperature = np.asarray(temperature_c, dtype=np.float64)
        self._check(temperature_c, self.covers_temperature(temperature), "degC")
        return like(temperature_c, np.exp(self._log_pressure.value(temperature)))

    def saturation_slope(self, temperature_c: V) -> V:
        """Rise of the saturation pressure per kelvin [kPa/K] at a temperature [degC].

        Raises:
            OutOfRange: below the table, at or above the critical temperature, or a single NaN.

        dp/dT = p d(ln p)/dT, the derivative of the interpolated line.
        """
        pressure = self.saturation_pressure(temperature_c)
        temperature = np.asarray(temperature_c, dtype=np.float64)
        return like(temperature_c, pressure * self._log_pressure.derivative(temperature))

    def _check(self, given: float | FloatArray, covered: BoolArray, unit: str) -> None:
        """Raise for the first value that is off the line."""
        wrong = ~(covered | unobserved(given))
        if not wrong.any():
            return
        value = np.asarray(given)[wrong].flat[0]
        first = np.argwhere(wrong)[0].tolist()
        where = f" (at index {', '.join(map(str, first))})" if first else ""
        raise OutOfRange(
            f"{value:.6g} {unit}{where} is off the saturation line of {self.name}, which runs "
            f"from {self.lowest_pressure_kpa:.3g} kPa abs ({self.lowest_temperature_c:g} degC) to "
            f"below the critical point at {self.critical_pressure_kpa:.1f} kPa abs "
            f"({self.critical_temperature_c:.2f} degC)"
        )


def unobserved(given: float | FloatArray) -> BoolArray:
    """NaN elements of an array; a single NaN is no missing element but an error."""
    if isinstance(given, np.ndarray):
        return np.isnan(given)
    return np.zeros((), dtype=np.bool_)


def like(given: V, result: FloatArray) -> V:
    """Result as an array where an array was given, else as a float."""
    return result if isinstance(given, np.ndarray) else float(result)


def read_table(name: str) -> tuple[Mapping[str, str], FloatArray, FloatArray, FloatArray]:
    """Saturation table of a refrigerant as it is shipped.

    Returns:
        What the comment lines ``# key: value`` say (safety class, equation), and temperature
            [degC], pressure [kPa abs] and slope [kPa/K], shape (rows,); increasing, the last row
            is the critical point.
    """
    path = resources.files("loopodds_data") / "saturation" / f"{name}.csv"
    lines = path.read_text(encoding="utf-8").splitlines()
    comments = [line[2:].partition(": ") for line in lines if line.startswith("# ")]
    about = {key: value for key, colon, value in comments if colon}
    rows = [line for line in lines if not line.startswith("#")][1:]
    numbers = np.array([row.split(",") for row in rows], dtype=np.float64)
    temperature, pressure, slope = np.ascontiguousarray(numbers.T)
    return about, temperature, pressure, slope
