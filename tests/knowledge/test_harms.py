"""What it costs to leave a fault alone for a season, each harm beside its reason.

All are invented in units of which 60 are an hour of labour: what counts is that they stand in the
right order and in the right proportion to the price of the cure.
"""

from __future__ import annotations

import tomllib
from pathlib import Path
from typing import Any

import loopodds_data
import pytest

DATA = Path(loopodds_data.__file__).parent
HARMS = tomllib.loads((DATA / "harms.toml").read_text(encoding="utf-8"))
SERVICES = tomllib.loads((DATA / "services.toml").read_text(encoding="utf-8"))
ABOUT = {"source", "grade", "weight", "in_context", "tell_from"}

# fault, state, harm in hours of labour, reason
REASONS = [
    ("leak", "slow", 2, "a filling every other year, and gas into the air"),
    ("leak", "fast", 12, "empty within the season, and a compressor without oil before that"),
    ("charge", "slightly_low", 1, "hardly felt but on the hottest days"),
    ("charge", "low", 10, "weak cooling all season, compressor runs warm"),
    ("charge", "very_low", 15, "no cooling, and oil no longer comes back"),
    ("charge", "slightly_high", 2, "a little fuel, a little heat"),
    ("charge", "high", 8, "trips, hot compressor, liquid in it"),
    ("air", "mild", 2, "as slight overfilling"),
    ("air", "high", 8, "as high overfilling: heat and oxidised oil"),
    ("wrong_refrigerant", "cross_mixed", 12, "cools, but spoils the stock of the next workshop"),
    ("wrong_refrigerant", "other_halocarbon", 15, "and eats oil and seals"),
    ("wrong_refrigerant", "hydrocarbon", 34, "and burns: the worst of a belted car"),
    ("wrong_refrigerant", "r40", 36, "poisons, burns, and eats the compressor to a fire"),
    ("drier_saturated", "present", 5, "nothing yet, but no water is taken up any more"),
    ("moisture", "damp", 4, "slow acid and corrosion"),
    ("moisture", "wet", 12, "ice, acid, a valve and in the end the compressor"),
    ("debris", "light", 12, "wears, may block, and goes on wearing when it is handed back"),
    ("debris", "heavy", 27, "kills this compressor and the next one"),
    ("dye_excess", "present", 3, "thinned oil; hides what the sample would tell"),
    ("foreign_sealant", "present", 25, "blocks in the car; takes a workshop's machine"),
    ("flush_residue", "present", 12, "strips the film: a new compressor in danger"),
    ("oil_amount", "short", 12, "a compressor without a film"),
    ("oil_amount", "excess", 6, "some cooling, some pressure, liquid oil in the compressor"),
    ("wrong_oil", "present", 10, "a poor film, layers: half a compressor"),
    ("compressor_overheating", "mild", 1, "it happened; watch it"),
    ("compressor_overheating", "moderate", 6, "oil on its way to acid"),
    ("compressor_overheating", "severe", 18, "at its end: on the road is the dearest place"),
    ("compressor_wear", "early", 10, "half of its life is gone, sheds into the loop"),
    ("compressor_wear", "advanced", 30, "a new set, a tow, and the belt of the pump on many cars"),
    ("weak_compressor", "present", 15, "the customer came for cold and gets hardly any"),
    ("restriction", "partial", 5, "weak cooling, starved compressor"),
    ("restriction", "severe", 12, "no cooling, starved compressor"),
    ("restriction", "in_condenser", 12, "hot in every queue, and a compressor that burns"),
    ("compressor_drive", "valve", 13, "no cold all season, nothing restrains it"),
    ("compressor_drive", "hub", 12, "no cold at all"),
    ("clutch_bearing", "present", 5, "breaks some day and takes the belt along"),
    ("high_voltage_drive", "present", 15, "no cold; the battery of some cars gets none either"),
    ("winding_to_earth", "present", 20, "somebody may be hurt, and the car may stop"),
    ("evaporator_icing", "present", 4, "no air on long drives, water in the cabin"),
    ("pressure_sensor", "present", 6, "no cooling, or a fan by a wrong number"),
    ("expansion_stuck", "closed", 12, "no cooling, starved compressor"),
    ("expansion_stuck", "open", 12, "liquid back to the compressor, and hardly any cold"),
    ("condenser_airflow", "reduced", 5, "heat in every queue"),
    ("condenser_airflow", "blocked", 12, "trips and a burnt compressor"),
    ("evaporator_airflow", "present", 3, "comfort, and a coil that ices"),
    ("compressor_control", "present", 6, "no cooling all season, nothing breaks"),
    ("cabin_mixing", "present", 4.5, "warm air all season, nothing breaks"),
]


@pytest.mark.parametrize(("fault", "state", "hours", "reason"), REASONS)
def test_what_leaving_it_alone_costs(fault: str, state: str, hours: float, reason: str) -> None:
    assert HARMS[fault][state] == pytest.approx(hours * 60), reason


def test_the_wrong_oil_is_the_dearest_neglect_of_all_in_an_electric_compressor() -> None:
    """Insulation fails: every oil-wetted part is renewed, and before that somebody may be hurt."""
    (electric,) = HARMS["wrong_oil"]["in_context"]
    assert electric == {"when": {"compressor": "electric"}, "present": 80 * 60}


def test_no_harm_is_without_a_reason() -> None:
    stated = {(fault, state) for fault, entry in HARMS.items() for state in {*entry} - ABOUT}
    assert stated == {(fault, state) for fault, state, *_ in REASONS}


@pytest.mark.parametrize("fault", sorted(HARMS))
def test_the_graver_state_costs_more(fault: str) -> None:
    graded = {"leak", "air", "moisture", "debris", "compressor_overheating", "compressor_wear",
              "restriction", "condenser_airflow", "wrong_refrigerant"}  # fmt: skip
    costs = [cost for state, cost in HARMS[fault].items() if state not in ABOUT]
    assert fault not in graded or costs == sorted(costs)
    assert min(costs) > 0


def price(service: str) -> float:
    entry: dict[str, Any] = SERVICES[service]
    return float(entry["price"] + entry["minutes"])  # a minute of labour costs one unit


def test_nothing_in_a_belted_car_costs_much_more_than_its_compressor() -> None:
    """What ends with a new compressor costs the set, and what a breakdown on the road adds.

    Only a filling that burns costs more, for the danger to people.
    """
    prices = tomllib.loads((DATA / "prices.toml").read_text(encoding="utf-8"))
    once = [prices[part]["minutes"] + prices[part]["cost"] for part in ("filling", "opening")]
    new_set = price("replace_compressor_set") + sum(once) + prices["refrigerant"]["R134a"]
    worst = {
        name: max(cost for state, cost in entry.items() if state not in ABOUT)
        for name, entry in HARMS.items()
    }
    burns = worst.pop("wrong_refrigerant")
    assert new_set < worst["compressor_wear"] == max(worst.values()) < 1.5 * new_set
    assert burns > worst["compressor_wear"]


def test_watching_is_enough_for_a_mild_tint_and_not_for_a_burnt_compressor() -> None:
    mild, severe = (HARMS["compressor_overheating"][s] for s in ("mild", "severe"))
    assert mild < price("change_oil") < severe
