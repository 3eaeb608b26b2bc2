"""Whether the advice is the same for all that the fault in doubt could be, or at which end not."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from loopodds.base.arrays import FloatArray
from loopodds.decision.branches import Branch
from loopodds.decision.workshop import Workshop
from loopodds.diagnosis.belief import Belief, log_odds
from loopodds.diagnosis.weights import clamp_of
from loopodds.knowledge.records import SOUND

if TYPE_CHECKING:
    from loopodds.doubt.intervals import Doubts


TRIED = 8
"""Tests that are judged at the ends of an interval."""


class PlanInRange(NamedTuple):
    """Services of the plan if a condition were as likely as its interval allows at either end."""

    condition: str
    low: tuple[str, ...]
    high: tuple[str, ...]
    same: bool  # as the plan now, at both ends


def plan_in_range(shop: Workshop, doubts: Doubts) -> PlanInRange | None:
    """The plan at both ends of the widest interval of a condition, all else that is known held.

    None without services that could make a plan.
    """
    if not shop.knowledge.services:
        return None
    condition, variable, weights = _ends(shop, doubts)
    tilted = shop.belief.evidence.repeat(2).with_soft({variable: weights})
    posterior = shop.calibrated.tree.propagate(tilted, shop.decision.queries)
    rows = shop.decision.of_joints(posterior.joints, shop.to_do)
    plans = [tuple(plan) for plan in shop.decision.chosen(rows)]
    same = all(set(plan) == set(shop.best.actions) for plan in plans)
    return PlanInRange(condition, plans[0], plans[1], same)


class NextInRange(NamedTuple):
    """The best single test, with what has to come before it, if a condition were as likely as its
    interval allows at either end; nothing where none pays by itself.
    """

    condition: str
    low: tuple[str, ...]
    high: tuple[str, ...]
    same: bool  # as now, at both ends


def next_in_range(shop: Workshop, doubts: Doubts) -> NextInRange | None:
    """The best single test at both ends of that interval, likewise; pairs are not tried.

    It is looked for among the `TRIED` that pay most now: at 93 ends of drawn cases it was among the
    first three.
    """
    if not shop.knowledge.services:
        return None
    condition, variable, weights = _ends(shop, doubts)
    evidence = shop.belief.evidence
    before = evidence.implied.get(variable, np.ones(weights.shape[1:]))
    leading = sorted(shop.single.branches, key=lambda branch: branch.value)[:TRIED]
    tests = {branch.move.test for branch in leading}
    ends = []
    for weight in weights:
        tilted = replace(evidence, implied={**evidence.implied, variable: before * weight[None]})
        belief = Belief(shop.belief.model, shop.belief.context, tilted)
        tilted_shop = shop.believing(belief)
        ends.append(_tests_of(tilted_shop.planner.rank(tilted_shop.progress, tests).best))
    return NextInRange(condition, ends[0], ends[1], {*ends} == {_tests_of(shop.single.best)})


def _tests_of(move: Branch | None) -> tuple[str, ...]:
    return tuple(step.test for step in move.move.steps) if move else ()


def _ends(shop: Workshop, doubts: Doubts) -> tuple[str, str, FloatArray]:
    """The condition least firmly known, its fault variable, and likelihoods of the states of that
    which make the condition as likely as either end.
    """
    intervals = {name: one for name, one in doubts.intervals.items() if name != SOUND}
    condition = max(intervals, key=lambda name: intervals[name].deviation)
    now, (low, high, _) = shop.belief.condition(condition), intervals[condition]
    ends = log_odds(np.array([low, high])) - log_odds(np.array([now]))
    variable, present = next(iter(clamp_of(shop.belief.model, condition).items()))
    weights = np.array([1 - present + present * np.exp(min(end, 700.0)) for end in ends])
    return condition, variable, weights
