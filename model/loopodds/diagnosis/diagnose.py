"""One inspection diagnosed: what is likely, what moved it, what contradicts, what to beware of."""

from collections.abc import Iterable, Iterator, Mapping, Sequence
from fnmatch import fnmatchcase
from functools import cached_property
from typing import Any, NamedTuple

import numpy as np

from loopodds.base.arrays import Query
from loopodds.base.phrases import percent, spaced
from loopodds.diagnosis.belief import (
    Belief,
    Combination,
    Conflict,
    RankedCondition,
    Weight,
    log_odds,
)
from loopodds.diagnosis.model import Model
from loopodds.diagnosis.past_evidence import SETTING, encoded, left_out
from loopodds.diagnosis.repaired_car import changed_by
from loopodds.inference.likelihoods import interval_codes
from loopodds.inspection.encoding import encoding_of
from loopodds.inspection.inspection import Inspection
from loopodds.knowledge.records import SOUND, Knowledge
from loopodds.knowledge.work import Caution

# From which probability a page names a sound car, a first condition, a further one.
SOUND_FROM, SETTLED_FROM, ALSO_FROM = 0.60, 0.40, 0.60

# what is worth showing; none of these changes a probability
EXPLAINED_FROM = 0.15
EXPLAINED_AT_MOST = 3
RULED_OUT_BELOW = 0.01
MOVED_FROM = 0.10
MOVED_ODDS = 4.0
CAUTIOUS_FROM = 0.05
# a confirmed outcome below this, and fallen to this share of what it was before looking
HARDLY, FALLEN = 0.02, 0.2
CAUTIOUS_ANYWAY_FROM = 0.5


def believe(inspection: Inspection, model: Model) -> Belief:
    """Exact posterior for one inspection.

    Raises:
        ImpossibleEvidence: if the findings cannot hold together; it names the smallest such set.
    """
    ((own, group),) = encoded([inspection], model)
    return Belief(own, group.context, group.evidence)


def stated_context(inspection: Inspection, knowledge: Knowledge) -> dict[str, str]:
    """Setting, refrigerant, expansion device, compressor and weather, as far as they are known."""
    return encoding_of(inspection.as_it_came, knowledge).contexts.stated()


class Against(NamedTuple):
    """A confirmed outcome that goes against what was seen."""

    fault: str  # or ``car``
    states: tuple[str, ...]  # confirmed
    chance: float  # of these, after what was seen
    before: float  # likewise, before looking
    likeliest: str  # state
    probability: float  # of that state

    def __str__(self) -> str:
        stated, likeliest = spaced(" or ".join(self.states)), spaced(self.likeliest)
        return (
            f"{self.fault} {stated} ({percent(self.chance)}), where {likeliest} has "
            f"{percent(self.probability)}"
        )


CAR = "car"
"""Stands for all faults together, where a car is said to be sound."""


def outcomes_against(
    belief: Belief, confirmed: Mapping[str, tuple[str, ...]], all_sound: bool = False
) -> Iterator[Against]:
    """Outcomes that what was seen makes hardly possible; what is only rare is no contradiction.

    Args:
        confirmed: States of which one is said to be true, by fault.
        all_sound: Whether it was said that nothing at all was wrong, and no more.
    """
    found = False
    for name, possible in confirmed.items():
        chances = belief.fault(name)
        rates = dict(zip(chances, belief.before.faults[name][0].tolist(), strict=True))
        chance = sum(chances[state] for state in possible)
        before = sum(rates[state] for state in possible)
        if chance < min(HARDLY, FALLEN * before):
            found, likeliest = True, max(chances, key=lambda one: chances[one])
            yield Against(name, possible, chance, before, likeliest, chances[likeliest])
    before = float(belief.before.p_sound[0])
    if all_sound and not found and belief.p_sound < min(HARDLY, FALLEN * before):
        first = belief.ranking()[0]
        yield Against(CAR, (SOUND,), belief.p_sound, before, first.name, first.probability)


class Diagnosis:
    """What is believed of one car after everything recorded about it.

    The posterior is worked out at once, what costs more when it is first asked for.

    ``belief``: from :func:`believe`, where that is at hand.

    Raises:
        ImpossibleEvidence: if the findings cannot hold together; it names the smallest such set.
    """

    def __init__(self, inspection: Inspection, model: Model, belief: Belief | None = None) -> None:
        self.inspection = inspection
        self.model = model
        self.knowledge = model.knowledge
        self.belief = belief or believe(inspection, model)
        self.case = inspection.name
        self.log_evidence = self.belief.log_evidence  # natural, of P(words) times density(numbers)
        self.p_sound = self.belief.p_sound  # that nothing is wrong
        # services done since the car came, in order; the belief is of the car after them
        self.repairs: tuple[Query, ...] = tuple(done.services for done in inspection.repairs)
        # else it follows from a complaint, if one was recorded
        self.setting_stated = "setting" in inspection.as_it_came.conditions

    @cached_property
    def context(self) -> Mapping[str, str]:
        """Setting, refrigerant and the like; what is not known is left out."""
        return stated_context(self.inspection, self.knowledge)

    @cached_property
    def p_sound_before(self) -> float:
        """Probability that nothing is wrong, before anything was seen or told."""
        return float(self.belief.before.p_sound[0])

    @cached_property
    def conditions(self) -> tuple[RankedCondition, ...]:
        """Every condition, most probable first."""
        return tuple(self.belief.ranking())

    @cached_property
    def moved_most(self) -> str | None:
        """The condition whose odds the evidence raised most, if it raised them clearly and the
        condition is not remote: what was found, where another was likely all along.
        """
        return moved_most(self.conditions)

    @cached_property
    def combinations(self) -> tuple[Combination, ...]:
        """Most probable sets of conditions taken whole; an empty set is a sound car."""
        return tuple(self.belief.combinations())

    @cached_property
    def conflict(self) -> Conflict:
        """Findings that contradict each other."""
        return self.belief.conflict

    @cached_property
    def moved_by(self) -> Mapping[str, tuple[Weight, ...]]:
        """What each finding does to the odds given all the others, strongest first: for the
        leading conditions and the one moved most, and first for ``sound`` where that leads.
        """
        sound_leads = self.p_sound >= self.conditions[0].probability
        top = self.conditions[:EXPLAINED_AT_MOST]
        leading = [c.name for c in top if c.probability >= EXPLAINED_FROM]
        if not leading and not sound_leads:
            leading = [self.conditions[0].name]
        if self.moved_most is not None and self.moved_most not in leading:
            leading.append(self.moved_most)
        return self.belief.weights([SOUND, *leading] if sound_leads else leading)

    @cached_property
    def ruled_out(self) -> tuple[str, ...]:
        """Conditions below one in a hundred and at most half as likely as before, the one that
        fell furthest first.
        """
        return ruled_out(self.conditions)

    @cached_property
    def recorded(self) -> Mapping[str, str]:
        """Every history item, finding and reading used, in plain words."""
        return recorded_words(self.inspection, self.knowledge)

    @cached_property
    def unseen(self) -> tuple[str, ...]:
        """Findings and readings that were not recorded, in the order of the knowledge."""
        names = self.knowledge.of_kind("finding", "gauge")
        return tuple(name for name in names if name not in self.recorded)

    @cached_property
    def cautions(self) -> tuple[str, ...]:
        """What can hurt on this car."""
        return cautions_for(self.context, self.conditions, self.recorded, self.knowledge)

    @cached_property
    def warnings(self) -> tuple[str, ...]:
        """What is odd about the inspection."""
        left = left_out(self.inspection, self.belief.model)
        return (*self.inspection.warnings, *left, *self._against_confirmed())

    def _against_confirmed(self) -> Iterator[str]:
        """Outcomes that what was seen of the car as it came makes hardly possible."""
        confirmed, came = self.inspection.confirmed, self.inspection.as_it_came
        belief = believe(came, self.model) if confirmed and self.repairs else self.belief
        for one in outcomes_against(belief, confirmed):
            yield (
                f"confirmed: {one.fault} {spaced(' or '.join(one.states))}, against what was seen, "
                f"after which it is {percent(one.chance)} likely ({percent(one.before)} before "
                "looking); check both"
            )

    def as_json(self) -> dict[str, Any]:
        """Plain data for ``json.dumps``."""
        return {
            "case": self.case,
            # the setting is always there: none where nothing tells why the car is here
            "context": {SETTING: None, **self.context},
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
                {**combination._asdict(), "conditions": list(combination.conditions)}
                for combination in self.combinations
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
            "cautions": list(self.cautions),
            "warnings": list(self.warnings),
        }


def ruled_out(ranking: Sequence[RankedCondition]) -> tuple[str, ...]:
    """Conditions that the evidence, and not their rarity, has made negligible."""
    gone = [c for c in ranking if c.probability < RULED_OUT_BELOW and c.probability <= c.prior / 2]
    # what was cured often enough had no chance to begin with
    return tuple(c.name for c in sorted(gone, key=lambda c: c.probability / (c.prior or 1.0)))


def moved_most(ranking: Sequence[RankedCondition]) -> str | None:
    """Condition whose odds the evidence raised most, if clearly; None if there is none such."""
    near = [c for c in ranking if c.probability >= MOVED_FROM]
    rises = log_odds(np.array([[c.probability, c.prior] for c in near]).reshape(-1, 2))
    raised = rises[:, 0] - rises[:, 1]
    if not near or raised.max() < np.log(MOVED_ODDS):
        return None
    return near[int(raised.argmax())].name


def recorded_words(inspection: Inspection, knowledge: Knowledge) -> dict[str, str]:
    """Everything recorded that is still so, by name, as a person would say it.

    What was seen before a repair is still so where the repair could not change it. A reading
    carries the word for where it lies in brackets; one that is worked out from others (superheat,
    subcooling) is named as such; a doubtful word lists its shares.

    Examples:
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
    words = {
        name: word if isinstance(word, str) else _shares(word)
        for name, word in {**inspection.history, **inspection.findings}.items()
    }
    words |= {name: quantity.text for name, quantity in inspection.readings.items()}
    for name, reading in encoding_of(inspection, knowledge).readings.items():
        node = knowledge.gauges[name]
        text = f"{round(float(reading.value[0]))} {node.scale}, worked out"
        if name in inspection.readings:
            text = inspection.readings[name].text
        if not np.isnan(reading.residual[0]):
            text += f" ({node.states[int(interval_codes(reading.residual[:1], node.cuts)[0])]})"
        words[name] = text
    return words | _measured(inspection, knowledge)


def _measured(inspection: Inspection, knowledge: Knowledge) -> dict[str, str]:
    """Findings that were measured, each with the amounts and the word that they come to."""
    batch = encoding_of(inspection, knowledge).batch
    words = {}
    for name, node in knowledge.of_kind("finding").items():
        said = [inspection.readings[n].text for n in node.amounts if n in inspection.readings]
        if said and name in batch.codes:
            code = int(batch.codes[name][0])
            shares = dict(zip(node.states, batch.soft[name][0].tolist(), strict=True))
            word = node.states[code] if code >= 0 else _shares(shares)
            words[name] = f"{' and '.join(said)} ({word})"
    return words


def _shares(likelihoods: Mapping[str, float]) -> str:
    total = sum(likelihoods.values())
    parts = [f"{state} {100 * v / total:.0f} %" for state, v in likelihoods.items() if v > 0]
    return "not sure: " + ", ".join(parts)


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
    was recorded. A caution that names neither goes with the tests and services that ask for it.

    ``context`` is what is stated of the car, ``recorded`` the names of what was recorded.
    """
    suspected = {
        c.name
        for c in ranking
        if c.probability >= CAUTIOUS_ANYWAY_FROM or c.probability >= max(CAUTIOUS_FROM, 2 * c.prior)
    }
    names = tuple(recorded)

    def holds(caution: Caution) -> bool:
        named, seen = caution.conditions, caution.findings
        return (
            bool(named or seen)
            and may_hold(caution.when, context)
            and (not named or not suspected.isdisjoint(named))
            and (not seen or any(fnmatchcase(name, p) for name in names for p in seen))
        )

    return tuple(
        _unstated(caution, context, knowledge) + caution.text
        for caution in knowledge.cautions.values()
        if holds(caution)
    )


def _unstated(caution: Caution, context: Mapping[str, str], knowledge: Knowledge) -> str:
    """Words before a caution that holds only because something about the car was not stated."""
    return "".join(
        f"{knowledge.contexts[name].title} not stated; if {value}: "
        for name, value in caution.when.items()
        if name not in context
    )


def may_hold(when: Mapping[str, str], context: Mapping[str, str]) -> bool:
    """Whether the car may be of some kind: what is not stated may be so."""
    return all(context.get(key, value) == value for key, value in when.items())
