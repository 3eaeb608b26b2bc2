"""Cars written down from trade experience before the numbers of the network were looked at.

They are invented, and one author's: text-book signs are commoner in them than in a workshop, so
what is asserted is a floor against getting worse and no measure of accuracy. `hard_*` are meant to
mislead: one or two findings, readings that look ordinary, faults outside the loop. Their author
had read the list of states and general notes on the trade beforehand, had seen how the other cars
came out, and the numbers of one node (moisture). The numbers were revised once after these cars
had been looked at, so they no longer are a test from outside. Only totals
are asserted, never the outcome of one car; floors stand a little below what was measured.
"""

from __future__ import annotations

from functools import cache
from pathlib import Path
from typing import NamedTuple

import pytest
from loopodds.diagnosis.belief import Belief
from loopodds.diagnosis.diagnose import believe
from loopodds.inspection.case_file import load_case
from loopodds.inspection.inspection import Inspection
from shared import shipped

FOLDER = Path(__file__).parents[1] / "blind_cases"
OUTSIDE_THE_LOOP = {"compressor_control", "cabin_mixing", "evaporator_airflow", "condenser_airflow"}


class Car(NamedTuple):
    inspection: Inspection
    belief: Belief
    truth: frozenset[str]  # conditions that were confirmed; empty for a sound car

    @property
    def setting(self) -> str:
        return str(self.inspection.conditions.get("setting", "complaint"))

    def first(self, count: int) -> set[str]:
        return {condition.name for condition in self.belief.ranking()[:count]}


@cache
def cars() -> tuple[Car, ...]:
    model = shipped()
    found = []
    for path in sorted(FOLDER.glob("*.toml")):
        inspection = load_case(path, model.knowledge)
        truth = frozenset(
            name
            for name, condition in model.conditions.items()
            if set(inspection.confirmed.get(condition.variable, ())) & set(condition.states)
        )
        found.append(Car(inspection, believe(inspection, model), truth))
    return tuple(found)


def first(car: Car) -> float:
    """Probability of what is put first."""
    return car.belief.ranking()[0].probability


def faulty() -> list[Car]:
    return [car for car in cars() if car.truth]


def sound() -> list[Car]:
    return [car for car in cars() if not car.truth]


def test_the_cars_cover_every_condition_and_kind_of_car_and_say_that_they_are_invented() -> None:
    assert set().union(*(car.truth for car in cars())) == set(shipped().conditions)
    assert {car.inspection.vehicle["refrigerant"] for car in cars()} == {"R134a", "R1234yf"}
    assert {car.inspection.vehicle["expansion"] for car in cars()} == {"TXV", "orifice"}
    assert {car.inspection.vehicle["compressor"] for car in cars()} == {
        "fixed",
        "variable",
        "electric",
    }
    assert len(faulty()) >= 50
    assert len(sound()) >= 9
    for path in FOLDER.glob("*.toml"):
        assert "# Invented case" in path.read_text(encoding="utf-8")


def test_the_condition_put_first_is_mostly_a_true_one() -> None:
    """Measured: 57 of 59 cars."""
    right = sum(bool(car.first(1) & car.truth) for car in faulty())
    assert right / len(faulty()) >= 0.90


def test_true_conditions_stand_among_the_first_three() -> None:
    """Measured: 71 of the 72 true conditions of the 59 cars."""
    placed = sum(len(car.first(3) & car.truth) for car in faulty())
    assert placed / sum(len(car.truth) for car in faulty()) >= 0.95


def test_true_conditions_get_most_of_the_probability() -> None:
    """Measured: 0.83 on average; 0.86 while gauges were read by hand-made numbers, which took a
    pressure for a measure of the charge and the makers' tables for closer than they are.
    """
    given = [car.belief.condition(name) for car in faulty() for name in car.truth]
    assert sum(given) / len(given) >= 0.82


def test_what_is_not_true_is_never_called_nearly_certain() -> None:
    """Above 0.95 a workshop would act without another test."""
    for car in cars():
        for condition in car.belief.ranking():
            assert condition.name in car.truth or condition.probability <= 0.95


def test_faults_outside_the_loop_are_named_before_the_loop_is_blamed() -> None:
    """Measured: all ten cars whose only faults are outside the loop have one of them first."""
    outside = [car for car in faulty() if car.truth <= OUTSIDE_THE_LOOP]
    assert len(outside) >= 9
    assert sum(bool(car.first(1) & car.truth) for car in outside) / len(outside) >= 0.9


def test_two_faults_are_both_among_the_first_three() -> None:
    """Measured: all nine."""
    pairs = [car for car in faulty() if len(car.truth) == 2]
    assert len(pairs) >= 7
    assert sum(car.truth <= car.first(3) for car in pairs) / len(pairs) >= 0.85


def test_sound_cars_at_a_routine_check_come_out_sound() -> None:
    """Measured: 0.42 to 0.63, mean 0.50; some of them look bad.

    As one car in five is a little low without anyone noticing, and no pressure tells a charge that
    is a third low, a charge that was not weighed leaves some doubt.
    """
    found = [car for car in sound() if car.setting == "routine"]
    assert all(car.belief.p_sound > car.belief.ranking()[0].probability for car in found)
    assert min(car.belief.p_sound for car in found) >= 0.40
    assert sum(car.belief.p_sound for car in found) / len(found) >= 0.48


@pytest.mark.parametrize("setting", ["complaint", "routine"])
def test_a_sound_car_is_likelier_sound_after_the_look_than_before(setting: str) -> None:
    """All but one, whose sample shows much oil."""
    own = [car for car in sound() if car.setting == setting]
    gained = [car.belief.p_sound / float(car.belief.before.p_sound[0]) for car in own]
    assert sum(gain > 1 for gain in gained) >= len(own) - 1
    assert min(gained) > 0.95


def test_no_condition_of_a_sound_car_is_more_likely_than_not() -> None:
    """Measured: at most 0.39; but 0.72 for low charge on a car that cools weakly, with three
    ordinary readings, none of which tells the charge: one in two such cars is low before a look.
    """
    thin = {car.belief.ranking()[0].name for car in sound() if first(car) >= 0.5}
    assert thin <= {"undercharge"}
    assert sum(first(car) >= 0.5 for car in sound()) <= 1
