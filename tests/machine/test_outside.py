"""The cycle model against published measurements and tables of faults.

Numbers come from `fault_effects.toml`; what stands in a manual or paper that could not be read in
full is marked there. Where the model disagrees, the test holds it to the disagreement found, so
that it neither grows unseen nor is bent away.
"""

from __future__ import annotations

from functools import cache

import numpy as np
import pytest
from loopodds.machine.cars import Conditions, Faults, refilled
from loopodds.machine.cycle import gauge_bar, solve
from loopodds.machine.fluids import fluid
from loopodds.machine.population import draw_cars
from loopodds.physics.published import fault_effects

FIXED_VALVE, FIXED_ORIFICE = ("fixed", "valve"), ("fixed", "orifice")
VARIABLE_VALVE, VARIABLE_ORIFICE = ("variable", "valve"), ("variable", "orifice")
ELECTRIC = ("electric", "valve")
BELTED = (FIXED_VALVE, FIXED_ORIFICE, VARIABLE_VALVE, VARIABLE_ORIFICE)
N = 40
LOW_BAR, HIGH_BAR = 0.2, 0.5
"""Half a division of workshop gauges; common practice, no source."""


@cache
def cars(kind, gas="R134a"):
    return draw_cars(*kind, gas, N, np.random.default_rng(23))


@cache
def run(kind, ambient_c=30.0, rpm=1500.0, gas="R134a", **sizes):
    """Readings in the usual test, of sound cars save for what is named."""
    weather = Conditions.workshop(np.full(N, ambient_c), engine_rpm=rpm)
    return solve(refilled(cars(kind), gas), weather, Faults.none(N, **sizes))


def published(name):
    return fault_effects()[name]


def changed(kind, name, ambient_c=30.0, **sizes):
    """Mean of what a fault adds to a reading."""
    faulty, sound = (run(kind, ambient_c, **some) for some in (sizes, {}))
    return np.nanmean(getattr(faulty, name) - getattr(sound, name))


def capacity_lost(kind, charge):
    """Percent of the sound car's at 40 degC, where no control holds it back."""
    ratio = run(kind, 40.0, charge=charge).capacity_kw / run(kind, 40.0).capacity_kw
    return 100.0 * (np.nanmean(ratio) - 1.0)


# --- charge: Atik & Aktas 2011 (abstract) -------------------------------------------------------


@pytest.mark.parametrize("kind", BELTED)
def test_forty_percent_too_little_charge_costs_up_to_a_quarter_of_the_capacity(kind):
    """Measured: up to 25 % lost. Ours 9 to 15 %; "up to" gives no lower end but nought, and less
    than 3 % would be no effect at all."""
    assert published("atik-2011-under").low <= capacity_lost(kind, 0.6) < -3.0


@pytest.mark.parametrize("kind", BELTED)
def test_twenty_percent_too_much_charge_costs_little_in_the_model(kind):
    """Measured: up to 25 % lost at some speed. The model loses nothing, valve cars gain 1 % as
    liquid stands deeper in the condenser: it knows no oil carried off and no wet suction stroke.
    It lies at the upper end of what was measured, 2 % allowed for that gain."""
    assert published("atik-2011-over").low <= capacity_lost(kind, 1.2) < 2.0


@pytest.mark.parametrize("kind", BELTED)
def test_the_label_lies_above_the_charge_that_already_cools_as_well(kind):
    """Measured on one bench: 500 g was best where the label says 750, two thirds. In the model
    nine tenths cool within 2 % as well, and two thirds 6 to 7 % less: it agrees that the label is
    above the least that serves, and disagrees by a fifth of the charge on how far."""
    assert abs(capacity_lost(kind, 0.9)) < 2.0
    assert -9.0 < capacity_lost(kind, published("atik-2011-best").low / 100.0) < -4.0


@pytest.mark.parametrize("kind", [FIXED_VALVE, VARIABLE_VALVE, ELECTRIC])
def test_superheat_of_a_valve_car_stays_normal_until_the_charge_has_fallen_far(kind):
    """Trade practice (no source): subcooling and bubbles first. 2 K is what a clamp thermometer
    tells apart, 5 K what a mechanic acts on."""
    assert abs(changed(kind, "superheat_k", charge=0.6)) < 2.0
    assert changed(kind, "subcooling_k", charge=0.6) < -5.0
    assert changed(kind, "superheat_k", charge=0.35) > 5.0


@pytest.mark.parametrize("kind", [FIXED_ORIFICE, VARIABLE_ORIFICE])
def test_superheat_of_an_orifice_car_does_not(kind):
    """Fixed expansion, superheat rises with the first fifth lost: Breuker & Braun 1998, HVAC&R
    Research 4(3), on a roof-top unit (signs read, sizes from memory)."""
    assert changed(kind, "compressor_superheat_k", charge=0.75) > 1.5
    assert changed(kind, "superheat_k", charge=0.6) > 4.0


# --- R1234yf in a car made for R134a: Lee & Jung 2012, Tasdemirci and others 2022 (abstracts) -----


@cache
def dropped_in(kind, ambient_c):
    """R1234yf of the same volume of liquid at 25 degC, and before."""
    yf, before = (fluid(gas).line(np.array([25.0])).rho_f[0] for gas in ("R1234yf", "R134a"))
    after = run(kind, ambient_c, gas="R1234yf", charge=yf / before)
    return after, run(kind, ambient_c), yf / before


@pytest.mark.parametrize("kind", BELTED)
def test_r1234yf_dropped_in_cools_less(kind):
    """Benches: up to 4 % less with an open compressor, 13.7 % less on the mean with a variable
    one. Valve cars of ours lose 4 to 7 % at 30 degC, 11 % at 40; orifice cars lose 7 % at 40
    and gain up to 2 % at 30 degC, as controls set for R134a let them run longer.
    The mean of both days has to lie between the benches, 2 % allowed for that switch."""
    loss = []
    for ambient in (30.0, 40.0):
        after, before, _ = dropped_in(kind, ambient)
        loss.append(100.0 * (np.nanmean(after.capacity_kw / before.capacity_kw) - 1.0))
    most = published("tasdemirci-2022-capacity").low
    assert most < np.mean(loss) < published("lee-2012-capacity").high + 2.0
    assert loss[1] < published("lee-2012-capacity").low + 1.0


@pytest.mark.parametrize("kind", BELTED)
def test_r1234yf_dropped_in_is_less_efficient(kind):
    """Benches: up to 2.7 % less, and 12.8 % less on the mean. Ours 5 to 11 %, between them."""
    ratios = []
    for ambient in (30.0, 40.0):
        after, before, _ = dropped_in(kind, ambient)
        ratios.append(after.capacity_kw / after.power_kw / (before.capacity_kw / before.power_kw))
    lost = 100.0 * (np.nanmean(ratios) - 1.0)
    assert published("tasdemirci-2022-cop").low < lost < published("lee-2012-cop").low


@pytest.mark.parametrize("kind", BELTED)
def test_r1234yf_dropped_in_runs_cooler(kind):
    """Bench: 6.5 K cooler at the discharge. Ours 6 to 11 K on the mean of both days: 5 K is what
    kinds of car and weather differ by among themselves."""
    cooler = [
        np.nanmean(after.discharge_pipe_c - before.discharge_pipe_c)
        for after, before, _ in (dropped_in(kind, ambient) for ambient in (30.0, 40.0))
    ]
    assert np.mean(cooler) == pytest.approx(published("lee-2012-discharge").low, abs=5.0)


def test_r1234yf_fills_the_same_loop_with_a_tenth_less():
    """Bench: 10 % less. By density of liquid 9.5 %: 1 % for rounding of the source. Half a
    receiver takes 4 % less, as the valve of ours lets more liquid stand in the condenser: 6 %
    away. (Half an accumulator takes 9 % more, with an orifice of the same size: the model is no
    guide to the label of an orifice car.)"""
    _, _, ratio = dropped_in(FIXED_VALVE, 30.0)
    want = published("lee-2012-charge").low
    assert 100.0 * (ratio - 1.0) == pytest.approx(want, abs=1.0)
    label = np.nanmean(cars(FIXED_VALVE, "R1234yf").charge_kg / cars(FIXED_VALVE).charge_kg)
    assert 100.0 * (label - 1.0) == pytest.approx(want, abs=7.0)


# --- gauges ---------------------------------------------------------------------------------------


@pytest.mark.parametrize("kind", [*BELTED, ELECTRIC])
def test_sound_cars_read_inside_the_limits_of_workshops(kind):
    """30 to 35 degC at the condenser's inlet, 1,500 per minute: low 1.5 to 2.5 bar, high 13.7 to
    15.7 bar (trade practice for R134a, from memory). The median car in the middle of the range,
    half a division allowed: ours read 1.5 to 2.3 and 14.3 to 16.0."""
    readings = run(kind, 32.5 - 2.0)  # the condenser draws in air 2 K warmer than outside
    assert 1.5 - LOW_BAR < np.nanmedian(gauge_bar(readings.low_side_kpa)) < 2.5 + LOW_BAR
    assert 13.7 - HIGH_BAR < np.nanmedian(gauge_bar(readings.high_side_kpa)) < 15.7 + HIGH_BAR


def gauges(**sizes):
    """Medians of valve cars in the maker's test: 30 degC, idle, recirculation, doors open."""
    readings = run(FIXED_VALVE, 30.0, 800.0, **sizes)
    return [np.nanmedian(gauge_bar(side)) for side in (readings.low_side_kpa,
                                                        readings.high_side_kpa)]  # fmt: skip


def test_a_car_short_of_gas_reads_as_the_makers_table_says():
    """Maker's fault table: low 0.5 to 1.5, high 7 to 10 bar, bubbles, little cold. The model comes
    there at a fifth of the charge; at two fifths its low side still reads 2.3 bar, 0.8 above."""
    low, high = gauges(charge=0.2)
    for side, value in (("low", low), ("high", high)):
        limits = published(f"fault-table-short-{side}-side")
        assert limits.low <= value <= limits.high
    assert np.nanmean(run(FIXED_VALVE, 30.0, 800.0, charge=0.2).quality) > 0.1
    assert gauges(charge=0.4)[0] == pytest.approx(
        published("fault-table-short-low-side").high + 0.8, abs=0.3
    )


def test_a_car_with_too_little_condenser_air_reads_high():
    """Maker's fault table, overcharge or too little air: low 3.5 to 4.5, high 20 to 25 bar. With a
    fifth of the air the high side is inside; the low side is 0.4 bar below the table: our valve
    holds the coil's superheat whatever the pressure in front of it. Half as much charge again
    brings the high side 1.8 bar up, 3.3 bar short of the table: part of the overcharge stands in
    the receiver. Both disagreements are held to 0.3 and 1 bar."""
    limits = [published(f"fault-table-over-{side}-side") for side in ("low", "high")]
    low, high = gauges(condenser_air=0.2)
    assert limits[1].low <= high <= limits[1].high
    assert low == pytest.approx(limits[0].low - 0.4, abs=0.3)
    assert low > gauges()[0] + 0.3
    assert gauges(charge=1.5)[1] == pytest.approx(limits[1].low - 3.3, abs=1.0)


def test_a_worn_compressor_brings_the_low_side_into_the_makers_range():
    """Maker's fault table, sides equal at once after switching off: low 4 to 6 bar, high side low.
    The model comes there with a seventh of the flow left."""
    low, high = gauges(pumping=0.15)
    limits = published("fault-table-worn-low-side")
    assert limits.low <= low <= limits.high
    assert high < gauges()[1] - 2.0


# --- signs ----------------------------------------------------------------------------------------

GAUGES = ("low_side_kpa", "superheat_k", "high_side_kpa", "subcooling_k", "discharge_pipe_c")
ROOF_TOP = {
    "leak": ({"charge": 0.5}, "-+--+"),
    "compressor leak": ({"pumping": 0.5}, "+----"),
    "liquid line": ({"line_closed": 0.95}, "-+-++"),
    "condenser": ({"condenser_air": 0.5}, "+-+-+"),
    "evaporator": ({"evaporator_air": 0.5}, "-----"),
}
"""Rules of Rossi & Braun 1997, HVAC&R Research 3(1), as repeated in table 1-1 of Li & Braun's
report on roof-top units (read), confirmed on one by Breuker & Braun 1998. Its compressor runs
throughout, so our control is made to fail; its expansion was a fixed orifice (from memory)."""

DISAGREE = {
    ("compressor leak", "discharge_pipe_c"): "their leak went back through a cold bypass, ours is "
    "compressed again: +24 K; slip alone cools as the pressure ratio falls",
    ("liquid line", "high_side_kpa"): "an orifice car has no receiver: what the line holds back "
    "stands in the condenser, +2.5 bar; a valve car's receiver takes it, and the sign is theirs",
    ("evaporator", "discharge_pipe_c"): "with no control left the ratio rises faster than the "
    "accumulator wets the suction, +1.2 K; with its switch the car agrees",
}
SILENT = dict(zip(GAUGES, (10.0, 0.5, 20.0, 0.5, 1.0), strict=True))
"""Less than half a kelvin of saturation temperature, or of a clamp, has no sign."""


@pytest.mark.parametrize("fault", ROOF_TOP)
def test_signs_of_shifts_are_those_measured_on_a_roof_top_unit(fault):
    sizes, signs = ROOF_TOP[fault]
    faulty = run(FIXED_ORIFICE, 32.0, control_failed=True, **sizes)
    sound = run(FIXED_ORIFICE, 32.0, control_failed=True)
    for name, sign in zip(GAUGES, signs, strict=True):
        shift = np.nanmean(getattr(faulty, name) - getattr(sound, name))
        agrees = shift * float(f"{sign}1") > 0 or abs(shift) < SILENT[name]
        assert agrees == ((fault, name) not in DISAGREE), f"{fault}: {name} {shift:+.1f}"


def test_disagreements_have_the_reason_stated():
    """Slip without leaking back cools the discharge against a leak; a valve car with a receiver
    lowers the high side behind a narrow line; a control at work cools the discharge of a coil
    that lacks air."""
    leak, slip = ({"pumping": 0.5, "pumping_leak": share} for share in (1.0, 0.0))
    hot = changed(FIXED_ORIFICE, "discharge_pipe_c", 32.0, **leak)
    assert changed(FIXED_ORIFICE, "discharge_pipe_c", 32.0, **slip) < min(hot - 20.0, 0.0)
    assert changed(FIXED_VALVE, "high_side_kpa", 32.0, line_closed=0.95) < 0.0
    assert changed(FIXED_ORIFICE, "discharge_pipe_c", 32.0, evaporator_air=0.5) < 0.0


@pytest.mark.parametrize("sizes", [{"charge": 1.4}, {"air": 0.006}])
def test_overcharge_and_air_shift_as_in_a_chiller(sizes):
    """Comstock & Braun, ASHRAE RP-1043 (1999), centrifugal chiller: both raise condensing pressure
    and (apparent) subcooling; signs from memory. By more than gauge and clamp err."""
    for kind in (FIXED_VALVE, VARIABLE_VALVE):
        assert changed(kind, "high_side_kpa", **sizes) > 20.0
        assert changed(kind, "subcooling_k", **sizes) > 2.0
