"""Numbers of the shipped knowledge beside the reason for each: who moves one has to say why.

Asked of the compiled network, so that what is written in the files and what is computed with are
both held. "Estimate" is an engineering estimate without a source; "survey" is one of the two
counted in ``sources.toml``. A number may change, with its reason, here and there alike.
"""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import pytest
from loopodds.inference.network import Evidence
from shared import shipped

# Half of what the last of two written digits can hide; a tenth more or less is far outside.
ROUNDING = 0.02
CAR = {"expansion": "TXV", "compressor": "fixed", "weather": "warm"}


def log_evidence(context: Mapping[str, str], states: Mapping[str, str]) -> float:
    model = shipped()
    codes = {
        name: np.array([model.knowledge.node(name).states.index(state)])
        for name, state in states.items()
    }
    return float(model.tree(context).propagate(Evidence(1, codes)).log_evidence[0])


def chance(asked: str, told: Mapping[str, str], **context: str) -> float:
    """P(asked | told) in a context; ``asked`` is written "variable.state"."""
    name, state = asked.split(".")
    both = log_evidence(context, {**told, name: state})
    return float(np.exp(both - log_evidence(context, told)))


def only(fault: str | None) -> dict[str, str]:
    """Every fault variable sound but one, written "variable.state"."""
    states = {name: shipped().states(name)[0] for name in shipped().faults}
    return states | (dict([fault.split(".")]) if fault else {})


LATE = (
    "air",
    "moisture",
    "oil_amount",
    "compressor_overheating",
    "compressor_wear",
    "debris",
    "weak_compressor",
    "restriction",
)
"""Faults that others bring about, causes before consequences."""  # fmt: skip


def so_far(fault: str, asked: str) -> dict[str, str]:
    """Only one fault there, and left open whether it brings about the asked and what follows."""
    later = {*LATE[LATE.index(asked) :]} if asked in LATE else {asked, *LATE}
    return {name: state for name, state in only(fault).items() if name not in later}


def told(*history: str) -> dict[str, str]:
    """Everything asked of the owner answered no, but for these."""
    asked = shipped().knowledge.of_kind("history")
    return {name: "yes" if name in history else "no" for name in asked}


# variable.state, of cars with a complaint, of cars at a routine check, reason
BASE_RATES = [
    ("leak.slow", 0.300, 0.0414, "estimate: two in five of complaints leak, a car in 22 unnoticed"),
    ("leak.fast", 0.124, 0.0049, "estimate: a loop that empties in days is not brought as routine"),
    ("charge.slightly_low", 0.236, 0.0454, "survey US 2016: 53 % of complaints low"),
    ("charge.low", 0.184, 0.0072, "survey US 2016: the part that an owner feels"),
    ("charge.very_low", 0.0981, 0.0026, "survey US 2016: the part that cuts out"),
    ("charge.slightly_high", 0.042, 0.0085, "estimate: topped up by gauge"),
    ("charge.high", 0.0245, 0.0024, "estimate: one in forty overfilled enough to trip"),
    ("air.mild", 0.0342, 0.0072, "survey US 2016: half of 8.6 % contaminated loops is about air"),
    ("air.high", 0.0231, 0.0042, "survey US 2016: with the mild 5.7 %, above the owners' 4.3"),
    ("wrong_refrigerant.cross_mixed", 0.0098, 0.002, "survey US 2016: under the other 4.3 %"),
    ("wrong_refrigerant.other_halocarbon", 0.009, 0.0014, "survey US 2016: under the other 4.3 %"),
    ("wrong_refrigerant.hydrocarbon", 0.0136, 0.0019, "survey US 2016: cheapest, so commonest"),
    ("drier_saturated.present", 0.151, 0.0451, "estimate: seldom replaced when a loop is opened"),
    ("moisture.damp", 0.0965, 0.0217, "estimate: one in ten, mostly where the drier is full"),
    ("moisture.wet", 0.0343, 0.006, "estimate: a third of damp loops' number"),
    ("debris.light", 0.0516, 0.0219, "estimate: a few specks are common in old loops"),
    ("debris.heavy", 0.0313, 0.0071, "estimate: mostly after a compressor"),
    ("dye_excess.present", 0.0595, 0.0282, "estimate: leak searches add, nobody removes"),
    ("foreign_sealant.present", 0.0386, 0.0107, "estimate: one car in 25 with a complaint"),
    ("flush_residue.present", 0.012, 0.0055, "estimate: flushing is rare, drying it out is not"),
    ("oil_amount.short", 0.127, 0.0108, "estimate: leaves with leaks and with recovered gas"),
    ("oil_amount.excess", 0.0573, 0.008, "estimate: added at every repair, measured at few"),
    ("wrong_oil.present", 0.0338, 0.0062, "estimate: viscosities and kinds mixed up"),
    ("compressor_overheating.mild", 0.0973, 0.0708, "estimate: most old compressors were once hot"),
    ("compressor_overheating.moderate", 0.0503, 0.0136, "estimate: half of the mild"),
    ("compressor_overheating.severe", 0.030, 0.0056, "estimate: a compressor at its end"),
    ("compressor_wear.early", 0.0621, 0.0144, "estimate: six in a hundred complaints"),
    ("compressor_wear.advanced", 0.0439, 0.0074, "estimate: fewer than early, since replaced"),
    ("weak_compressor.present", 0.0555, 0.0099, "estimate: half of them worn, half control valves"),
    ("restriction.partial", 0.045, 0.0105, "estimate: debris and leak-stop bring two thirds"),
    ("restriction.severe", 0.0254, 0.0048, "estimate: half of the partial ones"),
    ("expansion_stuck.closed", 0.0196, 0.0017, "survey NZ 2015: 34 of 667; orifice cars have none"),
    ("expansion_stuck.open", 0.0203, 0.00164, "survey NZ 2015: 34 of 667; orifice cars have none"),
    ("condenser_airflow.reduced", 0.065, 0.011, "estimate: dirt and slow fans"),
    ("condenser_airflow.blocked", 0.0324, 0.003, "estimate: dead fans"),
    ("evaporator_airflow.present", 0.0785, 0.0094, "estimate: filters are forgotten"),
    ("compressor_control.present", 0.212, 0.0078, "survey NZ 2015: odds half the way to its share"),
    ("cabin_mixing.present", 0.130, 0.008, "survey NZ 2015: odds half the way to its share"),
]  # fmt: skip

# what the owner says, variable.state, of cars with a complaint that say only this, reason
HISTORIES = [
    ("", "leak.slow", 0.220, "estimate: without any story one complaint in five leaks slowly"),
    ("regassed_every_season", "leak.slow", 0.620, "estimate: what is filled each year leaks"),
    ("never_opened_over_eight_years", "leak.slow", 0.420, "estimate: seals age, nobody looked"),
    ("leak_repaired_recently", "leak.slow", 0.140, "estimate: one repair in seven did not hold"),
    ("topped_up_without_weighing", "charge.slightly_high", 0.192, "estimate: odds times eight"),
    ("topped_up_without_weighing", "charge.high", 0.114, "estimate: odds times 7.5"),
    ("charged_without_vacuum", "air.high", 0.289, "estimate: a loop's volume of air stays in"),
    ("opened_without_new_drier", "drier_saturated.present", 0.468, "estimate: open for hours"),
    ("opened_without_new_drier", "moisture.wet", 0.0888, "estimate: odds times six"),
    ("drier_over_eight_years", "drier_saturated.present", 0.322, "estimate: hoses let water in"),
    ("left_open_over_a_day", "moisture.wet", 0.154, "estimate: oil drinks from the air"),
    ("flooded", "moisture.wet", 0.2525, "estimate: one car in four that stood in water"),
    ("oil_not_balanced", "oil_amount.short", 0.236, "estimate: parts and gas take oil along"),
    ("oil_product_added", "oil_amount.excess", 0.244, "estimate: a can adds what was not lost"),
    ("universal_oil_used", "wrong_oil.present", 0.182, "estimate: viscosity right by luck"),
    ("flushed_recently", "flush_residue.present", 0.107, "estimate: odds times fifteen"),
    ("stop_leak_used", "foreign_sealant.present", 0.705, "estimate: told by those who did it"),
    ("stop_leak_used", "restriction.severe", 0.095, "estimate: cures where the loop is damp"),
    ("several_dye_services", "dye_excess.present", 0.307, "estimate: three doses are too many"),
    ("refilled_from_unknown_cylinder", "wrong_refrigerant.hydrocarbon", 0.050, "estimate: 1 in 20"),
    ("fittings_converted", "wrong_refrigerant.cross_mixed", 0.140, "estimate: odds times 23"),
    ("front_end_repair", "condenser_airflow.blocked", 0.0951, "estimate: plugs left off"),
    ("cabin_filter_neglected", "evaporator_airflow.present", 0.240, "estimate: odds times six"),
    ("electrical_work_recent", "compressor_control.present", 0.392, "estimate: odds times 2.6"),
    ("laid_up_over_a_year", "expansion_stuck.closed", 0.0488, "estimate: odds times 2.8; it gums"),
    ("run_with_low_charge", "compressor_overheating.severe", 0.071, "estimate: little cold gas"),
    ("heavy_duty_use", "compressor_overheating.mild", 0.148, "estimate: odds doubled"),
    ("compressor_replaced_before", "debris.heavy", 0.137, "estimate: the old one left it behind"),
    ("compressor_replaced_before", "compressor_wear.advanced", 0.108, "estimate: its killer stays"),
]  # fmt: skip

# fault alone, what it brings about beside what would be there without it, reason
CONSEQUENCES = [
    ("leak.slow", "charge.low", 0.378, "estimate: a season at 150 g a year"),
    ("leak.fast", "charge.very_low", 0.531, "estimate: days or weeks before it is brought"),
    ("leak.fast", "oil_amount.short", 0.371, "estimate: oil leaves with the gas"),
    ("charge.low", "compressor_overheating.mild", 0.130, "estimate: cooled by its own gas"),
    ("charge.very_low", "air.mild", 0.0958, "estimate: low side below the air outside"),
    ("air.high", "compressor_overheating.mild", 0.233, "estimate: lift raised by the air's share"),
    ("drier_saturated.present", "moisture.damp", 0.311, "estimate: nothing takes up what comes in"),
    ("debris.heavy", "restriction.partial", 0.3365, "estimate: it ends in the narrowest place"),
    ("foreign_sealant.present", "restriction.partial", 0.242, "estimate: lumps in a damp loop"),
    ("flush_residue.present", "compressor_wear.early", 0.176, "estimate: solvent thins the film"),
    ("oil_amount.short", "compressor_overheating.mild", 0.116, "estimate: film breaks"),
    ("compressor_overheating.severe", "compressor_wear.early", 0.228, "estimate: 2 in 3 worn"),
    ("compressor_overheating.severe", "compressor_wear.advanced", 0.411, "estimate: most badly"),
    ("compressor_wear.advanced", "debris.light", 0.378, "estimate: what it sheds goes round"),
    ("compressor_wear.advanced", "weak_compressor.present", 0.5125, "estimate: gas passes back"),
    ("condenser_airflow.blocked", "compressor_overheating.mild", 0.289, "estimate: at every light"),
]  # fmt: skip

# fault alone (None: nothing wrong), what is then found on a warm day with a valve, reason
FOUND = [
    (None, "sample_darkening.light_grey", 0.025, "estimate: old oil without harm"),
    (None, "sample_greenness.pale", 0.388, "estimate: dye of the factory or one search"),
    (None, "sample_greenness.deep", 0.012, "estimate: white light mistaken"),
    (None, "sample_cloudiness.milky", 0.005, "estimate: micro-bubbles taken for haze"),
    (None, "sample_bubbles.persisting", 0.030, "estimate: not left to settle"),
    (None, "sample_specks.metal", 0.005, "estimate: from the coupling"),
    (None, "line_bubbles.steady", 0.0315, "estimate: some designs never clear"),
    (None, "sealant_check.positive", 0.010, "estimate: false alarm of the test"),
    (None, "leak_detector.repeatable", 0.025, "estimate: gas of the last filling hangs about"),
    (None, "vacuum_hold.rises", 0.020, "estimate: a hose of the workshop leaks"),
    (None, "cooling.weak", 0.134, "estimate: complaints about cars that do what they can"),
    (None, "high_pressure_trip.yes", 0.008, "estimate: hill, heat and a queue"),
    ("compressor_overheating.mild", "sample_darkening.light_grey", 0.641, "practice: first tint"),
    ("compressor_overheating.moderate", "sample_darkening.brown", 0.634, "practice: browned oil"),
    ("compressor_overheating.severe", "sample_darkening.black", 0.652, "practice: burnt oil"),
    ("compressor_overheating.severe", "acid_test.strong", 0.472, "estimate: cracked oil is acid"),
    ("compressor_overheating.severe", "burnt_smell.yes", 0.603, "estimate: smelt by chance only"),
    ("dye_excess.present", "sample_greenness.deep", 0.850, "practice: overdosed dye"),
    ("dye_excess.present", "sample_glow.strong", 0.890, "estimate: the lamp is made for it"),
    ("moisture.wet", "sample_bubbles.persisting", 0.855, "practice: water's own sign"),
    ("moisture.damp", "sample_bubbles.persisting", 0.370, "estimate: dissolved water seldom shows"),
    ("moisture.wet", "sample_cloudiness.milky", 0.303, "practice: foreign chemicals come first"),
    ("moisture.wet", "moisture_indicator.wet", 0.752, "estimate: kit of two steps"),
    ("moisture.wet", "intermittent_cooling.yes", 0.516, "estimate: ice forms and thaws"),
    ("moisture.wet", "vacuum_hold.plateau", 0.440, "estimate: water boils up to its own pressure"),
    ("flush_residue.present", "sample_cloudiness.milky", 0.602, "practice: solvent clouds first"),
    ("foreign_sealant.present", "sample_cloudiness.milky", 0.503, "practice: leak-stop clouds"),
    ("foreign_sealant.present", "sealant_check.positive", 0.851, "estimate: most kinds are seen"),
    ("foreign_sealant.present", "sample_strands.present", 0.452, "estimate: half has set by then"),
    ("wrong_oil.present", "sample_layers.layered", 0.454, "estimate: kinds that do not mix"),
    ("debris.heavy", "sample_specks.grit", 0.734, "practice: specks are debris going round"),
    ("debris.heavy", "orifice_screen.heavy", 0.772, "estimate: the screen collects it"),
    ("compressor_wear.advanced", "sample_specks.metal", 0.463, "practice: seizure has begun"),
    ("compressor_wear.advanced", "sample_specks.polymer", 0.300, "practice: coating goes first"),
    ("compressor_wear.advanced", "compressor_noise.loud", 0.525, "estimate: half knock"),
    ("oil_amount.excess", "sample_oil_share.much", 0.690, "estimate: the glass shows the mixture"),
    ("charge.low", "line_bubbles.steady", 0.613, "textbooks: no liquid seal at the outlet"),
    ("charge.very_low", "compressor_cycle.cut_out", 0.505, "estimate: low-pressure switch"),
    ("charge.low", "cooling.weak", 0.626, "estimate: below 70 % of the label"),
    ("charge.high", "high_pressure_trip.yes", 0.256, "estimate: condenser full of liquid"),
    ("air.high", "high_pressure_trip.yes", 0.256, "estimate: as much lift as overfilling"),
    ("wrong_refrigerant.hydrocarbon", "identification.hydrocarbon", 0.820, "estimate: not traces"),
    ("wrong_refrigerant.cross_mixed", "identification.mixed", 0.870, "SAE J2099: from 2 % on"),
    ("leak.fast", "leak_detector.repeatable", 0.727, "SAE J2791: far above its 14 g a year"),
    ("leak.fast", "vacuum_hold.rises", 0.750, "estimate: some leak outwards only"),
    ("leak.fast", "nitrogen_hold.drops", 0.932, "estimate: ten bar find it"),
    ("leak.slow", "leak_spot_uv.fresh", 0.368, "estimate: where dye is in and light falls"),
    ("restriction.severe", "cold_spot.present", 0.745, "estimate: liquid flashes behind it"),
    ("expansion_stuck.closed", "frost_at_valve.frost", 0.432, "estimate: if the air is damp"),
    ("expansion_stuck.open", "suction_hose.dripping_far_back", 0.534, "estimate: flooded coil"),
    ("condenser_airflow.blocked", "fan_check.dead", 0.721, "estimate: the rest is covered fins"),
    ("condenser_airflow.blocked", "poor_at_idle.yes", 0.849, "estimate: driving brings the air"),
    ("condenser_airflow.blocked", "high_pressure_trip.yes", 0.454, "estimate: in traffic"),
    ("evaporator_airflow.present", "blower_flow.weak", 0.786, "estimate: felt by hand"),
    ("weak_compressor.present", "sides_equal.yes", 0.171, "estimate: only when hardly pumping"),
    ("compressor_control.present", "control_check.fault", 0.825, "estimate: some come and go"),
    ("compressor_control.present", "cooling.none", 0.534, "estimate: half do not turn at all"),
    ("cabin_mixing.present", "blend_door_check.sticking", 0.787, "estimate: one in five is hidden"),
]  # fmt: skip


@pytest.mark.parametrize(("state", "complaint", "routine", "reason"), BASE_RATES)
def test_how_often_cars_have_it(state: str, complaint: float, routine: float, reason: str) -> None:
    now = chance(state, {}, setting="complaint"), chance(state, {}, setting="routine")
    assert now == pytest.approx((complaint, routine), rel=ROUNDING), reason


@pytest.mark.parametrize(("history", "state", "share", "reason"), HISTORIES)
def test_what_the_owners_story_makes_of_it(
    history: str, state: str, share: float, reason: str
) -> None:
    now = chance(state, told(*history.split()), setting="complaint")
    assert now == pytest.approx(share, rel=ROUNDING), reason


@pytest.mark.parametrize(("cause", "state", "share", "reason"), CONSEQUENCES)
def test_what_a_fault_left_alone_brings_about(
    cause: str, state: str, share: float, reason: str
) -> None:
    now = chance(state, so_far(cause, state.split(".")[0]), setting="complaint")
    assert now == pytest.approx(share, rel=ROUNDING), reason


@pytest.mark.parametrize(("fault", "state", "share", "reason"), FOUND)
def test_what_is_found_when_only_this_is_wrong(
    fault: str | None, state: str, share: float, reason: str
) -> None:
    now = chance(state, only(fault), setting="complaint", **CAR)
    assert now == pytest.approx(share, rel=ROUNDING), reason


def test_every_fault_has_a_base_rate_and_something_that_shows_it() -> None:
    states = {f"{n}.{s}" for n in shipped().faults for s in shipped().states(n)[1:]}
    assert {row[0] for row in BASE_RATES} == states
    assert {row[0].split(".")[0] for row in FOUND if row[0]} >= {*shipped().faults} - {
        "drier_saturated"  # nothing shows a full drier but the water it lets by
    }
