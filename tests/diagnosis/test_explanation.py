"""Weights of evidence, their order-free shares, contrasts, misreadings and turning points.

Weight of evidence and decibans: I. J. Good 1950, 1985. Widgets: E. T. Jaynes, Probability Theory
(2003), chapter 4. Shares: L. S. Shapley 1953. Chest clinic: Lauritzen & Spiegelhalter 1988.
"""

from __future__ import annotations

import itertools
import json
from functools import cache
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner
from hypothesis import given, settings
from hypothesis import strategies as st
from loopodds.advice.firmness import plan_turns
from loopodds.base.errors import UnknownName
from loopodds.decision.workshop import Workshop
from loopodds.diagnosis.belief import Belief
from loopodds.diagnosis.diagnose import believe
from loopodds.diagnosis.explanation import explain, observed, recorded_state, turning_points
from loopodds.diagnosis.misreading import named_suspect, suspects
from loopodds.diagnosis.model import Model
from loopodds.diagnosis.simulation import hide_at_random, simulate
from loopodds.diagnosis.weights import (
    SOUND,
    Odds,
    clamp_of,
    odds_of,
    overturned,
    share_out,
    verdicts,
)
from loopodds.exchange.bif import read_bif
from loopodds.inference.junction import JunctionTree
from loopodds.inference.network import Discrete, Evidence, Network, discrete_variables
from loopodds.inference.subsets import SubsetSums
from loopodds.inspection.case_file import load_case
from loopodds_cli.main import main
from references import enumerate_joint, known_of, with_codes
from shared import CONTEXT

ORACLES = Path(__file__).parents[1] / "oracles"

# six printed decimals
PRINTED = 5.1e-7
# sums of the same products in another order, in decibans
FLOAT = 1e-9

seeds = st.integers(0, 10**6)
sometimes = settings(max_examples=10, deadline=None, derandomize=True)


@cache
def clinic() -> JunctionTree:
    return JunctionTree(read_bif(ORACLES / "chest_clinic.bif").network)


def seen(tree: JunctionTree, **states: str) -> Evidence:
    codes = {n: np.array([tree.network.states(n).index(s)]) for n, s in states.items()}
    return Evidence(1, codes)


LUNG = odds_of({"lung": np.array([1.0, 0.0])})
ALL_THREE = {"smoke": "yes", "xray": "yes", "dysp": "yes"}


@pytest.mark.parametrize(
    ("states", "decibans"),
    [
        ({"smoke": "yes"}, 2.808266),
        ({"xray": "yes"}, 12.154555),
        ({"dysp": "yes"}, 2.939809),
        (ALL_THREE, 16.532772),
    ],
)
def test_weight_of_evidence_for_lung_disease(states, decibans):
    tree = clinic()
    (shares,) = share_out(tree, seen(tree, **states), list(states), [LUNG])
    assert shares.total == pytest.approx(decibans, abs=PRINTED)


def test_increments_depend_on_the_order_and_their_sum_does_not():
    tree = clinic()
    totals, increments = set(), {}
    for order in itertools.permutations(ALL_THREE):
        known: dict[str, str] = {}
        scores = [0.0]
        for name in order:
            known[name] = "yes"
            (shares,) = share_out(tree, seen(tree, **known), list(known), [LUNG])
            scores.append(shares.total)
        increments[order] = np.diff(scores)
        totals.add(round(scores[-1], 9))
    assert increments["smoke", "dysp", "xray"] == pytest.approx(
        [2.808266, 1.952125, 11.772381], abs=PRINTED
    )
    assert len({tuple(np.round(steps, 6)) for steps in increments.values()}) == 6
    assert totals == {round(16.532772, 9)} or abs(totals.pop() - 16.532772) < PRINTED


def test_shares_are_the_mean_increment_over_all_orders_of_the_enumerated_joint():
    tree = clinic()
    variables = discrete_variables(tree.network)

    def score(known):
        answer = enumerate_joint(variables, known_of(variables, seen(tree, **known), 0))
        lung = answer.marginals["lung"]
        return 10 * np.log10(lung[0] / lung[1])

    expected = dict.fromkeys(ALL_THREE, 0.0)
    for order in itertools.permutations(ALL_THREE):
        for i, name in enumerate(order):
            before = dict.fromkeys(order[:i], "yes")
            expected[name] += (score({**before, name: "yes"}) - score(before)) / 6
    (shares,) = share_out(tree, seen(tree, **ALL_THREE), list(ALL_THREE), [LUNG])
    for name, value in expected.items():
        assert shares.of(name) == pytest.approx(value, abs=FLOAT)
    strength = [abs(share.decibans) for share in shares.shares]
    assert strength == sorted(strength, reverse=True)


def widgets(count: int) -> JunctionTree:
    """A box from the machine that makes one bad widget in three, or from the one in six."""
    prior = Discrete("machine", ("poor", "good"), (), np.array([1 / 11, 10 / 11]))
    table = np.array([[1 / 3, 2 / 3], [1 / 6, 5 / 6]])
    drawn = [Discrete(f"w{i}", ("bad", "fine"), ("machine",), table) for i in range(count)]
    return JunctionTree(Network.of_tables([prior, *drawn]))


def test_a_bad_widget_is_three_decibans_and_a_good_one_takes_one_away():
    tree = widgets(6)
    states = {f"w{i}": "bad" if i < 2 else "fine" for i in range(6)}
    (shares,) = share_out(
        tree, seen(tree, **states), list(states), [odds_of({"machine": np.array([1.0, 0.0])})]
    )
    assert shares.before == pytest.approx(-10.0, abs=FLOAT)
    for name, state in states.items():
        weight = 3.0103 if state == "bad" else -0.9691
        assert shares.of(name) == pytest.approx(weight, abs=5.1e-5)  # four printed decimals


def car(model: Model, seed: int, share: float = 0.18) -> Belief:
    rng = np.random.default_rng(seed)
    evidence = simulate(model, CONTEXT, 1, rng).evidence
    return Belief(model, CONTEXT, hide_at_random(evidence, share, rng))


@sometimes
@given(seeds)
def test_shares_sum_to_the_change_of_the_log_odds(model, seed):
    belief = car(model, seed)
    found = explain(belief)
    for shares in (found.shares, found.contrast):
        assert sum(s.decibans for s in shares.shares) == pytest.approx(shares.total, abs=FLOAT)
    now, before = (np.log10(p / (1 - p)) for p in (found.now, found.before))
    # 1 - p keeps only the digits that p has left of one
    assert found.shares.total == pytest.approx(10 * (now - before), rel=1e-6, abs=1e-6)


@sometimes
@given(seeds)
def test_shares_do_not_depend_on_the_order_of_entry(model, seed):
    belief = car(model, seed, 0.12)
    rng = np.random.default_rng(seed)
    evidence = belief.evidence
    shuffled = Evidence(
        1,
        {n: evidence.codes[n] for n in rng.permutation(list(evidence.codes))},
        {},
        {n: evidence.numbers[n] for n in rng.permutation(list(evidence.numbers))},
    )
    other = explain(Belief(model, CONTEXT, shuffled))
    for share in explain(belief).shares.shares:
        assert other.shares.of(share.name) == pytest.approx(share.decibans, abs=FLOAT)


@sometimes
@given(seeds)
def test_all_subsets_at_once_equal_one_propagation_for_each(model, seed):
    belief = car(model, seed, 0.12)
    tree = model.tree(CONTEXT)
    names = belief.names[:9]
    evidence = belief.evidence.only(names)
    known = (np.arange(2 ** len(names))[:, None] >> np.arange(len(names))) & 1
    rows = tree.propagate(evidence.subsets(names, known)).log_evidence
    found = SubsetSums(tree, evidence, names).probabilities({})
    np.testing.assert_allclose(np.log(found), rows, rtol=0, atol=1e-11)  # other order of products


def test_sampled_orders_agree_with_all_orders_within_their_error(model):
    belief = car(model, 5, 0.12)
    tree = model.tree(CONTEXT)
    question = [odds_of(clamp_of(model, "undercharge"))]
    (exact,) = share_out(tree, belief.evidence, belief.names, question)
    (sampled,) = share_out(tree, belief.evidence, belief.names, question, exact_up_to=0)
    assert exact.orders == 0 < sampled.orders
    total = sum(share.decibans for share in sampled.shares)
    assert total == pytest.approx(sampled.total, abs=FLOAT)
    for share in sampled.shares:
        # five standard errors; an error of rounding size has no spread
        assert abs(share.decibans - exact.of(share.name)) < 5 * share.standard_error + FLOAT


def test_a_finding_that_says_nothing_gets_no_share(model):
    # what the label says about the refrigerant says nothing of leak dye
    evidence = Evidence(1, {"label_and_fittings": np.array([0]), "sample_glow": np.array([2])})
    found = explain(Belief(model, CONTEXT, evidence), "dye_excess")
    assert found.shares.of("label_and_fittings") == pytest.approx(0.0, abs=FLOAT)
    assert found.shares.of("sample_glow") > 3


def test_why_one_and_not_the_other_is_the_difference_of_their_log_probabilities(model):
    belief = car(model, 11)
    found = explain(belief, "moisture", "debris")
    log_ratio = 10 * np.log10(belief.condition("moisture") / belief.condition("debris"))
    assert found.contrast.after == pytest.approx(log_ratio, abs=FLOAT)
    turned = explain(belief, "debris", "moisture")
    for share in found.contrast.shares:
        assert turned.contrast.of(share.name) == pytest.approx(-share.decibans, abs=FLOAT)


def test_the_rival_of_a_low_charge_is_no_leak_that_causes_it(model):
    case = "[conditions]\nsetting = 'complaint'\n[findings]\nline_bubbles = 'steady'\n"
    found = explain(believe(load_case(case, model.knowledge), model))
    assert found.condition == "undercharge"
    assert found.rival != "leak"


def test_a_sound_car_can_be_explained_too(model):
    case = "[conditions]\nsetting = 'routine'\n[findings]\nvacuum_hold = 'holds'\n"
    found = explain(believe(load_case(case, model.knowledge), model))
    assert found.condition == SOUND
    assert found.shares.of("vacuum_hold") > 0


def test_names_that_are_no_condition_are_refused_with_a_hint(model):
    belief = car(model, 3)
    with pytest.raises(UnknownName, match="its conditions are undercharge and overcharge"):
        explain(belief, "charge")
    with pytest.raises(UnknownName, match="did you mean 'moisture'"):
        explain(belief, "moistrue")


def test_the_suspect_is_the_reading_that_nothing_else_agrees_with(model):
    case = """
[vehicle]
refrigerant = "R134a"
expansion = "TXV"
compressor = "fixed"
nameplate_charge = "500 g"
[conditions]
ambient = "25 degC"
humidity = "50 %"
[findings]
line_bubbles = "steady"
compressor_cycle = "short_cycling"
suction_hose = "warm"
[readings]
high_side = "9 bar"
low_side = "1.0 bar"
vent = "18 degC"
recovered = "240 g"
superheat = "25 K"
subcooling = "30 K"
"""
    found = explain(believe(load_case(case, model.knowledge), model))
    assert found.culprit is not None
    assert found.culprit.name == "subcooling"
    assert found.culprit.rather != "high"


def test_evidence_for_a_misread_word_follows_from_what_the_rest_predicts():
    # a sensor right nine times in ten, and two like it that agree with each other against it
    prior = Discrete("state", ("on", "off"), (), np.array([0.5, 0.5]))
    right = np.array([[0.9, 0.1], [0.1, 0.9]])
    eyes = [Discrete(n, ("on", "off"), ("state",), right) for n in ("one", "two", "three")]
    tree = JunctionTree(Network.of_tables([prior, *eyes]))
    evidence = seen(tree, one="off", two="on", three="on")
    found = suspects(tree, evidence, ["one", "two", "three"], share=0.1)
    on = 0.9**2 / (0.9**2 + 0.1**2)
    predicted = on * 0.1 + (1 - on) * 0.9
    assert found[0].name == "one"
    assert found[0].factor == pytest.approx((1 - predicted) / predicted, rel=1e-12)
    assert found[0].rather == "on"
    prior_odds = 0.1 / 0.9
    total = 1 + prior_odds * sum(suspect.factor for suspect in found)
    assert found[0].probability == pytest.approx(prior_odds * found[0].factor / total, rel=1e-12)
    # 8.1 + 1 + 1 against 9: some misreading is just more likely than none
    assert named_suspect(found) == found[0]
    assert named_suspect(suspects(tree, evidence, ["one", "two", "three"], share=0.09)) is None


def test_each_turning_point_is_found_again_by_entering_it(model):
    belief = car(model, 21, 0.12)
    (now,) = verdicts(model, belief.beliefs)
    points = turning_points(belief)
    assert points
    for point in points:
        states = model.states(point.name)
        changed = with_codes(belief.evidence, {point.name: np.array([states.index(point.state)])})
        other = Belief(model, CONTEXT, changed)
        assert verdicts(model, other.beliefs) == [point.verdict] != [now]
        assert model.probability(other.beliefs, now)[0] < 0.5
        assert point.recorded == recorded_state(belief, point.name)


def test_two_faults_both_all_but_certain_do_not_overturn_each_other():
    rows = np.array([[0.991, 0.992, 0.1], [0.45, 0.46, 0.1], [0.45, 0.3, 0.25]])
    assert overturned(rows, 0).tolist() == [False, True, False]


def test_what_is_not_a_turning_point_turns_nothing(model):
    belief = car(model, 33, 0.1)
    (now,) = verdicts(model, belief.beliefs)
    turning = {(point.name, point.state) for point in turning_points(belief)}
    for name, node in model.knowledge.of_kind("finding").items():
        for i, state in enumerate(node.states):
            if (name, state) not in turning and state != recorded_state(belief, name):
                changed = with_codes(belief.evidence, {name: np.array([i])})
                other = Belief(model, CONTEXT, changed)
                stands = model.probability(other.beliefs, now)[0] >= 0.5
                assert stands or verdicts(model, other.beliefs) == [now]


def test_an_empty_case_is_explained_without_findings(model):
    found = explain(Belief(model, CONTEXT, Evidence(1)))
    assert found.shares.shares == ()
    assert found.shares.total == pytest.approx(0.0, abs=FLOAT)
    assert found.culprit is None
    assert observed(Belief(model, CONTEXT, Evidence(1))) == []


def test_a_question_without_a_contrary_is_held_against_all_else(model):
    belief = car(model, 8)
    tree = model.tree(CONTEXT)
    clamp = clamp_of(model, "moisture")
    short, full = share_out(tree, belief.evidence, belief.names, [Odds(clamp), odds_of(clamp)])
    assert short.after == pytest.approx(full.after, abs=1e-6)  # one less a small probability


def test_each_plan_turn_is_the_plan_of_the_changed_case(model):
    case = """
[vehicle]
refrigerant = "R134a"
expansion = "TXV"
compressor = "fixed"
[conditions]
setting = "complaint"
[findings]
intermittent_cooling = "yes"
moisture_indicator = "wet"
"""
    belief = believe(load_case(case, model.knowledge), model)
    shop = Workshop(belief)
    now = shop.decision.best(shop.marginal)
    turns = plan_turns(shop)
    assert turns
    for turn in turns:
        code = model.states(turn.name).index(turn.state)
        changed = Belief(
            model, belief.context, with_codes(belief.evidence, {turn.name: np.array([code])})
        )
        to_do = shop.decision.to_do(shop.progress.done)
        then = shop.decision.best(shop.decision.marginals(changed.beliefs.faults, to_do)[0])
        assert set(then.actions) == set(turn.services) != set(now.actions)
        assert turn.saves > 0


def test_the_command_explains_and_says_how_in_json(tmp_path):
    case = tmp_path / "wet.toml"
    case.write_text("[findings]\nmoisture_indicator = 'wet'\n", encoding="utf-8")
    page = CliRunner().invoke(main, ["explain", str(case), "moisture", "--sensitivity"])
    assert page.exit_code == 0, page.output
    assert "Moisture indicator: wet" in page.output
    assert max(map(len, page.output.splitlines())) <= 80
    plain = CliRunner().invoke(main, ["explain", str(case), "moisture", "--json", "--sensitivity"])
    found = json.loads(plain.output)
    assert found["weight_of_evidence"]["shares"][0]["name"] == "moisture_indicator"
    assert found["numbers"]
    assert {"plan", "plan_turns", "turning_points", "conflict", "contrast"} <= found.keys()
    refused = CliRunner().invoke(main, ["explain", str(case), "moistrue"])
    assert refused.exit_code == 1
    assert "did you mean 'moisture'" in refused.output
