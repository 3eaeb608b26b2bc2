"""What the car is and what was done to it move what is expected, and the network stays small."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import pytest
from loopodds.diagnosis.belief import Belief
from loopodds.diagnosis.diagnose import believe
from loopodds.inspection.encoding import encoding_of
from loopodds.inspection.inspection import Inspection
from loopodds.inspection.sections import inspection_from
from shared import shipped

CAR = {"refrigerant": "R1234yf", "expansion": "TXV", "compressor": "variable"}


def case(vehicle: Mapping[str, str] = CAR, **sections: Any) -> Inspection:
    return inspection_from({"vehicle": vehicle, **sections}, shipped().knowledge)


def belief(vehicle: Mapping[str, str] = CAR, **sections: Any) -> Belief:
    return believe(case(vehicle, **sections), shipped())


def leaks(found: Belief) -> float:
    return 1 - found.fault("leak")["absent"]


def odds(p: float) -> float:
    return p / (1 - p)


@pytest.mark.parametrize(
    ("item", "factor"), [("front_end_repair", 3.0), ("laid_up_over_a_year", 2.5)]
)
@pytest.mark.parametrize("story", [{}, {"regassed_every_season": "yes"}])
def test_a_hard_life_raises_the_odds_of_a_leak_whatever_else_was_told(
    item: str, factor: float, story: dict[str, str]
) -> None:
    """Estimates of the trade: odds times 3 after a front-end repair, times 2.5 after a lay-up."""
    yes, no = (leaks(belief(history={**story, item: word})) for word in ("yes", "no"))
    # a fast leak shows a little in the evidence that nothing was complained of: none is told here
    assert odds(yes) / odds(no) == pytest.approx(factor, rel=0.01)


def test_what_is_not_told_of_the_car_leaves_leaks_as_often_as_they_are() -> None:
    without = leaks(belief())
    for item, share in (("front_end_repair", 0.056), ("laid_up_over_a_year", 0.034)):
        yes, no = (leaks(belief(history={item: word})) for word in ("yes", "no"))
        # 2 %: the chances in history.toml are rounded to three digits
        assert share * yes + (1 - share) * no == pytest.approx(without, rel=0.02)


def test_an_old_leak_is_told_once_though_the_history_stands_with_every_repair() -> None:
    told = {"front_end_repair": "yes"}
    done = [{"services": ["restore_condenser_airflow"], "findings": {"fan_check": "dead"}}]
    after = leaks(belief(history=told, repaired=done))
    plain = leaks(belief(repaired=done))
    assert odds(after) / odds(plain) == pytest.approx(3.0, rel=0.1)


def test_the_tree_stays_below_20000_configurations_in_the_usual_context() -> None:
    context = {"expansion": "TXV", "compressor": "fixed", "refrigerant": "R134a"}
    assert shipped().tree(context).plan.space < 20_000


# --- heat exchanger and second evaporator ---------------------------------------------------------


def expected(name: str, reading: str, **vehicle: str) -> float:
    told = case({**CAR, **vehicle}, readings={name: reading})
    return float(encoding_of(told, shipped().knowledge).readings[name].expected[0])


def test_gas_reaches_and_leaves_the_compressor_hotter_behind_a_heat_exchanger() -> None:
    """10 to 20 K at the inlet (common practice, no source); an unstated car lies between."""
    for name, reading, least in (
        ("compressor_superheat", "15 K", 10.0),
        ("discharge_pipe", "75 degC", 5.0),
    ):
        absent = expected(name, reading, internal_heat_exchanger="absent")
        present = expected(name, reading, internal_heat_exchanger="present")
        assert present - absent >= least
        assert absent < expected(name, reading) < present


def test_a_heat_exchanger_leaves_superheat_at_the_evaporator_alone() -> None:
    absent, present = (
        expected("superheat", "6 K", internal_heat_exchanger=word) for word in ("absent", "present")
    )
    # a little: the valve feeds colder liquid, and half a kelvin is below what a clamp can tell
    assert absent == pytest.approx(present, abs=0.6)


def test_thirty_kelvin_at_the_compressor_starve_only_a_car_without_a_heat_exchanger() -> None:
    hot = {"readings": {"compressor_superheat": "29 K"}}
    low = [
        1 - belief({**CAR, "internal_heat_exchanger": word}, **hot).fault("charge")["right"]
        for word in ("absent", "present")
    ]
    assert low[0] > low[1] + 0.1


def test_a_warm_rear_alone_is_the_rear_valve_where_there_is_one() -> None:
    rear = {"findings": {"warm_vents": "rear_only"}}
    stuck = [
        belief({**CAR, "rear_evaporator": word}, **rear).fault("expansion_stuck")["closed"]
        for word in ("present", "absent")
    ]
    assert stuck[0] > 3 * stuck[1]


def test_one_warm_side_is_a_blend_door_or_a_low_charge() -> None:
    """Common practice, no source."""
    before = belief()
    after = belief(findings={"warm_vents": "one_side"})
    assert after.fault("cabin_mixing")["present"] > 4 * before.fault("cabin_mixing")["present"]
    assert after.fault("charge")["low"] > 2 * before.fault("charge")["low"]


def test_a_second_evaporator_leaks_and_starves_for_oil_oftener() -> None:
    one, two = (belief({**CAR, "rear_evaporator": word}) for word in ("absent", "present"))
    assert leaks(two) > 1.2 * leaks(one)
    assert two.fault("oil_amount")["short"] > one.fault("oil_amount")["short"]


def test_hard_specks_speak_of_wear_and_soft_ones_against_it() -> None:
    soft, hard = (
        belief(findings={"sample_specks": "polymer", "sample_specks_hardness": word})
        for word in ("soft", "hard")
    )
    advanced = [found.fault("compressor_wear")["advanced"] for found in (soft, hard)]
    assert advanced[1] > 1.3 * advanced[0]
