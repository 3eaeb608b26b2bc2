"""One result answers every question about a case, and works each answer out once."""

from __future__ import annotations

import json

import loopodds as lo
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


def test_variations_are_told_beside_the_case(result):
    (without,) = result.what_if("-fan_check").variations
    assert without.probabilities["condenser_airflow"] < result.belief.condition("condenser_airflow")
