"""Chance that the complaint is gone: held against the exact network of the repaired car."""

from __future__ import annotations

import itertools

import numpy as np
import pytest
from loopodds.advice.promise import Promise
from loopodds.base.arrays import FloatArray
from loopodds.decision.workshop import Workshop
from loopodds.diagnosis.complaints import complaints_of
from loopodds.diagnosis.diagnose import believe, stated_context
from loopodds.diagnosis.repaired_car import Repair, names_before
from loopodds.inference.network import Evidence
from loopodds.inspection.case_file import load_case
from shared import assessed
from shared import shipped as model

HOT_AND_DEAD_FAN = """
[vehicle]
refrigerant = "R134a"
expansion = "TXV"
compressor = "fixed"
[conditions]
setting = "complaint"
ambient = "30 C"
[findings]
cooling = "weak"
fan_check = "dead"
"""


def promise_of(text: str, seed: int = 1) -> Promise:
    inspection = load_case(text, model().knowledge)
    context = stated_context(inspection, model().knowledge)
    shop = Workshop(believe(inspection, model()), (), None, context)
    return Promise(shop, np.random.default_rng(seed))


@pytest.mark.parametrize("case", ["@low_charge_dead_fan", "@worn_compressor", "@wet_loop"])
def test_cars_after_a_plan_are_those_of_the_exact_repaired_network(case):
    """Marginals of faults and running states from draws, against the posterior that follows the
    faults through the repair. Tolerance: four standard errors of 2,000 draws.
    """
    result = assessed(case)
    services = result.advice.best.services or ("recover_and_charge",)
    drawn = Promise(result.shop, np.random.default_rng(3)).after(services)
    repair = Repair(
        services, frozenset(result.belief.names) - result.knowledge.of_kind("history").keys()
    )
    after = result.model.after((repair,))
    (names,) = names_before((repair,), (), result.knowledge, result.belief.context)
    renamed = {n: names.get(n, n) for n in result.belief.names}
    seen = result.belief.evidence
    evidence = Evidence(
        1,
        {renamed.get(n, n): c for n, c in seen.codes.items()},
        {renamed.get(n, n): w for n, w in seen.soft.items()},
        {renamed.get(n, n): v for n, v in seen.numbers.items()},
        {n: w for n, w in seen.implied.items() if n not in result.belief.names},
    )
    wanted = [(n,) for n in result.knowledge.of_kind("fault", "mechanism")]
    exact = after.tree(result.belief.context).propagate(evidence, wanted)
    for (name,) in wanted:
        p = exact[(name,)][0]
        share = np.bincount(drawn[name], minlength=len(p)) / len(drawn[name])
        assert np.abs(share - p) == pytest.approx(
            np.zeros(len(p)), abs=4 * np.sqrt(0.25 / len(drawn[name]))
        ), name


def by_causes(promise: Promise, name: str, services: tuple[str, ...]) -> FloatArray:
    """The same chance by listing which causes, and the background, brought the complaint about."""
    now, after = promise._draws, promise.after(services)
    finding = promise._network.observables[name]
    said = model().knowledge.node(name).complaint
    keep = [i for i, state in enumerate(finding.states) if state not in said]
    right = finding.table[..., keep].sum(axis=-1)
    none = (0,) * right.ndim
    chances = []
    for car in range(200):
        olds, news, fixed = [right[none]], [right[none]], [False]
        for axis, parent in enumerate(finding.parents):
            # the chance that this cause alone brings nothing about, by its state
            alone = right[tuple(slice(None) if i == axis else 0 for i in range(right.ndim))]
            olds.append(alone[now[parent][car]] / right[none])
            news.append(alone[after[parent][car]] / right[none])
            fixed.append(bool(now[parent][car] == after[parent][car]))
        there, gone = 0.0, 0.0
        for pattern in itertools.product((False, True), repeat=len(olds)):
            weight = np.prod([1 - q if on else q for q, on in zip(olds, pattern, strict=True)])
            if not any(pattern):
                continue
            there += weight
            stays = any(on and f for on, f in zip(pattern, fixed, strict=True))
            fresh = np.prod([q for q, f in zip(news, fixed, strict=True) if not f])
            gone += 0.0 if stays else weight * fresh
        chances.append(gone / there)
    return np.array(chances)


def test_the_chance_is_that_of_listing_every_cause():
    promise = promise_of(HOT_AND_DEAD_FAN)
    for services in ((), ("restore_condenser_airflow",), ("recover_and_charge",)):
        listed = by_causes(promise, "cooling", services)
        told = promise.each(services)[: len(listed)]
        assert told == pytest.approx(listed, abs=1e-9)


def test_a_car_left_alone_keeps_a_complaint_that_has_a_cause():
    promise = promise_of(HOT_AND_DEAD_FAN)
    left, mended = promise.gone(()), promise.gone(("restore_condenser_airflow",))
    assert left is not None
    assert mended is not None
    assert left.probability < 0.15
    assert mended.probability > 4 * left.probability


def test_the_error_is_that_of_the_draws():
    told = [
        promise_of(HOT_AND_DEAD_FAN, seed).gone(("restore_condenser_airflow",))
        for seed in range(12)
    ]
    spread = np.std([one.probability for one in told if one is not None], ddof=1)
    error = np.mean([one.error for one in told if one is not None])
    assert 0.4 * error < spread < 2.0 * error


def test_more_work_never_makes_it_less_likely_that_the_complaint_goes():
    promise = promise_of(HOT_AND_DEAD_FAN)
    names = ("restore_condenser_airflow", "recover_and_charge", "repair_cabin_mixing")
    for some in itertools.combinations(names, 2):
        for one in some:
            less, more = promise.gone((one,)), promise.gone(some)
            assert less is not None
            assert more is not None
            assert more.probability >= less.probability - 3 * more.error


def test_a_routine_check_has_no_complaint_to_cure():
    assert assessed("@routine_sound").promise.gone(()) is None
    assert assessed("@routine_sound").plan_json()["complaint_gone"] is None


def test_a_complaint_of_which_nothing_is_said_is_the_usual_one():
    case = HOT_AND_DEAD_FAN.replace('cooling = "weak"\n', "")
    inspection = load_case(case, model().knowledge)
    context = stated_context(inspection, model().knowledge)
    assert complaints_of(believe(inspection, model()), context) == {"cooling": True}
