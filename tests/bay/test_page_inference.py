"""The page works out by itself what Python does: evidence, beliefs, stops, gates, bits."""

from __future__ import annotations

import json
import re
from collections.abc import Callable, Sequence
from typing import Any

import msgspec
import numpy as np
import pytest
from drawn_cases import drawn_cases, drawn_repairs
from loopodds.advice.assessment import assess
from loopodds.bay.carried import as_text, carried
from loopodds.decision.moves import SetUps
from loopodds.decision.prices import shipped_prices
from loopodds.decision.probes import masks
from loopodds.decision.workshop import Workshop
from loopodds.diagnosis.belief import Belief
from loopodds.diagnosis.model import Model
from loopodds.diagnosis.past_evidence import encoded
from loopodds.inference.information import Look
from loopodds.inspection.encoding import encode
from loopodds.inspection.inspection import Inspection, batch_of
from loopodds.knowledge.blocks import Sound
from loopodds.knowledge.records import Knowledge
from phones import wait_until
from playwright.sync_api import Browser, Page

pytestmark = pytest.mark.slow

CASES, RULED, LOOKED, REPAIRS = 1000, 60, 8, 7
EXACT = 1e-9
"""Promised to whoever compares the page with the screens: sums in another order, and no more."""

BELIEVE = """(text) => JSON.stringify(JSON.parse(text).map((sections) => {
  const found = bay.scales.evidence(sections);
  const belief = bay.tree.believe(found.contexts, found.evidence);
  return {log: belief.logEvidence, sound: belief.sound, conditions: belief.conditions,
    faults: Object.fromEntries(Object.entries(belief.faults).map(([n, p]) => [n, [...p]])),
    numbers: found.evidence.numbers};
}))"""
TABLED = """async ([text, cases]) => {
  const packed = Uint8Array.from(atob(text), (sign) => sign.charCodeAt(0));
  const stream = new Blob([packed]).stream().pipeThrough(new DecompressionStream("gzip"));
  const scales = new Scales(unpack(inPlace(await new Response(stream).arrayBuffer())));
  return cases.map((sections) => scales.evidence(sections).evidence.numbers);
}"""
RULE = """(text) => JSON.parse(text).map((sections) => {
  const found = bay.scales.evidence(sections);
  const belief = bay.tree.believe(found.contexts, found.evidence);
  const gates = new Gates(bay.data, found.contexts);
  const facts = factsOf(bay.data, bay.scales, belief, {found, evidence: found.evidence});
  const progress = gates.progress(facts, []);
  return {stops: progress.stops, done: progress.done, begun: [...progress.begun].sort(),
    waived: [...progress.waived].sort(), pending: progress.pending.sort(),
    needs: Object.fromEntries(Object.keys(bay.data.rules.services).map((name) => {
      const needs = gates.needsOf(name, progress);
      return [name, needs && [...needs].sort()];
    })),
    moves: Object.fromEntries(gates.moves(progress).map(({test, steps}) =>
      [test, steps.map((step) => [step.test, step.minutes, step.waiting, step.due])]))};
})"""
SHARED = """(courses) => {
  const gates = new Gates(bay.data, {});
  return courses.map((course) => {
    let standing = gates.atStart();
    return course.map((test) => {
      const told = [gates.minutes(test, standing), gates.due(test, standing)];
      standing = gates.after([test], standing);
      return [...told, [...standing].sort()];
    });
  });
}"""
CHOOSE = """(text) => Promise.all(JSON.parse(text).map((sections) => {
  const found = bay.scales.evidence(sections);
  const belief = bay.tree.believe(found.contexts, found.evidence);
  const gates = new Gates(bay.data, found.contexts);
  const facts = factsOf(bay.data, bay.scales, belief, {found, evidence: found.evidence});
  const progress = gates.progress(facts, []);
  const outlook = new Outlook(bay.tree, bay.scales, belief);
  return rankedTests(outlook, gates, progress, () => false);
}))"""

REPAIRED = """(text) => JSON.parse(text).map((sections) => {
  const noted = (from) => Object.fromEntries(Object.entries(from)
    .filter(([section]) => !["services", "repaired"].includes(section))
    .flatMap(([section, seen]) => Object.entries(seen).map(([name, value]) =>
      [name, {section, value, used: true}])));
  const state = {noted: noted(sections), tests: [], repairs: sections.repaired.map((repair) =>
    ({services: repair.services, tests: [], noted: noted(repair)}))};
  const followed = bay.repairs.followed(state);
  if (!followed) return null;
  const {tree, found, evidence} = followed;
  const belief = tree.believe(found.contexts, evidence);
  const gates = new Gates(bay.data, found.contexts);
  const came = Object.entries(bay.data.rules.tests).filter(([, test]) => test.as_it_came);
  const facts = factsOf(bay.data, bay.scales, belief, followed);
  const progress = gates.progress(facts, came.map(([name]) => name), bay.repairs.shown(state));
  return {log: belief.logEvidence, sound: belief.sound, stops: progress.stops.sort(),
    faults: Object.fromEntries(Object.entries(belief.faults).map(([n, p]) => [n, [...p]])),
    moves: gates.moves(progress).map(({test}) => test).sort()};
})"""


REMARKED = """(text) => JSON.parse(text).map((sections) => bay.remarks(sections).all())"""


@pytest.fixture(scope="module")
def opened(browser: Browser, single_file: Any) -> Page:
    page = browser.new_page()
    page.goto(single_file.as_uri())
    wait_until(page, "window.bay !== undefined")
    return page


Drawn = list[tuple[dict[str, Any], Inspection]]


@pytest.fixture(scope="module")
def drawn(model: Model) -> Drawn:
    return list(drawn_cases(model, CASES, seed=7))


def test_the_page_believes_what_python_believes_on_a_thousand_cases(
    model: Model, opened: Page, drawn: Drawn
):
    sections, cars = zip(*drawn, strict=True)
    page = json.loads(opened.evaluate(BELIEVE, json.dumps(sections)))
    worst = 0.0
    for group in encode(batch_of(cars, model.knowledge), model.knowledge).groups:
        beliefs = model.believe(group.context, group.evidence)
        for i, row in enumerate(group.rows.tolist()):
            here = page[row]
            for name, (residual, extra) in group.evidence.numbers.items():
                if not np.isnan(residual[i]):
                    np.testing.assert_allclose(
                        here["numbers"][name], [residual[i], extra[i]], rtol=EXACT, atol=EXACT
                    )
            np.testing.assert_allclose(here["log"], beliefs.log_evidence[i], rtol=EXACT, atol=EXACT)
            apart = [np.abs(here["faults"][n] - p[i]).max() for n, p in beliefs.faults.items()]
            worst = max(worst, abs(here["sound"] - beliefs.p_sound[i]), *apart)
    assert worst < EXACT


def test_a_repaired_car_is_believed_as_python_believes_it_or_not_at_all(model: Model, opened: Page):
    sections, cars = zip(*drawn_repairs(model, REPAIRS, seed=5), strict=True)
    page, followed, merged = opened.evaluate(REPAIRED, json.dumps(sections)), 0, 0
    for here, car in zip(page, cars, strict=True):
        if here is None:
            continue
        ((own, group),) = encoded([car], model)
        belief, followed = Belief(own, group.context, group.evidence), followed + 1
        merged += any(repair.left for repair in own.repairs)
        beliefs = own.believe(group.context, group.evidence)
        np.testing.assert_allclose(here["log"], belief.log_evidence, rtol=EXACT)
        apart = [np.abs(here["faults"][n] - p[0]).max() for n, p in beliefs.faults.items()]
        assert max(abs(here["sound"] - belief.p_sound), *apart) < EXACT
        shop = Workshop(belief, inspection=car)
        assert here["stops"] == sorted(shop.progress.stops)
        assert here["moves"] == sorted(m.test for m in shop.gates.moves(shop.progress))
    assert followed < REPAIRS, "one is too much for a page"
    assert 0 < merged < followed, "with and without something that had to be left out"


def tabled() -> Knowledge:
    """The shipped knowledge with invented tables over conditions for two gauges."""
    rng = np.random.default_rng(4)
    over = {"ambient": (5.0, 18.0, 40.0), "humidity": (20.0, 60.0, 90.0),
            "engine_speed": (800.0, 2000.0), "air_intake": (0.0, 1.0)}  # fmt: skip
    first = Sound(
        when={"expansion": "orifice"}, over=over, spread=1.5,
        values=tuple(rng.normal(10.0, 4.0, 36).tolist()),
    )  # fmt: skip
    other = Sound(over={"ambient": (0.0, 40.0)}, values=(4.0, 12.0), spreads=(1.0, 3.0))
    lift = Sound(over={"ambient": (0.0, 25.0, 40.0), "doors": (0.0, 1.0)}, spread=2.0,
                 values=tuple(rng.normal(26.0, 3.0, 6).tolist()))  # fmt: skip
    knowledge = Knowledge()
    sounds = {"vent": (first, other), "high_side": (lift,)}
    gauges = {
        name: msgspec.structs.replace(knowledge.gauges[name], sound=sound, tables=None)
        for name, sound in sounds.items()
    }
    return knowledge.changed(nodes={**knowledge.nodes, **gauges})


def test_a_table_of_sound_readings_is_read_as_python_reads_it(opened: Page):
    model = Model(tabled())
    sections, cars = zip(*drawn_cases(model, 150, seed=2), strict=True)
    page = opened.evaluate(TABLED, [as_text(carried(model)), list(sections)])
    read = 0
    for here, car in zip(page, cars, strict=True):
        (group,) = encode(batch_of([car], model.knowledge), model.knowledge).groups
        numbers = group.evidence.numbers
        assert here.keys() == numbers.keys()
        for name, (residual, extra) in numbers.items():
            expected = [residual[0], extra[0]]
            np.testing.assert_allclose(here[name], expected, rtol=EXACT, atol=EXACT)
            read += name in ("vent", "high_side")
    assert read > 20


def test_the_page_shuts_what_python_shuts_and_opens_what_it_opens(
    model: Model, opened: Page, drawn: Drawn
):
    sections, cars = zip(*drawn[:RULED], strict=True)
    found, seen = opened.evaluate(RULE, json.dumps(sections)), set[str]()
    for here, car in zip(found, cars, strict=True):
        shop = assess(car, model).shop
        progress = shop.progress
        moves = {
            move.test: [
                [step.test, step.minutes, step.waiting, list(step.due)] for step in move.steps
            ]
            for move in shop.gates.moves(progress)
        }
        failed, barred = shop.gates.failed(progress), shop.gates.bars(progress)
        ways = {
            name: shop.gates.needs(service, failed, barred)
            for name, service in model.knowledge.services.items()
        }
        assert here == {
            "stops": [name for name in model.knowledge.stops if name in progress.stops],
            "done": [*progress.done],
            "begun": sorted(progress.begun),
            "waived": sorted(progress.waived),
            "pending": sorted([*pair] for pair in progress.pending),
            "needs": {n: needs if needs is None else sorted(needs) for n, needs in ways.items()},
            "moves": moves,
        }
        seen |= progress.stops
    assert len(seen) >= len(model.knowledge.stops) - 3, "the cases meet nearly every stop"


def test_the_page_counts_what_tests_share_as_python_does(model: Model, opened: Page):
    rng = np.random.default_rng(5)
    shared = SetUps(model.knowledge, shipped_prices(model.knowledge))
    courses = [rng.permutation(list(model.knowledge.tests)).tolist() for _ in range(20)]
    seen = set[tuple[str, ...]]()
    for told, course in zip(opened.evaluate(SHARED, courses), courses, strict=True):
        standing = shared.start
        for (minutes, due, stands), test in zip(told, course, strict=True):
            step = shared.step(test, standing, {})
            standing = step.standing
            assert (minutes, due, stands) == (step.minutes, list(step.due), sorted(standing))
            seen.add(step.due)
    assert len(seen) >= 5, "what is due comes in many ways"


def test_the_next_test_without_a_network_tells_most_a_minute(
    model: Model, opened: Page, drawn: Drawn
):
    """Gauges count as their words there; what must come first counts with its minutes."""
    sections, cars = zip(*drawn[:LOOKED], strict=True)
    for here, car in zip(opened.evaluate(CHOOSE, json.dumps(sections)), cars, strict=True):
        shop = assess(car, model).shop
        told = {
            move.test: Look(
                shop.calibrated, model.knowledge.tests[move.test].yields, masks(model.knowledge), 0
            ).bits(shop.about)
            for move in shop.gates.moves(shop.progress)
        }
        minutes = {move.test: move.minutes for move in shop.gates.moves(shop.progress)}
        for one in here:
            assert abs(one["bits"] - told[one["test"]]) < EXACT
            assert one["minutes"] == pytest.approx(minutes[one["test"]])
        rates = {test: bits / minutes[test] for test, bits in told.items() if bits > EXACT}
        assert {one["test"] for one in here} == rates.keys()
        assert [one["rate"] for one in here] == sorted(rates.values(), reverse=True) or (
            pytest.approx(sorted(rates.values(), reverse=True)) == [one["rate"] for one in here]
        )


def test_an_answer_comes_at_once_on_a_slow_phone(
    opened: Page, drawn: Drawn, record_property: Callable[[str, object], None]
):
    """Four times slower than this machine: median of working out one car, and of a whole tap with
    what it moved, what is shut and the new screen.
    """
    texts = json.dumps([sections for sections, _ in drawn[:20]])
    opened.evaluate("bay.begin('van')")
    wait_until(opened, "bay.key !== null")
    session = opened.context.new_cdp_session(opened)
    session.send("Emulation.setCPUThrottlingRate", {"rate": 4})
    believing = opened.evaluate(
        """(text) => JSON.parse(text).map((sections) => {
          const begun = performance.now();
          const found = bay.scales.evidence(sections);
          bay.tree.believe(found.contexts, found.evidence);
          return performance.now() - begun;
        })""",
        texts,
    )
    tapping = opened.evaluate(
        """() => Array.from({length: 20}, (_, i) => {
          const car = bay.car(), begun = performance.now();
          bay.record(car, "cooling", ["good", "weak", "none"][i % 3]);
          return performance.now() - begun;
        })"""
    )
    session.send("Emulation.setCPUThrottlingRate", {"rate": 1})
    for what, took in (("one car", believing), ("one tap", tapping)):
        record_property(f"{what}, median and slowest [ms]", [float(np.median(took)), max(took)])
    assert np.median(believing) < 50
    assert np.median(tapping) < 200


def test_the_page_remarks_what_the_door_remarks(opened: Page, drawn: Drawn):
    """Only the order of what was entered is another."""

    def in_order(texts: Sequence[str]) -> list[str]:
        heads = (text.rpartition(" for ") for text in texts)
        return sorted(head + " ".join(sorted(names.split(", "))) for head, _, names in heads)

    sections, cars = zip(*drawn, strict=True)
    page = opened.evaluate(REMARKED, json.dumps(sections))
    kinds: set[str] = set()
    for here, car in zip(page, cars, strict=True):
        assert in_order(here) == in_order(car.warnings)
        kinds |= {re.sub(r"[0-9.]+|'[^']*'", "", text) for text in car.warnings}
    assert len(kinds) > 50
