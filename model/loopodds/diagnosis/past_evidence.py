"""Inspections as evidence, each with the network of what was done to its car."""

from collections.abc import Collection, Mapping, Sequence
from dataclasses import replace
from functools import lru_cache

import numpy as np

from loopodds.base.arrays import FloatArray, Query
from loopodds.diagnosis.model import Model
from loopodds.diagnosis.repaired_car import Repair, changed_by, names_before
from loopodds.inference.network import Evidence
from loopodds.inspection.encoding import encode, encoding_of
from loopodds.inspection.inspection import Encoding, Group, Inspection, RepairDone, batch_of
from loopodds.knowledge.cures import cure_chances
from loopodds.knowledge.nodes import parents_of
from loopodds.knowledge.records import Knowledge

MOST_CELLS = 110_000
"""Configurations of the cliques of a car with repairs, at most: `next` judges some 1,200 imagined
outcomes, of which each takes 8 ns for every one. Three single repairs in four and a third of the
pairs fit, and any number of repairs of which nothing is followed."""
MERGED_CELLS = 1_500_000
"""The same of the network that is gone through once, to merge what the one in use leaves out."""
MOST_ROUNDS = 4
"""Repairs before which what was seen is followed, if it was changed since. What these limits change
is measured by `tests/benchmarks/old_repairs.py`."""
MERGED_WITHIN, STEPS_AT_MOST, STRIDE = 0.005, 24, 0.7
"""Merging goes on until every probability is so near, and no longer than that. A whole stride for
all faults at once overshoots where one piece of evidence speaks for several of them."""
MOST_KEPT = 4
"""Repaired cars of which the networks, and what was merged, are kept."""
Pairs = tuple[tuple[str, str], ...]
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
    before = tuple(encoding_of(repair.before, knowledge) for repair in repairs)
    past, done = _past(before, tuple(repair.services for repair in repairs))
    done_to = {name for repair in repairs for name in cure_chances(repair.services, knowledge)}
    untouched = knowledge.of_kind("fault").keys() - done_to
    own = that_fits(done, groups[0].context, model, MOST_CELLS)
    followed = []
    for group in groups:
        now = _implying(untouched, group.evidence)
        evidence = with_past(past, own.repairs, now, knowledge, group.context)
        left = merged(past, done, own, group.context)
        known = {name: np.repeat(weight, now.rows, 0) for name, weight in left.items()}
        evidence = replace(evidence, implied={**evidence.implied, **known})
        followed.append((own, group._replace(evidence=evidence)))
    return followed


@lru_cache(maxsize=MOST_KEPT)
def _past(
    before: tuple[Encoding, ...], services: tuple[Query, ...]
) -> tuple[tuple[Evidence, ...], tuple[Repair, ...]]:
    """Evidence from before each of some repairs, and these repairs as the network takes them."""
    knowledge = before[0].knowledge
    history = knowledge.of_kind("history")
    # why the car is here tells of the car as it came; what history tells of a fault is told again
    # each time, and counts once, now, where nothing was done to that fault since
    came = knowledge.of_kind("finding")
    past, done = [], []
    for number, (encoding, names) in enumerate(zip(before, services, strict=True)):
        seen = encoding.groups[0]
        evidence = _implying(() if number else came, seen.evidence)
        looked_at = frozenset((*evidence.names(), *evidence.implied)).difference(history)
        past.append(evidence)
        done.append(Repair(names, looked_at, tuple(sorted(seen.context.items()))))
    return tuple(past), tuple(done)


def _implying(names: Collection[str], evidence: Evidence) -> Evidence:
    """The evidence with what the circumstances imply of some names only."""
    return replace(evidence, implied={n: w for n, w in evidence.implied.items() if n in names})


def that_fits(
    done: tuple[Repair, ...], context: Mapping[str, str], model: Model, most: int
) -> Model:
    """The model of repairs, with as much of what was seen before them as can be followed.

    What no later repair has made something else always counts: it is evidence about the present.
    What was changed since is followed from the last repair backwards, as long as the network is not
    too large. Where it would be, what hangs on one of the effects that several faults share (as
    most gauges do) is left out, which is what makes it large; or on all of them, as from there on
    backwards; and at last everything that is older.

    Those of the last cars are kept: one car is asked about many times over.
    """
    return _kept_that_fits(done, _pairs(context), model.plain, most)


@lru_cache(maxsize=MOST_KEPT)
def _kept_that_fits(done: tuple[Repair, ...], stated: Pairs, model: Model, most: int) -> Model:
    return _that_fits(done, dict(stated), model, most)


def _that_fits(
    done: tuple[Repair, ...], context: Mapping[str, str], model: Model, most: int
) -> Model:
    knowledge = model.knowledge
    names = names_before(done, (), knowledge, context)
    apart = [frozenset(n for n, was in then.items() if was != n) for then in names]
    used = [
        replace(repair, seen=frozenset(then) - gone, left=gone)
        for repair, then, gone in zip(done, names, apart, strict=True)
    ]
    whole = True
    for place in [n for n, gone in enumerate(apart) if gone][::-1][:MOST_ROUNDS]:
        choices = _thinned(apart[place], done[place:], knowledge)
        for kept in choices if whole else choices[-1:]:
            more = replace(used[place], seen=used[place].seen | kept, left=apart[place] - kept)
            tried = [*used[:place], more, *used[place + 1 :]]
            if model.after(tuple(tried)).fits(context, most):
                used, whole = tried, whole and not more.left
                break
        else:
            break
    return model.after(tuple(used))


def merged(
    past: Sequence[Evidence], done: tuple[Repair, ...], own: Model, context: Mapping[str, str]
) -> dict[str, FloatArray]:
    """What was left out, merged into what it makes of each fault by itself.

    Before anything was seen since the last repair, every fault then has the probability that it has
    in a larger network, which keeps more (iterative proportional fitting, Deming & Stephan 1940).
    What old evidence says of several faults together is lost. Kept as :func:`that_fits` is.

    Returns:
        Likelihoods over the states of the faults, shape (1, states); empty if nothing was left out.
    """
    return _kept_merged(tuple(past), done, own, _pairs(context))


@lru_cache(maxsize=MOST_KEPT)
def _kept_merged(
    past: tuple[Evidence, ...], done: tuple[Repair, ...], own: Model, stated: Pairs
) -> dict[str, FloatArray]:
    context = dict(stated)
    # large, and gone through once: it is not kept
    wide = _that_fits(done, context, own.plain, MERGED_CELLS)
    if wide.repairs == own.repairs:
        return {}
    aim = _faults_after(past, wide, context, {})
    if not all(chance.any() for chance in aim.values()):
        return {}  # what cannot be has no probabilities to be merged
    likelihoods = {name: np.ones_like(chance) for name, chance in aim.items()}
    for _ in range(STEPS_AT_MOST):
        found = _faults_after(past, own, context, likelihoods)
        if max(np.abs(found[name] - chance).max() for name, chance in aim.items()) < MERGED_WITHIN:
            break
        for name, chance in aim.items():
            here = found[name]
            step = np.divide(chance, here, out=np.zeros_like(chance), where=here > 0)
            likelihoods[name] = likelihoods[name] * step**STRIDE
    return likelihoods


def _faults_after(
    past: Sequence[Evidence],
    model: Model,
    context: Mapping[str, str],
    likelihoods: Mapping[str, FloatArray],
) -> dict[str, FloatArray]:
    """Chances of the states of every fault when nothing was seen since the last repair."""
    evidence = with_past(past, model.repairs, Evidence(1), model.knowledge, context)
    evidence = replace(evidence, implied={**evidence.implied, **likelihoods})
    posterior = model.tree(context).propagate(evidence, [(name,) for name in model.faults])
    return {name: posterior[name] for name in model.faults}


def _pairs(context: Mapping[str, str]) -> Pairs:
    return tuple(sorted(context.items()))


def _thinned(
    names: frozenset[str], later: Sequence[Repair], knowledge: Knowledge
) -> list[frozenset[str]]:
    """Names seen before some repairs: all, without those on one shared effect, without any such.

    A mechanism that a repair made something else is in the network once more for what hung on it.
    Of two choices the one that keeps more comes first.
    """
    changed = frozenset[str]().union(*(changed_by(r.services, knowledge) for r in later))
    effects = changed & knowledge.of_kind("mechanism").keys()
    hangs = {name: _effects_on(name, effects, knowledge) for name in names}
    without = [{n for n in names if effect not in hangs[n]} for effect in sorted(effects)]
    choices = {names, *map(frozenset, without), frozenset(n for n in names if not hangs[n])}
    return sorted(choices, key=lambda kept: (-len(kept), sorted(kept)))


def _effects_on(name: str, effects: frozenset[str], knowledge: Knowledge) -> frozenset[str]:
    """Those of some effects that something hangs on, directly or by another of them."""
    direct = effects.intersection(parents_of(knowledge.node(name)))
    return direct.union(*(_effects_on(effect, effects, knowledge) for effect in direct))


def left_out(inspection: Inspection, model: Model) -> tuple[str, ...]:
    """A warning where something that was seen before a repair had to be left out and merged.

    ``model`` is the one of :func:`encoded`, or that of a belief.
    """
    pairs = zip(inspection.repairs, model.repairs, strict=False)
    silent = [
        number
        for number, (repair, used) in enumerate(pairs, start=1)
        if used.left.intersection((*repair.before.findings, *repair.before.readings))
    ]
    if not silent:
        return ()
    which = f"repair {silent[0]}" if len(silent) == 1 else f"repairs {silent[0]} to {silent[-1]}"
    return (
        f"of what was seen before {which} and changed since, some counts only for each fault by "
        "itself: with all that came after it is more than can be followed exactly",
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
