"""What services make of a car, as plain data: with it the page follows a car through repairs.

The page puts the network together as :mod:`loopodds.diagnosis.repaired_car` does, and the evidence
as :mod:`loopodds.diagnosis.past_evidence` does, as far as a phone can.
"""

from __future__ import annotations

from typing import Any

from loopodds.base.arrays import FloatArray
from loopodds.diagnosis.past_evidence import (
    MERGED_CELLS,
    MERGED_WITHIN,
    MOST_CELLS,
    MOST_ROUNDS,
    STEPS_AT_MOST,
    STRIDE,
)
from loopodds.diagnosis.repaired_car import changed_by, fills, shown_by, with_empty_loop
from loopodds.knowledge.cures import fault_columns, work_of
from loopodds.knowledge.records import Knowledge

PAGE_CELLS = 500_000
"""Configurations of the network from which old evidence is merged, at most, in a page: more would
hold up a phone for seconds. Estimate."""


def repairs_data(knowledge: Knowledge) -> dict[str, Any]:
    """For every service what it cures, changes and shows; how large a network is followed."""
    services = {}
    for name, service in knowledge.services.items():
        work = work_of(service, knowledge)
        services[name] = {
            "own": _by_fault(work.own, knowledge),
            "filled": _by_fault(work.filled, knowledge),
            "changes": sorted(changed_by((name,), knowledge)),
            "shown": list(shown_by((name,), knowledge)),
            "fills": fills((name,), knowledge),
        }
    return {
        "services": services,
        "empty_loop": sorted(with_empty_loop(knowledge)),
        "mechanisms": list(knowledge.of_kind("mechanism")),
        "most_cells": MOST_CELLS,
        "most_rounds": MOST_ROUNDS,
        "merged_cells": MERGED_CELLS,
        "page_cells": PAGE_CELLS,
        "merged_within": MERGED_WITHIN,
        "steps_at_most": STEPS_AT_MOST,
        "stride": STRIDE,
    }


def _by_fault(chances: FloatArray, knowledge: Knowledge) -> dict[str, list[float]]:
    """Chances of the states of every fault that has one above zero."""
    found: dict[str, list[float]] = {}
    for (fault, _), chance in zip(fault_columns(knowledge), chances.tolist(), strict=True):
        found.setdefault(fault, []).append(chance)
    return {fault: states for fault, states in found.items() if any(states)}
