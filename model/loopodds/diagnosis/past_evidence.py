"""Inspections as evidence, each with the network of what was done to its car."""

from collections.abc import Collection, Mapping, Sequence
from dataclasses import replace

import numpy as np

from loopodds.diagnosis.model import Model
from loopodds.diagnosis.repaired_car import Repair, names_before
from loopodds.inference.network import Evidence
from loopodds.inspection.encoding import encode, encoding_of
from loopodds.inspection.inspection import Encoding, Group, Inspection, RepairDone, batch_of
from loopodds.knowledge.cures import cure_chances
from loopodds.knowledge.records import Knowledge

MOST_CELLS = 1_000_000
"""Engineering choice: `assess` took 35 s with 2.2 million configurations, 5 s with 0.2 million."""
SETTING = "setting"
"""Condition that is a matter of how the car came, whatever was done to it since."""


def encoded(inspections: Sequence[Inspection], model: Model) -> list[tuple[Model, Group]]:
    """Evidence of inspections, in groups that share a network, with the model that knows of the
    repairs of the group. The rows of a group are positions in the list; each is in one group.
    """
    groups = []
    left = list(range(len(inspections)))
    while left:
        repairs = inspections[left[0]].repairs
        alike = [position for position in left if inspections[position].repairs == repairs]
        left = [position for position in left if position not in alike]
        for own, group in _encoded([inspections[i] for i in alike], repairs, model):
            rows = np.array(alike)[group.rows]
            groups.append((own, Group(group.context, rows, group.evidence)))
    return groups


def _encoded(
    inspections: Sequence[Inspection], repairs: Sequence[RepairDone], model: Model
) -> list[tuple[Model, Group]]:
    knowledge = model.knowledge
    groups = _encoding(inspections, knowledge).groups
    if not repairs:
        return [(model, group) for group in groups]
    rounds = [encoding_of(repair.before, knowledge).groups[0] for repair in repairs]
    # why the car is here tells of the car as it came; what history tells of a fault is told again
    # each time, and counts once, now, where nothing was done to that fault since
    came = knowledge.of_kind("finding")
    for number, seen in enumerate(rounds):
        rounds[number] = seen._replace(evidence=_implying(() if number else came, seen.evidence))
    done_to = {name for repair in repairs for name in cure_chances(repair.services, knowledge)}
    untouched = knowledge.of_kind("fault").keys() - done_to
    history = knowledge.of_kind("history")
    done = tuple(
        Repair(
            repair.services,
            frozenset((*seen.evidence.names(), *seen.evidence.implied)) - history.keys(),
            tuple(sorted(seen.context.items())),
        )
        for repair, seen in zip(repairs, rounds, strict=True)
    )
    own = _that_fits(done, groups[0].context, model)
    past = [seen.evidence for seen in rounds]
    followed = []
    for group in groups:
        now = _implying(untouched, group.evidence)
        evidence = with_past(past, own.repairs, now, knowledge, group.context)
        followed.append((own, group._replace(evidence=evidence)))
    return followed


def _implying(names: Collection[str], evidence: Evidence) -> Evidence:
    """The evidence with what the circumstances imply of some names only."""
    return replace(evidence, implied={n: w for n, w in evidence.implied.items() if n in names})


def _that_fits(done: tuple[Repair, ...], context: Mapping[str, str], model: Model) -> Model:
    """The model of repairs, which leaves out what was seen first where it would be too large."""
    number = 0
    while not (own := model.after(done)).fits(context, MOST_CELLS) and number < len(done):
        silent = replace(done[number], seen=frozenset())
        done = (*done[:number], silent, *done[number + 1 :])
        number += 1
    return own


def left_out(inspection: Inspection, model: Model) -> tuple[str, ...]:
    """A warning for each repair before which what was seen had to be left out.

    ``model`` is the one of :func:`encoded`, or that of a belief.
    """
    pairs = zip(inspection.repairs, model.repairs, strict=False)
    return tuple(
        f"what was seen before repair {number} is not used any more: with all that came after it "
        "it is more than can be followed exactly"
        for number, (repair, used) in enumerate(pairs, start=1)
        if not used.seen and (repair.before.findings or repair.before.readings)
    )


def _encoding(inspections: Sequence[Inspection], knowledge: Knowledge) -> Encoding:
    if len(inspections) == 1:
        return encoding_of(inspections[0], knowledge)
    return encode(batch_of(inspections, knowledge), knowledge)


def with_past(
    rounds: Sequence[Evidence],
    done: Sequence[Repair],
    now: Evidence,
    knowledge: Knowledge,
    context: Mapping[str, str] | None = None,
) -> Evidence:
    """Evidence of some rows after repairs, with that of the rounds before them.

    Args:
        rounds: One row each: what had been seen since the repair before, first to last.
        done: The repair at the end of each round.
        now: What was seen since the last one, and all that was told of the car.
        context: The present one, where it may not be that of the rounds.
    """
    seen_now = {name for row in range(now.rows) for name in now.names(row)}
    codes, soft, numbers = dict(now.codes), dict(now.soft), dict(now.numbers)
    implied = dict(now.implied)
    for past, names in zip(rounds, names_before(done, seen_now, knowledge, context), strict=True):
        wide = past.only(names).repeat(now.rows)
        codes |= {names[name]: column for name, column in wide.codes.items()}
        soft |= {names[name]: column for name, column in wide.soft.items()}
        numbers |= {names[name]: column for name, column in wide.numbers.items()}
        implied |= {names[n]: column for n, column in wide.implied.items() if n in names}
    return Evidence(now.rows, codes, soft, numbers, implied)
