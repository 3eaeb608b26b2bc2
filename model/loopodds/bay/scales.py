"""What turns words and numbers of a case into evidence, as plain data for the page.

Units, saturation lines, what a sound loop reads, amounts in place of words, what veils, masks or
tells something already: the page follows :mod:`loopodds.inspection.encoding` and
:mod:`loopodds.inspection.gauges` step by step with these numbers.
"""

from __future__ import annotations

import sys
from collections.abc import Mapping
from typing import Any

from loopodds.base import unit_table
from loopodds.base.unit_table import spelling, spellings_of
from loopodds.bay.packing import Packer
from loopodds.bay.tree import options, versions
from loopodds.inspection import gauges
from loopodds.inspection.encoding import BAND_NAMES, BANDS, CONTEXTS
from loopodds.inspection.remarks import EQUAL_SIDES_KPA
from loopodds.inspection.vocabulary import (
    CHOICES,
    LIMITS,
    NUMBERS,
    STATED,
    names_in,
    reading_dimension,
    reading_limits,
)
from loopodds.knowledge.assembly import table_array
from loopodds.knowledge.expectations import (
    AMBIENT,
    STEPS,
    conditions_of,
    context_keys,
    sound_block,
    typically,
)
from loopodds.knowledge.nodes import Gauge, Node
from loopodds.knowledge.records import Knowledge, Measured
from loopodds.physics.refrigerants import MOLAR_MASS_OF_AIR, SUPPORTED, refrigerant

SPOKEN = (
    "complaint", "brings_in", "masked_by", "veiled_by", "told_by", "yes_if",
)  # fmt: skip
"""Keys of a node that bear on what its word is worth."""


def scales_data(knowledge: Knowledge, packer: Packer) -> dict[str, Any]:
    """Everything that evidence is made with."""
    readings = names_in("readings", knowledge)
    return {
        "constants": _constants(),
        "contexts_known": _contexts(knowledge),
        "typical_ambient": knowledge.contexts[AMBIENT].typical,
        "choices": {name: list(words) for name, words in CHOICES.items()},
        "numbers": dict(NUMBERS.values()),
        "limits": {NUMBERS[key][0]: list(limits) for key, limits in LIMITS.items()},
        "sections": {name: list(names) for name, names in STATED.items()},
        "units": {name: _units(name) for name in unit_table.DIMENSIONS},
        "refrigerants": {name: _line(name, packer) for name in SUPPORTED},
        "words": {
            name: _spoken(node) for name, node in knowledge.nodes.items() if node.kind != "gauge"
        },
        "gauges": {
            name: _gauge(node, knowledge, packer) for name, node in knowledge.gauges.items()
        },
        "amounts": {name: _amount(name, one, knowledge) for name, one in knowledge.amounts.items()},
        "readings": {name: _reading(name, knowledge) for name in readings},
        "usual_complaint": knowledge.contexts["setting"].usual_complaint,
        "told": {
            name: table_array(node, {}).tolist()
            for name, node in knowledge.of_kind("history").items()
            if node.yes_if
        },
    }


def _constants() -> dict[str, Any]:
    named = {
        name.lower(): getattr(gauges, name)
        for name in (
            "STATIC_UNMEASURED_WARMER_K", "STATIC_UNMEASURED_K", "UNWEIGHABLE_PCT",
            "COLD_RECOVERY_C", "DEEP_VACUUM_KPA", "VACUUM_WATCHED_MIN", "AS_GOOD_AS_SAID",
        )
    }  # fmt: skip
    return {
        **named,
        "equal_sides_kpa": EQUAL_SIDES_KPA,
        "molar_mass_of_air": MOLAR_MASS_OF_AIR,
        "sea_level_kpa": unit_table.SEA_LEVEL_KPA,
        "dial_slack_kpa": unit_table.DIAL_SLACK_KPA,
        "swinging": {side: list(ends) for side, ends in gauges.SWINGING.items()},
        "provoked": dict(gauges.PROVOKED),
        "nameplates": {name: NUMBERS[key][0] for name, key in gauges.NAMEPLATES.items()},
    }


def _contexts(knowledge: Knowledge) -> dict[str, Any]:
    """Contexts in their order; one that follows from a number with where its values part."""
    found: dict[str, Any] = {}
    for name in CONTEXTS:
        context = knowledge.contexts.get(name)
        if context is None or not context.values:
            continue
        found[name] = {"title": context.title, "values": list(context.values)}
        if context.shares:
            found[name]["shares"] = list(context.shares)
        if name in BANDS:
            number, edges = BANDS[name]
            found[name] |= {
                "number": NUMBERS[number][0],
                "edges": list(context.edges or edges),
                "bands": list(context.values if context.edges else BAND_NAMES[name]),
            }
    return found


def _units(dimension: unit_table.Dimension) -> dict[str, Any]:
    """Units of a dimension by every spelling: name, scale, zero, reference, decimals."""
    return {
        spelt: [unit.name, unit.scale, unit.zero, unit.reference, unit.decimals]
        for spelt, unit in spellings_of(dimension).items()
        if unit.dimension == dimension
    }


def _line(name: str, packer: Packer) -> dict[str, Any]:
    """Saturation temperature as a cubic of the logarithm of the pressure."""
    fluid = refrigerant(name)
    curve = fluid.temperature_curve
    return {
        "x": packer.add(curve.x),
        "y": packer.add(curve.y),
        "slope": packer.add(curve.slope),
        "lowest_kpa": fluid.lowest_pressure_kpa,
        "critical_kpa": fluid.critical_pressure_kpa,
        "molar_mass": fluid.molar_mass,
    }


def _spoken(node: Node) -> dict[str, Any]:
    said = {key: _plain(getattr(node, key)) for key in SPOKEN}
    return {"kind": node.kind, **{key: value for key, value in said.items() if value}}


def _plain(value: Any) -> Any:
    if isinstance(value, Mapping):
        return {key: _plain(one) for key, one in value.items()}
    return list(value) if isinstance(value, tuple) else value


def _gauge(node: Gauge, knowledge: Knowledge, packer: Packer) -> dict[str, Any]:
    keys = sorted(context_keys(node))
    blocks: list[dict[str, Any]] = []
    which = []
    for context in versions(keys, knowledge):
        axes, values, spreads = sound_block(node, context)
        block = {
            "axes": {name: points.tolist() for name, points in axes.items()},
            "values": packer.add(values),
            "spreads": packer.add(spreads),
        }
        if block not in blocks:
            blocks.append(block)
        which.append(blocks.index(block))
    settling = node.settling
    return {
        **_spoken(node),
        "transform": node.transform,
        "settling": [settling.spread, settling.minutes] if settling else None,
        "keys": keys,
        "options": options(keys, knowledge),
        "which": which,
        "blocks": blocks,
        "conditions": {
            name: [array.tolist() for array in typically(knowledge.contexts[name])]
            for name in sorted({*conditions_of(node), AMBIENT})
        },
        "steps": {name: points.tolist() for name, points in STEPS.items()},
    }


def _amount(name: str, measured: Measured, knowledge: Knowledge) -> dict[str, Any]:
    amount = measured.amount
    unit = spellings_of(reading_dimension(name, knowledge))[spelling(amount.unit)]
    return {
        "finding": measured.finding.name,
        "accuracy": amount.accuracy * unit.scale,
        "accuracy_share": amount.accuracy_share,
        "bands": [
            {
                "when": dict(band.when),
                "cuts": [unit.to_internal(float(cut)) for cut in band.cuts],
                "says": [list(row) for row in band.says],
            }
            for band in amount.bands
        ],
    }


def _reading(name: str, knowledge: Knowledge) -> dict[str, Any]:
    """Dimension of a reading and what it can be; a pressure hangs on the refrigerant."""
    dimension = reading_dimension(name, knowledge)
    said: dict[str, Any] = {"dimension": dimension}
    if dimension != "pressure":
        low, high, reason = reading_limits(name, dimension, knowledge)
        said["limits"] = [low, min(high, sys.float_info.max), reason]
    return said
