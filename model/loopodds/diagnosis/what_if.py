"""One case beside its variations: other findings, other readings, or a fault supposed."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise
from typing import Any, NamedTuple

import numpy as np

from loopodds.base.arrays import FloatArray
from loopodds.base.errors import InspectionError, unknown_name
from loopodds.diagnosis.belief import Belief
from loopodds.diagnosis.diagnose import recorded_words, stated_context
from loopodds.diagnosis.model import Model
from loopodds.diagnosis.past_evidence import encoded
from loopodds.diagnosis.predictions import Foretold, foretell
from loopodds.diagnosis.weights import table_of_hypotheses
from loopodds.inference.network import Evidence
from loopodds.inspection.assignments import observation, parse_assignment, sections_of
from loopodds.inspection.inspection import Group, Inspection, InspectionBatch, batch_of
from loopodds.inspection.sections import inspection_from
from loopodds.inspection.vocabulary import OBSERVED
from loopodds.knowledge.records import Knowledge

OR = "or"
NOTHING = "not recorded"
UNKNOWN = "not known"


class Change(NamedTuple):
    """One thing that is different, and what it was; a fault supposed was ``not known``."""

    name: str
    before: str
    after: str


@dataclass(frozen=True, slots=True)
class Scenario:
    """What is believed, and what is to be expected, in the case or one of its variations."""

    changes: tuple[Change, ...]  # empty for the case itself
    # how probable the change is given the case itself, for faults supposed alone; else NaN
    chance: float
    verdict: str  # the leading condition, or ``sound``
    probabilities: Mapping[str, float]  # ``sound`` and every condition
    foretold: Mapping[str, Foretold]  # every finding and gauge not recorded
    inspection: Inspection  # with the change, but for what is supposed
    belief: Belief  # what is supposed included

    def as_json(self) -> dict[str, Any]:
        """Plain data for ``json.dumps``; what is not known is null."""
        return {
            "changes": [change._asdict() for change in self.changes],
            "chance": _finite(self.chance),
            "verdict": self.verdict,
            "probabilities": dict(self.probabilities),
            "foretold": {
                name: {
                    "states": dict(foretold.states),
                    **{key: _finite(getattr(foretold, key)) for key in ("low", "middle", "high")},
                    "unit": foretold.unit,
                }
                for name, foretold in self.foretold.items()
            },
        }


@dataclass(frozen=True, slots=True)
class WhatIf:
    """A case as it is and its variations."""

    case: str
    base: Scenario
    variations: tuple[Scenario, ...]

    def moved(self, variation: Scenario) -> list[tuple[str, float, float]]:
        """Hypotheses with their probability before and after, the most moved first."""
        now = variation.probabilities
        moved = [(name, before, now[name]) for name, before in self.base.probabilities.items()]
        return sorted(moved, key=lambda pair: -abs(pair[2] - pair[1]))

    def surprises(self, variation: Scenario) -> list[tuple[Foretold, Foretold]]:
        """What would now be expected otherwise: before and after, the most changed first."""
        before, now = self.base.foretold, variation.foretold
        pairs = [(before[name], after) for name, after in now.items() if name in before]
        return sorted(pairs, key=lambda pair: -_distance(*pair))

    def as_json(self) -> dict[str, Any]:
        """Plain data for ``json.dumps``."""
        return {
            "case": self.case,
            "base": self.base.as_json(),
            "variations": [
                {
                    **variation.as_json(),
                    "moved": [name for name, one, other in self.moved(variation) if one != other],
                    "expected_otherwise": [after.name for _, after in self.surprises(variation)],
                }
                for variation in self.variations
            ],
        }


def _distance(before: Foretold, after: Foretold) -> float:
    """How differently two predictions spread over words: half the sum of the differences."""
    return sum(abs(p - before.states[state]) for state, p in after.states.items()) / 2


def _finite(value: float) -> float | None:
    return float(value) if np.isfinite(value) else None


class _Variation(NamedTuple):
    """A changed inspection, the faults supposed, and what was changed."""

    inspection: Inspection
    supposed: Mapping[str, FloatArray]
    changes: tuple[Change, ...]


def what_if(inspection: Inspection, variations: Sequence[Sequence[str]], model: Model) -> WhatIf:
    """The case beside its variations, all as one batch.

    ``variations``: each a list of changes: ``name=state``, ``name=2.1 bar``, ``-name`` (not
    recorded), or a fault, mechanism or condition supposed: ``moisture=wet``,
    ``undercharge=present``.

    Raises:
        InspectionError: if a change cannot be read or made.
        UnknownName: if a change names nothing known; with the nearest spelling.
        ImpossibleEvidence: if a variation cannot be; naming what cannot hold together.
    """
    knowledge = model.knowledge
    pinned = _pinned(inspection, knowledge)
    stated = sections_of(inspection)
    now = replace(inspection, repairs=())
    recorded = {**recorded_words(now, knowledge), **stated["vehicle"], **stated["conditions"]}
    changed = [_vary(pinned, changes, recorded, knowledge) for changes in variations]
    varied = [_Variation(inspection, {}, ()), *changed]
    inspections = [variation.inspection for variation in varied]
    batch = batch_of(inspections, knowledge)
    scenarios: dict[int, Scenario] = {}
    for own, group in encoded(inspections, model):
        rows = group.rows.tolist()
        told = _scenarios(group, batch.take(group.rows), [varied[row] for row in rows], own)
        scenarios.update(zip(rows, told, strict=True))
    base, *others = (scenarios[row] for row in range(len(varied)))
    return WhatIf(inspection.name, base, tuple(others))


def split_variations(words: Sequence[str]) -> list[list[str]]:
    """Changes in groups: the word ``or`` begins the next variation.

    Raises:
        InspectionError: if nothing stands before or after an ``or``.

    >>> split_variations(["charge=low", "or", "-vent", "low_side=2 bar"])
    [['charge=low'], ['-vent', 'low_side=2 bar']]
    """
    cuts = [-1, *(i for i, word in enumerate(words) if word == OR), len(words)]
    groups = [list(words[start + 1 : end]) for start, end in pairwise(cuts)]
    if not all(groups):
        raise InspectionError(
            "nothing to vary: write name=state, name='2.1 bar', -name or fault=state; "
            "'or' stands between two variations"
        )
    return groups


def _pinned(inspection: Inspection, knowledge: Knowledge) -> Inspection:
    """The case with its setting stated, so that taking a complaint back does not change it."""
    setting = stated_context(inspection, knowledge).get("setting")
    sections = sections_of(inspection)
    if setting is not None:
        sections["conditions"].setdefault("setting", setting)
    return inspection_from(sections, knowledge, inspection.name)


def _vary(
    pinned: Inspection, changes: Sequence[str], recorded: Mapping[str, str], knowledge: Knowledge
) -> _Variation:
    sections = sections_of(pinned)
    supposed: dict[str, FloatArray] = {}
    made = []
    for text in changes:
        if text.startswith("-"):
            name = text[1:].strip()
            if not _drop(sections, name):
                raise unknown_name("item of the case", name, recorded)
            made.append(Change(name, recorded.get(name, NOTHING), NOTHING))
            continue
        name, value = parse_assignment(text)
        if isinstance(value, str) and (hidden := supposition(name, value, knowledge)):
            variable, weight = hidden
            supposed[variable] = supposed.get(variable, 1.0) * weight
            made.append(Change(name, UNKNOWN, value))
            continue
        section = observation(name, value, knowledge).section
        _drop(sections, name)
        sections[section][name] = value
        shown = value if isinstance(value, str) else text.partition("=")[2]
        made.append(Change(name, recorded.get(name, NOTHING), shown))
    changed = inspection_from(sections, knowledge, f"what if {' '.join(changes)}")
    return _Variation(changed, supposed, tuple(made))


def _drop(sections: Mapping[str, Any], name: str) -> bool:
    """Take a name out of whichever sections hold it; False if none does."""
    holding = [sections[section] for section in OBSERVED if name in sections[section]]
    for section in holding:
        del section[name]
    return bool(holding)


def supposition(name: str, state: str, knowledge: Knowledge) -> tuple[str, FloatArray] | None:
    """Variable and states meant by a fault, mechanism or condition; None for anything else.

    Raises:
        UnknownName: if it has no such state.
    """
    hidden = knowledge.of_kind("fault", "mechanism")
    if name not in hidden and name not in knowledge.conditions:
        return None
    condition = knowledge.conditions.get(name)
    variable = condition.variable if condition else name
    states = hidden[variable].states
    present = condition.states if condition else states[1:]
    meant = {
        "present": present,
        "absent": tuple(one for one in states if one not in present),
        **{one: (one,) for one in states if name == variable},
    }
    if state not in meant:
        raise unknown_name(f"state of {name}", state, meant)
    weight: FloatArray = np.isin(states, meant[state]).astype(np.float64)
    return variable, weight


def _scenarios(
    group: Group, batch: InspectionBatch, varied: Sequence[_Variation], model: Model
) -> list[Scenario]:
    """Beliefs and predictions of the variations that share a context."""
    evidence = _with_supposed(group.evidence, varied, model)
    model.require_possible(group.context, evidence)
    beliefs = model.believe(group.context, evidence)
    without = model.tree(group.context).propagate(group.evidence).log_evidence
    chances = np.exp(beliefs.log_evidence - without)
    names, table = table_of_hypotheses(model, beliefs)
    foretold = foretell(model.tree(group.context), evidence, batch, model.knowledge)
    return [
        Scenario(
            changes=one.changes,
            chance=float(chances[row]) if len(one.supposed) == len(one.changes) > 0 else np.nan,
            verdict=names[int(table[row].argmax())],
            probabilities=dict(zip(names, map(float, table[row]), strict=True)),
            foretold=foretold[row],
            inspection=one.inspection,
            belief=Belief(model, group.context, evidence.take(slice(row, row + 1))),
        )
        for row, one in enumerate(varied)
    ]


def _with_supposed(evidence: Evidence, varied: Sequence[_Variation], model: Model) -> Evidence:
    soft = {}
    for variable in {variable for one in varied for variable in one.supposed}:
        free = np.ones(len(model.states(variable)))
        soft[variable] = np.array([one.supposed.get(variable, free) for one in varied])
    return evidence.with_soft(soft)
