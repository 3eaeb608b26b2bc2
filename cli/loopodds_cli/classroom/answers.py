"""A class moves findings and faults, and the exact engine answers: what stands behind the page."""

import threading
from collections.abc import Mapping
from functools import cached_property
from typing import Any

import numpy as np
from loopodds import (
    SHOWN_IN,
    UNSAFE_NOTE,
    Belief,
    Inspection,
    LoopoddsError,
    Model,
    Node,
    Workshop,
    batch_of,
    condition_title,
    encode,
    format_quantity,
    groups_of,
    inspection_from,
    instrument_readings,
    observations_of,
    predict,
    reading_dimension,
)

STATED = {
    "vehicle": {
        "refrigerant": "R134a",
        "expansion": "TXV",
        "compressor": "fixed",
        "nameplate_charge": "500 g",
        "nameplate_oil": "150 g",
    },
    "conditions": {"setting": "complaint", "ambient": "25 degC", "humidity": "50 %"},
}
"""What the page assumes of a car as long as nothing else is said."""
REACH = 3.0
"""A gauge's dial reaches so many times its outermost cut, on both sides of the sound value."""


class Classroom:
    """Answers the page: beliefs, what is to be expected next, where the dials stand.

    It opens with the car ``start``, or one of common make-up with nothing seen.
    """

    def __init__(self, model: Model, start: Inspection | None = None) -> None:
        self.model = model
        self.knowledge = model.knowledge
        self.name = start.name if start else "a car nobody has looked at"
        if self.knowledge.unsafe:
            self.name = f"{self.name} - {UNSAFE_NOTE}"
        self.start = _sections(start)
        self._lock = threading.Lock()

    @cached_property
    def catalogue(self) -> dict[str, Any]:
        """Names, titles and states for the page to draw itself; the car it opens with."""
        knowledge = self.knowledge
        titled = {"complaint": (), **groups_of(knowledge)}
        groups = {
            title: [_drawn(knowledge.node(name), "findings") for name in names]
            for title, names in titled.items()
        }
        done = knowledge.of_kind("history").values()
        groups["what was done to it"] = [_drawn(node, "history") for node in done]
        return {
            "name": self.name,
            "start": self.start,
            "groups": [{"title": title, "nodes": n} for title, n in groups.items() if n],
            "conditions": {
                name: {
                    "title": condition_title(name, knowledge),
                    "variable": condition.variable,
                    "about": knowledge.node(condition.variable).about,
                }
                for name, condition in knowledge.conditions.items()
            },
            "choices": {
                name: {"title": context.title, "values": list(context.values)}
                for name, context in knowledge.contexts.items()
                if context.values and name != "weather"
            },
        }

    def answer(self, sections: Mapping[str, Any]) -> dict[str, Any]:
        """What the page shows for a car in sections as a case file has them; else a problem.

        ``confirmed`` counts as known.
        """
        with self._lock:
            try:
                return self._answer(sections)
            except LoopoddsError as error:
                return {"problem": str(error)}

    def _answer(self, sections: Mapping[str, Any]) -> dict[str, Any]:
        inspection = inspection_from(sections, self.knowledge, "what was put in")
        batch = batch_of([inspection], self.knowledge)
        (group,) = encode(batch, self.knowledge, confirmed=True).groups
        belief = Belief(self.model, group.context, group.evidence)
        return {
            "conditions": {c.name: [c.probability, c.prior] for c in belief.ranking()},
            "sound": [belief.p_sound, float(belief.before.p_sound[0])],
            "conflict": belief.conflict.bits,
            "expected": expected_words(belief),
            "dials": self._dials(inspection),
            "stops": [stop.as_json() for stop in Workshop(belief, inspection=inspection).stops],
            "warnings": list(inspection.warnings),
        }

    def _dials(self, inspection: Inspection) -> dict[str, dict[str, Any]]:
        """Reach of every gauge and what a sound loop shows, as text and in the unit shown."""
        bare = Inspection("", inspection.vehicle, inspection.conditions)
        batch = batch_of([bare] * 3, self.knowledge)
        dials = {}
        for name, node in self.knowledge.gauges.items():
            reach = REACH * max(map(abs, node.cuts))
            raw = instrument_readings({name: np.array([-reach, 0, reach])}, batch, self.knowledge)
            if np.isnan(raw[name]).any():
                continue
            dimension = reading_dimension(name, self.knowledge)
            unit = SHOWN_IN[dimension]
            texts = [format_quantity(float(value), dimension, unit) for value in raw[name]]
            low, sound, high = (float(text.split()[0]) for text in texts)
            dials[name] = {"low": low, "high": high, "sound": sound, "unit": texts[1].split()[1]}
        return dials


def expected_words(belief: Belief) -> dict[str, list[float]]:
    """P(state | everything known) of every finding not yet seen; each sums to one."""
    findings = belief.model.knowledge.of_kind("finding")
    names = [name for name in findings if name not in belief.names]
    found = predict(belief.model.tree(belief.context), belief.evidence, names)
    return {name: prediction.states[0].tolist() for name, prediction in found.items()}


def _drawn(node: Node, section: str) -> dict[str, Any]:
    return {
        "name": node.name,
        "section": section,
        "title": node.title,
        "about": node.about,
        "states": list(node.states),
        "gauge": node.kind == "gauge",
    }


def _sections(start: Inspection | None) -> dict[str, dict[str, Any]]:
    """The car to begin with as sections, what is not stated assumed."""
    names = ("vehicle", "conditions", "history", "findings", "readings", "confirmed")
    sections: dict[str, dict[str, Any]] = {name: {**STATED.get(name, {})} for name in names}
    for seen in observations_of(start) if start else ():
        value = seen.value if isinstance(seen.value, str) else dict(seen.value)
        sections[seen.section][seen.name] = value
    return sections
