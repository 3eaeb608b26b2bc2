"""How firm a plan of services is: what it rests on, and what could overturn it."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any, NamedTuple

import numpy as np

from loopodds.advice.further_tests import Outlook, informed_saving, look_ahead
from loopodds.base.arrays import FloatArray
from loopodds.decision.branches import ROUNDING, State
from loopodds.decision.expected_cost import Decision, Plan
from loopodds.decision.probes import masks
from loopodds.decision.workshop import ServicePlan, Workshop
from loopodds.diagnosis.belief import Belief, log_odds
from loopodds.diagnosis.explanation import imagine
from loopodds.diagnosis.predictions import predict
from loopodds.diagnosis.weights import DECIBANS, clamp_of
from loopodds.knowledge.cures import clearing

WORTH_A_WORD = 0.2
"""Probability of not holding from which on something taken for granted is told."""


class Proviso(NamedTuple):
    """Something on which a plan rests."""

    service: str  # the first one that rests on it
    condition: str  # that must be absent; empty where it is a guard that must be passed
    guard: str  # test that must be passed before; empty where it is a condition
    probability: float  # of the condition, or of the guard not being passed
    instead: str  # service that deals with it; empty where this car or workshop has none


def provisos(shop: Workshop, plan: Plan, ordered: ServicePlan) -> tuple[Proviso, ...]:
    """What a plan, also given in order, takes for granted; likeliest to fail first."""
    resting = [*_absences(shop, plan), *_passes(shop, ordered)]
    return tuple(sorted(resting, key=lambda proviso: -proviso.probability))


def _absences(shop: Workshop, plan: Plan) -> Iterator[Proviso]:
    """Conditions that a service needs absent and no service of the plan takes away."""
    cured = {name for action in plan.actions for name in _cured_by(shop, action)}
    resting: dict[str, str] = {}
    for service in plan.actions:
        for condition in shop.knowledge.services[service].assumes_no:
            resting.setdefault(condition, service)
    for condition, service in resting.items():
        probability = shop.belief.condition(condition)
        if condition not in cured and probability >= WORTH_A_WORD:
            instead = next((n for n in shop.offers if condition in _cured_by(shop, n)), "")
            yield Proviso(service, condition, "", probability, instead)


def _cured_by(shop: Workshop, service: str) -> set[str]:
    """Conditions that a service takes away, in part or altogether."""
    conditions, columns = shop.conditions
    cure = shop.offers[service].cure
    return {c for c, share in zip(conditions, cure @ columns[: len(cure)], strict=True) if share}


def _passes(shop: Workshop, plan: ServicePlan) -> Iterator[Proviso]:
    """Guards still to be done before the plan that may well not be passed."""
    follows, services = shop.gates.follows, shop.knowledge.services
    for guard in plan.first:
        failing = _failing(shop.belief, shop.gates.guards.get(guard, {}))
        if failing >= WORTH_A_WORD:
            instead = next((n for n in shop.offers if n in clearing(guard, shop.knowledge)), "")
            service = next(s for s in plan.services if follows(services[s], guard))
            yield Proviso(service, "", guard, failing, instead)


def _failing(belief: Belief, passing: Mapping[str, frozenset[str]]) -> float:
    """Probability that a guard is not passed, by the finding likeliest to fail it."""
    unseen = [name for name in passing if name not in belief.names]
    foretold = predict(belief.model.tree(belief.context), belief.evidence, unseen)
    states = belief.model.states
    passed = [
        float(foretold[name].states[0] @ [state in passing[name] for state in states(name)])
        for name in unseen
    ]
    return 1.0 - min(passed, default=1.0)


SUPPORT_DECIBANS = 3.0
"""A kind of evidence supports a condition when it at least doubles its odds."""


class BreakEven(NamedTuple):
    """From which probability of its condition on the dearest service pays."""

    # service, condition: the condition whose harm it takes away most
    service: str
    condition: str
    probability: float  # now
    # above which the best plan contains the service, all else that is known held; None where
    # no probability makes it pay
    threshold: float | None
    decibans: float  # evidence that would bring the probability to the threshold; zero without one


class OneKind(NamedTuple):
    """An expensive service that rests on one kind of evidence, or none: ask for another."""

    service: str
    condition: str
    kind: str
    ask: str


@dataclass(frozen=True, slots=True)
class Advice:
    """The plan for one car and how firm it is."""

    best: ServicePlan
    others: tuple[ServicePlan, ...]  # next in expected cost
    ignorance: float  # the cost of being wrong: what knowing every fault would save on average
    # of the dearest service of the best plan, or of the next one if that does nothing
    break_even: BreakEven | None
    doubts: tuple[OneKind, ...]
    provisos: tuple[Proviso, ...]
    # the plan of a workshop that could do everything, where it is cheaper
    elsewhere: ServicePlan | None
    outlook: Outlook  # what all remaining tests could still change

    def as_json(self) -> dict[str, Any]:
        """Plain data."""
        return {
            "best": self.best.as_json(),
            "others": [plan.as_json() for plan in self.others],
            "elsewhere": self.elsewhere.as_json() if self.elsewhere else None,
            "cost_of_being_wrong": self.ignorance,
            "break_even": self.break_even._asdict() if self.break_even else None,
            "takes_for_granted": [proviso._asdict() for proviso in self.provisos],
            "one_kind_of_evidence": [doubt._asdict() for doubt in self.doubts],
            "same_decision": {
                "probability": self.outlook.same,
                "services": dict(self.outlook.keeps),
                "draws": self.outlook.draws,
            },
            **self.outlook.saving_json(),
        }


def advise(shop: Workshop, state: State, rng: np.random.Generator) -> Advice:
    """The plan for one car, and how firm it is.

    ``state``: as things stand, with single moves judged; ``rng``: for what is estimated from
    draws of the posterior.
    """
    plans = shop.decision.alternatives(shop.marginal, 3)
    best = shop.service_plan(plans[0])
    moves = shop.gates.moves(shop.progress)
    seen = [name for move in moves for name in shop.knowledge.tests[move.test].yields]
    ignorance, _ = informed_saving(shop.calibrated, shop.decision, shop.to_do, rng)
    dear = next((name for plan in plans if (name := dearest(shop, plan))), None)
    return Advice(
        best,
        tuple(shop.service_plan(plan) for plan in plans[1:]),
        ignorance,
        break_even(shop, dear) if dear else None,
        tuple(_doubts(shop, plans[0], state)),
        provisos(shop, plans[0], best),
        _elsewhere(shop, plans[0]),
        look_ahead(
            shop.calibrated, shop.decision, seen, shop.to_do, rng,
            masks=masks(shop.knowledge), extra=shop.extra,
        ),
    )  # fmt: skip


def _elsewhere(shop: Workshop, here: Plan) -> ServicePlan | None:
    """The best plan of a workshop with every skill, where it saves money over the one here."""
    prices = shop.gates.prices.with_everything(shop.knowledge)
    other = Workshop(shop.belief, shop.done, prices, shop.gates.context, shop.inspection)
    return other.service_plan(other.best) if other.best.cost < here.cost - ROUNDING else None


def dearest(shop: Workshop, plan: Plan) -> str | None:
    """The service of a plan that costs most among those that cure; None where it has none."""
    curing = [name for name in plan.actions if shop.offers[name].cure.any()]
    return max(curing, key=lambda name: shop.offers[name].price, default=None)


def main_condition(shop: Workshop, service: str) -> str:
    """The condition from which a service is expected to take most harm away, as things stand."""
    conditions, columns = shop.conditions
    count = len(shop.offers[service].cure)
    relief = shop.marginal[:count] * shop.offers[service].cure * shop.harm
    return conditions[int((relief @ columns[:count]).argmax())]


def break_even(shop: Workshop, service: str) -> BreakEven:
    """From which probability of its main condition on a service is part of the best plan.

    Given the condition, and given its absence, all else keeps its probability; the two are mixed.
    """
    condition = main_condition(shop, service)
    probability = shop.belief.condition(condition)
    absent, present = _given(shop, condition)
    without = shop.decision.restricted(service, included=False)
    with_it = shop.decision.restricted(service, included=True)
    threshold = crossing(with_it, without, absent, present)
    odds = log_odds(np.array([probability if threshold is None else threshold, probability]))
    decibans = float(DECIBANS * (odds[0] - odds[1]))
    return BreakEven(service, condition, probability, threshold, decibans)


def crossing(
    with_it: Decision, without: Decision, absent: FloatArray, present: FloatArray
) -> float | None:
    """Probability of a condition from which on one decision costs less than another.

    ``absent``, ``present``, shape (columns,): marginals given the absence and the presence of the
    condition.

    Returns:
        Zero where it always does, None where it never does; otherwise by bisection to rounding.
    """

    def better(p: float) -> bool:
        mixed = ((1 - p) * absent + p * present)[None]
        return bool(with_it.cost(mixed)[0] < without.cost(mixed)[0])

    if better(0.0):
        return 0.0
    if not better(1.0):
        return None
    low, high = 0.0, 1.0
    for _ in range(52):
        middle = (low + high) / 2
        low, high = (low, middle) if better(middle) else (middle, high)
    return high


def _given(shop: Workshop, condition: str) -> tuple[FloatArray, FloatArray]:
    """Marginals given that a condition is absent, and that it is present."""
    variable, present = next(iter(clamp_of(shop.belief.model, condition).items()))
    batch = shop.belief.evidence.repeat(2).with_soft({variable: np.array([1 - present, present])})
    posterior = shop.calibrated.tree.propagate(batch, shop.decision.queries)
    without, with_it = shop.decision.of_joints(posterior.joints, shop.to_do)
    return without, with_it


def _doubts(shop: Workshop, plan: Plan, state: State) -> Iterator[OneKind]:
    """Expensive services of a plan that fewer than two kinds of evidence speak for."""
    expensive = [n for n in plan.actions if shop.offers[n].price >= shop.gates.prices.expensive]
    for service in expensive:
        condition = main_condition(shop, service)
        support = {k: d for k, d in kinds_for(shop, condition).items() if d >= SUPPORT_DECIBANS}
        if len(support) < 2:
            kind = next(iter(support), "")
            yield OneKind(service, condition, kind, _ask(shop, state, condition, kind))


def kinds_for(shop: Workshop, condition: str) -> dict[str, float]:
    """What each kind of evidence on its own adds to the odds of a condition [decibans].

    A kind is a display group of findings and readings, beside what the driver says: complaint
    and history are held in every row, they are no look at the car.
    """
    belief, knowledge = shop.belief, shop.knowledge
    groups: dict[str, list[str]] = {}
    for name in belief.names:
        node = knowledge.node(name)
        if node.kind in ("finding", "gauge") and not node.complaint:
            groups.setdefault(node.group, []).append(name)
    if not groups:
        return {}
    looks = {name for names in groups.values() for name in names}
    rows: list[list[str]] = [[], *groups.values()]
    keep = np.array([[n not in looks or n in names for n in belief.names] for names in rows])
    alone = belief.variations(belief.evidence.subsets(belief.names, keep))
    odds = log_odds(belief.model.probability(alone, condition))
    return dict(zip(groups, (DECIBANS * (odds[1:] - odds[0])).tolist(), strict=True))


def _ask(shop: Workshop, state: State, condition: str, kind: str) -> str:
    """The test of another kind that is expected to move a condition most, a wait apart."""
    conditions, columns = shop.conditions
    column = columns[:, conditions.index(condition)]
    moved = {}
    for branch in state.branches:
        nodes = [shop.knowledge.node(n) for n in shop.knowledge.tests[branch.move.test].yields]
        if all(node.group != kind and node.kind != "history" for node in nodes):
            change = np.abs((branch.marginals - state.marginal) @ column)
            moved[branch.move.test] = float(branch.chance @ change)
    return max(moved, key=lambda test: moved[test], default="")


WORTH = 0.02
"""Share of its expected cost by which another plan must be cheaper to count as another plan."""


class PlanTurn(NamedTuple):
    """A finding whose other value would make another plan the best."""

    name: str
    recorded: str  # what was seen; empty for what was not looked at
    state: str  # the other value
    chance: float  # how probable it is given all else
    services: tuple[str, ...]  # what would then be done
    saves: float  # currency that this is then expected to cost less than the present plan


def plan_turns(shop: Workshop) -> tuple[PlanTurn, ...]:
    """Every single value, seen or unseen, that would change the plan; unseen and probable first.

    What may be done, and what has to come before it, is taken as it now is.
    """
    decision = shop.decision
    values, beliefs = imagine(shop.belief)
    rows = decision.marginals(beliefs.faults, shop.to_do)
    kept, cheapest = decision.cost_of(shop.best, rows), decision.cost(rows)
    turns = [
        PlanTurn(name, recorded, state, chance, services, float(old - new))
        for (name, state, recorded, chance), services, old, new in zip(
            values, decision.chosen(rows), kept, cheapest, strict=True
        )
        if set(services) != set(shop.best.actions)
        and old - new > WORTH * old
        and state != recorded
        and chance > 0
    ]
    return tuple(sorted(turns, key=lambda turn: (bool(turn.recorded), -turn.chance)))
