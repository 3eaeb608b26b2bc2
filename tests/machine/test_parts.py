"""Parts of the cycle model: property grids, exchangers, wet coil and metering."""

from __future__ import annotations

import numpy as np
import pytest
from loopodds.machine import exchangers, machines, moist_air
from loopodds.machine.exchangers import Passage, air_conductance
from loopodds.machine.fluids import KELVIN, fluid

GASES = ("R134a", "R1234yf", "R152a", "Propane")
COLUMN = np.ones(1)


@pytest.mark.parametrize("name", GASES)
def test_the_saturation_grid_is_the_equation_of_state(name):
    """Against CoolProp's equations: 2e-4 relative, far below what any gauge can feel."""
    import CoolProp.CoolProp as cp

    t = np.array([-38.13, -5.37, 0.11, 31.9, 58.62, 79.71])
    line = fluid(name).line(t)
    for quality, key, got, unit in (
        (0, "P", line.p, 1e3),
        (0, "D", line.rho_f, 1.0),
        (1, "D", line.rho_g, 1.0),
        (1, "S", line.s_g, 1e3),
        (0, "C", line.cp_f, 1e3),
    ):
        want = cp.PropsSI(key, "T", t + KELVIN, "Q", quality, name) / unit
        np.testing.assert_allclose(got, want, rtol=2e-4)
    want = cp.PropsSI("H", "T", t + KELVIN, "Q", 1, name)
    want = (want - cp.PropsSI("H", "T", t + KELVIN, "Q", 0, name)) / 1e3
    np.testing.assert_allclose(line.h_g - line.h_f, want, rtol=2e-4)
    np.testing.assert_allclose(fluid(name).dew_temperature(line.p), t, atol=1e-3)


@pytest.mark.parametrize("name", GASES)
def test_the_vapour_grid_is_the_equation_of_state(name):
    """Superheat to 0.05 K, density to 2e-3, compression to 0.05 kJ/kg: rows lie 1 K apart."""
    import CoolProp.CoolProp as cp

    gas = fluid(name)
    t = np.array([-21.4, 3.3, 47.7, 66.6])
    line = gas.line(t)
    over = np.array([3.3, 11.1, 25.7, 41.9])
    superheat, s, rho = gas.vapour(line, over)
    dew = cp.PropsSI("H", "T", t + KELVIN, "Q", 1, name)
    p = line.p * 1e3
    want = cp.PropsSI("T", "H", dew + over * 1e3, "P", p, name) - KELVIN - t
    np.testing.assert_allclose(superheat, want, atol=0.05)
    np.testing.assert_allclose(rho, cp.PropsSI("D", "H", dew + over * 1e3, "P", p, name), rtol=2e-3)
    hot = gas.line(np.full(4, 68.0))
    dew_hot = cp.PropsSI("H", "T", 68.0 + KELVIN, "Q", 1, name)
    ideal = (cp.PropsSI("H", "S", s * 1e3, "P", hot.p * 1e3, name) - dew_hot) / 1e3
    np.testing.assert_allclose(gas.isentropic(hot, s), ideal, atol=0.05)


def marched_condenser(gas, line, flow, hot_c, over, air_c, conductances, n):
    """A passage marched element by element, each meeting fresh air."""
    h_f, h_g = line.h_f[0], line.h_g[0]
    cp = over / (hot_c - line.t[0])
    h, share = h_g + over, 1.0 / n
    for _ in range(n):
        if h > h_g:
            t, side = line.t[0] + (h - h_g) / cp, conductances[0][0]
        elif h > h_f:
            t, side = line.t[0], conductances[1][0]
        else:
            t, side = line.t[0] - (h_f - h) / line.cp_f[0], conductances[2][0]
        h -= side * share * (t - air_c) / flow
    return h


def test_the_condenser_is_its_own_march():
    """Zones in closed form against 20,000 steps: 0.5 % of the heat; corners are rounded."""
    gas = fluid("R134a")
    line = gas.line(np.array([52.0]))
    capacity = np.array([0.5])
    sides = tuple(air_conductance(capacity, np.array([ua])) for ua in (0.4, 0.75, 0.4))
    superheat, _, _ = gas.vapour(line, np.array([33.0]))
    entering = Passage(np.array([33.0]), COLUMN, line.t, 0 * COLUMN, line.rho_g)
    left = exchangers.condense(
        entering, line.t + superheat, line, 0.035 * COLUMN, 32.0 * COLUMN, sides, COLUMN
    )
    marched = marched_condenser(gas, line, 0.035, 52.0 + superheat[0], 33.0, 32.0, sides, 20_000)
    # The march takes one heat capacity for the liquid, the passage its enthalpy at both ends.
    liquid = line.h_f - line.cp_f * (line.t - left.liquid_c) + left.quality * (line.h_g - line.h_f)
    heat = line.h_g[0] + 33.0 - marched
    assert liquid[0] == pytest.approx(marched, abs=0.005 * heat)
    assert left.liquid_share[0] > 0.05


def test_air_conductance_is_the_relation_for_one_fluid_at_one_temperature():
    """Kays & London: eff = 1 - exp(-NTU) where the other capacity is without limit."""
    assert air_conductance(COLUMN, 2.0 * COLUMN)[0] == pytest.approx(1 - np.exp(-2.0))


def test_water_saturates_as_of_its_equation_of_state():
    """Against CoolProp (IAPWS-95), 0 to 45 degC: 0.4 %, or 0.07 K of dew point."""
    import CoolProp.CoolProp as cp

    t = np.array([0.1, 5.0, 18.0, 32.0, 45.0])
    want = cp.PropsSI("P", "T", t + KELVIN, "Q", 1, "Water") / 1e3
    np.testing.assert_allclose(moist_air.vapour_pressure(t), want, rtol=4e-3)


def test_moist_air_has_the_enthalpy_of_real_moist_air():
    """Against CoolProp (Hyland & Wexler, ASHRAE RP-1485), saturated, 5 to 40 degC: 1 %, as vapour
    and air are taken as ideal here."""
    import CoolProp.CoolProp as cp

    for t in (5.0, 20.0, 40.0):
        of = [cp.HAPropsSI(key, "T", t + KELVIN, "R", 1.0, "P", 101325.0) for key in ("W", "H")]
        w = moist_air.saturated_humidity(np.array(t), np.array(101.325))
        assert w == pytest.approx(of[0], rel=0.01)
        assert moist_air.enthalpy(np.array(t), w) == pytest.approx(of[1] / 1e3, rel=0.01)


def test_a_passage_of_one_phase_is_cross_flow_with_one_fluid_mixed():
    """Kays & London, for the mixed fluid of least capacity: eff = 1 - exp(-(1 - exp(-NTU C*)) / C*)
    (from memory; its other half, read, is Mitchell & Braun 2012, table 13.1)."""
    line = fluid("R134a").line(np.array([50.0]))
    flow, air = 0.04, 0.5
    ua = 0.2
    liquid = Passage(0 * COLUMN, 0 * COLUMN, line.t, COLUMN, line.rho_f)
    sides = (air_conductance(air * COLUMN, ua * COLUMN),) * 3
    left = exchangers.condense(liquid, line.t, line, flow * COLUMN, 30.0 * COLUMN, sides, COLUMN)
    least = flow * line.cp_f[0]
    share = least / air
    want = 1 - np.exp(-(1 - np.exp(-ua / least * share)) / share)
    # Where nothing is left to condense, rounded corners still take 1e-3 of the area.
    assert (50.0 - left.liquid_c[0]) / 20.0 == pytest.approx(want, rel=4e-3)


def test_mean_density_is_the_mean_of_zivis_void_fraction():
    """Against a sum of 100,000 slices, 1e-4: the integral is exact, the sum is not."""
    line = fluid("R134a").line(np.array([5.0]))
    x = np.linspace(0.21, 0.98, 100_001)
    void = exchangers.zivi_void(x, line)
    want = (void * line.rho_g + (1 - void) * line.rho_f).mean()
    got = exchangers.mean_density(np.array([0.21]), np.array([0.98]), line)[0]
    assert got == pytest.approx(want, rel=1e-4)


@pytest.mark.parametrize("humidity", [0.004, 0.010, 0.016])
def test_the_coil_is_its_own_march(humidity):
    """Element by element with the true saturation curve, 4 %: Braun, Klein & Mitchell state a few
    per cent for the straight chord; partly wet coils lie below either view."""
    t_ref, inlet, flow, ua_air, ua_ref, p = 3.0, 28.0, 0.13, 0.3, 0.9, 101.325
    coil = moist_air.coil(
        *(np.array([v]) for v in (inlet, humidity, t_ref, flow, ua_air, ua_ref, p))
    )
    t, w, heat, n = inlet, humidity, 0.0, 1000
    for _ in range(n):
        low, high = t_ref, t
        for _ in range(40):  # the surface that passes on what it takes up
            surface = 0.5 * (low + high)
            dry = np.minimum(w, moist_air.saturated_humidity(np.array(surface), np.array(p)))
            taken = (
                ua_air
                / 1.006
                * (
                    moist_air.enthalpy(np.array(t), np.array(w))
                    - moist_air.enthalpy(np.array(surface), dry)
                )
            )
            low, high = (surface, high) if taken > ua_ref * (surface - t_ref) else (low, surface)
        heat += float(taken) / n
        t -= ua_air / n / (flow * 1.006) * (t - surface)
        w -= ua_air / n / (flow * 1.006) * (w - float(dry))
    assert coil.heat_kw[0] == pytest.approx(heat, rel=0.04)
    assert coil.outlet_c[0] == pytest.approx(t, abs=1.0)


def test_a_valve_opens_with_superheat_and_flash_gas_cuts_its_flow():
    """Valve characteristic of the ASHRAE Handbook, Refrigeration; ten per cent of vapour in front
    leaves less than two thirds of the flow, as a mixture takes several times the room."""
    k = np.array([2.0, 6.5, 9.5, 20.0])
    opening = machines.valve_opening(k, 0 * k, 3.5 + 0 * k, 6.0 + 0 * k, 15.0 + 0 * k)
    assert (np.diff(opening) > 0).all()
    assert opening[1] == pytest.approx(0.5, abs=0.02)
    line = fluid("R134a").line(np.array([50.0, 50.0]))
    h = line.h_f + np.array([-10.0, 0.1 * (line.h_g - line.h_f)[0]])
    flow = machines.passage_flow(1e-6, machines.inlet_density(h, line), line.p, 300.0 + 0 * h)
    assert flow[1] < 0.67 * flow[0]


def test_thin_vapour_meets_the_equation_of_state():
    """Second virial term from the dew line: 1 % below it."""
    import CoolProp.CoolProp as cp

    rho = np.array([5.0, 15.0, 25.0])
    want = cp.PropsSI("P", "T", 298.15, "D", rho, "R134a") / 1e3
    np.testing.assert_allclose(fluid("R134a").thin_pressure(25.0 + 0 * rho, rho), want, rtol=0.01)
