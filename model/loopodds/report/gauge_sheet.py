"""What the gauges of this car should read today with everything sound, beside what they read.

The expectation is that of the network itself: every fault variable in its sound state, or some of
them supposed otherwise, in the conditions of the inspection.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any, NamedTuple

import numpy as np

from loopodds.base.arrays import FloatArray
from loopodds.base.errors import InspectionError, unknown_name
from loopodds.base.units import INTERNAL_UNITS, Dimension, format_quantity, unit_written
from loopodds.diagnosis.model import Model
from loopodds.diagnosis.predictions import RANGE, SHOWN_UNITS, predict, readings_of
from loopodds.diagnosis.what_if import supposition
from loopodds.inference.network import Evidence
from loopodds.inspection.assignments import parse_assignment
from loopodds.inspection.encoding import encode
from loopodds.inspection.gauges import NAMEPLATES, STATIC_UNMEASURED_WARMER_K, condition, value_read
from loopodds.inspection.inspection import Inspection, InspectionBatch, batch_of
from loopodds.inspection.vocabulary import reading_dimension
from loopodds.knowledge.expectations import AMBIENT, conditions_of
from loopodds.knowledge.records import Knowledge

CHARTED_C = np.arange(5.0, 46.0, 2.5)
"""Air temperatures of the chart [degC]."""
_PROBE = 300.0
"""A reading that every transform takes; what is expected does not depend on it."""

Supposed = Mapping[str, FloatArray]
"""Weights of the states of the hidden variables that are not taken to be sound."""


class Range(NamedTuple):
    """Nine readings in ten lie between ``low`` and ``high``, one in two below ``middle``."""

    low: float
    middle: float
    high: float


@dataclass(frozen=True, slots=True)
class GaugeLine:
    """One gauge: what it reads, what it should read, and what it would with what is supposed."""

    name: str
    title: str
    unit: str
    read: float | None
    sound: Range
    supposed: Range | None

    @property
    def place(self) -> str:
        """Where the reading stands against the sound range; empty where nothing was read."""
        if self.read is None:
            return ""
        if self.read < self.sound.low:
            return "below"
        return "above" if self.read > self.sound.high else "within"


@dataclass(frozen=True, slots=True)
class Curve:
    """One gauge over the temperature of the air, and where this car stands."""

    name: str
    title: str
    unit: str
    ambient_c: FloatArray  # shape (points,)
    sound: FloatArray  # shape (points, 3): low, middle, high; NaN where no such reading can be
    supposed: FloatArray | None  # the same with what is supposed
    point: tuple[float, float] | None  # ambient [degC] and reading of this car


@dataclass(frozen=True, slots=True)
class GaugeSheet:
    """The gauges of one car today."""

    case: str
    supposed: tuple[str, ...]  # what is taken to be wrong beside the sound car, as it was written
    lines: tuple[GaugeLine, ...]
    conditions: Mapping[str, str]  # that bear on the gauges, as they were stated
    not_stated: tuple[str, ...]  # conditions averaged over, which widens the ranges
    curves: tuple[Curve, ...]

    def as_json(self) -> dict[str, Any]:
        """Plain data."""
        return {
            "case": self.case,
            "supposed": list(self.supposed),
            "conditions": dict(self.conditions),
            "not_stated": list(self.not_stated),
            "gauges": [
                {
                    "name": line.name, "title": line.title, "unit": line.unit, "read": line.read,
                    "place": line.place or None, "sound": line.sound._asdict(),
                    "supposed": line.supposed._asdict() if line.supposed else None,
                }
                for line in self.lines
            ],
        }  # fmt: skip


def gauge_sheet(
    inspection: Inspection, model: Model, suppose: Sequence[str] = (), charted: Sequence[str] = ()
) -> GaugeSheet:
    """What every gauge of a car should read, in the unit that the case writes it in.

    Args:
        suppose: Faults, mechanisms or conditions taken not to be sound, as ``charge=low`` or
            ``undercharge=present``; all of them together. The rest stays sound.
        charted: Gauges whose course over the temperature of the air is wanted too.

    Raises:
        InspectionError: if the refrigerant is not stated, or something supposed cannot be read.
        UnknownName: if it names nothing hidden; with the nearest spelling.
    """
    knowledge = model.knowledge
    batch = batch_of([inspection], knowledge)
    if batch.choice("refrigerant")[0] < 0:
        raise InspectionError(
            f"{inspection.name}: state the refrigerant in [vehicle]; without it no pressure means "
            "anything"
        )
    cases = [{}, _supposed(suppose, knowledge)] if suppose else [{}]
    names = [name for name in knowledge.gauges if _can_be_read(name, batch)]
    units = {name: _unit(name, inspection, knowledge) for name in names}
    altitude = float(np.nan_to_num(batch.number("altitude_m"))[0])
    ranges = [_ranges(batch, names, supposed, model) for supposed in cases]
    lines = tuple(
        GaugeLine(
            name,
            knowledge.gauges[name].title,
            units[name],
            _shown(float(value_read(name, batch)[0]), name, units, altitude, knowledge),
            *_both([
                _range(found[name][0], name, units, altitude, knowledge) for found in ranges
            ]),
        )
        for name in names
        if np.isfinite(ranges[0][name]).all()
    )  # fmt: skip
    curves = _curves(batch, [n for n in charted if n in names], cases, units, altitude, model)
    bearing = sorted(
        {key for name in names for key in (*conditions_of(knowledge.gauges[name]), AMBIENT)}
    )
    stated = {key: _text(inspection, key) for key in bearing if _text(inspection, key)}
    left = tuple(key for key in bearing if np.isnan(condition(key, batch)[0]))
    return GaugeSheet(inspection.name, tuple(suppose), lines, stated, left, curves)


def _both(ranges: Sequence[Range]) -> tuple[Range, Range | None]:
    return ranges[0], (ranges[1] if len(ranges) > 1 else None)


def _text(inspection: Inspection, key: str) -> str:
    value = inspection.conditions.get(key, "")
    return value if isinstance(value, str) else value.text


def _supposed(texts: Sequence[str], knowledge: Knowledge) -> Supposed:
    """Weights of the states of what is supposed, all together."""
    found: dict[str, FloatArray] = {}
    for text in texts:
        name, value = parse_assignment(text)
        if not isinstance(value, str):
            raise InspectionError(f"{text!r}: write fault=state, such as charge=low")
        meant = supposition(name, value, knowledge)
        if meant is None:
            hidden = [*knowledge.of_kind("fault", "mechanism"), *knowledge.conditions]
            raise unknown_name("fault", name, hidden)
        variable, weights = meant
        found[variable] = found.get(variable, 1.0) * weights
        if not found[variable].any():
            raise InspectionError(f"{text!r} contradicts what else is supposed of {variable}")
    return found


def _can_be_read(name: str, batch: InspectionBatch) -> bool:
    """Whether the case says enough to expect it: a mass needs its nameplate."""
    nameplate = NAMEPLATES.get(name)
    return nameplate is None or not np.isnan(batch.number(nameplate)[0])


def _unit(name: str, inspection: Inspection, knowledge: Knowledge) -> str:
    """The unit of this reading in the case, else of another of its dimension, else the usual."""
    dimension = reading_dimension(name, knowledge)
    texts = {other: quantity.text for other, quantity in inspection.readings.items()}
    alike = [
        o for o in (name, *texts) if o in texts and reading_dimension(o, knowledge) == dimension
    ]
    if alike:
        return unit_written(texts[alike[0]], dimension)
    return SHOWN_UNITS.get(dimension, INTERNAL_UNITS[dimension])


def _ranges(
    batch: InspectionBatch, names: Sequence[str], supposed: Supposed, model: Model
) -> dict[str, FloatArray]:
    """Low, middle and high of each gauge in internal units, shape (rows, 3).

    Each fault variable that is not supposed otherwise is sound. A resting loop is as warm as was
    measured, else as it is taken to be.
    """
    resting = [n for n in names if model.knowledge.gauges[n].transform == "static_residual"]
    running = [name for name in names if name not in resting]
    found = _expected(batch, running, supposed, model)
    if resting:
        measured = batch.reading("static_temperature")
        warm = batch.number("ambient_c") + STATIC_UNMEASURED_WARMER_K
        loop = {"ambient_c": np.where(np.isnan(measured), warm, measured)}
        still = replace(batch, numbers={**batch.numbers, **loop})
        found |= _expected(still, resting, supposed, model)
    return {name: found[name] for name in names}


def _expected(
    batch: InspectionBatch, names: Sequence[str], supposed: Supposed, model: Model
) -> dict[str, FloatArray]:
    knowledge = model.knowledge
    readings = {name: np.full(batch.rows, _PROBE) for name in names}
    if "static_temperature" in batch.readings:
        readings["static_temperature"] = batch.readings["static_temperature"]
    bare = replace(batch, codes={}, soft={}, confirmed={}, readings=readings)
    car = encode(bare, knowledge)
    result = {name: np.full((batch.rows, len(RANGE)), np.nan) for name in names}
    for group in car.groups:
        rows = group.rows
        extra = {name: car.readings[name].extra[rows] for name in names}
        sound = {name: np.zeros(len(rows), np.int8)
                 for name in knowledge.of_kind("fault") if name not in supposed}  # fmt: skip
        weights = {name: np.tile(weight, (len(rows), 1)) for name, weight in supposed.items()}
        evidence = Evidence(len(rows), sound, weights)
        tree = model.tree(group.context)
        found = readings_of(predict(tree, evidence, names, extra), bare.take(rows), knowledge)
        for name in names:
            result[name][rows] = found[name]
    return result


def _curves(
    batch: InspectionBatch,
    names: Sequence[str],
    cases: Sequence[Supposed],
    units: Mapping[str, str],
    altitude: float,
    model: Model,
) -> tuple[Curve, ...]:
    if not names:
        return ()
    knowledge, count = model.knowledge, len(CHARTED_C)
    wide = batch.take(np.zeros(count, np.int64))
    # what the condenser takes in was measured on one day; on others it is the air around
    numbers = {n: v for n, v in wide.numbers.items() if n != "condenser_inlet_c"}
    wide = replace(wide, numbers={**numbers, "ambient_c": CHARTED_C})
    found = [_ranges(wide, names, supposed, model) for supposed in cases]
    here = float(batch.number("ambient_c")[0])

    def curve(name: str) -> Curve:
        shown = [
            np.array([_range(row, name, units, altitude, knowledge) for row in ranges[name]])
            for ranges in found
        ]
        read = _shown(float(value_read(name, batch)[0]), name, units, altitude, knowledge)
        point = None if read is None or np.isnan(here) else (here, read)
        supposed = shown[1] if len(shown) > 1 else None
        title = knowledge.gauges[name].title
        return Curve(name, title, units[name], CHARTED_C, shown[0], supposed, point)

    return tuple(curve(name) for name in names)


def _range(
    values: FloatArray, name: str, units: Mapping[str, str], altitude: float, knowledge: Knowledge
) -> Range:
    shown = [_shown(float(v), name, units, altitude, knowledge) for v in values]
    return Range(*(np.nan if value is None else value for value in shown))


def _shown(
    value: float, name: str, units: Mapping[str, str], altitude: float, knowledge: Knowledge
) -> float | None:
    """A number in the unit of its gauge, rounded as that is written; None for NaN."""
    if not np.isfinite(value):
        return None
    dimension: Dimension = reading_dimension(name, knowledge)
    return float(format_quantity(value, dimension, units[name], altitude).split()[0])
