"""What to do to the car: the set of services of least expected cost, in the order to do them.

A plan is paid for certain (work, material, what must be done before, one filling) and leaves the
harm of every fault that it does not cure, on average.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from loopodds.decision.expected_cost import MOST_ACTIONS, Plan, best_order
from loopodds.decision.offers import FILLING, Offer
from loopodds.decision.prices import Prices
from loopodds.decision.workshop import Workshop
from loopodds.diagnosis.belief import Belief


@dataclass(frozen=True, slots=True)
class ServicePlan:
    """Services in the order to do them.

    Attributes
    ----------
    services : tuple of str
        Empty: leave the car as it is.
    first : tuple of str
        Tests that have to be done before them, in order.
    filling : bool
        Whether the loop is evacuated and charged at the end.
    outlay : float
        Currency that is paid for certain.
    minutes : float
        Work, tests and filling included.
    harm : float
        Currency of harm left for a season, on average.
    """

    services: tuple[str, ...]
    first: tuple[str, ...]
    filling: bool
    outlay: float
    minutes: float
    harm: float

    @property
    def cost(self) -> float:
        """Expected cost of the whole plan, in currency."""
        return self.outlay + self.harm

    def as_json(self) -> dict[str, Any]:
        """Plain data."""
        return {
            "services": list(self.services),
            "first": list(self.first),
            "filling": self.filling,
            "outlay": self.outlay,
            "minutes": self.minutes,
            "harm_left": self.harm,
            "expected_cost": self.cost,
        }


def best_plan(
    belief: Belief,
    done: Iterable[str] = (),
    prices: Prices | None = None,
    context: Mapping[str, str] | None = None,
) -> ServicePlan:
    """The plan of least expected cost for one car.

    Parameters
    ----------
    belief : Belief
    done : iterable of str
        Tests done, in order; those whose findings are recorded need not be named.
    prices : Prices, optional
    context : mapping of str to str, optional
        Everything stated about the car, where that is more than the belief depends on.
    """
    shop = Workshop(belief, done, prices, context)
    return service_plan(shop, shop.decision.best(shop.marginal))


def service_plan(shop: Workshop, plan: Plan) -> ServicePlan:
    """A plan of the decision in the words and the money of the workshop."""
    offers = [shop.offers[name] for name in plan.actions]
    needs = frozenset[str]().union(*(offer.needs for offer in offers))
    prices = shop.gates.prices
    first = tuple(name for name in shop.decision.open_needs(shop.progress.done) if name in needs)
    filling = FILLING in needs
    outlay = sum(offer.price for offer in offers) + sum(map(prices.of_work, first))
    minutes = sum(prices.minutes[name] for name in (*plan.actions, *first))
    if filling:
        outlay += prices.filling(shop.gates.context.get("refrigerant"))
        minutes += prices.filling_minutes
    services = tuple(offer.name for offer in _in_order(shop, offers))
    return ServicePlan(services, first, filling, outlay, minutes, plan.cost - outlay)


def _in_order(shop: Workshop, offers: Sequence[Offer]) -> list[Offer]:
    """Services so that, each being proved before the next, the job is expected to cost least.

    The faults they cure are weighed as if one of them were the cause; what the knowledge says
    must come first does.
    """
    if not 1 < len(offers) <= MOST_ACTIONS:
        return list(offers)
    cures = np.array([offer.cure for offer in offers])
    weight = shop.marginal[: cures.shape[1]] * cures.any(axis=0)
    place = {offer.name: i for i, offer in enumerate(offers)}
    before = {
        i: [place[name] for name in place if name in _earlier(shop, offer)]
        for offer, i in zip(offers, place.values(), strict=True)
    }
    order = best_order(weight / weight.sum(), cures, [o.price for o in offers], before=before)
    return [offers[i] for i in order.actions]


def _earlier(shop: Workshop, offer: Offer) -> set[str]:
    """Services that have to be done before one."""
    return {*shop.knowledge.services[offer.name].after}.union(*offer.with_one_of)
