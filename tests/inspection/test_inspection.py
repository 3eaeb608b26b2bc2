"""What was recorded arrives as evidence, once each, and what was not looked at stays unknown."""

from __future__ import annotations

import io
from dataclasses import replace
from pathlib import Path
from typing import Any

import msgspec
import numpy as np
import pytest
from loopodds.base.errors import InspectionError
from loopodds.diagnosis.model import Model
from loopodds.inference.network import Evidence
from loopodds.inspection.case_file import line_numbers, load_case
from loopodds.inspection.encoding import Group, encode, encoding_of
from loopodds.inspection.inspection import InspectionBatch, batch_of
from loopodds.inspection.remarks import notes
from loopodds.inspection.sections import inspection_from
from loopodds.inspection.vocabulary import CHOICES
from loopodds.knowledge.records import Knowledge

CASE = """
[vehicle]
refrigerant = "R134a"
nameplate_charge = "520 g"
expansion = "TXV"
compressor = "fixed"

[conditions]
setting = "routine"
ambient = "31 degC"
humidity = "45 %"

[history]
opened_without_new_drier = "yes"

[findings]
compressor_cycle = "steady"
sample_bubbles = "persisting"
sample_specks = { none = 0.3, metal = 0.7 }     # not sure

[readings]
low_side = "2.1 bar"
high_side = "255 psi"
vent = "14 degC"

[confirmed]
moisture = "present"
"""


@pytest.fixture(scope="module")
def small() -> Knowledge:
    """Invented knowledge whose results can be worked out by hand."""
    return Knowledge(Path(__file__).parents[1] / "small_knowledge")


def group_of(knowledge: Knowledge, **sections: Any) -> Group:
    (group,) = encode(batch_of([inspection_from(sections, knowledge)], knowledge), knowledge).groups
    return group


def routine(sections: dict[str, Any]) -> dict[str, Any]:
    return {**sections, "conditions": {"setting": "routine", **sections.get("conditions", {})}}


# --- a case file --------------------------------------------------------------------------------


def test_a_case_file_keeps_numbers_in_one_unit_system_and_the_text_as_written(
    small: Knowledge,
) -> None:
    one = load_case(CASE, small)
    assert one.vehicle["refrigerant"] == "R134a"
    assert one.readings["high_side"].text == "255 psi"
    # 1 psi = 6.894757293 kPa (NIST SP 811), standard atmosphere 101.325 kPa
    assert one.readings["high_side"].value == pytest.approx(255 * 6.894757293 + 101.325, abs=1e-6)
    assert one.findings["sample_specks"] == {"none": 0.3, "metal": 0.7}
    assert one.confirmed == {"moisture": ("damp", "wet")}
    assert one.warnings == ()


def test_path_file_text_mark_and_line_ends_are_the_same_case(
    small: Knowledge, tmp_path: Path
) -> None:
    text = load_case(CASE, small)
    for name, data in {
        "plain": CASE.encode(),
        "windows": b"\xef\xbb\xbf" + CASE.replace("\n", "\r\n").encode(),
    }.items():
        path = tmp_path / f"{name}.toml"
        path.write_bytes(data)
        assert load_case(path, small) == replace(text, name=name)
        with path.open("rb") as file:
            assert load_case(file, small) == replace(text, name=name)
        with path.open(encoding="utf-8-sig") as file:
            assert load_case(file, small) == replace(text, name=name)
        assert load_case(io.BytesIO(data), small) == text


def test_a_whole_case_is_understood_by_the_shipped_knowledge() -> None:
    one = load_case(CASE.replace('compressor_cycle = "steady"', 'sample_darkening = "brown"'))
    assert set(batch_of([one], Knowledge()).observed()) == {
        "opened_without_new_drier",
        "sample_darkening",
        "sample_bubbles",
        "sample_specks",
        "low_side",
        "high_side",
        "vent",
    }


def test_lines_are_found_whatever_way_a_key_is_written() -> None:
    text = (
        "history.flooded = 'yes'\n# [readings]\n[ 'findings' ]\n\"sample_glow\"= 'strong'\n"
        "[findings.sample_specks]\nmetal = 1\n\n[readings] # numbers\nvent = '9 degC'\n"
    )
    assert line_numbers(text) == {
        ("history", ""): 1,
        ("history", "flooded"): 1,
        ("findings", ""): 3,
        ("findings", "sample_glow"): 4,
        ("findings", "sample_specks"): 5,
        ("readings", ""): 8,
        ("readings", "vent"): 9,
    }


def test_names_that_cannot_be_printed_do_not_reach_the_terminal(small: Knowledge) -> None:
    with pytest.raises(InspectionError) as caught:
        inspection_from({"findings": {"\x1b[31mred": "yes"}}, small)
    assert "\x1b" not in str(caught.value)


# --- observed, not observed, doubtful -----------------------------------------------------------


def test_missing_is_not_absent(small: Knowledge) -> None:
    nothing = group_of(small, vehicle={"refrigerant": "R134a"}).evidence
    looked = group_of(small, findings={"sample_bubbles": "none"}).evidence
    assert nothing.names() == ()
    assert looked.names() == ("sample_bubbles",)
    assert looked.codes["sample_bubbles"][0] == 0


def test_one_car_that_was_looked_at_tells_nothing_about_another(small: Knowledge) -> None:
    cases = [
        inspection_from({"findings": {"sample_bubbles": "none"}}, small),
        inspection_from({"readings": {"vent": "9 degC"}}, small),
        inspection_from({"findings": {"sample_specks": {"grit": 1, "metal": 1}}}, small),
    ]
    (group,) = encode(batch_of(cases, small), small).groups
    assert [group.evidence.names(row) for row in range(3)] == [
        ("sample_bubbles",),
        ("vent",),
        ("sample_specks",),
    ]
    np.testing.assert_array_equal(group.evidence.soft["sample_specks"][:2], 1.0)


@pytest.mark.parametrize("scale", [1e-6, 1, 5, 1e6])
def test_only_the_ratio_of_likelihoods_matters(small: Knowledge, scale: float) -> None:
    weights = {"none": 0.3 * scale, "metal": 0.7 * scale}
    soft = group_of(small, findings={"sample_specks": weights}).evidence.soft["sample_specks"]
    # states: none, grit, polymer, metal; scaled to a largest of one, to floating point
    np.testing.assert_allclose(soft, [[3 / 7, 0, 0, 1]], rtol=1e-12)


def test_likelihoods_that_say_nothing_are_no_evidence(small: Knowledge) -> None:
    same = dict.fromkeys(("none", "persisting"), 0.5)
    assert group_of(small, findings={"sample_bubbles": same}).evidence.soft == {}


def test_doubt_is_allowed_about_history_too(small: Knowledge) -> None:
    doubt = {"opened_without_new_drier": {"yes": 2, "no": 1}}
    soft = group_of(small, history=doubt).evidence.soft["opened_without_new_drier"]
    np.testing.assert_array_equal(soft, [[0.5, 1.0]])


# --- a word and a number for one gauge ----------------------------------------------------------


@pytest.mark.parametrize("word", ["low", "normal", "high", {"low": 1, "normal": 3}])
def test_a_word_beside_a_number_changes_nothing(small: Knowledge, word: Any) -> None:
    given = {"vehicle": {"refrigerant": "R134a"}, "readings": {"low_side": "2.1 bar"}}
    number = group_of(small, **given).evidence
    both = group_of(small, **given, findings={"low_side": word}).evidence
    assert both.names() == number.names() == ("low_side",)
    assert both.codes == both.soft == {}
    np.testing.assert_array_equal(both.numbers["low_side"], number.numbers["low_side"])


def test_a_word_that_contradicts_its_number_is_told(small: Knowledge) -> None:
    sections: dict[str, dict[str, Any]] = {
        "vehicle": {"refrigerant": "R134a"},
        "conditions": {"ambient": "25 degC", "setting": "routine"},
        "readings": {"low_side": "2.1 bar"},
    }
    assert inspection_from({**sections, "findings": {"low_side": "normal"}}, small).warnings == ()
    told = inspection_from({**sections, "findings": {"low_side": "high"}}, small).warnings
    assert told == (
        "low_side: the word 'high' is not used: the number counts, and it reads 'normal'",
    )


def test_a_word_alone_is_evidence(small: Knowledge) -> None:
    evidence = group_of(small, findings={"low_side": "low"}).evidence
    assert evidence.names() == ("low_side",)
    assert evidence.codes["low_side"][0] == 0
    assert evidence.numbers == {}


def test_a_word_stays_in_where_the_number_cannot_be_used(small: Knowledge) -> None:
    evidence = group_of(
        small, findings={"recovered": "little"}, readings={"recovered": "300 g"}
    ).evidence
    assert evidence.codes["recovered"][0] == 0
    assert evidence.numbers == {}


# --- contexts -----------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("sections", "setting"),
    [
        ({}, None),
        ({"findings": {"cooling": "good"}}, None),
        ({"findings": {"cooling": "weak"}}, "complaint"),
        ({"findings": {"cooling": {"good": 1, "weak": 2}}}, "complaint"),
        ({"findings": {"cooling": {"good": 2, "weak": 1}}}, None),
        ({"findings": {"cooling": "weak"}, "conditions": {"setting": "routine"}}, "routine"),
        ({"conditions": {"setting": "complaint"}}, "complaint"),
    ],
)
def test_a_recorded_complaint_makes_the_setting_unless_it_is_stated(
    small: Knowledge, sections: dict[str, Any], setting: str | None
) -> None:
    car = encoding_of(inspection_from(sections, small), small)
    assert car.contexts.stated().get("setting") == setting


def implied_of(knowledge: Knowledge, **sections: Any) -> dict[str, list[float]]:
    implied = group_of(knowledge, **sections).evidence.implied
    return {name: weights[0].tolist() for name, weights in implied.items()}


ROUTINE = {"conditions": {"setting": "routine"}}
COMPLAINT = {"conditions": {"setting": "complaint"}}


def test_a_routine_check_says_that_nobody_came_for_a_complaint(small: Knowledge) -> None:
    # brings_in of the files: good 0.02, weak 0.5, none 0.9
    assert implied_of(small, **ROUTINE)["cooling"] == pytest.approx([1, 0.5 / 0.98, 0.1 / 0.98])


def test_a_complaint_not_told_is_the_usual_one(small: Knowledge) -> None:
    assert implied_of(small, **COMPLAINT)["cooling"] == pytest.approx([0.02 / 0.9, 0.5 / 0.9, 1])


def test_a_setting_that_is_not_stated_says_nothing(small: Knowledge) -> None:
    assert implied_of(small) == {}
    assert implied_of(small, findings={"cooling": "good"}) == {}


@pytest.mark.parametrize("stated", [ROUTINE, COMPLAINT], ids=["routine", "complaint"])
@pytest.mark.parametrize("word", ["good", "weak", "none"])
def test_the_setting_adds_nothing_to_the_recorded_word(
    small: Knowledge, stated: dict[str, Any], word: str
) -> None:
    plain = group_of(small, findings={"cooling": word})
    told = group_of(small, **stated, findings={"cooling": word})
    model = Model(small)
    for fault, chances in model.believe({}, plain.evidence).faults.items():
        with_setting = model.believe({}, told.evidence).faults[fault]
        np.testing.assert_allclose(with_setting, chances, rtol=0, atol=1e-12)


@pytest.mark.parametrize("seed", range(5))
@pytest.mark.parametrize("stated", ["routine", "complaint"])
def test_the_setting_is_a_child_of_the_complaint(small: Knowledge, stated: str, seed: int) -> None:
    """Beside a network with an explicit node "brought in for it" below the complaint, summed by
    hand over the complaint; with random evidence beside it.
    """
    rng = np.random.default_rng(seed)
    model = Model(small)
    network = model.tree({}).network
    cooling = network.observables["cooling"]
    comes = np.array([small.nodes["cooling"].brings_in[state] for state in cooling.states])
    chance = comes if stated == "complaint" else 1 - comes
    beside = {
        name: np.array([int(rng.integers(len(node.states)))])
        for name, node in network.observables.items()
        if name != "cooling"
    }
    told = group_of(small, conditions={"setting": stated}).evidence
    ours = model.believe({}, replace(told, codes=beside))
    each = [Evidence(1, {**beside, "cooling": np.array([state])}) for state in range(len(comes))]
    beliefs = [model.believe({}, one) for one in each]
    joint = np.array([np.exp(b.log_evidence[0]) for b in beliefs]) * chance
    for fault in model.faults:
        expected = sum(w * b.faults[fault][0] for w, b in zip(joint, beliefs, strict=True))
        np.testing.assert_allclose(ours.faults[fault][0], expected / joint.sum(), atol=1e-12)


@pytest.mark.parametrize(
    ("conditions", "weather"),
    [({}, None), ({"ambient": "17.9 degC"}, "cool"), ({"ambient": "18 degC"}, "warm")],
)
def test_the_weather_follows_from_the_ambient_temperature(
    small: Knowledge, conditions: dict[str, str], weather: str | None
) -> None:
    assert group_of(small, conditions=conditions).context.get("weather") == weather


@pytest.mark.parametrize(
    ("vehicle", "band"),
    [
        ({"age": "5.9 years"}, {"age": "to_5_years"}),
        ({"age": "6 years"}, {"age": "to_10_years"}),
        ({"age": "191 months"}, {"age": "to_15_years"}),
        ({"age": "16 years"}, {"age": "over_15_years"}),
        # 62,137 miles are 99,999 km (1 mile = 1.609344 km)
        ({"mileage": "62137 mi"}, {"mileage": "to_100000_km"}),
        ({"mileage": "62138 mi"}, {"mileage": "to_200000_km"}),
        ({"mileage": "200000 km"}, {"mileage": "over_200000_km"}),
    ],
)
def test_age_and_mileage_are_taken_in_bands(vehicle: dict[str, str], band: dict[str, str]) -> None:
    car = inspection_from({"vehicle": vehicle})
    contexts = encoding_of(car, Knowledge()).contexts.stated()
    assert {key: contexts[key] for key in ("age", "mileage") if key in contexts} == band


def test_a_knowledge_without_ages_takes_no_notice_of_them(small: Knowledge) -> None:
    assert group_of(small, vehicle={"age": "9 years", "mileage": "1 km"}).context == {}


@pytest.mark.parametrize("age", ["-1 years", "9 km", "101 years"])
def test_an_age_that_cannot_be_is_refused(age: str) -> None:
    with pytest.raises(InspectionError, match="age"):
        inspection_from({"vehicle": {"age": age}})


def test_a_setting_that_is_not_stated_is_asked_for(small: Knowledge) -> None:
    (warning,) = inspection_from({"findings": {"sides_equal": "no"}}, small).warnings
    assert warning.startswith("setting is not stated")
    told = {**COMPLAINT, "findings": {"sides_equal": "no"}}
    (warning,) = inspection_from(told, small).warnings
    assert warning == "the complaint itself is not recorded: taken as one about cooling"
    assert inspection_from({"findings": {"cooling": "weak"}}, small).warnings == ()


def test_what_is_not_stated_is_no_context(small: Knowledge) -> None:
    assert group_of(small).context == {}
    stated = group_of(small, vehicle={"expansion": "orifice"}).context
    assert stated == {"expansion": "orifice"}


# --- outcomes -----------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("confirmed", "states"),
    [
        ({"charge": "low"}, ("low",)),
        ({"charge": "right"}, ("right",)),
        ({"charge": "absent"}, ("right",)),
        ({"charge": "present"}, ("low", "very_low", "high")),
        ({"undercharge": "present"}, ("low", "very_low")),
        ({"undercharge": "absent"}, ("right", "high")),
        ({"undercharge": "absent", "overcharge": "absent"}, ("right",)),
        ({"undercharge": "present", "charge": "low"}, ("low",)),
    ],
)
def test_an_outcome_leaves_the_states_it_means(
    small: Knowledge, confirmed: dict[str, str], states: tuple[str, ...]
) -> None:
    one = inspection_from({"confirmed": confirmed}, small)
    assert one.confirmed == {"charge": states}


def test_outcomes_are_evidence_only_when_asked(small: Knowledge) -> None:
    cases = [
        inspection_from({"confirmed": outcome}, small)
        for outcome in ({"charge": "high"}, {"undercharge": "present"}, {})
    ]
    batch = batch_of(cases, small)
    (without,) = encode(batch, small).groups
    assert without.evidence.names(0) == without.evidence.names(1) == ()
    (asked,) = encode(batch, small, confirmed=True).groups
    # states: right, low, very_low, high
    np.testing.assert_array_equal(asked.evidence.codes["charge"], [3, -1, -1])
    np.testing.assert_array_equal(
        asked.evidence.soft["charge"], [[1, 1, 1, 1], [0, 1, 1, 0], [1, 1, 1, 1]]
    )


# --- batches ------------------------------------------------------------------------------------


def random_batch(knowledge: Knowledge, rows: int, seed: int) -> InspectionBatch:
    """Every column of the small knowledge, a third of it unknown."""
    rng = np.random.default_rng(seed)

    def sometimes(values: np.ndarray) -> np.ndarray:
        return np.where(rng.random(rows) < 1 / 3, np.nan, values)

    names = knowledge.of_kind("history", "finding", "gauge")
    soft = np.where(rng.random((rows, 1)) < 0.5, 1.0, rng.random((rows, 4)))
    return InspectionBatch(
        rows,
        {name: rng.integers(-1, len(node.states), rows) for name, node in names.items()},
        {"sample_specks": soft / soft.max(axis=1, keepdims=True)},
        {},
        {
            "high_side": sometimes(rng.normal(1600, 200, rows)),
            "low_side": sometimes(rng.normal(300, 40, rows)),
            "liquid_line": sometimes(rng.normal(42, 5, rows)),
            "recovered": sometimes(rng.normal(500, 80, rows)),
        },
        {name: rng.integers(-1, len(values), rows) for name, values in CHOICES.items()},
        {
            "ambient_c": sometimes(rng.normal(20, 8, rows)),
            "nameplate_charge_g": sometimes(np.full(rows, 550.0)),
        },
    )


def test_every_row_is_in_exactly_one_group_and_says_there_what_it_says_alone(
    small: Knowledge,
) -> None:
    batch = random_batch(small, 300, seed=20261102)
    groups = encode(batch, small).groups
    assert sorted(np.concatenate([group.rows for group in groups]).tolist()) == list(range(300))
    contexts = [tuple(sorted(group.context.items())) for group in groups]
    assert len(set(contexts)) == len(contexts) > 5
    for group in groups:
        assert group.evidence.rows == len(group.rows)
        assert (np.diff(group.rows) > 0).all()
        for position, row in enumerate(group.rows):
            (alone,) = encode(batch.take(np.array([row])), small).groups
            assert alone.context == group.context
            assert set(alone.evidence.names(0)) == set(group.evidence.names(position))
            for name, codes in alone.evidence.codes.items():
                assert codes[0] == group.evidence.codes[name][position]
            for name, (value, extra) in alone.evidence.numbers.items():
                whole = group.evidence.numbers[name]
                # the same sums in another order: floating point
                assert value[0] == pytest.approx(whole[0][position], rel=1e-12, abs=1e-9)
                assert extra[0] == pytest.approx(whole[1][position], rel=1e-12, abs=1e-9)


def test_cases_read_one_by_one_and_together_are_the_same(small: Knowledge) -> None:
    cases = [
        load_case(CASE, small),
        inspection_from({"findings": {"cooling": "none"}}, small),
        inspection_from({"vehicle": {"refrigerant": "R1234yf"}}, small),
    ]
    together = batch_of(cases, small)
    for row, case in enumerate(cases):
        alone = batch_of([case], small)
        picked = together.take(np.array([row]))
        for kind in ("codes", "soft", "confirmed", "readings", "choices", "numbers"):
            for name, column in getattr(alone, kind).items():
                np.testing.assert_array_equal(column, getattr(picked, kind)[name])
        assert together.observed(row) == alone.observed()
        assert notes(encode(together.take(np.array([row])), small)) == case.warnings


def test_an_empty_batch_has_no_groups(small: Knowledge) -> None:
    assert encode(batch_of([], small), small).groups == ()


def test_codes_of_contexts_follow_the_order_of_the_knowledge(small: Knowledge) -> None:
    context = small.contexts["expansion"]
    turned = msgspec.structs.replace(
        context, values=context.values[::-1], shares=context.shares[::-1]
    )
    other = small.changed(contexts={**small.contexts, "expansion": turned})
    batch = InspectionBatch(3, choices={"expansion": np.array([0, 1, -1])})
    np.testing.assert_array_equal(encode(batch, small).contexts.codes["expansion"], [0, 1, -1])
    np.testing.assert_array_equal(encode(batch, other).contexts.codes["expansion"], [1, 0, -1])


# --- what is odd is told and stays in -----------------------------------------------------------

WARM = {"refrigerant": "R134a", "expansion": "TXV", "compressor": "fixed"}


@pytest.mark.parametrize(
    ("sections", "warning"),
    [
        ({}, "nothing was observed: the result is what is known before looking"),
        (
            {
                "conditions": {"ambient": "25 degC", "humidity": "50 %"},
                "readings": {"vent": "75 degC"},
            },
            "vent is 66.0 degC above a sound loop, further than any modelled fault puts it; "
            "check the reading and its unit",
        ),
        (
            {
                "vehicle": WARM,
                "readings": {"static_pressure": "5.6 bar", "static_temperature": "25 degC"},
                "conditions": {"ambient": "38 degC"},
            },
            "static_temperature is 13 K below ambient: the loop may not have come to one "
            "temperature",
        ),
        (
            {"readings": {"suction_line": "8 degC"}},
            "suction_line is not used: superheat also needs low_side",
        ),
        (
            {"readings": {"recovered": "400 g"}},
            "recovered is not used: state nameplate_charge in [vehicle] to make a share of it",
        ),
        (
            {"vehicle": WARM, "readings": {"high_side": "15 bar"}},
            "ambient is not stated: taken as 25 degC with a spread of 6 degC for high_side",
        ),
        (
            {
                "vehicle": {"refrigerant": "R134a"},
                "conditions": {"ambient": "25 degC"},
                "readings": {"high_side": "15 bar"},
            },
            "expansion is not stated: averaged over TXV and orifice for high_side",
        ),
    ],
)
def test_what_is_odd_is_told(small: Knowledge, sections: dict[str, Any], warning: str) -> None:
    assert inspection_from(routine(sections), small).warnings == (warning,)


def test_an_odd_reading_stays_in(small: Knowledge) -> None:
    evidence = group_of(small, readings={"vent": "75 degC"}).evidence
    assert evidence.names() == ("vent",)


def test_a_very_low_charge_is_no_odd_reading(small: Knowledge) -> None:
    sections = {
        "vehicle": WARM,
        "conditions": {"ambient": "25 degC", "setting": "routine"},
        "readings": {"low_side": "0.4 bar", "high_side": "8 bar"},
    }
    assert inspection_from(sections, small).warnings == ()
