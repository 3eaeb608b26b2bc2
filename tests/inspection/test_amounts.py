"""What a meter shows in numbers is the word for it far from a threshold and a doubt near one."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np
import pytest
from loopodds.base.errors import InspectionError
from loopodds.base.units import parse_quantity
from loopodds.diagnosis.diagnose import believe, recorded_words
from loopodds.inspection.encoding import encoding_of
from loopodds.inspection.inspection import Inspection
from loopodds.inspection.sections import inspection_from
from loopodds.physics.refrigerants import MOLAR_MASS_OF_AIR, refrigerant
from shared import shipped

R134A = {"refrigerant": "R134a"}
BATTERY = {"refrigerant": "R1234yf", "compressor": "electric"}


def case(vehicle: Mapping[str, str] = R134A, **sections: Any) -> Inspection:
    told = {"vehicle": vehicle, "conditions": {"setting": "complaint"}, **sections}
    return inspection_from(told, shipped().knowledge)


def said(inspection: Inspection, finding: str) -> str | dict[str, float]:
    """The word that the network is given, or the shares of its states."""
    evidence = encoding_of(inspection, shipped().knowledge).groups[0].evidence
    states = shipped().states(finding)
    if (code := int(evidence.codes.get(finding, np.array([-1]))[0])) >= 0:
        return states[code]
    weights = evidence.soft[finding][0]
    return dict(zip(states, (weights / weights.sum()).tolist(), strict=True))


@pytest.mark.parametrize(
    ("vehicle", "readings", "finding", "word"),
    [
        (BATTERY, {"insulation_off": "0.2 megohm"}, "insulation_test", "low"),
        (BATTERY, {"insulation_off": "200 kOhm"}, "insulation_test", "low"),
        (BATTERY, {"insulation_off": "0.5 GΩ"}, "insulation_test", "good"),
        # UN R100: 500 ohm a volt, 0.2 Mohm at 400 V for the whole net
        (BATTERY, {"insulation_on": "0.15 MΩ"}, "insulation_test", "low"),
        (R134A, {"gas_r134a": "99.6 %"}, "identification", "as_labelled"),
        (BATTERY, {"gas_r1234yf": "99.6 % by volume"}, "identification", "as_labelled"),
        (R134A, {"clutch_on": "4 s", "clutch_off": "9 s"}, "compressor_cycle", "short_cycling"),
        (R134A, {"clutch_on": "0.7 min"}, "compressor_cycle", "steady"),
        # above the vapour pressure of water at 30 degC, 42 mbar (steam tables)
        (R134A, {"vacuum_start": "1 Torr", "vacuum_end": "70 mbar"}, "vacuum_hold", "rises"),
        (R134A, {"vacuum_rise": "2 inHg"}, "vacuum_hold", "rises"),
        (R134A, {"vacuum_start": "500 micron", "vacuum_end": "600 micron"}, "vacuum_hold", "holds"),
    ],
)
def test_far_from_a_threshold_a_number_is_the_word(
    vehicle: Mapping[str, str], readings: dict[str, str], finding: str, word: str
) -> None:
    assert said(case(vehicle, readings=readings), finding) == word


@pytest.mark.parametrize(
    ("readings", "finding"),
    [
        ({"insulation_off": "5 Mohm"}, "insulation_test"),
        ({"gas_r134a": "98.0 %"}, "identification"),
        ({"clutch_on": "10 s"}, "compressor_cycle"),
        ({"vacuum_rise": "15 mbar"}, "vacuum_hold"),
    ],
)
def test_near_a_threshold_a_number_leaves_a_doubt(readings: dict[str, str], finding: str) -> None:
    shares = said(case(readings=readings), finding)
    assert isinstance(shares, dict)
    assert max(shares.values()) < 0.95


def test_what_else_is_in_the_gas_says_which_kind_it_is() -> None:
    burning = said(
        case(readings={"gas_r134a": "60 %", "gas_hydrocarbon": "40 %"}), "identification"
    )
    other = said(case(readings={"gas_r134a": "60 %", "gas_r1234yf": "40 %"}), "identification")
    assert isinstance(burning, dict)
    assert isinstance(other, dict)
    assert max(burning, key=burning.__getitem__) == "hydrocarbon"
    assert max(other, key=other.__getitem__) == "mixed"
    assert burning["as_labelled"] + other["as_labelled"] < 0.01


def test_the_same_share_is_right_or_wrong_by_the_label() -> None:
    shares = {"gas_r134a": "99.6 %"}
    mixed = said(case({"refrigerant": "R1234yf"}, readings=shares), "identification")
    assert mixed == "mixed" or (isinstance(mixed, dict) and mixed["as_labelled"] < 0.02)
    unknown = case({}, readings=shares)
    assert any("state the refrigerant in [vehicle]" in text for text in unknown.warnings)
    evidence = encoding_of(unknown, shipped().knowledge).groups[0].evidence
    assert "identification" not in evidence.names()


def test_a_measured_low_insulation_believes_what_the_word_does() -> None:
    word = believe(case(BATTERY, findings={"insulation_test": "low"}), shipped())
    number = believe(case(BATTERY, readings={"insulation_off": "0.2 Mohm"}), shipped())
    for fault in shipped().faults:
        # the same evidence: floating point only
        assert number.fault(fault) == pytest.approx(word.fault(fault), rel=1e-12)


def test_a_vacuum_watched_briefly_is_worth_less_than_one_watched_for_ten_minutes() -> None:
    brief = {"vacuum_rise": "1 mbar", "vacuum_watched": "1 min"}
    long = {"vacuum_rise": "1 mbar", "vacuum_watched": "10 min"}
    doubt, held = (said(case(readings=told), "vacuum_hold") for told in (brief, long))
    assert isinstance(doubt, dict)
    assert doubt["holds"] < 0.3
    assert held == "holds" or (isinstance(held, dict) and held["holds"] > 0.9)


def test_a_word_and_a_number_against_each_other_are_told_and_both_doubted() -> None:
    both = case(
        BATTERY, findings={"insulation_test": "good"}, readings={"insulation_off": "0.2 Mohm"}
    )
    assert any("contradict each other" in text for text in both.warnings)
    shares = said(both, "insulation_test")
    assert isinstance(shares, dict)
    assert min(shares.values()) > 0.25
    agreeing = case(
        BATTERY, findings={"insulation_test": "low"}, readings={"insulation_off": "0.2 Mohm"}
    )
    assert not any("contradict" in text for text in agreeing.warnings)
    assert said(agreeing, "insulation_test") == "low"


def test_a_measured_finding_is_shown_with_its_number_and_its_word() -> None:
    words = recorded_words(
        case(BATTERY, readings={"insulation_off": "0.2 Mohm"}), shipped().knowledge
    )
    assert words["insulation_test"] == "0.2 Mohm (low)"


def test_a_clutch_that_stays_out_makes_the_gauges_say_nothing() -> None:
    out = case(readings={"clutch_off": "8 min", "vent": "20 degC"})
    assert any(text.startswith("vent is not used") for text in out.warnings)


@pytest.mark.parametrize(
    ("section", "name", "value", "problem"),
    [
        ("readings", "insulation_off", "0.2 Mohn", "did you mean 'Mohm'?"),
        ("readings", "insulation_off", "0.2", "has no unit; write a resistance in"),
        ("readings", "insulaton_off", "2 Mohm", "did you mean 'insulation_off'?"),
        ("readings", "vacuum_end", "-980 mbar", "add 'vac'"),
        ("readings", "vacuum_rise", "5 mbra", "did you mean 'mbar'?"),
        ("readings", "clutch_on", "2 h", "is between 0.2 and 3600 s"),
        ("readings", "gas_r22", "120 %", "a share is between 0 and 100 %"),
        ("readings", "air_share", "1.8 % by mass", "a share by volume is expected"),
        ("readings", "air_share_by_mass", "6 % by volume", "a share by mass is expected"),
        ("findings", "insulation_test", "0.2 Mohm", "belongs in [readings] as insulation_off"),
    ],
)
def test_what_cannot_be_read_is_refused_with_what_could_stand_there(
    section: str, name: str, value: str, problem: str
) -> None:
    with pytest.raises(InspectionError) as caught:
        case(**{section: {name: value}})
    assert problem in str(caught.value)


@pytest.mark.parametrize(
    ("readings", "problem"),
    [
        ({"gas_r134a": "60 %", "gas_r1234yf": "60 %"}, "add up to more than 100 %"),
        ({"vacuum_start": "3 Torr", "vacuum_end": "1 Torr"}, "gets no emptier"),
    ],
)
def test_numbers_that_cannot_be_together_are_refused(
    readings: dict[str, str], problem: str
) -> None:
    with pytest.raises(InspectionError, match=problem):
        case(readings=readings)


@pytest.mark.parametrize(
    ("text", "kpa"),
    [
        # water boils at 20 degC at 2.339 kPa, 17,546 micron, 29.23 inHg of vacuum (steam tables)
        ("17546 micron", 2.339),
        ("29.23 inHg", 2.339),
        ("23.39 hPa", 2.339),
        ("2339 Pa", 2.339),
        ("17.546 Torr", 2.339),
        ("989.86 mbar vac", 2.339),
    ],
)
def test_a_vacuum_is_the_same_in_every_unit(text: str, kpa: float) -> None:
    # 0.02 kPa: half of the last digit of 29.23 inHg
    assert parse_quantity(text, "vacuum") == pytest.approx(kpa, abs=0.02)


def test_air_by_mass_is_more_by_volume() -> None:
    """By moles: 1.8 / 28.965 against 98.2 / 102.03 (molar masses of air and R134a)."""
    moles = 1.8 / 28.965, 98.2 / 102.03
    found = refrigerant("R134a").volume_share(1.8, MOLAR_MASS_OF_AIR)
    # 2e-5: the molar mass of the table has more digits
    assert found == pytest.approx(100 * moles[0] / sum(moles), rel=2e-5)
    assert refrigerant("R1234yf").volume_share(0.0, MOLAR_MASS_OF_AIR) == 0.0
    assert refrigerant("R1234yf").volume_share(100.0, MOLAR_MASS_OF_AIR) == 100.0


# --- what one reading has told already is not told again -----------------------------------------


def test_which_vent_is_warm_says_nothing_more_once_the_vents_are_measured() -> None:
    measured = {"readings": {"vent_split": "6 K", "vent": "16 degC"}}
    alone = believe(case(**measured), shipped())
    both = believe(case(**measured, findings={"warm_vents": "one_side"}), shipped())
    rear = believe(case(**measured, findings={"warm_vents": "rear_only"}), shipped())
    one, two, three = (b.fault("cabin_mixing")["present"] for b in (alone, both, rear))
    # what is left is that it is not the rear, which is rare
    assert two == pytest.approx(one, abs=0.05)
    assert three != pytest.approx(one, abs=0.05)


def test_superheat_is_not_counted_twice_along_one_pipe() -> None:
    here = {"readings": {"superheat": "14 K"}}
    there = {"readings": {"superheat": "14 K", "compressor_superheat": "20 K"}}
    twice = case(**there)
    assert "compressor_superheat is not used: superheat has told it" in twice.warnings
    for fault in shipped().faults:
        one, two = (believe(c, shipped()).fault(fault) for c in (case(**here), twice))
        assert two == pytest.approx(one, rel=1e-12)
