"""Numbers of the shipped knowledge beside the reason for each: who moves one has to say why.

Asked of the compiled network, so that what is written in the files and what is computed with are
both held. "Estimate" is an engineering estimate without a source; "survey" is one of those
counted in ``sources.toml``. A number may change, with its reason, here and there alike.
"""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import pytest
from loopodds.base.arrays import FloatArray
from loopodds.inference.network import Evidence
from loopodds.inspection.encoding import encoding_of
from loopodds.inspection.sections import inspection_from
from shared import shipped

# Half of what the last of two written digits can hide; a tenth more or less is far outside.
ROUNDING = 0.02
CAR = {"expansion": "TXV", "compressor": "fixed", "weather": "warm"}


def came(setting: str) -> Mapping[str, FloatArray]:
    """What it says of a car why it is here; nothing where it is not stated."""
    stated = {"conditions": {"setting": setting}} if setting else {}
    car = inspection_from(stated, shipped().knowledge)
    return encoding_of(car, shipped().knowledge).groups[0].evidence.implied


def log_evidence(context: Mapping[str, str], states: Mapping[str, str], setting: str) -> float:
    model = shipped()
    codes = {
        name: np.array([model.knowledge.node(name).states.index(state)])
        for name, state in states.items()
    }
    return float(
        model.tree(context).propagate(Evidence(1, codes, implied=came(setting))).log_evidence[0]
    )


def chance(asked: str, told: Mapping[str, str], setting: str = "", **context: str) -> float:
    """P(asked | told) in a context; ``asked`` is written "variable.state"."""
    name, state = asked.split(".")
    both = log_evidence(context, {**told, name: state}, setting)
    return float(np.exp(both - log_evidence(context, told, setting)))


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


# variable.state, of all cars, of those with a complaint, of those at a routine check, reason
BASE_RATES = [
    ("leak.slow", 0.109, 0.163, 0.0917, "estimate: one car in ten, one complaint in six"),
    ("leak.fast", 0.0391, 0.105, 0.0177, "estimate: empties in days, brought at once"),
    ("charge.slightly_low", 0.213, 0.197, 0.219, "survey EU 2003: some per cent a year"),
    ("charge.low", 0.0849, 0.202, 0.045, "survey US 2016: the part that an owner feels"),
    ("charge.very_low", 0.0287, 0.105, 0.00513, "survey US 2016: the part that cuts out"),
    ("charge.slightly_high", 0.0168, 0.0145, 0.0175, "estimate: topped up by gauge"),
    ("charge.high", 0.00891, 0.0148, 0.00644, "estimate: one complaint in sixty overfilled"),
    ("air.mild", 0.0252, 0.0377, 0.0209, "survey US 2016: with high 4.3 % of all loops"),
    ("air.high", 0.0155, 0.0358, 0.00873, "survey US 2016: brings cars in"),
    ("wrong_refrigerant.cross_mixed", 0.0034, 0.0034, 0.0034, "survey US 2016: the rest"),
    ("wrong_refrigerant.other_halocarbon", 0.00281, 0.00281, 0.00281, "survey US 2016"),
    ("wrong_refrigerant.hydrocarbon", 0.0041, 0.0041, 0.0041, "survey US 2016: cheapest"),
    ("wrong_refrigerant.r40", 0.000256, 0.000256, 0.000256, "estimate: rarest of all"),
    ("drier_saturated.present", 0.073, 0.0762, 0.0705, "estimate: seldom renewed with a repair"),
    ("moisture.damp", 0.0396, 0.046, 0.0366, "estimate: mostly where the drier is full"),
    ("moisture.wet", 0.0126, 0.02, 0.00749, "estimate: a third of damp loops' number"),
    ("debris.light", 0.0243, 0.0367, 0.019, "estimate: a few specks are common in old loops"),
    ("debris.heavy", 0.0115, 0.0263, 0.00573, "estimate: mostly after a compressor"),
    ("dye_excess.present", 0.028, 0.028, 0.028, "estimate: leak searches add, nobody removes"),
    ("foreign_sealant.present", 0.0164, 0.0243, 0.0141, "survey US 2016: of the other 4.3 %"),
    ("flush_residue.present", 0.00679, 0.00819, 0.00576, "estimate: flushing is rare"),
    ("oil_amount.short", 0.034, 0.0574, 0.0247, "estimate: leaves with leaks and recovered gas"),
    ("oil_amount.excess", 0.0182, 0.0184, 0.0181, "estimate: added at every repair"),
    ("wrong_oil.present", 0.0109, 0.0127, 0.0095, "estimate: viscosities and kinds mixed up"),
    ("compressor_overheating.mild", 0.0478, 0.075, 0.0377, "estimate: hot runs of a hard summer"),
    ("compressor_overheating.moderate", 0.0182, 0.0329, 0.0124, "estimate: under half of mild"),
    ("compressor_overheating.severe", 0.00999, 0.0219, 0.00507, "estimate: a pump at its end"),
    ("compressor_wear.early", 0.0246, 0.0366, 0.018, "estimate: one car in forty"),
    ("compressor_wear.advanced", 0.0151, 0.0397, 0.00397, "estimate: fewer than early"),
    ("weak_compressor.present", 0.0172, 0.0497, 0.00562, "estimate: valves and wear"),
    ("restriction.partial", 0.0175, 0.0364, 0.0114, "estimate: orifices oftener than valves"),
    ("restriction.severe", 0.00809, 0.0243, 0.00315, "estimate: half of the partial ones"),
    ("expansion_stuck.closed", 0.00811, 0.0238, 0.0032, "survey NZ 2015: 34 of 667"),
    ("expansion_stuck.open", 0.00788, 0.0133, 0.00614, "survey NZ 2015: 34 of 667"),
    ("condenser_airflow.reduced", 0.0376, 0.0623, 0.0254, "estimate: dirt and slow fans"),
    ("condenser_airflow.blocked", 0.0159, 0.0439, 0.00575, "estimate: dead fans"),
    ("evaporator_airflow.present", 0.0537, 0.115, 0.0309, "estimate: filters are forgotten"),
    ("compressor_control.present", 0.0671, 0.192, 0.0228, "survey NZ 2015: a third only outside"),
    ("cabin_mixing.present", 0.045, 0.12, 0.0227, "survey NZ 2015: a third only outside"),
    ("restriction.in_condenser", 0.00309, 0.00734, 0.00155, "estimate: mostly after a compressor"),
    ("compressor_drive.valve", 0.00554, 0.0153, 0.00248, "estimate: variable compressors only"),
    ("compressor_drive.hub", 0.00415, 0.0125, 0.00161, "estimate: clutches slip, hubs shear"),
    ("clutch_bearing.present", 0.0113, 0.0113, 0.00958, "estimate: growls for months"),
    ("high_voltage_drive.present", 0.00159, 0.00425, 0.000407, "estimate: one electric car in 65"),
    ("winding_to_earth.present", 0.00109, 0.00109, 0.00109, "estimate: 1 % of electric cars"),
    ("evaporator_icing.present", 0.012, 0.0215, 0.0073, "estimate: a third of the filters' number"),
    ("pressure_sensor.present", 0.01, 0.023, 0.00423, "estimate: a sixth of all control faults"),
]  # fmt: skip

# what the owner says, variable.state, of cars with a complaint that say only this, reason
HISTORIES = [
    ("", "leak.slow", 0.138, "estimate: without any story one in seven"),
    ("regassed_every_season", "leak.slow", 0.547, "estimate: what is filled each year leaks"),
    ("never_opened_over_eight_years", "leak.slow", 0.238, "estimate: seals age, nobody looked"),
    ("leak_repaired_recently", "leak.slow", 0.093, "estimate: one repair in ten did not hold"),
    ("topped_up_without_weighing", "charge.slightly_high", 0.127, "estimate: odds times eight"),
    ("topped_up_without_weighing", "charge.high", 0.109, "estimate: odds times 7.5"),
    ("charged_without_vacuum", "air.high", 0.462, "estimate: a loop's volume of air stays in"),
    ("opened_without_new_drier", "drier_saturated.present", 0.425, "estimate: open for hours"),
    ("opened_without_new_drier", "moisture.wet", 0.1, "estimate: odds times ten"),
    ("drier_over_eight_years", "drier_saturated.present", 0.276, "estimate: hoses let water in"),
    ("left_open_over_a_day", "moisture.wet", 0.209, "estimate: oil drinks from the air"),
    ("flooded", "moisture.wet", 0.335, "estimate: one in three that stood in water"),
    ("oil_not_balanced", "oil_amount.short", 0.158, "estimate: parts and gas take oil along"),
    ("oil_product_added", "oil_amount.excess", 0.171, "estimate: a can adds what was not lost"),
    ("universal_oil_used", "wrong_oil.present", 0.181, "estimate: viscosity right by luck"),
    ("flushed_recently", "flush_residue.present", 0.126, "estimate: one flush in eight"),
    ("stop_leak_used", "foreign_sealant.present", 0.786, "estimate: told by those who did it"),
    ("stop_leak_used", "restriction.severe", 0.19, "estimate: cures where the loop is damp"),
    ("several_dye_services", "dye_excess.present", 0.292, "estimate: three doses are too many"),
    ("refilled_from_unknown_cylinder", "wrong_refrigerant.hydrocarbon", 0.026, "estimate: 1 in 40"),
    ("fittings_converted", "wrong_refrigerant.cross_mixed", 0.108, "estimate: one in nine"),
    ("front_end_repair", "condenser_airflow.blocked", 0.161, "estimate: plugs left off"),
    ("cabin_filter_neglected", "evaporator_airflow.present", 0.358, "estimate: odds times five"),
    ("electrical_work_recent", "compressor_control.present", 0.506, "estimate: odds times five"),
    ("laid_up_over_a_year", "expansion_stuck.closed", 0.0735, "estimate: odds times 3; it gums"),
    ("run_with_low_charge", "compressor_overheating.severe", 0.0975, "estimate: little cold gas"),
    ("heavy_duty_use", "compressor_overheating.mild", 0.138, "estimate: odds doubled"),
    ("compressor_replaced_before", "debris.heavy", 0.172, "estimate: the old one left it behind"),
    ("compressor_replaced_before", "compressor_wear.advanced", 0.149, "estimate: its killer stays"),
]  # fmt: skip

# fault alone, what it brings about beside what would be there without it, reason
CONSEQUENCES = [
    ("leak.slow", "charge.low", 0.303, "estimate: a season at 100 g a year"),
    ("leak.fast", "charge.very_low", 0.461, "estimate: days or weeks before it is brought"),
    ("leak.fast", "oil_amount.short", 0.276, "estimate: oil leaves with the gas"),
    ("charge.low", "compressor_overheating.mild", 0.0941, "estimate: cooled by its own gas"),
    ("charge.very_low", "air.mild", 0.0921, "estimate: low side below the air outside"),
    ("air.high", "compressor_overheating.mild", 0.163, "estimate: lift raised by the air's share"),
    ("drier_saturated.present", "moisture.damp", 0.254, "estimate: nothing takes up what comes in"),
    ("debris.heavy", "restriction.partial", 0.3365, "estimate: it ends in the narrowest place"),
    ("foreign_sealant.present", "restriction.partial", 0.235, "estimate: lumps in a damp loop"),
    ("flush_residue.present", "compressor_wear.early", 0.167, "estimate: solvent thins the film"),
    ("oil_amount.short", "compressor_overheating.mild", 0.116, "estimate: film breaks"),
    ("compressor_overheating.severe", "compressor_wear.early", 0.228, "estimate: 2 in 3 worn"),
    ("compressor_overheating.severe", "compressor_wear.advanced", 0.411, "estimate: most badly"),
    ("compressor_wear.advanced", "debris.light", 0.378, "estimate: what it sheds goes round"),
    ("compressor_wear.advanced", "weak_compressor.present", 0.503, "estimate: gas passes back"),
    ("condenser_airflow.blocked", "compressor_overheating.mild", 0.2, "estimate: at every light"),
]  # fmt: skip

# fault alone (None: nothing wrong), what is then found on a warm day with a valve, reason
FOUND = [
    (None, "sample_darkening.light_grey", 0.025, "estimate: old oil without harm"),
    (None, "sample_greenness.pale", 0.388, "estimate: dye of the factory or one search"),
    (None, "sample_greenness.deep", 0.012, "estimate: white light mistaken"),
    (None, "sample_cloudiness.milky", 0.0026, "estimate: micro-bubbles taken for haze"),
    (None, "sample_bubbles.persisting", 0.012, "estimate: not left to settle"),
    (None, "sample_specks.metal", 0.005, "estimate: from the coupling"),
    (None, "line_bubbles.steady", 0.1117, "estimate: many designs never clear"),
    (None, "sealant_check.positive", 0.010, "estimate: false alarm of the test"),
    (None, "leak_detector.repeatable", 0.025, "estimate: gas of the last filling hangs about"),
    (None, "vacuum_hold.rises", 0.020, "estimate: a hose of the workshop leaks"),
    (None, "cooling.weak", 0.0269, "estimate: cars that do what they can"),
    (None, "high_pressure_trip.yes", 0.008, "estimate: hill, heat and a queue"),
    ("compressor_overheating.mild", "sample_darkening.light_grey", 0.641, "practice: first tint"),
    ("compressor_overheating.moderate", "sample_darkening.brown", 0.634, "practice: browned oil"),
    ("compressor_overheating.severe", "sample_darkening.black", 0.652, "practice: burnt oil"),
    ("compressor_overheating.severe", "acid_test.strong", 0.472, "estimate: cracked oil is acid"),
    ("compressor_overheating.severe", "burnt_smell.yes", 0.603, "estimate: smelt by chance only"),
    ("dye_excess.present", "sample_greenness.deep", 0.850, "practice: overdosed dye"),
    ("dye_excess.present", "sample_glow.strong", 0.890, "estimate: the lamp is made for it"),
    ("moisture.wet", "sample_bubbles.persisting", 0.855, "practice: water's own sign"),
    ("moisture.damp", "sample_bubbles.persisting", 0.358, "estimate: dissolved water seldom shows"),
    ("moisture.wet", "sample_cloudiness.milky", 0.303, "practice: foreign chemicals come first"),
    ("moisture.wet", "moisture_indicator.wet", 0.752, "estimate: kit of two steps"),
    ("moisture.wet", "intermittent_cooling.yes", 0.458, "estimate: ice forms and thaws"),
    ("moisture.wet", "vacuum_hold.plateau", 0.440, "estimate: water boils up to its own pressure"),
    ("flush_residue.present", "sample_cloudiness.milky", 0.602, "practice: solvent clouds first"),
    ("foreign_sealant.present", "sample_cloudiness.milky", 0.503, "practice: leak-stop clouds"),
    ("foreign_sealant.present", "sealant_check.positive", 0.6535, "estimate: cured escapes"),
    ("foreign_sealant.present", "sample_strands.present", 0.452, "estimate: half has set by then"),
    ("wrong_oil.present", "sample_layers.layered", 0.454, "estimate: kinds that do not mix"),
    ("debris.heavy", "sample_specks.grit", 0.734, "practice: specks are debris going round"),
    ("debris.heavy", "orifice_screen.heavy", 0.772, "estimate: the screen collects it"),
    ("compressor_wear.advanced", "sample_specks.metal", 0.463, "practice: seizure has begun"),
    ("compressor_wear.advanced", "sample_specks.polymer", 0.300, "practice: coating goes first"),
    ("compressor_wear.advanced", "compressor_noise.loud", 0.525, "estimate: half knock"),
    ("oil_amount.excess", "sample_oil_share.much", 0.690, "estimate: the glass shows the mixture"),
    ("charge.low", "line_bubbles.steady", 0.645, "textbooks: no liquid seal at the outlet"),
    ("charge.very_low", "compressor_cycle.cut_out", 0.505, "estimate: low-pressure switch"),
    ("charge.low", "cooling.weak", 0.604, "estimate: below 70 % of the label"),
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
    ("weak_compressor.present", "sides_equal.yes", 0.2326, "estimate: one in seven pumps nothing"),
    ("compressor_control.present", "control_check.fault", 0.825, "estimate: some come and go"),
    ("compressor_control.present", "cooling.none", 0.534, "estimate: half do not turn at all"),
    ("cabin_mixing.present", "blend_door_check.sticking", 0.787, "estimate: one in five is hidden"),
    ("restriction.in_condenser", "condenser_tubes.cold_field", 0.713, "estimate: felt by hand"),
    ("compressor_drive.valve", "command_answer.no_answer", 0.518, "estimate: full duty, no lift"),
    ("compressor_drive.hub", "command_answer.no_answer", 0.79, "estimate: the plate stands still"),
    ("clutch_bearing.present", "noise_cooling_off.yes", 0.884, "practice: turns with the belt"),
    ("high_voltage_drive.present", "stored_codes.electrical", 0.77, "estimate: watches itself"),
    ("winding_to_earth.present", "insulation_test.low", 0.92, "estimate: some come and go"),
    ("evaporator_icing.present", "airflow_fades.yes", 0.701, "practice: its own sign"),
    ("pressure_sensor.present", "control_check.fault", 0.786, "estimate: a value that cannot be"),
]  # fmt: skip


@pytest.mark.parametrize(("state", "every", "complaint", "routine", "reason"), BASE_RATES)
def test_how_often_cars_have_it(
    state: str, every: float, complaint: float, routine: float, reason: str
) -> None:
    now = [chance(state, {}, setting) for setting in ("", "complaint", "routine")]
    assert now == pytest.approx([every, complaint, routine], rel=ROUNDING), reason


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
    now = chance(state, so_far(cause, state.split(".")[0]))
    assert now == pytest.approx(share, rel=ROUNDING), reason


@pytest.mark.parametrize(("fault", "state", "share", "reason"), FOUND)
def test_what_is_found_when_only_this_is_wrong(
    fault: str | None, state: str, share: float, reason: str
) -> None:
    now = chance(state, only(fault), **CAR)
    assert now == pytest.approx(share, rel=ROUNDING), reason


def test_every_fault_has_a_base_rate_and_something_that_shows_it() -> None:
    states = {f"{n}.{s}" for n in shipped().faults for s in shipped().states(n)[1:]}
    assert {row[0] for row in BASE_RATES} == states
    assert {row[0].split(".")[0] for row in FOUND if row[0]} >= {*shipped().faults} - {
        "drier_saturated"  # nothing shows a full drier but the water it lets by
    }
