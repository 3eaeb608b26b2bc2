"""What a person should know about one inspection before trusting its result.

Nothing here is an error: readings that are odd though possible, records that cannot be used, and
conditions that were not stated and widen what is concluded.
"""

from collections.abc import Callable, Iterator
from functools import lru_cache
from typing import NamedTuple

import numpy as np

from loopodds.base.arrays import BoolArray, FloatArray
from loopodds.base.unit_table import INTERNAL_UNITS, SEA_LEVEL_KPA
from loopodds.inference.likelihoods import interval_codes
from loopodds.inspection.gauges import (
    NAMEPLATES,
    STATIC_UNMEASURED_K,
    UNWEIGHABLE_PCT,
    VACUUM_RISE,
    VACUUM_WATCHED_MIN,
    derived_reading,
    masked_rows,
    measured_states,
    rows_masked_by,
    seen_nodes,
    untold_conditions,
    unweighable_rows,
    value_read,
)
from loopodds.inspection.inspection import Encoding, GaugeReading, InspectionBatch
from loopodds.inspection.vocabulary import (
    COMPLAINT,
    LIMITS,
    NUMBERS,
    RISING,
    reading_dimension,
    reading_limits,
)
from loopodds.knowledge.assembly import full_contexts, gauge_array
from loopodds.knowledge.nodes import Gauge
from loopodds.knowledge.records import Context, Knowledge
from loopodds.physics.refrigerants import SUPPORTED, refrigerant

ADD_UP_TO_PCT = 102.0  # each share that an instrument prints is rounded
MOST_TIMES_NAMEPLATE = 10.0  # a loop brim-full of liquid holds some six times its charge
EQUAL_SIDES_KPA = 50.0
SLACK_KPA = 0.1
NO_REFRIGERANT = (
    "a pressure says nothing while the refrigerant is not stated; state " + " or ".join(SUPPORTED)
)


class Impossible(NamedTuple):
    """A value that cannot be; ``column`` is the name it has in a case."""

    row: int
    column: str
    value: float
    reason: str


def impossible_readings(batch: InspectionBatch, knowledge: Knowledge) -> list[Impossible]:
    """Values that no car can have, each once with the first reason; sorted by row.

    A pressure without a refrigerant is among them: it cannot be turned into a temperature.

    Raises:
        UnknownName: if the batch has a reading that the knowledge does not know.
    """
    impossible: list[Impossible] = []
    for name, (low, high, reason) in LIMITS.items():
        if name in batch.numbers:
            values = batch.numbers[name]
            impossible += _marked(
                (values < low) | (values > high), NUMBERS[name][0], values, reason
            )
    for name, values in batch.readings.items():
        dimension = reading_dimension(name, knowledge)
        if dimension == "pressure":
            impossible += _impossible_pressures(name, batch)
        else:
            low, high, reason = reading_limits(name, dimension, knowledge)
            impossible += _marked((values < low) | (values > high), name, values, reason)
    impossible += _more_than_the_loop_holds(batch)
    impossible += _sides_the_wrong_way_round(batch, knowledge)
    impossible += _more_than_all(batch, knowledge) + _falling_back(batch)
    first: dict[tuple[int, str], Impossible] = {}
    for bad in impossible:
        first.setdefault((bad.row, bad.column), bad)
    return sorted(first.values(), key=lambda bad: bad.row)


def _marked(bad: BoolArray, column: str, values: FloatArray, reason: str) -> list[Impossible]:
    rows = np.flatnonzero(bad).tolist()
    return [Impossible(row, column, float(values[row]), reason) for row in rows]


def _impossible_pressures(name: str, batch: InspectionBatch) -> list[Impossible]:
    pressure = batch.reading(name)
    code = batch.choice("refrigerant")
    impossible = _marked((code < 0) & ~np.isnan(pressure), name, pressure, NO_REFRIGERANT)
    for index, fluid in enumerate(map(refrigerant, SUPPORTED)):
        beyond = (code == index) & ~fluid.covers_pressure(pressure)
        top, bottom = fluid.critical_pressure_kpa, fluid.lowest_pressure_kpa
        reason = f"above the critical pressure of {fluid.name} ({top:.0f} kPa abs); check the unit"
        impossible += _marked(beyond & (pressure >= top), name, pressure, reason)
        reason = f"below {bottom:.2g} kPa abs, where the {fluid.name} curve ends; check the unit"
        impossible += _marked(beyond & (pressure < bottom), name, pressure, reason)
    return impossible


def _more_than_the_loop_holds(batch: InspectionBatch) -> list[Impossible]:
    impossible = []
    for name, nameplate in NAMEPLATES.items():
        mass = batch.reading(name)
        reason = f"more than {MOST_TIMES_NAMEPLATE:.0f} times the nameplate; check the unit"
        too_much = mass > MOST_TIMES_NAMEPLATE * batch.number(nameplate)
        impossible += _marked(too_much, name, mass, reason)
    return impossible


def _more_than_all(batch: InspectionBatch, knowledge: Knowledge) -> list[Impossible]:
    """Shares of gases that add up to more than everything, told at the last of them."""
    shares: dict[str, list[str]] = {}
    for name, (finding, amount) in knowledge.amounts.items():
        if amount.quantity == "volume_share" and name in batch.readings:
            shares.setdefault(finding.name, []).append(name)
    impossible = []
    for names in shares.values():
        total = np.nansum([batch.reading(name) for name in names], axis=0)
        reason = f"{' and '.join(names)} add up to more than 100 %"
        for row in np.flatnonzero(total > ADD_UP_TO_PCT).tolist():
            last = next(n for n in reversed(names) if not np.isnan(batch.reading(n)[row]))
            impossible.append(Impossible(row, last, float(batch.reading(last)[row]), reason))
    return impossible


def _falling_back(batch: InspectionBatch) -> list[Impossible]:
    """What must not be below another reading, and is."""
    impossible = []
    for lower, upper, reason in RISING:
        values = batch.reading(upper)
        below = values < batch.reading(lower) - SLACK_KPA
        impossible += _marked(below, upper, values, f"below {lower}: {reason}")
    return impossible


def _sides_the_wrong_way_round(batch: InspectionBatch, knowledge: Knowledge) -> list[Impossible]:
    high, low = batch.reading("high_side"), batch.reading("low_side")
    if np.isnan(high).all() or np.isnan(low).all():
        return []
    stopped = np.zeros(batch.rows, bool)
    for name in ("high_side", "low_side"):
        stopped |= masked_rows(knowledge.node(name), batch, knowledge)
    slack = np.where(_sides_equal(batch, knowledge), EQUAL_SIDES_KPA, 0.0)
    reason = (
        "below the low side with the compressor running; check which hose is which, or record "
        'sides_equal = "yes" or compressor_cycle = "cut_out" if that was seen'
    )
    return _marked((high < low - slack) & ~stopped, "high_side", high, reason)


def _sides_equal(batch: InspectionBatch, knowledge: Knowledge) -> BoolArray:
    if "sides_equal" not in batch.codes:
        return np.zeros(batch.rows, bool)
    yes: BoolArray = batch.codes["sides_equal"] == knowledge.node("sides_equal").states.index("yes")
    return yes


# engineering estimates
ODD_SPREADS = 4.0
ODD_SOAK_K = 10.0
ODD_DERIVED_K = 5.0
NO_PRESSURE_KPA = 50.0

NOTHING_OBSERVED = "nothing was observed: the result is what is known before looking"


def notes(car: Encoding, came: bool = True) -> tuple[str, ...]:
    """Remarks on one inspection, each one sentence; empty when there is nothing to say.

    Args:
        car: Of one row.
        came: Whether it is of the car as it came: why it is here is asked only then.
    """
    kinds: tuple[Callable[[Encoding], Iterator[str]], ...] = (
        _masked, _doubled, _measured, _odd, _no_pressure, _not_of_this_car, _unused, _widened,
        _not_stated,
    )  # fmt: skip
    return (*(text for kind in kinds for text in kind(car)), *(_why_here(car) if came else ()))


def _was_read(name: str, car: Encoding) -> bool:
    return not np.isnan(car.batch.reading(name)[0])


def _comparable(car: Encoding) -> Iterator[tuple[Gauge, GaugeReading]]:
    """Gauges that count, each with what it shows."""
    for name, reading in car.readings.items():
        if not np.isnan(reading.residual[0]):
            yield car.knowledge.gauges[name], reading


def _masked(car: Encoding) -> Iterator[str]:
    for name, node in car.knowledge.of_kind("gauge", "finding").items():
        seen = name in car.readings or car.batch.word(name) >= 0
        for finding, states in node.masked_by.items():
            if seen and rows_masked_by(finding, node, car.batch, car.knowledge)[0]:
                yield f"{name} is not used: it says nothing at {finding} = {' or '.join(states)}"
        for other, states in node.told_by.items():
            if seen and other in car.readings and set(states) == set(node.states):
                yield f"{name} is not used: {other} has told it"


def _doubled(car: Encoding) -> Iterator[str]:
    """A word beside a number: the number counts, and a disagreement is told."""
    for node, reading in _comparable(car):
        word = car.batch.word(node.name)
        if word < 0:
            continue
        read = int(interval_codes(reading.residual, node.cuts)[0])
        if read != word:
            yield (
                f"{node.name}: the word {node.states[word]!r} is not used: the number counts, "
                f"and it reads {node.states[read]!r}"
            )


def _measured(car: Encoding) -> Iterator[str]:
    """A word beside an amount that says otherwise, and an amount that cannot be used."""
    measured = measured_states(car.written, car.contexts, car.knowledge)
    for name, weights in measured.items():
        node = car.knowledge.node(name)
        word, read = car.written.word(name), int(weights[0].argmax())
        given = [n for n in node.amounts if not np.isnan(value_read(n, car.written)[0])]
        if not np.ptp(weights[0]) > 0:
            keys = {key for n in given for band in node.amounts[n].bands for key in band.when}
            missing = " and ".join(sorted(keys - car.contexts.stated().keys()))
            if missing:
                yield f"{' and '.join(given)} not used: state the {missing} in [vehicle]"
        elif word >= 0 and word != read:
            said, shows = node.states[word], node.states[read]
            both = f"the word {said!r} and {' and '.join(given)}, which reads {shows!r}"
            yield f"{name}: {both}, contradict each other; both are doubted, undo one"


def _odd(car: Encoding) -> Iterator[str]:
    for node, reading in _comparable(car):
        away = float(reading.residual[0])
        if _spreads_from_anything(node, reading, car) > ODD_SPREADS:
            side = "above" if away > 0 else "below"
            yield (
                f"{node.name} is {abs(away):.1f} {node.scale} {side} a sound loop, further than "
                f"any modelled fault puts it; check the reading and its unit"
            )


def _no_pressure(car: Encoding) -> Iterator[str]:
    """Two gauges that stand at the pressure of the air: an empty loop, or a slip of the unit."""
    gauges = car.knowledge.gauges
    read = [n for n in gauges if gauges[n].quantity == "pressure" and _was_read(n, car)]
    above = [float(car.batch.reading(name)[0]) - SEA_LEVEL_KPA for name in read]
    if len(read) > 1 and max(above) < NO_PRESSURE_KPA:
        yield (
            f"{' and '.join(read)} stand at the pressure of the air: is the loop empty, or the "
            "unit another one (bar, not psi)?"
        )


def _not_of_this_car(car: Encoding) -> Iterator[str]:
    """What is recorded and can only be seen on another kind of car."""
    stated = car.contexts.stated()
    for name in car.batch.observed():
        ways = [test for test in car.knowledge.tests.values() if name in test.yields]
        if ways and all(test.ruled_out_by(stated) for test in ways):
            key = ways[0].ruled_out_by(stated)
            yield f"{name} cannot be seen on a car with {key} {stated[key]}; check both"


def _spreads_from_anything(node: Gauge, reading: GaugeReading, car: Encoding) -> float:
    """Distance to the nearest reading that some combination of faults would give, in spreads."""
    keys, stated = node.context_keys(), car.contexts.stated()
    known = {key: stated[key] for key in keys & stated.keys()}
    nearest = np.inf
    for _, context in full_contexts(keys, car.knowledge, known):
        mean, own = _reached(car.knowledge, node.name, tuple(sorted(context.items())))
        spread = np.hypot(own, reading.extra[0])
        nearest = min(nearest, float((np.abs(reading.residual[0] - mean) / spread).min()))
    return nearest


@lru_cache(maxsize=1024)
def _reached(
    knowledge: Knowledge, name: str, context: tuple[tuple[str, str], ...]
) -> tuple[FloatArray, FloatArray]:
    """Mean and spread under each combination of faults, those that are alike once."""
    hidden = knowledge.of_kind("history", "fault", "mechanism")
    states = {name: other.states for name, other in hidden.items()}
    full = dict(context)
    arrays = gauge_array(knowledge.gauges[name].in_context(full), states, full)
    return tuple(np.unique([array.ravel() for array in arrays], axis=1))


PARTNERS = {
    "suction_line": ("low_side", "superheat"),
    "compressor_inlet": ("low_side", "superheat at the compressor"),
    "liquid_line": ("high_side", "subcooling"),
    "static_temperature": ("static_pressure", "the static residual"),
    "high_side_wetted": ("high_side", "the fall of the high side"),
    "high_side_fanned": ("high_side", "the fall of the high side"),
    "vacuum_start": ("vacuum_end", "the rise of the vacuum"),
}
"""What a reading is worth nothing without, and what follows from both."""


def _unused(car: Encoding) -> Iterator[str]:
    for name, (partner, result) in PARTNERS.items():
        if _was_read(name, car) and not _was_read(partner, car):
            yield f"{name} is not used: {result} also needs {partner}"
    for name, nameplate in NAMEPLATES.items():
        if _was_read(name, car) and np.isnan(car.batch.number(nameplate)[0]):
            key = NUMBERS[nameplate][0]
            yield f"{name} is not used: state {key} in [vehicle] to make a share of it"
    for name in ("superheat", "subcooling"):
        derived = derived_reading(name, car.batch)
        if derived is None or not _was_read(name, car):
            continue
        given = car.batch.reading(name)[0]
        if abs(given - derived[0]) > ODD_DERIVED_K:
            yield (
                f"{name} was given as {given:.1f} K, which counts, but pipe temperature and "
                f"pressure make it {derived[0]:.1f} K"
            )


def _widened(car: Encoding) -> Iterator[str]:
    """A mass that cannot be weighed and a loop that may not have come to one temperature."""
    if "recovered" in car.readings and unweighable_rows(car.batch)[0]:
        yield (
            "recovered is not weighable: an old machine or a cold loop leaves much behind, "
            f"so {UNWEIGHABLE_PCT:.0f} % of spread are added"
        )
    if "static_pressure" in car.readings and not _was_read("static_temperature", car):
        yield (
            "static_temperature was not read: the ambient temperature stands in, "
            f"with {STATIC_UNMEASURED_K:.0f} K of spread added"
        )
    rose = value_read(VACUUM_RISE, car.batch)[0]
    if not np.isnan(rose) and not _was_read("vacuum_watched", car):
        yield f"vacuum_watched was not stated: taken as {VACUUM_WATCHED_MIN:g} minutes"
    if _was_read("vacuum_end", car) and not _was_read("vacuum_start", car):
        yield "vacuum_start was not read: taken as 1 mbar, which a pump in order reaches"
    apart = car.batch.reading("static_temperature")[0] - car.batch.number("ambient_c")[0]
    if abs(apart) > ODD_SOAK_K and _was_read("static_pressure", car):
        yield (
            f"static_temperature is {abs(apart):.0f} K {'above' if apart > 0 else 'below'} "
            "ambient: the loop may not have come to one temperature"
        )


def _not_stated(car: Encoding) -> Iterator[str]:
    """Conditions that bear on something observed but are not stated."""
    if not car.batch.observed():
        yield NOTHING_OBSERVED
    stated, contexts = car.contexts.stated(), car.knowledge.contexts
    for key in ("expansion", "compressor", "refrigerant"):
        names = [node.name for node in seen_nodes(car) if key in node.context_keys()]
        if names and key not in stated:
            values = " and ".join(contexts[key].values)
            yield f"{key} is not stated: averaged over {values} for {', '.join(names)}"
    for key, names in untold_conditions(car).items():
        if contexts[key].measuring:
            continue
        yield f"{key} is not stated: taken as {usually(contexts[key])} for {', '.join(names)}"


def usually(context: Context) -> str:
    """What stands in for a condition that is not stated."""
    if context.values:
        shares = zip(context.values, context.shares, strict=True)
        return ", ".join(f"{share:.0%} {value}" for value, share in shares)
    unit = INTERNAL_UNITS[next(d for key, d in NUMBERS.values() if key == context.name)]
    return f"{context.typical:g} {unit} with a spread of {context.unknown_spread:g} {unit}"


def _why_here(car: Encoding) -> Iterator[str]:
    """What is not said of why the car is here, and what stands in for it."""
    setting = car.contexts.stated().get("setting")
    if setting is None:
        yield (
            "setting is not stated: nothing is concluded from why the car is here; "
            'write setting = "complaint" or setting = "routine"'
        )
    usual = car.knowledge.contexts["setting"].usual_complaint
    told = usual in car.batch.observed()
    if setting == COMPLAINT and usual in car.groups[0].evidence.implied and not told:
        yield f"the complaint itself is not recorded: taken as one about {usual}"
