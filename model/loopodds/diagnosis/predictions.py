"""What has not been looked at, foretold: probabilities of words, ranges of readings."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from loopodds.base.arrays import FloatArray, IntArray
from loopodds.base.errors import KnowledgeError
from loopodds.base.units import INTERNAL_UNITS, Dimension, format_quantity
from loopodds.inference.junction import JunctionTree
from loopodds.inference.likelihoods import implied_table, normal_density
from loopodds.inference.network import Discrete, Evidence, GaugeNode
from loopodds.inspection.encoding import encode
from loopodds.inspection.gauges import NAMEPLATES, masked_rows
from loopodds.inspection.inspection import InspectionBatch
from loopodds.inspection.remarks import impossible_readings
from loopodds.inspection.vocabulary import reading_dimension
from loopodds.knowledge.nodes import Gauge, Node
from loopodds.knowledge.records import Knowledge
from loopodds.physics.refrigerants import SUPPORTED, refrigerant

_PROBE = 100.0
"""A reading that every transform takes (kPa, degC, K, g or %): the sound value does not depend
on what was read."""


def instrument_readings(
    residuals: Mapping[str, FloatArray],
    batch: InspectionBatch,
    knowledge: Knowledge,
    rng: np.random.Generator | None = None,
) -> dict[str, FloatArray]:
    """Readings that lie a given distance from what a sound loop shows.

    In kPa abs, degC, K, g or %, shape (rows,). NaN where nothing was read and where no instrument
    could have shown it (beyond the saturation curve, high side below low side): a technician would
    have dropped such a reading. What cannot be negative stops at zero. A static pressure comes with
    its ``static_temperature``.

    Args:
        residuals: By gauge the distance from the sound value [scale of the gauge], shape (rows,);
            NaN is not read.
        batch: Vehicle and conditions of each row, all stated.
        rng: For the spread that conditions add to a gauge's own; none is added when left out.

    Raises:
        KnowledgeError: if a gauge has an unknown transform.
    """
    ambient = batch.number("ambient_c")
    gauges = knowledge.gauges
    probes = {name: np.full(batch.rows, _PROBE) for name in residuals}
    probing = replace(batch, codes={}, readings={**probes, "static_temperature": ambient})
    sound = encode(probing, knowledge).readings
    raw: dict[str, FloatArray] = {}
    for name, residual in residuals.items():
        value = residual + sound[name].expected
        if rng is not None:
            value = value + rng.normal(0.0, 1.0, batch.rows) * sound[name].extra
        raw[name] = _raw(gauges[name], value, batch, ambient)
        if gauges[name].transform == "static_residual":
            raw["static_temperature"] = np.where(np.isnan(raw[name]), np.nan, ambient)
    for bad in impossible_readings(replace(batch, readings=raw), knowledge):
        raw[bad.column][bad.row] = np.nan
    return raw


def _raw(node: Gauge, value: FloatArray, batch: InspectionBatch, ambient: FloatArray) -> FloatArray:
    """Transformed value back to what is read, in the internal unit."""
    refrigerants = batch.choice("refrigerant")
    if node.transform in ("condensing_lift", "static_residual"):
        return _saturation_pressure(value + ambient, refrigerants)
    if node.transform == "evaporating":
        return _saturation_pressure(value, refrigerants)
    if node.transform == "plain":
        return np.maximum(value, 0.0) if node.quantity == "share" else value
    if node.transform == "share_of_nameplate" and node.name in NAMEPLATES:
        return np.maximum(value, 0.0) / 100.0 * batch.number(NAMEPLATES[node.name])
    raise KnowledgeError(f"{node.file}: {node.name}: unknown transform {node.transform!r}")


def _saturation_pressure(temperature_c: FloatArray, refrigerants: IntArray) -> FloatArray:
    """Saturation pressure [kPa abs]; NaN where the curve does not reach."""
    pressure = np.full(len(temperature_c), np.nan)
    for code, fluid in enumerate(map(refrigerant, SUPPORTED)):
        rows = (refrigerants == code) & fluid.covers_temperature(temperature_c)
        pressure[rows] = fluid.saturation_pressure(temperature_c[rows])
    return pressure


SHOWN_UNITS: Mapping[Dimension, str] = {"pressure": "bar"}
"""Units in which readings are foretold; the internal ones for all other dimensions."""

RANGE = (0.05, 0.5, 0.95)
"""Quantiles given for a reading: nine in ten lie between the first and the last."""

_GRID = 401
_LEAST = 1e-12
"""Configurations less probable move no quantile that is shown."""


@dataclass(frozen=True, slots=True, eq=False)
class Prediction:
    """One finding or gauge foretold for a batch."""

    name: str
    states: FloatArray  # shape (rows, states): probability of each word; rows sum to one
    # of a gauge, misreadings left out, distance from the sound value [scale]; else empty
    mean: FloatArray  # shape (rows,)
    spread: FloatArray  # shape (rows,)
    quantiles: FloatArray  # shape (rows, 3): at :data:`RANGE`


@dataclass(frozen=True, slots=True)
class Foretold:
    """What one would expect to see of a finding or gauge that was not recorded.

    ``states`` are probabilities of words that sum to one. One reading in twenty lies below
    ``low``, one in two below ``middle``, one in twenty above ``high``, in ``unit``; all three
    are NaN for a finding, and where the case does not say enough to know them.
    """

    name: str
    states: Mapping[str, float]
    low: float
    middle: float
    high: float
    unit: str

    @property
    def likeliest(self) -> str:
        """The most probable word."""
        return max(self.states, key=lambda state: self.states[state])

    def range_text(self) -> str:
        """Nine in ten readings, as ``13.9 to 18.2 bar``; empty where they are not known."""
        if not np.isfinite([self.low, self.high]).all():
            return ""
        return f"{self.low:g} to {self.high:g} {self.unit}"


def foretell(
    tree: JunctionTree, evidence: Evidence, batch: InspectionBatch, knowledge: Knowledge
) -> list[dict[str, Foretold]]:
    """Everything that was not recorded, row by row, in the order of the knowledge.

    A gauge that a finding makes uninformative is left out.

    ``batch``: the inspections that the evidence was made from, row by row.
    """
    nodes = knowledge.of_kind("finding", "gauge")
    predictions = predict(tree, evidence, list(nodes))
    readings = readings_of(predictions, batch, knowledge)
    masked = {n: masked_rows(node, batch, knowledge) for n, node in nodes.items()}
    altitude = np.nan_to_num(batch.number("altitude_m"))

    def foretold(row: int) -> dict[str, Foretold]:
        seen, above = set(evidence.names(row)), float(altitude[row])
        return {
            name: _foretold(nodes[name], prediction, row, readings, above, knowledge)
            for name, prediction in predictions.items()
            if name not in seen and not masked[name][row]
        }

    return [foretold(row) for row in range(evidence.rows)]


def _foretold(
    node: Node,
    prediction: Prediction,
    row: int,
    readings: Mapping[str, FloatArray],
    altitude_m: float,
    knowledge: Knowledge,
) -> Foretold:
    states = dict(zip(node.states, map(float, prediction.states[row]), strict=True))
    if node.name not in readings:
        return Foretold(node.name, states, np.nan, np.nan, np.nan, "")
    dimension = reading_dimension(node.name, knowledge)
    unit = SHOWN_UNITS.get(dimension, INTERNAL_UNITS[dimension])
    low, middle, high = (
        float(format_quantity(value, dimension, unit, altitude_m).split()[0])
        if np.isfinite(value)
        else np.nan
        for value in readings[node.name][row]
    )
    return Foretold(node.name, states, low, middle, high, unit)


def predict(
    tree: JunctionTree,
    evidence: Evidence,
    names: Sequence[str],
    extra: Mapping[str, FloatArray] | None = None,
) -> dict[str, Prediction]:
    """Foretell findings and gauges from the evidence.

    Args:
        names: Observables of the network. Where a row already holds one of them, this is what a
            second, independent look would show.
        extra: Standard deviation that the conditions add to a gauge [scale], shape (rows,).
    """
    widened = extra or {}
    variables = {name: tree.network.variable(name) for name in names}
    posterior = tree.propagate(evidence, {variable.parents for variable in variables.values()})
    found = {}
    for name, variable in variables.items():
        believed = posterior[variable.parents].reshape(evidence.rows, -1)
        if isinstance(variable, GaugeNode):
            found[name] = _gauge(variable, believed, widened.get(name, np.zeros(evidence.rows)))
        else:
            states = _states(variable, believed, evidence.implied.get(name))
            none = np.empty(0)
            found[name] = Prediction(name, states, none, none, np.empty((evidence.rows, 0)))
    return found


def _states(variable: Discrete, believed: FloatArray, implied: FloatArray | None) -> FloatArray:
    if implied is None:
        return believed @ variable.table.reshape(believed.shape[1], -1)
    table = implied_table(variable, implied).reshape(*believed.shape, -1)
    result: FloatArray = (believed[:, None, :] @ table)[:, 0]
    return result


def _gauge(gauge: GaugeNode, believed: FloatArray, extra: FloatArray) -> Prediction:
    means, spreads = gauge.mean.ravel(), gauge.spread.ravel()
    mean = believed @ means
    variance = believed @ (spreads**2 + means**2) - mean**2 + extra**2
    quantiles = np.empty((len(believed), len(RANGE)))
    for added in np.unique(extra):
        rows = extra == added
        wide = np.hypot(spreads, added)
        held = (believed[rows] > _LEAST).any(axis=0)
        reach = 5 * wide[held].max()
        grid = np.linspace(means[held].min() - reach, means[held].max() + reach, _GRID)
        density = normal_density(grid - means[held, None], wide[held, None])
        mixed = believed[rows][:, held] @ density
        # up to the middle of each cell
        below = np.cumsum(mixed, axis=1) - mixed / 2
        below /= mixed.sum(axis=1, keepdims=True)
        quantiles[rows] = [np.interp(RANGE, row, grid) for row in below]
    near = replace(gauge, share=0.0).word_table.reshape(len(means), -1)
    return Prediction(gauge.name, believed @ near, mean, np.sqrt(variance), quantiles)


def readings_of(
    predictions: Mapping[str, Prediction], batch: InspectionBatch, knowledge: Knowledge
) -> dict[str, FloatArray]:
    """Quantiles of the gauges as an instrument would show them, shape (rows, 3).

    In kPa abs, degC, K, g or %; NaN where it takes something not stated (refrigerant, nameplate)
    or no instrument could show it. ``batch`` are the inspections that were predicted for; what is
    not stated of ambient and humidity is taken as typical.
    """
    quantiles = {name: prediction.quantiles for name, prediction in predictions.items()}
    columns = {name: values.ravel() for name, values in quantiles.items() if values.size}
    wide = batch.take(np.repeat(np.arange(batch.rows), len(RANGE)))
    numbers = dict(wide.numbers)
    for column, name in (("ambient_c", "ambient"), ("humidity_pct", "humidity")):
        stated = wide.number(column)
        numbers[column] = np.where(np.isnan(stated), knowledge.contexts[name].typical, stated)
    shown = instrument_readings(columns, replace(wide, numbers=numbers), knowledge)
    return {name: shown[name].reshape(batch.rows, len(RANGE)) for name in columns}
