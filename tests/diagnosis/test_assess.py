"""An assessment says what follows from the network, in the words a technician needs."""

from __future__ import annotations

import json
import math
from collections.abc import Mapping
from functools import cache
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
from loopodds.advice.assessment import assess
from loopodds.diagnosis.belief import RankedCondition, condition_title
from loopodds.diagnosis.diagnose import (
    Diagnosis,
    believe,
    cautions_for,
    moved_most,
    recorded_words,
    ruled_out,
)
from loopodds.diagnosis.model import Model
from loopodds.inspection.inspection import Inspection
from loopodds.inspection.sections import inspection_from
from loopodds.knowledge.cures import cured_states
from loopodds.knowledge.nodes import parents_of
from loopodds.knowledge.records import SOUND, Knowledge
from loopodds.knowledge.work import Caution

WET: dict[str, dict[str, Any]] = {
    "vehicle": {"refrigerant": "R134a", "expansion": "TXV", "compressor": "fixed"},
    "conditions": {"setting": "complaint", "ambient": "31 degC", "humidity": "45 %"},
    "history": {"opened_without_new_drier": "yes"},
    "findings": {
        "sample_bubbles": "persisting",
        "sample_darkening": "light_grey",
        "moisture_indicator": "damp",
        "sample_specks": {"none": 0.3, "metal": 0.7},
    },
    "readings": {"low_side": "2.1 bar", "high_side": "255 psi", "suction_line": "9 degC"},
}
SOUND_CAR: dict[str, dict[str, Any]] = {
    "vehicle": {"refrigerant": "R1234yf", "expansion": "TXV", "compressor": "variable"},
    "conditions": {"setting": "routine", "ambient": "25 degC", "humidity": "50 %"},
    "findings": {
        "sample_darkening": "none",
        "sample_bubbles": "none",
        "sample_cloudiness": "none",
        "sample_specks": "none",
        "sample_greenness": "none",
    },
}


@cache
def knowledge() -> Knowledge:
    return Knowledge()


@cache
def model() -> Model:
    return Model(knowledge())


def case(sections: Mapping[str, Mapping[str, Any]], **parts: Mapping[str, Any]) -> Inspection:
    """Inspection from sections, some of them replaced."""
    return inspection_from({**sections, **parts}, knowledge())


def assessed(sections: Mapping[str, Mapping[str, Any]], **parts: Mapping[str, Any]) -> Diagnosis:
    return Diagnosis(case(sections, **parts), model())


def decibans(now: float, before: float) -> float:
    """Change of log-odds (Good 1950), in tenths of a power of ten."""
    return 10 * (math.log10(now / (1 - now)) - math.log10(before / (1 - before)))


def test_json_has_the_published_keys_and_survives_a_round_trip() -> None:
    data = assessed(WET).as_json()
    assert json.loads(json.dumps(data, allow_nan=False)) == data
    assert {
        "case", "log_evidence", "p_sound", "conditions", "combinations", "conflict", "cautions",
        "warnings",
    } <= set(data)  # fmt: skip
    assert set(data["conditions"][0]) == {"name", "probability", "prior", "variable", "states"}
    assert set(data["combinations"][0]) == {"conditions", "probability"}
    assert set(data["conflict"]) == {"bits", "between"}
    assert all(len(pair) == 2 for pair in data["conflict"]["between"])


def test_every_condition_is_listed_once_most_probable_first() -> None:
    conditions = assessed(WET).conditions
    assert {c.name for c in conditions} == set(knowledge().conditions)
    assert len(conditions) == len(knowledge().conditions)
    probabilities = [c.probability for c in conditions]
    assert probabilities == sorted(probabilities, reverse=True)


def test_a_condition_is_the_sum_of_its_states_and_the_states_sum_to_one() -> None:
    for ranked in assessed(WET).conditions:
        states = knowledge().condition(ranked.name).states
        # sums of a handful of floats: rounding only
        assert sum(ranked.states.values()) == pytest.approx(1, abs=1e-12)
        assert sum(ranked.states[s] for s in states) == pytest.approx(ranked.probability, abs=1e-12)


def test_nothing_recorded_leaves_the_odds_as_they_were() -> None:
    result = assessed({})
    assert result.p_sound == pytest.approx(result.p_sound_before, abs=1e-12)  # rounding
    for ranked in result.conditions:
        assert ranked.probability == pytest.approx(ranked.prior, abs=1e-12)  # rounding
    assert all(weights == () for weights in result.moved_by.values())


def test_the_empty_combination_is_the_sound_car() -> None:
    result = assessed(SOUND_CAR)
    best = result.combinations[0]
    assert best.conditions == ()
    # two routes through different trees: rounding of some hundred products
    assert best.probability == pytest.approx(result.p_sound, abs=1e-9)


@pytest.mark.parametrize("name", ["sample_bubbles", "moisture_indicator", "low_side"])
def test_a_weight_is_what_leaving_the_observation_out_takes_away(name: str) -> None:
    """Superheat is worked out from the low side, so the pressure is tried without the pipe."""
    readings = {"low_side": "2.1 bar", "high_side": "255 psi"}
    full = assessed(WET, readings=readings)
    parts = {
        "findings": {k: v for k, v in WET["findings"].items() if k != name},
        "readings": {k: v for k, v in readings.items() if k != name},
    }
    now, then = (
        {c.name: c.probability for c in result.conditions}["moisture"]
        for result in (full, assessed(WET, **parts))
    )
    weight = {w.name: w.decibans for w in full.moved_by["moisture"]}[name]
    # same engine, evidence left out in two ways: rounding, enlarged by the log of small odds
    assert weight == pytest.approx(decibans(now, then), abs=1e-6)


def test_a_sound_car_is_explained_as_one() -> None:
    result = assessed(SOUND_CAR)
    assert result.p_sound > result.conditions[0].probability
    findings = {k: v for k, v in SOUND_CAR["findings"].items() if k != "sample_darkening"}
    fewer = assessed(SOUND_CAR, findings=findings)
    weight = {w.name: w.decibans for w in result.moved_by[SOUND]}["sample_darkening"]
    assert weight == pytest.approx(decibans(result.p_sound, fewer.p_sound), abs=1e-6)  # rounding


def test_ruled_out_means_the_evidence_did_it_and_not_rarity() -> None:
    def ranked(name: str, probability: float, prior: float) -> RankedCondition:
        return RankedCondition(name, probability, prior, name, {})

    ranking = [
        ranked("fell far", 0.002, 0.2),
        ranked("fell furthest", 0.001, 0.3),
        ranked("always rare", 0.004, 0.005),
        ranked("rose", 0.009, 0.001),
        ranked("fell, not far enough", 0.03, 0.4),
    ]
    assert ruled_out(ranking) == ("fell furthest", "fell far")


def test_what_is_not_recorded_is_listed_as_not_looked_at() -> None:
    result = assessed(WET)
    observables = set(knowledge().of_kind("finding", "gauge"))
    assert set(result.unseen) == observables - set(result.recorded)
    assert "sample_bubbles" not in result.unseen
    assert "superheat" not in result.unseen  # worked out from the suction line
    assert "burnt_smell" in result.unseen


def test_observations_are_told_in_plain_words() -> None:
    words = recorded_words(case(WET), knowledge())
    assert words["sample_bubbles"] == "persisting"
    assert words["opened_without_new_drier"] == "yes"
    assert words["sample_specks"] == "not sure: none 30 %, metal 70 %"
    assert words["low_side"].startswith("2.1 bar (")
    assert words["superheat"].endswith(("(low)", "(normal)", "(high)"))
    assert ", worked out " in words["superheat"]


def test_a_masked_reading_gets_no_word() -> None:
    cut_out = {"compressor_cycle": "cut_out"}
    assert recorded_words(case(WET, findings=cut_out), knowledge())["low_side"] == "2.1 bar"


def test_conditions_of_one_variable_are_told_apart_in_their_titles() -> None:
    assert condition_title("undercharge", knowledge()) == "Undercharge"
    assert condition_title("expansion_stuck_open", knowledge()) == "Expansion valve stuck open"
    assert condition_title("oil_short", knowledge()) == "Too little oil"
    assert condition_title("moisture", knowledge()) == knowledge().node("moisture").title
    assert condition_title(SOUND, knowledge()) == "Nothing wrong"
    titles = [condition_title(name, knowledge()) for name in knowledge().conditions]
    assert len(set(titles)) == len(titles)


@pytest.mark.parametrize(
    ("odds", "moved"),
    [
        ({"likely_all_along": (0.60, 0.52), "found": (0.43, 0.06)}, "found"),
        ({"leads_and_rose": (0.99, 0.13), "found": (0.43, 0.06)}, "leads_and_rose"),
        ({"likely_all_along": (0.60, 0.52), "rose_a_little": (0.30, 0.15)}, None),
        ({"remote": (0.05, 0.001), "fell": (0.4, 0.8)}, None),
    ],
)
def test_what_was_found_is_what_rose_most_and_not_what_was_likely(
    odds: dict[str, tuple[float, float]], moved: str | None
) -> None:
    ranking = [RankedCondition(name, now, before, name, {}) for name, (now, before) in odds.items()]
    assert moved_most(ranking) == moved


def test_the_condition_moved_most_is_told_with_what_moved_it() -> None:
    result = assessed(WET)
    assert result.moved_most == "moisture"
    assert result.as_json()["moved_most"] in result.moved_by


def test_whether_the_setting_was_told_is_told() -> None:
    assert assessed(SOUND_CAR).as_json()["setting_stated"] is True
    untold = assessed({}).as_json()
    assert untold["setting_stated"] is False
    assert untold["context"]["setting"] is None


def cautions(
    context: dict[str, str], recorded: tuple[str, ...] = (), **probabilities: tuple[float, float]
) -> tuple[str, ...]:
    """Cautions of made-up knowledge; probabilities are (now, before)."""
    made_up: Any = SimpleNamespace(
        contexts=knowledge().contexts,
        cautions={
            "fire": Caution(text="It burns.", when={"refrigerant": "R1234yf"}),
            "volts": Caution(text="It kills.", when={"compressor": "electric"}),
            "sealant": Caution(text="It sets.", conditions=("foreign_sealant",)),
            "test_only": Caution(text="Asked for by a test."),
            "look": Caution(text="No proof.", conditions=("debris",), findings=("sample_*",)),
        },
    )
    ranking = [
        RankedCondition(name, *probabilities.get(name, (0.0, 0.0)), name, {})
        for name in knowledge().conditions
    ]
    return cautions_for(context, ranking, recorded, made_up)


def test_what_every_such_car_has_is_said_beside_the_work_and_not_of_the_car() -> None:
    """Said on every page it would tell nothing; it stands at the place of the danger."""
    assert cautions({"refrigerant": "R1234yf", "compressor": "electric"}) == ()


@pytest.mark.parametrize(
    ("now", "before", "shown"),
    [(0.6, 0.7, True), (0.06, 0.02, True), (0.06, 0.05, False), (0.04, 0.001, False)],
)
def test_a_caution_of_a_condition_needs_the_condition(
    now: float, before: float, shown: bool
) -> None:
    stated = {"refrigerant": "R134a", "compressor": "fixed"}
    assert cautions(stated, foreign_sealant=(now, before)) == (("It sets.",) if shown else ())


def test_a_caution_about_the_sample_needs_a_sample() -> None:
    stated = {"refrigerant": "R134a", "compressor": "fixed"}
    debris = (0.6, 0.1)
    assert cautions(stated, ("vent",), debris=debris) == ()
    assert cautions(stated, ("sample_specks",)) == ()
    assert cautions(stated, ("vent", "sample_specks"), debris=debris) == ("No proof.",)


def test_shipped_cautions_warn_of_fire_and_of_high_voltage() -> None:
    vehicle = {"refrigerant": "R1234yf", "compressor": "electric"}
    work = [*knowledge().tests, *knowledge().services]
    told = " ".join(assess(inspection_from({"vehicle": vehicle}, knowledge())).cautions_of(work))
    assert "R1234yf burns" in told
    assert "high voltage" in told
    belt = {"refrigerant": "R134a", "compressor": "fixed"}
    other = " ".join(assess(inspection_from({"vehicle": belt}, knowledge())).cautions_of(work))
    assert "R1234yf burns" not in other
    assert "high voltage" not in other


def test_believing_and_assessing_agree() -> None:
    belief, result = believe(case(WET), model()), assessed(WET)
    assert belief.log_evidence == result.log_evidence
    assert np.isfinite(belief.log_evidence)
    assert belief.p_sound == result.p_sound


def test_arcs_read_from_either_end_are_the_same() -> None:
    for name, node in knowledge().nodes.items():
        for parent in parents_of(node):
            assert name in knowledge().children_of(parent)


def test_a_cure_may_name_a_condition_a_fault_or_one_state() -> None:
    low = {"slightly_low", "low", "very_low"}
    assert cured_states("undercharge", knowledge()) == {("charge", s) for s in low}
    assert cured_states("leak.slow", knowledge()) == {("leak", "slow")}
    assert cured_states("oil_amount", knowledge()) == {
        ("oil_amount", "short"),
        ("oil_amount", "excess"),
    }
    assert cured_states("oil_amount.right", knowledge()) == frozenset()
    assert cured_states("nothing", knowledge()) == frozenset()
