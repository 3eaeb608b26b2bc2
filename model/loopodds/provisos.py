"""What a plan of services takes for granted, where that may well not hold."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import NamedTuple

from loopodds.bay import Bay
from loopodds.belief import Belief
from loopodds.decision import Plan
from loopodds.predictions import predict
from loopodds.repairs import clearing
from loopodds.service import ServicePlan

WORTH_A_WORD = 0.2
"""Probability of not holding from which on something taken for granted is told."""


class Proviso(NamedTuple):
    """Something on which a plan rests.

    Attributes
    ----------
    service : str
        The first one that rests on it.
    condition : str
        That must be absent; empty where it is a guard that must be passed.
    guard : str
        Test that must be passed before; empty where it is a condition.
    probability : float
        Of the condition, or of the guard not being passed.
    instead : str
        Service that deals with it; empty where this car or workshop has none.
    """

    service: str
    condition: str
    guard: str
    probability: float
    instead: str


def provisos(bay: Bay, plan: Plan, ordered: ServicePlan) -> tuple[Proviso, ...]:
    """What a plan takes for granted and what would be done instead; likeliest to fail first.

    Parameters
    ----------
    bay : Bay
    plan : Plan
    ordered : ServicePlan
        The same plan with the tests that come before it.
    """
    found = [*_absences(bay, plan), *_passes(bay, ordered)]
    return tuple(sorted(found, key=lambda one: -one.probability))


def _absences(bay: Bay, plan: Plan) -> Iterator[Proviso]:
    """Conditions that a service needs absent and no service of the plan takes away."""
    cured = {name for action in plan.actions for name in _cured_by(bay, action)}
    resting: dict[str, str] = {}
    for service in plan.actions:
        for condition in bay.knowledge.services[service].extra.get("assumes_no", ()):
            resting.setdefault(condition, service)
    for condition, service in resting.items():
        probability = bay.belief.condition(condition)
        if condition not in cured and probability >= WORTH_A_WORD:
            instead = next((n for n in bay.offers if condition in _cured_by(bay, n)), "")
            yield Proviso(service, condition, "", probability, instead)


def _cured_by(bay: Bay, service: str) -> set[str]:
    """Conditions that a service takes away, in part or altogether."""
    conditions, columns = bay.conditions
    cure = bay.offers[service].cure
    return {c for c, share in zip(conditions, cure @ columns[: len(cure)], strict=True) if share}


def _passes(bay: Bay, plan: ServicePlan) -> Iterator[Proviso]:
    """Guards still to be done before the plan that may well not be passed."""
    for guard in plan.first:
        failing = _failing(bay.belief, bay.gates.guards.get(guard, {}))
        if failing < WORTH_A_WORD:
            continue
        instead = next((n for n in bay.offers if n in clearing(guard, bay.knowledge)), "")
        service = next(
            s for s in plan.services if bay.gates.follows(bay.knowledge.services[s], guard)
        )
        yield Proviso(service, "", guard, failing, instead)


def _failing(belief: Belief, passing: Mapping[str, frozenset[str]]) -> float:
    """Probability that a guard is not passed, by the finding likeliest to fail it."""
    tree = belief.model.tree(belief.context)
    unseen = [name for name in passing if name not in belief.names]
    foretold = predict(tree, belief.evidence, unseen)
    chances = [
        1.0 - sum(
            float(p)
            for state, p in zip(belief.model.states(name), foretold[name].states[0], strict=True)
            if state in passing[name]
        )
        for name in unseen
    ]  # fmt: skip
    return max(chances, default=0.0)
