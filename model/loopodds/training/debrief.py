"""What an exercise was worth: honest probabilities, the steps taken, the plan chosen.

The probabilities stated are marked by the Brier score over every condition and a sound car, a
proper rule: nobody can expect to do better than by saying what they believe. Besides, every step
is compared with the best one at that moment, and the plan with the best plan for what was then
known. Both differences are expectations under what was known, so luck costs nothing and earns
nothing.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping
from dataclasses import dataclass

from loopodds.base.errors import OutOfRange, unknown_name
from loopodds.knowledge.records import SOUND, Knowledge
from loopodds.training.exercise import Exercise
from loopodds.training.hindsight import JudgedStep, Outcome, View, best_course, moment, outcome


def squared_error(
    stated: Mapping[str, float], true: Collection[str], events: Collection[str]
) -> float:
    """Brier score summed over events: how far stated probabilities were from what is so.

    Strictly proper: its expectation is least where every event is given its own probability.

    Args:
        stated: Probability by event; what is left out counts as zero.
        true: Events that are so.
        events: All that could have been named.
    """
    return sum((stated.get(event, 0.0) - (event in true)) ** 2 for event in events)


def check_stated(stated: Mapping[str, float], knowledge: Knowledge) -> None:
    """Refuse probabilities that cannot be meant.

    Raises:
        UnknownName: if an event is neither a condition nor ``sound``; with the nearest spelling.
        OutOfRange: if a probability lies outside 0 to 1, or several that exclude each other exceed
            one.
    """
    for name, probability in stated.items():
        if name not in knowledge.conditions and name != SOUND:
            raise unknown_name("condition", name, [*knowledge.conditions, SOUND])
        if not 0 <= probability <= 1:
            raise OutOfRange(f"{name}: {100 * probability:g} % is no probability; 0 to 100 %")
    sound = stated.get(SOUND, 0.0)
    by_variable: dict[str, float] = {}
    for name in stated.keys() - {SOUND}:
        variable = knowledge.condition(name).variable
        by_variable[variable] = by_variable.get(variable, 0.0) + stated[name]
    for variable, together in by_variable.items():
        if together + sound > 1 + 1e-9:
            named = [
                n for n in stated if n != SOUND and knowledge.conditions[n].variable == variable
            ]
            listed = " and ".join([*named, *([SOUND] if sound else [])])
            raise OutOfRange(
                f"{listed} exclude each other but come to {100 * (together + sound):g} % together"
            )


NAMED_FROM = 0.10
"""Least probability from which a debrief names a condition by itself."""

FULL_POINTS = 100.0
POINT_MINUTES = 10.0
"""So many minutes of labour lost cost one point."""


@dataclass(frozen=True, slots=True)
class Debrief:
    """Everything that is shown after an exercise.

    Attributes:
        stated: Probabilities given, of conditions and of ``sound``; what was not named counts as
            zero.
        believed: What the network made of the same evidence, every condition and ``sound``.
        error, network_error: Squared error of either, summed over all conditions and ``sound``.
        moments: Every step; the last is the decision to stop.
        own, best: What was done, and what always taking the best step would have come to on this
            car.
        plan_lost: Currency by which the plan was dearer in expectation than the best plan.
        point_price: Currency that costs one point.
    """

    stated: Mapping[str, float]
    believed: Mapping[str, float]
    error: float
    network_error: float
    moments: tuple[JudgedStep, ...]
    own: Outcome
    best: Outcome
    plan_lost: float
    point_price: float

    @property
    def lost(self) -> float:
        """Currency given away by steps and plan."""
        return self.plan_lost + sum(moment.lost for moment in self.moments)

    @property
    def probability_points(self) -> float:
        """Points lost by the probabilities; below zero where luck beat the network."""
        return FULL_POINTS * (self.error - self.network_error)

    @property
    def cost_points(self) -> float:
        """Points lost by steps and plan; never below zero."""
        return self.lost / self.point_price

    @property
    def score(self) -> float:
        """100 for the network's own probabilities and the best steps and plan all along."""
        return FULL_POINTS - self.probability_points - self.cost_points


def debriefed(exercise: Exercise, stated: Mapping[str, float], plan: Collection[str]) -> Debrief:
    """Judge an exercise.

    Args:
        stated: Probabilities of conditions and of ``sound``.
        plan: Services chosen; none at all is allowed.

    Raises:
        UnknownName, OutOfRange: if the probabilities cannot be meant.
        InspectionError: if the plan cannot be done.
    """
    knowledge = exercise.model.knowledge
    check_stated(stated, knowledge)
    for name in plan:
        if name not in knowledge.services:
            raise unknown_name("service", name, knowledge.services)
    own = outcome(exercise, plan)
    moments = [moment(exercise, step) for step in range(len(exercise.done) + 1)]
    view, best, true = View(exercise), best_course(exercise), exercise.car.true
    believed = view.believed
    return Debrief(
        dict(stated),
        believed,
        squared_error(stated, true, believed),
        squared_error(believed, true, believed),
        tuple(moments),
        own,
        outcome(best, View(best).best_plan),
        max(0.0, own.expected - view.state.stop),
        exercise.prices.labour(POINT_MINUTES),
    )
