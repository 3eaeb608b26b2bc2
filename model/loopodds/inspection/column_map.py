"""Column maps: what a foreign archive calls things, and what its words mean.

A map is a TOML file::

    [format]
    delimiter = ";"
    decimal = ","
    not_observed = ["n/a", "-"]

    [columns.low_side]
    from = "LP psi"
    unit = "psi"

    [columns.sample_darkening]
    from = "Oil colour"
    values = { clear = "none", amber = "light_grey", dark = "black" }

    [columns.sample_greenness]
    from = "Oil colour"
    values = { green = "deep" }
    others = ""                  # whatever else stands there says nothing about greenness

    [always]
    refrigerant = "R134a"        # of every car where no column says otherwise
"""

import tomllib
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from loopodds.base.errors import InspectionError
from loopodds.inspection.vocabulary import CHOICES, suggestion

SECTIONS = ("format", "columns", "always")
FORMAT_KEYS = ("delimiter", "decimal", "not_observed")
COLUMN_KEYS = ("from", "unit", "values", "others")
DELIMITERS = (",", ";", "\t", "|")
DECIMALS = (".", ",")


@dataclass(frozen=True, slots=True)
class MappedColumn:
    """One column of ours taken from a foreign one."""

    name: str  # ours, with the unit at its end or in ``unit``
    column: str  # theirs
    unit: str  # suffix as in a column name (``psi``); empty when the name holds it
    values: Mapping[str, str]  # their word to ours; ours may be empty for not observed
    others: str | None  # what every other word of theirs means; None: it has to be one of ours


@dataclass(frozen=True, slots=True)
class ColumnMap:
    """How a foreign archive is written; the default is our own form."""

    name: str = ""  # file that it was read from
    columns: tuple[MappedColumn, ...] = ()
    # cells that mean nothing was observed, besides empty ones
    not_observed: frozenset[str] = frozenset()
    delimiter: str = ","  # both: of CSV cells and of the numbers in them
    decimal: str = "."
    stated: frozenset[str] = frozenset()  # keys of [format] that the map has
    notes: tuple[str, ...] = ()  # what was guessed of the format
    always: Mapping[str, str] = field(default_factory=dict)  # of every row that does not say it


def load_column_map(path: str | Path | None) -> ColumnMap:
    """Column map from a TOML file; our own form when there is none.

    Raises:
        InspectionError: naming file, section, key and value.
    """
    if path is None:
        return ColumnMap()
    name = Path(path).name
    try:
        content = tomllib.loads(Path(path).read_text(encoding="utf-8-sig"))
    except (OSError, ValueError, RecursionError) as error:
        reason = getattr(error, "strerror", None) or error
        raise InspectionError(f"{path}: not a column map: {reason}") from error
    _only_known(content, SECTIONS, name)
    style = _table(content.get("format", {}), f"{name}: [format]")
    _only_known(style, FORMAT_KEYS, f"{name}: [format]")
    columns = _table(content.get("columns", {}), f"{name}: [columns]")
    delimiter = _one_of(style.get("delimiter", ","), DELIMITERS, f"{name}: [format] delimiter")
    decimal = _one_of(style.get("decimal", "."), DECIMALS, f"{name}: [format] decimal")
    if delimiter == decimal:
        raise InspectionError(f"{name}: [format]: delimiter and decimal mark are both {decimal!r}")
    return ColumnMap(
        name,
        tuple(_column(key, entry, f"{name}: [columns.{key}]") for key, entry in columns.items()),
        _not_observed(style.get("not_observed", []), f"{name}: [format] not_observed"),
        delimiter,
        decimal,
        frozenset(style),
        always=_always(content.get("always", {}), name),
    )


def _column(key: str, entry: Any, where: str) -> MappedColumn:
    entry = {"from": entry} if isinstance(entry, str) else _table(entry, where)
    _only_known(entry, COLUMN_KEYS, where)
    if "from" not in entry:
        raise InspectionError(f"{where}: needs from = the archive's own column name")
    values = _table(entry.get("values", {}), f"{where} values")
    others = _text(entry["others"], f"{where} others") if "others" in entry else None
    return MappedColumn(
        key,
        _text(entry["from"], f"{where} from"),
        _text(entry.get("unit", ""), f"{where} unit"),
        {said.strip(): _text(meant, f"{where} values: {said}") for said, meant in values.items()},
        others,
    )


def _always(content: Any, name: str) -> Mapping[str, str]:
    """Words of car and day that hold in every row."""
    where = f"{name}: [always]"
    stated = _table(content, where)
    _only_known(stated, tuple(CHOICES), where)
    return {key: _one_of(value, CHOICES[key], f"{where} {key}") for key, value in stated.items()}


def _not_observed(value: Any, where: str) -> frozenset[str]:
    if not isinstance(value, list):
        raise InspectionError(f'{where}: {value!r} is not a list of cells, as ["n/a", "-"]')
    return frozenset(_text(cell, where).strip() for cell in value)


def _table(value: Any, where: str) -> dict[str, Any]:
    if not isinstance(value, dict):
        raise InspectionError(f"{where}: {value!r} is not a table of keys and values")
    return value


def _text(value: Any, where: str) -> str:
    if not isinstance(value, str):
        raise InspectionError(f"{where}: {value!r} is not text; write it in quotes")
    return value


def _one_of(value: Any, options: tuple[str, ...], where: str) -> str:
    if value not in options:
        raise InspectionError(f"{where}: {value!r}; it can be {', '.join(map(repr, options))}")
    return str(value)


def _only_known(table: Mapping[str, Any], known: tuple[str, ...], where: str) -> None:
    for key in table:
        if key not in known:
            raise InspectionError(f"{where}: unknown key {key!r}; {suggestion(key, known)}")
