"""What to offer the customer: up to three plans, what each does for the complaint, what it leaves.

The least cures the complaint at the lowest price, the best has the least expected cost, the most
thorough leaves the least harm to someone who weighs harm three times as heavily.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from typing import Any, NamedTuple

import numpy as np

from loopodds.advice.promise import Chance, Promise
from loopodds.base.arrays import FloatArray
from loopodds.base.phrases import lowered, money
from loopodds.decision.expected_cost import Plan
from loopodds.decision.workshop import ServicePlan, Workshop
from loopodds.knowledge.cures import cure_chances, cured_states

LEAST, BEST, THOROUGH = "least", "best", "thorough"
AS_GOOD = 0.8
"""The least plan has at least this share of the best chance that the complaint is gone."""
HARM_WEIGHED = 3.0
"""How many times the most thorough plan weighs harm left against money paid."""
LIKELY = 0.5
"""From here on a condition is rather there than not."""
SPARING = 0.3
"""The same for the cheap plans among which the least is looked for."""
TRIED = 12
"""Plans of each weighing of harm among which to look; engineering choice, for speed."""


class Left(NamedTuple):
    """Something that may well be wrong with the car after a plan."""

    condition: str
    probability: float  # after the plan
    # watched: a service of the plan eases it, and it is looked at again; no_cure: nothing cures it;
    # not_here: this car or workshop rules it out; shut: not as things stand; may_stay: the plan may
    # not take it away; other_offer: the best plan deals with it; not_worth: it costs more than it
    # saves
    reason: str
    because: str  # in plain words
    service: str  # that would cure it or is meant to; empty where there is none


@dataclass(frozen=True, slots=True)
class Proposal:
    """One plan as it is offered."""

    kinds: tuple[str, ...]  # which of least, best and thorough it is
    plan: ServicePlan
    gone: Chance | None  # that the complaint is gone after it; None where there was none
    leaves: tuple[Left, ...]

    def as_json(self) -> dict[str, Any]:
        """Plain data."""
        return {
            "kinds": list(self.kinds),
            **self.plan.as_json(),
            "complaint_gone": self.gone.as_json() if self.gone else None,
            "leaves": [left._asdict() for left in self.leaves],
        }


def proposals(shop: Workshop, promise: Promise) -> tuple[Proposal, ...]:
    """Up to three plans, cheapest first; one that is several of the three is told once."""
    thorough = shop.decision.best(_weighed(shop, HARM_WEIGHED))
    chosen = [(BEST, shop.best), (THOROUGH, _costed(shop, thorough))]
    if promise.complaints:
        chosen.insert(0, (LEAST, _least(_candidates(shop), shop, promise)))
    kinds: dict[tuple[str, ...], tuple[list[str], Plan]] = {}
    for kind, plan in chosen:
        kinds.setdefault(tuple(sorted(plan.actions)), ([], plan))[0].append(kind)
    told = [(tuple(names), shop.service_plan(plan)) for names, plan in kinds.values()]
    return tuple(
        Proposal(names, plan, promise.gone(plan.services), left_by(shop, plan))
        for names, plan in sorted(told, key=lambda pair: pair[1].outlay)
    )


def _weighed(shop: Workshop, weight: float) -> FloatArray:
    """What is believed, with every harm weighed so many times, shape (columns,)."""
    marginal = shop.marginal.copy()
    marginal[: len(shop.harm)] *= weight
    return marginal


def _costed(shop: Workshop, plan: Plan) -> Plan:
    """A plan with its cost as things stand, however harm was weighed in choosing it."""
    return plan._replace(cost=float(shop.decision.cost_of(plan, shop.marginal[None])[0]))


def _candidates(shop: Workshop) -> list[Plan]:
    """Plans among which the least is looked for: none that is more likely in vain than not."""
    plans = {tuple(sorted(shop.best.actions)): shop.best}
    for weight in (1.0, HARM_WEIGHED, SPARING):
        for plan in shop.decision.alternatives(_weighed(shop, weight), TRIED):
            key = tuple(sorted(plan.actions))
            if key not in plans and not _in_vain(shop, plan):
                plans[key] = _costed(shop, plan)
    return list(plans.values())


def _in_vain(shop: Workshop, plan: Plan) -> bool:
    """Whether something is likely there that a service needs absent and the plan leaves."""
    services = shop.knowledge.services
    cured = {pair for name in plan.actions for pair in _cured(shop, name)}
    return any(
        shop.belief.condition(name) > LIKELY
        and cured.isdisjoint(cured_states(name, shop.knowledge))
        for action in plan.actions
        for name in services[action].assumes_no
    )


def _least(plans: Iterable[Plan], shop: Workshop, promise: Promise) -> Plan:
    """The cheapest plan that does nearly as much for the complaint as any of them."""
    rated = []
    for plan in plans:
        told = shop.service_plan(plan)
        gone = promise.gone(told.services)
        rated.append((plan, told.outlay, plan.cost, gone.probability if gone else 0.0))
    enough = AS_GOOD * max(chance for *_, chance in rated)
    return min((r for r in rated if r[3] >= enough), key=lambda r: (r[1], r[2]))[0]


def left_by(shop: Workshop, plan: ServicePlan) -> tuple[Left, ...]:
    """What a plan may well leave and why, likeliest first; what can hurt or foul from less on."""
    knowledge, (names, columns) = shop.knowledge, shop.conditions
    cures = cure_chances(plan.services, knowledge)
    faults = knowledge.of_kind("fault").items()
    stays = 1 - np.hstack([cures.get(n, np.zeros(len(node.states))) for n, node in faults])
    after = shop.marginal[: len(stays)] * stays
    chances, harms = ((row @ columns[: len(row)]).tolist() for row in (after, after * shop.harm))
    left = []
    for name, chance, harm in zip(names, chances, harms, strict=True):
        fault = knowledge.harms.get(knowledge.conditions[name].variable)
        if fault is not None and chance >= fault.tell_from:
            left.append(_left(shop, plan, name, chance, harm))
    return tuple(sorted(left, key=lambda one: -one.probability))


def _left(shop: Workshop, plan: ServicePlan, name: str, after: float, harm: float) -> Left:
    """Why a plan leaves a condition; `harm` is what is expected of leaving it [currency]."""
    services, condition = shop.knowledge.services, shop.knowledge.conditions[name]
    wanted = {(condition.variable, state) for state in condition.states}
    curing = [n for n in services if wanted & set(_cured(shop, n))]
    meant = next((n for n in plan.services if n in curing), "")
    offered = [n for n in curing if n in shop.offers]
    easing = [n for n in plan.services if wanted & _eased(shop, n)]
    if easing and not meant:
        because = f"watched: {lowered(services[easing[0]].title)}"
        return Left(name, after, "watched", because, easing[0])
    if not curing:
        return Left(name, after, "no_cure", "nothing in the book cures it", "")
    if meant:
        because = f"{lowered(services[meant].title)} does not always take it away"
        return Left(name, after, "may_stay", because, meant)
    if offered:
        best = next((n for n in shop.best.actions if n in curing), "")
        if best:
            because = f"{lowered(services[best].title)} is not part of this offer"
            return Left(name, after, "other_offer", because, best)
        cheapest = min(offered, key=lambda n: shop.offers[n].price)
        left = money(harm, shop.gates.prices.currency)
        because = (
            f"{lowered(services[cheapest].title)} would cost more than the {left} that "
            "leaving it a season is expected to cost"
        )
        return Left(name, after, "not_worth", because, cheapest)
    reasons = {n: shop.gates.why_never(n) for n in curing}
    open_here = next((n for n, why in reasons.items() if not why), "")
    if open_here:
        in_force = (*shop.stops, *shop.held_back)
        stops = (stop.title for stop in in_force if open_here in stop.shut_services)
        why = next((f"stopped: {lowered(title)}" for title in stops), "not as things stand")
        because = f"{lowered(services[open_here].title)}: {why}"
        return Left(name, after, "shut", because, open_here)
    first = min(curing, key=lambda n: shop.gates.prices.of_work(n))
    because = f"{lowered(services[first].title)}: {reasons[first]}"
    return Left(name, after, "not_here", because, first)


def _eased(shop: Workshop, service: str) -> set[tuple[str, str]]:
    """Fault variable and state of everything of which a service spares some harm."""
    eases = shop.knowledge.services[service].eases
    return {pair for target in eases for pair in cured_states(target, shop.knowledge)}


def _cured(shop: Workshop, service: str) -> Iterator[tuple[str, str]]:
    """Fault variable and state of everything that a service can take away."""
    known = shop.knowledge.services
    filling = known[service].filling
    for source in {service, filling or service}:
        for target in known[source].cures:
            yield from cured_states(target, shop.knowledge)
