"""What a plan takes and costs is the bill of its parts, added up here from the price files."""

from __future__ import annotations

import tomllib
from functools import cache
from pathlib import Path
from typing import Any

import loopodds_data
import pytest
from shared import assessed

DATA = Path(loopodds_data.__file__).parent
CASES = sorted(path.stem for path in (DATA / "cases").glob("*.toml"))
# A handful of sums of prices with two digits.
CENT = 1e-6


@cache
def table(name: str) -> dict[str, Any]:
    return tomllib.loads((DATA / f"{name}.toml").read_text(encoding="utf-8"))


def plans(case: str) -> list[dict[str, Any]]:
    """The best plan of a shipped case and the others shown with it."""
    answer = assessed(f"@{case}").plan_json()
    return [answer["best"], *answer["others"]]


def minutes_by_hand(plan: dict[str, Any]) -> float:
    services = sum(table("services")[name]["minutes"] for name in plan["services"])
    tests = sum(table("tests")[name]["minutes"] for name in plan["first"])
    tests += sum(table("set_ups")[name]["minutes"] for name in plan["set_ups"])
    once = sum(table("prices")[part]["minutes"] for part in ("filling", "opening") if plan[part])
    return float(services + tests + once)


@pytest.mark.parametrize("case", CASES)
def test_a_plan_takes_the_minutes_of_its_services_tests_and_one_filling(case: str) -> None:
    for plan in plans(case):
        assert plan["minutes"] == pytest.approx(minutes_by_hand(plan))


@pytest.mark.parametrize("case", CASES)
def test_a_plan_costs_its_labour_its_material_and_one_filling(case: str) -> None:
    prices = table("prices")
    car = tomllib.loads((DATA / "cases" / f"{case}.toml").read_text(encoding="utf-8"))["vehicle"]
    # the hand that couples is paid as all work is
    assert {table("set_ups")[n]["takes"] for p in plans(case) for n in p["set_ups"]} <= {"work"}
    for plan in plans(case):
        bill = minutes_by_hand(plan) * prices["labour_rate"] / 60
        bill += sum(table("services")[name]["price"] for name in plan["services"])
        bill += sum(table("tests")[name]["cost"] for name in plan["first"])
        bill += prices["opening"]["cost"] * plan["opening"]
        if plan["filling"]:
            bill += prices["filling"]["cost"] + prices["refrigerant"][car["refrigerant"]]
        assert plan["outlay"] == pytest.approx(bill, abs=CENT)


def test_the_machine_is_coupled_once_for_whatever_a_plan_needs_of_it() -> None:
    needing = {name for name, test in table("tests").items() if "coupled" in test.get("set_up", ())}
    every = [plan for case in CASES for plan in plans(case)]
    for plan in every:
        if not needing.isdisjoint(plan["first"]):
            assert plan["set_ups"] == ["coupled"]
        # to a loop that was emptied some day the machine may have to be coupled to fill it
        assert plan["set_ups"] in ([], ["coupled"])
        assert plan["filling"] or not needing.isdisjoint(plan["first"]) or not plan["set_ups"]
    assert {len(plan["set_ups"]) for plan in every} == {0, 1}


def test_among_the_shipped_cases_loops_are_filled_and_left_closed() -> None:
    """Else the two claims above would say nothing about a filling."""
    assert {plan["filling"] for case in CASES for plan in plans(case)} == {True, False}
    assert any(plan["filling"] and plan["minutes"] for plan in plans("wet_loop"))
