"""One car in one workshop: what is believed, what may be done, what it would cost."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping
from dataclasses import dataclass, field
from functools import cached_property, lru_cache

import numpy as np

from loopodds.base.arrays import FloatArray
from loopodds.base.errors import unknown_name
from loopodds.decision.expected_cost import Decision
from loopodds.decision.gates import Gates, Progress
from loopodds.decision.lookahead import Planner
from loopodds.decision.offers import Offer, harm_of, offers_for, repair_decision
from loopodds.decision.prices import Prices, shipped_prices
from loopodds.diagnosis.belief import Belief
from loopodds.inference.information import Masks
from loopodds.inference.joints import Calibrated
from loopodds.inspection.gauges import NAMEPLATES, read_gauges
from loopodds.inspection.inspection import AUXILIARY, CHOICES, InspectionBatch
from loopodds.knowledge.records import Knowledge

_PROBE = 300.0
"""A reading that can be turned into any scale: a pressure [kPa] within both saturation curves."""
_AMBIENT_C = {"cool": 15.0, "warm": 25.0}


@dataclass(eq=False)
class Workshop:
    """A belief with the rules and prices under which to act on it.

    Parameters
    ----------
    belief : Belief
    done : iterable of str
        Tests done, in order; those whose findings are recorded need not be named.
    prices : Prices, optional
        The shipped ones when left out.
    context : mapping of str to str, optional
        Everything stated about the car, where that is more than the belief depends on (the
        refrigerant sets a price).

    Raises
    ------
    UnknownName
        If a test is not one.
    """

    belief: Belief
    done: Iterable[str] = ()
    prices: Prices | None = None
    context: Mapping[str, str] | None = None
    _gates: Gates = field(init=False, repr=False)

    def __post_init__(self) -> None:
        self.done = tuple(self.done)
        if self.belief.model.repairs:
            tests = self.knowledge.tests.items()
            past = [name for name, test in tests if test.extra.get("as_it_came")]
            # a test can stand there twice: a sample may have been taken again
            self.done = (*(name for name in past if name not in self.done), *self.done)
        for name in self.done:
            if name not in self.knowledge.tests:
                raise unknown_name("test", name, self.knowledge.tests)
        stated = {**self.belief.context, **(self.context or {})}
        prices = self.prices or shipped_prices(self.knowledge)
        self._gates = _gates(self.knowledge, tuple(sorted(stated.items())), prices)

    @property
    def knowledge(self) -> Knowledge:
        """Knowledge behind the belief."""
        return self.belief.model.knowledge

    @property
    def gates(self) -> Gates:
        """Rules of this car in this workshop, with its prices."""
        return self._gates

    @cached_property
    def progress(self) -> Progress:
        """How far the inspection has come."""
        return self.gates.progress(self.belief.evidence, self.done)

    @cached_property
    def decision(self) -> Decision:
        """All plans of services."""
        failed = self.gates.failed(self.progress)
        return repair_decision(self.gates, failed, self.belief.model.services_done)

    @cached_property
    def offers(self) -> dict[str, Offer]:
        """Services that can be done on this car, by name."""
        failed = self.gates.failed(self.progress)
        return {offer.name: offer for offer in offers_for(self.gates, failed)}

    @cached_property
    def harm(self) -> FloatArray:
        """Harm of every state of every fault, left for a season, shape (fault columns,)."""
        return harm_of(self.gates, self.belief.model.services_done)

    @cached_property
    def marginal(self) -> FloatArray:
        """What is believed now, as the decision wants it, shape (columns,)."""
        to_do = self.decision.to_do(self.progress.done)
        row: FloatArray = self.decision.marginals(self.belief.beliefs.faults, to_do)[0]
        return row

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
        conditions = self.knowledge.conditions
        pairs = [
            (name, state)
            for name, _ in self.decision.variables
            for state in self.belief.model.states(name)
        ]
        member = np.zeros((len(pairs) + self.decision.certain, len(conditions)))
        for i, condition in enumerate(conditions.values()):
            for row, (variable, state) in enumerate(pairs):
                member[row, i] = variable == condition.variable and state in condition.states
        return tuple(conditions), member

    @cached_property
    def about(self) -> Collection[str]:
        """What tests inform about: the car's state, now and before repairs, not its history."""
        return self.calibrated.network.hidden.keys() - self.knowledge.of_kind("history").keys()


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
    found = read_gauges(probe, knowledge)
    return {name: float(one.extra[0]) for name, one in found.items()}
