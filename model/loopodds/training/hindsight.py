"""An exercise looked back on: what each step promised, what would have been best, what was lost.

Everything is judged by what was known at that moment: expectations, not what then came out.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable
from dataclasses import dataclass

import numpy as np

from loopodds.base.arrays import FloatArray, Query
from loopodds.base.errors import InspectionError
from loopodds.decision.branches import State
from loopodds.decision.expected_cost import Decision, Setting
from loopodds.decision.gates import Gates, Move, Progress, Results
from loopodds.decision.lookahead import Planner
from loopodds.decision.workshop import Workshop, masks
from loopodds.diagnosis.diagnose import believe, stated_context
from loopodds.knowledge.records import SOUND
from loopodds.training.exercise import Done, Exercise


@dataclass(frozen=True, slots=True)
class JudgedStep:
    """One step of an exercise, judged by what was known before it.

    Attributes:
        test: What was done; empty for the decision to stop.
        bits: Information about the state of the car that it promised.
        net_value: Currency by which it promised to lower the expected cost, alone or as part of the
            best sequence that it opens; one that has to wait counts for its last test only.
        best: What would have been best; empty where stopping was.
        best_value: Net value of that; zero for stopping.
        lost: Currency given away by this step, one further test in view; never below zero. A test
            that pays little but leaves the better one for afterwards loses little.
        ended: Tests that paid by themselves and that it made impossible, best first: it came too
            early.
    """

    test: str
    minutes: float
    bits: float
    net_value: float
    best: str
    best_value: float
    lost: float
    ended: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Outcome:
    """A course of tests and a plan on one car.

    Attributes:
        plan: Services; none is a plan too.
        expected: Expected cost of the plan, harm left behind included, when it was chosen.
        came_to: Cost of the tests and, knowing what was wrong, of the plan.
    """

    tests: tuple[str, ...]
    minutes: float
    plan: tuple[str, ...]
    expected: float
    came_to: float


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
    """The same among the plans of one setting; infinite where it does not have this one."""
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
    known = decision.of_joints(truth, decision.to_do(view.shop.progress.done))[0]
    return Outcome(
        tuple(done.test for done in exercise.done),
        exercise.minutes - exercise.minutes_left,
        tuple(plan),
        cost_of_plan(decision, view.state.marginal, plan),
        sum(done.cost for done in exercise.done) + cost_of_plan(decision, known, plan),
    )


def moment(exercise: Exercise, step: int) -> JudgedStep:
    """Judge one step; the one after the last is the decision to stop."""
    view = View(exercise, step)
    best, value = view.best
    name = best.test if best is not None else ""
    if step == len(exercise.done):
        return JudgedStep("", 0.0, 0.0, 0.0, name, value, value)
    done = exercise.done[step]
    return JudgedStep(
        done.test,
        done.minutes,
        view.bits(done.test),
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
        knowledge = exercise.model.knowledge
        inspection = exercise.inspection(step)
        belief = believe(inspection, exercise.model)
        context = stated_context(inspection, knowledge)
        self.shop = Workshop(belief, exercise.tests_done(step), exercise.prices, context)
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
        return (branch.move, self.state.saves) if branch is not None else (None, 0.0)

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
        ready = [branch for branch in moves if not state.prevented_by(branch)]
        counted = ready or [branch for branch in moves if branch.move.test == test]
        return max((state.stop - branch.value for branch in counted), default=otherwise)

    def ended_by(self, test: str) -> tuple[str, ...]:
        """Tests that pay by themselves and that a test, done now, makes impossible: best first."""
        own = (branch for branch in self.state.branches if branch.move.test == test)
        return tuple(o.move.test for branch in own for o in self.state.prevented_by(branch))

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

    def bits(self, test: str) -> float:
        """Information that a test promises about the state of the car."""
        yields = self.shop.knowledge.tests[test].yields
        return self.shop.planner.look(yields).bits(self.shop.about)


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
        """Every test that fits in what is left."""
        if self.only and progress == self._start:
            return self.only
        further = progress.done[len(self._start.done) :]
        left = self.minutes - sum(self._gates.prices.minutes[test] for test in further)
        return [move for move in self._gates.moves(progress) if move.minutes <= left]

    def after(self, progress: Progress, tests: Iterable[str], results: Results) -> Progress:
        """As the gates say."""
        return self._gates.after(progress, tests, results)
