"""What services do to the state of a car, as the knowledge says it, whatever they cost.

Faults are cured independently: what two services both cure stays with the product of their
failures. A loop is filled once, however many services fill it.
"""

import itertools
from collections.abc import Mapping, Sequence
from typing import NamedTuple

import numpy as np

from loopodds.base.arrays import FloatArray
from loopodds.knowledge.records import Knowledge
from loopodds.knowledge.work import Service


class Work(NamedTuple):
    """One service as arrays of shape (fault columns,), a column for each state of each fault.

    Chances that it removes the state, by its own work and by the filling that it includes; the
    currency lost by doing it while the state is there and stays; the share of the harm of a state
    that it spares though the state stays.
    """

    own: FloatArray
    filled: FloatArray
    in_vain: FloatArray
    eased: FloatArray


def fault_columns(knowledge: Knowledge) -> list[tuple[str, str]]:
    """Fault variable and state of each column, in file order."""
    faults = knowledge.of_kind("fault").items()
    return [(name, state) for name, node in faults for state in node.states]


def filling_of(service: Service, knowledge: Knowledge) -> list[Service]:
    """The service that a service includes because it fills the loop, if it does."""
    return [knowledge.services[service.filling]] if service.filling else []


def work_of(service: Service, knowledge: Knowledge) -> Work:
    """What a service cures and what is lost by it."""
    fillings = filling_of(service, knowledge)
    own = [] if service in fillings else [service.cures]
    return Work(
        _by_column(own, knowledge),
        _by_column([included.cures for included in fillings], knowledge),
        _by_column([included.in_vain for included in (service, *fillings)], knowledge),
        _by_column([service.eases], knowledge),
    )


def outlasts(own: Sequence[FloatArray], filled: Sequence[FloatArray]) -> FloatArray:
    """Chance that each state of each fault outlasts at least one service, all (fault columns,)."""
    failed = np.prod([1 - chance for chance in own], axis=0)
    stays: FloatArray = failed * (1 - np.max(filled, axis=0))
    return stays


def cure_chances(services: Sequence[str], knowledge: Knowledge) -> dict[str, FloatArray]:
    """Chance that services together remove each state of each fault that any of them cures.

    Shape (states,) by fault variable; the sound state has the chance zero.
    """
    if not services:
        return {}
    works = [work_of(knowledge.services[name], knowledge) for name in services]
    gone = iter(1 - outlasts([work.own for work in works], [work.filled for work in works]))
    chances = {
        name: np.array(list(itertools.islice(gone, len(node.states))))
        for name, node in knowledge.of_kind("fault").items()
    }
    return {name: chance for name, chance in chances.items() if chance.any()}


def lost_in_vain(services: Sequence[str], knowledge: Knowledge) -> FloatArray:
    """Currency that services done cost on top while each state of each fault is still there.

    Shape (fault columns,); what two of them put in the loop is lost once.
    """
    lost = [work_of(knowledge.services[name], knowledge).in_vain for name in services]
    return np.max(lost, axis=0) if lost else np.zeros(len(fault_columns(knowledge)))


def cured_states(target: str, knowledge: Knowledge) -> frozenset[tuple[str, str]]:
    """Fault variable and state for each state that a key of ``cures`` covers; none if unknown.

    A key is a condition, a fault variable (every state but the sound one), ``variable.state`` or
    ``variable.state|state``.
    """
    faults = knowledge.of_kind("fault")
    if target in knowledge.conditions:
        condition = knowledge.conditions[target]
        return frozenset((condition.variable, state) for state in condition.states)
    variable, _, named = target.partition(".")
    if variable not in faults:
        return frozenset()
    possible = faults[variable].states[1:]
    wanted = named.split("|") if named else possible
    return frozenset((variable, s) for s in wanted) if {*wanted} <= {*possible} else frozenset()


def _by_column(lists: Sequence[Mapping[str, float]], knowledge: Knowledge) -> FloatArray:
    """Figures given for conditions, faults or states: the largest that holds for each column."""
    columns = fault_columns(knowledge)
    largest = np.zeros(len(columns))
    for target, figure in itertools.chain.from_iterable(figures.items() for figures in lists):
        covered = cured_states(target, knowledge)
        largest = np.maximum(largest, [figure * (column in covered) for column in columns])
    return largest


def kept_apart(knowledge: Knowledge) -> dict[str, frozenset[str]]:
    """Services that exclude each other, whichever of the two says so, or include each other."""
    apart: dict[str, set[str]] = {name: set() for name in knowledge.services}
    for name, service in knowledge.services.items():
        included = [filling.name for filling in filling_of(service, knowledge)]
        for other in {*service.not_with, *included} - {name}:
            apart[name].add(other)
            apart[other].add(name)
    return {name: frozenset(others) for name, others in apart.items()}
