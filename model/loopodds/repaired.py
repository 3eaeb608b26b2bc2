"""A car after repairs: the same network, with what was before kept beside what is now.

A repair cures each fault that it is meant for with a known chance. What the car was before
becomes a second copy of those faults, and of everything that hangs on them, under a name that says
so; what is now keeps the plain names. Evidence from before the repair stays evidence about the
copy, and so tells as much about the present as it should: a network of two time slices (Dean &
Kanazawa 1989), of which only what the repair touched is there twice.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np

from loopodds.aliases import FloatArray, Query
from loopodds.arcs import parents_of
from loopodds.cures import cure_chances, filling_of
from loopodds.knowledge import Knowledge
from loopodds.network import Discrete, Network, topological


@dataclass(frozen=True, slots=True)
class Repair:
    """Services done together, and what had been seen since the repair before them.

    ``seen`` are findings and gauges; what was told of the car's past does not change.
    """

    services: Query
    seen: frozenset[str]


def before(name: str, number: int) -> str:
    """Name of what something was before a repair; the first repair has the number 1."""
    return f"{name} (before repair {number})"


@lru_cache(maxsize=256)
def changed_by(services: Query, knowledge: Knowledge) -> frozenset[str]:
    """Nodes that services make something else: what was seen of them is out of date.

    Faults that they may cure, what hangs on these without being a fault itself (damage done
    stays done), and what was seen with the loop empty if they fill it again.
    """
    changed = set(cure_chances(services, knowledge))
    faults = knowledge.of_kind("fault")
    size = -1
    while size != len(changed):
        size = len(changed)
        changed |= {
            name
            for name, node in knowledge.nodes.items()
            if name not in faults and not changed.isdisjoint(parents_of(node))
        }
    if fills(services, knowledge):
        changed |= {n for test in with_empty_loop(knowledge) for n in knowledge.tests[test].yields}
    return frozenset(changed)


def fills(services: Iterable[str], knowledge: Knowledge) -> bool:
    """Whether the loop holds its refrigerant again after some services."""
    extras = [knowledge.services[name].extra for name in services]
    return any("filling" in extra or "settles" in extra for extra in extras)


@lru_cache(maxsize=8)
def with_empty_loop(knowledge: Knowledge) -> frozenset[str]:
    """Tests that empty the loop, and those that come after one."""
    found = {name for name, test in knowledge.tests.items() if test.extra.get("draws_charge")}
    size = -1
    while size != len(found):
        size = len(found)
        found |= {n for n, test in knowledge.tests.items() if not found.isdisjoint(test.after)}
    return frozenset(found)


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
    works = [one for service in known for one in (service, *filling_of(service, knowledge))]
    return tuple(dict.fromkeys(name for one in works for name in one.extra.get("shows", ())))


def repaired_network(network: Network, repairs: Iterable[Repair], knowledge: Knowledge) -> Network:
    """The network of a car on which repairs were done.

    Parameters
    ----------
    network : Network
        Of the car as it came.
    repairs : iterable of Repair
        In the order in which they were done.
    knowledge : Knowledge
        What the services cure.
    """
    for number, repair in enumerate(repairs, start=1):
        network = _repaired(network, repair, number, knowledge)
    return network


def _repaired(network: Network, repair: Repair, number: int, knowledge: Knowledge) -> Network:
    chances = cure_chances(repair.services, knowledge)
    changed = changed_by(repair.services, knowledge) & network.hidden.keys()

    def past(names: Query) -> Query:
        return tuple(before(name, number) if name in changed else name for name in names)

    hidden: dict[str, Discrete] = {}
    for name, variable in network.hidden.items():
        (was,) = past((name,))
        hidden[was] = replace(variable, name=was, parents=past(variable.parents))
        if name in chances:
            hidden[name] = _cured(variable, was, chances[name])
        elif name in changed:
            hidden[name] = variable
    order = topological({name: variable.parents for name, variable in hidden.items()})
    plain = knowledge.nodes
    observables = {
        name: node if name in plain else replace(node, parents=past(node.parents))
        for name, node in network.observables.items()
    }
    gauges = {
        name: node if name in plain else replace(node, parents=past(node.parents))
        for name, node in network.gauges.items()
    }
    for name in sorted(repair.seen):
        was, kept = before(name, number), network.variable(name)
        copies = gauges if name in network.gauges else observables
        copies[was] = replace(kept, name=was, parents=past(kept.parents))  # type: ignore[assignment]
    return Network({name: hidden[name] for name in order}, observables, gauges)


def _cured(variable: Discrete, was: str, chance: FloatArray) -> Discrete:
    """What a fault is after a repair, given what it was: sound with the chance of its cure."""
    table = np.diag(1 - chance)
    table[:, 0] += chance
    return Discrete(variable.name, variable.states, (was,), table)


def names_before(
    repairs: Iterable[Repair], seen_now: Iterable[str], knowledge: Knowledge
) -> list[Mapping[str, str]]:
    """For each repair the names under which what had been seen before it is evidence now.

    What no repair has changed and nobody has looked at again keeps its plain name.
    """
    later = set(seen_now)
    found: list[Mapping[str, str]] = []
    rounds = list(enumerate(repairs, start=1))
    for number, repair in reversed(rounds):
        later |= changed_by(repair.services, knowledge)
        found.append({n: before(n, number) if n in later else n for n in sorted(repair.seen)})
        later |= repair.seen
    return found[::-1]
