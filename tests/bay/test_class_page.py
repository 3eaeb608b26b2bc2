"""The page of a class asks what if: exact answers by the page itself, on a wall and on a phone."""

from __future__ import annotations

import json
import re
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from looked_at import in_reach, looked_at
from loopodds.base.units import format_quantity
from loopodds.casebook.sources import read_case
from loopodds.diagnosis.belief import Belief
from loopodds.diagnosis.model import Model
from loopodds.diagnosis.predictions import instrument_readings, predict
from loopodds.inspection.encoding import encode
from loopodds.inspection.inspection import batch_of
from loopodds.inspection.sections import inspection_from
from loopodds.inspection.vocabulary import reading_dimension
from loopodds.training.cars import SHOWN_IN
from loopodds_cli.bay.classroom import class_page, sections_of_start
from phones import OpenPhone, Phone

CAR: dict[str, Any] = {
    "vehicle": {"refrigerant": "R134a", "expansion": "TXV", "compressor": "fixed"},
    "conditions": {"setting": "complaint", "ambient": "31 degC", "humidity": "45 %"},
    "history": {"opened_without_new_drier": "yes"},
    "findings": {"sample_bubbles": "persisting", "sample_specks": {"none": 0.3, "metal": 0.7}},
    "readings": {"low_side": "2.1 bar"},
}
EXACT = 1e-9
WALL = {"width": 1280, "height": 720}
ANSWER = """(sections) => {
  const car = new Supposed(bay, {history: {}, findings: {}, readings: {}, confirmed: {},
    ...sections});
  const names = ["sound", ...Object.keys(bay.data.tree.conditions)];
  const chances = (of) => Object.fromEntries(names.map((name) => [name, car[of](name)]));
  return {problem: car.problem, ...(car.problem ? {} : {now: chances("chance"),
    before: chances("prior"), expected: car.expected, conflict: car.conflict,
    stops: car.stops.map(({title}) => title)})};
}"""


@pytest.fixture(scope="module")
def wet(model: Model, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The page about a car whose name looks like markup."""
    file = tmp_path_factory.mktemp("class") / "class.html"
    start = inspection_from(CAR, model.knowledge, "<the wet one></script>")
    file.write_text(class_page(model, start), encoding="utf-8")
    return file


def answered(phone: Phone, sections: dict[str, Any]) -> dict[str, Any]:
    found: dict[str, Any] = phone.page.evaluate(ANSWER, sections)
    return found


def as_python_has_it(model: Model, sections: dict[str, Any]) -> dict[str, Any]:
    """What the page should answer, worked out here."""
    batch = batch_of([inspection_from(sections, model.knowledge)], model.knowledge)
    (group,) = encode(batch, model.knowledge, confirmed=True).groups
    belief = Belief(model, group.context, group.evidence)
    unseen = [name for name in model.knowledge.of_kind("finding") if name not in belief.names]
    found = predict(model.tree(group.context), group.evidence, unseen)
    ranked = belief.ranking()
    return {
        "now": {"sound": belief.p_sound, **{c.name: c.probability for c in ranked}},
        "before": {"sound": float(belief.before.p_sound[0]), **{c.name: c.prior for c in ranked}},
        "expected": {name: one.states[0].tolist() for name, one in found.items()},
        "conflict": belief.conflict.bits,
    }


@pytest.mark.slow
def test_the_page_answers_as_python_does(model: Model, wet: Path, phone: OpenPhone):
    one = phone(wet.as_uri())
    supposed = {**CAR, "confirmed": {"moisture": "absent", "undercharge": "present"}}
    bare = sections_of_start(None)
    for sections in (CAR, supposed, bare):
        here, there = answered(one, sections), as_python_has_it(model, sections)
        for part in ("now", "before", "expected"):
            assert here[part].keys() == there[part].keys()
            for name, value in there[part].items():
                np.testing.assert_allclose(here[part][name], value, rtol=0, atol=EXACT)
        assert here["conflict"] == pytest.approx(there["conflict"], abs=EXACT)
    # bubbles in the sample must come from somewhere: without water the drier loses its reason
    dry = answered(one, {**CAR, "confirmed": {"moisture": "absent"}})["now"]
    assert dry["moisture"] == 0
    assert dry["drier_saturated"] < answered(one, CAR)["now"]["drier_saturated"]
    unseen = answered(one, bare)
    for name, now in unseen["now"].items():
        assert now == pytest.approx(unseen["before"][name], abs=EXACT)


@pytest.mark.slow
def test_a_dial_reaches_as_far_as_python_says_and_is_marked_where_a_sound_loop_stands(
    model: Model, wet: Path, phone: OpenPhone
):
    one, knowledge = phone(wet.as_uri()), model.knowledge
    vehicle = {**CAR["vehicle"], "nameplate_charge": "500 g", "nameplate_oil": "150 g"}
    car = {"vehicle": vehicle, "conditions": CAR["conditions"]}
    reach = {name: 3 * max(map(abs, node.cuts)) for name, node in knowledge.gauges.items()}
    batch = batch_of([inspection_from(car, knowledge)] * 3, knowledge)
    checked = 0
    for name, far in reach.items():
        raw = instrument_readings({name: np.array([-far, 0.0, far])}, batch, knowledge)[name]
        dimension = reading_dimension(name, knowledge)
        unit = SHOWN_IN[dimension]
        dial = one.page.evaluate(
            "([car, name, unit]) => bay.classroom.dials.of(car, name, unit)", [car, name, unit]
        )
        if np.isnan(raw).any():
            continue
        texts = [format_quantity(float(value), dimension, unit) for value in raw]
        # shown to the last digit of the unit
        assert [dial["low"], dial["sound"], dial["high"]] == pytest.approx(
            [float(text.split()[0]) for text in texts], abs=0.011
        )
        checked += 1
    assert checked >= 8
    bare = "{vehicle: {}, conditions: {ambient: '25 degC'}}"
    assert one.page.evaluate(f"bay.classroom.dials.of({bare}, 'low_side', 'bar')") is None


@pytest.mark.slow
def test_what_cannot_be_is_said_and_a_stop_is_shown(wet: Path, phone: OpenPhone):
    one = phone(wet.as_uri())
    wrong = {**CAR, "readings": {"high_side": "1 bar", "low_side": "3 bar"}}
    assert "below the low side with the compressor running" in answered(one, wrong)["problem"]
    hot = {"vehicle": {"refrigerant": "R134a"}, "conditions": {}, "readings": {}}
    assert answered(one, hot)["stops"] == []
    stops = answered(one, {**hot, "readings": {"high_side": "28 bar"}})["stops"]
    assert stops == ["The high side is at its limit: switch off"]
    read = "{high_side: '1 bar', low_side: '3 bar'}"
    one.page.evaluate(f"bay.classroom.change((sections) => {{ sections.readings = {read}; }})")
    assert one.page.locator("#problem").inner_text().startswith("This cannot be: the high side")
    one.tap("#undo")
    assert one.page.locator("#problem").count() == 0


@pytest.mark.slow
@pytest.mark.parametrize("screen", [None, WALL])
def test_a_class_works_with_it_by_taps(
    screen: dict[str, int] | None, model: Model, wet: Path, phone: OpenPhone, tmp_path: Path
):
    one = phone(wet.as_uri(), screen)

    def value(name: str) -> str:
        return one.page.locator(f'[data-condition="{name}"] .value').inner_text()

    assert one.page.locator("#top h1").inner_text() == "What if: <the wet one></script>"
    looked_at(one, "class page")
    if screen is None:
        assert one.page.locator(".odds:visible").count() == 3
        one.tap('[data-at="all"]')
    assert one.page.locator(".odds:visible").count() == 1 + len(model.conditions)
    in_reach(one, "class page, all conditions")
    first = value("moisture")
    one.tap('[data-condition="moisture"]')
    assert value("moisture") == "100 %"
    one.tap('[data-condition="moisture"]')
    assert value("moisture") == "0 %"
    one.tap("#undo")
    one.tap("#undo")
    assert value("moisture") == first
    one.tap('[data-at="sample_bubbles persisting"]')
    assert value("moisture") != first
    one.tap('[data-at="Hold outlines"]')
    one.tap('[data-at="Start again"]')
    assert value("moisture") == first
    assert one.page.locator(".legend").inner_text().find("when held") > 0
    one.tap('[data-at="Clear"]')
    assert one.page.evaluate("bay.classroom.sections.findings") == {}
    one.page.keyboard.press("u")
    if screen is None:
        one.tap('[data-at="group the car and its day"]')
    one.tap('[data-at="ambient1"]')
    assert one.page.evaluate("bay.classroom.sections.conditions.ambient") == "32 degC"
    with one.page.expect_download() as download:
        one.tap("#save")
    file = tmp_path / "saved.toml"
    download.value.save_as(file)
    saved = read_case(str(file), model.knowledge)
    assert saved.findings.keys() == CAR["findings"].keys()
    assert saved.conditions["ambient"].text == "32 degC"
    size = "parseFloat(getComputedStyle(document.documentElement).fontSize)"
    before = one.page.evaluate(size)
    one.tap('[data-at="A+"]')
    assert one.page.evaluate(size) > before


@pytest.mark.slow
def test_what_if_of_a_car_at_hand_records_nothing(phone: OpenPhone, single_file: Path):
    one = phone(single_file.as_uri())
    one.new_car("van")
    one.say("R134a")
    one.tap("#more")
    one.tap("#whatif")
    one.page.evaluate("bay.classroom.suppose('moisture')")
    one.page.evaluate("bay.classroom.change((s) => { s.findings.cooling = 'weak'; })")
    one.tap("#back")
    assert one.told() == {"refrigerant": "R134a"}
    assert one.heading() == "Which compressor has the car?"


def test_the_page_loads_nothing_and_a_name_ends_no_script(wet: Path):
    text = wet.read_text("utf-8")
    assert "default-src &#39;none&#39;" in text or "default-src 'none'" in text
    assert not re.findall(r"""(?:src|href)\s*=\s*["']|@import""", text)
    assert "<the wet one>" not in text
    (settings,) = re.findall(r'id="settings">(.*?)</script>', text)
    assert json.loads(settings)["whatif"]["name"] == "<the wet one></script>"
