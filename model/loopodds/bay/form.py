"""What the page says and asks, as plain data: titles, questions, units, cautions, steps."""

from __future__ import annotations

import tomllib
from importlib import resources
from typing import Annotated, Any, NamedTuple

import msgspec

from loopodds.base.phrases import spaced
from loopodds.base.unit_table import USUAL_UNITS
from loopodds.inspection.vocabulary import ASKED, CHOICES, OWN_UNITS, STATED
from loopodds.knowledge.records import Knowledge
from loopodds.knowledge.shapes import read_record

STEPS_FILE = "steps.toml"

READ_AS: dict[str, tuple[str, ...]] = {
    "superheat": ("suction_line",),
    "compressor_superheat": ("compressor_inlet",),
    "subcooling": ("liquid_line",),
    "static_pressure": ("static_pressure", "static_temperature"),
    "condenser_wetted": ("high_side_wetted",),
    "condenser_fanned": ("high_side_fanned",),
}
"""What is read off an instrument in place of what follows from it."""


class Sureness(NamedTuple):
    """How sure an answer is, and what each state that was not named weighs beside it."""

    title: str
    others: float


SURE = (Sureness("sure", 0.0), Sureness("rather", 0.2), Sureness("hardly", 0.5))
"""Relative likelihoods; engineering estimates."""

INTAKE = (
    "refrigerant", "compressor", "expansion", "setting", "cooling", "ambient", "age", "mileage",
    "nameplate_charge",
)  # fmt: skip
"""What is asked of the car before anything is looked at, in this order."""


class Step(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """One thing to do; ``minutes`` to wait, and what to ``look`` at meanwhile.

    A ``set_up`` is waited for here where it does not stand, for as long as it says.
    """

    say: str
    set_up: str = ""
    minutes: Annotated[float, msgspec.Meta(gt=0, le=240)] | None = None
    look: str = ""


class Steps(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """How one test is done."""

    steps: tuple[Step, ...]


def steps_of(knowledge: Knowledge) -> dict[str, tuple[Step, ...]]:
    """Steps of the tests that the knowledge has, by name.

    Raises:
        KnowledgeError: naming test and key of what cannot be read.
    """
    text = resources.files("loopodds_data").joinpath(STEPS_FILE).read_text(encoding="utf-8")
    found = {
        name: read_record(Steps, entry, STEPS_FILE, name).steps
        for name, entry in tomllib.loads(text).items()
    }
    return {name: steps for name, steps in found.items() if name in knowledge.tests}


def form_data(knowledge: Knowledge) -> dict[str, Any]:
    """Everything that the page says."""
    told = knowledge.of_kind("finding", "history", "gauge")
    contexts = knowledge.contexts
    stated = {name: spaced(name) for section in STATED.values() for name in section}
    return {
        "nodes": {
            name: {
                "title": node.title,
                "about": node.about,
                "question": node.question or node.title,
                "kind": node.kind,
                "group": node.group,
                "amounts": [*node.amounts],
            }
            for name, node in told.items()
        },
        "faults": {
            name: {"title": node.title, "states": list(node.states)}
            for name, node in knowledge.of_kind("fault").items()
        },
        "amounts": {
            name: {"title": one.amount.title, "question": one.amount.question}
            for name, one in knowledge.amounts.items()
        },
        "amount_of": {name: one.finding.name for name, one in knowledge.amounts.items()},
        "stated": {
            name: {
                "title": contexts[name].title if name in contexts else title.capitalize(),
                "about": contexts[name].about if name in contexts else "",
                "choices": list(CHOICES.get(name, ())),
            }
            for name, title in stated.items()
        },
        "asked": ASKED,
        "intake": [name for name in INTAKE if name in stated or name in told],
        "read_as": READ_AS,
        "units": USUAL_UNITS,
        "own_units": OWN_UNITS,
        "sure": [level._asdict() for level in SURE],
        "steps": {name: msgspec.to_builtins(steps) for name, steps in steps_of(knowledge).items()},
        "cautions": {
            name: {
                "text": caution.text,
                "always": caution.always,
                "when": dict(caution.when),
                "conditions": list(caution.conditions),
            }
            for name, caution in knowledge.cautions.items()
        },
        "digest": knowledge.digest,
        "unsafe": knowledge.unsafe,
    }
