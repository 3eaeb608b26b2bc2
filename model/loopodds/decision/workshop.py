"""One car in one workshop: what is believed, what may be done, what it would cost.

A plan of services is paid for certain (work, material, what must be done before, one filling) and
leaves the harm of every fault that it does not cure, on average.
"""

from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import asdict, dataclass
from functools import cached_property, lru_cache, partial
from typing import Any

import numpy as np

from loopodds.base.arrays import FloatArray, Query
from loopodds.base.errors import unknown_name
from loopodds.decision.branches import Branch, State
from loopodds.decision.expected_cost import MOST_ACTIONS, Decision, Plan, best_order
from loopodds.decision.gates import Gates
from loopodds.decision.lookahead import Planner
from loopodds.decision.moves import Closed, Move, Progress, Step
from loopodds.decision.offers import FILLING, OPENING, Offer, harm_of, offers_for, repair_decision
from loopodds.decision.prices import Prices, shipped_prices
from loopodds.decision.probes import bar_scales, extra_spread, masks, typical_bar_scales
from loopodds.diagnosis.belief import Belief
from loopodds.diagnosis.complaints import complaints_of, powers
from loopodds.diagnosis.repaired_car import shown_by
from loopodds.inference.joints import Calibrated
from loopodds.inference.network import Evidence
from loopodds.inspection.encoding import encoding_of
from loopodds.inspection.inspection import Inspection
from loopodds.knowledge.cures import fault_columns
from loopodds.knowledge.records import Knowledge
from loopodds.safety.stops import (
    Chance,
    Facts,
    StopInForce,
    chance_of,
    gauge_bar,
    watched_readings,
    with_companions,
    worded,
)


@dataclass(frozen=True, slots=True)
class ServicePlan:
    """Services in the order to do them."""

    services: tuple[str, ...]  # empty: leave the car as it is
    first: tuple[str, ...]  # tests that have to be done before them, in order
    set_ups: tuple[str, ...]  # what these tests share and does not stand
    filling: bool  # whether the loop is evacuated and charged at the end
    opening: bool  # whether it is opened, sealed again and proved tight
    outlay: float  # currency that is paid for certain
    minutes: float  # work, tests and filling included
    # currency of harm left for a season, on average; the price of a complaint not solved included
    harm: float

    @property
    def cost(self) -> float:
        """Expected cost of the whole plan, in currency."""
        return self.outlay + self.harm

    def as_json(self) -> dict[str, Any]:
        """Plain data."""
        lists = {key: list(getattr(self, key)) for key in ("services", "first", "set_ups")}
        plain = {**asdict(self), **lists}
        harm_left = plain.pop("harm")
        return {**plain, "harm_left": harm_left, "expected_cost": self.cost}


class Workshop:
    """A belief about one car with the rules and prices under which to act on it.

    Args:
        done: Tests done, in order; those whose findings are recorded need not be named.
        prices: The shipped ones when left out.
        context: All that is stated of the car, where the belief depends on less than the prices.
        inspection: What was recorded, where it is at hand: its pressures as they were read.
        course: Tests done on the car as it now stands, in order, as far as that is known. When left
            out, that of the inspection, else ``done`` where nothing was repaired.

    Raises:
        UnknownName: if a test is not one.
    """

    def __init__(
        self,
        belief: Belief,
        done: Iterable[str] = (),
        prices: Prices | None = None,
        context: Mapping[str, str] | None = None,
        inspection: Inspection | None = None,
        course: Iterable[str] | None = None,
    ) -> None:
        self.belief = belief
        self.inspection = inspection
        self.knowledge = belief.model.knowledge
        tests = self.knowledge.tests
        self.done = tuple(done)
        told = None if inspection is None else inspection.course
        known = () if belief.model.repairs else self.done
        self.course = tuple(course) if course is not None else known if told is None else told
        if belief.model.repairs:
            past = [name for name, test in tests.items() if test.as_it_came]
            # a test can stand there twice: a sample may have been taken again
            self.done = (*(name for name in past if name not in self.done), *self.done)
        for name in self.done:
            if name not in tests:
                raise unknown_name("test", name, tests)
        self._prices = prices
        self._stated = {**belief.context, **(context or {})}

    @cached_property
    def gates(self) -> Gates:
        """The rules of this car in this workshop.

        Raises:
            KnowledgeError: if the knowledge lacks prices, and none were given.
        """
        prices = self._prices or shipped_prices(self.knowledge)
        return gates_of(self.knowledge, tuple(sorted(self._stated.items())), prices)

    def believing(self, belief: Belief) -> "Workshop":
        """The same car and workshop under another belief."""
        told = self.done, self._prices, self._stated, self.inspection, self.course
        return Workshop(belief, *told)

    @cached_property
    def progress(self) -> Progress:
        """How far the inspection has come, and the stops in force."""
        evidence = self.belief.evidence
        repairs = self.belief.model.repairs
        shown = shown_by(repairs[-1].services, self.knowledge) if repairs else ()
        bars = self._bars(evidence)
        return self.gates.progress(evidence, self.done, self._believed, bars, shown, self.course)

    @cached_property
    def facts(self) -> Facts:
        """What is known of the car, as stops ask for it."""
        evidence = self.belief.evidence
        return self.gates.facts(evidence, self.progress, self._believed, self._bars(evidence))

    @cached_property
    def _believed(self) -> Chance:
        faults = self.belief.beliefs.faults
        return self._chance(np.hstack([faults[n] for n in self.knowledge.of_kind("fault")]))

    def _chance(self, marginal: FloatArray) -> Chance:
        return partial(chance_of, marginal, knowledge=self.knowledge)

    def _bars(self, evidence: Evidence) -> dict[str, FloatArray]:
        """Pressures [bar gauge] as read; where only their distance from sound is known, from it."""
        read = {} if self.inspection is None else self.inspection.readings
        bars = {}
        for name in watched_readings(self.knowledge):
            if name in read:
                bars[name] = np.array([gauge_bar(read[name].value)])
            elif name in evidence.numbers:
                scale, pressures = self._scales[name]
                if len(scale):  # else the refrigerant is not stated
                    bars[name] = np.interp(evidence.numbers[name][0], scale, pressures)
        return bars

    @cached_property
    def _scales(self) -> Mapping[str, tuple[FloatArray, FloatArray]]:
        if self.inspection is not None:
            batch = encoding_of(self.inspection, self.knowledge).batch
            return bar_scales(batch, self.knowledge)
        return typical_bar_scales(self.knowledge, tuple(sorted(self.gates.context.items())))

    def at_outcome(self, branch: Branch, row: int) -> tuple[Progress, Facts]:
        """How far things are at an outcome of a move, with the stops that hold there."""
        leaf, cell = branch.position(row)
        codes = {n: np.array([code]) for n, code in leaf.seen.items()}
        numbers = {}
        for name, code in leaf.cells.seen(cell).items():
            grid = leaf.cells.grids[leaf.cells.names.index(name)]
            if grid is None:
                codes[name] = np.array([code])
            else:
                numbers[name] = grid.nodes[code : code + 1], np.zeros(1)
        now = self.belief.evidence
        seen = Evidence(1, {**now.codes, **codes}, now.soft, {**now.numbers, **numbers})
        progress = self.planner.progress_at(branch, leaf, cell)
        marginal = branch.marginals[row : row + 1, : len(self.harm)]
        facts = self.gates.facts(seen, progress, self._chance(marginal), self._bars(seen))
        return self.gates.stopped(progress, facts), facts

    def decision_for(self, progress: Progress) -> Decision:
        """All plans of services once so much was done and found."""
        services_done = self.belief.model.services_done
        failed, barred = self.gates.failed(progress), self.gates.bars(progress)
        return repair_decision(self.gates, failed, services_done, barred, self.brought_about)

    @cached_property
    def complaints(self) -> dict[str, bool]:
        """What the customer complains of, and whether it was said of the car as it is now."""
        return complaints_of(self.belief, self.gates.context)

    @cached_property
    def brought_about(self) -> tuple[float, ...]:
        """How likely each fault column brings about a complaint; empty where there is none."""
        if not self.complaints:
            return ()
        found = powers(self.belief.model, self.belief.context, tuple(self.complaints))
        return tuple(found.tolist())

    def plan_at(self, branch: Branch, row: int) -> Query:
        """Services of the best plan at an outcome of a move."""
        progress, facts = self.at_outcome(branch, row)
        decision = self.decision_for(progress)
        to_do = decision.to_do(progress.done, progress.standing)
        marginal = np.append(branch.marginals[row, : len(self.harm)], to_do)
        return self.with_companions(decision.best(marginal).actions, progress.stops, facts)

    def with_companions(
        self, services: Query, stops: Collection[str] | None = None, facts: Facts | None = None
    ) -> Query:
        """Services with those that go along with the stops in force, those of the car as it is."""
        held = self.progress.stops if stops is None else stops
        return with_companions(services, held, facts or self.facts, self.knowledge)

    @cached_property
    def stops(self) -> tuple[StopInForce, ...]:
        """Stops in force, in the order of the knowledge."""
        return self._in_force(quiet=False)

    @cached_property
    def held_back(self) -> tuple[StopInForce, ...]:
        """Rules of the house in force that hold some work back, likewise."""
        return self._in_force(quiet=True)

    def _in_force(self, quiet: bool) -> tuple[StopInForce, ...]:
        stops = {n: stop for n, stop in self.knowledge.stops.items() if stop.quiet is quiet}
        if not stops:  # the belief is not worked out then
            return ()
        held = [stop for name, stop in stops.items() if name in self.progress.stops]
        told = (worded(stop, self.facts, self.knowledge) for stop in held)
        return tuple(self._as_here(stop) for stop in told)

    def _as_here(self, stop: StopInForce) -> StopInForce:
        """A stop with what it shuts on this car in this workshop."""
        shut, never = self.gates.shut_by(stop.name, self.progress), self.gates.why_never
        return stop._replace(
            shut_tests=tuple(n for n in stop.shut_tests if n in shut and not never(n)),
            shut_services=tuple(n for n in stop.shut_services if n in shut and not never(n)),
            filtered=tuple(n for n in stop.filtered if not never(n)),
            settled_by=tuple(test for test in stop.settled_by if self._open(test)),
        )

    def _open(self, test: str) -> bool:
        return isinstance(self.gates.way(test, self.progress), Move)

    @cached_property
    def failed(self) -> tuple[str, ...]:
        """Guards that were not passed."""
        return self.gates.failed(self.progress)

    @cached_property
    def decision(self) -> Decision:
        """All plans of services."""
        return self.decision_for(self.progress)

    @cached_property
    def offers(self) -> dict[str, Offer]:
        """Services that can be done on this car, by name."""
        barred = self.gates.bars(self.progress)
        return {offer.name: offer for offer in offers_for(self.gates, self.failed, barred)}

    @cached_property
    def harm(self) -> FloatArray:
        """Harm of every state of every fault, left for a season, shape (fault columns,)."""
        return harm_of(self.gates, self.belief.model.services_done, self.brought_about)

    @cached_property
    def marginal(self) -> FloatArray:
        """What is believed now, as the decision wants it, shape (columns,)."""
        row: FloatArray = self.decision.marginals(self.belief.beliefs.faults, self.to_do)[0]
        return row

    @cached_property
    def to_do(self) -> FloatArray:
        """Needs and debts as things stand, shape (certain,)."""
        return self.decision.to_do(self.progress.done, self.progress.standing)

    @cached_property
    def best(self) -> Plan:
        """The plan of least expected cost as things stand."""
        return self.decision.best(self.marginal)

    @cached_property
    def single(self) -> State:
        """The car as it stands with every single test judged."""
        return self.planner.rank(self.progress)

    def step(self, test: str) -> Step:
        """A test as it is if it is done next."""
        return self.gates.set_ups.step(test, self.progress.standing, {})

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
            self.calibrated, self.decision, self.gates, yields, masks(self.knowledge), self.extra,
            lambda branch, row: self.at_outcome(branch, row)[0],
        )  # fmt: skip

    @cached_property
    def extra(self) -> Mapping[str, float]:
        """What this car adds to the spread of a reading taken under known conditions."""
        return extra_spread(self.knowledge, tuple(sorted(self.gates.context.items())))

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
        left = self.decision.open_needs(self.progress.done, self.progress.standing)
        first = tuple(n for n in left if n in needs and n in self.knowledge.tests)
        set_ups = tuple(n for n in left if n in needs and n not in first)
        filling, opening = FILLING in needs, OPENING in needs
        outlay = sum(offer.price for offer in offers) + sum(map(prices.of_work, first))
        outlay += sum(map(self.gates.set_ups.price, set_ups))
        minutes = sum(prices.minutes[name] for name in (*plan.actions, *first, *set_ups))
        if filling:
            outlay += prices.filling(self.gates.context.get("refrigerant"))
            minutes += prices.filling_minutes
        if opening:
            outlay += prices.opening
            minutes += prices.opening_minutes
        harm = plan.cost - outlay
        told = self.with_companions(plan.actions)
        along = [name for name in told if name not in plan.actions]
        spared = [name for name in plan.actions if name not in told]
        outlay += sum(map(prices.of_work, along)) - sum(map(prices.of_work, spared))
        minutes += sum(prices.minutes[n] for n in along) - sum(prices.minutes[n] for n in spared)
        ordered = [offer.name for offer in in_order(offers, self.marginal, self.knowledge)]
        services = (*(name for name in ordered if name in told), *along)
        return ServicePlan(services, first, set_ups, filling, opening, outlay, minutes, harm)


def in_order(offers: Sequence[Offer], marginal: FloatArray, knowledge: Knowledge) -> list[Offer]:
    """Services so that, each being proved before the next, the job is expected to cost least.

    The faults they cure are weighed as if one of them were the cause; what the knowledge says must
    come first does. ``marginal`` begins with the fault columns.
    """
    if not 1 < len(offers) <= MOST_ACTIONS:
        return list(offers)
    cures = np.array([offer.cure for offer in offers])
    weight = marginal[: cures.shape[1]] * cures.any(axis=0)
    if not weight.any():  # nothing that they cure can be there
        return list(offers)
    place = {offer.name: i for i, offer in enumerate(offers)}
    before = {}
    for i, offer in enumerate(offers):
        earlier = {*knowledge.services[offer.name].after}.union(*offer.with_one_of)
        before[i] = [place[name] for name in place if name in earlier]
    order = best_order(weight / weight.sum(), cures, [o.price for o in offers], before=before)
    return [offers[i] for i in order.actions]


@lru_cache(maxsize=64)
def gates_of(knowledge: Knowledge, context: tuple[tuple[str, str], ...], prices: Prices) -> Gates:
    """The rules, kept for the next car of the kind."""
    return Gates(knowledge, dict(context), prices)
