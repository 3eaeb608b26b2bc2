"""Stops of many inspections at once, as an archive is scored."""

from collections.abc import Iterable, Mapping

import numpy as np

from loopodds.base.arrays import BoolArray
from loopodds.diagnosis.model import Beliefs
from loopodds.inference.network import Evidence
from loopodds.inspection.encoding import recorded_rows
from loopodds.inspection.inspection import Group, InspectionBatch
from loopodds.inspection.vocabulary import CHOICES
from loopodds.knowledge.records import Knowledge
from loopodds.knowledge.safeguards import require_safe
from loopodds.safety.stops import Facts, chance_of, gauge_bar, in_force, watched_readings


def stops_of(
    batch: InspectionBatch, group: Group, beliefs: Beliefs, knowledge: Knowledge
) -> BoolArray:
    """Stops in force in the rows of a group, in file order, shape (rows of the group, stops).

    A test counts as done where one of its results was recorded, as in a single case, except for
    triggers that are of a car in the bay. Quiet ones are in force in no row: they bear on what is
    done, not on how a car is found.

    Raises:
        KnowledgeError: if a safety rule is broken.
    """
    require_safe(knowledge)
    triggers = [trigger for stop in knowledge.stops.values() for trigger in stop.when]
    asked = {name for trigger in triggers if not trigger.in_bay for name in trigger.done}
    facts = facts_of(batch, group, beliefs, tests_seen(group.evidence, knowledge, asked), knowledge)
    loud = np.array([not stop.quiet for stop in knowledge.stops.values()], dtype=bool)
    held: BoolArray = in_force(facts, knowledge) & loud
    return held


def facts_of(
    batch: InspectionBatch,
    group: Group,
    beliefs: Beliefs,
    done: Mapping[str, BoolArray],
    knowledge: Knowledge,
) -> Facts:
    """What is known of the cars of a group, as stops ask for it.

    ``done``: tests done, by name, shape (rows of the group,).
    """
    rows = group.rows
    marginals = np.hstack([beliefs.faults[name] for name in knowledge.of_kind("fault")])
    bars = {
        name: gauge_bar(batch.readings[name][rows])
        for name in watched_readings(knowledge)
        if name in batch.readings
    }
    context = {
        key: np.array([*values, ""])[batch.choice(key)[rows]]
        for key, values in CHOICES.items()
        if key in batch.choices
    }
    return Facts(
        len(rows),
        lambda target: chance_of(marginals, target, knowledge),
        group.evidence.codes,
        group.evidence.soft,
        bars,
        done,
        context,
    )


def tests_seen(
    evidence: Evidence, knowledge: Knowledge, tests: Iterable[str]
) -> dict[str, BoolArray]:
    """Rows in which a result of each of some tests was recorded."""
    return {
        name: np.any([recorded_rows(n, evidence) for n in knowledge.tests[name].yields], axis=0)
        for name in tests
    }


def joined_names(stops: BoolArray, knowledge: Knowledge) -> list[str]:
    """For each row the names of its stops in one text, the empty text for none."""
    if not stops.size:
        return [""] * len(stops)
    names = np.array(list(knowledge.stops), dtype=object)
    patterns, which = np.unique(stops, axis=0, return_inverse=True)
    said = [" ".join(names[pattern]) for pattern in patterns]
    return [said[i] for i in which.ravel().tolist()]
