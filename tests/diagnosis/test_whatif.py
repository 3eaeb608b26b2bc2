"""What-if: variations of a case say what the changed case itself would say."""

from __future__ import annotations

import json
from dataclasses import replace

import numpy as np
import pytest
from click.testing import CliRunner
from loopodds.base.errors import ImpossibleEvidence, InspectionError, UnknownName
from loopodds.diagnosis.belief import Belief
from loopodds.diagnosis.diagnose import believe
from loopodds.diagnosis.predictions import RANGE, predict
from loopodds.diagnosis.simulation import simulate
from loopodds.diagnosis.weights import SOUND
from loopodds.diagnosis.what_if import NOTHING, split_variations, what_if
from loopodds.inference.network import Evidence
from loopodds.inspection.case_file import load_case
from loopodds.inspection.vocabulary import observable_names
from loopodds_cli.commands.whatif import command
from loopodds_cli.main import main
from references import with_codes
from shared import CONTEXT

WET = """
[vehicle]
refrigerant = "R134a"
nameplate_charge = "520 g"
expansion = "TXV"
compressor = "fixed"
[conditions]
ambient = "31 degC"
humidity = "45 %"
[history]
opened_without_new_drier = "yes"
[findings]
intermittent_cooling = "yes"
moisture_indicator = "wet"
[readings]
low_side = "1.6 bar"
high_side = "14.6 bar"
"""
# the same sums in batches of another size
FLOAT = 1e-12


@pytest.fixture(scope="module")
def wet(model):
    return load_case(WET, model.knowledge)


def assert_believed(outlook, belief: Belief) -> None:
    for name, probability in outlook.probabilities.items():
        truth = belief.p_sound if name == SOUND else belief.condition(name)
        assert probability == pytest.approx(truth, abs=FLOAT)


def test_without_changes_the_case_is_what_it_was(model, wet):
    assert_believed(what_if(wet, [["moisture_indicator=wet"]], model).base, believe(wet, model))


@pytest.mark.parametrize(
    ("change", "old", "new"),
    [
        ("moisture_indicator=dry", 'moisture_indicator = "wet"', 'moisture_indicator = "dry"'),
        ("-moisture_indicator", 'moisture_indicator = "wet"', ""),
        ("low_side=2.4 bar", 'low_side = "1.6 bar"', 'low_side = "2.4 bar"'),
        ("-low_side", 'low_side = "1.6 bar"', ""),
        ("opened_without_new_drier=no", 'new_drier = "yes"', 'new_drier = "no"'),
        ("compressor=variable", '"fixed"', '"variable"'),
        ("ambient=18 degC", '"31 degC"', '"18 degC"'),
    ],
)
def test_a_variation_is_what_the_changed_case_file_would_give(model, wet, change, old, new):
    (variation,) = what_if(wet, [[change]], model).variations
    assert_believed(variation, believe(load_case(WET.replace(old, new), model.knowledge), model))


def test_a_word_for_a_gauge_replaces_its_number(model, wet):
    (variation,) = what_if(wet, [["low_side=high"]], model).variations
    other = WET.replace('low_side = "1.6 bar"', "").replace(
        "[findings]", '[findings]\nlow_side = "high"'
    )
    assert_believed(variation, believe(load_case(other, model.knowledge), model))
    assert variation.changes[0] == ("low_side", "1.6 bar (normal)", "high")


def test_any_number_of_variations_goes_as_one_batch(model, wet):
    changes = [[f"sample_bubbles={s}"] for s in ("none", "persisting")] * 20
    together = what_if(wet, changes, model).variations
    alone = [what_if(wet, [change], model).variations[0] for change in changes[:2]]
    for i, outlook in enumerate(together):
        for name, probability in outlook.probabilities.items():
            assert probability == pytest.approx(alone[i % 2].probabilities[name], abs=FLOAT)


def test_taking_back_the_complaint_leaves_the_car_a_complaint_car(model, wet):
    (variation,) = what_if(wet, [["-intermittent_cooling"]], model).variations
    stated = WET.replace("[conditions]", '[conditions]\nsetting = "complaint"')
    other = load_case(stated.replace('intermittent_cooling = "yes"', ""), model.knowledge)
    assert_believed(variation, believe(other, model))


def test_supposing_a_fault_is_conditioning_on_it(model, wet):
    (variation,) = what_if(wet, [["drier_saturated=present"]], model).variations
    belief = believe(wet, model)
    certain = Belief(
        model, belief.context, with_codes(belief.evidence, {"drier_saturated": np.array([1])})
    )
    assert_believed(variation, certain)
    assert variation.probabilities["drier_saturated"] == pytest.approx(1.0, abs=FLOAT)
    assert variation.chance == pytest.approx(belief.condition("drier_saturated"), abs=FLOAT)


def test_a_condition_of_several_states_can_be_supposed(model, wet):
    (variation,) = what_if(wet, [["undercharge=present"]], model).variations
    assert variation.probabilities["undercharge"] == pytest.approx(1.0, abs=FLOAT)
    assert variation.chance == pytest.approx(believe(wet, model).condition("undercharge"), abs=1e-9)
    (none,) = what_if(wet, [["undercharge=absent"]], model).variations
    assert none.probabilities["undercharge"] == 0
    assert none.chance == pytest.approx(1 - variation.chance, abs=1e-9)


def test_a_saturated_drier_makes_a_wet_indicator_more_likely(model):
    car = load_case("[conditions]\nsetting = 'complaint'\n", model.knowledge)
    found = what_if(car, [["drier_saturated=present"]], model)
    before = found.base.foretold["moisture_indicator"].states["wet"]
    after = found.variations[0].foretold["moisture_indicator"].states["wet"]
    assert after > 3 * before
    names = [after.name for _, after in found.surprises(found.variations[0])]
    assert names[0] == "moisture_indicator"


def test_a_low_charge_foretells_a_low_recovered_mass_and_low_pressures(model):
    text = WET.split("[history]")[0]
    car = load_case(text, model.knowledge)
    found = what_if(car, [["charge=low"]], model).variations[0].foretold
    base = what_if(car, [["charge=right"]], model).variations[0].foretold
    assert found["recovered"].middle == pytest.approx(0.55 * 520, rel=0.1)  # low is 40 to 70 %
    assert base["recovered"].middle == pytest.approx(0.97 * 520, rel=0.1)
    assert found["high_side"].middle < base["high_side"].middle
    assert found["low_side"].unit == "bar"
    assert found["recovered"].range_text().endswith(" g")


def test_nothing_recorded_is_foretold_and_nothing_masked(model, wet):
    car = replace(wet, findings={**wet.findings, "compressor_cycle": "cut_out"})
    found = what_if(car, [["sample_bubbles=none"]], model)
    assert "moisture_indicator" not in found.base.foretold
    assert "sample_bubbles" in found.base.foretold
    assert "sample_bubbles" not in found.variations[0].foretold
    # a compressor that is cut out leaves nothing to read of superheat
    assert "superheat" not in found.base.foretold


def test_foretold_shares_are_those_of_simulated_cars(model):
    cars = simulate(model, CONTEXT, 40_000, np.random.default_rng(5))
    seen = cars.evidence.codes["sample_bubbles"] == 1
    evidence = Evidence(1, {"sample_bubbles": np.array([1])})
    found = predict(model.tree(CONTEXT), evidence, ["moisture_indicator", "recovered"])
    shares = np.bincount(cars.evidence.codes["moisture_indicator"][seen], minlength=3) / seen.sum()
    # four standard errors of a share among some 1 500 cars
    assert found["moisture_indicator"].states[0] == pytest.approx(shares, abs=0.05)
    values = cars.evidence.numbers["recovered"][0][seen]
    # about one car in fifty is misread
    for place, value in zip(RANGE, found["recovered"].quantiles[0], strict=True):
        assert (values < value).mean() == pytest.approx(place, abs=0.05)


def test_states_foretold_sum_to_one(model, wet):
    for foretold in what_if(wet, [["pumping=none"]], model).base.foretold.values():
        assert sum(foretold.states.values()) == pytest.approx(1.0, abs=1e-9)


def test_changes_say_what_was_and_what_is(model, wet):
    (variation,) = what_if(
        wet, [["-low_side", "sample_bubbles=none", "moisture=wet"]], model
    ).variations
    assert [tuple(change) for change in variation.changes] == [
        ("low_side", "1.6 bar (normal)", NOTHING),
        ("sample_bubbles", NOTHING, "none"),
        ("moisture", "not known", "wet"),
    ]


@pytest.mark.parametrize(
    ("change", "error", "message"),
    [
        ("sample_bubles=none", UnknownName, "did you mean 'sample_bubbles'"),
        ("sample_bubbles=some", InspectionError, "unknown state 'some'"),
        ("low_side=2.1", InspectionError, "has no unit"),
        ("moisture=drenched", UnknownName, "unknown state of moisture 'drenched'"),
        ("-vent", UnknownName, "unknown item of the case 'vent'"),
        ("bubbles", InspectionError, "write name=value"),
    ],
)
def test_a_change_that_cannot_be_made_says_why(model, wet, change, error, message):
    with pytest.raises(error, match=message):
        what_if(wet, [[change]], model)


def test_what_cannot_be_is_refused_by_name(model, wet):
    with pytest.raises(ImpossibleEvidence):
        what_if(wet, [["undercharge=present", "overcharge=present"]], model)


def test_the_word_or_stands_between_variations():
    assert split_variations(["charge=low", "or", "-vent", "low_side=2 bar"]) == [
        ["charge=low"],
        ["-vent", "low_side=2 bar"],
    ]
    for words in ([], ["or", "charge=low"], ["charge=low", "or"]):
        with pytest.raises(InspectionError, match="nothing to vary"):
            split_variations(words)


def test_as_json_holds_every_hypothesis_and_no_number_that_is_none(model, wet):
    plain = what_if(wet, [["-low_side"], ["charge=low"]], model).as_json()
    json.loads(json.dumps(plain, allow_nan=False))
    assert [len(v["probabilities"]) for v in plain["variations"]] == [
        1 + len(model.conditions),
        1 + len(model.conditions),
    ]


def test_the_command_takes_names_away_and_supposes_faults(tmp_path):
    case = tmp_path / "wet.toml"
    case.write_text(WET, encoding="utf-8")
    changes = ["sample_bubbles=none", "-low_side", "or", "drier_saturated=present"]
    page = CliRunner().invoke(main, ["whatif", str(case), *changes])
    assert page.exit_code == 0, page.output
    assert "1.6 bar (normal)" in page.output
    assert "DRIER SATURATED: PRESENT" in page.output
    assert max(map(len, page.output.splitlines())) <= 80
    plain = CliRunner().invoke(main, ["whatif", str(case), *changes, "--json"])
    assert len(json.loads(plain.output)["variations"]) == 2
    assert CliRunner().invoke(main, ["whatif", str(case)]).exit_code == 2
    drawn = tmp_path / "beside.svg"
    picture = CliRunner().invoke(main, ["whatif", str(case), *changes, "--picture", str(drawn)])
    assert picture.exit_code == 0, picture.output
    assert "<svg" in drawn.read_text(encoding="utf-8")


def test_any_name_can_be_taken_away_whatever_its_letters(model):
    for name in observable_names(model.knowledge):
        given = command.make_context("whatif", ["@wet_loop", f"-{name}", "or", "--json"]).params
        assert (given["changes"], given["as_json"]) == ((f"-{name}", "or"), True)
    for help_ in ("-h", "--help"):
        result = CliRunner().invoke(main, ["whatif", help_])
        assert result.exit_code == 0
        assert result.output.startswith("Usage: ")
