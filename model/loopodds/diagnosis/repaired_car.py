"""A car after repairs: the same network, with what was before kept beside what is now.

A repair cures each fault that it is meant for with a known chance. A fault that some repair may
have cured is followed through all of them by one variable, whose states are the courses it can
have taken: there all along, or there until a repair. What hangs on it exists once for each time
between repairs in which it was another, the present one under its plain name. Evidence from before
a repair stays evidence about that time, and so tells as much about the present as it should: a
network of time slices (Dean & Kanazawa 1989), of which only what repairs touched is there twice.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import lru_cache
from typing import Any, NamedTuple, TypeVar

import numpy as np
from numpy.typing import NDArray

from loopodds.base.arrays import FloatArray, IntArray, Query
from loopodds.inference.network import Discrete, GaugeNode, Network, topological
from loopodds.knowledge.cures import cure_chances, filling_of
from loopodds.knowledge.nodes import parents_of
from loopodds.knowledge.records import Knowledge


@dataclass(frozen=True, slots=True)
class Repair:
    """Services done together, and what had been seen since the repair before them."""

    services: Query
    seen: frozenset[str]  # findings and gauges; what was told of the car's past does not change
    # in which they were seen (the weather may have changed); that of the present when left out
    context: tuple[tuple[str, str], ...] | None = None
    left: frozenset[str] = frozenset()  # what had been seen too and is not used any more


def before(name: str, number: int) -> str:
    """Name of what something was before a repair; the first repair has the number 1."""
    return f"{name} (before repair {number})"


@lru_cache(maxsize=256)
def changed_by(services: Query, knowledge: Knowledge) -> frozenset[str]:
    """Nodes that services make something else: what was seen of them is out of date.

    Faults that they may cure, what hangs on these without being a fault itself (damage done
    stays done), and what was seen with the loop empty if they fill it again.
    """
    faults = knowledge.of_kind("fault")
    parents = {n: parents_of(node) for n, node in knowledge.nodes.items() if n not in faults}
    changed = _with_what_follows(cure_chances(services, knowledge), parents)
    if fills(services, knowledge):
        changed |= {n for test in with_empty_loop(knowledge) for n in knowledge.tests[test].yields}
    return frozenset(changed)


def fills(services: Iterable[str], knowledge: Knowledge) -> bool:
    """Whether the loop holds its refrigerant again after some services."""
    done = [knowledge.services[name] for name in services]
    return any(service.filling or service.settles for service in done)


@lru_cache(maxsize=8)
def with_empty_loop(knowledge: Knowledge) -> frozenset[str]:
    """Tests that empty the loop, and those that come after one."""
    tests = knowledge.tests.items()
    emptying = [name for name, test in tests if test.draws_charge]
    return frozenset(_with_what_follows(emptying, {name: test.after for name, test in tests}))


def _with_what_follows(names: Iterable[str], earlier: Mapping[str, Iterable[str]]) -> set[str]:
    """Some names and all that comes after one of them, directly or not."""
    reached: set[str] = set()
    new = set(names)
    while new:
        reached |= new
        new = {n for n, before in earlier.items() if not reached.isdisjoint(before)} - reached
    return reached


def still_done(tests: Iterable[str], services: Query, knowledge: Knowledge) -> Query:
    """Tests that need not be done again after services: what they showed has not changed."""
    changed = changed_by(services, knowledge)
    emptying = with_empty_loop(knowledge) if fills(services, knowledge) else frozenset()
    return tuple(
        name
        for name in tests
        if name not in emptying and changed.isdisjoint(knowledge.tests[name].yields)
    )


def shown_by(services: Iterable[str], knowledge: Knowledge) -> Query:
    """Findings that are seen while services are done, at no further cost."""
    known = [knowledge.services[name] for name in services]
    works = [work for service in known for work in (service, *filling_of(service, knowledge))]
    return tuple(dict.fromkeys(name for work in works for name in work.shows))


def repaired_network(
    networks: Sequence[Network],
    repairs: Sequence[Repair],
    knowledge: Knowledge,
    context: Mapping[str, str] | None = None,
) -> Network:
    """The network of a car on which repairs were done.

    Repairs between which nothing was seen that one of them made something else are followed as one:
    what a fault was between them bears on nothing, and the chances that it outlasted each of them
    multiply. This is exact.

    Args:
        networks: As if nothing had been done, in the context before each repair and in the present
            one.
        repairs: In the order in which they were done.
        context: The present one.
    """
    if not repairs:
        return networks[-1]
    hidden, observables, gauges = (
        dict[str, Discrete](),
        dict[str, Discrete](),
        dict[str, GaugeNode](),
    )
    times, parts = _parts(networks, repairs, knowledge, context)
    for part in parts:
        network = networks[part.moment]
        if part.base in network.hidden:
            hidden[part.name] = times.hidden(network.hidden[part.base], part)
        elif part.base in network.gauges:
            gauges[part.name] = times.node(network.gauges[part.base], part.moment, part.name)
        else:
            seen = network.observables[part.base]
            observables[part.name] = times.node(seen, part.moment, part.name)
    hidden = _bearing(hidden, [*observables.values(), *gauges.values()], knowledge.nodes.keys())
    order = topological({name: variable.parents for name, variable in hidden.items()})
    return Network({name: hidden[name] for name in order}, observables, gauges)


class Origin(NamedTuple):
    """Whose numbers a variable of a repaired car has."""

    base: str  # node of the knowledge
    moment: int  # in the context before the repair of that number, from 0; after the last one
    cells: IntArray  # flat: for every cell of its table, or of its means, the cell it is taken from
    chance: FloatArray  # flat: times what


def origins(
    networks: Sequence[Network],
    repairs: Sequence[Repair],
    knowledge: Knowledge,
    context: Mapping[str, str],
) -> Iterator[tuple[str, Origin]]:
    """Where the numbers of :func:`repaired_network` stand, which has the same arguments.

    What only says which course leads where has no numbers, and is left out.
    """
    times, parts = _parts(networks, repairs, knowledge, context)
    for part in parts:
        network = networks[part.moment]
        node = network.variable(part.base)
        shape = node.mean.shape if isinstance(node, GaugeNode) else node.table.shape
        cells = times.taken(np.arange(np.prod(shape)).reshape(shape), node.parents, part.moment)
        chance = np.ones(1)
        if part.base in times.courses:
            if part.name != times.carrier(part.base):
                continue
            courses = times.courses[part.base]
            cells, chance = cells[..., [c[0] for c in courses]], np.array([*courses.values()])
        chance = np.broadcast_to(chance, cells.shape)
        yield part.name, Origin(part.base, part.moment, cells.ravel(), chance.ravel())


class _Part(NamedTuple):
    """A variable of the network of a repaired car: what it is called, and what it was when."""

    name: str
    base: str
    moment: int


def _parts(
    networks: Sequence[Network],
    repairs: Sequence[Repair],
    knowledge: Knowledge,
    context: Mapping[str, str] | None,
) -> tuple[_Times, list[_Part]]:
    """Every variable, once, with all that bears on when it is what."""
    apart = [
        {name: was for name, was in names.items() if was != name}
        for names in names_before(repairs, (), knowledge, context)
    ]
    now = len(repairs)
    moments = [m for m in range(now + 1) if m in (0, now) or apart[m]]
    first, last = networks[0], networks[-1]
    times = _Times(first, repairs, moments, knowledge)
    parts: dict[str, _Part] = {}
    for name in first.hidden:
        if name in times.courses:
            parts[times.carrier(name)] = _Part(times.carrier(name), name, 0)
            parts[name] = _Part(name, name, 0)
            continue
        for moment in moments:
            here = times.name(name, moment)
            parts.setdefault(here, _Part(here, name, moment))
    for name in (*last.observables, *last.gauges):
        parts[name] = _Part(name, name, now)
    for moment, names in enumerate(apart):
        for name, was in sorted(names.items()):
            parts[was] = _Part(was, name, moment)
    return times, list(parts.values())


T = TypeVar("T", Discrete, GaugeNode)


class _Times:
    """What each variable is called, and was, at each moment: 0 is the car as it came.

    Attributes:
        courses: For each fault that a repair may have cured, the courses that it can have taken:
            its state at every moment that matters, with the probability of the cures once it is
            known how it came.
    """

    def __init__(
        self,
        network: Network,
        repairs: Sequence[Repair],
        moments: Sequence[int],
        knowledge: Knowledge,
    ) -> None:
        self._moments = {moment: place for place, moment in enumerate(moments)}
        self._chances = [cure_chances(repair.services, knowledge) for repair in repairs]
        self._changed = [changed_by(repair.services, knowledge) for repair in repairs]
        cured = {name for chances in self._chances for name in chances}
        self.courses = {
            name: self._courses(name, len(variable.states))
            for name, variable in network.hidden.items()
            if name in cured
        }

    def _courses(self, name: str, count: int) -> dict[tuple[int, ...], float]:
        found: dict[tuple[int, ...], float] = {(state,): 1.0 for state in range(count)}
        for moment, chances in enumerate(self._chances):
            chance = chances.get(name, np.zeros(count))
            after: dict[tuple[int, ...], float] = {}
            for course, p in found.items():
                kept = course if moment in self._moments else course[:-1]
                for state, share in ((course[-1], 1 - chance[course[-1]]), (0, chance[course[-1]])):
                    after[*kept, state] = after.get((*kept, state), 0.0) + p * share
            found = {course: p for course, p in after.items() if p > 0}
        return found

    def carrier(self, name: str) -> str:
        """Name of the variable that follows a fault through the repairs."""
        return f"{name} (through repairs)"

    def name(self, name: str, moment: int) -> str:
        """Name of something at a moment: the plain one if no later repair changes it."""
        later = enumerate(self._changed[moment:], start=moment + 1)
        return next((before(name, number) for number, changed in later if name in changed), name)

    def node(self, node: T, moment: int, name: str) -> T:
        """A node with its parents as they were at a moment."""
        tables = tuple(self.taken(table, node.parents, moment) for table in _arrays(node))
        named = tuple(
            self.carrier(parent) if parent in self.courses else self.name(parent, moment)
            for parent in node.parents
        )
        if isinstance(node, GaugeNode):
            return replace(node, name=name, parents=named, mean=tables[0], spread=tables[1])
        return replace(node, name=name, parents=named, table=tables[0])

    def taken(self, table: NDArray[Any], parents: Query, moment: int) -> NDArray[Any]:
        """A table over the states of parents as one over the courses of those that are followed."""
        for axis, parent in enumerate(parents):
            if parent in self.courses:
                place = self._moments[moment]
                states = [course[place] for course in self.courses[parent]]
                table = np.take(table, states, axis)
        return table

    def hidden(self, variable: Discrete, part: _Part) -> Discrete:
        """A hidden variable at a moment, or the course of a fault, or where that ends."""
        if variable.name not in self.courses:
            return self.node(variable, part.moment, part.name)
        if part.name == self.carrier(variable.name):
            return self.followed(variable)
        return self.at_last(variable)

    def followed(self, variable: Discrete) -> Discrete:
        """A fault through the repairs: how it came, and the luck of each cure."""
        came = self.node(variable, 0, self.carrier(variable.name))
        courses = self.courses[variable.name]
        table = came.table[..., [course[0] for course in courses]] * list(courses.values())
        return replace(came, states=tuple(map(str, courses)), table=table)

    def at_last(self, variable: Discrete) -> Discrete:
        """What a fault is now, given its course."""
        ends = [course[-1] for course in self.courses[variable.name]]
        table = np.eye(len(variable.states))[ends]
        return replace(variable, parents=(self.carrier(variable.name),), table=table)


def _arrays(node: Discrete | GaugeNode) -> tuple[FloatArray, ...]:
    return (node.mean, node.spread) if isinstance(node, GaugeNode) else (node.table,)


def _bearing(
    hidden: Mapping[str, Discrete], seen: Iterable[Discrete | GaugeNode], plain: Collection[str]
) -> dict[str, Discrete]:
    """Without what the car was before where that bears on nothing: it only makes sums larger."""
    kept = dict(hidden)
    parents = {parent for node in seen for parent in node.parents}
    while True:
        used = parents.union(*(variable.parents for variable in kept.values()))
        idle = [name for name in kept if name not in plain and name not in used]
        if not idle:
            return kept
        for name in idle:
            del kept[name]


def names_before(
    repairs: Iterable[Repair],
    seen_now: Iterable[str],
    knowledge: Knowledge,
    context: Mapping[str, str] | None = None,
) -> list[Mapping[str, str]]:
    """For each repair the names under which what had been seen before it is evidence now.

    What no repair has changed keeps its plain name, unless it has to be judged by another context
    than the present one. What was looked at again though no repair had changed it is left out: it
    is the same thing, and the later look stands.
    """
    again, changed = set(seen_now), set[str]()
    found: list[Mapping[str, str]] = []
    for number, repair in reversed(list(enumerate(repairs, start=1))):
        here = changed_by(repair.services, knowledge)
        again, changed = again - here, changed | here
        other = changed | _judged_otherwise(repair, context, knowledge)
        standing = sorted(repair.seen - again)
        found.append({n: before(n, number) if n in other else n for n in standing})
        again |= repair.seen
    return found[::-1]


def _judged_otherwise(
    repair: Repair, context: Mapping[str, str] | None, knowledge: Knowledge
) -> set[str]:
    """What was seen before a repair and depends on something in which the context differs."""
    if repair.context is None or context is None:
        return set()
    differ = {key for key, _ in set(repair.context) ^ set(context.items())}
    return {n for n in repair.seen if differ.intersection(knowledge.node(n).context_keys())}
