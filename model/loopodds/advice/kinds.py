"""Which cars of a batch the rules treat alike, and what is on offer for each kind of car."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from functools import lru_cache
from typing import NamedTuple

import numpy as np

from loopodds.base.arrays import BoolArray, FloatArray, IntArray, Query
from loopodds.decision.gates import Gates
from loopodds.decision.moves import Bars, Progress
from loopodds.decision.offers import offers_for
from loopodds.decision.prices import Prices
from loopodds.decision.workshop import gates_of
from loopodds.diagnosis.complaints import powers
from loopodds.diagnosis.model import Beliefs, Model
from loopodds.inference.network import Evidence
from loopodds.inspection.encoding import observed, recorded_rows
from loopodds.inspection.inspection import Encoding, Group
from loopodds.knowledge.cures import fault_columns, season_harm
from loopodds.knowledge.records import Knowledge
from loopodds.safety.batches import facts_of, tests_seen
from loopodds.safety.stops import Facts, chance_of, triggers_hold


@dataclass(frozen=True, slots=True)
class Work:
    """What is on offer for a car; equal where all plans are, but for the price of a filling."""

    offered: tuple[tuple[object, ...], ...]  # services with all that a plan asks of them
    owed: tuple[tuple[str, frozenset[str]], ...]
    harm: bytes  # of each state
    prices: Prices
    gates: Gates = field(compare=False)
    failed: Query = field(compare=False)
    bars: Bars = field(compare=False)


class Kind(NamedTuple):
    """What the rules say of cars that they treat alike."""

    work: Work
    gates: Gates
    progress: Progress
    facts: Facts


@dataclass(frozen=True, slots=True, eq=False)
class Cars:
    """The cars of a group that share the rules of the workshop, row by row."""

    rows: IntArray  # of the batch
    marginals: FloatArray  # shape (rows, fault columns)
    brought: FloatArray  # likewise: chance that each state brings the complaint about
    done: Mapping[str, BoolArray]  # tests
    kind: IntArray  # index into ``kinds``
    kinds: list[Kind]


def distinct(table: IntArray | BoolArray) -> Iterator[tuple[IntArray, IntArray]]:
    """Every distinct row of a table, with the places where it stands."""
    if not table.shape[1]:
        yield table[0], np.arange(len(table))
        return
    kinds, which = np.unique(table, axis=0, return_inverse=True)
    order = np.argsort(which.ravel(), kind="stable")
    ends = np.cumsum(np.bincount(which.ravel(), minlength=len(kinds)))
    yield from zip(kinds, np.split(order, ends)[:-1], strict=True)


def parties_of(
    encoding: Encoding,
    group: Group,
    beliefs: Beliefs,
    model: Model,
    prices: Prices,
    known: dict[tuple[Gates, bytes], Kind],
) -> Iterator[Cars]:
    """The cars of a group, those to which the same rules apply together."""
    knowledge = model.knowledge
    pattern, contexts = encoding.contexts.patterns(_gate_keys(knowledge))
    done = tests_seen(group.evidence, knowledge, knowledge.tests)
    faults = [beliefs.faults[name] for name in knowledge.of_kind("fault")]
    marginals = np.nan_to_num(np.hstack(faults))  # a car that cannot be gets some plan
    brought = _brought_about(encoding, group, model)
    own_pattern = pattern[group.rows]
    for number in np.unique(own_pattern).tolist():
        where = np.flatnonzero(own_pattern == number)
        gates = gates_of(knowledge, tuple(sorted(contexts[number].items())), prices)
        some = Group(group.context, group.rows[where], group.evidence.take(where))
        theirs = {name: mask[where] for name, mask in done.items()}
        believed = Beliefs(
            beliefs.log_evidence[where],
            beliefs.p_sound[where],
            {name: marginal[where] for name, marginal in beliefs.faults.items()},
        )
        for guard, passing in gates.guards.items():  # done once all its results are recorded
            told = [recorded_rows(finding, some.evidence) for finding in passing]
            theirs[guard] &= np.all(told, axis=0)
        facts = facts_of(encoding.batch, some, believed, theirs, knowledge)
        kind, kinds = _kinds(some, believed, facts, gates, known)
        yield Cars(some.rows, marginals[where], brought[where], theirs, kind, kinds)


def _kinds(
    group: Group,
    beliefs: Beliefs,
    facts: Facts,
    gates: Gates,
    known: dict[tuple[Gates, bytes], Kind],
) -> tuple[IntArray, list[Kind]]:
    """Which of the cars the rules treat alike, and what they say of one of each kind.

    ``known``: what was found of other groups, to be added to.
    """
    knowledge, evidence = gates.knowledge, group.evidence
    stops = list(knowledge.stops.values())
    held = np.hstack([triggers_hold(s, facts, knowledge).reshape(facts.rows, -1) for s in stops])
    stopped = held.any(axis=1)
    looked_for = {name for s in stops for trigger in s.when for name in trigger.unseen}
    wanted = _wanted(gates)
    key = np.column_stack(
        [
            held,
            *(_not_passed(passing, evidence, knowledge) for passing in gates.guards.values()),
            *(stopped & recorded_rows(name, evidence) for name in sorted(looked_for)),
            *(stopped & facts.done[name] for name in knowledge.tests if name in wanted),
        ]
    )
    kind, kinds = np.zeros(facts.rows, dtype=np.int64), []
    for number, (flags, rows) in enumerate(distinct(key)):
        kind[rows] = number
        place = gates, np.packbits(flags).tobytes()
        if place not in known:
            known[place] = _kind_of(int(rows[0]), group, beliefs, facts, gates)
        kinds.append(known[place])
    return kind, kinds


@lru_cache(maxsize=256)
def _wanted(gates: Gates) -> frozenset[str]:
    """Services, and tests that come before any of them."""
    services = gates.knowledge.services.values()
    return frozenset(name for service in services for name in gates.with_before(service))


def _not_passed(
    passing: Mapping[str, frozenset[str]], evidence: Evidence, knowledge: Knowledge
) -> BoolArray:
    """Rows in which a guard was done and not passed; what is doubtful does not pass."""
    failed = np.zeros(evidence.rows, dtype=bool)
    for finding, states in passing.items():
        good = np.array([s in states for s in knowledge.node(finding).states] + [False])
        code = evidence.codes.get(finding, np.full(evidence.rows, -1))
        failed |= recorded_rows(finding, evidence) & ~good[code]
    return failed


def _kind_of(row: int, group: Group, beliefs: Beliefs, facts: Facts, gates: Gates) -> Kind:
    """What the rules say of one car, as they say it of a single case."""
    knowledge = gates.knowledge
    evidence = observed(group.evidence.take(np.array([row])))
    marginal = np.hstack([beliefs.faults[n][row : row + 1] for n in knowledge.of_kind("fault")])
    bars = {name: bar[row : row + 1] for name, bar in facts.bars.items()}
    bars = {name: bar for name, bar in bars.items() if not np.isnan(bar).any()}

    def chance(target: str) -> FloatArray:
        return chance_of(marginal, target, knowledge)

    progress = gates.progress(evidence, (), chance, bars)
    shut = gates.bars(progress)
    narrowed = Bars(shut.shut & _wanted(gates), shut.waived)
    work = _work(gates, gates.failed(progress), narrowed)
    return Kind(work, gates, progress, gates.facts(evidence, progress, chance, bars))


@lru_cache(maxsize=1 << 12)
def _work(gates: Gates, failed: Query, bars: Bars) -> Work:
    tests = gates.knowledge.tests
    offers = offers_for(gates, failed, bars)
    offered = {offer.name for offer in offers}
    stuck = [o for o in offers_for(gates, failed) if o.settles and o.name not in offered]
    owed = [
        (o.name, frozenset(n for n, test in tests.items() if o.settles & gates.with_before(test)))
        for o in (*offers, *stuck)
        if o.settles
    ]
    asked = tuple((o.name, o.needs, o.apart, o.with_one_of) for o in offers)
    harm = season_harm(gates.context, gates.knowledge).tobytes()
    return Work(asked, tuple(owed), harm, gates.prices, gates, failed, bars)


def _brought_about(encoding: Encoding, group: Group, model: Model) -> FloatArray:
    """How likely each state brings about what the customer came for, shape (rows, fault columns).

    As :func:`loopodds.diagnosis.complaints.complaints_of` says it of one car.
    """
    knowledge, evidence = model.knowledge, group.evidence
    listed = {n: node for n, node in knowledge.of_kind("finding").items() if node.complaint}
    usual_name = knowledge.contexts["setting"].usual_complaint
    told = {name: recorded_rows(name, evidence) for name in listed}
    said = {}
    for name, node in listed.items():
        complaining = np.array([state in node.complaint for state in node.states] + [False])
        code = evidence.codes.get(name, np.full(evidence.rows, -1))
        if name in evidence.soft:
            code = np.where(code >= 0, code, evidence.soft[name].argmax(axis=1))
        said[name] = told[name] & complaining[code]
    values = knowledge.contexts["setting"].values
    came = encoding.contexts.codes["setting"][group.rows] == values.index("complaint")
    silent = came & ~np.any([*told.values(), np.zeros(evidence.rows, dtype=bool)], axis=0)
    names = [*said, usual_name]
    table = np.column_stack([*said.values(), silent & bool(usual_name)])
    brought = np.zeros((evidence.rows, len(fault_columns(knowledge))))
    for flags, rows in distinct(table):
        complaints = tuple(dict.fromkeys(n for n, f in zip(names, flags, strict=True) if f))
        if complaints:
            brought[rows] = powers(model, group.context, complaints)
    return brought


@lru_cache(maxsize=8)
def _gate_keys(knowledge: Knowledge) -> frozenset[str]:
    """Contexts that bear on what may be done and what it costs."""
    work = [*knowledge.tests.values(), *knowledge.services.values()]
    keys = {"refrigerant"}  # the price of a filling
    for item in work:
        keys |= {*item.only, *item.never, *(key for block in item.in_context for key in block.when)}
    triggers = (trigger for stop in knowledge.stops.values() for trigger in stop.when)
    keys |= {key for trigger in triggers for key in trigger.context}
    harms = knowledge.harms.values()
    keys |= {key for harm in harms for block in harm.in_context for key in block.when}
    return frozenset(keys)
