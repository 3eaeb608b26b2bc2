"""Exact fault probabilities for a sealed car air-conditioning loop.

The names most programs need stand here, each loaded from its module when it is first used, so
that ``import loopodds`` itself costs nothing.

Examples
--------
>>> import loopodds
>>> model = loopodds.Model()
>>> case = loopodds.load_case('[findings]\\nsample_bubbles = "persisting"', model.knowledge)
>>> loopodds.assess(case, model).conditions[0].name
'moisture'
"""

from __future__ import annotations

import sys
from importlib import import_module
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from loopodds.archive import score_archive as score_archive
    from loopodds.assessment import Assessment as Assessment
    from loopodds.assessment import assess as assess
    from loopodds.assessment import believe as believe
    from loopodds.belief import Belief as Belief
    from loopodds.casebook import CaseBook as CaseBook
    from loopodds.casefile import load_case as load_case
    from loopodds.casework import Casework as Casework
    from loopodds.choice import rank_tests as rank_tests
    from loopodds.engine import Model as Model
    from loopodds.errors import LoopoddsError as LoopoddsError
    from loopodds.explanation import explain as explain
    from loopodds.inspection import Inspection as Inspection
    from loopodds.inspection import InspectionBatch as InspectionBatch
    from loopodds.inspection import batch_of as batch_of
    from loopodds.intake import read_inspections as read_inspections
    from loopodds.knowledge import Knowledge as Knowledge
    from loopodds.knowledge import load_knowledge as load_knowledge
    from loopodds.refrigerants import refrigerant as refrigerant
    from loopodds.scoring import score_batch as score_batch
    from loopodds.service import best_plan as best_plan
    from loopodds.simulation import simulate as simulate
    from loopodds.units import parse_quantity as parse_quantity
    from loopodds.whatif import what_if as what_if

    __version__: str

_HOMES = {
    "Assessment": "assessment",
    "Belief": "belief",
    "CaseBook": "casebook",
    "Casework": "casework",
    "Inspection": "inspection",
    "InspectionBatch": "inspection",
    "Knowledge": "knowledge",
    "LoopoddsError": "errors",
    "Model": "engine",
    "assess": "assessment",
    "batch_of": "inspection",
    "believe": "assessment",
    "best_plan": "service",
    "explain": "explanation",
    "load_case": "casefile",
    "load_knowledge": "knowledge",
    "parse_quantity": "units",
    "rank_tests": "choice",
    "read_inspections": "intake",
    "refrigerant": "refrigerants",
    "score_archive": "archive",
    "score_batch": "scoring",
    "simulate": "simulation",
    "what_if": "whatif",
}
"""Module of each name."""

__all__ = ["__version__", *_HOMES]


if not TYPE_CHECKING:  # a type checker that saw this would take any name for a known one

    def __getattr__(name: str) -> object:
        if name == "__version__":
            from importlib.metadata import version

            value: object = version(__name__)
        elif name in _HOMES:
            value = getattr(import_module(f"{__name__}.{_HOMES[name]}"), name)
        else:
            raise AttributeError(
                f"module {__name__!r} has no attribute {name!r}",
                name=name,
                obj=sys.modules[__name__],
            )
        globals()[name] = value
        return value


def __dir__() -> list[str]:
    return sorted({*globals(), *__all__})
