"""What is odd about a case is said, and what is wrong is sent to where it belongs."""

from __future__ import annotations

import pytest
from loopodds.base.errors import InspectionError
from loopodds.diagnosis.diagnose import Diagnosis
from loopodds.diagnosis.model import Model
from loopodds.inspection.case_file import load_case
from loopodds.inspection.sections import inspection_from

CAR = {"refrigerant": "R134a", "expansion": "TXV", "compressor": "fixed"}


def said(**sections: object) -> str:
    """Remarks on a car of common make-up."""
    return "\n".join(inspection_from({"vehicle": CAR, **sections}).warnings)


def refused(text: str) -> list[str]:
    """What is wrong with a case file, a line for each."""
    with pytest.raises(InspectionError) as told:
        load_case(text + "\n")
    return str(told.value).removeprefix("case text:").split("\ncase text:")


def test_both_gauges_at_the_pressure_of_the_air_are_an_empty_loop_or_another_unit() -> None:
    odd = "high_side and low_side stand at the pressure of the air: is the loop empty, or the unit"
    assert odd in said(readings={"low_side": "2 psi", "high_side": "2 psi"})
    assert odd not in said(readings={"low_side": "2 bar", "high_side": "15 bar"})
    # a low side near the air beside a full high side is a restriction, not an empty loop
    assert odd not in said(readings={"low_side": "0.2 bar", "high_side": "12 bar"})


def test_a_test_that_this_car_cannot_have_had_is_named() -> None:
    odd = "insulation_test cannot be seen on a car with compressor fixed; check both"
    assert odd in said(findings={"insulation_test": "good"})
    assert odd not in said(findings={"fan_check": "works"})
    electric = {**CAR, "compressor": "electric"}
    assert "cannot be seen on" not in said(vehicle=electric, findings={"insulation_test": "good"})
    # not stated is not stated otherwise
    assert "cannot be seen on" not in said(vehicle={}, findings={"insulation_test": "good"})
    turned = {"compressor_turns": "freely"}
    assert "compressor_turns cannot be seen on a car with compressor electric" in said(
        vehicle=electric, findings=turned
    )


def test_a_confirmed_outcome_against_what_was_seen_is_told(model: Model) -> None:
    seen = {"fan_check": "dead", "poor_at_idle": "yes"}

    def remarks(outcome: str) -> str:
        sections = {"vehicle": CAR, "findings": seen, "confirmed": {"condenser_airflow": outcome}}
        return "\n".join(Diagnosis(inspection_from(sections), model).warnings)

    assert "confirmed: condenser_airflow absent, against what was seen" in remarks("absent")
    assert "confirmed: " not in remarks("present")


def test_a_doubt_with_one_state_left_is_that_word() -> None:
    told = inspection_from({"findings": {"identification": {"as_labelled": 1.0}}})
    assert told.findings == {"identification": "as_labelled"}
    ruled_out = inspection_from({"findings": {"identification": {"as_labelled": 3, "mixed": 0}}})
    assert ruled_out.findings == {"identification": "as_labelled"}


REPAIRS = """
[findings]
fan_check = "works"

[[repaired]]
services = ["dry_the_loop"]
[repaired.findings]
sample_bubbles = "none"

[[repaired]]
services = ["dry_the_loop"]
findings.sample_bubbles = "none"
[repaired.readings]
vent = "12 degC"
"""


@pytest.mark.parametrize(
    ("old", "new", "expected"),
    [
        ('"none"\n\n', '"nine"\n\n', "8: repaired 1: [findings] sample_bubbles: unknown state"),
        ("findings.sample_bubbles", "findings.bubbels", "12: repaired 2: [findings] bubbels: "),
        ("12 degC", "12 parsec", "14: repaired 2: [readings] vent: unknown unit 'parsec'"),
        ('["dry_the_loop"]\nf', '["dry"]\nf', "11: repaired 2: services: unknown service 'dry'"),
        ('services = ["dry_the_loop"]\nf', "f", "10: repaired 2: services: a list of services is"),
        ("[repaired.readings]", "[repaired.reading]", "13: repaired 2: reading: unknown; did you"),
        ("[repaired.readings]", "[repaired.history]",
         "13: repaired 2: history: unknown; it is told once for the car, in [history]"),
        ("findings.sample_bubbles", "sample_bubbles",
         "12: repaired 2: sample_bubbles: unknown; it belongs in [repaired.findings]"),
    ],
)  # fmt: skip
def test_a_slip_within_a_repair_is_told_with_its_line(old: str, new: str, expected: str) -> None:
    assert old in REPAIRS
    (problem,) = refused(REPAIRS.replace(old, new))
    assert problem.startswith(expected)


def test_a_repair_at_which_nothing_was_done_is_said() -> None:
    remarks = load_case(REPAIRS.replace('["dry_the_loop"]\nf', "[]\nf")).warnings
    odd = "repaired 2 names no service: taken as a look at which nothing was done"
    assert odd in remarks
    assert not any("names no service" in text for text in load_case(REPAIRS).warnings)


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ('[findings]\nambeint = "30 degC"', "did you mean 'ambient' in [conditions]?"),
        ('[vehicle]\nsample_bubles = "none"', "did you mean 'sample_bubbles' in [findings]?"),
        ('[conditions]\nrefrigernat = "R134a"', "did you mean 'refrigerant' in [vehicle]?"),
        ('[findings]\ncondenser_airflw = "absent"', "'condenser_airflow' in [confirmed]?"),
        ('sample_bubles = "none"', "did you mean 'sample_bubbles', below [findings]?"),
        ('[findings]\nsightglass_bubbles = "none"', "did you mean 'line_bubbles'?"),
        ('[readings]\nsightglass_bubbles = "none"', "did you mean 'line_bubbles' in [findings]?"),
        ('sightglass_bubbles = "none"', "did you mean 'line_bubbles', below [findings]?"),
        ('[findings]\nsample_bubles = "none"', "unknown finding; did you mean 'sample_bubbles'?"),
    ],
)
def test_a_misspelt_name_in_the_wrong_section_is_sent_to_the_right_one_at_once(
    text: str, expected: str
) -> None:
    (problem,) = refused(text)
    assert expected in problem
