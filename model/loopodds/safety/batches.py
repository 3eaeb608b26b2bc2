"""Stops of many inspections at once, as an archive is scored."""

import numpy as np

from loopodds.base.arrays import BoolArray
from loopodds.diagnosis.model import Beliefs
from loopodds.inspection.inspection import Group, InspectionBatch
from loopodds.inspection.vocabulary import CHOICES
from loopodds.knowledge.records import Knowledge
from loopodds.safety.stops import Facts, chance_of, gauge_bar, in_force, watched_readings


def stops_of(
    batch: InspectionBatch, group: Group, beliefs: Beliefs, knowledge: Knowledge
) -> BoolArray:
    """Stops in force in the rows of a group, in file order, shape (rows of the group, stops).

    An archive does not say which test was done last, so no stop goes by tests done. Quiet ones are
    in force in no row: they bear on what is done, not on how a car is found.
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
    facts = Facts(
        len(rows),
        lambda target: chance_of(marginals, target, knowledge),
        group.evidence.codes,
        group.evidence.soft,
        bars,
        context=context,
    )
    loud = np.array([not stop.quiet for stop in knowledge.stops.values()], dtype=bool)
    held: BoolArray = in_force(facts, knowledge) & loud
    return held


def joined_names(stops: BoolArray, knowledge: Knowledge) -> list[str]:
    """For each row the names of its stops in one text, the empty text for none."""
    if not stops.size:
        return [""] * len(stops)
    names = np.array(list(knowledge.stops), dtype=object)
    patterns, which = np.unique(stops, axis=0, return_inverse=True)
    said = [" ".join(names[pattern]) for pattern in patterns]
    return [said[i] for i in which.ravel().tolist()]
