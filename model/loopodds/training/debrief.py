"""An exercise looked back on: honest probabilities, the steps taken, the plan chosen.

The probabilities stated are marked by the Brier score over every condition and a sound car, a
proper rule: nobody can expect to do better than by saying what they believe. Every step is
compared with the best one at that moment, and the plan with the best plan for what was then known:
expectations, so that luck costs nothing and earns nothing.
"""

from collections.abc import Collection, Iterable, Mapping
from dataclasses import dataclass

import numpy as np

from loopodds.base.arrays import FloatArray, Query
from loopodds.base.errors import InspectionError, OutOfRange, unknown_name
from loopodds.decision.branches import State
from loopodds.decision.expected_cost import Decision, Setting
from loopodds.decision.gates import Gates
from loopodds.decision.lookahead import Planner
from loopodds.decision.moves import Move, Progress, Results
from loopodds.decision.probes import masks
from loopodds.knowledge.records import SOUND, Knowledge
from loopodds.training.exercise import Done, Exercise

NAMED_FROM = 0.10
"""Least probability from which a debrief names a condition by itself."""

FULL_POINTS = 100.0
POINT_MINUTES = 10.0
"""So many minutes of labour lost cost one point."""


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
        OutOfRange: if a probability is outside 0 to 1, or rivals exceed one together.
    """
    for name, probability in stated.items():
        if name not in knowledge.conditions and name != SOUND:
            raise unknown_name("condition", name, {**knowledge.conditions, SOUND: "Sound"})
        if not 0 <= probability <= 1:
            raise OutOfRange(f"{name}: {100 * probability:g} % is no probability; 0 to 100 %")
    sound = stated.get(SOUND, 0.0)
    rivals: dict[str, list[str]] = {}
    for name in stated:
        if name != SOUND:
            rivals.setdefault(knowledge.condition(name).variable, []).append(name)
    for names in rivals.values():
        together = sum(stated[name] for name in names) + sound
        if together > 1 + 1e-9:
            listed = " and ".join([*names, SOUND] if sound else names)
            raise OutOfRange(
                f"{listed} exclude each other but come to {100 * together:g} % together"
            )


@dataclass(frozen=True, slots=True)
class JudgedStep:
    """One step of an exercise, judged by what was known before it; values in currency."""

    test: str  # what was done; empty for the decision to stop
    minutes: float
    bits: float  # information about the state of the car that it promised
    # by how much it promised to lower the expected cost, alone or as part of the best sequence that
    # it opens; one that has to wait counts for its last test only
    net_value: float
    best: str  # best, best_value: What would have been best; empty and zero where stopping was
    best_value: float
    # what it gave away, one further test in view; never below zero. A test that pays little but
    # leaves the better one for afterwards loses little
    lost: float
    # tests that paid by themselves and that it made impossible, best first
    ended: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Outcome:
    """A course of tests and a plan on one car."""

    tests: tuple[str, ...]
    minutes: float
    plan: tuple[str, ...]  # services; none is a plan too
    expected: float  # cost of the plan expected when it was chosen, harm left behind included
    came_to: float  # cost of the tests and, knowing what was wrong, of the plan


@dataclass(frozen=True, slots=True)
class Debrief:
    """Everything that is shown after an exercise."""

    # stated, believed: Probabilities given by the trainee (what was not named counts as zero) and
    # by the network for the same evidence, of conditions and of ``sound``
    stated: Mapping[str, float]
    believed: Mapping[str, float]
    # error, network_error: Squared error of either, summed over all conditions and ``sound``
    error: float
    network_error: float
    moments: tuple[JudgedStep, ...]  # every step; the last is the decision to stop
    own: Outcome  # own, best: What was done, and what always taking the best step would have led to
    best: Outcome
    plan_lost: float  # currency by which the plan was dearer in expectation than the best plan
    point_price: float  # currency that costs one point

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
        UnknownName, OutOfRange: if the probabilities cannot be meant, or a service is none.
        InspectionError: if the plan cannot be done.
    """
    knowledge = exercise.model.knowledge
    check_stated(stated, knowledge)
    for name in plan:
        if name not in knowledge.services:
            raise unknown_name("service", name, knowledge.services)
    own = outcome(exercise, plan)
    moments = tuple(moment(exercise, step) for step in range(len(exercise.done) + 1))
    view, best, true = View(exercise), best_course(exercise), exercise.car.true
    believed = view.believed
    return Debrief(
        dict(stated),
        believed,
        squared_error(stated, true, believed),
        squared_error(believed, true, believed),
        moments,
        own,
        outcome(best, View(best).best_plan),
        max(0.0, own.expected - view.state.stop),
        exercise.prices.labour(POINT_MINUTES),
    )


def offered(decision: Decision) -> set[str]:
    """Services that can be done on the car and cure something."""
    parts = [part for setting in decision.settings for part in setting.components]
    return {name for part in parts for option in part.options for name in option}


def cost_of_plan(decision: Decision, marginal: FloatArray, plan: Collection[str]) -> float:
    """Expected cost of exactly these services.

    Args:
        marginal: float array, shape (columns,); of the decision.

    Raises:
        InspectionError: if they cannot be done on this car, or not together.
    """
    possible = offered(decision)
    for name in plan:
        if name not in possible:
            raise InspectionError(f"{name}: nothing that can be done on this car, or cures nothing")
    costs = [_cost_in(setting, marginal, set(plan)) for setting in decision.settings]
    if not np.isfinite(min(costs)):
        raise InspectionError(f"{', '.join(plan)}: not to be done together on one car")
    return min(costs)


def _cost_in(setting: Setting, marginal: FloatArray, plan: set[str]) -> float:
    """The same in one setting; infinite where it does not have this plan."""
    total, placed = 0.0, set[str]()
    for part in setting.components:
        own = plan & {name for option in part.options for name in option}
        fitting = [i for i, option in enumerate(part.options) if set(option) == own]
        costs = (float(part.constant[i] + part.loss[i] @ marginal) for i in fitting)
        total += min(costs, default=np.inf)
        placed |= own
    return total if placed == plan else np.inf


def best_course(exercise: Exercise) -> Exercise:
    """The same car with the same budget, always the best step for what is known."""
    course = Exercise(exercise.model, exercise.car, exercise.minutes, exercise.prices)
    while True:
        best, _ = View(course).best
        if best is None:
            return course
        course.do(best.steps[0].test)


def outcome(exercise: Exercise, plan: Collection[str]) -> Outcome:
    """What a course of tests with a plan at its end costs, expected and as things are.

    Raises:
        InspectionError: if the plan cannot be done.
    """
    view = View(exercise)
    decision = view.shop.decision
    truth: dict[Query, FloatArray] = {
        (name,): np.eye(count)[None, exercise.model.states(name).index(exercise.car.states[name])]
        for name, count in decision.variables
    }
    known = decision.of_joints(truth, view.shop.to_do)[0]
    # advice and handing over cure nothing and are paid for all the same
    curing = [name for name in plan if exercise.model.knowledge.services[name].curing]
    advice = sum(exercise.prices.of_work(name) for name in plan if name not in curing)
    return Outcome(
        tuple(done.test for done in exercise.done),
        exercise.minutes - exercise.minutes_left,
        tuple(plan),
        advice + cost_of_plan(decision, view.state.marginal, curing),
        advice + sum(done.cost for done in exercise.done) + cost_of_plan(decision, known, curing),
    )


def moment(exercise: Exercise, step: int) -> JudgedStep:
    """Judge one step; the one after the last is the decision to stop."""
    view = View(exercise, step)
    best, value = view.best
    name = best.test if best else ""
    if step == len(exercise.done):
        return JudgedStep("", 0.0, 0.0, 0.0, name, value, value)
    done = exercise.done[step]
    return JudgedStep(
        done.test,
        done.minutes,
        view.shop.planner.look(view.shop.knowledge.tests[done.test].yields).bits(view.shop.about),
        view.value_of(done.test, -done.cost),
        name,
        value,
        view.lost_by(done),
        view.ended_by(done.test),
    )


class View:
    """An exercise at one of its steps, with every move that still fits in the minutes judged.

    Args:
        step: So many steps have been done; all when left out.
    """

    def __init__(self, exercise: Exercise, step: int | None = None) -> None:
        self.shop = exercise.shop(step)
        spent = sum(done.minutes for done in exercise.done[:step])
        self._rules = _InTime(self.shop.gates, self.shop.progress, exercise.minutes - spent)
        self.state: State = self._planner().rank(self.shop.progress)

    def _planner(self) -> Planner:
        shop = self.shop
        yields = {name: test.yields for name, test in shop.knowledge.tests.items()}
        return Planner(shop.calibrated, shop.decision, self._rules, yields, masks(shop.knowledge))

    @property
    def best(self) -> tuple[Move | None, float]:
        """The move to make, and its net value; None and zero where stopping is best."""
        branch = self.state.best
        return (branch.move, self.state.saves) if branch else (None, 0.0)

    @property
    def best_plan(self) -> tuple[str, ...]:
        """Services of least expected cost."""
        return tuple(self.shop.decision.best(self.state.marginal).actions)

    @property
    def believed(self) -> dict[str, float]:
        """Probability of every condition and of ``sound``."""
        belief = self.shop.belief
        names = belief.model.knowledge.conditions
        return {**{name: belief.condition(name) for name in names}, SOUND: belief.p_sound}

    def value_of(self, test: str, otherwise: float) -> float:
        """Net value of the best move that a test is part of; if that has to wait, its last test."""
        state = self.state
        moves = [b for b in state.branches if any(step.test == test for step in b.move.steps)]
        ready = [branch for branch in moves if not state.prevented_by(branch.move)]
        counted = ready or [branch for branch in moves if branch.move.test == test]
        return max((state.stop - branch.value for branch in counted), default=otherwise)

    def ended_by(self, test: str) -> tuple[str, ...]:
        """Tests that pay by themselves and that a test, done now, makes impossible: best first."""
        own = (branch for branch in self.state.branches if branch.move.test == test)
        return tuple(o.move.test for branch in own for o in self.state.prevented_by(branch.move))

    def lost_by(self, done: Done) -> float:
        """Currency by which a step falls short of the best one, a further test in view."""
        best, _ = self.best
        if best is not None and any(step.test == done.test for step in best.steps):
            return 0.0
        own = self.shop.gates.way(done.test, self.shop.progress)
        self._rules.only = [move for move in (own, best) if isinstance(move, Move)]
        state = self._planner().plan(self.shop.progress, 2)
        self._rules.only = []
        costs = {branch.move.test: branch.value for branch in state.branches}
        least = min([state.stop, *costs.values()])
        # what shows nothing new changes nothing but the bill
        lost = max(0.0, costs.get(done.test, least + done.cost) - least)
        return min(lost, done.cost) if self._leaves_open(done, best) else lost

    def _leaves_open(self, done: Done, best: Move | None) -> bool:
        """Whether the best move is still there after a step: then only its cost can be lost."""
        if best is None:
            return True
        gates = self.shop.gates
        way = gates.way(best.test, gates.after(self.shop.progress, [done.test], frozenset()))
        return isinstance(way, Move) and way.minutes <= self._rules.minutes - done.minutes


class _InTime:
    """The gates of a car, less the moves that no longer fit in the minutes left.

    ``only`` restricts the next move to some; what may follow it stays free.
    """

    def __init__(self, gates: Gates, start: Progress, minutes: float) -> None:
        self.only: list[Move] = []
        self.hurdles = gates.hurdles
        self._gates = gates
        self._start = start
        self.minutes = minutes

    def moves(self, progress: Progress) -> list[Move]:
        """Every test that fits in the minutes left."""
        if self.only and progress == self._start:
            return self.only
        further = progress.done[len(self._start.done) :]
        left = self.minutes - self._gates.set_ups.spent(further, self._start.standing)
        return [move for move in self._gates.moves(progress) if move.minutes <= left]

    def after(self, progress: Progress, tests: Iterable[str], results: Results) -> Progress:
        """As the gates say."""
        return self._gates.after(progress, tests, results)
