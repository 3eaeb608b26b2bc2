"""One car in one workshop: what is believed, what may be done, what it would cost.

A plan of services is paid for certain (work, material, what must be done before, one filling) and
leaves the harm of every fault that it does not cure, on average.
"""

from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import asdict, dataclass
from functools import cached_property, lru_cache
from typing import Any

import numpy as np

from loopodds.base.arrays import FloatArray
from loopodds.base.errors import unknown_name
from loopodds.decision.branches import State
from loopodds.decision.expected_cost import MOST_ACTIONS, Decision, Plan, best_order
from loopodds.decision.gates import Closed, Gates, Progress
from loopodds.decision.lookahead import Planner
from loopodds.decision.offers import FILLING, Offer, harm_of, offers_for, repair_decision
from loopodds.decision.prices import Prices, shipped_prices
from loopodds.diagnosis.belief import Belief
from loopodds.inference.information import Masks
from loopodds.inference.joints import Calibrated
from loopodds.inspection.encoding import encode
from loopodds.inspection.gauges import NAMEPLATES
from loopodds.inspection.inspection import InspectionBatch
from loopodds.inspection.vocabulary import AUXILIARY, CHOICES
from loopodds.knowledge.cures import fault_columns
from loopodds.knowledge.records import Knowledge

_PROBE = 300.0
"""A reading that can be turned into any scale: a pressure [kPa] within both saturation curves."""
_AMBIENT_C = {"cool": 15.0, "warm": 25.0}


@dataclass(frozen=True, slots=True)
class ServicePlan:
    """Services in the order to do them."""

    services: tuple[str, ...]  # empty: leave the car as it is
    first: tuple[str, ...]  # tests that have to be done before them, in order
    filling: bool  # whether the loop is evacuated and charged at the end
    outlay: float  # currency that is paid for certain
    minutes: float  # work, tests and filling included
    harm: float  # currency of harm left for a season, on average

    @property
    def cost(self) -> float:
        """Expected cost of the whole plan, in currency."""
        return self.outlay + self.harm

    def as_json(self) -> dict[str, Any]:
        """Plain data."""
        plain = {**asdict(self), "services": list(self.services), "first": list(self.first)}
        harm_left = plain.pop("harm")
        return {**plain, "harm_left": harm_left, "expected_cost": self.cost}


class Workshop:
    """A belief about one car with the rules and prices under which to act on it.

    Args:
        done: Tests done, in order; those whose findings are recorded need not be named.
        prices: The shipped ones when left out.
        context: All that is stated of the car, where the belief depends on less than the prices.

    Raises:
        UnknownName: if a test is not one.
    """

    def __init__(
        self,
        belief: Belief,
        done: Iterable[str] = (),
        prices: Prices | None = None,
        context: Mapping[str, str] | None = None,
    ) -> None:
        self.belief = belief
        self.knowledge = belief.model.knowledge
        tests = self.knowledge.tests
        self.done = tuple(done)
        if belief.model.repairs:
            past = [name for name, test in tests.items() if test.as_it_came]
            # a test can stand there twice: a sample may have been taken again
            self.done = (*(name for name in past if name not in self.done), *self.done)
        for name in self.done:
            if name not in tests:
                raise unknown_name("test", name, tests)
        stated = {**belief.context, **(context or {})}
        prices = prices or shipped_prices(self.knowledge)
        self.gates = _gates(self.knowledge, tuple(sorted(stated.items())), prices)

    @cached_property
    def progress(self) -> Progress:
        """How far the inspection has come."""
        return self.gates.progress(self.belief.evidence, self.done)

    @cached_property
    def failed(self) -> tuple[str, ...]:
        """Guards that were not passed."""
        return self.gates.failed(self.progress)

    @cached_property
    def decision(self) -> Decision:
        """All plans of services."""
        return repair_decision(self.gates, self.failed, self.belief.model.services_done)

    @cached_property
    def offers(self) -> dict[str, Offer]:
        """Services that can be done on this car, by name."""
        return {offer.name: offer for offer in offers_for(self.gates, self.failed)}

    @cached_property
    def harm(self) -> FloatArray:
        """Harm of every state of every fault, left for a season, shape (fault columns,)."""
        return harm_of(self.gates, self.belief.model.services_done)

    @cached_property
    def marginal(self) -> FloatArray:
        """What is believed now, as the decision wants it, shape (columns,)."""
        row: FloatArray = self.decision.marginals(self.belief.beliefs.faults, self.to_do)[0]
        return row

    @cached_property
    def to_do(self) -> FloatArray:
        """Needs and debts as things stand, shape (certain,)."""
        return self.decision.to_do(self.progress.done)

    @cached_property
    def best(self) -> Plan:
        """The plan of least expected cost as things stand."""
        return self.decision.best(self.marginal)

    @cached_property
    def single(self) -> State:
        """The car as it stands with every single test judged."""
        return self.planner.rank(self.progress)

    @property
    def closed(self) -> tuple[Closed, ...]:
        """Tests that nothing to be done now can open."""
        return tuple(self.gates.closed(self.progress))

    @cached_property
    def calibrated(self) -> Calibrated:
        """Every clique of the posterior."""
        tree = self.belief.model.tree(self.belief.context)
        return Calibrated(tree, self.belief.evidence)

    @cached_property
    def planner(self) -> Planner:
        """Planner of tests."""
        yields = {name: test.yields for name, test in self.knowledge.tests.items()}
        return Planner(
            self.calibrated, self.decision, self.gates, yields, masks(self.knowledge), self.extra
        )

    @cached_property
    def extra(self) -> Mapping[str, float]:
        """What this car adds to the spread of a reading taken under known conditions."""
        return _extra(self.knowledge, tuple(sorted(self.gates.context.items())))

    @cached_property
    def conditions(self) -> tuple[tuple[str, ...], FloatArray]:
        """Names of the conditions, and which columns of the decision make up each.

        The array has shape (columns, conditions), with ones and zeros.
        """
        conditions, pairs = self.knowledge.conditions, fault_columns(self.knowledge)
        member = np.zeros((len(pairs) + self.decision.certain, len(conditions)))
        member[: len(pairs)] = [
            [variable == c.variable and state in c.states for c in conditions.values()]
            for variable, state in pairs
        ]
        return tuple(conditions), member

    @cached_property
    def about(self) -> Collection[str]:
        """What tests inform about: the car's state, now and before repairs, not its history."""
        return self.calibrated.network.hidden.keys() - self.knowledge.of_kind("history").keys()

    def service_plan(self, plan: Plan) -> ServicePlan:
        """A plan of the decision in order, in the money of the workshop."""
        offers = [self.offers[name] for name in plan.actions]
        needs = frozenset[str]().union(*(offer.needs for offer in offers))
        prices = self.gates.prices
        first = tuple(n for n in self.decision.open_needs(self.progress.done) if n in needs)
        filling = FILLING in needs
        outlay = sum(offer.price for offer in offers) + sum(map(prices.of_work, first))
        minutes = sum(prices.minutes[name] for name in (*plan.actions, *first))
        if filling:
            outlay += prices.filling(self.gates.context.get("refrigerant"))
            minutes += prices.filling_minutes
        services = tuple(offer.name for offer in self._in_order(offers))
        return ServicePlan(services, first, filling, outlay, minutes, plan.cost - outlay)

    def _in_order(self, offers: Sequence[Offer]) -> list[Offer]:
        """Services so that, each being proved before the next, the job is expected to cost least.

        The faults they cure are weighed as if one of them were the cause; what the knowledge says
        must come first does.
        """
        if not 1 < len(offers) <= MOST_ACTIONS:
            return list(offers)
        cures = np.array([offer.cure for offer in offers])
        weight = self.marginal[: cures.shape[1]] * cures.any(axis=0)
        place = {offer.name: i for i, offer in enumerate(offers)}
        before = {}
        for i, offer in enumerate(offers):
            earlier = {*self.knowledge.services[offer.name].after}.union(*offer.with_one_of)
            before[i] = [place[name] for name in place if name in earlier]
        order = best_order(weight / weight.sum(), cures, [o.price for o in offers], before=before)
        return [offers[i] for i in order.actions]


@lru_cache(maxsize=64)
def _gates(knowledge: Knowledge, context: tuple[tuple[str, str], ...], prices: Prices) -> Gates:
    return Gates(knowledge, dict(context), prices)


@lru_cache(maxsize=8)
def masks(knowledge: Knowledge) -> Masks:
    """For each gauge the findings, with their states, under which it shows nothing."""
    return {
        name: {
            finding: [knowledge.node(finding).states.index(state) for state in states]
            for finding, states in node.masked_by.items()
        }
        for name, node in knowledge.of_kind("gauge").items()
        if node.masked_by
    }


@lru_cache(maxsize=64)
def _extra(knowledge: Knowledge, context: tuple[tuple[str, str], ...]) -> dict[str, float]:
    """Spread added to each gauge, found by taking one reading of each on such a car."""
    stated = dict(context)
    names = (*knowledge.of_kind("gauge"), *AUXILIARY)
    probe = InspectionBatch(
        1,
        readings={name: np.array([_PROBE]) for name in names},
        choices={
            key: np.array([values.index(stated[key])])
            for key, values in CHOICES.items()
            if stated.get(key) in values
        },
        numbers={
            "ambient_c": np.array([_AMBIENT_C[stated.get("weather", "warm")]]),
            "humidity_pct": np.array([50.0]),
            **{name: np.array([_PROBE]) for name in NAMEPLATES.values()},
        },
    )
    readings = encode(probe, knowledge).readings
    return {name: float(reading.extra[0]) for name, reading in readings.items()}
