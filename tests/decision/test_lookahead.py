"""Decisions about tests: published problems solved, sequences found, bounds that hold."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from loopodds.advice.further_tests import informed_saving, look_ahead
from loopodds.decision.expected_cost import Decision
from loopodds.decision.lookahead import Planner
from loopodds.exchange.bif import read_bif
from loopodds.inference.joints import Calibrated
from loopodds.inference.junction import JunctionTree
from loopodds.inference.network import Discrete, Evidence
from planning import (
    NOW,
    Free,
    decision_of,
    joint_of,
    planner,
    random_decision,
    random_variables,
    slow_value,
)

ORACLES = Path(__file__).parents[1] / "oracles"
# Two sums of a few hundred products in another order.
FLOAT = 1e-9
NOTHING = np.empty(0)


def table(name, states, parents, rows):
    return Discrete(name, tuple(states), tuple(parents), np.array(rows, dtype=float))


class TestOilWildcatter:
    """Raiffa (1968): drill or not, with a seismic sounding at 10 thousand."""

    def problem(self, cost: float = 10.0) -> Planner:
        variables = [
            table("oil", ("dry", "wet", "soaking"), (), [0.5, 0.3, 0.2]),
            table(
                "seismic",
                ("no structure", "open", "closed"),
                ("oil",),
                [[0.6, 0.3, 0.1], [0.3, 0.4, 0.3], [0.1, 0.4, 0.5]],
            ),
        ]
        decision = decision_of("oil", {"drill": [70, -50, -200], "leave": [0, 0, 0]})
        return planner(variables, decision, {"seismic": cost})

    def test_without_the_sounding_drilling_is_worth_20(self):
        state = self.problem().start(NOW)
        assert -state.stop == pytest.approx(20.0, abs=FLOAT)

    def test_the_sounding_is_worth_12_and_a_half_so_22_and_a_half_are_left(self):
        state = self.problem().rank(NOW)
        (branch,) = state.branches
        assert branch.gain == pytest.approx(12.5, abs=FLOAT)
        assert -state.value == pytest.approx(22.5, abs=FLOAT)
        assert branch.chance == pytest.approx([0.41, 0.35, 0.24], abs=FLOAT)
        assert branch.chance * -branch.stop == pytest.approx([0, 11.5, 21], abs=FLOAT)

    def test_the_sounding_is_bought_below_its_worth_and_not_above(self):
        assert self.problem(12.49).rank(NOW).best is not None
        assert self.problem(12.51).rank(NOW).best is None

    def test_perfect_information_is_worth_35(self):
        problem = self.problem()
        worth, error = informed_saving(
            problem.calibrated, problem.decision, NOTHING, np.random.default_rng(0)
        )
        assert worth == pytest.approx(35.0, abs=FLOAT)
        assert error == 0.0


class TestUsedCar:
    """The used car of Pearl, as set in the exercises of Russell & Norvig."""

    def problem(self) -> Planner:
        variables = [
            table("quality", ("good", "bad"), (), [0.7, 0.3]),
            table("inspection", ("pass", "fail"), ("quality",), [[0.8, 0.2], [0.35, 0.65]]),
        ]
        decision = decision_of("quality", {"buy": [-500, 200], "leave": [0, 0]})
        return planner(variables, decision, {"inspection": 50.0})

    def test_the_car_is_worth_290(self):
        assert -self.problem().start(NOW).stop == pytest.approx(290.0, abs=FLOAT)

    def test_the_inspection_never_changes_the_act_and_is_worth_nothing(self):
        state = self.problem().rank(NOW)
        (branch,) = state.branches
        assert branch.chance[0] == pytest.approx(0.665, abs=FLOAT)
        assert -branch.stop == pytest.approx([389.4737, 92.5373], abs=5e-5)  # four decimals
        assert branch.gain == pytest.approx(0.0, abs=FLOAT)
        assert state.best is None


class TestChestClinic:
    """Lung cancer treated: 1 for a needless treatment, 6 for a missed one (enumerated values)."""

    @pytest.mark.parametrize(
        ("test", "worth"), [("xray", 0.542830), ("smoke", 0.024304), ("asia", 0.0)]
    )
    def test_worth_of_a_test_for_a_patient_short_of_breath(self, test, worth):
        tree = JunctionTree(read_bif(ORACLES / "chest_clinic.bif").network)
        losses = {"treat": [0.0, 1.0], "wait": [6.0, 0.0]}
        if tree.network.states("lung")[0] != "yes":
            losses = {name: values[::-1] for name, values in losses.items()}
        now = Calibrated(
            tree, Evidence(1, {"dysp": np.array([tree.network.states("dysp").index("yes")])})
        )
        problem = Planner(now, decision_of("lung", losses), Free({test: 0.0}), {test: [test]})
        state = problem.rank(NOW)
        assert state.stop == pytest.approx(0.616555, abs=5e-7)  # six decimals
        assert state.branches[0].gain == pytest.approx(worth, abs=5e-7)


def exclusive_or(cost: float) -> Planner:
    """Two fair coins seen one at a time; what matters is whether they differ."""
    variables = [
        table("x1", ("0", "1"), (), [0.5, 0.5]),
        table("x2", ("0", "1"), (), [0.5, 0.5]),
        table("differ", ("no", "yes"), ("x1", "x2"), [[[1, 0], [0, 1]], [[0, 1], [1, 0]]]),
        table("see1", ("0", "1"), ("x1",), [[1, 0], [0, 1]]),
        table("see2", ("0", "1"), ("x2",), [[1, 0], [0, 1]]),
        table("echo", ("0", "1"), ("differ",), [[0.5, 0.5], [0.5, 0.5]]),
    ]
    decision = decision_of("differ", {"bet on it": [1, -1], "leave": [0, 0]})
    return planner(variables, decision, {"see1": cost, "see2": cost})


def test_two_tests_that_say_nothing_apart_and_all_together_are_found():
    problem = exclusive_or(0.1)
    alone = problem.rank(NOW)
    assert [branch.gain for branch in alone.branches] == pytest.approx([0, 0], abs=FLOAT)
    assert alone.best is None
    pair = problem.plan(NOW, 2)
    assert pair.best is not None
    assert pair.value == pytest.approx(0.2 - 0.5, abs=FLOAT)
    after = pair.best.states[0]
    assert after.best is not None
    assert {pair.best.move.test, after.best.move.test} == {"see1", "see2"}


def test_two_tests_that_cost_more_than_they_save_together_are_left():
    assert exclusive_or(0.26).plan(NOW, 2).best is None


class TestWhatRulesOutOthersWaits:
    """A fault in every second car; opening up shows it and ends the look from outside."""

    def problem(self, look: float) -> Planner:
        variables = [
            table("fault", ("no", "yes"), (), [0.5, 0.5]),
            table("look", ("fine", "odd"), ("fault",), [[0.8, 0.2], [0.2, 0.8]]),
            table("open", ("fine", "odd"), ("fault",), [[1, 0], [0, 1]]),
        ]
        decision = decision_of("fault", {"repair": [4, 0], "leave": [0, 4]})
        costs = {"look": look, "open": 0.1}
        return planner(variables, decision, costs, ends={"open": frozenset({"look"})})

    def test_what_pays_more_waits_for_what_it_would_rule_out(self):
        state = self.problem(look=0.5).rank(NOW)
        nets = {branch.move.test: state.stop - branch.value for branch in state.branches}
        assert nets == pytest.approx({"look": 1.2 - 0.5, "open": 2.0 - 0.1}, abs=FLOAT)
        assert state.best is not None
        assert state.best.move.test == "look"
        assert state.saves == pytest.approx(0.7, abs=FLOAT)

    def test_it_does_not_wait_for_what_does_not_pay(self):
        state = self.problem(look=1.3).rank(NOW)
        assert state.best is not None
        assert state.best.move.test == "open"

    def test_two_tests_ahead_nothing_is_planned_after_what_rules_it_out(self):
        state = self.problem(look=0.5).plan(NOW, 2)
        opened = next(branch for branch in state.branches if branch.move.test == "open")
        assert opened.value == pytest.approx(0.1, abs=FLOAT)


class TestTestOrTreat:
    """Pauker & Kassirer (1980): benefit 10, harm of treatment 2, sensitivity .9, specificity .8,
    harm of the test .1; thresholds computed from their formulas."""

    TREAT, TEST, TEST_TREAT = 0.1666667, 0.0531915, 0.5769231

    def pays(self, p: float) -> bool:
        variables = [
            table("ill", ("no", "yes"), (), [1 - p, p]),
            table("test", ("negative", "positive"), ("ill",), [[0.8, 0.2], [0.1, 0.9]]),
        ]
        decision = decision_of("ill", {"treat": [2, -10], "wait": [0, 0]})
        return planner(variables, decision, {"test": 0.1}).rank(NOW).best is not None

    @pytest.mark.parametrize("threshold", [TEST, TEST_TREAT])
    def test_testing_pays_between_the_two_thresholds_only(self, threshold):
        inside = 1e-6 if threshold == self.TEST else -1e-6  # seven digits printed
        assert self.pays(threshold + inside)
        assert not self.pays(threshold - inside)

    def test_treating_without_a_test_pays_from_the_treatment_threshold_on(self):
        decision = decision_of("ill", {"treat": [2, -10], "wait": [0, 0]})
        for p, act in ((self.TREAT - 1e-6, "wait"), (self.TREAT + 1e-6, "treat")):
            assert decision.best(np.array([1 - p, p])).actions == (act,)


def random_problem(seed: int, tests: int = 3) -> tuple[list[Discrete], Decision, dict[str, float]]:
    rng = np.random.default_rng(seed)
    variables = random_variables(rng, hidden=3, seen=tests)
    costs = {f"o{i}": float(c) for i, c in enumerate(rng.uniform(0.05, 0.8, tests))}
    return variables, random_decision(rng, variables), costs


@pytest.mark.parametrize("seed", range(25))
@pytest.mark.parametrize("depth", [1, 2, 3])
def test_the_plan_is_the_best_one_there_is(seed, depth):
    variables, decision, costs = random_problem(seed)
    names, joint = joint_of(variables)
    expected = slow_value(names, joint, decision, costs, depth, {})
    state = planner(variables, decision, costs).plan(NOW, depth)
    assert state.value == pytest.approx(expected, abs=1e-9)
    assert state.least <= expected + 1e-9


@pytest.mark.parametrize("seed", range(25))
def test_a_test_is_never_worth_less_than_nothing_nor_more_than_perfect_information(seed):
    variables, decision, costs = random_problem(seed)
    problem = planner(variables, decision, costs, {"o0": ("o0", "o1"), "o2": ("o2", "watch0")})
    rng = np.random.default_rng(seed)
    perfect, _ = informed_saving(problem.calibrated, decision, NOTHING, rng)
    state = problem.rank(NOW)
    for branch in state.branches:
        assert 0.0 <= branch.gain <= perfect + FLOAT
    assert state.known <= state.stop - perfect + FLOAT


@pytest.mark.parametrize("seed", range(25))
def test_looking_further_ahead_never_finds_a_worse_plan(seed):
    variables, decision, costs = random_problem(seed, tests=4)
    several = {"o0": ("o0", "o1", "watch1")}
    values = [
        planner(variables, decision, costs, several).plan(NOW, depth).value for depth in (1, 2, 3)
    ]
    assert values[1] <= values[0] + FLOAT
    assert values[2] <= values[1] + FLOAT


@pytest.mark.parametrize("seed", range(10))
def test_a_plan_cut_short_says_how_much_it_may_have_missed(seed):
    variables, decision, costs = random_problem(seed, tests=4)
    names, joint = joint_of(variables)
    best = slow_value(names, joint, decision, costs, 3, {})
    state = planner(variables, decision, costs).plan(NOW, 3, most=2)
    assert state.least - FLOAT <= best <= state.value + FLOAT


@pytest.mark.parametrize("seed", range(4))
def test_on_a_large_tree_fewer_outcomes_are_looked_into_and_the_others_are_counted(
    seed, monkeypatch
):
    variables, decision, costs = random_problem(seed, tests=4)
    whole = planner(variables, decision, costs)
    best = whole.plan(NOW, 3)
    assert whole.left_out == 0
    monkeypatch.setattr("loopodds.decision.lookahead.MOST_WORK", 1)
    short = planner(variables, decision, costs)
    found = short.plan(NOW, 3)
    assert short.left_out > 0
    assert found.least - FLOAT <= best.value <= found.value + FLOAT


class TestSameDecision:
    """Chen, Choi & Darwiche (2014) on the chest clinic: smoker, short of breath, threshold .5."""

    def outlook(self):
        tree = JunctionTree(read_bif(ORACLES / "chest_clinic.bif").network)
        given = {"smoke": "yes", "dysp": "yes"}
        codes = {n: np.array([tree.network.states(n).index(s)]) for n, s in given.items()}
        states = tree.network.states("lung")
        losses = {"treat": [float(s == "no") for s in states]}
        losses["wait"] = [float(s == "yes") for s in states]
        decision = decision_of("lung", losses)
        now = Calibrated(tree, Evidence(1, codes))
        return look_ahead(now, decision, ["xray"], NOTHING, np.random.default_rng(0))

    def test_an_x_ray_leaves_the_decision_as_it_is_four_times_in_five(self):
        found = self.outlook()
        assert found.same == pytest.approx(0.7991376102, abs=5e-11)  # ten digits
        assert found.draws == 0

    def test_what_it_saves_is_what_it_changes(self):
        """The x-ray flips the decision with .2009, to a posterior of .7237."""
        saved = 0.2008623898 * (0.7237140153 - (1 - 0.7237140153))
        assert self.outlook().saving == pytest.approx(saved, abs=1e-9)


@pytest.mark.parametrize("seed", range(5))
def test_draws_estimate_the_same_outlook_as_a_listing(seed, monkeypatch):
    variables, decision, _ = random_problem(seed)
    names = ["o0", "o1", "o2"]
    now = planner(variables, decision, {}).calibrated
    exact = look_ahead(now, decision, names, NOTHING, np.random.default_rng(seed))
    monkeypatch.setattr("loopodds.advice.further_tests.LISTED", 1)
    drawn = look_ahead(now, decision, names, NOTHING, np.random.default_rng(seed), draws=4000)
    assert (exact.draws, drawn.draws) == (0, 4000)
    # four standard errors of a share of 4 000 draws
    assert drawn.same == pytest.approx(exact.same, abs=4 * 0.5 / np.sqrt(4000))
    assert drawn.saving == pytest.approx(exact.saving, abs=4 * drawn.saving_error + 1e-6)
    assert exact.saving_error == 0  # what was listed is not estimated
