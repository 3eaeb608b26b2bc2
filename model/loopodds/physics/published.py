"""Published readings of sound mobile loops, and of loops with a known fault.

They are the population against which expectations are set and checked: acceptance tables of
workshop and public manuals, papers, and the charts that trade pages repeat. The files of
``loopodds_data/published`` say how each was read and what each leaves open.
"""

import csv
import tomllib
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from functools import cache
from importlib import resources
from importlib.resources.abc import Traversable
from typing import Any

import numpy as np

from loopodds.base.arrays import BoolArray, FloatArray
from loopodds.base.errors import KnowledgeError
from loopodds.base.likeness import nearest
from loopodds.base.unit_table import SEA_LEVEL_KPA
from loopodds.physics.refrigerants import KPA_PER_BAR, SUPPORTED, Refrigerant, refrigerant

TABLES, ROWS, EFFECTS = "gauge_tables.toml", "gauge_rows.csv", "fault_effects.toml"

UNKNOWN = "unknown"
"""Value of a condition that the publication does not state."""

KINDS = ("public-manual", "service-manual", "guideline", "paper", "trade-page")
CHOICES: Mapping[str, tuple[str, ...]] = {
    "kind": KINDS,
    "read": ("in full", "excerpt", "abstract"),
    "values": ("acceptance", "measured", "rule"),
    "calibration": ("in", "out"),
    "place": ("ambient", "condenser inlet", "evaporator inlet"),
    "refrigerant": (*SUPPORTED, UNKNOWN),
    "device": ("txv", "orifice", "txv or orifice", UNKNOWN),
    "compressor": ("fixed", "variable", "electric", UNKNOWN),
    "air": ("recirculation", "fresh", UNKNOWN),
    "doors": ("open", "closed", UNKNOWN),
    "windows": ("open", "closed", UNKNOWN),
    "bonnet": ("open", "closed", UNKNOWN),
    "blower": ("high", "low", UNKNOWN),
}
"""What a condition of a table may say."""

FREE = ("source", "unit", "remark", "year", "rpm")
QUANTITIES = ("high_side_bar", "low_side_bar", "vent_c", "condensing_lift_k")
"""What a row may hold: gauge pressures [bar] at sea level, air at the centre vent [degC], and
condensing temperature above that of the air [K]."""

NUMBERS = ("air_low_c", "air_high_c", "humidity_low", "humidity_high", "low", "high")
EFFECT_CHOICES: Mapping[str, tuple[str, ...]] = {
    "read": CHOICES["read"],
    "basis": ("measured", "acceptance", "rule", "simulated"),
    "kind": ("change", "reading", "swing"),
}
EFFECT_WORDS = ("source", "fault", "size", "quantity", "unit", "conditions")


@dataclass(frozen=True, slots=True, eq=False)
class PublishedTable:
    """One published table. Conditions that it does not state read ``unknown``.

    Arrays have shape (rows,); NaN is what is not printed.
    """

    name: str  # SOURCE/TABLE
    source: str  # citation
    kind: str
    read: str  # how well it was read
    values: str
    calibration: str
    place: str  # where the temperature of the rows is that of the air
    year: int | None
    rpm: float  # of the engine; NaN at idle and where not stated
    idle: bool
    refrigerant: str
    device: str
    compressor: str
    air: str
    doors: str
    windows: str
    bonnet: str
    blower: str
    unit: str  # as printed
    remark: str
    quantity: tuple[str, ...]  # of each row, one of QUANTITIES
    air_c: FloatArray  # shape (rows, 2): lowest and highest air temperature [degC] of the row
    humidity: FloatArray  # shape (rows, 2) [%]
    limits: FloatArray  # shape (rows, 2): lowest and highest reading, in the unit of the quantity

    @property
    def missing(self) -> tuple[str, ...]:
        """Conditions that the table does not state."""
        unknown = [key for key in CHOICES if getattr(self, key) == UNKNOWN]
        if not self.idle and np.isnan(self.rpm):
            unknown.append("rpm")
        if np.isnan(self.humidity).all():
            unknown.append("humidity")
        return tuple(unknown)

    def rows(self, quantity: str) -> BoolArray:
        """Which rows hold a quantity; shape (rows,).

        >>> bool(published_tables()["manual-2006/lift"].rows("condensing_lift_k").all())
        True
        """
        return np.array([own == quantity for own in self.quantity], dtype=np.bool_)

    def condensing_lift_k(self) -> FloatArray:
        """Condensing temperature above that of the air, lowest and highest [K]; shape (rows, 2).

        From the high side, taken as the condensing pressure, and the middle of the air
        temperatures of the row. NaN in rows of another quantity.

        >>> table = published_tables()["tm-5-3805-291/pressure"]
        >>> table.condensing_lift_k()[0].round(1).tolist()
        [15.4, 31.5]
        """
        lift = self._saturation_c("high_side_bar") - self.air_c.mean(axis=1, keepdims=True)
        return np.where(self.rows("condensing_lift_k")[:, None], self.limits, lift)

    def evaporating_c(self) -> FloatArray:
        """Saturation temperature at the low side, lowest and highest [degC]; shape (rows, 2).

        Below that of the evaporator by the pressure lost in the suction line. NaN in rows of
        another quantity.
        """
        return self._saturation_c("low_side_bar")

    def _saturation_c(self, quantity: str) -> FloatArray:
        rows = self.rows(quantity)[:, None]
        if not rows.any():
            return np.full(self.limits.shape, np.nan)
        pressure = np.where(rows, self.limits * KPA_PER_BAR + SEA_LEVEL_KPA, np.nan)
        return self.fluid().saturation_temperature(pressure)

    def fluid(self) -> Refrigerant:
        """The refrigerant of the table.

        Raises:
            UnknownName: if the table does not state it.
        """
        return refrigerant(self.refrigerant)


@dataclass(frozen=True, slots=True)
class FaultEffect:
    """What a fault, or another refrigerant, did to one quantity; NaN is what is not stated."""

    name: str
    source: str
    read: str
    basis: str
    kind: str  # ``change``, ``reading`` or ``swing``
    fault: str  # ``none`` for a fact about sound loops
    size: str
    quantity: str
    unit: str
    conditions: str
    low: float
    high: float


@cache
def published_tables() -> Mapping[str, PublishedTable]:
    """The shipped tables by name, in the order of the file."""
    return read_tables(_shipped())


@cache
def fault_effects() -> Mapping[str, FaultEffect]:
    """The shipped effects by name, in the order of the file."""
    return read_effects(_shipped())


def read_tables(folder: Traversable) -> Mapping[str, PublishedTable]:
    """Tables of a folder that holds ``gauge_tables.toml`` and ``gauge_rows.csv``.

    Raises:
        KnowledgeError: naming file, table or line, and key.
    """
    heads = _toml(folder, TABLES)
    heads.pop("counted", None)
    for name in heads:
        if "/" not in name:
            raise KnowledgeError(f"{TABLES}: {name}: the name must be SOURCE/TABLE")
    rows: dict[str, list[dict[str, str]]] = {name: [] for name in heads}
    for line, row in _csv(folder):
        _one_of(row["table"], rows, f"{ROWS}: line {line}: table")
        _one_of(row["quantity"], QUANTITIES, f"{ROWS}: line {line}: quantity")
        rows[row["table"]].append(row | {"line": str(line)})
    return {name: _table(name, heads[name], rows[name]) for name in heads}


def read_effects(folder: Traversable) -> Mapping[str, FaultEffect]:
    """Effects of a folder that holds ``fault_effects.toml``.

    Raises:
        KnowledgeError: naming file, effect and key.
    """
    return {name: _effect(name, entry) for name, entry in _toml(folder, EFFECTS).items()}


def _shipped() -> Traversable:
    return resources.files("loopodds_data") / "published"


def _table(name: str, head: Mapping[str, Any], rows: Sequence[Mapping[str, str]]) -> PublishedTable:
    where = f"{TABLES}: {name}"
    if not rows:
        raise KnowledgeError(f"{where}: has no row in {ROWS}")
    for key in head:
        _one_of(key, (*CHOICES, *FREE), f"{where}: key")
    rpm, year = head.get("rpm", UNKNOWN), head.get("year")
    idle = rpm == "idle"
    numbers = _numbers(rows)
    table = PublishedTable(
        name=name,
        year=None if year is None else int(_number(year, f"{where}: year")),
        rpm=np.nan if idle or rpm == UNKNOWN else _number(rpm, f"{where}: rpm"),
        idle=idle,
        quantity=tuple(row["quantity"] for row in rows),
        air_c=numbers[:, :2],
        humidity=numbers[:, 2:4],
        limits=numbers[:, 4:],
        **{key: _word(head, key, where) for key in ("source", "unit", "remark")},
        **{key: _choice(head, key, options, where) for key, options in CHOICES.items()},
    )
    if table.refrigerant == UNKNOWN and any(one.endswith("_bar") for one in table.quantity):
        raise KnowledgeError(f"{where}: refrigerant: a table with pressures needs one")
    return table


def _effect(name: str, entry: Mapping[str, Any]) -> FaultEffect:
    where = f"{EFFECTS}: {name}"
    for key in entry:
        _one_of(key, (*EFFECT_CHOICES, *EFFECT_WORDS, "low", "high"), f"{where}: key")
    low, high = (_number(entry.get(key, np.nan), f"{where}: {key}") for key in ("low", "high"))
    if low > high or np.isnan([low, high]).all():
        raise KnowledgeError(f"{where}: needs 'low' or 'high', the first not above the second")
    words = {key: _word(entry, key, where) for key in EFFECT_WORDS}
    chosen = {key: _choice(entry, key, EFFECT_CHOICES[key], where) for key in EFFECT_CHOICES}
    return FaultEffect(name=name, low=low, high=high, **words, **chosen)


def _numbers(rows: Sequence[Mapping[str, str]]) -> FloatArray:
    """Numbers of the rows, shape (rows, 6); an empty cell is NaN."""
    values = np.array(
        [[_cell(row, key) for key in NUMBERS] for row in rows], dtype=np.float64
    ).reshape(-1, len(NUMBERS))
    for row, pairs in zip(rows, values.reshape(-1, 3, 2), strict=True):
        if (pairs[:, 0] > pairs[:, 1]).any():
            raise KnowledgeError(f"{ROWS}: line {row['line']}: a lowest value above its highest")
        if np.isnan(pairs[0]).any() or np.isnan(pairs[2]).all():
            raise KnowledgeError(f"{ROWS}: line {row['line']}: needs both air_c and low or high")
    values.setflags(write=False)
    return values


def _cell(row: Mapping[str, str], key: str) -> float:
    text = row[key].strip()
    return _number(text, f"{ROWS}: line {row['line']}: {key}") if text else np.nan


def _number(value: object, where: str) -> float:
    try:
        return float(value)  # type: ignore[arg-type]
    except (TypeError, ValueError):
        raise KnowledgeError(f"{where}: {value!r} is not a number") from None


def _word(entry: Mapping[str, Any], key: str, where: str) -> str:
    value = entry.get(key)
    if not isinstance(value, str):
        raise KnowledgeError(f"{where}: {key}: needs a text")
    return value


def _choice(entry: Mapping[str, Any], key: str, options: Iterable[str], where: str) -> str:
    value = entry.get(key, UNKNOWN)
    _one_of(value, options, f"{where}: {key}")
    return str(value)


def _one_of(value: object, options: Iterable[str], where: str) -> None:
    known = list(options)
    if value in known:
        return
    close = nearest(str(value), known)
    hint = f"did you mean {close!r}?" if close else f"known: {', '.join(known)}"
    raise KnowledgeError(f"{where}: {value!r} is unknown; {hint}")


def _toml(folder: Traversable, name: str) -> dict[str, Any]:
    try:
        return tomllib.loads((folder / name).read_text(encoding="utf-8"))
    except (OSError, UnicodeDecodeError, tomllib.TOMLDecodeError) as error:
        raise KnowledgeError(f"{name}: cannot be read: {error}") from error


def _csv(folder: Traversable) -> Iterable[tuple[int, dict[str, str]]]:
    """Rows with the number of their line."""
    try:
        lines = (folder / ROWS).read_text(encoding="utf-8").splitlines()
    except (OSError, UnicodeDecodeError) as error:
        raise KnowledgeError(f"{ROWS}: cannot be read: {error}") from error
    heading, *cells = csv.reader(lines)
    expected = ["table", *NUMBERS[:4], "quantity", *NUMBERS[4:]]
    if heading != expected:
        raise KnowledgeError(f"{ROWS}: the first line must be {','.join(expected)}")
    for line, row in enumerate(cells, start=2):
        if len(row) != len(expected):
            raise KnowledgeError(f"{ROWS}: line {line}: needs {len(expected)} cells")
        yield line, dict(zip(expected, row, strict=True))
