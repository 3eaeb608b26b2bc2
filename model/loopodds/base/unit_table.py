"""The table of units, with conversions for single values and whole columns.

Internal units: pressure and vacuum kPa absolute, rise of pressure kPa, temperature degC,
temperature difference K, mass g, share %, length m, time min, resistance Mohm, rotation rpm.

A pressure is a gauge pressure unless it says ``abs``; it is taken above the standard atmosphere at
the altitude given. Units of mercury column without a further word are vacuum readings, because a
compound gauge has that scale only below zero. Micron and Torr are absolute. ``K`` is always a
difference, never a temperature.

Some dimensions have units of their own under the same names: a vacuum is absolute unless it says
``vac``, as electronic vacuum gauges show it; a rise of pressure is measured from nothing; a share
of a gas says whether by volume or by mass.
"""

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from types import MappingProxyType
from typing import Literal, get_args, overload

import numpy as np

from loopodds.base.arrays import FloatArray
from loopodds.base.errors import OutOfRange

Dimension = Literal[
    "pressure", "temperature", "difference", "mass", "share", "length", "time", "resistance",
    "vacuum", "rise", "volume_share", "mass_share", "rotation",
]  # fmt: skip
Reference = Literal["none", "gauge", "absolute", "vacuum"]

DIMENSIONS: tuple[Dimension, ...] = get_args(Dimension)
INTERNAL_UNITS: Mapping[Dimension, str] = MappingProxyType(
    {
        "pressure": "kPa abs",
        "temperature": "degC",
        "difference": "K",
        "mass": "g",
        "share": "%",
        "length": "m",
        "time": "min",
        "resistance": "Mohm",
        "vacuum": "kPa abs",
        "rise": "kPa",
        "volume_share": "% by volume",
        "mass_share": "% by mass",
        "rotation": "rpm",
    }
)
USUAL_UNITS: Mapping[Dimension, tuple[str, ...]] = {
    "pressure": ("bar", "psi", "kPa"),
    "temperature": ("degC", "degF"),
    "difference": ("K", "deltaF"),
    "mass": ("g", "oz", "kg", "lb"),
    "share": ("%",),
    "length": ("km", "mi"),
    "time": ("min", "s"),
    "resistance": ("Mohm", "kohm", "Gohm"),
    "vacuum": ("mbar", "micron", "Torr"),
    "rise": ("mbar", "micron", "Torr"),
    "volume_share": ("% by volume",),
    "mass_share": ("% by mass",),
    "rotation": ("rpm",),
}
"""Units that people read off instruments, the usual one first."""
ALTITUDE_LIMITS_M = (-2000.0, 11000.0)
"""Where the troposphere formula of ISO 2533 holds."""

SEA_LEVEL_KPA = 101.325
DIAL_SLACK_KPA = 0.3
"""A dial at its vacuum stop reads up to this much below zero absolute, e.g. 30 inHg."""

FLOORS: Mapping[Dimension, float] = MappingProxyType(
    {
        "pressure": 0.0,
        "temperature": -273.15,
        "difference": -math.inf,
        "mass": 0.0,
        "share": 0.0,
        "length": -math.inf,
        "time": 0.0,
        "resistance": 0.0,
        "vacuum": 0.0,
        "rise": 0.0,
        "volume_share": 0.0,
        "mass_share": 0.0,
        "rotation": 0.0,
    }
)


@overload
def atmospheric_pressure(altitude_m: float) -> float: ...
@overload
def atmospheric_pressure(altitude_m: FloatArray) -> FloatArray: ...
def atmospheric_pressure(altitude_m: float | FloatArray) -> float | FloatArray:
    """Pressure of the standard atmosphere [kPa abs] at an altitude, same shape.

    Args:
        altitude_m: Above sea level [m], any shape; taken as geopotential (2000 m differ by 0.6 m).

    Raises:
        OutOfRange: outside -2000 m to 11000 m (also NaN), where the formula does not hold.

    p = 101.325 (1 - 0.0065 H / 288.15)^(g / (0.0065 R)), g = 9.80665 m/s2, R = 287.05287 J/(kg K);
    ISO 2533:1975, troposphere. The weather moves the true value by about 3 %.

    >>> round(atmospheric_pressure(1000.0), 2)
    89.87
    """
    height = np.asarray(altitude_m, dtype=np.float64)
    low, high = ALTITUDE_LIMITS_M
    outside = height[~((height >= low) & (height <= high))]
    if outside.size:
        raise OutOfRange(f"altitude {outside[0]:g} m lies outside {low:g} m to {high:g} m")
    pressure = SEA_LEVEL_KPA * (1.0 - 0.0065 * height / 288.15) ** (9.80665 / (0.0065 * 287.05287))
    return pressure if isinstance(altitude_m, np.ndarray) else float(pressure)


@dataclass(frozen=True, slots=True)
class Unit:
    """One unit of the table, with conversions for numbers and arrays."""

    name: str  # canonical spelling, e.g. ``psi abs``
    dimension: Dimension  # one of `DIMENSIONS`
    scale: float  # scale, zero: internal = (value - zero) * scale, before any gauge correction
    zero: float = 0.0
    # suffix that marks the unit in the column names of an archive; None: not for columns
    column: str | None = None
    decimals: int = 1  # decimals worth showing
    # what a pressure is measured from; ``none`` for the other dimensions
    reference: Reference = "none"

    @overload
    def to_internal(self, values: float, altitude_m: float = ...) -> float: ...
    @overload
    def to_internal(
        self, values: FloatArray, altitude_m: float | FloatArray = ...
    ) -> FloatArray: ...
    def to_internal(
        self, values: float | FloatArray, altitude_m: float | FloatArray = 0.0
    ) -> float | FloatArray:
        """Values of this unit in the internal unit of the dimension, same shape.

        NaN (not observed) stays NaN, and the impossible is converted all the same: see `possible`.

        Args:
            altitude_m: Altitude of the place [m], broadcasts; for gauge and vacuum pressures.

        Raises:
            OutOfRange: if an altitude is outside the standard atmosphere formula.
        """
        result = (np.asarray(values, dtype=np.float64) - self.zero) * self.scale
        if self.reference in ("gauge", "vacuum"):
            above = result if self.reference == "gauge" else -np.abs(result)
            result = above + atmospheric_pressure(np.asarray(altitude_m, dtype=np.float64))
            result = np.where((result < 0.0) & (result >= -DIAL_SLACK_KPA), 0.0, result)
        return result if isinstance(values, np.ndarray) else float(result)

    @overload
    def from_internal(self, values: float, altitude_m: float = ...) -> float: ...
    @overload
    def from_internal(
        self, values: FloatArray, altitude_m: float | FloatArray = ...
    ) -> FloatArray: ...
    def from_internal(
        self, values: float | FloatArray, altitude_m: float | FloatArray = 0.0
    ) -> float | FloatArray:
        """Internal values in this unit; the inverse of `to_internal`, same shapes.

        A vacuum unit gives the depth below the atmosphere, positive below it.

        Raises:
            OutOfRange: if an altitude is outside the standard atmosphere formula.
        """
        result = np.asarray(values, dtype=np.float64)
        if self.reference in ("gauge", "vacuum"):
            result = result - atmospheric_pressure(np.asarray(altitude_m, dtype=np.float64))
        if self.reference == "vacuum":
            result = -result
        result = result / self.scale + self.zero
        return result if isinstance(values, np.ndarray) else float(result)


# Pressures: name, kPa, decimals, column suffix (None: not for columns), reference without a word,
# further spellings. Factors by their defining values (NIST Special Publication 811, appendix B).
MERCURY_KPA = 0.133322387415
PRESSURES: tuple[tuple[str, float, int, str | None, Reference, tuple[str, ...]], ...] = (
    ("bar", 100.0, 2, "bar", "gauge", ("bars",)),
    ("mbar", 0.1, 0, "mbar", "gauge", ("millibar", "hpa")),
    ("kPa", 1.0, 0, "kPa", "gauge", ()),
    ("MPa", 1000.0, 3, "MPa", "gauge", ()),
    ("psi", 6.894757293168361, 1, "psi", "gauge", ("lb/in2", "lbs/in2")),
    ("kg/cm2", 98.0665, 2, "kgcm2", "gauge", ("kgf/cm2", "kgcm2")),
    ("inHg", 25.4 * MERCURY_KPA, 1, "inHg", "vacuum", ()),
    ("cmHg", 10.0 * MERCURY_KPA, 1, None, "vacuum", ()),
    ("mmHg", MERCURY_KPA, 0, None, "vacuum", ()),
)
REFERENCE_WORDS: Mapping[Reference, tuple[str, ...]] = {
    "gauge": ("gauge", "gage", "g"),
    "absolute": ("abs", "absolute", "a"),
    "vacuum": ("vac", "vacuum"),
}
YEAR_MIN = 365.2425 * 24 * 60
"""Mean year of the Gregorian calendar [min]."""
OTHERS: tuple[tuple[Unit, tuple[str, ...]], ...] = (
    (
        Unit("micron", "pressure", MERCURY_KPA / 1000.0, 0, "micron", 0, "absolute"),
        ("microns", "umhg"),
    ),
    (Unit("Torr", "pressure", SEA_LEVEL_KPA / 760.0, 0, "Torr", 2, "absolute"), ()),
    (Unit("degC", "temperature", 1.0, 0, "degC", 1), ("c", "celsius", "degcelsius")),
    (Unit("degF", "temperature", 5.0 / 9.0, 32.0, "degF", 1), ("f", "fahrenheit", "degfahrenheit")),
    (Unit("K", "difference", 1.0, 0, "K", 1), ("kelvin", "deltak")),
    (Unit("deltaC", "difference", 1.0, 0, "deltaC", 1), ("deltadegc",)),
    (Unit("deltaF", "difference", 5.0 / 9.0, 0, "deltaF", 1), ("deltadegf",)),
    (Unit("g", "mass", 1.0, 0, "g", 0), ("gram", "grams")),
    (Unit("kg", "mass", 1000.0, 0, "kg", 3), ("kilogram", "kilograms")),
    (Unit("oz", "mass", 28.349523125, 0, "oz", 1), ("ounce", "ounces")),
    (Unit("lb", "mass", 453.59237, 0, "lb", 2), ("lbs", "pound", "pounds")),
    (Unit("%", "share", 1.0, 0, "pct", 0), ("pct", "percent", "%rh")),
    (Unit("m", "length", 1.0, 0, "m", 0), ("metre", "metres", "meter", "meters")),
    (Unit("ft", "length", 0.3048, 0, "ft", 0), ("foot", "feet")),
    (Unit("km", "length", 1000.0, 0, "km", 2), ()),
    (Unit("mi", "length", 1609.344, 0, "mi", 2), ("mile", "miles")),
    (Unit("min", "time", 1.0, 0, "min", 0), ("mins", "minute", "minutes")),
    (Unit("s", "time", 1.0 / 60.0, 0, "s", 0), ("sec", "second", "seconds")),
    (Unit("h", "time", 60.0, 0, "h", 1), ("hour", "hours", "hr")),
    (Unit("months", "time", YEAR_MIN / 12, 0, "months", 0), ("month",)),
    (Unit("years", "time", YEAR_MIN, 0, "years", 1), ("year", "yr", "yrs")),
    (Unit("rpm", "rotation", 1.0, 0, "rpm", 0), ("1/min", "/min", "r/min", "rev/min", "min-1")),
    # nobody measures milliohms of insulation: a small m means mega as well
    (Unit("ohm", "resistance", 1e-6, 0, "ohm", 0), ("ohms",)),
    (Unit("kohm", "resistance", 1e-3, 0, "kohm", 0), ("kiloohm", "kilohm", "kohms")),
    (Unit("Mohm", "resistance", 1.0, 0, "Mohm", 2), ("megohm", "megaohm", "megohms", "mohms")),
    (Unit("Gohm", "resistance", 1e3, 0, "Gohm", 2), ("gigohm", "gigaohm", "gohms")),
)
TORR_KPA = SEA_LEVEL_KPA / 760.0
OWN_UNITS: tuple[tuple[Unit, tuple[str, ...]], ...] = (
    # where only a difference fits, degrees are degrees of a difference
    (Unit("K", "difference", 1.0, 0, "K", 1), ("kelvin", "deltak")),
    (
        Unit("deltaC", "difference", 1.0, 0, "deltaC", 1),
        ("deltadegc", "degC", "c", "celsius", "degcelsius"),
    ),
    (
        Unit("deltaF", "difference", 5.0 / 9.0, 0, "deltaF", 1),
        ("deltadegf", "degF", "f", "fahrenheit", "degfahrenheit"),
    ),
    (Unit("mbar", "vacuum", 0.1, 0, "mbar", 1, "absolute"), ("mbar abs", "mbara", "millibar")),
    (Unit("hPa", "vacuum", 0.1, 0, "hPa", 1, "absolute"), ("hpa abs", "hpaa")),
    (Unit("Pa", "vacuum", 0.001, 0, "Pa", 0, "absolute"), ("pa abs",)),
    (Unit("kPa abs", "vacuum", 1.0, 0, "kPa", 2, "absolute"), ("kpa", "kpaa")),
    (Unit("bar abs", "vacuum", 100.0, 0, None, 3, "absolute"), ("bara",)),
    (Unit("Torr", "vacuum", TORR_KPA, 0, "Torr", 2, "absolute"), ("torr abs",)),
    (Unit("mmHg abs", "vacuum", MERCURY_KPA, 0, None, 2, "absolute"), ()),
    (
        Unit("micron", "vacuum", MERCURY_KPA / 1000.0, 0, "micron", 0, "absolute"),
        ("microns", "umhg"),
    ),
    (
        Unit("inHg", "vacuum", 25.4 * MERCURY_KPA, 0, "inHg", 2, "vacuum"),
        ("inhg vac", "inhg vacuum"),
    ),
    (Unit("mbar vac", "vacuum", 0.1, 0, None, 1, "vacuum"), ("mbar vacuum", "hpa vac")),
    (Unit("mbar", "rise", 0.1, 0, "mbar", 1), ("millibar",)),
    (Unit("hPa", "rise", 0.1, 0, "hPa", 1), ()),
    (Unit("Pa", "rise", 0.001, 0, "Pa", 0), ()),
    (Unit("kPa", "rise", 1.0, 0, "kPa", 2), ()),
    (Unit("bar", "rise", 100.0, 0, "bar", 3), ()),
    (Unit("Torr", "rise", TORR_KPA, 0, "Torr", 2), ()),
    (Unit("mmHg", "rise", MERCURY_KPA, 0, None, 1), ()),
    (Unit("micron", "rise", MERCURY_KPA / 1000.0, 0, "micron", 0), ("microns", "umhg")),
    (Unit("inHg", "rise", 25.4 * MERCURY_KPA, 0, "inHg", 2), ()),
    (
        Unit("% by volume", "volume_share", 1.0, 0, "pct", 1),
        ("%", "pct", "percent", "vol%", "%vol", "%volume", "mol%", "%mol", "percent by volume"),
    ),
    (
        Unit("% by mass", "mass_share", 1.0, 0, "pct", 1),
        ("%", "pct", "percent", "wt%", "%wt", "mass%", "%mass", "percent by mass"),
    ),
)
"""Units of the dimensions that share their names with others."""
SIGNS = str.maketrans({"°": "deg", "º": "deg", "℃": "degc", "℉": "degf", "²": "2", "Δ": "delta"})
SIGNS |= str.maketrans({"Ω": "ohm", "\u2126": "ohm"})
SIGNS |= str.maketrans({"µ": "u", "μ": "u", "∆": "delta", **dict.fromkeys(" ().^_\u00a0", "")})


def spelling(text: str) -> str:
    """Spelling without what varies between writers: case, blanks, dots, brackets, signs."""
    return text.translate(SIGNS).lower()


def _pressure_units() -> list[tuple[Unit, tuple[str, ...]]]:
    """Gauge, absolute and vacuum variant of each pressure unit, with all their spellings."""
    units = []
    for name, kpa, decimals, column, default, more in PRESSURES:
        base = Unit(name, "pressure", kpa, 0.0, column, decimals, default)
        units.append((base, more))
        for reference, words in REFERENCE_WORDS.items():
            spelt = tuple(f"{spelling(s)}{word}" for s in (name, *more) for word in words)
            if reference == default:
                units.append((base, spelt))
                continue
            suffix = f"{column}a" if column and reference == "absolute" else None
            variant = replace(base, name=f"{name} {words[0]}", column=suffix, reference=reference)
            units.append((variant, spelt))
    return units


def _spelt(units: Iterable[tuple[Unit, tuple[str, ...]]]) -> Mapping[str, Unit]:
    table: dict[str, Unit] = {}
    for unit, more in units:
        for spelt in (unit.name, *more):
            table.setdefault(spelling(spelt), unit)
    return MappingProxyType(table)


def _columns(spellings: Mapping[str, Unit]) -> Mapping[str, Unit]:
    return MappingProxyType({u.column: u for u in spellings.values() if u.column is not None})


SPELLINGS = _spelt((*_pressure_units(), *OTHERS))
OWN_SPELLINGS: Mapping[str, Mapping[str, Unit]] = MappingProxyType(
    {
        dimension: _spelt(entry for entry in OWN_UNITS if entry[0].dimension == dimension)
        for dimension in dict.fromkeys(unit.dimension for unit, _ in OWN_UNITS)
    }
)
COLUMNS = _columns(SPELLINGS)
COLUMN_SUFFIXES: tuple[str, ...] = tuple(COLUMNS)


def spellings_of(dimension: Dimension) -> Mapping[str, Unit]:
    """Units that a quantity may be written in, by spelling; those of others among them."""
    return OWN_SPELLINGS.get(dimension, SPELLINGS)


def columns_of(dimension: Dimension) -> Mapping[str, Unit]:
    """Units that a column of a dimension may have, by suffix."""
    known = _columns(spellings_of(dimension))
    return {suffix: unit for suffix, unit in known.items() if unit.dimension == dimension}
