"""What services make of a car, as plain data: with it the page follows a car through repairs.

The page puts the network together as :mod:`loopodds.diagnosis.repaired_car` does, and the evidence
as :mod:`loopodds.diagnosis.past_evidence` does as long as nothing has to be left out.
"""

from __future__ import annotations

from typing import Any

from loopodds.base.arrays import FloatArray
from loopodds.diagnosis.past_evidence import MOST_CELLS, MOST_ROUNDS
from loopodds.diagnosis.repaired_car import changed_by, fills, shown_by, with_empty_loop
from loopodds.knowledge.cures import fault_columns, work_of
from loopodds.knowledge.records import Knowledge


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
        "most_cells": MOST_CELLS,
        "most_rounds": MOST_ROUNDS,
    }


def _by_fault(chances: FloatArray, knowledge: Knowledge) -> dict[str, list[float]]:
    """Chances of the states of every fault that has one above zero."""
    found: dict[str, list[float]] = {}
    for (fault, _), chance in zip(fault_columns(knowledge), chances.tolist(), strict=True):
        found.setdefault(fault, []).append(chance)
    return {fault: states for fault, states in found.items() if any(states)}
