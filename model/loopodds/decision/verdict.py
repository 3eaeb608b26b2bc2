"""The answers of ``next`` and ``plan``: one inspection in, everything to show or to send out."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np

from loopodds.decision.branches import Branch, State
from loopodds.decision.firmness import Advice, advise
from loopodds.decision.next_test import Choice, choose_test
from loopodds.decision.prices import Prices
from loopodds.decision.service_plan import ServicePlan, service_plan
from loopodds.decision.workshop import Workshop
from loopodds.diagnosis.assessment import believe, stated_context
from loopodds.diagnosis.model import Model
from loopodds.inspection.inspection import Inspection

SEED = 20261125
"""Of the draws behind what cannot be listed: the same case gives the same answer."""


@dataclass(frozen=True, slots=True, eq=False)
class Verdict:
    """What to test next and what to do, for one car.

    Attributes
    ----------
    case : str
    shop : Workshop
    choice : Choice
    advice : Advice
    changes_plan : float
        Probability that the recommended test would change the plan; 0 where none is.
    """

    case: str
    shop: Workshop
    choice: Choice
    advice: Advice
    changes_plan: float

    @property
    def currency(self) -> str:
        """Of every amount."""
        return self.shop.gates.prices.currency

    def cautions(self, names: Iterable[str]) -> list[str]:
        """Cautions of tests and services that may hold on this car, each once."""
        knowledge, context = self.shop.knowledge, self.shop.gates.context
        work = {name: test.cautions for name, test in knowledge.tests.items()}
        work |= {name: service.cautions for name, service in knowledge.services.items()}
        keys = dict.fromkeys(key for name in names for key in work[name])
        said = [knowledge.cautions[key] for key in keys]
        return [
            str(caution["text"])
            for caution in said
            if all(context.get(k, v) == v for k, v in caution.get("when", {}).items())
        ]

    @property
    def cautions_in_turn(self) -> tuple[list[str], list[str]]:
        """Cautions of the next test, and the further ones of what it opens on the way."""
        best = self.choice.plan.best
        steps = [step.test for step in best.move.steps] if best is not None else []
        first = self.cautions(steps[:1])
        return first, [text for text in self.cautions(steps) if text not in first]

    def next_json(self) -> dict[str, Any]:
        """Plain data of ``next``."""
        best = self.choice.plan.best
        first = best.move.steps[0].test if best is not None else None
        return {
            "case": self.case,
            "currency": self.currency,
            "next": first,
            "stop": self.choice.stop,
            "next_tests": [test.as_json() for test in self.choice.tests],
            "closed": [{"test": c.test, "why": c.why} for c in self.choice.closed],
            "lookahead": self.choice.depth,
            "saves": self.choice.plan.saves,
            "could_miss": self.choice.gap,
            "testing_can_save": self.advice.outlook.saving,
            "testing_can_save_error": self.advice.outlook.saving_error,
            "changes_plan": self.changes_plan,
            "sequence": sequence_json(self.shop, self.choice.plan),
            "plan_now": self.advice.best.as_json(),
            "cautions": [text for part in self.cautions_in_turn for text in part],
        }

    def plan_json(self) -> dict[str, Any]:
        """Plain data of ``plan``."""
        advice, even = self.advice, self.advice.break_even
        best = self.choice.plan.best
        return {
            "case": self.case,
            "currency": self.currency,
            "test_first": best.move.steps[0].test if best is not None else None,
            "best": advice.best.as_json(),
            "others": [plan.as_json() for plan in advice.others],
            "elsewhere": advice.elsewhere.as_json() if advice.elsewhere else None,
            "cost_of_being_wrong": advice.ignorance,
            "break_even": {
                "service": even.service,
                "condition": even.condition,
                "probability": even.probability,
                "threshold": even.threshold,
                "decibans": even.decibans,
            }
            if even
            else None,
            "takes_for_granted": [proviso._asdict() for proviso in advice.provisos],
            "one_kind_of_evidence": [
                {"service": d.service, "condition": d.condition, "kind": d.kind, "ask": d.ask}
                for d in advice.doubts
            ],
            "same_decision": {
                "probability": advice.outlook.same,
                "services": dict(advice.outlook.keeps),
                "draws": advice.outlook.draws,
            },
            "testing_can_save": advice.outlook.saving,
            "testing_can_save_error": advice.outlook.saving_error,
            "cautions": self.cautions((*advice.best.first, *advice.best.services)),
        }


def judge(
    inspection: Inspection,
    model: Model,
    prices: Prices | None = None,
    done: Iterable[str] = (),
    lookahead: int = 1,
) -> Verdict:
    """What to test next and what to do.

    Parameters
    ----------
    inspection : Inspection
    model : Model
    prices : Prices, optional
        The shipped ones when left out.
    done : iterable of str
        Tests done, in order; those whose findings are recorded need not be named.
    lookahead : int
        Tests to look ahead; pairs are tried before saying stop.

    Raises
    ------
    ImpossibleEvidence
        If the findings cannot hold together; it names the smallest such set.
    UnknownName
        If a test is not one.
    """
    context = stated_context(inspection, model.knowledge)
    shop = Workshop(believe(inspection, model), done, prices, context)
    choice = choose_test(shop, lookahead)
    advice = advise(shop, choice.plan, np.random.default_rng(SEED))
    best = choice.plan.best
    changed = _changed(shop, best) if best is not None else 0.0
    return Verdict(inspection.name, shop, choice, advice, changed)


def _changed(shop: Workshop, branch: Branch) -> float:
    """Probability that a move changes the set of services of the best plan."""
    now = set(shop.decision.best(branch.origin.marginal).actions)
    plans = shop.decision.chosen(branch.marginals)
    return float(branch.chance @ [set(plan) != now for plan in plans])


def plan_at(shop: Workshop, branch: Branch, row: int) -> ServicePlan:
    """The best plan at an outcome of a move."""
    return service_plan(shop, shop.decision.best(branch.marginals[row]))


def sequence_json(shop: Workshop, state: State) -> dict[str, Any]:
    """What to do in a state, and after each outcome, as plain data."""
    branch = state.best
    if branch is None:
        return {"stop": list(shop.decision.best(state.marginal).actions)}
    outcomes = []
    for row, chance in enumerate(branch.chance.tolist()):
        after = branch.states.get(row)
        outcomes.append(
            {
                "chance": chance,
                "seen": words(shop, branch, row),
                "then": sequence_json(shop, after)
                if after is not None
                else {"stop": list(shop.decision.best(branch.marginals[row]).actions)},
            }
        )
    return {
        "tests": [step.test for step in branch.move.steps],
        "minutes": branch.move.minutes,
        "saves": state.stop - branch.value,
        "outcomes": outcomes,
    }


def words(shop: Workshop, branch: Branch, row: int) -> dict[str, str]:
    """What was seen at an outcome of a move, beyond what its state had seen: words throughout."""
    leaf, cell = branch.position(row)
    told: Mapping[str, int] = {n: c for n, c in leaf.seen.items() if n not in branch.origin.seen}
    seen = {name: shop.belief.model.states(name)[code] for name, code in told.items()}
    for name, code, grid in zip(
        leaf.cells.names, leaf.cells.index[cell].tolist(), leaf.cells.grids, strict=True
    ):
        if code >= 0:
            states = shop.belief.model.states(name)
            seen[name] = states[code] if grid is None else _word(shop, name, grid.nodes[code])
    return seen


def _word(shop: Workshop, name: str, reading: float) -> str:
    gauge = shop.calibrated.network.gauges[name]
    return gauge.states[int(np.searchsorted(np.asarray(gauge.cuts), reading, side="right"))]
