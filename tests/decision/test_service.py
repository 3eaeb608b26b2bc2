"""Plans of services: the cheapest there is, in the best order, and honest about how firm."""

from __future__ import annotations

import itertools
from collections.abc import Iterable, Iterator, Mapping
from functools import cache
from pathlib import Path

import numpy as np
import pytest
from loopodds.advice.firmness import WORTH_A_WORD, advise, break_even, crossing, kinds_for, provisos
from loopodds.base.errors import InspectionError, TooLarge
from loopodds.decision.expected_cost import Plan, best_order
from loopodds.decision.gates import Gates
from loopodds.decision.offers import FILLING, OPENING, offers_for, repair_decision
from loopodds.decision.prices import Prices, load_prices
from loopodds.decision.workshop import Workshop
from loopodds.diagnosis.belief import log_odds
from loopodds.diagnosis.complaints import complaints_of, powers
from loopodds.diagnosis.diagnose import believe, stated_context
from loopodds.diagnosis.predictions import predict
from loopodds.inspection.case_file import load_case
from loopodds.inspection.inspection import Inspection
from loopodds.knowledge.cures import cured_states, fault_columns
from loopodds.knowledge.records import Knowledge
from loopodds.knowledge.work import Service
from planning import by_efficiency, decision_of
from shared import shipped as model

# Sums of a few dozen amounts in another order.
MONEY = 1e-6


def case(text: str) -> Inspection:
    return load_case(text, model().knowledge)


def bay_of(inspection: Inspection, prices: Prices | None = None) -> Workshop:
    context = stated_context(inspection, model().knowledge)
    return Workshop(believe(inspection, model()), (), prices, context)


BURNT = case(
    """
[vehicle]
refrigerant = "R134a"
expansion = "TXV"
compressor = "fixed"
[findings]
label_and_fittings = "agree"
identification = "as_labelled"
port_core = "clean"
sealant_check = "negative"
sample_darkening = "black"
sample_specks = "metal"
cooling = "weak"
"""
)
LEAKED = case(
    """
[vehicle]
refrigerant = "R134a"
expansion = "TXV"
compressor = "fixed"
[history]
regassed_every_season = "yes"
[findings]
cooling = "weak"
oily_dirt = "present"
line_bubbles = "steady"
"""
)
EMPTIED = case(
    """
[vehicle]
refrigerant = "R134a"
nameplate_charge = "500 g"
expansion = "TXV"
compressor = "fixed"
[findings]
cooling = "weak"
label_and_fittings = "agree"
identification = "as_labelled"
port_core = "clean"
sealant_check = "negative"
[readings]
recovered = "490 g"
"""
)
STOPPED = case(
    """
[vehicle]
refrigerant = "R134a"
expansion = "TXV"
compressor = "fixed"
[history]
stop_leak_used = "yes"
[findings]
cooling = "weak"
port_core = "skin"
"""
)
SOUND = case(
    """
[vehicle]
refrigerant = "R134a"
expansion = "TXV"
compressor = "fixed"
[conditions]
setting = "routine"
[findings]
cooling = "good"
sample_darkening = "none"
sample_cloudiness = "none"
sample_specks = "none"
"""
)


class TestOrderOfRepairs:
    """Kadane & Simon (1977); costs of all orders enumerated."""

    P, COST = (0.4, 0.3, 0.2, 0.1), (5.0, 15.0, 1.0, 10.0)

    def test_probability_over_cost_is_the_best_order_of_single_cures(self):
        assert by_efficiency(self.P, self.COST) == (2, 0, 1, 3)
        found = best_order(self.P, np.eye(4), self.COST)
        assert found.actions == (2, 0, 1, 3)
        assert found.cost == pytest.approx(12.0)

    @pytest.mark.parametrize(
        ("order", "cost"), [((0, 1, 2, 3), 15.3), ((2, 0, 3, 1), 13.5), ((3, 1, 0, 2), 26.7)]
    )
    def test_probability_alone_cost_alone_and_the_worst_order_cost_more(self, order, cost):
        assert spent(order, self.P, np.eye(4), self.COST) == pytest.approx(cost)

    def test_a_second_set_of_numbers(self):
        found = best_order((0.2, 0.25, 0.4, 0.15), np.eye(4), (3, 3, 4, 2))
        assert (found.actions, found.cost) == ((2, 1, 3, 0), pytest.approx(7.1))

    @pytest.mark.parametrize(
        ("call", "actions", "cost"), [(20, (2, 0, 1, 3), 12.0), (8, (2,), 7.4)]
    )
    def test_help_is_called_as_soon_as_trying_on_costs_more(self, call, actions, cost):
        found = best_order(self.P, np.eye(4), self.COST, call=call)
        assert found.actions == actions
        assert found.cost == pytest.approx(cost)

    @pytest.mark.parametrize("seed", range(20))
    def test_probability_over_cost_is_optimal_under_one_fault(self, seed):
        rng = np.random.default_rng(seed)
        count = int(rng.integers(2, 7))
        p, cost = rng.dirichlet(np.ones(count)), rng.uniform(1, 10, count)
        order = by_efficiency(p, cost)
        assert best_order(p, np.eye(count), cost).cost == pytest.approx(
            cheapest(p, np.eye(count), cost)
        )
        assert spent(order, p, np.eye(count), cost) == pytest.approx(
            cheapest(p, np.eye(count), cost)
        )

    @pytest.mark.parametrize("seed", range(20))
    def test_where_repairs_overlap_the_planner_is_exact_and_never_beaten(self, seed):
        rng = np.random.default_rng(seed)
        p, cost = rng.dirichlet(np.ones(4)), rng.uniform(1, 10, 5)
        cures = rng.uniform(0, 1, (5, 4)) * (rng.random((5, 4)) < 0.6)
        found = best_order(p, cures, cost)
        assert found.cost == pytest.approx(cheapest(p, cures, cost))
        naive = by_efficiency(cures @ p, cost)
        assert found.cost <= spent(naive, p, cures, cost) + MONEY

    def test_where_repairs_overlap_probability_over_cost_is_beaten(self):
        """One repair does what two others do together: the naive order tries it last or first."""
        p, cost = (0.5, 0.5), (6.0, 6.0, 10.0)
        cures = np.array([[1.0, 0.0], [0.0, 1.0], [0.9, 0.9]])
        naive = by_efficiency(cures @ np.array(p), cost)
        assert best_order(p, cures, cost).cost < spent(naive, p, cures, cost) - 0.1

    def test_what_must_come_first_does(self):
        found = best_order(self.P, np.eye(4), self.COST, before={2: [3]})
        assert found.actions.index(3) < found.actions.index(2)

    def test_more_repairs_than_can_be_sorted_exactly_are_refused(self):
        with pytest.raises(TooLarge, match="17 repairs have 2\\^17 orders"):
            best_order(np.full(17, 1 / 17), np.eye(17), np.ones(17))


def spent(order, p, cures, cost) -> float:
    """Expected cost of an order, each repair proved before the next."""
    left, total = np.array(p, dtype=float), 0.0
    for action in order:
        total += cost[action] * left.sum()
        left = left * (1 - np.asarray(cures)[action])
    return total


def cheapest(p, cures, cost) -> float:
    """The same over all permutations."""
    return min(spent(order, p, cures, cost) for order in itertools.permutations(range(len(cost))))


# --- plans ------------------------------------------------------------------------------------


def brute_force(shop: Workshop) -> tuple[float, set[str]]:
    """Cost of the cheapest plan, by listing every set of up to four services afresh."""
    knowledge, prices = shop.knowledge, shop.gates.prices
    beliefs = {v: shop.belief.fault(v) for v in knowledge.of_kind("fault")}
    names = list(shop.offers)
    best = (np.inf, set())
    brought = dict(zip(fault_columns(knowledge), powers_of(shop), strict=True))
    for count in range(5):
        for some in itertools.combinations(names, count):
            if any(b in knowledge.services[a].not_with for a in some for b in some):
                continue
            if any(b != a and included(a)[1].name == b for a in some for b in some):
                continue
            filled = any(FILLING in shop.offers[name].needs for name in some)
            if filled and "put_charge_back" in some:
                continue
            cost = sum(prices.of_work(name) for name in some)
            needs = frozenset().union(*(shop.offers[name].needs for name in some))
            tests = needs - {FILLING, OPENING} - {*shop.progress.done}
            shared = tests & {*knowledge.set_ups}
            cost += sum(prices.of_work(t) for t in tests - shared)
            # hoses that were taken off go on again as long as anything is left to do with them
            left = {*shop.decision.open_needs(shop.progress.done, shop.progress.standing)}
            cost += sum(map(shop.gates.set_ups.price, shared & left))
            cost += prices.filling(shop.gates.context["refrigerant"]) * (FILLING in needs)
            cost += prices.opening * (OPENING in needs)
            if "recover_and_weigh" in shop.progress.done and not filled:
                left_empty = knowledge.services["put_charge_back"].undone
                cost += 0 if "put_charge_back" in some else left_empty
            for variable, states in beliefs.items():
                for state, probability in states.items():
                    loss = knowledge.harms[variable].states.get(state, 0.0)
                    eased = max((eased_by(name, variable, state) for name in some), default=0)
                    loss *= 1 - eased
                    loss += prices.unsolved * brought[variable, state]
                    loss += max((in_vain_of(name, variable, state) for name in some), default=0)
                    for name in some:
                        loss *= 1 - own_cure_of(name, variable, state)
                    # however many of them need a filling, there is one
                    loss *= 1 - (filling_cure(variable, state) if filled else 0)
                    cost += probability * loss
            best = min(best, (cost, set(some)), key=lambda pair: pair[0])
    return best


def powers_of(shop: Workshop) -> np.ndarray:
    complaints = tuple(complaints_of(shop.belief, shop.gates.context))
    return powers(shop.belief.model, shop.belief.context, complaints)


@cache
def own_cure_of(service: str, variable: str, state: str) -> float:
    own = service != "recover_and_charge"
    return own * largest(model().knowledge.services[service].cures, variable, state)


@cache
def eased_by(service: str, variable: str, state: str) -> float:
    return largest(model().knowledge.services[service].eases, variable, state)


@cache
def filling_cure(variable: str, state: str) -> float:
    return largest(model().knowledge.services["recover_and_charge"].cures, variable, state)


@cache
def in_vain_of(service: str, variable: str, state: str) -> float:
    return max(largest(one.in_vain, variable, state) for one in included(service))


def included(service: str) -> list[Service]:
    """A service, and the one whose filling it includes."""
    services = model().knowledge.services
    filling = services[service].filling or service
    return [services[service], services[filling]]


def largest(figures: Mapping[str, float], variable: str, state: str) -> float:
    knowledge = model().knowledge
    return max(
        (
            figure
            for target, figure in figures.items()
            if (variable, state) in cured_states(target, knowledge)
        ),
        default=0.0,
    )


@pytest.mark.parametrize("inspection", [BURNT, SOUND, EMPTIED], ids=["burnt", "sound", "emptied"])
def test_the_best_plan_is_the_cheapest_of_all_combinations(inspection):
    shop = bay_of(inspection)
    cost, services = brute_force(shop)
    plan = shop.decision.best(shop.marginal)
    assert plan.cost == pytest.approx(cost, abs=MONEY)
    assert set(plan.actions) == services


def test_a_loop_that_has_leaked_empty_is_repaired_not_just_filled():
    """Repair comes before filling: common practice, and law in some countries."""
    shop = bay_of(LEAKED)
    assert shop.belief.condition("leak") > 0.8
    actions = shop.decision.best(shop.marginal).actions
    assert "repair_leak_and_charge" in actions
    assert "recover_and_charge" not in actions


def test_a_loop_emptied_for_a_test_is_filled_again_whatever_else_is_done():
    """Common practice, no source: a car does not go back with an empty loop."""
    shop = bay_of(EMPTIED)
    plans = shop.decision.alternatives(shop.marginal, 20)
    assert len(plans) == 20
    for plan in plans:
        assert filled(plan.actions) != ("put_charge_back" in plan.actions)
    back = next(plan for plan in plans if "put_charge_back" in plan.actions)
    told = shop.service_plan(back)
    # nothing goes into a loop that was not evacuated
    assert told.first == ("vacuum_hold_test",)
    prices = shop.gates.prices
    coupled = shop.gates.set_ups.price("coupled")
    alone = sum(map(prices.of_work, (*told.services, *told.first)))
    assert told.outlay == pytest.approx(alone + coupled)


def test_nobody_puts_back_what_was_not_taken_out():
    for inspection in (BURNT, SOUND, LEAKED):
        shop = bay_of(inspection)
        for plan in shop.decision.alternatives(shop.marginal, 40):
            assert "put_charge_back" not in plan.actions


def on(branch, row: int) -> bool:
    """Whether the machine is coupled at an outcome."""
    return "coupled" in branch.position(row)[0].standing


def test_recovering_for_a_look_is_charged_with_filling_the_loop_again():
    shop = bay_of(SOUND)
    branch = next(
        b for b in shop.planner.rank(shop.progress).branches if b.move.test == "recover_and_weigh"
    )
    prices = shop.gates.prices
    back = prices.of_work("put_charge_back") + prices.of_work("vacuum_hold_test")
    # on a car that looks sound, nothing else would fill it; the machine is on, unless a guard that
    # is not passed ends the way before
    ended = sum(branch.chance[row] for row in range(len(branch.chance)) if not on(branch, row))
    coupled = shop.gates.set_ups.price("coupled")
    assert 0 < ended < 0.1
    assert branch.debt == pytest.approx(back + ended * coupled, abs=MONEY)
    lost = branch.value - shop.planner.start(shop.progress).stop
    assert lost == pytest.approx(branch.cost - branch.gain, abs=MONEY)
    assert branch.cost > back


def test_oil_lost_with_the_refrigerant_is_made_up_when_the_leak_is_repaired():
    """Common practice, no source; measuring what is inside does it more surely."""
    services = model().knowledge.services
    assert services["repair_leak_and_charge"].cures["oil_short"] > 0.5
    assert services["change_oil"].cures["oil_short"] > 0.8


def test_what_a_plan_takes_for_granted_is_told_where_it_is_doubtful():
    shop = bay_of(STOPPED)
    plan = next(p for p in shop.decision.alternatives(shop.marginal, 20) if filled(p.actions))
    told = {
        one.guard or one.condition: one for one in provisos(shop, plan, shop.service_plan(plan))
    }
    failing = (
        1
        - predict(shop.calibrated.tree, shop.belief.evidence, ["sealant_check"])[
            "sealant_check"
        ].states[0, 0]
    )
    assert told["leak_stop_check"].probability == pytest.approx(failing)
    assert told["leak_stop_check"].instead == "remove_leak_stop"
    leaks = shop.belief.condition("leak")
    assert ("leak" in told) == (
        leaks >= WORTH_A_WORD and "repair_leak_and_charge" not in plan.actions
    )
    if "leak" in told:
        assert told["leak"].probability == pytest.approx(leaks)
        assert told["leak"].instead == "repair_leak_and_charge"


def filled(actions: Iterable[str]) -> bool:
    return any(model().knowledge.services[name].filling for name in actions)


def test_a_sound_car_is_left_alone():
    shop = bay_of(SOUND)
    plan = shop.service_plan(shop.best)
    assert plan.services == ()
    assert plan.outlay == 0


def test_cost_of_a_plan_is_what_is_paid_and_the_harm_left():
    shop = bay_of(BURNT)
    for plan in shop.decision.alternatives(shop.marginal, 5):
        told = shop.service_plan(plan)
        assert told.cost == pytest.approx(plan.cost)
        assert told.harm >= 0


def test_the_loop_is_opened_and_filled_once_however_many_services_need_it():
    shop = bay_of(BURNT)
    plans = shop.decision.alternatives(shop.marginal, 40)
    two = next(p for p in plans if sum(FILLING in shop.offers[a].needs for a in p.actions) == 2)
    told = shop.service_plan(two)
    prices = shop.gates.prices
    alone = sum(prices.of_work(name) for name in (*told.services, *told.first))
    assert sum(OPENING in shop.offers[a].needs for a in two.actions) == 2
    alone += shop.gates.set_ups.price("coupled")
    assert told.outlay == pytest.approx(alone + prices.filling("R134a") + prices.opening)


@pytest.mark.parametrize("refrigerant", ["R134a", "R1234yf"])
def test_the_newer_refrigerant_makes_the_same_plan_dearer(refrigerant):
    prices = load_prices(None, model().knowledge)
    assert prices.filling("R1234yf") - prices.filling("R134a") == pytest.approx(180.0)
    assert prices.filling(None) == prices.filling("R1234yf")


def test_services_that_exclude_each_other_are_never_combined():
    shop = bay_of(BURNT)
    knowledge = model().knowledge
    for setting in shop.decision.settings:
        for part in setting.components:
            for option in part.options:
                for a, b in itertools.permutations(option, 2):
                    assert b not in knowledge.services[a].not_with


def test_leak_stop_found_goes_out_before_the_rest():
    inspection = case(
        """
[vehicle]
compressor = "fixed"
[findings]
label_and_fittings = "agree"
identification = "as_labelled"
sealant_check = "positive"
sample_darkening = "black"
sample_specks = "metal"
cooling = "none"
"""
    )
    shop = bay_of(inspection)
    assert shop.gates.failed(shop.progress) == ("leak_stop_check",)
    touching = {n for n, s in shop.knowledge.services.items() if "leak_stop_check" in s.after}
    for plan in shop.decision.alternatives(shop.marginal, 20):
        if set(plan.actions) & touching:
            assert "remove_leak_stop" in plan.actions
            assert shop.service_plan(plan).services[0] == "remove_leak_stop"


def test_an_electric_compressor_never_gets_the_oil_change_of_a_belt_driven_one():
    knowledge = model().knowledge
    able = load_prices(None, knowledge).with_everything(knowledge)
    offered = {o.name for o in offers_for(Gates(knowledge, {"compressor": "electric"}, able), ())}
    belt = {o.name for o in offers_for(Gates(knowledge, {"compressor": "fixed"}, able), ())}
    assert "change_oil" not in offered
    assert "high_voltage_oil_path" in offered
    assert "change_oil" in belt
    assert "high_voltage_oil_path" not in belt


@pytest.mark.parametrize("seed", range(5))
def test_perfect_information_never_costs_more_than_its_bound_says(seed):
    """Costs of cars known exactly are never below the bound that prunes the search."""
    knowledge = model().knowledge
    gates = Gates(knowledge, {"compressor": "fixed"}, load_prices(None, knowledge))
    decision = repair_decision(gates)
    rng = np.random.default_rng(seed)
    rows = []
    for _ in range(200):
        sick = rng.random() < 0.9
        rows.append(
            np.concatenate(
                [np.eye(n)[int(rng.integers(n)) if sick and rng.random() < 0.2 else 0]
                 for _, n in decision.variables]
            )
        )  # fmt: skip
    marginals = np.hstack([np.array(rows), np.zeros((200, decision.certain))])
    assert (decision.informed_cost(marginals) <= decision.cost(marginals) + MONEY).all()


# --- how firm ---------------------------------------------------------------------------------


class TestBreakEven:
    def test_it_is_the_treatment_threshold_of_pauker_and_kassirer(self):
        """Benefit 10, harm 2: treat from 2 / (2 + 10) on (1980)."""
        treat = decision_of("ill", {"treat": [2, -10]})
        wait = decision_of("ill", {"wait": [0, 0]})
        absent, present = np.array([1.0, 0.0]), np.array([0.0, 1.0])
        # bisection to rounding
        assert crossing(treat, wait, absent, present) == pytest.approx(1 / 6, abs=1e-12)

    def test_always_and_never(self):
        absent, present = np.array([1.0, 0.0]), np.array([0.0, 1.0])
        cheap = decision_of("ill", {"treat": [-1, -2]})
        dear = decision_of("ill", {"treat": [5, 5]})
        wait = decision_of("ill", {"wait": [0, 0]})
        assert crossing(cheap, wait, absent, present) == 0.0
        assert crossing(dear, wait, absent, present) is None

    def test_the_plan_flips_at_the_threshold(self):
        """Doubt about the condition, just enough to cross: the service leaves the best plan."""
        shop = bay_of(BURNT)
        even = break_even(shop, "replace_compressor_set")
        assert even.threshold is not None
        assert 0 < even.threshold < even.probability
        named = shop.knowledge.condition(even.condition)
        states = model().states(named.variable)
        member = np.array([state in named.states for state in states])
        for shift, stays in ((+0.01, True), (-0.01, False)):
            odds = log_odds(np.array([even.threshold + shift, even.probability]))
            likelihood = np.where(member, np.exp(odds[0] - odds[1]), 1.0)[None]
            batch = shop.belief.evidence.with_soft({named.variable: likelihood})
            posterior = shop.calibrated.tree.propagate(batch, shop.decision.queries)
            row = shop.decision.of_joints(
                posterior.joints, shop.decision.to_do(shop.progress.done)
            )[0]
            assert ("replace_compressor_set" in shop.decision.best(row).actions) is stays

    def test_evidence_to_the_threshold_is_the_bound_of_walds_sequential_test(self):
        """Wald (1945), errors of 5 % and 10 %: from even odds +12.5527 and -9.7772 decibans to
        the posteriors 18/19 and 2/21 at which sampling stops."""
        for posterior, decibans in ((18 / 19, 12.5527), (2 / 21, -9.7772)):
            odds = log_odds(np.array([posterior, 0.5]))
            assert 10 * (odds[0] - odds[1]) / np.log(10) == pytest.approx(decibans, abs=5e-5)


def test_a_compressor_is_not_replaced_on_the_look_of_the_sample_alone():
    shop = bay_of(BURNT)
    advice = advise(shop, shop.planner.rank(shop.progress), np.random.default_rng(0))
    assert "replace_compressor_set" in advice.best.services
    (doubt,) = advice.doubts
    assert (doubt.service, doubt.kind) == ("replace_compressor_set", "sample")
    groups = {shop.knowledge.node(n).group for n in shop.knowledge.tests[doubt.ask].yields}
    assert "sample" not in groups


def test_a_second_kind_of_evidence_lifts_the_doubt():
    findings = {**BURNT.findings, "oil_swab": "metallic", "compressor_cycle": "steady"}
    inspection = Inspection(
        "burnt and swabbed", BURNT.vehicle, BURNT.conditions, {}, findings, {}, {}
    )
    shop = bay_of(inspection)
    kinds = kinds_for(shop, "compressor_wear")
    assert kinds["sample"] > 3
    assert kinds["opening"] > 3
    advice = advise(shop, shop.planner.rank(shop.progress), np.random.default_rng(0))
    assert advice.doubts == ()


def test_what_another_workshop_could_do_better_is_said():
    inspection = case(
        """
[vehicle]
refrigerant = "R1234yf"
compressor = "electric"
[history]
universal_oil_used = "yes"
[findings]
insulation_test = "low"
label_and_fittings = "agree"
identification = "as_labelled"
sealant_check = "negative"
"""
    )
    shop = bay_of(inspection)
    advice = advise(shop, shop.planner.rank(shop.progress), np.random.default_rng(0))
    assert "high_voltage_oil_path" not in advice.best.services
    assert advice.elsewhere is not None
    assert "high_voltage_oil_path" in advice.elsewhere.services
    assert advice.elsewhere.cost < advice.best.cost


def test_what_all_tests_could_save_is_no_more_than_what_ignorance_costs():
    for inspection in (BURNT, SOUND):
        shop = bay_of(inspection)
        advice = advise(shop, shop.planner.rank(shop.progress), np.random.default_rng(0))
        # both are estimated from draws
        assert advice.outlook.saving <= advice.ignorance + 4 * advice.outlook.saving_error
        assert advice.outlook.saving >= 0


# --- price files ------------------------------------------------------------------------------


def priced(folder: Path, text: str) -> Prices:
    file = folder / "own.toml"
    file.write_text(text, encoding="utf-8")
    return load_prices(file, Knowledge())


def test_a_price_file_replaces_what_it_names_and_leaves_the_rest(tmp_path):
    shipped = load_prices(None, Knowledge())
    own = priced(
        tmp_path,
        'currency = "EUR"\nlabour_rate = 90\nskills = ["high_voltage"]\n'
        "[minutes]\npressure_test = 25\n[cost]\nchange_oil = 70\n[refrigerant]\nR134a = 55\n",
    )
    assert (own.currency, own.labour_rate, own.skills) == ("EUR", 90.0, {"high_voltage"})
    assert own.of_work("pressure_test") == pytest.approx(shipped.cost["pressure_test"] + 25 * 1.5)
    assert own.cost["change_oil"] == 70
    assert own.refrigerant["R1234yf"] == shipped.refrigerant["R1234yf"]
    assert own.minutes["vent_test"] == shipped.minutes["vent_test"]


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("labor_rate = 90\n", "own.toml:1: labor_rate: unknown key; did you mean 'labour_rate'?"),
        ("labour_rate = -5\n", "own.toml:1: labour_rate: -5 does not lie between 0 and 1,000,000"),
        ('labour_rate = "90"\n', "own.toml:1: labour_rate: '90' is not a number"),
        (
            "[minutes]\nvent_test = 9\npresure_test = 25\n",
            "own.toml:3: [minutes] presure_test: unknown name; did you mean 'pressure_test'?",
        ),
        ("[cost]\nchange_oil = true\n", "own.toml:2: [cost] change_oil: true is not a number"),
        (
            'cannot = ["nitrogen"]\n',
            "own.toml:1: cannot: 'nitrogen' is unknown; "
            "did you mean 'nitrogen_test' or 'nitrogen_search'?",
        ),
        (
            'skills = "high_voltage"\n',
            "own.toml:1: skills: 'high_voltage' is not a list of names; write skills = [\"name\"]",
        ),
        ("currency = 3\n", 'own.toml:1: currency: 3 is not a text; write currency = "EUR"'),
        (
            "minutes = 3\n",
            "own.toml:1: minutes: write a section [minutes] with one line for each name",
        ),
    ],
)
def test_a_slip_in_a_price_file_is_named_with_its_line(tmp_path, text, message):
    with pytest.raises(InspectionError) as caught:
        priced(tmp_path, text)
    assert str(caught.value).replace(f"{tmp_path}/", "") == message


def test_a_price_file_that_is_no_toml_or_not_there_is_refused(tmp_path):
    with pytest.raises(InspectionError, match=r"own\.toml: not valid TOML in UTF-8"):
        priced(tmp_path, "labour_rate = = 3\n")
    with pytest.raises(InspectionError, match=r"nowhere\.toml: cannot be read: No such file"):
        load_prices(tmp_path / "nowhere.toml", Knowledge())


# --- what is worth doing ------------------------------------------------------------------------


def certain(gates: Gates, fault: str, state: str, complaint: tuple[float, ...] = ()) -> Plan:
    """Best plan for a car of which everything is known and tested: one fault, or none."""
    knowledge = gates.knowledge
    decision = repair_decision(gates, complaint=complaint)
    row = [
        float(there == (state if name == fault else knowledge.node(name).states[0]))
        for name, there in fault_columns(knowledge)
    ]
    return decision.best(np.append(row, decision.to_do([*knowledge.tests])))


def every_car() -> Iterator[Gates]:
    knowledge = model().knowledge
    able = load_prices(None, knowledge).with_everything(knowledge)
    for compressor, expansion in itertools.product(("fixed", "variable", "electric"), DEVICES):
        context = {"refrigerant": "R134a", "compressor": compressor, "expansion": expansion}
        yield Gates(knowledge, context, able)


DEVICES = ("TXV", "orifice")


def test_every_service_is_the_best_there_is_for_some_fault_on_some_car():
    """One that can never win is no advice: its price or the harm of its fault is wrong."""
    knowledge = model().knowledge
    faults = [
        (name, state)
        for name, node in knowledge.of_kind("fault").items()
        for state in node.states[1:]
    ]
    won = {a for gates in every_car() for fault in faults for a in certain(gates, *fault).actions}
    assert won >= {name for name, service in knowledge.services.items() if service.curing}


def test_a_fault_that_kills_the_compressor_is_not_left_in_it():
    """Common practice, no source: what ends in a new compressor is dealt with before."""
    for gates in every_car():
        for fault in ("compressor_wear", "winding_to_earth", "weak_compressor"):
            state = "advanced" if fault == "compressor_wear" else "present"
            actions = certain(gates, fault, state).actions
            assert {"replace_compressor_set", "repair_compressor"} & set(actions), gates.context
        assert "repair_leak_and_charge" in certain(gates, "leak", "fast").actions


def test_an_orifice_is_cheaper_than_a_valve():
    """Common practice: a tube is pulled out of the line, a valve sits at the evaporator."""
    prices = load_prices(None, model().knowledge)
    assert prices.of_work("replace_orifice") < 0.6 * prices.of_work("replace_expansion_device")
    for gates in every_car():
        orifice = gates.context["expansion"] == "orifice"
        actions = certain(gates, "expansion_stuck", "closed").actions
        assert ("replace_orifice" in actions) is orifice
        assert ("replace_expansion_device" in actions) is not orifice


def test_a_complaint_not_solved_has_its_price():
    """What it costs to send the customer away tips plans that would leave the car as it is."""
    gates = next(every_car())
    columns = fault_columns(model().knowledge)
    brought = tuple(float(c == ("restriction", "partial")) for c in columns)
    quiet, told = (certain(gates, "restriction", "partial", c) for c in ((), brought))
    assert set(quiet.actions) <= {"put_charge_back", "advise_and_recheck"}
    assert {"replace_expansion_device", "clean_the_loop"} & set(told.actions)
    assert told.cost <= quiet.cost + gates.prices.unsolved


def test_advice_is_worth_its_minutes_where_something_is_to_be_watched():
    gates = next(every_car())
    assert "advise_and_recheck" in certain(gates, "leak", "slow").actions
    assert "advise_and_recheck" not in certain(gates, "", "").actions
