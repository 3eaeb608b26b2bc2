"""Stops: what must not be done to a car, whatever it would save.

The knowledge says what brings a stop about (results, readings, probabilities, tests done) and what
kinds of work it shuts. This module only applies it: to a batch of cars, of which a single one is a
batch of one, and to imagined outcomes of tests.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Mapping, Sequence
from dataclasses import dataclass, field
from functools import lru_cache
from typing import Any, NamedTuple

import numpy as np

from loopodds.base.arrays import BoolArray, FloatArray, IntArray, Query
from loopodds.base.phrases import lowered, percent, spaced
from loopodds.base.unit_table import SEA_LEVEL_KPA
from loopodds.knowledge.cures import cured_states, fault_columns
from loopodds.knowledge.records import Knowledge
from loopodds.knowledge.work import Service, Stop, Test, Trigger
from loopodds.physics.refrigerants import KPA_PER_BAR

DEALS_FROM = 0.5
"""Chance of a cure from which on a service deals with a fault. Engineering estimate."""
ALARMING, PROVED = 0.25, 0.9
"""Share of a doubtful record from which on a state counts as seen: an alarming one soon, one that
lifts a stop only when it is nearly sure. Engineering estimates."""


Chance = Callable[[str], FloatArray]
"""Probability of a condition, or of ``variable.state``, shape (rows,)."""


def never(_: str) -> FloatArray:
    """The chance of anything where nothing is believed."""
    return np.zeros(1)


@dataclass(frozen=True, slots=True, eq=False)
class Facts:
    """What is known of a batch of cars, as stops ask for it; what is left out is not known."""

    rows: int
    chance: Chance
    codes: Mapping[str, IntArray] = field(default_factory=dict)  # -1 is not recorded, or doubtful
    soft: Mapping[str, FloatArray] = field(default_factory=dict)  # shape (rows, states)
    bars: Mapping[str, FloatArray] = field(default_factory=dict)  # gauge pressure [bar] or NaN
    done: Mapping[str, BoolArray] = field(default_factory=dict)  # tests done
    context: Mapping[str, Any] = field(default_factory=dict)  # text a row; '' is not stated


class StopInForce(NamedTuple):
    """One stop on one car."""

    name: str
    title: str
    reason: str
    because: tuple[str, ...]  # what brought it about, in plain words
    shuts: tuple[str, ...]  # kinds of work
    shut_tests: tuple[str, ...]
    shut_services: tuple[str, ...]
    filtered: tuple[str, ...]  # tests and services that go only through a filter
    machine_off: bool  # whether the workshop's machine stays off the car
    lifted_by: str
    settled_by: tuple[str, ...]  # tests still open of which a good result would lift it
    who: str
    cautions: tuple[str, ...]  # texts

    @property
    def lifting(self) -> str:
        """What lifts it and who may, to go on in a sentence."""
        return f"{lowered(self.lifted_by).rstrip('.')} ({self.who})"

    def as_json(self) -> dict[str, Any]:
        """Plain data."""
        return {k: list(v) if isinstance(v, tuple) else v for k, v in self._asdict().items()}


class Reach(NamedTuple):
    """What a stop shuts, by name."""

    tests: frozenset[str]
    services: frozenset[str]
    filtered: frozenset[str]

    @property
    def shut(self) -> frozenset[str]:
        """Tests and services."""
        return self.tests | self.services


def triggers_hold(stop: Stop, facts: Facts, knowledge: Knowledge) -> BoolArray:
    """Which triggers of a stop hold on which cars, shape (rows, triggers)."""
    return np.array([_holds(trigger, facts, knowledge) for trigger in stop.when]).T


def _holding(stop: Stop, facts: Facts, knowledge: Knowledge) -> list[Trigger]:
    """Triggers of a stop that hold on the only car of ``facts``."""
    held = triggers_hold(stop, facts, knowledge)[0]
    return [trigger for trigger, holds in zip(stop.when, held, strict=True) if holds]


def in_force(facts: Facts, knowledge: Knowledge) -> BoolArray:
    """Which stops are in force on which cars, in file order, shape (rows, stops)."""
    found = [triggers_hold(s, facts, knowledge).any(axis=1) for s in knowledge.stops.values()]
    return np.array(found, dtype=bool).reshape(len(found), facts.rows).T


def worded(stop: Stop, facts: Facts, knowledge: Knowledge) -> StopInForce:
    """A stop in force on the only car of ``facts``, with what brought it about."""
    holding = _holding(stop, facts, knowledge)
    reasons = [said for trigger in holding for said in _because(trigger, facts, knowledge)]
    wanted = wanted_first(stop, facts, knowledge)
    reach = reach_of(knowledge)[stop.name]
    shut_tests, shut_services, filtered = (_in_order(names, knowledge) for names in reach)
    return StopInForce(
        stop.name,
        stop.title,
        stop.reason,
        tuple(dict.fromkeys(reasons)),
        stop.shuts,
        shut_tests,
        shut_services,
        filtered,
        stop.machine_off,
        stop.lifted,
        tuple(name for name, test in knowledge.tests.items() if wanted.intersection(test.yields)),
        stop.who,
        tuple(knowledge.cautions[key].text for key in stop.cautions),
    )


def gauge_bar(kpa: FloatArray | float) -> Any:
    """Gauge pressure [bar] of an absolute one [kPa]."""
    return (kpa - SEA_LEVEL_KPA) / KPA_PER_BAR


@lru_cache(maxsize=8)
def watched_readings(knowledge: Knowledge) -> tuple[str, ...]:
    """Pressures that some stop looks at."""
    triggers = [trigger for stop in knowledge.stops.values() for trigger in stop.when]
    return tuple(dict.fromkeys(n for t in triggers for n in (*t.at_least, *t.at_most)))


def chance_of(marginals: FloatArray, target: str, knowledge: Knowledge) -> FloatArray:
    """Probability of a condition, or of ``variable.state``, shape (rows,).

    ``marginals`` has the columns of :func:`loopodds.knowledge.cures.fault_columns`.
    """
    columns = _columns_of(target, knowledge)
    total: FloatArray = marginals[:, columns].sum(axis=1)
    return total


@lru_cache(maxsize=256)
def _columns_of(target: str, knowledge: Knowledge) -> list[int]:
    meant = cured_states(target, knowledge)
    return [i for i, column in enumerate(fault_columns(knowledge)) if column in meant]


@lru_cache(maxsize=8)
def reach_of(knowledge: Knowledge) -> Mapping[str, Reach]:
    """What each stop shuts."""
    return {name: _reach(stop, knowledge) for name, stop in knowledge.stops.items()}


@lru_cache(maxsize=8)
def alarms_of(knowledge: Knowledge) -> Mapping[str, list[tuple[str, tuple[str, ...]]]]:
    """Findings that bring stops about: the name of each stop, and the states that do."""
    alarming: dict[str, list[tuple[str, tuple[str, ...]]]] = {}
    findings = knowledge.of_kind("finding")
    for stop in knowledge.stops.values():
        for trigger in stop.when if stop.shuts else ():
            for finding, states in trigger.seen.items() if not trigger.believed else ():
                if finding in findings:
                    alarming.setdefault(finding, []).append((stop.name, states))
    return alarming


def waived(stop: Stop, facts: Facts, knowledge: Knowledge) -> frozenset[str]:
    """Tests that can no longer be done on the only car of ``facts``, and are not waited for."""
    return frozenset(n for t in _holding(stop, facts, knowledge) for n in t.waives)


def lifted_unless_seen(stop: Stop, facts: Facts, knowledge: Knowledge) -> frozenset[str]:
    """Findings not recorded yet of which a good one would lift a stop on the only car of ``facts``.

    Each trigger that holds must want it; none where one holds whatever may still be seen.
    """
    wanted = [set(trigger.unseen) for trigger in _holding(stop, facts, knowledge)]
    recorded = {*facts.codes, *facts.soft}
    common: set[str] = set.intersection(*wanted) if wanted else set()
    return frozenset(common - recorded)


def wanted_first(stop: Stop, facts: Facts, knowledge: Knowledge) -> frozenset[str]:
    """Findings to look for first so that a stop may be lifted on the only car of ``facts``.

    Of each trigger that holds the first of which a good one would do; none where one holds
    whatever may still be seen.
    """
    firsts = [next(iter(t.unseen), "") for t in _holding(stop, facts, knowledge)]
    return frozenset() if "" in firsts else frozenset(firsts).difference(facts.codes, facts.soft)


def dealing_with(stop: Stop, facts: Facts, knowledge: Knowledge) -> list[frozenset[str]]:
    """Sets of services of which a plan needs one each, or says what it leaves."""
    if stop.dealt_by:
        return [frozenset(stop.dealt_by)]
    holding = _holding(stop, facts, knowledge)
    return [_curing(target, knowledge) for trigger in holding for target in trigger.believed]


def _curing(target: str, knowledge: Knowledge) -> frozenset[str]:
    """Services of which each state of the target has a fair chance to be cured."""
    states = set(cured_states(target, knowledge))
    return frozenset(
        name
        for name, service in knowledge.services.items()
        if states.issubset(
            state
            for cured, chance in service.cures.items()
            if chance >= DEALS_FROM
            for state in cured_states(cured, knowledge)
        )
    )


def _holds(trigger: Trigger, facts: Facts, knowledge: Knowledge) -> BoolArray:
    result = np.ones(facts.rows, dtype=bool)
    for key, value in trigger.context.items():
        result &= np.asarray(facts.context.get(key, "")) == value
    for name, states in trigger.seen.items():
        result &= _seen(name, states, ALARMING, facts, knowledge)
    if not result.any():
        return result
    for name, states in trigger.unseen.items():
        result &= ~_seen(name, states, PROVED, facts, knowledge)
    with np.errstate(invalid="ignore"):
        for name, least in trigger.at_least.items():
            result &= facts.bars[name] >= least if name in facts.bars else False
        for name, most in trigger.at_most.items():
            result &= facts.bars[name] <= most if name in facts.bars else False
    if trigger.done:
        undone = np.zeros(facts.rows, dtype=bool)
        result &= np.any([facts.done.get(name, undone) for name in trigger.done], axis=0)
    if not result.any():
        return result
    for target, least in trigger.believed.items():
        result &= facts.chance(target) >= least
    for target, most in trigger.doubted.items():
        result &= facts.chance(target) < most
    return result


def _seen(
    name: str, states: Sequence[str], share: float, facts: Facts, knowledge: Knowledge
) -> BoolArray:
    """Rows in which one of some states was recorded, or holds a share of a doubtful record."""
    if name not in knowledge.nodes:
        return np.zeros(facts.rows, dtype=bool)
    meant = np.array([state in states for state in knowledge.node(name).states])
    result = np.zeros(facts.rows, dtype=bool)
    if name in facts.codes:
        result |= np.append(meant, False)[facts.codes[name]]
    if name in facts.soft:
        weights = facts.soft[name]
        doubtful = np.ptp(weights, axis=1) > 0
        result |= doubtful & (weights[:, meant].sum(axis=1) >= share * weights.sum(axis=1))
    return result


def _because(trigger: Trigger, facts: Facts, knowledge: Knowledge) -> list[str]:
    said = []
    for name in trigger.seen:
        node = knowledge.node(name)
        code = int(facts.codes[name][0]) if name in facts.codes else -1
        state = spaced(node.states[code]) if code >= 0 else "doubtful"
        said.append(f"{lowered(node.title)}: {state}")
    for name in list(trigger.unseen)[:1]:
        if name not in facts.codes and name not in facts.soft:
            said.append(f"{lowered(knowledge.node(name).title)}: not recorded")
    for name in (*trigger.at_least, *trigger.at_most):
        said.append(f"{lowered(knowledge.node(name).title)}: {facts.bars[name][0]:.1f} bar")
    for target in trigger.believed:
        said.append(f"{_titled(target, knowledge)}: {percent(float(facts.chance(target)[0]))}")
    for name in trigger.done:
        if name in facts.done and facts.done[name][0]:
            said.append(f"done: {lowered(knowledge.tests[name].title)}")
    return said


def _titled(target: str, knowledge: Knowledge) -> str:
    if target in knowledge.conditions:
        return lowered(knowledge.conditions[target].title)
    variable, _, states = target.partition(".")
    return f"{lowered(knowledge.node(variable).title)} {spaced(states.replace('|', ' or '))}"


def _reach(stop: Stop, knowledge: Knowledge) -> Reach:
    spared = set(stop.spares)

    def touched(
        kinds: Sequence[str], items: Mapping[str, Test] | Mapping[str, Service]
    ) -> set[str]:
        return {
            name
            for name, item in items.items()
            if name not in spared and any(does(item, kind) for kind in kinds)
        }

    tests, services = knowledge.tests, knowledge.services
    coupling = {name for name, test in tests.items() if test.connects_machine or test.draws_charge}
    filtered = touched(stop.filters, tests) | touched(stop.filters, services)
    return Reach(
        frozenset(touched(stop.shuts, tests) | (coupling - spared if stop.machine_off else set())),
        frozenset(touched(stop.shuts, services)),
        frozenset(filtered),
    )


def does(item: Test | Service, kind: str) -> bool:
    """Whether a test or service is work of a kind that stops may shut."""
    if kind == "anything":
        return True
    if kind == "machine":
        return item.connects_machine or item.draws_charge or _fills(item)
    if kind == "opening":
        return item.opens_loop
    if kind == "energising":
        return item.energises
    if kind == "filling":
        return _fills(item) and not item.opens_loop
    if isinstance(item, Service):
        return False
    if kind == "running":
        return item.engine == "running"
    return item.takes_sample if kind == "sampling" else item.needs_pressure


def _fills(item: Test | Service) -> bool:
    return isinstance(item, Service) and bool(item.filling or item.settles)


def _in_order(names: frozenset[str], knowledge: Knowledge) -> tuple[str, ...]:
    return tuple(n for n in (*knowledge.tests, *knowledge.services) if n in names)


def with_companions(
    services: Query, stops: Collection[str], facts: Facts, knowledge: Knowledge
) -> Query:
    """Services with those that go along where stops are not dealt with by any of them.

    What one of these is not done together with falls away.
    """
    along: list[str] = []
    for name, stop in knowledge.stops.items():
        if stop.otherwise and name in stops:
            wanted = dealing_with(stop, facts, knowledge)
            if not all(names & {*services} for names in wanted):
                along.append(stop.otherwise)
    included = {other for name in along for other in knowledge.services[name].not_with}
    return tuple(n for n in dict.fromkeys((*services, *along)) if n not in included)
