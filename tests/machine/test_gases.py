"""Another gas in the loop than it is made for, by the properties of that gas."""

from __future__ import annotations

import numpy as np
import pytest
from loopodds.machine.cars import Conditions, Faults, refilled
from loopodds.machine.cycle import solve, static_pressure
from loopodds.machine.fluids import KELVIN, fluid
from loopodds.machine.population import draw_cars

N = 40
AZEOTROPE = "R134a[0.53]&R1234yf[0.47]"  # even by mass
EVEN = "Propane[0.568]&IsoButane[0.432]"  # even by mass


@pytest.fixture(scope="module")
def cars():
    return draw_cars("variable", "valve", "R134a", N, np.random.default_rng(3))


def kelvin_off(cars, gas, t=25.0):
    """Static pressure on the scale of R134a, above the temperature of the loop [K]."""
    pressure = static_pressure(refilled(cars, gas), Faults.none(N), np.full(N, t))
    return fluid("R134a").dew_temperature(pressure).mean() - t


@pytest.mark.parametrize(
    ("gas", "kelvin"),
    [("R12", -0.8), ("R152a", -3.6), ("R22", 16.0), ("Propane", 12.6), (EVEN, 0.3)],
)
def test_a_gas_at_rest_has_its_own_saturation_pressure(cars, gas, kelvin):
    """Those that `readings.toml` states, from reference equations of state: 0.1 K, its rounding."""
    assert kelvin_off(cars, gas) == pytest.approx(kelvin, abs=0.1)


def test_a_mixture_of_the_two_refrigerants_hides_within_half_a_bar(cars):
    """Kamiaka and others 2013 (abstract): an azeotrope near equal mass, at most 0.44 bar above."""
    t = np.full(N, 25.0)
    mixed = static_pressure(refilled(cars, AZEOTROPE), Faults.none(N), t)
    above = mixed - static_pressure(cars, Faults.none(N), t)
    assert (above > 0.0).all()
    assert (above < 50.0).all()


def test_r40_alone_and_in_a_mixture_without_a_rule(cars):
    """R40 lies 5 K below (readings.toml). For its mixture with R134a the library has no rule:
    Raoult's law is the sum of the parts, by definition."""
    import CoolProp.CoolProp as cp

    assert kelvin_off(cars, "R40") == pytest.approx(-5.0, abs=0.5)
    parts = [cp.PropsSI("P", "T", 25.0 + KELVIN, "Q", 0, name) / 1e3 for name in ("R40", "R134a")]
    line = fluid("R134a[0.7]&R40[0.3]").line(np.array([25.0]))
    assert line.p[0] == pytest.approx(0.3 * parts[0] + 0.7 * parts[1], rel=2e-4)


@pytest.mark.parametrize("gas", ["R152a", "Propane", "R22", "R40", EVEN, "R134a[0.5]&R40[0.5]"])
def test_a_loop_with_another_gas_runs_in_balance(cars, gas):
    """1e-6 of heat and of mass, as of any loop; filled to the same volume of liquid."""
    fill = fluid(gas).line(np.array([25.0])).rho_f / fluid("R134a").line(np.array([25.0])).rho_f
    weather = Conditions.workshop(np.linspace(25.0, 35.0, N))
    readings = solve(refilled(cars, gas), weather, Faults.none(N, charge=fill))
    assert readings.solved.all()
    assert np.abs(readings.energy_balance).max() < 1e-6
    assert np.abs(readings.mass_balance).max() < 1e-6


def test_a_valve_takes_the_pressure_of_another_gas_for_that_of_its_own(cars):
    """The bulb's filling weighs pressures (ASHRAE Handbook, Refrigeration): with R22, 16 K above at
    one temperature, it closes until the coil is superheated by about as much more; the gauge on
    the scale of R134a then sees a superheat near to normal. 8 K allowed: some run out of flow."""
    weather, whole = Conditions.workshop(np.full(N, 30.0)), Faults.none(N)
    own, other = solve(cars, weather, whole), solve(refilled(cars, "R22"), weather, whole)
    real = np.nanmean(other.superheat_k - own.superheat_k)
    assert real > 6.0
    pipe = other.superheat_k + fluid("R22").dew_temperature(other.low_side_kpa)
    seen = pipe - fluid("R134a").dew_temperature(other.low_side_kpa)
    assert abs(np.nanmean(seen - own.superheat_k)) < 8.0
