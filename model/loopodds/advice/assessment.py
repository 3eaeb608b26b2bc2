"""One inspection assessed: what is wrong, what to test next, what to do to the car."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from functools import cached_property, lru_cache
from pathlib import Path
from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np

from loopodds.advice.firmness import Advice, PlanTurn, advise, plan_turns
from loopodds.advice.in_range import NextInRange, PlanInRange, next_in_range, plan_in_range
from loopodds.advice.promise import Promise
from loopodds.advice.proposals import Left, Proposal, left_by, proposals
from loopodds.advice.untold import Untold, worth_telling
from loopodds.decision.connection import Connection, may_connect
from loopodds.decision.next_test import (
    Policy,
    RankedTest,
    best_few,
    best_policy,
    policy_json,
    rank_tests,
)
from loopodds.decision.prices import Prices, load_prices
from loopodds.decision.workshop import ServicePlan, Workshop
from loopodds.diagnosis.belief import Belief, condition_title
from loopodds.diagnosis.diagnose import (
    EXPLAINED_FROM,
    RULED_OUT_BELOW,
    Diagnosis,
    may_hold,
    stated_context,
)
from loopodds.diagnosis.explanation import Explanation, explain
from loopodds.diagnosis.model import Model
from loopodds.diagnosis.what_if import Scenario, WhatIf, split_variations, what_if
from loopodds.inspection.inspection import Inspection
from loopodds.knowledge.records import SOUND, Knowledge
from loopodds.knowledge.work import Caution
from loopodds.safety.stops import StopInForce

if TYPE_CHECKING:
    from pandas import DataFrame

    from loopodds.doubt.intervals import Doubts

SEED = 20261125
"""Of the draws behind what cannot be listed: the same case gives the same answer."""


class Beware(NamedTuple):
    """Cautions of some work, as a page says them."""

    here: tuple[str, ...]  # in full, at the place of the danger
    always: tuple[str, ...]  # what holds for all such work, in a few words each


class Assessment(Diagnosis):
    """What is believed of one car, and what to do about it.

    The posterior is worked out at once, every other part when it is first asked for.

    The arguments are those of :func:`assess`.
    """

    def __init__(
        self,
        inspection: Inspection,
        model: Model,
        prices: Prices | None,
        done: Iterable[str],
        lookahead: int,
        belief: Belief | None = None,
    ) -> None:
        super().__init__(inspection, model, belief)
        self._prices = prices
        self._done = (*inspection.tests_done, *done)
        self._lookahead = lookahead
        self._explained: dict[tuple[str, str], Explanation] = {}

    @cached_property
    def shop(self) -> Workshop:
        """The car among the rules and prices of the workshop."""
        return Workshop(self.belief, self._done, self._prices, self.context, self.inspection)

    @property
    def stops(self) -> tuple[StopInForce, ...]:
        """What must not be done to this car, whatever it would save."""
        return self.shop.stops

    @property
    def held_back(self) -> tuple[StopInForce, ...]:
        """Rules of the house that hold services back until something was looked for."""
        return self.shop.held_back

    @property
    def settling(self) -> tuple[str, ...]:
        """Tests that come before all others: a good result lifts a stop in force."""
        return tuple(dict.fromkeys(test for stop in self.stops for test in stop.settled_by))

    @property
    def to_test(self) -> tuple[str, ...]:
        """Tests to do next, in order; empty where testing is to stop."""
        return (*self.settling, *self.policy.steps)

    @cached_property
    def connection(self) -> Connection:
        """Whether this car may be coupled to the workshop's machine."""
        return may_connect(self.shop.gates, self.shop.progress, self.stops, self.belief)

    @property
    def currency(self) -> str:
        """Of every amount."""
        return self.shop.gates.prices.currency

    @cached_property
    def tests(self) -> tuple[RankedTest, ...]:
        """Every test that can be done now or opened by others, best first."""
        return tuple(rank_tests(self.shop))

    @cached_property
    def next_tests(self) -> tuple[RankedTest, ...]:
        """The few of them to show beside what is believed; none where the knowledge has no
        services that a test could help to choose.
        """
        return tuple(best_few(self.tests)) if self.knowledge.services else ()

    @cached_property
    def plan(self) -> ServicePlan | None:
        """The services of least expected cost as things stand; None where none is known."""
        return self.shop.service_plan(self.shop.best) if self.knowledge.services else None

    @cached_property
    def policy(self) -> Policy:
        """The best sequence of tests, or to stop testing."""
        return best_policy(self.shop, self._lookahead)

    @cached_property
    def untold(self) -> tuple[Untold, ...]:
        """Conditions that were not stated and what telling them is worth, the most first."""
        return worth_telling(self.shop)

    @cached_property
    def advice(self) -> Advice:
        """The plan with what comes close, and how firm it is."""
        return advise(self.shop, self.policy.root, np.random.default_rng(SEED))

    @cached_property
    def promise(self) -> Promise:
        """How likely the complaint is gone after any services."""
        return Promise(self.shop, np.random.default_rng(SEED))

    @cached_property
    def offers(self) -> tuple[Proposal, ...]:
        """Up to three plans to offer the customer, cheapest first."""
        return proposals(self.shop, self.promise) if self.knowledge.services else ()

    @cached_property
    def doubts(self) -> Doubts:
        """How far every probability could lie, for the weights of the numbers behind it."""
        from loopodds.doubt.intervals import doubts

        return doubts(self.belief)

    @cached_property
    def leading_doubts(self) -> Doubts:
        """The same of what is likely, which takes a third of the time."""
        from loopodds.doubt.intervals import doubts

        likely = [c.name for c in self.conditions if c.probability >= EXPLAINED_FROM]
        names = likely or [self.conditions[0].name]
        sound = [SOUND] * (self.p_sound >= EXPLAINED_FROM)
        return doubts(self.belief, [*sound, *names])

    @cached_property
    def most_open(self) -> str:
        """Of what is likely, ``sound`` among it, what is known least firmly."""
        intervals = self.leading_doubts.intervals
        return max(intervals, key=lambda name: intervals[name].deviation)

    @cached_property
    def plan_in_range(self) -> PlanInRange | None:
        """Whether the plan is the same anywhere in the interval of the most open condition."""
        return plan_in_range(self.shop, self.leading_doubts)

    @cached_property
    def next_in_range(self) -> NextInRange | None:
        """Whether the best single test is."""
        return next_in_range(self.shop, self.leading_doubts)

    @cached_property
    def leaves(self) -> tuple[Left, ...]:
        """What the plan may well leave, and why."""
        return left_by(self.shop, self.advice.best)

    @cached_property
    def plan_turns(self) -> tuple[PlanTurn, ...]:
        """Findings whose other value would change the plan."""
        return plan_turns(self.shop) if self.knowledge.services else ()

    @cached_property
    def changes_plan(self) -> float:
        """Probability that the move to make changes the services of the plan; 0 for stopping."""
        branch, now = self.policy.best, set(self.shop.best.actions)
        if branch is None:
            return 0.0
        plans = self.shop.decision.chosen(branch.marginals)
        return float(branch.chance @ [set(plan) != now for plan in plans])

    def cautions_of(self, names: Iterable[str]) -> list[str]:
        """Cautions of tests and services that may hold on this car, each once."""
        return [caution.text for caution in self._cautions_of(names)]

    def beware_of(self, names: Iterable[str], said: Iterable[str] = ()) -> Beware:
        """Cautions of tests and services for a page, less those it has ``said`` already."""
        before = set(said)
        held = [caution for caution in self._cautions_of(names) if caution.text not in before]
        return Beware(
            tuple(caution.text for caution in held if not caution.always),
            tuple(caution.always for caution in held if caution.always),
        )

    def _cautions_of(self, names: Iterable[str]) -> list[Caution]:
        tests, services = self.knowledge.tests, self.knowledge.services
        work = [tests[name] if name in tests else services[name] for name in names]
        keys = dict.fromkeys(key for item in work for key in item.cautions)
        left = {c.name for c in self.conditions if c.probability >= RULED_OUT_BELOW}
        return [
            caution
            for caution in (self.knowledge.cautions[key] for key in keys)
            if may_hold(caution.when, self.shop.gates.context)
            and (not caution.conditions or left.intersection(caution.conditions))
        ]

    def explain(self, condition: str = "", rival: str = "") -> Explanation:
        """Why a condition, or ``sound``, is believed as it is; the leading one when left out.

        ``rival``: what to hold against it; the most probable other one when left out.

        Raises:
            UnknownName: with the nearest spelling.
        """
        if (condition, rival) not in self._explained:
            self._explained[condition, rival] = explain(self.belief, condition, rival)
        return self._explained[condition, rival]

    def what_if(self, *changes: str) -> WhatIf:
        """The case beside its variations; the word ``or`` begins the next one.

        A change is ``name=state``, ``name=2.1 bar``, ``-name`` (not recorded) or a fault supposed;
        what cannot be read or be raises as :func:`loopodds.diagnosis.what_if.what_if` does.
        """
        return what_if(self.inspection, split_variations(changes), self.model)

    def stops_of(self, scenario: Scenario) -> tuple[StopInForce, ...]:
        """Stops that would be in force in a variation of the case."""
        context = stated_context(scenario.inspection, self.knowledge)
        return Workshop(
            scenario.belief, self._done, self._prices, context, scenario.inspection
        ).stops

    def to_frame(self) -> DataFrame:
        """By name of the condition, most probable first: ``title``, ``probability`` now, ``prior``
        (before anything was seen) and ``variable`` (the fault variable whose states it is).
        """
        from pandas import DataFrame

        rows = [
            (c.name, condition_title(c.name, self.knowledge), c.probability, c.prior, c.variable)
            for c in self.conditions
        ]
        columns = ["name", "title", "probability", "prior", "variable"]
        return DataFrame(rows, columns=columns).set_index("name")

    def as_json(self) -> dict[str, Any]:
        """Plain data for ``json.dumps``: belief, the best tests and the plan."""
        plan = {**self.plan.as_json(), "currency": self.currency} if self.plan else None
        tests = [test.as_json() for test in self.next_tests]
        believed = super().as_json()
        return {
            **believed,
            **self._doubt_json(believed["conditions"]),
            **self.stops_json(),
            "next_tests": tests,
            "plan": plan,
        }

    def _doubt_json(self, conditions: Iterable[Mapping[str, Any]]) -> dict[str, Any]:
        """``conditions`` with their intervals, that of ``p_sound``, and what to count next."""
        intervals, count = self.doubts.intervals, self.doubts.count_next(self.most_open)
        ends = {name: {"low": one.low, "high": one.high} for name, one in intervals.items()}
        plan = self.plan_in_range
        return {
            "conditions": [{**entry, **ends[entry["name"]]} for entry in conditions],
            "p_sound_low": intervals[SOUND].low,
            "p_sound_high": intervals[SOUND].high,
            "count_next": {"condition": self.most_open, **count._asdict()} if count else None,
            "plan_in_range": plan._asdict() if plan else None,
        }

    def stops_json(self) -> dict[str, Any]:
        """The stops in force as plain data, under the key ``stops``."""
        return {"stops": [stop.as_json() for stop in self.stops]}

    def next_json(self) -> dict[str, Any]:
        """Plain data on testing: every test, the policy and what testing can save."""
        return {
            "case": self.case,
            **self.stops_json(),
            "currency": self.currency,
            "next": next(iter(self.to_test), None),
            "stop": self.policy.best is None and not self.settling,
            "next_tests": [test.as_json() for test in self.tests],
            "closed": [closed._asdict() for closed in self.shop.closed],
            "untold": [one.as_json() for one in self.untold],
            "lookahead": self.policy.depth,
            "saves": self.policy.saves,
            "could_miss": self.policy.gap,
            "outcomes_left_out": self.policy.left_out,
            **self.advice.outlook.saving_json(),
            "changes_plan": self.changes_plan,
            "next_in_range": self.next_in_range._asdict() if self.next_in_range else None,
            "sequence": policy_json(self.shop, self.policy.root),
            "plan_now": self.advice.best.as_json(),
            "cautions": self.cautions_of(self.to_test),
        }

    def plan_json(self) -> dict[str, Any]:
        """Plain data on the plan: what comes close, how firm it is, what it rests on."""
        best = self.advice.best
        gone = self.promise.gone(best.services)
        return {
            "case": self.case,
            **self.stops_json(),
            "currency": self.currency,
            "test_first": next(iter(self.to_test), None),
            **self.advice.as_json(),
            "plan_in_range": self.plan_in_range._asdict() if self.plan_in_range else None,
            "complaint_gone": gone.as_json() if gone else None,
            "offers": [offer.as_json() for offer in self.offers],
            "held_back": [rule.as_json() for rule in self.held_back],
            "leaves": [left._asdict() for left in self.leaves],
            "cautions": self.cautions_of((*best.first, *best.services)),
        }


def assess(
    inspection: Inspection,
    model: Model | Knowledge | None = None,
    *,
    prices: Prices | str | Path | None = None,
    done: Iterable[str] = (),
    lookahead: int = 1,
    belief: Belief | None = None,
) -> Assessment:
    """Everything a diagnostician asks of one inspection.

    Args:
        model: The shipped knowledge when left out.
        prices: Those of the workshop, or its price file; the shipped ones when left out.
        done: Tests done besides those that the inspection names, in order; those whose findings are
            recorded need not be named.
        lookahead: Tests to look ahead; pairs are tried before saying stop.
        belief: From :func:`loopodds.diagnosis.diagnose.believe`, where that is at hand.

    Raises:
        ImpossibleEvidence: if the findings cannot hold together; it names the smallest such set.
        InspectionError: naming file, line and key of what cannot be used in a price file.
    """
    model = model if isinstance(model, Model) else _model(model)
    if isinstance(prices, str | Path):
        prices = load_prices(prices, model.knowledge)
    return Assessment(inspection, model, prices, done, lookahead, belief)


@lru_cache(maxsize=2)
def _model(knowledge: Knowledge | None) -> Model:
    """Compiled knowledge, kept for the next inspection."""
    return Model(knowledge)
