"""Practice cars in plain words, exercises under the gates, and marks that make honesty pay."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from loopodds.base.errors import InspectionError, OutOfRange, UnknownName
from loopodds.calibration.scores import brier_score
from loopodds.decision.moves import Closed, Move
from loopodds.diagnosis.diagnose import believe
from loopodds.inspection.encoding import encode
from loopodds.inspection.inspection import batch_of
from loopodds.inspection.sections import inspection_from
from loopodds.knowledge.cures import fault_columns
from loopodds.knowledge.records import SOUND
from loopodds.training.cars import practice_cars
from loopodds.training.debrief import (
    View,
    best_course,
    check_stated,
    cost_of_plan,
    debriefed,
    moment,
    outcome,
    squared_error,
)
from loopodds.training.decks import Deck
from loopodds.training.exercise import Exercise

EVENTS = ("moisture", "leak", "undercharge", SOUND)


@pytest.fixture(scope="module")
def cars(model):
    return practice_cars(Deck(model, "mixed", 31), 120)


# ---- marks ------------------------------------------------------------------------------------

# a belief: how likely each combination of events is
beliefs = st.lists(
    st.tuples(st.sets(st.sampled_from(EVENTS)), st.integers(1, 50)), min_size=1, max_size=8
)
statements = st.fixed_dictionaries({event: st.floats(0, 1) for event in EVENTS})


def expectation(belief, stated):
    total = sum(weight for _, weight in belief)
    return sum(w * squared_error(stated, true, EVENTS) for true, w in belief) / total


def honest(belief):
    total = sum(weight for _, weight in belief)
    return {e: sum(w for true, w in belief if e in true) / total for e in EVENTS}


@given(beliefs, statements)
def test_nobody_can_expect_to_do_better_than_by_saying_what_they_believe(belief, stated):
    truth = honest(belief)
    gap = sum((stated[event] - truth[event]) ** 2 for event in EVENTS)
    # the expected loss of a lie is exactly its squared distance from the belief;
    # abs 1e-9: float rounding of at most 8 weighted terms of size 4
    assert expectation(belief, stated) - expectation(belief, truth) == pytest.approx(gap, abs=1e-9)


def test_what_is_not_named_counts_as_zero():
    assert squared_error({}, {"leak"}, EVENTS) == 1.0
    assert squared_error({"leak": 1.0}, {"leak"}, EVENTS) == 0.0
    assert squared_error({"moisture": 1.0}, {"leak"}, EVENTS) == 2.0


def test_bluffing_and_timidity_cost_over_many_cars(model):
    stated, happened = [], []
    for car in practice_cars(Deck(model, "workshop", 8), 400):
        belief = believe(Exercise(model, car, 60).inspection(), model)
        stated += [belief.condition(name) for name in model.conditions]
        happened += [name in car.present for name in model.conditions]
    said = np.array(stated)
    odds = said / (1 - said)
    for exaggeration in (0.5, 2.0):
        twisted = odds**exaggeration / (1 + odds**exaggeration)
        assert brier_score(twisted, happened) > brier_score(said, happened)


@pytest.mark.parametrize(
    ("stated", "kind", "message"),
    [
        ({"moistrue": 0.5}, UnknownName, "unknown condition 'moistrue'; did you mean 'moisture'?"),
        ({"leak": 1.2}, OutOfRange, "leak: 120 % is no probability; 0 to 100 %"),
        ({"leak": math.nan}, OutOfRange, "leak: nan % is no probability; 0 to 100 %"),
        (
            {"leak": 0.7, "sound": 0.4},
            OutOfRange,
            "leak and sound exclude each other but come to 110 % together",
        ),
        (
            {"undercharge": 0.7, "overcharge": 0.5},
            OutOfRange,
            "undercharge and overcharge exclude each other but come to 120 % together",
        ),
    ],
)
def test_probabilities_that_cannot_be_meant_are_refused(model, stated, kind, message):
    with pytest.raises(kind) as caught:
        check_stated(stated, model.knowledge)
    assert str(caught.value) == message


# ---- cars and exercises -----------------------------------------------------------------------


def test_every_car_can_be_written_down_whole(model, cars):
    for car in cars:
        sections = car.seen(*car.findings, *car.readings)
        inspection = inspection_from(sections, model.knowledge)
        assert np.isfinite(believe(inspection, model).log_evidence)


def test_readings_say_what_was_drawn(model):
    deck = Deck(model, "workshop", 77)
    draws, cars = deck.draw(60), practice_cars(deck, 60)
    # largest error of a printed reading on the scale of its gauge: half a unit of the last digit,
    # through the saturation curve for pressures (0.005 bar is at most 0.25 K above -40 degC)
    rounding = {"high_side": 0.25, "low_side": 0.25, "static_pressure": 0.25, "air_share": 0.51,
                "recovered": 0.2, "drained_oil": 0.6}  # fmt: skip
    compared = 0
    for draw, car in zip(draws, cars, strict=True):
        # a high side below the low one is believed only with what says why
        seen = car.seen(*car.readings, "compressor_cycle", "sides_equal")
        batch = batch_of([inspection_from(seen, model.knowledge)], model.knowledge)
        for name, reading in encode(batch, model.knowledge).readings.items():
            drawn = float(draw.evidence.numbers[name][0][0])
            stopped_at_zero = reading.value[0] == 0
            if reading.extra[0] > 0 or np.isnan(reading.residual[0]) or stopped_at_zero:
                continue
            assert reading.residual[0] == pytest.approx(drawn, abs=rounding.get(name, 0.051)), name
            compared += 1
    assert compared > 300


def test_an_exercise_begins_with_what_the_driver_tells_and_the_history(model, cars):
    exercise = Exercise(model, cars[0], 90)
    inspection = exercise.inspection()
    assert set(inspection.findings) == set(model.knowledge.tests["interview"].yields)
    assert set(inspection.history) == set(model.knowledge.of_kind("history"))
    assert not inspection.readings
    assert exercise.minutes_left == 90


EMPTIED = {
    "refrigerant_identification", "leak_stop_check", "recover_and_weigh", "vacuum_hold_test",
}  # fmt: skip


def test_no_gate_is_ever_broken(model, cars):
    rng = np.random.default_rng(4)
    tests = list(model.knowledge.tests)
    done_in_all = 0
    for car in cars:
        exercise = Exercise(model, car, 200)
        for _ in range(5):
            try:
                exercise.do(tests[rng.integers(len(tests))])
            except InspectionError:
                continue
        order = exercise.tests_done()
        done_in_all += len(order)
        assert exercise.minutes_left >= 0
        for place, name in enumerate(order):
            test = model.knowledge.tests[name]
            # an open or emptied loop has no gas to identify and nothing to recover
            waived = EMPTIED if exercise.progress().waived else set()
            assert set(test.after) - waived <= set(order[:place])
            assert not any(name in model.knowledge.tests[o].destroys for o in order[:place])
            only = test.only
            assert all(car.vehicle[key] == value for key, value in only.items())
    assert done_in_all > 500


def test_a_closed_way_stops_a_sequence(model):
    deck = Deck(model, "workshop", 2)
    stopped = 0
    for car in practice_cars(deck, 150):
        shown = car.findings["identification"], car.findings["sealant_check"]
        if shown == ("as_labelled", "negative"):
            continue
        exercise = Exercise(model, car, 90)
        exercise.do("pressure_test")
        assert "pressure_test" not in exercise.tests_done()
        assert isinstance(exercise.way("pressure_test"), Closed)
        stopped += 1
    assert stopped > 3


def test_refusals_of_an_exercise(model, cars):
    exercise = Exercise(model, cars[0], 20)
    with pytest.raises(UnknownName) as caught:
        exercise.do("pressure_tst")
    assert str(caught.value) == "unknown test 'pressure_tst'; did you mean 'pressure_test'?"
    with pytest.raises(InspectionError) as caught:
        exercise.do("pressure_test")
    assert str(caught.value) == (
        "pressure_test takes 35 minutes with what has to come before it; 20 are left"
    )
    exercise.do("label_check")
    with pytest.raises(InspectionError) as caught:
        exercise.do("label_check")
    assert str(caught.value) == "label_check: what it shows is known already"


# ---- debrief ----------------------------------------------------------------------------------


@pytest.mark.parametrize("number", [0, 1, 2, 3])
def test_the_networks_own_way_loses_nothing(model, cars, number):
    course = best_course(Exercise(model, cars[number], 60))
    view = View(course, len(course.done))
    belief = view.shop.belief
    stated = {name: belief.condition(name) for name in model.conditions}
    stated[SOUND] = belief.p_sound
    result = debriefed(course, stated, view.best_plan)
    # abs 1e-6: float rounding of sums of squares and of costs in hundreds
    assert result.score == pytest.approx(100.0, abs=1e-6)
    assert result.own == result.best


def test_a_needless_test_loses_no_more_than_its_cost(model, cars):
    for car in cars[:4]:
        exercise = Exercise(model, car, 400)
        exercise.do("blower_test")
        judged = moment(exercise, 0)
        assert 0 <= judged.lost <= exercise.done[0].cost + 1e-9
        assert judged.bits >= 0


def test_no_step_promises_more_than_the_best_one_unless_it_made_others_impossible(model, cars):
    early = 0
    for car in cars[:6]:
        exercise = Exercise(model, car, 400)
        for name in ("label_check", "recover_and_weigh"):
            if isinstance(exercise.way(name), Move):
                exercise.do(name)
        for step, done in enumerate(exercise.done):
            judged = moment(exercise, step)
            early += bool(judged.ended)
            assert set(judged.ended) <= set(model.knowledge.tests[done.test].destroys)
            if not judged.ended:
                # abs 1e-6: float rounding of costs in hundreds
                assert judged.net_value <= judged.best_value + 1e-6
    assert early


def test_the_worth_of_a_step_does_not_depend_on_what_it_then_showed(model, cars):
    judged = []
    for state in model.states("fan_check"):
        twin = replace(cars[0], findings={**cars[0].findings, "fan_check": state})
        exercise = Exercise(model, twin, 60)
        exercise.do("fan_test")
        judged.append(moment(exercise, 0))
    assert judged[0] == judged[1] == judged[2]


def test_a_plan_is_priced_as_its_services_and_the_harm_it_leaves(model, cars):
    sound = {name: model.states(name)[0] for name in model.faults}
    states = {**sound, "condenser_airflow": "blocked"}
    car = replace(cars[0], states=states, present=("condenser_airflow",))
    exercise = Exercise(model, car, 60)
    knowledge = model.knowledge
    shop = View(exercise, 0).shop
    column = fault_columns(knowledge).index(("condenser_airflow", "blocked"))
    harm = knowledge.harms["condenser_airflow"].states["blocked"]
    # the car came with a complaint, and the dead fan may well be what brought it about
    assert shop.complaints
    harm += knowledge.prices["unsolved"] * shop.brought_about[column]
    service = knowledge.services["restore_condenser_airflow"]
    cured = service.cures["condenser_airflow"]
    price = service.price + service.minutes * knowledge.prices["labour_rate"] / 60
    # abs 1e-9: float rounding
    assert outcome(exercise, ()).came_to == pytest.approx(harm, abs=1e-9)
    assert outcome(exercise, (service.name,)).came_to == pytest.approx(
        price + (1 - cured) * harm, abs=1e-9
    )


def test_plans_that_cannot_be_are_refused(model, cars):
    view = View(Exercise(model, cars[0], 60), 0)
    with pytest.raises(InspectionError) as caught:
        cost_of_plan(view.shop.decision, view.state.marginal, ("hand_over",))
    assert str(caught.value) == (
        "hand_over: nothing that can be done on this car, or cures nothing"
    )
    both = ("recover_and_charge", "repair_leak_and_charge")
    with pytest.raises(InspectionError) as caught:
        cost_of_plan(view.shop.decision, view.state.marginal, both)
    assert str(caught.value) == (
        "recover_and_charge, repair_leak_and_charge: not to be done together on one car"
    )


def test_a_plan_costs_what_all_its_services_cost(model, cars):
    """Also where leaving one of them out would be cheaper."""
    view = View(Exercise(model, cars[0], 60), 0)
    decision, marginal = view.shop.decision, view.state.marginal
    for plan in decision.alternatives(marginal, 60):
        own = cost_of_plan(decision, marginal, plan.actions)
        assert own == pytest.approx(plan.cost, abs=1e-6)
    dear = ("replace_condenser", "purge_flush_residue")
    assert cost_of_plan(decision, marginal, dear) > decision.best(marginal).cost + 50
