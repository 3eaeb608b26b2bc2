"""Quantities with units mean what the standards say, and nonsense is refused in plain words."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from loopodds.base.errors import OutOfRange, UnitError
from loopodds.base.units import (
    COLUMN_SUFFIXES,
    DIMENSIONS,
    INTERNAL_UNITS,
    atmospheric_pressure,
    column_unit,
    format_quantity,
    parse_quantity,
    possible,
)

repeatable = settings(deadline=None, derandomize=True)
ALTITUDES = st.floats(-400.0, 5000.0)
PRESSURE_ADVICE = (
    "bar, mbar, kPa, MPa, psi or kg/cm2 (gauge, unless followed by 'abs' or 'vac'), "
    "inHg (vacuum), micron or Torr (absolute), e.g. '2.1 bar'"
)


@pytest.mark.parametrize(
    ("text", "dimension", "expected"),
    [
        # Factors printed to seven digits in NIST Special Publication 811, appendix B.8.
        ("1 psi abs", "pressure", 6.894757),
        ("1 kg/cm2 abs", "pressure", 98.06650),
        ("1 inHg abs", "pressure", 3.386389),
        ("1 mmHg abs", "pressure", 0.1333224),
        ("1 Torr", "pressure", 0.1333224),
        ("1 oz", "mass", 28.34952),
        ("1 lb", "mass", 453.5924),
        ("1 ft", "length", 0.3048),
        ("9 deltaF", "difference", 5.0),
        # Exact by definition of the prefixes and scales.
        ("3.2 bar abs", "pressure", 320.0),
        ("0.3 MPa abs", "pressure", 300.0),
        ("700 mbar abs", "pressure", 70.0),
        ("212 F", "temperature", 100.0),
        ("-40 degF", "temperature", -40.0),
        ("1.1 kg", "mass", 1100.0),
        ("45 %", "share", 45.0),
        ("1.5 h", "time", 90.0),
        ("30 s", "time", 0.5),
        ("8 K", "difference", 8.0),
    ],
)
def test_a_unit_has_its_published_size(text, dimension, expected):
    # rel 1e-6: half a unit in the seventh printed digit, and a little for the leading digit.
    assert parse_quantity(text, dimension) == pytest.approx(expected, rel=1e-6)


@pytest.mark.parametrize(
    "text", ["2.1 bar", "2,1 bar", "2.1bar", "2.1 BAR g", "+2.1 barg", "210 kPa", "0.21 MPa(g)"]
)
def test_a_pressure_is_a_gauge_pressure_unless_it_says_otherwise(text):
    # rel 1e-12: floating point only.
    assert parse_quantity(text, "pressure") == pytest.approx(101.325 + 210.0, rel=1e-12)


@pytest.mark.parametrize(
    "text", ["-5 in. Hg vac", "5 inHg", "5 in Hg", "-5 inHg", "5 inHg vacuum", "−5 inHg gauge"]
)
def test_mercury_on_a_compound_gauge_counts_down_from_the_atmosphere(text):
    # rel 1e-6: the printed factor 3.386389 kPa of NIST SP 811.
    assert parse_quantity(text, "pressure") == pytest.approx(101.325 - 5 * 3.386389, rel=1e-6)


@pytest.mark.parametrize("text", ["88 F", "88 °F", "88 degF", "88 deg F", "88℉", "88 Fahrenheit"])
def test_degrees_are_read_however_they_are_written(text):
    assert parse_quantity(text, "temperature") == pytest.approx(280.0 / 9.0, rel=1e-12)


@pytest.mark.parametrize(
    ("celsius", "kilopascal", "micron", "vacuum"),
    [(10.0, 1.228, 9212, 29.56), (25.0, 3.170, 23776, 28.98), (40.0, 7.385, 55392, 27.74)],
)
def test_three_vacuum_scales_agree_on_where_water_boils(celsius, kilopascal, micron, vacuum):
    """Vapour pressure of water by IAPWS-IF97, as kPa, micron and depth in inches of mercury."""
    # abs 0.0006 kPa: printed to 1 Pa; abs 0.02 kPa: 0.005 inHg of print rounding.
    assert parse_quantity(f"{micron} micron", "pressure") == pytest.approx(kilopascal, abs=6e-4)
    assert parse_quantity(f"{vacuum} inHg", "pressure") == pytest.approx(kilopascal, abs=0.02)
    assert parse_quantity(f"{celsius} degC", "temperature") == celsius


@pytest.mark.parametrize(
    ("altitude", "kilopascal"), [(0, 101.325), (1000, 89.875), (2000, 79.495), (3000, 70.109)]
)
def test_the_atmosphere_thins_as_iso_2533_says(altitude, kilopascal):
    # abs 0.001 kPa: the table of ISO 2533:1975 is printed to five digits.
    assert atmospheric_pressure(float(altitude)) == pytest.approx(kilopascal, abs=1e-3)


def test_the_same_gauge_reading_is_a_lower_absolute_pressure_in_the_mountains():
    sea = parse_quantity("2.1 bar", "pressure")
    mountain = parse_quantity("2.1 bar", "pressure", altitude_m=1000.0)
    # abs 0.001 kPa: print rounding of the ISO 2533 table value 89.875 kPa.
    assert sea - mountain == pytest.approx(101.325 - 89.875, abs=1e-3)
    assert parse_quantity("3.1 bar abs", "pressure", altitude_m=1000.0) == pytest.approx(310.0)


@pytest.mark.parametrize("suffix", COLUMN_SUFFIXES)
@repeatable
@given(value=st.floats(-1e4, 1e4), altitude=ALTITUDES)
def test_a_column_converts_there_and_back(suffix, value, altitude):
    unit = column_unit(suffix)
    if unit.reference == "vacuum":
        value = abs(value)  # the sign of a vacuum reading carries nothing
    inside = unit.to_internal(value, altitude)
    if unit.dimension == "pressure" and -0.3 <= inside <= 0.0:
        return  # at the vacuum stop of the dial readings are taken as a perfect vacuum
    # rel 1e-9 with abs 1e-6: cancellation of the atmosphere (1e2 kPa) in small units.
    assert unit.from_internal(inside, altitude) == pytest.approx(value, rel=1e-9, abs=1e-6)


@pytest.mark.parametrize("suffix", COLUMN_SUFFIXES)
def test_a_column_means_the_same_as_the_text(suffix):
    unit = column_unit(suffix)
    numbers = np.array([3.5, 12.0, 20.25])
    heights = np.array([0.0, 850.0, 2000.0])
    texts = [
        parse_quantity(f"{number} {unit.name}", unit.dimension, altitude_m=height)
        for number, height in zip(numbers, heights, strict=True)
    ]
    np.testing.assert_array_equal(unit.to_internal(numbers, heights), texts)


@repeatable
@given(low=st.floats(-14.0, 400.0), rise=st.floats(1e-3, 100.0), altitude=ALTITUDES)
def test_a_higher_reading_is_never_a_lower_pressure(low, rise, altitude):
    psi = column_unit("psi")
    assert psi.to_internal(low + rise, altitude) >= psi.to_internal(low, altitude)


@repeatable
@given(value=st.floats(0.0, 5000.0), altitude=ALTITUDES)
@pytest.mark.parametrize("spelling", ["bar", "psi", "kPa abs", "MPa", "inHg gauge", "kg/cm2"])
def test_what_is_shown_can_be_read_back(spelling, value, altitude):
    shown = format_quantity(value, "pressure", spelling, altitude)
    try:
        again = parse_quantity(shown, "pressure", altitude)
    except OutOfRange:
        assert value < 1.0  # rounded to just below a perfect vacuum
        return
    # abs 0.51 kPa: half of the last decimal shown, which is coarsest for kPa, MPa and bar.
    assert again == pytest.approx(value, abs=0.51)


def test_blank_cells_stay_blank_and_impossible_cells_are_found():
    bar = column_unit("bar")
    pressures = bar.to_internal(np.array([2.0, np.nan, -1.2, np.inf]))
    assert np.isnan(pressures[1])
    np.testing.assert_array_equal(possible(pressures, "pressure"), [True, True, False, False])
    np.testing.assert_array_equal(
        possible(np.array([-273.15, -274.0]), "temperature"), [True, False]
    )
    np.testing.assert_array_equal(possible(np.array([-5.0]), "difference"), [True])
    np.testing.assert_array_equal(possible(np.array([-5.0]), "mass"), [False])


@pytest.mark.parametrize("text", ["30 inHg", "-14.7 psi", "-1.01325 bar", "0 bar abs"])
def test_the_vacuum_stop_of_a_dial_is_a_perfect_vacuum(text):
    # abs 1e-9 kPa: floating point; -14.7 psi and 30 inHg are the usual words for the stop.
    assert parse_quantity(text, "pressure") == pytest.approx(0.0, abs=1e-9)


def test_absolute_zero_is_the_lowest_temperature():
    # abs 1e-9: floating point.
    assert parse_quantity("-459.67 degF", "temperature") == pytest.approx(-273.15, abs=1e-9)


@pytest.mark.parametrize(
    ("text", "dimension", "message"),
    [
        ("2.1", "pressure", f"'2.1' has no unit; write a pressure in {PRESSURE_ADVICE}"),
        (2.1, "pressure", f"'2.1' has no unit; write a pressure in {PRESSURE_ADVICE}"),
        (520, "mass", "'520' has no unit; write a mass in g, kg, oz or lb, e.g. '520 g'"),
        ("2.1 barr", "pressure", "unknown unit 'barr' in '2.1 barr'; did you mean 'bar'?"),
        (
            "31 degX",
            "temperature",
            "unknown unit 'degX' in '31 degX'; write a temperature in degC or degF, e.g. '31 degC'",
        ),
        ("18 ounze", "mass", "unknown unit 'ounze' in '18 ounze'; did you mean 'oz'?"),
        (
            "31°",
            "temperature",
            "unknown unit '°' in '31°'; write a temperature in degC or degF, e.g. '31 degC'",
        ),
        (
            "5 furlongs",
            "time",
            "unknown unit 'furlongs' in '5 furlongs'; write a time in min, s or h, e.g. '5 min'",
        ),
        (
            "31 degC",
            "pressure",
            "'31 degC' is a temperature, but a pressure is expected; "
            f"write a pressure in {PRESSURE_ADVICE}",
        ),
        (
            "300 K",
            "temperature",
            "'300 K' is a temperature difference, but a temperature is expected; "
            "write a temperature in degC or degF, e.g. '31 degC'",
        ),
        (
            "8 bar",
            "difference",
            "'8 bar' is a pressure, but a temperature difference is expected; "
            "write a temperature difference in K, deltaC or deltaF, e.g. '8 K'",
        ),
        ("nan bar", "pressure", "'nan bar' is not a finite number"),
        ("-inf degC", "temperature", "'-inf degC' is not a finite number"),
        ("1e999 g", "mass", "'1e999 g' is not a finite number"),
        (
            "  ",
            "share",
            "blank where a share is expected; leave the line out if it was not measured, "
            "or write it in %, e.g. '45 %'",
        ),
        (
            "about 5 g",
            "mass",
            "cannot read one number with a unit from 'about 5 g'; "
            "write a mass in g, kg, oz or lb, e.g. '520 g'",
        ),
        (
            "2800 - 2900 ft",
            "length",
            "cannot read one number with a unit from '2800 - 2900 ft'; "
            "write a length in m, km or ft, e.g. '850 m'",
        ),
        (
            "1,200 g",
            "mass",
            "'1,200 g' can mean 1200 or 1.2; write it with a decimal point or without the comma",
        ),
    ],
)
def test_what_cannot_be_read_is_refused_with_a_way_out(text, dimension, message):
    with pytest.raises(UnitError) as caught:
        parse_quantity(text, dimension)
    assert str(caught.value) == message


@pytest.mark.parametrize(
    ("text", "dimension", "altitude", "message"),
    [
        (
            "-1.2 bar",
            "pressure",
            0.0,
            "'-1.2 bar' is below a perfect vacuum (-1.01 bar at 0 m); check sign, unit and "
            "altitude, or add 'abs' if it is an absolute pressure",
        ),
        (
            "29 inHg",
            "pressure",
            1000.0,
            "'29 inHg' is below a perfect vacuum (26.5 inHg at 1000 m); check sign, unit and "
            "altitude, or add 'abs' if it is an absolute pressure",
        ),
        (
            "-500 F",
            "temperature",
            0.0,
            "'-500 F' is below absolute zero (-459.67 degF); check sign and unit",
        ),
        ("-3 g", "mass", 0.0, "'-3 g' is negative, which a mass cannot be; check the sign"),
        ("2 bar", "pressure", 12000.0, "altitude 12000 m lies outside -2000 m to 11000 m"),
    ],
)
def test_what_cannot_exist_is_refused_with_the_limit(text, dimension, altitude, message):
    with pytest.raises(OutOfRange) as caught:
        parse_quantity(text, dimension, altitude)
    assert str(caught.value) == message


@pytest.mark.parametrize(
    ("suffix", "hint"),
    [
        ("Bar", "did you mean 'bar'?"),
        ("degc", "did you mean 'degC'?"),
        ("psig", "did you mean 'psi'?"),
        ("furlong", f"known: {', '.join(COLUMN_SUFFIXES)}"),
    ],
)
def test_a_misspelt_column_suffix_is_named_with_the_nearest_one(suffix, hint):
    with pytest.raises(UnitError) as caught:
        column_unit(suffix)
    assert str(caught.value) == f"unknown unit {suffix!r} at the end of a column name; {hint}"


def test_every_dimension_can_show_itself_in_its_internal_unit():
    for dimension in DIMENSIONS:
        shown = format_quantity(7.0, dimension)
        assert shown.endswith(f" {INTERNAL_UNITS[dimension]}")
        assert parse_quantity(shown, dimension) == 7.0
