"""Cars written without sight of the numbers, judged as the owner of a good workshop would.

They are invented, and one author's. What is expected of each stands in ``new_cars/expected.toml``,
written before the tool was asked; a bar is a share of all cars where workshops differ, and holds
for every car where somebody could be hurt or a dear machine spoilt.
"""

from __future__ import annotations

import tomllib
from collections.abc import Iterable, Iterator
from functools import cache
from pathlib import Path
from typing import Any, NamedTuple

import pytest
from loopodds.advice.assessment import Assessment, assess
from loopodds.base.errors import InspectionError
from loopodds.casebook.sources import read_case
from shared import shipped

FOLDER = Path(__file__).parents[1] / "new_cars"
KINDS = {"early", "sound", "stop", "full"}
OPENED_BY = {
    (): {"refrigerant_identification"},
    ("foreign_gas",): {"refrigerant_identification"},
    ("leak_stop",): {"leak_stop_check"},
}
"""By the stops expected: guards whose answer may open what is shut; no guard opens other stops."""
DEAR = 400.0
"""Currency from which on a service is dear for a car that has nothing."""

pytestmark = pytest.mark.slow


class Car(NamedTuple):
    name: str
    expected: dict[str, Any]
    found: Assessment

    @property
    def kind(self) -> str:
        kind: str = self.expected["kind"]
        return kind

    @property
    def steps(self) -> tuple[str, ...]:
        """Tests to do next; empty where it is time to decide."""
        return self.found.policy.steps

    @property
    def services(self) -> tuple[str, ...]:
        """The plan if it has to be decided now."""
        return self.found.plan.services if self.found.plan else ()

    @property
    def leading(self) -> set[str]:
        """What the tool puts first; of an early car also what follows, and what rose most."""
        ranking = self.found.belief.ranking()
        if self.kind != "early":
            return {ranking[0].name}
        rose = sorted(ranking, key=lambda c: c.prior - c.probability)
        return {condition.name for condition in (*ranking[:3], *rose[:3])}

    def names(self, key: str) -> set[str]:
        """Tests and services expected under a key, groups spelt out."""
        return spelt_out(self.expected.get(key, ()))


@cache
def expectations() -> dict[str, dict[str, Any]]:
    return tomllib.loads((FOLDER / "expected.toml").read_text(encoding="utf-8"))


def spelt_out(names: Iterable[str]) -> set[str]:
    groups = expectations()["groups"]
    return {one for name in names for one in groups.get(name, (name,))}


def files() -> list[Path]:
    return sorted(path for path in FOLDER.glob("*.toml") if path.stem != "expected")


@cache
def cars() -> tuple[Car, ...]:
    """Every car that can be read; that all can is a claim of its own."""
    model, found = shipped(), []
    for path in files():
        try:
            inspection = read_case(path, model.knowledge)
        except InspectionError:
            continue
        found.append(Car(path.stem, expectations()[path.stem], assess(inspection, model)))
    return tuple(found)


def of_kind(*kinds: str) -> list[Car]:
    return [car for car in cars() if car.kind in kinds]


def with_key(key: str) -> list[Car]:
    return [car for car in cars() if car.expected.get(key)]


def moves_of(car: Car) -> set[str]:
    """Every test of the sequence and of the plan, and the plan's services.

    What waits for a guard may follow its answer.
    """
    guards = OPENED_BY.get(tuple(car.expected.get("stops", ())), set())
    plan = car.found.plan
    first = tuple(up_to(guards, plan.first)) if plan else ()
    sequence = sequence_of(car.found.next_json()["sequence"], guards)
    return {*sequence, *first, *car.services}


def sequence_of(tree: dict[str, Any], guards: set[str]) -> Iterator[str]:
    """Tests of a policy, on each way as far as its first guard."""
    here = tuple(up_to(guards, tree.get("tests", ())))
    yield from here
    if not guards & set(here):
        for outcome in tree.get("outcomes", ()):
            yield from sequence_of(outcome["then"], guards)


def up_to(guards: set[str], tests: Iterable[str]) -> Iterator[str]:
    for test in tests:
        yield test
        if test in guards:
            return


def test_a_third_are_early_a_fifth_sound_a_fifth_to_be_stopped_and_all_are_invented() -> None:
    kinds = [expectations()[path.stem]["kind"] for path in files()]
    assert expectations().keys() - {"groups"} == {path.stem for path in files()}
    assert set(kinds) == KINDS
    assert len(kinds) >= 60
    assert kinds.count("early") / len(kinds) >= 0.3
    assert min(kinds.count("sound"), kinds.count("stop")) / len(kinds) >= 0.18
    for path in files():
        assert "# Invented case" in path.read_text(encoding="utf-8")


def test_every_car_can_be_read() -> None:
    for path in files():
        read_case(path, shipped().knowledge)


def test_the_leading_fault_is_accepted_in_nine_cars_of_ten() -> None:
    """Measured before the work on advice: 71 of 73."""
    judged = [car for car in with_key("first") if car.kind != "sound"]
    accepted = [car for car in judged if car.leading & set(car.expected["first"])]
    assert len(accepted) / len(judged) >= 0.9


def test_no_sound_car_is_given_a_dear_service_or_one_that_it_has_no_use_for() -> None:
    for car in of_kind("sound"):
        offers = car.found.shop.offers
        assert not [name for name in car.services if offers[name].price >= DEAR], car.name
        assert not car.names("must_not") & set(car.services), car.name


def test_nothing_that_is_shut_is_ever_offered() -> None:
    for car in with_key("shut"):
        offered = moves_of(car) & car.names("shut")
        assert not offered, (car.name, offered)


def test_cars_to_be_stopped_are_stopped_and_no_others() -> None:
    for car in cars():
        stops = {stop["name"] for stop in car.found.stops_json()["stops"]}
        wanted = set(car.expected.get("stops", ()))
        assert wanted <= stops, car.name
        assert wanted or stops <= set(car.expected.get("may_stop", ())), (car.name, stops)


def test_a_loop_with_foreign_gas_or_leak_stop_is_worked_on_only_after_that_is_out() -> None:
    loop = spelt_out(["loop_services"])
    for car in with_key("only_with"):
        if loop & set(car.services):
            assert car.expected["only_with"] in car.services, car.name


def test_no_plan_hands_contamination_back_unsaid() -> None:
    services = shipped().knowledge.services
    for car in with_key("leaves"):
        left = {entry["condition"] for entry in car.found.plan_json()["leaves"]}
        for condition in car.expected["leaves"]:
            cured = any(
                key.split(".")[0] == condition
                for name in car.services
                for key in services[name].cures
            )
            assert cured or condition in left, (car.name, condition)


def test_a_good_workshop_would_do_the_next_test_first() -> None:
    """Measured before the work on advice: 30 of 32."""
    judged = with_key("next_ok")
    taken = [car for car in judged if (car.steps or ("decide",))[0] in car.names("next_ok")]
    assert len(taken) / len(judged) >= 0.9


def test_the_plan_if_it_has_to_be_decided_now_is_one_to_carry_out_in_nine_cars_of_ten() -> None:
    """Measured before the work on advice: 30 of 36."""
    judged = with_key("plan_ok")
    taken = [car for car in judged if car.names("plan_ok") & set(car.services)]
    assert len(taken) / len(judged) >= 0.9


def test_no_car_with_a_fault_is_given_what_it_has_no_use_for() -> None:
    """Measured before the work on advice: one, a condenser blocked inside taken for overfilling."""
    judged = [car for car in with_key("must_not") if car.kind != "sound"]
    wrong = [car.name for car in judged if car.names("must_not") & set(car.services)]
    assert len(wrong) <= 1, wrong
