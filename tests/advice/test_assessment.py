"""One result answers every question about a case, and works each answer out once."""

from __future__ import annotations

import json

import loopodds as lo
import numpy as np
import pytest
from click.testing import CliRunner
from loopodds_cli.main import main

CASE = "@low_charge_dead_fan"


@pytest.fixture(scope="module")
def result() -> lo.Assessment:
    return lo.assess(lo.read_case(CASE))


@pytest.mark.parametrize(
    ("command", "told"), [("assess", "as_json"), ("next", "next_json"), ("plan", "plan_json")]
)
def test_a_command_prints_what_the_result_says(result, command, told):
    printed = json.loads(CliRunner().invoke(main, [command, CASE, "--json"]).output)
    assert printed.keys() == getattr(result, told)().keys()
    assert printed == json.loads(json.dumps(getattr(result, told)()))


def test_a_frame_has_a_row_for_each_condition_most_probable_first(result):
    frame = result.to_frame()
    assert list(frame.index) == [condition.name for condition in result.conditions]
    assert frame.probability.is_monotonic_decreasing
    assert frame.loc["leak", ["title", "variable"]].tolist() == ["Leak", "leak"]
    assert frame.prior.between(0, 1).all()


def test_each_answer_is_worked_out_once(result):
    assert result.explain("leak") is result.explain("leak") is not result.explain("air")
    assert result.tests is result.tests
    assert result.advice.best == result.plan


def test_tests_done_are_those_of_the_case_and_those_told_besides():
    case = lo.read_case(CASE)
    first = lo.assess(case).policy.steps[0]
    after = lo.assess(case, done=[first])
    assert first not in {test.test for test in after.tests}
    assert after.shop.done == (*case.tests_done, first)


def test_what_is_worth_nothing_to_be_told_stands_in_the_order_of_the_knowledge():
    """Whatever rounding says: sums in another order tell no other order."""
    told = [
        (one.condition, one.worth) for one in lo.assess(lo.read_case("@worn_compressor")).untold
    ]
    idle = [condition for condition, worth in told if round(worth, 6) == 0]
    assert len(idle) > 1
    assert idle == [key for key in lo.Knowledge().contexts if key in idle]
    assert told[len(told) - len(idle) :] == [one for one in told if one[0] in idle]


def test_variations_are_told_beside_the_case(result):
    (without,) = result.what_if("-fan_check").variations
    assert without.probabilities["condenser_airflow"] < result.belief.condition("condenser_airflow")


def test_advice_is_compared_at_both_ends_of_what_is_least_firmly_known():
    """The ends supposed by other likelihoods of the fault: the belief there is that end, and the
    test that pays most is what a car so believed is told to do.
    """
    case = lo.read_case("@over_dyed")
    result = lo.assess(case)
    found, interval = result.next_in_range, result.leading_doubts.intervals["leak"]
    assert (found.condition, found.same) == ("leak", False)
    belief, odds = result.belief, [p / (1 - p) for p in (interval.low, interval.high)]
    now = belief.condition("leak") / (1 - belief.condition("leak"))
    for end, tests, ratio in zip(interval, (found.low, found.high), odds, strict=False):
        tilt = np.array([[1.0, *[ratio / now] * (len(result.model.states("leak")) - 1)]])
        there = lo.Belief(result.model, belief.context, belief.evidence.with_soft({"leak": tilt}))
        assert there.condition("leak") == pytest.approx(end, abs=1e-9)
        paying = [t for t in lo.assess(case, result.model, belief=there).tests if t.pays]
        assert tests == ((*paying[0].blocked_by, paying[0].test) if paying else ())
    assert result.next_json()["next_in_range"] == found._asdict()
    assert result.plan_json()["plan_in_range"] == result.as_json()["plan_in_range"]


def test_a_page_says_where_in_the_range_the_advice_changes():
    page = " ".join(CliRunner().invoke(main, ["next", CASE]).output.split())
    assert "the best single test is the same anywhere in the range of leak" in page
    page = " ".join(CliRunner().invoke(main, ["plan", CASE]).output.split())
    assert "The advice is the same anywhere in the range of leak." in page
