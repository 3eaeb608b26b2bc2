"""What a person should know about one inspection before trusting its result.

Nothing here is an error: readings that are odd though possible, records that cannot be used, and
conditions that were not stated and widen what is concluded.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping

import numpy as np

from loopodds.assembly import full_contexts
from loopodds.contexts import context_codes, context_patterns
from loopodds.distributions import gauge_array
from loopodds.gauges import (
    NAMEPLATES,
    STATIC_UNMEASURED_K,
    UNWEIGHABLE_PCT,
    GaugeReading,
    derived_reading,
    raw_reading,
    read_gauges,
    rows_masked_by,
    sound_rows,
    unweighable_rows,
)
from loopodds.inspection import NUMBERS, InspectionBatch
from loopodds.knowledge import Knowledge
from loopodds.likelihoods import interval_codes
from loopodds.nodes import Node, Shape
from loopodds.parsing import in_context

# engineering estimates
ODD_SPREADS = 4.0
ODD_SOAK_K = 10.0
ODD_DERIVED_K = 5.0


NOTHING_OBSERVED = "nothing was observed: the result is what is known before looking"


def notes(batch: InspectionBatch, knowledge: Knowledge, row: int = 0) -> tuple[str, ...]:
    """Remarks on one row of a batch, each one sentence; empty when there is nothing to say.

    Raises
    ------
    KnowledgeError
        If no sound expectation covers the context of a gauge.
    """
    one = batch.take(np.array([row]))
    codes = context_codes(one, knowledge)
    known = context_patterns(codes, codes, knowledge)[1][0]
    readings = read_gauges(one, knowledge)
    return (
        *_masked(one, knowledge),
        *_doubled(one, readings, knowledge),
        *_odd(readings, known, knowledge),
        *_unused(one, readings),
        *_widened(one, readings),
        *_temperatures(one),
        *_not_stated(one, known, knowledge),
    )


def word_of(name: str, batch: InspectionBatch, row: int) -> int:
    """Index of the state recorded for a name, the likeliest if given as likelihoods, else -1."""
    code = int(batch.codes[name][row]) if name in batch.codes else -1
    if code < 0 and name in batch.soft and np.ptp(batch.soft[name][row]) > 0:
        code = int(batch.soft[name][row].argmax())
    return code


def observed_names(batch: InspectionBatch, row: int = 0) -> tuple[str, ...]:
    """History, findings and readings recorded in a row, by name, each once."""
    words = [name for name in (*batch.codes, *batch.soft) if word_of(name, batch, row) >= 0]
    numbers = [name for name, values in batch.readings.items() if not np.isnan(values[row])]
    return tuple(dict.fromkeys((*words, *numbers)))


def _masked(one: InspectionBatch, knowledge: Knowledge) -> Iterator[str]:
    for name, node in knowledge.of_kind("gauge").items():
        seen = word_of(name, one, 0) >= 0 or not np.isnan(raw_reading(name, one)[0])
        for finding, states in node.masked_by.items():
            if seen and rows_masked_by(finding, node, one, knowledge)[0]:
                yield f"{name} is not used: it says nothing at {finding} = {' or '.join(states)}"


def _doubled(
    one: InspectionBatch, readings: Mapping[str, GaugeReading], knowledge: Knowledge
) -> Iterator[str]:
    """A word beside a number: the number counts, and a disagreement is told."""
    for name, reading in readings.items():
        node = knowledge.node(name)
        word = word_of(name, one, 0)
        if word < 0 or np.isnan(reading.residual[0]) or not isinstance(node.distribution, Shape):
            continue
        read = int(interval_codes(reading.residual, node.distribution.cuts)[0])
        if read != word:
            yield (
                f"{name}: the word {node.states[word]!r} is not used: the number counts, "
                f"and it reads {node.states[read]!r}"
            )


def _odd(
    readings: Mapping[str, GaugeReading], known: Mapping[str, str], knowledge: Knowledge
) -> Iterator[str]:
    for name, reading in readings.items():
        node = knowledge.node(name)
        if np.isnan(reading.residual[0]):
            continue
        away = float(reading.residual[0])
        if _spreads_from_anything(node, reading, known, knowledge) > ODD_SPREADS:
            side = "above" if away > 0 else "below"
            yield (
                f"{name} is {abs(away):.1f} {node.scale} {side} a sound loop, further than any "
                f"modelled fault puts it; check the reading and its unit"
            )


def _spreads_from_anything(
    node: Node, reading: GaugeReading, known: Mapping[str, str], knowledge: Knowledge
) -> float:
    """Distance to the nearest reading that some combination of faults would give, in spreads."""
    hidden = knowledge.of_kind("history", "fault", "mechanism")
    states = {name: other.states for name, other in hidden.items()}
    nearest = np.inf
    for _, context in full_contexts(node.context_keys(), knowledge, known):
        array = gauge_array(in_context(node, context), states, context)
        spread = np.hypot(array.spread, reading.extra[0])
        nearest = min(nearest, float((np.abs(reading.residual[0] - array.mean) / spread).min()))
    return nearest


def _unused(one: InspectionBatch, readings: Mapping[str, GaugeReading]) -> Iterator[str]:
    needs = {
        "suction_line": ("low_side", "superheat"),
        "liquid_line": ("high_side", "subcooling"),
        "static_temperature": ("static_pressure", "the static residual"),
    }
    for name, (partner, result) in needs.items():
        if _read(name, one) and not _read(partner, one):
            yield f"{name} is not used: {result} also needs {partner}"
    for name, nameplate in NAMEPLATES.items():
        if _read(name, one) and np.isnan(one.number(nameplate)[0]):
            key = NUMBERS[nameplate][0]
            yield f"{name} is not used: state {key} in [vehicle] to make a share of it"
    for name in ("superheat", "subcooling"):
        derived = derived_reading(name, one)
        if derived is None or name not in readings or not _read(name, one):
            continue
        given = one.reading(name)[0]
        if abs(given - derived[0]) > ODD_DERIVED_K:
            yield (
                f"{name} was given as {given:.1f} K, which counts, but pipe temperature and "
                f"pressure make it {derived[0]:.1f} K"
            )


def _read(name: str, one: InspectionBatch) -> bool:
    return not np.isnan(one.reading(name)[0])


def _widened(one: InspectionBatch, readings: Mapping[str, GaugeReading]) -> Iterator[str]:
    if "recovered" in readings and unweighable_rows(one)[0]:
        yield (
            "recovered is not weighable: an old machine or a cold loop leaves much behind, "
            f"so {UNWEIGHABLE_PCT:.0f} % of spread are added"
        )
    if "static_pressure" in readings and not _read("static_temperature", one):
        yield (
            "static_temperature was not read: the ambient temperature stands in, "
            f"with {STATIC_UNMEASURED_K:.0f} K of spread added"
        )


def _temperatures(one: InspectionBatch) -> Iterator[str]:
    apart = one.reading("static_temperature")[0] - one.number("ambient_c")[0]
    if abs(apart) > ODD_SOAK_K and _read("static_pressure", one):
        yield (
            f"static_temperature is {abs(apart):.0f} K {'above' if apart > 0 else 'below'} "
            "ambient: the loop may not have come to one temperature"
        )


def _not_stated(
    one: InspectionBatch, known: Mapping[str, str], knowledge: Knowledge
) -> Iterator[str]:
    """Conditions that bear on something observed but are not stated."""
    seen = [knowledge.nodes[name] for name in observed_names(one) if name in knowledge.nodes]
    seen += [
        knowledge.nodes[name]
        for name in ("superheat", "subcooling")
        if not _read(name, one) and not np.isnan(raw_reading(name, one)[0])
    ]
    if not observed_names(one):
        yield NOTHING_OBSERVED
    for key in ("expansion", "compressor", "refrigerant"):
        names = [node.name for node in seen if key in node.context_keys()]
        if names and key not in known:
            values = " and ".join(knowledge.contexts[key].values)
            yield f"{key} is not stated: averaged over {values} for {', '.join(names)}"
    for key, number, unit in (("ambient", "ambient_c", "degC"), ("humidity", "humidity_pct", "%")):
        context = knowledge.contexts[key]
        names = [node.name for node in seen if _depends(node, key, one)]
        if names and np.isnan(one.number(number)[0]):
            yield (
                f"{key} is not stated: taken as {context.typical:g} {unit} "
                f"with a spread of {context.unknown_spread:g} {unit} for {', '.join(names)}"
            )


def _depends(node: Node, condition: str, one: InspectionBatch) -> bool:
    if condition == "ambient":
        if node.transform == "static_residual":
            return not _read("static_temperature", one)
        if node.transform == "condensing_lift" or "weather" in node.context_keys():
            return True
    return any(row.get(f"per_{condition}", 0.0) for row in sound_rows(node))
