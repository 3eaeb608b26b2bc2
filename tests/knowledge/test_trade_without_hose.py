"""What practitioners meet every month, and what they see before a hose is coupled.

Common practice without a published source unless one is named.
"""

from __future__ import annotations

from typing import Any

import pytest
from loopodds.advice.assessment import assess
from loopodds.base.errors import InspectionError
from loopodds.diagnosis.belief import Belief
from loopodds.diagnosis.diagnose import believe
from loopodds.inspection.sections import inspection_from
from shared import shipped

CAR = {"refrigerant": "R134a", "expansion": "TXV", "compressor": "fixed"}
VARIABLE = {**CAR, "compressor": "variable"}
AT_28 = {"setting": "complaint", "ambient": "28 degC", "humidity": "50 %"}
WITHOUT_A_HOSE = ("socket_look", "engage_look", "fan_test")


def seen(vehicle: dict[str, Any] = CAR, **sections: dict[str, Any]) -> Belief:
    everything = {"vehicle": vehicle, "conditions": AT_28, **sections}
    return believe(inspection_from(everything, shipped().knowledge), shipped())


def test_an_empty_loop_that_cuts_itself_out_is_no_fault_of_the_control() -> None:
    empty = seen(
        findings={"cooling": "none", "compressor_cycle": "cut_out", "control_check": "fault"},
        readings={"static_pressure": "0.6 bar", "static_temperature": "28 degC"},
    )
    assert empty.condition("undercharge") > 0.95
    assert empty.condition("compressor_control") < 0.25


def test_commanded_without_an_answer_is_the_valve_or_the_hub_and_not_the_control() -> None:
    weak = {"cooling": "weak", "control_check": "ok", "command_answer": "no_answer"}
    one = seen(VARIABLE, findings=weak, readings={"high_side": "9.5 bar", "low_side": "4.2 bar"})
    drive = one.condition("control_valve") + one.condition("sheared_hub")
    assert drive > 0.5 > 5 * one.condition("compressor_control")


@pytest.mark.parametrize("subcooling", ["22 K", "45 K"])
def test_a_hot_head_behind_a_good_fan_and_face_with_liquid_backed_up_is_the_condenser(
    subcooling: str,
) -> None:
    one = seen(
        findings={"fan_check": "works", "condenser_face": "clean", "cooling": "weak"},
        readings={
            "high_side": "25 bar", "low_side": "2.6 bar", "subcooling": subcooling,
            "air_share": "0 %",
        },
    )  # fmt: skip
    assert one.condition("condenser_airflow") < 0.3
    assert one.condition("condenser_blocked") > 2 * one.condition("condenser_airflow")


def test_an_iced_coil_is_not_taken_for_a_filter_that_was_seen_to_be_good() -> None:
    iced = {"airflow_fades": "yes", "blower_flow": "good", "suction_hose": "frosted"}
    one = seen(findings=iced, readings={"vent": "3 degC"})
    assert one.condition("evaporator_icing") > one.condition("evaporator_airflow")
    assert one.condition("evaporator_airflow") < 0.5


def test_a_growl_with_the_cooling_off_is_the_bearing_and_not_the_compressor() -> None:
    growl = seen(findings={"compressor_noise": "some", "noise_cooling_off": "yes"})
    assert growl.condition("clutch_bearing") > 3 * growl.condition("compressor_wear")
    comes_and_goes = seen(findings={"compressor_noise": "some", "noise_cooling_off": "no"})
    assert comes_and_goes.condition("compressor_wear") > comes_and_goes.condition("clutch_bearing")


def test_a_sensor_that_contradicts_the_gauge_lies() -> None:
    one = seen(
        findings={"stored_codes": "pressure"},
        readings={
            "sensor_pressure": "0 bar", "static_pressure": "6.3 bar",
            "static_temperature": "28 degC",
        },
    )  # fmt: skip
    assert one.condition("pressure_sensor") > 0.8


def test_the_sensor_tells_an_empty_loop_without_a_hose() -> None:
    warm, told = seen(findings={"cooling": "none"}), {"sensor_pressure": "0.5 bar"}
    one = seen(findings={"cooling": "none"}, readings=told)
    assert one.fault("charge")["very_low"] > 2 * warm.fault("charge")["very_low"]


def test_low_insulation_has_a_winding_besides_oil_and_water() -> None:
    electric = {**CAR, "compressor": "electric"}
    one = seen(electric, findings={"insulation_test": "low"})
    assert one.condition("winding_to_earth") > 0.2
    spoilt = seen(
        electric, findings={"insulation_test": "low"}, history={"universal_oil_used": "yes"}
    )
    assert spoilt.condition("wrong_oil") > spoilt.condition("winding_to_earth")


def test_one_stage_missing_is_felt_at_idle_and_seen_at_the_fan() -> None:
    one = seen(findings={"fan_check": "one_stage", "poor_at_idle": "yes"})
    assert one.fault("condenser_airflow")["reduced"] > 0.7


def test_what_needs_no_hose_costs_next_to_nothing_and_waits_for_nothing() -> None:
    for name in WITHOUT_A_HOSE:
        test = shipped().knowledge.tests[name]
        assert (test.cost, test.after, test.coupled) == (0, (), False)
        assert test.minutes <= 5


@pytest.mark.parametrize("gas", ["other_halocarbon", "hydrocarbon", "r40"])
def test_a_static_on_the_line_clears_no_foreign_gas(gas: str) -> None:
    """R12, an even mix of propane and isobutane and counterfeits with R40 lie within 1 K of it."""
    told = {"refilled_from_unknown_cylinder": "yes"}
    on = {"static_pressure": "6.26 bar", "static_temperature": "28 degC"}
    before, after = seen(history=told), seen(history=told, readings=on)
    assert after.fault("wrong_refrigerant")[gas] > 0.1 * before.fault("wrong_refrigerant")[gas]


def test_an_identifier_that_knows_no_answer_speaks_for_r40() -> None:
    one = seen(
        findings={"identification": "unknown"}, history={"refilled_from_unknown_cylinder": "yes"}
    )
    other = seen(history={"refilled_from_unknown_cylinder": "yes"})
    assert one.fault("wrong_refrigerant")["r40"] > 10 * other.fault("wrong_refrigerant")["r40"]


@pytest.mark.parametrize("name", ["R12", "R-22", "r744", "R290", "R40"])
def test_other_gases_are_refused_by_name(name: str) -> None:
    with pytest.raises(InspectionError, match=r"only R134a and R1234yf are known here"):
        seen({**CAR, "refrigerant": name})


def test_the_line_sight_glass_is_proposed_only_where_there_is_one() -> None:
    """Few cars have one."""
    for glass, offered in (({}, False), ({"sight_glass": "present"}, True)):
        car = inspection_from({"vehicle": {**CAR, **glass}}, shipped().knowledge)
        tests = {test.test for test in assess(car, shipped()).tests}
        assert ("sight_glass_look" in tests) is offered
