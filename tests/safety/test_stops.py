"""Stops: what no saving outweighs is never offered, and a car that is sound is not stopped."""

from __future__ import annotations

import tomllib
from collections.abc import Iterator, Mapping
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from loopodds.advice.assessment import Assessment, assess
from loopodds.base.errors import LoopoddsError
from loopodds.casebook.sources import read_case
from loopodds.decision.moves import Move
from loopodds.diagnosis.model import Model
from loopodds.inspection.sections import inspection_from
from loopodds.knowledge.records import Knowledge
from shared import assessed
from shared import shipped as model

STATES: list[dict[str, Any]] = tomllib.loads(
    (Path(__file__).parent / "stop_states.toml").read_text(encoding="utf-8")
)["state"]
SECTIONS = ("vehicle", "conditions", "history", "findings", "readings")
SOUND = ("routine_sound", "looks_bad_is_sound", "over_dyed", "first_look", "blend_door")


@cache
def compiled() -> Model:
    """The same for thousands of cars, one at a time."""
    return Model(model().knowledge, compiled=True)


def car(sections: Mapping[str, Any], known: Model | None = None) -> Assessment:
    return assess(inspection_from(sections, model().knowledge), known or model())


@pytest.mark.parametrize("state", STATES, ids=lambda state: str(state["name"]))
def test_a_state_has_the_stops_of_the_trade(state: dict[str, Any]) -> None:
    """Written before there was code for stops (common practice, no source)."""
    names = {stop.name for stop in car({k: state[k] for k in SECTIONS if k in state}).stops}
    assert names >= set(state["stops"]), state["why"]
    assert not names & set(state.get("not_stops", ())), state["why"]
    if not state["stops"]:
        assert not names, state["why"]


def test_the_table_is_large_and_holds_cars_that_may_go_on() -> None:
    assert len(STATES) >= 40
    assert sum(not state["stops"] for state in STATES) >= 15


@pytest.mark.parametrize("name", SOUND)
def test_a_car_that_may_go_on_is_not_stopped(name: str) -> None:
    assert not assessed(f"@{name}").stops


SHOWN = {
    "high_voltage": ("universal_oil_electric", "after_a_bump"),
    "compressor_knocks": ("worn_compressor", "seized_compressor"),
    "loop_open": ("found_open", "after_a_bump"),
    "charge_is_out": ("overfilled",),
    "high_pressure": ("at_the_limit",),
    "cut_out_hot": ("hot_trip",),
    "nearly_empty": ("nearly_empty",),
    "foreign_gas": ("cross_mixed", "burning_gas"),
    "leak_stop": ("leak_stop_car",),
    "contaminated": ("solvent_left", "burnt_compressor"),
}
"""Every stop with shipped cases that demonstrate it."""


def test_every_stop_is_demonstrated_by_a_shipped_case() -> None:
    loud = {name for name, stop in model().knowledge.stops.items() if not stop.quiet}
    assert SHOWN.keys() == loud
    for name, cases in SHOWN.items():
        for case in cases:
            assert name in {stop.name for stop in assessed(f"@{case}").stops}, (name, case)


@pytest.mark.parametrize(
    ("seen", "held"),
    [
        ({}, True),
        ({"leak_detector": "none"}, False),
        ({"leak_spot_uv": "none"}, False),
        ({"filling_slip": "less"}, False),
        ({"filling_slip": "as_label"}, True),
        ({"fan_check": "dead"}, True),
    ],
)
def test_a_proven_shortage_is_not_refilled_before_a_leak_search_or_a_reason(
    seen: dict[str, str], held: bool
) -> None:
    """Common practice; in some countries the law. A repair of the leak needs no search before."""
    told = {**SHORT, "findings": {**SHORT["findings"], **seen}}
    result = car(told)
    assert result.shop.facts.chance("charge.low|very_low")[0] > 0.8
    assert ("shortage_without_leak" in {rule.name for rule in result.held_back}) is held
    assert bool(result.plan_json()["held_back"]) is held
    assert ("recover_and_charge" not in result.shop.offers) is held
    assert "repair_leak_and_charge" in result.shop.offers
    # a rule of the house is told with the plan, and is no stop
    assert not result.stops


SHORT: dict[str, Any] = {
    "vehicle": {"refrigerant": "R134a", "expansion": "TXV", "compressor": "fixed"},
    "conditions": {"setting": "complaint", "ambient": "30 degC", "humidity": "50 %"},
    "findings": {"cooling": "weak", "line_bubbles": "steady", "identification": "as_labelled"},
    "readings": {
        "low_side": "0.9 bar", "high_side": "8.6 bar", "superheat": "17 K", "subcooling": "0 K",
        "vent": "18 degC",
    },
}  # fmt: skip


def test_a_stop_for_what_nobody_looked_at_says_what_to_look_at_first() -> None:
    result = assessed("@after_a_bump")
    assert result.settling == ("high_voltage_look", "cold_look")
    told = result.next_json()
    assert told["next"] == "high_voltage_look"
    assert not told["stop"]


def test_gas_that_burns_gets_its_caution_whatever_the_label_says() -> None:
    """Also on every later screen: the stop stays until the gas is out."""
    result = assessed("@burning_gas")
    assert result.context["refrigerant"] == "R134a"
    for told in (result.as_json(), result.next_json(), result.plan_json()):
        (stop,) = told["stops"]
        assert any("fuel gas" in text for text in stop["cautions"])


# --- nothing shut is ever offered ---------------------------------------------------------------


def sections(rng: np.random.Generator, knowledge: Knowledge) -> dict[str, Any]:
    """A random record: alarming findings often, readings over their whole range."""
    kinds = [t for stop in knowledge.stops.values() for t in stop.when]
    alarming = [(n, s) for t in kinds for n, states in t.seen.items() for s in states]
    told: dict[str, Any] = {"history": {}, "findings": {}, "readings": {}}
    for _ in range(int(rng.integers(0, 3))):
        name, state = alarming[int(rng.integers(len(alarming)))]
        kind = "history" if knowledge.node(name).kind == "history" else "findings"
        told[kind][name] = state
    findings = list(knowledge.of_kind("finding").values())
    for index in rng.choice(len(findings), int(rng.integers(0, 6)), replace=False):
        node = findings[int(index)]
        told["findings"].setdefault(node.name, node.states[int(rng.integers(len(node.states)))])
    if rng.random() < 0.4:
        told["readings"]["static_pressure"] = f"{rng.uniform(0, 9):.1f} bar"
    if rng.random() < 0.4:
        told["readings"]["high_side"] = f"{rng.uniform(8, 30):.1f} bar"
    told["vehicle"] = {
        "refrigerant": str(rng.choice(["R134a", "R1234yf"])),
        "compressor": str(rng.choice(["fixed", "variable", "electric"])),
        "expansion": str(rng.choice(["TXV", "orifice"])),
    }
    told["conditions"] = {
        "setting": str(rng.choice(["complaint", "routine"])),
        "ambient": f"{rng.uniform(8, 38):.0f} degC",
    }
    return told


def fills(result: Assessment) -> bool:
    """Whether the plan leaves the loop filled."""
    services = [result.knowledge.services[name] for name in result.shop.best.actions]
    return any(service.filling or service.settles for service in services)


def shut_by(result: Assessment) -> set[str]:
    """Tests still to be done and services that a stop in force shuts."""
    return {name for stop in result.stops for name in (*stop.shut_tests, *stop.shut_services)}


def named_in(policy: Mapping[str, Any]) -> Iterator[str]:
    """The tests and services at the head of a policy."""
    yield from policy.get("tests", ())
    yield from policy.get("stop", ())


@pytest.mark.slow
def test_nothing_shut_is_offered_in_a_thousand_random_states() -> None:
    """The gates, which every adviser asks, and the plan."""
    rng, knowledge = np.random.default_rng(20261128), model().knowledge
    stopped = offered = 0
    for _ in range(1_000):
        told = sections(rng, knowledge)
        if told["findings"].get("compressor_cycle") == "cut_out":
            del told["findings"]["compressor_cycle"]  # it would hide the reading from the belief
        result = possible(told)
        if result is None:
            continue
        shop = result.shop
        shut = {n for s in result.stops for n in (*s.shut_tests, *s.shut_services)}
        shut -= set(shop.progress.done)
        stopped += bool(result.stops)
        for move in shop.gates.moves(shop.progress):
            assert shut.isdisjoint(step.test for step in move.steps), (told, move)
            offered += 1
        assert shut.isdisjoint(shop.offers), told
        needed = {name for offer in shop.offers.values() for name in offer.needs}
        assert shut.isdisjoint(needed), told
        # what waits for a guard that lifts the stop comes only after that was passed
        lifting = {name for name, _ in shop.progress.pending}
        if any(stop.machine_off and stop.name not in lifting for stop in result.stops):
            assert not coupling(result), told
    assert stopped > 600
    assert offered > 10_000


def coupling(result: Assessment) -> list[str]:
    """Tests open now that couple the workshop's machine on their way."""
    tests, shop = result.knowledge.tests, result.shop
    return [
        step.test
        for move in shop.gates.moves(shop.progress)
        for step in move.steps
        if tests[step.test].connects_machine or tests[step.test].draws_charge
    ]


def possible(told: Mapping[str, Any]) -> Assessment | None:
    """The car, or nothing where what was drawn cannot be."""
    try:
        return car(told, compiled())
    except LoopoddsError:
        return None


@pytest.mark.slow
def test_next_plan_and_lookahead_offer_nothing_shut() -> None:
    rng, knowledge = np.random.default_rng(20261129), model().knowledge
    seen = 0
    while seen < 30:
        result = possible(sections(rng, knowledge))
        if result is None or not result.stops:
            continue
        seen += 1
        shut = shut_by(result) - set(result.shop.progress.done)
        assert shut.isdisjoint(result.policy.steps)
        assert shut.isdisjoint((*result.advice.best.services, *result.advice.best.first))
        assert shut.isdisjoint(name for plan in result.advice.others for name in plan.services)
        assert shut.isdisjoint(test.test for test in result.tests)
        root = result.next_json()["sequence"]
        assert shut.isdisjoint(named_in(root))
        branch = result.policy.best
        for row, outcome in enumerate(root.get("outcomes", ())):
            assert branch is not None
            there, _ = result.shop.at_outcome(branch, row)
            closed = result.shop.gates.bars(there).shut
            assert closed.isdisjoint(named_in(outcome["then"])), outcome


# --- what they rest on --------------------------------------------------------------------------


def test_a_reading_alone_stops_the_engine() -> None:
    """28 bar is the limit of the trade's measuring sheets (estimate); near it nothing runs."""
    told = {"vehicle": {"refrigerant": "R134a"}, "conditions": {"ambient": "35 degC"}}
    hot = car({**told, "readings": {"high_side": "27 bar"}})
    warm = car({**told, "readings": {"high_side": "24 bar"}})
    assert [stop.name for stop in hot.stops] == ["high_pressure"]
    assert hot.stops[0].because == ("high-side pressure: 27.0 bar",)
    assert not warm.stops


def test_a_high_side_foreseen_at_its_limit_ends_the_run_in_thought_too() -> None:
    """What a test may show is held against the limit as what it showed."""
    told = {
        "vehicle": {"refrigerant": "R134a", "compressor": "fixed", "expansion": "TXV"},
        "conditions": {"setting": "complaint", "ambient": "33 degC"},
        "findings": {
            "label_and_fittings": "agree", "identification": "as_labelled",
            "port_core": "clean", "sealant_check": "negative", "fan_check": "dead",
            "cooling": "weak",
        },
    }  # fmt: skip
    result = car(told)
    branches = {b.move.test: b for b in result.shop.single.branches}
    branch = branches["pressure_test"]
    stopped = [
        "high_pressure" in result.shop.at_outcome(branch, row)[0].stops
        for row in range(len(branch.chance))
    ]
    assert any(stopped)
    assert not all(stopped)


def test_an_open_loop_is_led_to_its_repair_without_gas_to_identify() -> None:
    told = {"vehicle": {"refrigerant": "R134a", "compressor": "fixed"}}
    result = car({**told, "findings": {"loop_found": "open"}})
    way = result.shop.gates.way("nitrogen_search", result.shop.progress)
    assert isinstance(way, Move)
    assert "recover_and_weigh" not in way.first
    assert "repair_leak_and_charge" in result.shop.offers
    assert "recover_and_charge" not in result.shop.offers


def test_contamination_is_never_handed_back_unsaid() -> None:
    """Every plan deals with it, or goes along with the advice in writing."""
    for state in STATES:
        if "contaminated" in state["stops"]:
            result = car({k: state[k] for k in SECTIONS if k in state})
            assert result.plan is not None
            assert set(result.plan.services) - {"put_charge_back"}, state["name"]


def test_a_negative_check_does_not_clear_a_car_that_was_given_leak_stop() -> None:
    told = {
        "vehicle": {"refrigerant": "R134a", "compressor": "fixed"},
        "history": {"stop_leak_used": "yes"},
        "findings": {"identification": "as_labelled", "sealant_check": "negative"},
    }
    assert car(told).connection.answer == "filtered"
    assert car({**told, "history": {}}).connection.answer == "yes"
    del told["findings"]["sealant_check"]
    assert car({**told, "history": {}}).connection.answer == "no"


def test_a_case_file_is_read_with_its_stops() -> None:
    case = "[vehicle]\ncompressor = 'electric'\n[findings]\ninsulation_test = 'low'\n"
    told = assess(read_case(case)).as_json()
    (stop,) = told["stops"]
    assert stop["name"] == "high_voltage"
    assert stop["who"] == "people qualified for high voltage"
    assert "pressure_test" in stop["shut_tests"]
    assert "recover_and_charge" in stop["shut_services"]


# --- what one stop asks, another piece of advice obeys ------------------------------------------


@pytest.mark.parametrize("state", STATES, ids=lambda state: str(state["name"]))
def test_where_the_machine_stays_off_no_test_couples_it(state: dict[str, Any]) -> None:
    result = car({k: state[k] for k in SECTIONS if k in state})
    if any(stop.machine_off for stop in result.stops):
        assert result.connection.answer == "no"
        assert not coupling(result)


def test_people_qualified_for_high_voltage_can_do_what_is_left_open_for_them() -> None:
    """What a spared service needs is spared with it; for all others it stays shut."""
    told = {
        "vehicle": {"refrigerant": "R1234yf", "compressor": "electric", "expansion": "TXV"},
        "findings": {
            "insulation_test": "low", "identification": "as_labelled", "sealant_check": "negative",
        },
    }  # fmt: skip
    plain = car(told)
    every = plain.shop.gates.prices.with_everything(plain.knowledge)
    skilled = assess(inspection_from(told, plain.knowledge), model(), prices=every)
    assert {"high_voltage_oil_path", "replace_compressor_set"} <= skilled.shop.offers.keys()
    assert not {"high_voltage_oil_path", "replace_compressor_set"} & plain.shop.offers.keys()
    assert "recover_and_weigh" in {t for s in plain.stops for t in s.shut_tests}
    assert "pressure_test" in {t for s in skilled.stops for t in s.shut_tests}


@pytest.mark.parametrize("compressor", ["fixed", "variable"])
def test_a_belt_driven_car_hears_nothing_of_high_voltage(compressor: str) -> None:
    result = car({"vehicle": {"compressor": compressor}})
    assert not [closed for closed in result.shop.closed if "voltage" in closed.why]


def test_a_struck_battery_car_is_measured_and_its_cable_looked_at() -> None:
    told = {
        "vehicle": {"compressor": "electric"},
        "history": {"collision": "yes"},
        "findings": {"loop_found": "closed", "insulation_test": "good"},
    }
    half = car(told)
    assert [stop.name for stop in half.stops] == ["high_voltage"]
    assert half.settling == ("high_voltage_look",)
    assert half.connection.to_do == ("high_voltage_look",)
    told["findings"]["high_voltage_cable"] = "sound"
    assert not car(told).stops


@pytest.mark.parametrize("seen", [{"vacuum_hold": "rises"}, {"vacuum_hold": "plateau"}])
def test_a_loop_that_was_emptied_is_not_handed_back_empty(seen: dict[str, str]) -> None:
    """That a stop shuts the plain refill does away with nothing that is owed."""
    told = {
        "vehicle": {"refrigerant": "R134a", "compressor": "fixed", "expansion": "TXV"},
        "findings": {"identification": "as_labelled", "sealant_check": "negative", **seen},
    }
    result = car(told)
    assert "put_charge_back" in {name for stop in result.stops for name in stop.shut_services}
    assert fills(result)
    assert result.plan is not None
    assert "recover_and_weigh" not in result.plan.first


def test_an_empty_loop_is_searched_although_there_is_nothing_to_identify() -> None:
    told = {"vehicle": {"refrigerant": "R134a", "compressor": "fixed"}}
    empty = car({**told, "readings": {"static_pressure": "0 bar"}})
    way = empty.shop.gates.way("nitrogen_search", empty.shop.progress)
    assert isinstance(way, Move)
    assert not way.first
    little = car({**told, "readings": {"static_pressure": "0.4 bar"}})
    way = little.shop.gates.way("nitrogen_search", little.shop.progress)
    assert isinstance(way, Move)
    assert "refrigerant_identification" in way.first


def test_only_a_service_that_is_likely_to_cure_it_deals_with_contamination() -> None:
    """A compressor alone leaves the metal of an advanced one in the loop: it is said in writing."""
    (state,) = (s for s in STATES if s["name"] == "metal in the glass and on the screen")
    shop = car({k: state[k] for k in SECTIONS if k in state}).shop
    assert shop.with_companions(("repair_compressor",))[-1] == "put_in_writing"
    assert shop.with_companions(("replace_compressor_set",)) == ("replace_compressor_set",)


def test_a_contaminated_loop_reaches_the_machine_only_through_a_filter() -> None:
    (state,) = (s for s in STATES if s["name"] == "solvent left from a flush")
    assert car({k: state[k] for k in SECTIONS if k in state}).connection.answer == "filtered"
