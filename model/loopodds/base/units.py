"""Quantities with units: text and archive columns into the internal unit system, and back.

What the units mean is said with their table in :mod:`loopodds.base.unit_table`.
"""

import math
import re
from collections.abc import Mapping
from types import MappingProxyType

import numpy as np
from numpy.typing import NDArray

from loopodds.base.arrays import FloatArray
from loopodds.base.errors import OutOfRange, UnitError
from loopodds.base.likeness import nearest
from loopodds.base.unit_table import (
    ALTITUDE_LIMITS_M,
    COLUMN_SUFFIXES,
    COLUMNS,
    DIMENSIONS,
    FLOORS,
    INTERNAL_UNITS,
    OWN_SPELLINGS,
    SPELLINGS,
    Dimension,
    Unit,
    atmospheric_pressure,
    columns_of,
    spelling,
    spellings_of,
)

__all__ = [
    "ALTITUDE_LIMITS_M",
    "COLUMN_SUFFIXES",
    "DIMENSIONS",
    "INTERNAL_UNITS",
    "Dimension",
    "Unit",
    "atmospheric_pressure",
    "column_unit",
    "columns_of",
    "format_quantity",
    "parse_quantity",
    "possible",
]

NUMBER = re.compile(r"([+\-−]?)\s*([0-9]+(?:[.,][0-9]*)?|[.,][0-9]+)((?:[eE][+\-]?[0-9]+)?)")
NOT_FINITE = re.compile(r"[+\-−]?\s*(nan|inf)", re.IGNORECASE)
THOUSANDS = re.compile(r"[1-9][0-9]{0,2},[0-9]{3}")
ROUNDING = 1e-9
"""Conversions of the exact floor (e.g. -459.67 degF) may miss it by this much."""

TITLES: Mapping[Dimension, str] = MappingProxyType(
    {name: f"a {name}" for name in DIMENSIONS}
    | {
        "difference": "a temperature difference",
        "vacuum": "an absolute pressure",
        "rise": "a rise of pressure",
        "volume_share": "a share by volume",
        "mass_share": "a share by mass",
        "rotation": "a speed of rotation",
    }
)
ADVICE: Mapping[Dimension, str] = MappingProxyType(
    {
        "pressure": (
            "bar, mbar, kPa, MPa, psi or kg/cm2 (gauge, unless followed by 'abs' or 'vac'), "
            "inHg (vacuum), micron or Torr (absolute), e.g. '2.1 bar'"
        ),
        "temperature": "degC or degF, e.g. '31 degC'",
        "difference": "K, deltaC or deltaF, e.g. '8 K'",
        "mass": "g, kg, oz or lb, e.g. '520 g'",
        "share": "%, e.g. '45 %'",
        "length": "m, km or ft, e.g. '850 m'",
        "time": "min, s or h, e.g. '5 min'",
        "resistance": "ohm, kohm, Mohm or Gohm, e.g. '0.2 Mohm'",
        "vacuum": (
            "mbar, hPa, Pa, Torr or micron (absolute), or inHg (vacuum), e.g. '2 mbar'; "
            "a depth below the atmosphere as '980 mbar vac'"
        ),
        "rise": "mbar, hPa, Pa, Torr, micron or inHg, e.g. '5 mbar'",
        "volume_share": "% by volume, e.g. '6 % by volume' (by mass it has a name of its own)",
        "mass_share": "% by mass, e.g. '1.8 % by mass'",
        "rotation": "rpm, e.g. '1500 rpm'",
    }
)


def parse_quantity(text: str | float, dimension: Dimension, altitude_m: float = 0.0) -> float:
    """Finite value of a quantity written with its unit, in the internal unit of its dimension.

    Args:
        text: E.g. ``2.1 bar``, ``2,1 bar``, ``3.2 bar abs``, ``-5 in. Hg vac``, ``88 °F``. A bare
            number, as a TOML file may hold it, is refused with the units it could have.
        altitude_m: Altitude of the place [m]: gauge pressures count from the atmosphere there.

    Raises:
        UnitError: blank, no number, no unit, unknown unit, unit of another dimension, NaN or
            infinite, or a comma that can mean thousands as well as decimals.
        OutOfRange: below a perfect vacuum or absolute zero; negative mass, share or time; altitude
            outside the standard atmosphere formula. Shares have no upper limit here.

    >>> round(parse_quantity("2.1 bar", "pressure"), 3)
    311.325
    >>> parse_quantity("5 deltaF", "difference")
    2.7777777777777777
    """
    shown = str(text).strip()
    number, unit_text = _split(shown, dimension)
    unit = _unit_of(unit_text, shown, dimension)
    value = float(unit.to_internal(number, altitude_m))
    if not math.isfinite(value):
        raise UnitError(f"{shown!r} is not a finite number")
    if not possible(np.asarray(value), dimension):
        raise OutOfRange(_impossible(shown, unit, altitude_m))
    return value


def column_unit(suffix: str, dimension: Dimension | None = None) -> Unit:
    """Unit meant by the suffix of an archive column, such as ``bar`` in ``low_side_bar``.

    One of `COLUMN_SUFFIXES`, spelt exactly; a final ``a`` marks absolute pressures.

    Args:
        dimension: Of the column, where that is known: some have units of their own.

    Raises:
        UnitError: if the suffix is unknown; the message names the nearest one or all.

    >>> unit = column_unit("bara")
    >>> unit.dimension, unit.to_internal(np.array([1.0, np.nan]))
    ('pressure', array([100.,  nan]))
    """
    if dimension is not None and suffix in (own := columns_of(dimension)):
        return own[suffix]
    if suffix in COLUMNS:
        return COLUMNS[suffix]
    close = nearest(suffix, COLUMN_SUFFIXES)
    hint = f"did you mean {close!r}?" if close else f"known: {', '.join(COLUMN_SUFFIXES)}"
    raise UnitError(f"unknown unit {suffix!r} at the end of a column name; {hint}")


def possible(values: FloatArray, dimension: Dimension) -> NDArray[np.bool_]:
    """Which internal values can exist: the check of `parse_quantity` for whole columns.

    Same shape; true for NaN (not observed), false for infinite values, pressures below a perfect
    vacuum, temperatures below absolute zero and negative masses, shares and times.
    """
    return np.isnan(values) | (np.isfinite(values) & (values >= FLOORS[dimension] - ROUNDING))


def format_quantity(
    value: float, dimension: Dimension, unit: str | None = None, altitude_m: float = 0.0
) -> str:
    """Text of an internal value in a unit, rounded to what the unit is worth reading to.

    Args:
        unit: Any spelling that `parse_quantity` takes for the dimension; None: the internal unit.
        altitude_m: Altitude of the place [m], for gauge pressures.

    Raises:
        UnitError: if the unit is unknown or of another dimension.
        OutOfRange: if the altitude is outside the standard atmosphere formula.

    >>> format_quantity(311.325, "pressure", "bar"), format_quantity(311.325, "pressure")
    ('2.10 bar', '311 kPa abs')
    """
    spelt = INTERNAL_UNITS[dimension] if unit is None else unit
    found = _unit_of(spelt, spelt, dimension)
    number = round(found.from_internal(value, altitude_m), found.decimals)
    return f"{number + 0.0:.{found.decimals}f} {found.name}"


def unit_written(text: str, dimension: Dimension) -> str:
    """Name of the unit in which a quantity is written.

    Raises:
        UnitError: as :func:`parse_quantity` does.

    >>> unit_written("30 PSI", "pressure")
    'psi'
    """
    shown = str(text).strip()
    _, unit_text = _split(shown, dimension)
    return _unit_of(unit_text, shown, dimension).name


def _split(shown: str, dimension: Dimension) -> tuple[float, str]:
    if not shown:
        raise UnitError(
            f"blank where {TITLES[dimension]} is expected; leave the line out if it was not "
            f"measured, or write it in {ADVICE[dimension]}"
        )
    if NOT_FINITE.match(shown):
        raise UnitError(f"{shown!r} is not a finite number")
    match = NUMBER.match(shown)
    rest = shown[match.end() :].strip() if match else ""
    if match is None or (rest and rest[0] in "0123456789.,+-−"):
        raise UnitError(
            f"cannot read one number with a unit from {shown!r}; "
            f"write {TITLES[dimension]} in {ADVICE[dimension]}"
        )
    sign, digits, exponent = match.groups()
    if THOUSANDS.fullmatch(digits):
        raise UnitError(
            f"{shown!r} can mean {digits.replace(',', '')} or {float(digits.replace(',', '.')):g}; "
            "write it with a decimal point or without the comma"
        )
    magnitude = float(digits.replace(",", ".") + exponent)
    return (-magnitude if sign in ("-", "−") else magnitude), rest


def _unit_of(unit_text: str, shown: str, dimension: Dimension) -> Unit:
    write = f"write {TITLES[dimension]} in {ADVICE[dimension]}"
    if not unit_text:
        raise UnitError(f"{shown!r} has no unit; {write}")
    spelt, known = spelling(unit_text), spellings_of(dimension)
    unit = known.get(spelt) or _elsewhere(spelt)
    if unit is None:
        wanted = [name for name, one in known.items() if one.dimension == dimension]
        # Two scales of degrees look alike: to suggest one of them would be a guess.
        alike = dimension in ("temperature", "difference")
        close = None if alike else nearest(spelt, wanted)
        hint = f"did you mean {known[close].name!r}?" if close else write
        raise UnitError(f"unknown unit {unit_text!r} in {shown!r}; {hint}")
    if unit.dimension != dimension:
        raise UnitError(
            f"{shown!r} is {TITLES[unit.dimension]}, but {TITLES[dimension]} is expected; {write}"
        )
    return unit


def _elsewhere(spelt: str) -> Unit | None:
    """The unit that a spelling means in some other dimension."""
    tables = (SPELLINGS, *OWN_SPELLINGS.values())
    return next((table[spelt] for table in tables if spelt in table), None)


def _impossible(shown: str, unit: Unit, altitude_m: float) -> str:
    if unit.dimension == "temperature":
        floor = unit.from_internal(FLOORS["temperature"])
        return f"{shown!r} is below absolute zero ({floor:.2f} {unit.name}); check sign and unit"
    if unit.dimension != "pressure":
        deep = " and, for a depth below the atmosphere, add 'vac'"
        check = f"check the sign{deep if unit.dimension == 'vacuum' else ''}"
        return f"{shown!r} is negative, which {TITLES[unit.dimension]} cannot be; {check}"
    floor_text = format_quantity(0.0, "pressure", unit.name, altitude_m)
    return (
        f"{shown!r} is below a perfect vacuum ({floor_text} at {altitude_m:g} m); check sign, unit "
        "and altitude, or add 'abs' if it is an absolute pressure"
    )
