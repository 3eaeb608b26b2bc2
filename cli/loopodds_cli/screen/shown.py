"""Numbers as the workshop reads them: its units for readings, its sign for decimals."""

from __future__ import annotations

import re
from functools import lru_cache

from loopodds import LoopoddsError, format_quantity, parse_quantity

from loopodds_cli.preferences import active

DIMENSIONS = {
    "bar": "pressure", "kPa": "pressure", "psi": "pressure", "kg/cm2": "pressure",
    "degC": "temperature", "degF": "temperature", "K": "difference", "deltaC": "difference",
    "deltaF": "difference", "g": "mass", "kg": "mass", "oz": "mass", "lb": "mass",
}  # fmt: skip
"""Units of readings that a workshop may prefer otherwise, with what they measure."""
_UNITS = "|".join(sorted(map(re.escape, DIMENSIONS), key=len, reverse=True))
_QUANTITY = re.compile(
    rf"(?<![\w.,])(?:([+-]?[0-9]+(?:[.,][0-9]+)?) to )?([+-]?[0-9]+(?:[.,][0-9]+)?) ({_UNITS})"
    r"(?![\w/])(?! (?:abs|vac|by)\b)"
)
_FIGURES = re.compile(r"(?<![\w.,:])(?<!\w-)[0-9]+(?:,[0-9]{3})*(?:\.[0-9]+)?(?![\w-]|[.,][0-9])")
_SWAPPED = str.maketrans(".,", ",.")


def shown(text: str) -> str:
    """A text about readings with every quantity in the unit that the workshop prefers.

    Absolute pressures and depths of vacuum stay as they were written, for they are not read off the
    same gauge. Degrees are called degrees in a difference, too.
    """
    return _QUANTITY.sub(_in_unit, text)


def in_unit(value: float, unit: str) -> tuple[float, str]:
    """A number and its unit, in the one that the workshop prefers."""
    number, _, wanted = _written(f"{value:g}", unit).partition(" ")
    return float(number), wanted


def decimals(text: str) -> str:
    """A text of a screen with its decimals as the workshop writes them; one column a letter."""
    if not active().comma:
        return text
    return _FIGURES.sub(lambda match: match[0].translate(_SWAPPED), text)


def _in_unit(match: re.Match[str]) -> str:
    low, number, unit = match.groups()
    told, _, wanted = _written(number, unit).partition(" ")
    if low is None:
        return f"{told} {wanted}"
    return f"{_written(low, unit).partition(' ')[0]} to {told} {wanted}"


def _written(number: str, unit: str) -> str:
    wanted = active().units().get(DIMENSIONS[unit], unit)
    return _converted(number.replace(",", "."), unit, wanted)


@lru_cache(maxsize=4096)
def _converted(number: str, unit: str, wanted: str) -> str:
    called = {"deltaF": "degF", "deltaC": "K"}
    if wanted == unit:
        return f"{number} {called.get(unit, unit)}"
    dimension = DIMENSIONS[unit]
    try:
        value = parse_quantity(f"{number} {unit}", dimension)  # type: ignore[arg-type]
        told, _, _ = format_quantity(value, dimension, wanted).partition(" ")  # type: ignore[arg-type]
    except LoopoddsError:  # not possible, as in a text about what is not
        return f"{number} {unit}"
    return f"{told} {called.get(wanted, wanted)}"
