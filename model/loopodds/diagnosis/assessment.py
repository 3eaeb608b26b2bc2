"""One inspection assessed: what is likely, what moved it, what contradicts, what to beware of."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from fnmatch import fnmatchcase
from typing import Any

import numpy as np

from loopodds.base.arrays import Query
from loopodds.diagnosis.belief import (
    Belief,
    Combination,
    Conflict,
    RankedCondition,
    Weight,
    log_odds,
)
from loopodds.diagnosis.model import Model
from loopodds.diagnosis.past_evidence import encoded, left_out
from loopodds.diagnosis.repaired_car import changed_by
from loopodds.inference.likelihoods import interval_codes
from loopodds.inspection.contexts import context_codes, context_patterns
from loopodds.inspection.gauges import read_gauges
from loopodds.inspection.inspection import Inspection, InspectionBatch, batch_of
from loopodds.knowledge.nodes import Node, Shape
from loopodds.knowledge.records import SOUND, Knowledge, Record

CAUTIOUS_FROM = 0.05
CAUTIOUS_ANYWAY_FROM = 0.5


def cautions_for(
    context: Mapping[str, str],
    ranking: Sequence[RankedCondition],
    recorded: Iterable[str],
    knowledge: Knowledge,
) -> tuple[str, ...]:
    """Cautions that hold on this car, in the order of ``cautions.toml``.

    A caution may name contexts (``when``), ``conditions`` and ``findings``, and holds where all
    that it names hold. A context holds unless the car is stated to be otherwise: what is not
    stated may be there. Conditions hold where one of them is likely, or from one in twenty if the
    evidence has at least doubled it. Findings, with ``*`` for any letters, hold where one of them
    was recorded. A caution that names nothing goes with the tests and services that ask for it.

    Parameters
    ----------
    context : mapping of str to str
        What is stated of the car.
    ranking : sequence of RankedCondition
    recorded : iterable of str
        Names of what was recorded.
    knowledge : Knowledge
    """
    suspected = {
        c.name
        for c in ranking
        if c.probability >= CAUTIOUS_ANYWAY_FROM or c.probability >= max(CAUTIOUS_FROM, 2 * c.prior)
    }
    names = tuple(recorded)
    return tuple(
        _unstated(caution, context, knowledge) + str(caution["text"])
        for caution in knowledge.cautions.values()
        if _may_hold(caution, context, suspected, names)
    )


def _unstated(caution: Record, context: Mapping[str, str], knowledge: Knowledge) -> str:
    """Words before a caution that holds only because something about the car was not stated."""
    return "".join(
        f"{knowledge.contexts[name].title} not stated; if {value}: "
        for name, value in caution.get("when", {}).items()
        if name not in context
    )


def _may_hold(
    caution: Record, context: Mapping[str, str], suspected: set[str], recorded: Sequence[str]
) -> bool:
    when, named = caution.get("when", {}), caution.get("conditions", ())
    seen = caution.get("findings", ())
    if not (when or named or seen):
        return False
    fits = all(context.get(key, value) == value for key, value in when.items())
    fits &= not named or not suspected.isdisjoint(named)
    return fits and (not seen or any(fnmatchcase(n, p) for n in recorded for p in seen))


# From which probability a page names a sound car, a first condition, a further one.
SOUND_FROM, SETTLED_FROM, ALSO_FROM = 0.60, 0.40, 0.60

# what is worth showing; none of these changes a probability
EXPLAINED_FROM = 0.15
EXPLAINED_AT_MOST = 3
RULED_OUT_BELOW = 0.01
MOVED_FROM = 0.10
MOVED_ODDS = 4.0


@dataclass(frozen=True, slots=True)
class Assessment:
    """What is believed of one car after everything recorded about it.

    Attributes
    ----------
    case : str
        Name of the inspection.
    context : mapping of str to str
        Setting, refrigerant and the like; what was not stated is left out, except the setting.
    setting_stated : bool
        Whether the setting was told; else it follows from whether a complaint was recorded.
    repairs : tuple of tuple of str
        Services done since the car came, in order; what is believed is of the car after them.
    log_evidence : float
        Natural log of P(words) times density(numbers).
    p_sound, p_sound_before : float
        Probability that nothing is wrong, now and before anything was seen or told.
    conditions : tuple of RankedCondition
        Every condition, most probable first.
    moved_most : str or None
        The condition whose odds the evidence raised most, if it raised them clearly and the
        condition is not remote: what was found, where another was likely all along.
    combinations : tuple of Combination
        Most probable sets of conditions taken whole; an empty set is a sound car.
    conflict : Conflict
        Findings that contradict each other.
    moved_by : mapping of str to tuple of Weight
        For the leading conditions and the one moved most, and for ``sound`` where that leads:
        what each finding does to the odds given all the others, strongest first.
    ruled_out : tuple of str
        Conditions below one in a hundred and at most half as likely as before, the one that
        fell furthest first.
    recorded : mapping of str to str
        Every history item, finding and reading used, in plain words.
    unseen : tuple of str
        Findings and readings that were not recorded, in the order of the knowledge.
    next_tests : tuple of mapping
        As ``loopodds.decision.next_test`` ranks them; empty unless given.
    plan : mapping or None
        Best plan of services as things stand, as ``loopodds.decision.service_plan`` tells it,
        with the ``currency``; None unless given.
    cautions, warnings : tuple of str
        What can hurt on this car; what is odd about the inspection.
    """

    case: str
    context: Mapping[str, str]
    setting_stated: bool
    repairs: tuple[Query, ...]
    log_evidence: float
    p_sound: float
    p_sound_before: float
    conditions: tuple[RankedCondition, ...]
    moved_most: str | None
    combinations: tuple[Combination, ...]
    conflict: Conflict
    moved_by: Mapping[str, tuple[Weight, ...]]
    ruled_out: tuple[str, ...]
    recorded: Mapping[str, str]
    unseen: tuple[str, ...]
    next_tests: tuple[Mapping[str, Any], ...]
    plan: Mapping[str, Any] | None
    cautions: tuple[str, ...]
    warnings: tuple[str, ...]

    def as_json(self) -> dict[str, Any]:
        """Plain data for ``json.dumps``: the published contract of ``assess --json``."""
        return {
            "case": self.case,
            "context": dict(self.context),
            "setting_stated": self.setting_stated,
            "repairs": [list(services) for services in self.repairs],
            "log_evidence": self.log_evidence,
            "p_sound": self.p_sound,
            "p_sound_before": self.p_sound_before,
            "conditions": [
                {**ranked._asdict(), "states": dict(ranked.states)} for ranked in self.conditions
            ],
            "moved_most": self.moved_most,
            "combinations": [
                {"conditions": list(c.conditions), "probability": c.probability}
                for c in self.combinations
            ],
            "conflict": {
                "bits": self.conflict.bits,
                "between": [[one, other] for one, other, _ in self.conflict.between],
            },
            "moved_by": {
                name: [{"finding": w.name, "decibans": w.decibans} for w in weights]
                for name, weights in self.moved_by.items()
            },
            "ruled_out": list(self.ruled_out),
            "recorded": dict(self.recorded),
            "unseen": list(self.unseen),
            "next_tests": [dict(test) for test in self.next_tests],
            "plan": dict(self.plan) if self.plan is not None else None,
            "cautions": list(self.cautions),
            "warnings": list(self.warnings),
        }


def believe(inspection: Inspection, model: Model) -> Belief:
    """Exact posterior for one inspection.

    Raises
    ------
    ImpossibleEvidence
        If the findings cannot hold together; it names the smallest such set.
    """
    ((own, group),) = encoded([inspection], model)
    return Belief(own, group.context, group.evidence)


def stated_context(inspection: Inspection, knowledge: Knowledge) -> dict[str, str]:
    """Setting, refrigerant, expansion device, compressor and weather, as far as stated."""
    codes = context_codes(batch_of([inspection.as_it_came], knowledge), knowledge)
    return context_patterns(codes, codes, knowledge)[1][0]


def assess(
    inspection: Inspection,
    model: Model,
    next_tests: Sequence[Mapping[str, Any]] = (),
    plan: Mapping[str, Any] | None = None,
    belief: Belief | None = None,
) -> Assessment:
    """Everything a diagnostician asks of one inspection.

    Parameters
    ----------
    inspection : Inspection
    model : Model
    next_tests : sequence of mappings
        Ranked tests to carry along, already plain data.
    plan : mapping, optional
        Plan of services to carry along, already plain data.
    belief : Belief, optional
        From :func:`believe`, where that is at hand.

    Raises
    ------
    ImpossibleEvidence
        If the findings cannot hold together; it names the smallest such set.
    """
    belief = belief or believe(inspection, model)
    ranking = tuple(belief.ranking())
    moved = moved_most(ranking)
    knowledge = model.knowledge
    context = stated_context(inspection, knowledge)
    recorded = recorded_words(inspection, knowledge)
    return Assessment(
        case=inspection.name,
        context=context,
        setting_stated="setting" in inspection.as_it_came.conditions,
        repairs=tuple(repair.services for repair in inspection.repairs),
        log_evidence=belief.log_evidence,
        p_sound=belief.p_sound,
        p_sound_before=float(belief.before.p_sound[0]),
        conditions=ranking,
        moved_most=moved,
        combinations=tuple(belief.combinations()),
        conflict=belief.conflict,
        moved_by=_moved_by(belief, ranking, moved),
        ruled_out=ruled_out(ranking),
        recorded=recorded,
        unseen=tuple(
            name for name in knowledge.of_kind("finding", "gauge") if name not in recorded
        ),
        next_tests=tuple(next_tests),
        plan=plan,
        cautions=cautions_for(context, ranking, recorded, knowledge),
        warnings=(*inspection.warnings, *left_out(inspection, belief.model)),
    )


def ruled_out(ranking: Sequence[RankedCondition]) -> tuple[str, ...]:
    """Conditions that the evidence, and not their rarity, has made negligible."""
    gone = [c for c in ranking if c.probability < RULED_OUT_BELOW and c.probability <= c.prior / 2]
    return tuple(c.name for c in sorted(gone, key=lambda c: c.probability / c.prior))


def moved_most(ranking: Sequence[RankedCondition]) -> str | None:
    """Condition whose odds the evidence raised most, if clearly; None if there is none such."""
    near = [c for c in ranking if c.probability >= MOVED_FROM]
    rises = log_odds(np.array([[c.probability, c.prior] for c in near]).reshape(-1, 2))
    raised = rises[:, 0] - rises[:, 1]
    if not near or raised.max() < np.log(MOVED_ODDS):
        return None
    return near[int(raised.argmax())].name


def _moved_by(
    belief: Belief, ranking: Sequence[RankedCondition], moved: str | None
) -> dict[str, tuple[Weight, ...]]:
    """Weights for the leading conditions, after those for a sound car where that leads."""
    sound_leads = belief.p_sound >= ranking[0].probability
    leading = [c.name for c in ranking[:EXPLAINED_AT_MOST] if c.probability >= EXPLAINED_FROM]
    if not leading and not sound_leads:
        leading = [ranking[0].name]
    if moved is not None and moved not in leading:
        leading.append(moved)
    weights = {name: tuple(found) for name, found in belief.weights(leading).items()}
    return {SOUND: _weights_for_sound(belief), **weights} if sound_leads else weights


def _weights_for_sound(belief: Belief) -> tuple[Weight, ...]:
    """Change of the log-odds of a sound car by each finding, all others held [decibans]."""
    names = belief.names
    if not names:
        return ()
    without = belief.evidence.subsets(names, ~np.eye(len(names), dtype=bool))
    gone = log_odds(belief.variations(without).p_sound)
    now = log_odds(np.array([belief.p_sound]))
    decibans = 10 * (now - gone) / np.log(10)
    weights = [Weight(name, float(w)) for name, w in zip(names, decibans, strict=True)]
    return tuple(sorted(weights, key=lambda weight: -abs(weight.decibans)))


def recorded_words(inspection: Inspection, knowledge: Knowledge) -> dict[str, str]:
    """Everything recorded that is still so, by name, as a person would say it.

    What was seen before a repair is still so where the repair could not change it. A reading
    carries the word for where it lies in brackets; one that is worked out from others (superheat,
    subcooling) is named as such; a doubtful word lists its shares.

    Examples
    --------
    ``{"sample_bubbles": "persisting", "low_side": "2.1 bar (normal)"}``
    """
    standing: dict[str, str] = {}
    for repair in inspection.repairs:
        changed = changed_by(repair.services, knowledge)
        told = {**standing, **_words(repair.before, knowledge)}
        standing = {name: text for name, text in told.items() if name not in changed}
    return {**standing, **_words(inspection, knowledge)}


def _words(inspection: Inspection, knowledge: Knowledge) -> dict[str, str]:
    """What one round of an inspection has recorded."""
    batch = batch_of([inspection], knowledge)
    words = {
        name: word if isinstance(word, str) else _shares(word)
        for name, word in {**inspection.history, **inspection.findings}.items()
    }
    texts = {name: quantity.text for name, quantity in inspection.readings.items()}
    return {**words, **texts, **_reading_words(batch, knowledge, texts)}


def _shares(likelihoods: Mapping[str, float]) -> str:
    total = sum(likelihoods.values())
    parts = [f"{state} {100 * v / total:.0f} %" for state, v in likelihoods.items() if v > 0]
    return "not sure: " + ", ".join(parts)


def _reading_words(
    batch: InspectionBatch, knowledge: Knowledge, texts: Mapping[str, str]
) -> dict[str, str]:
    described = {}
    for name, reading in read_gauges(batch, knowledge).items():
        node = knowledge.node(name)
        text = texts.get(name, f"{round(float(reading.value[0]))} {node.scale}, worked out")
        word = _interval_word(node, float(reading.residual[0]))
        described[name] = f"{text} ({word})" if word else text
    return described


def _interval_word(node: Node, residual: float) -> str:
    shape = node.distribution
    if np.isnan(residual) or not isinstance(shape, Shape):
        return ""
    return node.states[int(interval_codes(np.array([residual]), shape.cuts)[0])]
