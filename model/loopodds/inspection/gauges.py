"""Readings turned into what the network compares: distance from what a sound loop would show.

A pressure becomes a saturation temperature, a mass a share of the nameplate; from that the
expectation for a sound loop in the same conditions is taken away. Conditions that are not stated
are averaged over and widen the spread. A reading that another finding makes uninformative is
dropped.
"""

from dataclasses import replace
from typing import NamedTuple

import numpy as np

from loopodds.base.arrays import BoolArray, FloatArray, IntArray
from loopodds.base.errors import KnowledgeError
from loopodds.base.unit_table import Unit, spelling, spellings_of
from loopodds.inspection.inspection import Contexts, Encoding, GaugeReading, InspectionBatch
from loopodds.inspection.vocabulary import CHOICES, NUMBERS, reading_dimension
from loopodds.knowledge.blocks import Amount
from loopodds.knowledge.expectations import AMBIENT, conditions_of, context_keys, expectation
from loopodds.knowledge.nodes import Gauge, Node
from loopodds.knowledge.records import Knowledge
from loopodds.physics.refrigerants import MOLAR_MASS_OF_AIR, SUPPORTED, refrigerant

# engineering estimates: how much warmer than the air the liquid is where nobody measured, and how
# far off that may be (a condenser in the sun stands 15 K above the air); what an old machine, or a
# cold loop, leaves behind (recovery trials left 18 % to 30 %)
STATIC_UNMEASURED_WARMER_K = 5.0
STATIC_UNMEASURED_K = 6.0
UNWEIGHABLE_PCT = 30.0
COLD_RECOVERY_C = 15.0
# a fall of the high side, and the reading after the provocation from which it follows
PROVOKED = {"condenser_wetted": "high_side_wetted", "condenser_fanned": "high_side_fanned"}
# a pressure that swings while the compressor comes and goes: its lowest and highest reading
SWINGING = {side: (f"swing_{side}_from", f"swing_{side}_to") for side in ("low_side", "high_side")}
VACUUM_RISE = "vacuum_rise"
# what a pump that is in order reaches, and how long a vacuum is watched; engineering estimates
DEEP_VACUUM_KPA = 0.1
VACUUM_WATCHED_MIN = 10.0
# one state of a measured finding that holds so much of the likelihood is as good as its word; the
# chance of a misread word is in the tables of the findings
AS_GOOD_AS_SAID = 0.95
NAMEPLATES = {"recovered": "nameplate_charge_g", "drained_oil": "nameplate_oil_g"}


class _Value(NamedTuple):
    """Transformed reading, its slope with the ambient temperature assumed, added variance."""

    value: FloatArray
    per_assumed_ambient: FloatArray
    variance: FloatArray


def read_gauges(
    batch: InspectionBatch, contexts: Contexts, knowledge: Knowledge
) -> dict[str, GaugeReading]:
    """Every gauge with at least one number, given or derived.

    Superheat and subcooling that were not given are derived from ``suction_line`` and
    ``liquid_line`` with the pressures.

    Raises:
        KnowledgeError: if no sound expectation covers a context, or a transform is unknown.
    """
    readings = {}
    for name, node in knowledge.gauges.items():
        raw = value_read(name, batch)
        if not np.isnan(raw).all():
            readings[name] = _read(node, raw, batch, contexts, knowledge)
    for name, reading in readings.items():
        for other in knowledge.gauges[name].told_by.keys() & readings.keys():
            told = ~np.isnan(readings[other].residual)
            readings[name] = replace(reading, residual=np.where(told, np.nan, reading.residual))
    return readings


def derived_reading(name: str, batch: InspectionBatch) -> FloatArray | None:
    """Superheat or subcooling [K] from a pipe temperature and a pressure, a fall [K] from the high
    side read twice, air by volume [%] from that by mass, the rise of a vacuum [kPa] from its end
    and start; None for the others.
    """
    if name == "superheat" and "suction_line" in batch.readings:
        return batch.reading("suction_line") - saturation_c(batch, "low_side")
    if name == "compressor_superheat" and "compressor_inlet" in batch.readings:
        return batch.reading("compressor_inlet") - saturation_c(batch, "low_side")
    if name == "subcooling" and "liquid_line" in batch.readings:
        return saturation_c(batch, "high_side") - batch.reading("liquid_line")
    if name in PROVOKED and PROVOKED[name] in batch.readings:
        return saturation_c(batch, "high_side") - saturation_c(batch, PROVOKED[name])
    if name == "air_share" and "air_share_by_mass" in batch.readings:
        return _by_volume(batch.reading("air_share_by_mass"), batch.choice("refrigerant"))
    if name == VACUUM_RISE and "vacuum_end" in batch.readings:
        start = batch.reading("vacuum_start")
        return batch.reading("vacuum_end") - np.where(np.isnan(start), DEEP_VACUUM_KPA, start)
    return None


def _by_volume(share: FloatArray, code: IntArray) -> FloatArray:
    """Air in a refrigerant by volume [%] from its share by mass; NaN where no gas is stated."""
    gases = [refrigerant(name).volume_share(share, MOLAR_MASS_OF_AIR) for name in SUPPORTED]
    return np.array([*gases, np.full_like(share, np.nan)])[code, np.arange(len(code))]


def saturation_c(batch: InspectionBatch, name: str) -> FloatArray:
    """Saturation temperature [degC] of a pressure reading, shape (rows,).

    NaN where it was not read, the refrigerant is not stated or the curve does not reach.
    """
    return _boiling_c(batch, pressure_read(name, batch))


def pressure_read(name: str, batch: InspectionBatch) -> FloatArray:
    """A reading as it was read, a pressure else as the middle of its swing; NaN where neither."""
    pressure = batch.reading(name)
    ends = [batch.reading(end) for end in SWINGING.get(name, ())]
    return np.where(np.isnan(pressure), sum(ends) / 2, pressure) if ends else pressure


def _boiling_c(batch: InspectionBatch, pressure: FloatArray) -> FloatArray:
    code = batch.choice("refrigerant")
    result = np.full(batch.rows, np.nan)
    for index, fluid in enumerate(map(refrigerant, SUPPORTED)):
        rows = np.flatnonzero((code == index) & fluid.covers_pressure(pressure))
        if len(rows):
            result[rows] = fluid.saturation_temperature(pressure[rows])
    return result


def measured_states(
    batch: InspectionBatch, contexts: Contexts, knowledge: Knowledge
) -> dict[str, FloatArray]:
    """Likelihoods of the states of each finding that was measured, shape (rows, states).

    The largest of a row is one; a row of ones says nothing. Likelihoods of several amounts of one
    finding multiply.
    """
    result: dict[str, FloatArray] = {}
    for name, (finding, amount) in knowledge.amounts.items():
        value = value_read(name, batch)
        if np.isnan(value).all():
            continue
        unit = spellings_of(reading_dimension(name, knowledge))[spelling(amount.unit)]
        said = _said(value, _stretched(name, batch), amount, unit, contexts)
        both = result.get(finding.name, np.ones(said.shape)) * said
        result[finding.name] = _over_the_largest(both)
    return result


def value_read(name: str, batch: InspectionBatch) -> FloatArray:
    """A reading or amount given or derived, in its internal unit; NaN where none, shape (rows,)."""
    value, derived = pressure_read(name, batch), derived_reading(name, batch)
    return value if derived is None else np.where(np.isnan(value), derived, value)


def _stretched(name: str, batch: InspectionBatch) -> FloatArray:
    """By how much an amount has to be multiplied: a vacuum watched too briefly rose too little.

    A leak lets in the same each minute. A vacuum watched for longer is taken as it is: water has
    boiled off by then and stands at its own pressure.
    """
    if name != VACUUM_RISE:
        return np.ones(batch.rows)
    watched = batch.reading("vacuum_watched")
    return np.where(watched < VACUUM_WATCHED_MIN, VACUUM_WATCHED_MIN / watched, 1.0)


def _said(
    value: FloatArray, stretch: FloatArray, amount: Amount, unit: Unit, contexts: Contexts
) -> FloatArray:
    """What an amount says of the states, shape (rows, states): ones where it says nothing.

    The true amount lies in each interval with a chance that follows from the error of the meter,
    taken as logistic (within 0.01 of a Gaussian of the same standard deviation).
    """
    spread = np.hypot(amount.accuracy * unit.scale, amount.accuracy_share * value)
    scale = np.maximum(spread, np.finfo(float).tiny) * np.sqrt(3.0) / np.pi
    result = np.ones((len(value), len(amount.bands[0].says[0])))
    open_rows = ~np.isnan(value)
    for band in amount.bands:
        rows = open_rows & contexts.hold(band.when)
        open_rows &= ~rows
        true = unit.to_internal(np.array(band.cuts)) / stretch[rows, None]
        away = (true - value[rows, None]) / scale[rows, None]
        below = 1.0 / (1.0 + np.exp(np.clip(-away, -500.0, 500.0)))
        inside = np.diff(below, axis=1, prepend=0.0, append=1.0)
        result[rows] = inside @ np.array(band.says)
    return _over_the_largest(result)


def _over_the_largest(weights: FloatArray) -> FloatArray:
    scaled: FloatArray = weights / weights.max(axis=1, keepdims=True)
    return scaled


def _read(
    node: Gauge, raw: FloatArray, batch: InspectionBatch, contexts: Contexts, knowledge: Knowledge
) -> GaugeReading:
    moved = _transform(node, raw, batch, _ambient(batch, knowledge))
    expected, variance = _expected(node, moved.per_assumed_ambient, batch, contexts, knowledge)
    hidden = masked_rows(node, batch, knowledge)
    residual = np.where(hidden, np.nan, moved.value - expected)
    variance = moved.variance + variance + _unsettled(node, batch)
    extra = np.where(np.isnan(residual), 0.0, np.sqrt(variance))
    return GaugeReading(residual, extra, moved.value, expected)


def _expected(
    node: Gauge,
    per_assumed_ambient: FloatArray,
    batch: InspectionBatch,
    contexts: Contexts,
    knowledge: Knowledge,
) -> tuple[FloatArray, FloatArray]:
    """What a sound loop shows, and the variance of what is not stated; each of shape (rows,)."""
    pattern, known = contexts.patterns(context_keys(node))
    conditions = {name: condition(name, batch) for name in {*conditions_of(node), AMBIENT}}
    kind = pattern.astype(np.int64)
    for name in sorted(conditions):
        kind = 2 * kind + ~np.isnan(conditions[name])
    slopes, slope = np.unique(per_assumed_ambient, return_inverse=True)
    kind = len(slopes) * kind + slope
    expected, variance = np.empty(batch.rows), np.empty(batch.rows)
    for one in np.flatnonzero(np.bincount(kind)):
        rows = np.flatnonzero(kind == one)
        first = rows[0]
        stated = frozenset(name for name in conditions if not np.isnan(conditions[name][first]))
        context = tuple(known[pattern[first]].items())
        assumed = float(per_assumed_ambient[first])
        found = expectation(knowledge, node.name, context, stated, assumed)
        at = {name: conditions[name][rows] for name in found.axes}
        expected[rows], variance[rows] = found.at(at)
    return expected, variance


def _unsettled(node: Gauge, batch: InspectionBatch) -> FloatArray:
    """Variance of a reading taken before the loop had settled; none where nothing is said of it."""
    running = batch.number("running_min")
    if node.settling is None or np.isnan(running).all():
        return np.zeros(batch.rows)
    left = node.settling.spread * np.exp(-running / node.settling.minutes)
    return np.where(np.isnan(left), 0.0, left) ** 2


def condition(name: str, batch: InspectionBatch) -> FloatArray:
    """A condition in its internal unit, or the number of its word; NaN is not stated, (rows,)."""
    if name in CHOICES:
        code = batch.choice(name)
        return np.where(code < 0, np.nan, code)
    return batch.number(next(number for number, (key, _) in NUMBERS.items() if key == name))


def _ambient(batch: InspectionBatch, knowledge: Knowledge) -> FloatArray:
    """The ambient temperature [degC], typical where it is not stated."""
    stated = condition(AMBIENT, batch)
    context = knowledge.contexts.get(AMBIENT)
    if context is None or np.isnan(context.typical):
        raise KnowledgeError(f"contexts.toml: needs {AMBIENT} with a number 'typical'")
    return np.where(np.isnan(stated), context.typical, stated)


def _transform(node: Gauge, raw: FloatArray, batch: InspectionBatch, ambient: FloatArray) -> _Value:
    none = np.zeros(batch.rows)
    if node.transform == "plain":
        return _Value(raw, none, none)
    if node.transform == "condensing_lift":
        entering = batch.number("condenser_inlet_c")
        apart = ~np.isnan(entering)
        lift = saturation_c(batch, node.name) - np.where(apart, entering, ambient)
        return _Value(lift, np.where(apart, 0.0, -1.0), _swing(node.name, batch))
    if node.transform == "evaporating":
        return _Value(saturation_c(batch, node.name), none, _swing(node.name, batch))
    if node.transform == "static_residual":
        measured = batch.reading("static_temperature")
        guessed = np.isnan(measured)
        return _Value(
            saturation_c(batch, node.name)
            - np.where(guessed, ambient + STATIC_UNMEASURED_WARMER_K, measured),
            np.where(guessed, -1.0, 0.0),
            np.where(guessed, STATIC_UNMEASURED_K**2, 0.0),
        )
    if node.transform == "share_of_nameplate" and node.name in NAMEPLATES:
        share = 100.0 * raw / batch.number(NAMEPLATES[node.name])
        variance = np.where(unweighable_rows(batch), UNWEIGHABLE_PCT**2, 0.0)
        return _Value(share, none, variance if node.name == "recovered" else none)
    raise KnowledgeError(f"{node.file}: {node.name}: unknown transform {node.transform!r}")


def _swing(name: str, batch: InspectionBatch) -> FloatArray:
    """Variance of the middle of a swing: the mean lies anywhere in the inner half of it [K2]."""
    ends = SWINGING.get(name)
    if ends is None or not set(ends) <= batch.readings.keys():
        return np.zeros(batch.rows)
    lowest, highest = (_boiling_c(batch, batch.reading(end)) for end in ends)
    between = np.isnan(batch.reading(name)) & ~np.isnan(highest - lowest)
    return np.where(between, (highest - lowest) ** 2 / 48.0, 0.0)


def unweighable_rows(batch: InspectionBatch) -> BoolArray:
    """Rows whose recovered mass says little: an old machine, or a cold loop."""
    old: BoolArray = batch.choice("recovery_machine") == CHOICES["recovery_machine"].index("old")
    cold: BoolArray = batch.number("ambient_c") < COLD_RECOVERY_C
    return old | cold


def masked_rows(node: Node, batch: InspectionBatch, knowledge: Knowledge) -> BoolArray:
    """Rows in which another finding makes a gauge uninformative, shape (rows,)."""
    masked = np.zeros(batch.rows, bool)
    for name in node.masked_by:
        masked |= rows_masked_by(name, node, batch, knowledge)
    return masked


def rows_masked_by(
    name: str, node: Node, batch: InspectionBatch, knowledge: Knowledge
) -> BoolArray:
    """Rows in which one finding masks a gauge, shape (rows,).

    A finding given as likelihoods masks when its masking states hold more than half of them.
    """
    masked = np.zeros(batch.rows, bool)
    states = node.masked_by[name]
    hides = np.array([state in states for state in knowledge.node(name).states])
    if name in batch.codes:
        masked |= np.append(hides, False)[batch.codes[name]]
    if name in batch.soft:
        weights = batch.soft[name]
        most = weights[:, hides].sum(axis=1) > 0.5 * weights.sum(axis=1)
        masked |= most & (np.ptp(weights, axis=1) > 0)
    return masked


def untold_conditions(car: Encoding) -> dict[str, list[str]]:
    """Conditions that were not stated, each with the gauges read whose sound value it moves."""
    seen = seen_nodes(car)
    bearing = {
        key: [node.name for node in seen if _depends(node, key, car)]
        for key in car.knowledge.contexts
    }
    return {
        key: names
        for key, names in bearing.items()
        if names and np.isnan(condition(key, car.batch)[0])
    }


def seen_nodes(car: Encoding) -> list[Node]:
    """What was recorded, or follows from it."""
    nodes = car.knowledge.nodes
    return [nodes[n] for n in dict.fromkeys((*car.batch.observed(), *car.readings)) if n in nodes]


def _depends(node: Node, key: str, car: Encoding) -> bool:
    if not isinstance(node, Gauge):
        return False
    if key == AMBIENT and node.transform == "static_residual":
        return bool(np.isnan(car.batch.reading("static_temperature")[0]))
    if key == AMBIENT and (node.transform == "condensing_lift" or "weather" in node.context_keys()):
        return True
    return key in conditions_of(node)
