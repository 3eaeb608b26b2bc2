"""Readings mean what the trade says they mean, whatever unit they were written in."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any

import msgspec
import numpy as np
import pytest
from loopodds.base.errors import InspectionError, KnowledgeError
from loopodds.inspection.encoding import encode
from loopodds.inspection.inspection import GaugeReading, InspectionBatch, batch_of
from loopodds.inspection.remarks import Impossible, impossible_readings
from loopodds.inspection.sections import inspection_from
from loopodds.inspection.vocabulary import CHOICES
from loopodds.knowledge.blocks import Settling
from loopodds.knowledge.records import Knowledge
from loopodds.physics.refrigerants import refrigerant

FULLY_STATED = {"refrigerant": "R134a", "expansion": "TXV", "compressor": "fixed"}


@pytest.fixture(scope="module")
def small() -> Knowledge:
    """Invented knowledge whose results can be worked out by hand."""
    return Knowledge(Path(__file__).parents[1] / "small_knowledge")


def gauges_of(knowledge: Knowledge, **sections: dict[str, Any]) -> Mapping[str, GaugeReading]:
    return encode(batch_of([inspection_from(sections, knowledge)], knowledge), knowledge).readings


def number(readings: Mapping[str, GaugeReading], name: str, what: str = "value") -> float:
    return float(getattr(readings[name], what)[0])


# --- what the trade knows; saturation by the published equations of state -----------------------


def test_19_bar_at_30_degrees_is_a_high_lift(small: Knowledge) -> None:
    found = gauges_of(
        small,
        vehicle={"refrigerant": "R134a"},
        conditions={"ambient": "30 degC"},
        readings={"high_side": "19.0 bar"},
    )
    # R134a condenses at 67.5 degC under 20.0 bar abs (Tillner-Roth and Baehr 1994)
    assert 37.0 < number(found, "high_side") < 38.0


def test_12_bar_of_r1234yf_at_30_degrees_is_a_normal_lift(small: Knowledge) -> None:
    found = gauges_of(
        small,
        vehicle={"refrigerant": "R1234yf"},
        conditions={"ambient": "30 degC"},
        readings={"high_side": "12.0 bar"},
    )
    # 50 degC under 13.02 bar abs (Richter, McLinden and Lemmon 2011); 0.05 K is print rounding
    assert number(found, "high_side") == pytest.approx(20.0, abs=0.05)


def test_the_same_gauge_pressure_is_half_a_kelvin_less_of_r134a(small: Knowledge) -> None:
    found = gauges_of(
        small,
        vehicle={"refrigerant": "R134a"},
        conditions={"ambient": "30 degC"},
        readings={"high_side": "12.0 bar"},
    )
    # 49.5 degC (Tillner-Roth and Baehr 1994), printed to 0.1 K
    assert number(found, "high_side") == pytest.approx(19.5, abs=0.06)


def test_static_6_05_bar_at_25_degrees_stands_041_bar_above_saturation(small: Knowledge) -> None:
    found = gauges_of(
        small,
        vehicle={"refrigerant": "R134a"},
        readings={"static_pressure": "6.05 bar", "static_temperature": "25 degC"},
    )
    fluid = refrigerant("R134a")
    kelvin = number(found, "static_pressure")
    above = fluid.saturation_pressure(25.0 + kelvin) - fluid.saturation_pressure(25.0)
    # 706.3 kPa abs less 665.4 kPa abs, printed to 0.01 bar
    assert above / 100 == pytest.approx(0.41, abs=0.005)


def test_a_low_side_near_2_bar_boils_near_freezing(small: Knowledge) -> None:
    found = gauges_of(small, vehicle={"refrigerant": "R134a"}, readings={"low_side": "1.91 bar"})
    # 292.8 kPa abs at 0 degC (Tillner-Roth and Baehr 1994); 0.005 bar of rounding is 0.05 K
    assert number(found, "low_side") == pytest.approx(0.0, abs=0.06)


def test_recovered_510_of_560_grams_is_91_per_cent(small: Knowledge) -> None:
    found = gauges_of(
        small,
        vehicle={"nameplate_charge": "560 g"},
        conditions={"ambient": "22 degC", "recovery_machine": "modern"},
        readings={"recovered": "510 g"},
    )
    assert number(found, "recovered") == pytest.approx(100 * 510 / 560, rel=1e-12)  # float
    assert number(found, "recovered", "extra") == 0


@pytest.mark.parametrize(
    "conditions",
    [
        {"ambient": "8 degC", "recovery_machine": "modern"},
        {"ambient": "22 degC", "recovery_machine": "old"},
        {"recovery_machine": "old"},
    ],
)
def test_cold_or_with_an_old_machine_recovery_weighs_nothing(
    small: Knowledge, conditions: dict[str, str]
) -> None:
    sections = {
        "vehicle": {"nameplate_charge": "560 g"},
        "conditions": conditions,
        "readings": {"recovered": "510 g"},
    }
    found = gauges_of(small, **sections)
    assert number(found, "recovered", "extra") == 30
    assert any("not weighable" in w for w in inspection_from(sections, small).warnings)


# --- units and altitude -------------------------------------------------------------------------


def written(high: str, low: str, ambient: str, vent: str, mass: str) -> dict[str, dict[str, Any]]:
    return {
        "vehicle": {**FULLY_STATED, "nameplate_charge": mass},
        "conditions": {"ambient": ambient},
        "readings": {"high_side": high, "low_side": low, "vent": vent, "recovered": mass},
    }


@pytest.mark.parametrize(
    "other",
    [
        written("1900 kPa", "210 kPa", "31 °C", "14 C", "0.52 kg"),
        written("1.9 MPa", "2100 mbar", "87.8 degF", "57.2 degF", "520 g"),
        written("20.01325 bar abs", "311.325 kPa abs", "31 degC", "14 degC", "520 g"),
        written(f"{1900 / 6.894757293168361:.12f} psi", "2,1 bar", "31 degC", "14 degC", "520 g"),
        written(
            f"{2001.325 / 6.894757293168361:.12f} psi abs", "2.1 bar", "31 degC", "14 degC", "520 g"
        ),
    ],
)
def test_the_same_car_in_other_units_gives_the_same_numbers(
    small: Knowledge, other: dict[str, dict[str, Any]]
) -> None:
    one = gauges_of(small, **written("19 bar", "2.1 bar", "31 degC", "14 degC", "520 g"))
    two = gauges_of(small, **other)
    for name in one:
        # conversion factors are exact, so only floating point is left
        assert two[name].residual[0] == pytest.approx(one[name].residual[0], abs=1e-9)
        assert two[name].extra[0] == pytest.approx(one[name].extra[0], abs=1e-9)


def test_in_the_mountains_a_gauge_reads_more_for_the_same_refrigerant(small: Knowledge) -> None:
    sea = gauges_of(small, vehicle={"refrigerant": "R134a"}, readings={"low_side": "3.2 bar abs"})
    # the standard atmosphere (ISO 2533) is 79.50 kPa at 2000 m, printed to 0.01 kPa
    high = gauges_of(
        small,
        vehicle={"refrigerant": "R134a"},
        conditions={"altitude": "2000 m"},
        readings={"low_side": "240.50 kPa"},
    )
    assert number(high, "low_side") == pytest.approx(number(sea, "low_side"), abs=0.002)
    careless = gauges_of(
        small, vehicle={"refrigerant": "R134a"}, readings={"low_side": "240.50 kPa"}
    )
    assert number(careless, "low_side") > number(sea, "low_side") + 1


def test_an_absolute_pressure_does_not_know_the_altitude(small: Knowledge) -> None:
    found = [
        number(
            gauges_of(
                small,
                vehicle={"refrigerant": "R134a"},
                conditions={"altitude": altitude},
                readings={"low_side": "3.2 bar abs"},
            ),
            "low_side",
        )
        for altitude in ("0 m", "2500 m")
    ]
    assert found[0] == found[1]


# --- superheat and subcooling -------------------------------------------------------------------


def test_superheat_and_subcooling_are_derived_from_pipes_and_pressures(small: Knowledge) -> None:
    found = gauges_of(
        small,
        vehicle={"refrigerant": "R134a"},
        readings={
            "low_side": "292.8 kPa abs",  # boils at 0 degC
            "suction_line": "7 degC",
            "high_side": "1317.9 kPa abs",  # condenses at 50 degC
            "liquid_line": "44 degC",
        },
    )
    # pressures printed to 0.1 kPa: 0.01 K
    assert number(found, "superheat") == pytest.approx(7.0, abs=0.02)
    assert number(found, "subcooling") == pytest.approx(6.0, abs=0.02)


def test_a_superheat_that_was_given_goes_before_a_derived_one(small: Knowledge) -> None:
    sections = {
        "vehicle": {"refrigerant": "R134a"},
        "readings": {"low_side": "292.8 kPa abs", "suction_line": "20 degC", "superheat": "5 K"},
    }
    assert number(gauges_of(small, **sections), "superheat") == 5
    assert (
        "superheat was given as 5.0 K, which counts, but pipe temperature and pressure make it "
        "20.0 K"
    ) in inspection_from(sections, small).warnings


# --- expectation and spread, worked out by hand from the small knowledge ------------------------


def test_everything_stated_adds_no_spread(small: Knowledge) -> None:
    found = gauges_of(
        small,
        vehicle=FULLY_STATED,
        conditions={"ambient": "35 degC", "humidity": "60 %"},
        readings={"high_side": "15 bar", "vent": "20 degC"},
    )
    assert number(found, "high_side", "expected") == pytest.approx(26 + 0.1 * 10, rel=1e-12)
    assert number(found, "vent", "expected") == pytest.approx(9 + 0.8 * 10 + 0.2 * 10, rel=1e-12)
    assert number(found, "high_side", "extra") == number(found, "vent", "extra") == 0


def test_the_first_matching_sound_block_holds_and_brings_its_spread(small: Knowledge) -> None:
    found = gauges_of(
        small,
        vehicle={**FULLY_STATED, "expansion": "orifice"},
        conditions={"ambient": "35 degC"},
        readings={"high_side": "15 bar"},
    )
    assert number(found, "high_side", "expected") == pytest.approx(30 + 0.3 * 10, rel=1e-12)
    assert number(found, "high_side", "extra") == pytest.approx(2.0, rel=1e-12)


def test_an_unknown_device_is_averaged_and_its_disagreement_widens(small: Knowledge) -> None:
    found = gauges_of(
        small,
        vehicle={"refrigerant": "R134a"},
        conditions={"ambient": "35 degC"},
        readings={"high_side": "15 bar"},
    )
    # shares .75 and .25 of expectations 27 and 33, the second with a spread of its own
    assert number(found, "high_side", "expected") == pytest.approx(28.5, rel=1e-12)
    variance = 0.75 * 0.25 * (33 - 27) ** 2 + 0.25 * 2.0**2
    assert number(found, "high_side", "extra") == pytest.approx(variance**0.5, rel=1e-12)


def test_an_unknown_ambient_is_typical_and_widens_what_depends_on_it(small: Knowledge) -> None:
    found = gauges_of(
        small, vehicle=FULLY_STATED, readings={"high_side": "15 bar", "vent": "12 degC"}
    )
    lift = refrigerant("R134a").saturation_temperature(1601.325) - 25
    assert number(found, "high_side") == pytest.approx(lift, rel=1e-12)
    # a kelvin of air takes a kelvin off the lift and adds 0.1 K to what is expected of it
    assert number(found, "high_side", "extra") == pytest.approx(1.1 * 6, rel=1e-12)
    assert number(found, "vent", "extra") == pytest.approx(np.hypot(0.8 * 6, 0.2 * 15), rel=1e-12)


def test_air_stands_in_for_the_temperature_of_a_resting_loop_with_more_spread(
    small: Knowledge,
) -> None:
    vehicle, readings = {"refrigerant": "R134a"}, {"static_pressure": "5.64 bar"}
    air = gauges_of(small, vehicle=vehicle, conditions={"ambient": "25 degC"}, readings=readings)
    nothing = gauges_of(small, vehicle=vehicle, readings=readings)
    probe = gauges_of(
        small, vehicle=vehicle, readings={**readings, "static_temperature": "25 degC"}
    )
    # saturated at 25 degC: 665.4 kPa abs, printed to 0.1 kPa; the loop is taken to be 5 K warmer
    # than the air
    for found, away in ((air, -5.0), (nothing, -5.0), (probe, 0.0)):
        assert number(found, "static_pressure") == pytest.approx(away, abs=0.02)
    assert number(probe, "static_pressure", "extra") == 0
    assert number(air, "static_pressure", "extra") == pytest.approx(6.0, rel=1e-12)
    assert number(nothing, "static_pressure", "extra") == pytest.approx(72**0.5, rel=1e-12)


def test_a_masked_reading_is_no_evidence(small: Knowledge) -> None:
    sections = {
        "vehicle": FULLY_STATED,
        "findings": {"compressor_cycle": "cut_out"},
        "readings": {"high_side": "6 bar", "low_side": "6 bar", "vent": "20 degC"},
    }
    one = inspection_from(sections, small)
    (group,) = encode(batch_of([one], small), small).groups
    assert set(group.evidence.names()) == {"compressor_cycle", "vent"}
    assert "high_side is not used: it says nothing at compressor_cycle = cut_out" in one.warnings


def test_a_masking_finding_that_is_only_likely_masks_when_it_is_the_likelier(
    small: Knowledge,
) -> None:
    for cut_out, used in ((0.4, True), (0.6, False)):
        weights = {"steady": 1 - cut_out, "cut_out": cut_out}
        found = gauges_of(
            small,
            vehicle=FULLY_STATED,
            findings={"compressor_cycle": weights},
            readings={"low_side": "2 bar"},
        )
        assert np.isnan(number(found, "low_side", "residual")) != used


def test_a_gauge_that_no_sound_block_covers_is_a_fault_of_the_knowledge(small: Knowledge) -> None:
    node = small.gauges["low_side"]
    lame = msgspec.structs.replace(node, sound=node.sound[:0])
    broken = small.changed(nodes={**small.nodes, "low_side": lame})
    batch = InspectionBatch(
        1, readings={"low_side": np.array([300.0])}, choices={"refrigerant": np.array([0])}
    )
    with pytest.raises(KnowledgeError, match="low_side: no sound expectation for"):
        encode(batch, broken)


# --- batches ------------------------------------------------------------------------------------


def test_a_batch_gives_every_row_what_it_gives_alone(small: Knowledge) -> None:
    rng = np.random.default_rng(20261101)
    rows = 200

    def sometimes(values: np.ndarray) -> np.ndarray:
        return np.where(rng.random(rows) < 0.3, np.nan, values)

    batch = InspectionBatch(
        rows,
        codes={"compressor_cycle": rng.integers(-1, 3, rows)},
        readings={
            "high_side": sometimes(rng.normal(1600, 200, rows)),
            "low_side": sometimes(rng.normal(300, 40, rows)),
            "suction_line": sometimes(rng.normal(8, 3, rows)),
            "static_pressure": sometimes(rng.normal(680, 30, rows)),
            "recovered": sometimes(rng.normal(500, 80, rows)),
        },
        choices={name: rng.integers(-1, len(CHOICES[name]), rows) for name in CHOICES},
        numbers={
            "ambient_c": sometimes(rng.normal(20, 8, rows)),
            "nameplate_charge_g": sometimes(np.full(rows, 550.0)),
        },
    )
    whole = encode(batch, small).readings
    for row in range(rows):
        alone = encode(batch.take(np.array([row])), small).readings
        for name, reading in whole.items():
            if name not in alone:
                assert np.isnan(reading.residual[row])
                continue
            # the same sums in another order: floating point
            assert alone[name].residual[0] == pytest.approx(
                reading.residual[row], rel=1e-12, abs=1e-12, nan_ok=True
            )
            assert alone[name].extra[0] == pytest.approx(reading.extra[row], rel=1e-12, abs=1e-9)


def test_impossible_values_of_an_archive_are_listed_by_row(small: Knowledge) -> None:
    batch = InspectionBatch(
        5,
        codes={"compressor_cycle": np.array([-1, 2, -1, -1, -1])},
        readings={
            "high_side": np.array([210.0, 210.0, 1500.0, np.nan, 5000.0]),
            "low_side": np.array([300.0, 300.0, 300.0, 300.0, np.inf]),
            "vent": np.array([9.0, 9.0, 9.0, 9.0, 300.0]),
        },
        choices={"refrigerant": np.array([0, 0, -1, 1, 1])},
        numbers={"humidity_pct": np.array([50.0, np.nan, 50.0, 101.0, -1.0])},
    )
    found = [(bad.row, bad.column) for bad in impossible_readings(batch, small)]
    assert found == [
        (0, "high_side"),  # below the low side; in row 1 the compressor stands still
        (2, "high_side"),  # no refrigerant
        (2, "low_side"),
        (3, "humidity"),
        (4, "humidity"),
        (4, "high_side"),
        (4, "low_side"),
        (4, "vent"),
    ]


def test_a_possible_archive_has_no_impossible_values(small: Knowledge) -> None:
    batch = InspectionBatch(2, readings={"vent": np.array([np.nan, 9.0])})
    assert impossible_readings(batch, small) == []
    assert impossible_readings(InspectionBatch(0), small) == []


def test_equal_sides_may_differ_by_the_error_of_two_gauges(small: Knowledge) -> None:
    batch = InspectionBatch(
        3,
        codes={"sides_equal": np.array([1, 1, 0])},
        readings={
            "high_side": np.array([600.0, 600.0, 600.0]),
            "low_side": np.array([649.0, 651.0, 649.0]),
        },
        choices={"refrigerant": np.array([0, 0, 0])},
    )
    found = impossible_readings(batch, small)
    assert [(bad.row, bad.column, bad.value) for bad in found] == [
        (1, "high_side", 600.0),
        (2, "high_side", 600.0),
    ]
    assert isinstance(found[0], Impossible)


def test_a_reading_has_limits_of_its_own_where_the_knowledge_gives_them() -> None:
    """No vent blows at 150 degC, no discharge pipe of a working loop reaches 240 (estimates)."""
    batch = InspectionBatch(
        2, readings={"vent": np.array([150.0, 60.0]), "discharge_pipe": np.array([150.0, 240.0])}
    )
    found = impossible_readings(batch, Knowledge())
    assert [(bad.row, bad.column) for bad in found] == [(0, "vent"), (1, "discharge_pipe")]
    assert found[0].reason == "vent temperature is between -40 and 90 degC"


# --- conditions of the running test --------------------------------------------------------------


def test_the_lift_counts_from_the_air_that_the_condenser_takes_in(small: Knowledge) -> None:
    case = {"vehicle": FULLY_STATED, "readings": {"high_side": "19 bar"}}
    outdoors = gauges_of(small, **case, conditions={"ambient": "30 degC"})
    entering = {"ambient": "30 degC", "condenser_inlet": "38 degC"}
    inlet = gauges_of(small, **case, conditions=entering)
    away = number(outdoors, "high_side", "value") - number(inlet, "high_side", "value")
    assert away == pytest.approx(8.0, rel=1e-12)


def test_of_a_swing_the_middle_counts_and_its_width_is_doubt(small: Knowledge) -> None:
    day = {"vehicle": FULLY_STATED, "conditions": {"ambient": "25 degC"}}
    ends = {"swing_low_side_from": "1.4 bar", "swing_low_side_to": "2.6 bar"}
    swing = gauges_of(small, **day, readings=ends)
    middle = gauges_of(small, **day, readings={"low_side": "2.0 bar"})
    assert number(swing, "low_side") == pytest.approx(number(middle, "low_side"), rel=1e-12)
    fluid = refrigerant("R134a")
    width = fluid.saturation_temperature(361.325) - fluid.saturation_temperature(241.325)
    assert number(swing, "low_side", "extra") == pytest.approx(width / 48**0.5, rel=1e-9)
    # a reading of its own outranks the swing
    both = gauges_of(small, **day, readings={**ends, "low_side": "2.2 bar"})
    alone = gauges_of(small, **day, readings={"low_side": "2.2 bar"})
    assert number(both, "low_side") == number(alone, "low_side")
    assert number(both, "low_side", "extra") == 0


def test_ends_of_a_swing_the_wrong_way_round_are_refused() -> None:
    readings = {"swing_low_side_from": "2.6 bar", "swing_low_side_to": "1.4 bar"}
    with pytest.raises(InspectionError, match=r"swing_low_side_to.*below swing_low_side_from"):
        inspection_from({"vehicle": FULLY_STATED, "readings": readings})


def test_a_gauge_read_before_the_loop_has_settled_says_less(small: Knowledge) -> None:
    node = small.gauges["low_side"]
    settling = Settling(spread=6.0, minutes=4.0)
    slow = small.changed(
        nodes={**small.nodes, "low_side": msgspec.structs.replace(node, settling=settling)}
    )

    def extra(minutes: str) -> float:
        found = gauges_of(
            slow,
            vehicle=FULLY_STATED,
            conditions={"ambient": "25 degC", "running_for": minutes},
            readings={"low_side": "2 bar"},
        )
        return number(found, "low_side", "extra")

    assert extra("0 min") == pytest.approx(6.0, rel=1e-12)
    assert extra("4 min") == pytest.approx(6.0 / np.e, rel=1e-12)
    assert extra("1 h") == pytest.approx(0.0, abs=1e-5)


@pytest.mark.parametrize(
    ("key", "value", "reason"),
    [
        ("engine_speed", "30 rpm", "an engine that runs turns at 300 to 8000 rpm"),
        ("engine_speed", "1500", "has no unit"),
        ("blower_speed", "120 %", "a blower runs at 0 to 100 %"),
        ("air_intake", "recirc", "did you mean 'recirculated'"),
        ("doors", "closed", "shut"),
        ("condenser_inlet", "120 degC", "between -50 and 90 degC"),
    ],
)
def test_a_condition_that_cannot_be_is_refused_with_its_reason(
    key: str, value: str, reason: str
) -> None:
    with pytest.raises(InspectionError, match=reason):
        inspection_from({"vehicle": FULLY_STATED, "conditions": {key: value}})


def test_knowledge_without_a_typical_day_is_named(small: Knowledge) -> None:
    contexts = {name: one for name, one in small.contexts.items() if name != "ambient"}
    broken = small.changed(contexts=contexts)
    batch = InspectionBatch(
        1, readings={"low_side": np.array([300.0])}, choices={"refrigerant": np.array([0])}
    )
    with pytest.raises(KnowledgeError, match="needs ambient with a number 'typical'"):
        encode(batch, broken)


def test_a_repair_without_services_is_refused_where_there_are_none(small: Knowledge) -> None:
    idle = small.changed(services={})
    with pytest.raises(InspectionError, match="a list of services is needed"):
        inspection_from({"repaired": [{}]}, idle)
