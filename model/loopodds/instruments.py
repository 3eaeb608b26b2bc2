"""What the instruments on a simulated car would show: the way back from residuals to readings.

The network compares readings as distances from a sound loop. Here such a distance becomes a
number again that a technician could read: a pressure, a temperature, a mass.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

import numpy as np

from loopodds.aliases import FloatArray, IntArray
from loopodds.errors import KnowledgeError
from loopodds.gauges import NAMEPLATES, read_gauges
from loopodds.inspection import InspectionBatch
from loopodds.knowledge import Knowledge
from loopodds.nodes import Node
from loopodds.plausibility import impossible_readings
from loopodds.refrigerants import SUPPORTED, refrigerant

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

    Parameters
    ----------
    residuals : mapping of str to float array, shape (rows,)
        Distance from the sound value by gauge [scale of the gauge]; NaN is not read.
    batch : InspectionBatch
        Vehicle and conditions of each row, all stated.
    knowledge : Knowledge
    rng : numpy.random.Generator, optional
        For the spread that conditions add to a gauge's own; none is added when left out.

    Returns
    -------
    dict of str to float array, shape (rows,)
        kPa abs, degC, K, g or %. NaN where nothing was read and where no instrument could have
        shown it (beyond the saturation curve, high side below low side): a technician would
        have seen that something is amiss with the reading and dropped it. What cannot be
        negative stops at zero. A static pressure comes with its ``static_temperature``.

    Raises
    ------
    KnowledgeError
        If a gauge has an unknown transform.
    """
    ambient = batch.number("ambient_c")
    gauges = knowledge.of_kind("gauge")
    probes = {name: np.full(batch.rows, _PROBE) for name in residuals}
    probing = replace(batch, codes={}, readings={**probes, "static_temperature": ambient})
    sound = read_gauges(probing, knowledge)
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


def _raw(node: Node, value: FloatArray, batch: InspectionBatch, ambient: FloatArray) -> FloatArray:
    """Transformed value back to what is read, in the internal unit."""
    refrigerants = batch.choice("refrigerant")
    if node.transform == "condensing_lift" or node.transform == "static_residual":
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
