"""Saturation lines agree with the equations of state and with print, and readings follow them."""

from __future__ import annotations

import json
import runpy
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from loopodds.base.errors import OutOfRange, UnknownName
from loopodds.base.units import parse_quantity
from loopodds.physics.refrigerants import SUPPORTED, refrigerant
from loopodds.physics.saturation import read_table
from shared import loaded_after

KELVIN = 273.15
repeatable = settings(deadline=None, derandomize=True)


@pytest.fixture(params=SUPPORTED)
def fluid(request):
    return refrigerant(request.param)


def coolprop_line(name, temperatures):
    """Pressure [kPa] and slope [kPa/K] of CoolProp's equation of state."""
    import CoolProp

    state = CoolProp.AbstractState("HEOS", name)
    rows = []
    for temperature in temperatures:
        state.update(CoolProp.QT_INPUTS, 0.0, temperature + KELVIN)
        slope = state.first_saturation_deriv(CoolProp.iP, CoolProp.iT)
        rows.append((state.p() / 1e3, slope / 1e3))
    return np.array(rows).T


@pytest.mark.parametrize("name", SUPPORTED)
@pytest.mark.parametrize(("low", "high"), [(-100.0, -40.0), (-40.0, 90.0), (90.0, None)])
def test_the_line_follows_the_equation_of_state(name, low, high):
    fluid = refrigerant(name)
    # 401 points: no multiple of the 1 K table rows; the last millikelvin has no defined slope.
    temperatures = np.linspace(low, high or fluid.critical_temperature_c - 1e-3, 401)
    pressures, slopes = coolprop_line(name, temperatures)
    # rel 1e-5, abs 1e-3 K: the accuracy that the class promises; the need is 1e-3.
    np.testing.assert_allclose(fluid.saturation_pressure(temperatures), pressures, rtol=1e-5)
    np.testing.assert_allclose(fluid.saturation_temperature(pressures), temperatures, atol=1e-3)
    # rel 1e-3: promised for the slope; the derivative of a cubic loses one order of accuracy.
    np.testing.assert_allclose(fluid.saturation_slope(temperatures), slopes, rtol=1e-3)


def test_two_equations_of_state_for_r1234yf_tell_the_same_pressure():
    """Against Richter, McLinden and Lemmon, J. Chem. Eng. Data 56 (2011) 3254.

    The shipped line is the later equation of Lemmon and Akasaka (2022). Vapour pressures were
    measured by Richter et al. from 250 K upwards.
    """
    import CoolProp.CoolProp as cp

    about = json.loads(cp.get_fluid_param_string("R1234yf", "JSON"))[0]
    about["EOS"] = [one for one in about["EOS"] if one["BibTeX_EOS"] == "Richter-JCED-2011"]
    about["INFO"] |= {"NAME": "R1234yf-2011", "ALIASES": [], "CAS": "-", "REFPROP_NAME": "N/A"}
    cp.add_fluids_as_JSON("HEOS", json.dumps([about]))
    temperatures = np.arange(-20.0, 91.0, 5.0)
    earlier = [cp.PropsSI("P", "T", t + KELVIN, "Q", 0, "R1234yf-2011") / 1e3 for t in temperatures]
    # rel 1e-3: what a user may rely on whichever of the two equations is right.
    np.testing.assert_allclose(
        refrigerant("R1234yf").saturation_pressure(temperatures), earlier, rtol=1e-3
    )


@pytest.mark.parametrize(
    ("bar", "celsius"),
    [
        (1.0, -26.52),
        (1.5, -17.26),
        (2.0, -10.18),
        (2.5, -4.38),
        (3.0, 0.59),
        (4.0, 8.86),
        (5.0, 15.68),
        (6.0, 21.54),
        (8.0, 31.35),
        (10.0, 39.41),
        (12.0, 46.36),
    ],
)
def test_r134a_boils_where_the_engineers_handbook_says(bar, celsius):
    """Mechanical Engineers' Handbook, volume 4, table 14, read November 2026."""
    # abs 0.2 K: the handbook prints an earlier equation of state, 0.16 K off at 1 bar.
    found = refrigerant("R134a").saturation_temperature(bar * 100.0)
    assert found == pytest.approx(celsius, abs=0.2)


@pytest.mark.parametrize(
    ("megapascal", "celsius"),
    [(0.10, -26.43), (0.14, -18.80), (0.18, -12.73), (0.20, -10.09), (0.24, -5.37)],
)
def test_r134a_boils_where_a_thermodynamics_textbook_says(megapascal, celsius):
    """Superheated R134a tables of a thermodynamics textbook, online, read November 2026."""
    # abs 0.1 K: the tables rest on an earlier equation of state, 0.07 K off at 0.10 MPa.
    found = refrigerant("R134a").saturation_temperature(megapascal * 1000.0)
    assert found == pytest.approx(celsius, abs=0.1)


@pytest.mark.parametrize(("name", "safety_class"), [("R134a", "A1"), ("R1234yf", "A2L")])
def test_safety_class_is_that_of_iso_817(name, safety_class):
    assert refrigerant(name).safety_class == safety_class


def test_the_two_refrigerants_cannot_be_told_apart_by_pressure_near_forty_degrees():
    temperatures = np.linspace(38.0, 46.0, 81)
    r134a = refrigerant("R134a").saturation_pressure(temperatures)
    r1234yf = refrigerant("R1234yf").saturation_pressure(temperatures)
    crossing = temperatures[np.argmax(r134a > r1234yf)]
    assert 41.0 < crossing < 42.0
    assert np.abs(r1234yf / r134a - 1.0).max() < 0.01


@repeatable
@given(share=st.floats(0.0, 1.0))
@pytest.mark.parametrize("name", SUPPORTED)
def test_temperature_to_pressure_and_back_is_the_same_temperature(name, share):
    fluid = refrigerant(name)
    low, high = fluid.lowest_temperature_c, fluid.critical_temperature_c - 1e-3
    temperature = low + share * (high - low)
    # abs 1e-4 K: two cubics that are not exact inverses; the worst found is 1.2e-5 K.
    again = fluid.saturation_temperature(fluid.saturation_pressure(temperature))
    assert again == pytest.approx(temperature, abs=1e-4)


def test_hotter_liquid_always_presses_more(fluid):
    temperatures = np.linspace(-100.0, fluid.critical_temperature_c - 1e-3, 20_011)
    assert np.all(np.diff(fluid.saturation_pressure(temperatures)) > 0.0)
    assert np.all(fluid.saturation_slope(temperatures) > 0.0)


def test_a_column_gives_what_its_cells_give(fluid):
    pressures = np.array([[150.0, np.nan], [700.0, 2000.0]])
    ambient = np.array([[20.0, 20.0], [25.0, 30.0]])
    column = fluid.condensing_lift(pressures, ambient)
    assert column.shape == (2, 2)
    assert np.isnan(column[0, 1])
    assert column[1, 1] == fluid.condensing_lift(2000.0, 30.0)
    residual = fluid.static_residual(pressures, ambient)
    assert residual.bar[1, 0] == fluid.static_residual(700.0, 25.0).bar
    assert isinstance(fluid.saturation_slope(20.0), float)


def test_a_condensing_lift_counts_from_the_ambient_air():
    """R134a boils at 39.41 degC under 10 bar (as above)."""
    r134a = refrigerant("R134a")
    # abs 0.1 K: as for the two tables.
    assert r134a.condensing_lift(1000.0, 20.0) == pytest.approx(19.41, abs=0.1)


def test_head_pressures_read_as_kelvin_above_ambient():
    """Worked arithmetic of the gauge rule, on CoolProp's line."""
    r134a, r1234yf = refrigerant("R134a"), refrigerant("R1234yf")
    high = parse_quantity("19.0 bar", "pressure")
    assert 37.0 < r134a.condensing_lift(high, 30.0) < 38.0
    same_gauge = parse_quantity("12.0 bar", "pressure")
    # abs 0.1 K: the pressures are rounded to 0.1 bar in a table printed to 0.1 K.
    assert r1234yf.condensing_lift(same_gauge, 30.0) == pytest.approx(20.0, abs=0.1)
    assert r134a.saturation_temperature(same_gauge) == pytest.approx(49.5, abs=0.1)


def test_a_resting_loop_with_liquid_and_no_air_has_no_residual(fluid):
    residual = fluid.static_residual(fluid.saturation_pressure(25.0), 25.0)
    # abs 1e-4: the two cubics are not exact inverses.
    assert residual.kelvin == pytest.approx(0.0, abs=1e-4)
    assert residual.bar == pytest.approx(0.0, abs=1e-12)


@pytest.mark.parametrize(
    ("celsius", "band"), [(0, 0.26), (10, 0.31), (20, 0.37), (25, 0.40), (30, 0.43), (40, 0.51)]
)
def test_the_static_band_widens_with_temperature(celsius, band):
    """Slopes .106 .138 .177 .198 .221 .273 bar/K of CoolProp, times 1.5 K, plus 0.10 bar."""
    for name, tolerance in (("R134a", 0.005), ("R1234yf", 0.025)):
        # abs: print rounding for R134a; R1234yf has the same band within 0.02 bar.
        found = refrigerant(name).static_residual(500.0, float(celsius))
        assert found.band_bar == pytest.approx(band, abs=tolerance)


def test_both_static_bands_are_left_at_about_the_same_pressure(fluid):
    """The line is nearly straight over two kelvin, so bar and kelvin say the same."""
    at_edge = fluid.saturation_pressure(25.0) + 100.0 * fluid.static_residual(700.0, 25.0).band_bar
    residual = fluid.static_residual(at_edge, 25.0)
    assert residual.bar == pytest.approx(residual.band_bar, rel=1e-9)
    # rel 0.05: curvature of the line over 2 K.
    assert residual.kelvin == pytest.approx(residual.band_kelvin, rel=0.05)


def test_a_static_reading_just_outside_the_band_is_high():
    found = refrigerant("R134a").static_residual(parse_quantity("6.05 bar", "pressure"), 25.0)
    # abs 0.005 bar: print rounding.
    assert found.bar == pytest.approx(0.41, abs=0.005)
    assert found.bar > found.band_bar


LINES = {
    "R134a": "R134a, which runs from 0.559 kPa abs (-100 degC) to below the critical point at "
    "4059.3 kPa abs (101.06 degC)",
    "R1234yf": "R1234yf, which runs from 0.959 kPa abs (-100 degC) to below the critical point at "
    "3384.4 kPa abs (94.70 degC)",
}


@pytest.mark.parametrize("pressure", [4100.0, 0.1, 0.0, -5.0, float("nan"), float("inf")])
def test_a_pressure_off_the_line_is_refused_with_both_ends(fluid, pressure):
    with pytest.raises(OutOfRange) as caught:
        fluid.saturation_temperature(pressure)
    assert str(caught.value) == (
        f"{pressure:g} kPa abs is off the saturation line of {LINES[fluid.name]}"
    )


def test_the_critical_point_itself_is_off_the_line(fluid):
    for call, limit in (
        (fluid.saturation_temperature, fluid.critical_pressure_kpa),
        (fluid.saturation_pressure, fluid.critical_temperature_c),
    ):
        with pytest.raises(OutOfRange):
            call(limit)
        call(limit - 0.01)


def test_a_bad_cell_of_a_column_is_named_by_its_place(fluid):
    column = np.array([700.0, np.nan, 9000.0])
    np.testing.assert_array_equal(fluid.covers_pressure(column), [True, False, False])
    with pytest.raises(OutOfRange) as caught:
        fluid.saturation_temperature(column)
    assert str(caught.value) == (
        f"9000 kPa abs (at index 2) is off the saturation line of {LINES[fluid.name]}"
    )
    np.testing.assert_array_equal(
        fluid.covers_temperature(np.array([-100.0, -100.1, 99.0, 102.0])),
        [True, False, fluid.name == "R134a", False],
    )


@pytest.mark.parametrize("name", ["R12", "R1234ze", "R134", "R744", ""])
def test_other_substances_are_refused_and_never_guessed(name):
    with pytest.raises(UnknownName) as caught:
        refrigerant(name)
    assert str(caught.value) == (
        f"refrigerant {name!r} is not supported; supported: R134a, R1234yf. "
        "Do not assess a loop that holds anything else"
    )


def test_case_and_hyphens_do_not_make_another_substance():
    assert refrigerant("r-134A") is refrigerant("R134a")
    assert refrigerant("R 1234YF") is refrigerant("R1234yf")


@pytest.mark.parametrize("name", SUPPORTED)
def test_the_shipped_table_says_where_it_comes_from_and_can_be_made_again(name):
    script = runpy.run_path(str(Path(__file__).parents[2] / "tools" / "make_saturation.py"))
    about, *columns = read_table(name)
    made = next(fluid for fluid in script["FLUIDS"] if fluid.name == name)
    assert about["equation"] == made.equation
    assert about["computed_with"].startswith("CoolProp ")
    assert len(about["date"].split("-")) == 3
    rows = [line for line in script["table_text"](made).splitlines() if line[0] in "-0123456789"]
    again = np.array([row.split(",") for row in rows], dtype=float).T
    # rel 1e-6: another CoolProp release may differ in the last digits of its iterations.
    np.testing.assert_allclose(columns[:2], again[:2], rtol=1e-6)
    assert all(np.all(np.diff(column) > 0.0) for column in columns[:2])


def test_a_saturation_question_loads_no_heavy_library():
    loaded = loaded_after(
        "from loopodds.physics.refrigerants import refrigerant;"
        "refrigerant('R134a').saturation_temperature(300.0)"
    )
    assert not {"CoolProp", "pandas", "scipy", "pgmpy", "numba"} & loaded
