"""What the gauges of a car should read today, sound or with something wrong."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from click.testing import CliRunner
from loopodds.base.errors import InspectionError, UnknownName
from loopodds.casebook.sources import read_case
from loopodds.diagnosis.simulation import simulate
from loopodds.inspection.encoding import encoding_of
from loopodds.inspection.sections import inspection_from
from loopodds.report.gauge_chart import CHARTED, gauges_picture
from loopodds.report.gauge_sheet import GaugeLine, GaugeSheet, gauge_sheet
from loopodds_cli.main import main
from shared import shipped

CAR = {"refrigerant": "R134a", "expansion": "TXV", "compressor": "fixed"}
DAY = {"setting": "routine", "ambient": "30 degC", "humidity": "50 %"}


def sheet(*suppose: str, **sections: Any) -> GaugeSheet:
    case = inspection_from({"vehicle": CAR, "conditions": DAY, **sections}, shipped().knowledge)
    return gauge_sheet(case, shipped(), suppose)


def line(found: GaugeSheet, name: str) -> GaugeLine:
    return next(line for line in found.lines if line.name == name)


def test_nine_in_ten_cars_drawn_sound_read_within_the_range() -> None:
    """Against cars drawn from the network itself, slips left out, and what cars and days differ by
    added to each: 5 % on either side.
    """
    context = {**CAR, "weather": "warm", "setting": "routine"}
    model = shipped()
    drawn = simulate(model, context, 40_000, np.random.default_rng(3))
    faults = model.knowledge.of_kind("fault")
    whole = np.all([drawn.states[name] == 0 for name in faults], axis=0)
    found, rng = sheet(), np.random.default_rng(4)
    names = ("superheat", "subcooling", "liquid_line_drop")
    read = {"vehicle": CAR, "conditions": DAY, "readings": dict.fromkeys(names, "5 K")}
    extra = encoding_of(inspection_from(read, model.knowledge), model.knowledge).readings
    for name in names:
        gauge = model.tree(context).network.gauges[name]
        residual = drawn.evidence.numbers[name][0][whole]
        # slips are mixed into the draws and are no part of the range
        residual = residual[np.abs(residual) < 4 * gauge.spread.min()]
        expected = line(found, name).sound
        between = rng.normal(0.0, 1.0, len(residual)) * extra[name].extra[0]
        shown = residual + between + expected.middle
        assert np.mean(shown < expected.low) == pytest.approx(0.05, abs=0.03)
        assert np.mean(shown > expected.high) == pytest.approx(0.05, abs=0.03)


def test_what_is_not_said_of_the_day_widens_the_range_and_is_named() -> None:
    told, untold = sheet(), sheet(conditions={"setting": "routine"})
    for name in ("high_side", "vent"):
        wide, narrow = line(untold, name).sound, line(told, name).sound
        assert wide.high - wide.low > 1.2 * (narrow.high - narrow.low)
    assert "ambient" in untold.not_stated
    assert "ambient" not in told.not_stated
    assert told.conditions["ambient"] == "30 degC"


def test_a_reading_is_placed_against_the_sound_range() -> None:
    found = sheet(readings={"high_side": "24 bar", "low_side": "0.5 bar", "superheat": "6 K"})
    places = {name: line(found, name).place for name in ("high_side", "low_side", "superheat")}
    assert places == {"high_side": "above", "low_side": "below", "superheat": "within"}
    assert line(found, "vent").place == ""


def test_a_fault_supposed_moves_what_it_moves_and_leaves_the_rest() -> None:
    found = sheet("condenser_airflow=blocked")
    high, drop = line(found, "high_side"), line(found, "liquid_line_drop")
    assert high.supposed is not None
    assert high.supposed.middle > high.sound.high
    assert drop.supposed == drop.sound


def test_faults_supposed_together_both_count() -> None:
    one = line(sheet("condenser_airflow=blocked"), "high_side").supposed
    both = line(sheet("condenser_airflow=blocked", "charge=low"), "high_side").supposed
    assert one is not None
    assert both is not None
    assert both.middle < one.middle


def test_a_condition_of_several_states_may_be_supposed() -> None:
    found = line(sheet("undercharge=present"), "superheat")
    assert found.supposed is not None
    assert found.supposed.high > found.sound.high


def test_pressures_come_in_the_unit_of_the_case_and_from_its_altitude() -> None:
    low = sheet(readings={"low_side": "30 psi"})
    assert line(low, "high_side").unit == line(low, "low_side").unit == "psi"
    high = sheet(conditions={**DAY, "altitude": "2000 m"})
    # 21.8 kPa less of air (ISO 2533): the same absolute pressure reads 0.22 bar more
    for name in ("high_side", "low_side"):
        there, here = line(high, name).sound.middle, line(sheet(), name).sound.middle
        assert there - here == pytest.approx(0.22, abs=0.011)


def test_a_resting_loop_is_as_warm_as_was_measured() -> None:
    readings = {"static_pressure": "5.64 bar", "static_temperature": "25 degC"}
    found = line(sheet(readings=readings), "static_pressure")
    # R134a at 25 degC: 6.654 bar abs (Tillner-Roth and Baehr 1994)
    assert found.sound.middle == pytest.approx(6.654 - 1.013, abs=0.03)
    assert found.place == "within"


def test_no_pressure_is_foretold_of_an_unknown_gas() -> None:
    case = inspection_from({"conditions": DAY}, shipped().knowledge)
    with pytest.raises(InspectionError, match="state the refrigerant"):
        gauge_sheet(case, shipped())


@pytest.mark.parametrize(
    ("text", "error", "says"),
    [
        ("chrge=low", UnknownName, "did you mean 'charge'"),
        ("charge=lo", UnknownName, "did you mean 'low'"),
        ("vent=high", UnknownName, "unknown fault 'vent'"),
        ("charge", InspectionError, "write name=value"),
    ],
)
def test_what_cannot_be_supposed_is_named(text: str, error: type[Exception], says: str) -> None:
    with pytest.raises(error, match=says):
        sheet(text)


def test_contradicting_suppositions_are_refused() -> None:
    with pytest.raises(InspectionError, match="contradicts what else is supposed of charge"):
        sheet("charge=low", "charge=high")


def test_the_chart_holds_this_car_and_says_what_it_shows() -> None:
    case = read_case("@overfilled", shipped().knowledge)
    found = gauge_sheet(case, shipped(), ["charge=high"], CHARTED)
    curves = {curve.name: curve for curve in found.curves}
    assert curves["high_side"].point == (30.0, 305.0)
    # in psi at sea level, and rising with the air
    assert (np.diff(curves["high_side"].sound[:, 1]) > 0).all()
    picture = gauges_picture(found)
    assert "this car 305" in picture.alt
    assert picture.svg.startswith("<?xml")
    assert "with charge high" in picture.svg or "charge high" in picture.alt


def test_the_command_prints_the_page_and_the_same_as_json(tmp_path: Path) -> None:
    drawn = tmp_path / "chart.svg"
    words = ["gauges", "@overfilled", "--suppose", "charge=high", "--picture", str(drawn)]
    page = CliRunner().invoke(main, words)
    assert page.exit_code == 0
    assert all(len(text) <= 80 for text in page.stdout.splitlines())
    assert "High-side pressure" in page.stdout
    assert drawn.read_text().startswith("<?xml")
    told = json.loads(CliRunner().invoke(main, [*words[:4], "--json"]).stdout)
    high = next(gauge for gauge in told["gauges"] if gauge["name"] == "high_side")
    assert high["read"] == 305.0
    assert high["place"] == "above"
    assert high["sound"]["low"] < high["sound"]["middle"] < high["sound"]["high"]
    assert [stop["name"] for stop in told["stops"]] == ["charge_is_out"]


def test_a_stop_comes_first_on_this_page_too() -> None:
    page = CliRunner().invoke(main, ["gauges", "@at_the_limit"])
    assert "STOP" in page.stdout.splitlines()[0]
