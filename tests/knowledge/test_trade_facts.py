"""What people in the trade know, asked of the shipped knowledge.

The claims are common practice without a published source unless one is named. They are claims
about direction and order; where a number stands, its reason stands beside it.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from loopodds.diagnosis.belief import Belief
from loopodds.diagnosis.diagnose import believe
from loopodds.inference.network import Evidence
from loopodds.inspection.encoding import encoding_of
from loopodds.inspection.sections import inspection_from
from loopodds.upkeep.lint import lint
from shared import shipped

FIXED_VALVE_CAR = {"refrigerant": "R134a", "expansion": "TXV", "compressor": "fixed"}
SLOW_WEARERS = {"drier_saturated", "undercharge", "leak", "compressor_overheating"}
CLEAN_SAMPLE = {
    "sample_darkening": "none",
    "sample_greenness": "none",
    "sample_cloudiness": "none",
    "sample_bubbles": "none",
    "sample_specks": "none",
}
SETTINGS = pytest.mark.parametrize("setting", ["complaint", "routine"])


def belief(setting: str, **sections: dict[str, Any]) -> Belief:
    conditions = {"setting": setting, **sections.pop("conditions", {})}
    return believe(inspection_from({**sections, "conditions": conditions}), shipped())


def rises(one: Belief) -> dict[str, float]:
    """How many times likelier each condition has become, in odds; the most moved first."""
    moved = {
        c.name: c.probability / (1 - c.probability) * (1 - c.prior) / c.prior for c in one.ranking()
    }
    return dict(sorted(moved.items(), key=lambda item: -item[1]))


def most_moved(one: Belief) -> str:
    return next(iter(rises(one)))


def likeliest_fault_state(one: Belief, fault: str) -> str:
    states = one.fault(fault)
    faulty = list(states)[1:]
    return max(faulty, key=states.__getitem__)


def test_the_knowledge_files_have_no_slip() -> None:
    assert lint() == []


# --- before anything is seen --------------------------------------------------------------------


def test_owners_put_half_of_poor_cooling_down_to_low_charge() -> None:
    """US field survey of 2016: 53 %; within the 3 points that owners' estimates are good for."""
    assert belief("complaint").condition("undercharge") == pytest.approx(0.53, abs=0.03)


def test_about_one_loop_in_twelve_holds_air_or_a_foreign_refrigerant() -> None:
    """The same survey: 8.6 %; within 1.5 points, since half of it is said to be "about" air."""
    before = belief("complaint")
    contaminated = before.condition("air") + before.condition("wrong_refrigerant")
    assert contaminated == pytest.approx(0.086, abs=0.015)


def test_a_car_with_a_complaint_is_seldom_sound_and_one_at_a_routine_check_mostly_is() -> None:
    """At a routine check one car in four is low on charge, mostly without anyone noticing."""
    assert 0.03 < belief("complaint").p_sound < 0.15
    routine = belief("routine")
    assert 0.4 < routine.p_sound < 0.6
    assert routine.p_sound > 1.5 * routine.ranking()[0].probability


# --- the look of the settled sample -------------------------------------------------------------

LOOKS = [
    ("sample_darkening", "light_grey", {"compressor_overheating"}),
    ("sample_darkening", "brown", {"compressor_overheating"}),
    ("sample_darkening", "black", {"compressor_overheating", "compressor_wear"}),
    ("sample_greenness", "deep", {"dye_excess"}),
    ("sample_bubbles", "persisting", {"moisture"}),
    ("sample_cloudiness", "slight", {"flush_residue", "foreign_sealant"}),
    ("sample_cloudiness", "milky", {"flush_residue", "foreign_sealant"}),
    ("sample_specks", "grit", {"debris"}),
    ("sample_specks", "polymer", {"compressor_wear"}),
    ("sample_specks", "metal", {"compressor_wear"}),
]


@SETTINGS
@pytest.mark.parametrize(("finding", "state", "wanted"), LOOKS)
def test_each_look_speaks_first_for_its_own_fault(
    setting: str, finding: str, state: str, wanted: set[str]
) -> None:
    seen = belief(setting, findings={finding: state})
    first = most_moved(seen)
    assert first in wanted
    assert rises(seen)[first] > 5  # below a factor of five a look would hardly be worth taking


@SETTINGS
def test_darkness_grades_how_hot_the_compressor_has_run(setting: str) -> None:
    for look, grade in {"light_grey": "mild", "brown": "moderate", "black": "severe"}.items():
        seen = belief(setting, findings={"sample_darkening": look})
        assert likeliest_fault_state(seen, "compressor_overheating") == grade


@SETTINGS
def test_cloudiness_is_a_foreign_chemical_before_it_is_water(setting: str) -> None:
    for look in ("slight", "milky"):
        seen = belief(setting, findings={"sample_cloudiness": look})
        chemical = seen.condition("flush_residue") + seen.condition("foreign_sealant")
        assert chemical > seen.condition("moisture")


def test_bubbles_that_stay_in_the_sample_of_a_complaint_are_more_likely_water_than_not() -> None:
    seen = belief("complaint", findings={"sample_bubbles": "persisting"})
    assert seen.condition("moisture") > 0.5


@SETTINGS
def test_a_look_alone_never_proves_a_dear_fault(setting: str) -> None:
    """A compressor set is not ordered on one look: at least one chance in eight is left."""
    for finding, state, _ in LOOKS:
        seen = belief(setting, findings={finding: state})
        assert seen.condition("compressor_wear") < 7 / 8
        assert seen.condition("debris") < 7 / 8
        assert seen.fault("compressor_overheating")["severe"] < 7 / 8


@SETTINGS
def test_a_faint_green_tint_is_a_normal_dose_of_dye_and_nothing_wrong(setting: str) -> None:
    seen = belief(setting, findings={"sample_greenness": "pale"})
    # "nothing wrong": nothing becomes likelier by more than a twentieth, and sound does not fall
    assert max(rises(seen).values()) < 1.05
    assert seen.p_sound >= belief(setting).p_sound


# --- a sound car must come out as sound ---------------------------------------------------------


@pytest.mark.parametrize("tint", ["none", "pale"])
def test_a_clean_sample_and_ordinary_gauges_at_a_routine_check_mean_a_sound_car(tint: str) -> None:
    words = {"low_side": "normal", "high_side": "normal", "vent": "normal"}
    seen = belief("routine", findings={**CLEAN_SAMPLE, "sample_greenness": tint, **words})
    # a charge that was not weighed may be low by a third without showing on these gauges (the valve
    # is still fed), and a low side that is held says little of the evaporator
    assert seen.p_sound > 0.54
    assert {c.name for c in seen.ranking() if c.probability > 0.1} <= SLOW_WEARERS


def test_a_clean_sample_does_not_refill_a_loop_with_a_complaint() -> None:
    """The look says nothing about the charge: low charge stays about as likely as it was."""
    seen = belief("complaint", findings=CLEAN_SAMPLE)
    assert 0.8 < rises(seen)["undercharge"] < 1.05


def test_one_clean_look_clears_the_loop_of_what_it_can_show() -> None:
    seen = belief("complaint", findings=CLEAN_SAMPLE)
    for fault in ("moisture", "debris", "compressor_overheating", "flush_residue"):
        assert rises(seen)[fault] < 0.6


# --- what hides what ----------------------------------------------------------------------------


def test_black_oil_with_glow_and_green_is_a_burnt_compressor_before_it_is_dye() -> None:
    """Dark oil quenches dye: in a black sample neither colour nor glow proves an overdose."""
    looks = {"sample_darkening": "black", "sample_greenness": "deep", "sample_glow": "strong"}
    seen = belief("complaint", findings=looks)
    assert seen.condition("compressor_overheating") > seen.condition("dye_excess")
    assert seen.condition("compressor_wear") > seen.condition("dye_excess")


@SETTINGS
def test_burnt_oil_takes_glow_away_and_never_adds_any(setting: str) -> None:
    glowing = belief(setting, findings={"sample_glow": "strong"})
    assert rises(glowing)["compressor_overheating"] <= 1.0


def test_without_darkness_the_same_glow_and_green_are_dye() -> None:
    looks = {"sample_darkening": "none", "sample_greenness": "deep", "sample_glow": "strong"}
    assert belief("complaint", findings=looks).condition("dye_excess") > 0.95


def test_fresh_oil_hides_that_the_compressor_has_run_hot() -> None:
    clear = {"sample_darkening": "none"}
    old = belief("complaint", findings=clear, history={"oil_changed_recently": "no"})
    new = belief("complaint", findings=clear, history={"oil_changed_recently": "yes"})
    heat = "compressor_overheating"
    assert new.condition(heat) > 1.5 * old.condition(heat)


def test_leak_stop_hides_a_leak_from_the_detector() -> None:
    silent = {"leak_detector": "none"}
    plain = belief("complaint", findings=silent)
    sealed = belief("complaint", findings={**silent, "sealant_check": "positive"})
    assert sealed.condition("leak") > plain.condition("leak")


def test_gauges_of_a_loop_that_is_cut_out_say_nothing() -> None:
    readings = {"low_side": "6.0 bar", "high_side": "7.0 bar"}
    out = {"compressor_cycle": "cut_out"}
    car = {"vehicle": FIXED_VALVE_CAR, "findings": out}
    assert rises(belief("complaint", readings=readings, **car)) == pytest.approx(
        rises(belief("complaint", **car)),
        rel=1e-12,  # the same sums in the same order
    )


# --- two meanings of bubbles --------------------------------------------------------------------


def test_bubbles_in_the_flowing_line_speak_for_charge_and_not_for_water() -> None:
    seen = rises(belief("complaint", findings={"line_bubbles": "steady"}, vehicle=FIXED_VALVE_CAR))
    assert next(iter(seen)) == "undercharge"
    assert seen["moisture"] < 1.5


def test_bubbles_that_stay_speak_for_water_and_hardly_for_charge() -> None:
    seen = rises(belief("complaint", findings={"sample_bubbles": "persisting"}))
    assert next(iter(seen)) == "moisture"
    assert seen["undercharge"] < 1.5


def test_line_bubbles_mean_little_on_a_cool_orifice_car() -> None:
    """Automobile engineering textbooks: not every glass clears with the right charge."""
    bubbles = {"line_bubbles": "steady"}
    orifice = {**FIXED_VALVE_CAR, "expansion": "orifice"}
    cool = belief("complaint", findings=bubbles, vehicle=orifice, conditions={"ambient": "15 degC"})
    hot = belief(
        "complaint", findings=bubbles, vehicle=FIXED_VALVE_CAR, conditions={"ambient": "35 degC"}
    )
    assert rises(cool)["undercharge"] < rises(hot)["undercharge"] / 2


def test_weighing_beats_bubbles() -> None:
    bubbles = {"line_bubbles": "steady"}
    weighed = {**bubbles, "recovered": "normal", "static_pressure": "normal"}
    seen = belief("complaint", findings=weighed, vehicle=FIXED_VALVE_CAR)
    assert seen.condition("undercharge") < belief("complaint").condition("undercharge")


# --- more than one fault ------------------------------------------------------------------------


def test_a_worn_compressor_explains_its_debris_and_debris_alone_does_not_prove_wear() -> None:
    metal = belief("complaint", findings={"sample_specks": "metal"})
    grit = belief("complaint", findings={"sample_specks": "grit"})
    assert metal.condition("debris") > 0.5
    assert grit.condition("compressor_wear") < 0.5


def test_what_keeps_the_water_in_is_believed_with_the_water() -> None:
    seen = rises(belief("complaint", findings={"sample_bubbles": "persisting"}))
    assert list(seen)[1] == "drier_saturated"


def test_weak_cooling_has_causes_outside_the_loop_and_in_the_air_of_it() -> None:
    """Against all cars, whatever they came for; one in three of them is a little low already."""
    every, seen = (
        belief("routine").model.believe({}, Evidence(1)),
        belief("complaint", findings={"cooling": "weak"}),
    )
    model = seen.model
    rise = {c: seen.condition(c) / float(model.probability(every, c)[0]) for c in model.conditions}
    assert all(rise[c] > 1.5 for c in ("evaporator_airflow", "cabin_mixing", "air"))
    assert rise["undercharge"] > 1.3


def test_low_charge_cuts_in_and_out_as_a_bad_contact_does() -> None:
    seen = rises(belief("complaint", findings={"cutting_in_and_out": "yes"}))
    assert seen["undercharge"] > 1.5
    assert seen["compressor_control"] > 1.5


def test_an_orifice_car_with_a_clutch_cycles_by_design_in_cool_weather() -> None:
    cycling = {"compressor_cycle": "short_cycling"}
    cool = {"ambient": "14 degC"}
    orifice = {**FIXED_VALVE_CAR, "expansion": "orifice"}
    by_design = belief("complaint", findings=cycling, vehicle=orifice, conditions=cool)
    odd = belief("complaint", findings=cycling, vehicle=FIXED_VALVE_CAR, conditions=cool)
    assert rises(by_design)["undercharge"] < 1.5 < rises(odd)["undercharge"]


def test_a_suction_hose_frosted_far_back_is_a_coil_without_air_or_a_flooded_one() -> None:
    seen = rises(belief("complaint", findings={"suction_hose": "frosted"}))
    assert {"evaporator_airflow", "expansion_stuck_open"} <= set(list(seen)[:4])


def test_an_orifice_tube_cannot_stick() -> None:
    orifice = {**FIXED_VALVE_CAR, "expansion": "orifice"}
    starved = {"low_side": "low", "superheat": "high", "frost_at_valve": "frost"}
    seen = belief("complaint", findings=starved, vehicle=orifice)
    assert seen.condition("restriction") > 0.3
    assert seen.condition("expansion_stuck_closed") < 0.02


def test_universal_oil_is_worse_news_in_an_electric_compressor() -> None:
    told = {"universal_oil_used": "yes"}
    belted = belief("complaint", history=told, vehicle=FIXED_VALVE_CAR)
    electric = {**FIXED_VALVE_CAR, "compressor": "electric"}
    assert belief("complaint", history=told, vehicle=electric).condition("wrong_oil") > 3 * (
        belted.condition("wrong_oil")
    )


# --- what a dark sample hides -------------------------------------------------------------------


@pytest.mark.parametrize("trait", ["sample_specks", "sample_shimmer", "sample_bubbles"])
def test_nothing_seen_in_a_black_sample_says_little(trait: str) -> None:
    """Black and milk hide what floats in them: "none" then weighs about half of what it does."""
    fault = {"sample_bubbles": "moisture"}.get(trait, "compressor_wear")
    clear, black = (fall(fault, dark, {trait: "none"}) for dark in ("light_grey", "black"))
    assert 0 < black < 0.6 * clear


def test_what_is_seen_in_a_black_sample_counts_in_full() -> None:
    assert fall("compressor_wear", "black", {"sample_specks": "metal"}) < -np.log(5)
    grit = {"sample_darkening": "black", "sample_specks": "grit"}
    hidden = encoding_of(inspection_from({"findings": grit}), shipped().knowledge).groups[0]
    assert "sample_specks" in hidden.evidence.codes


def fall(fault: str, dark: str, findings: dict[str, str]) -> float:
    """How much less is believed of a fault for what else is seen in a dark sample [log-odds]."""
    before = belief("complaint", findings={"sample_darkening": dark})
    after = belief("complaint", findings={"sample_darkening": dark, **findings})
    chances = np.array([before.condition(fault), after.condition(fault)])
    return float(-np.diff(np.log(chances / (1 - chances)))[0])
