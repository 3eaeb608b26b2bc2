"""The order of work protects people first, then equipment, then evidence.

What holds for all work of a kind is a rule of :mod:`loopodds.knowledge.safeguards` and tested
there; here stands what the trade says of one thing or another by name.
"""

from __future__ import annotations

import pytest
from loopodds.knowledge import work as records
from loopodds.knowledge.records import Knowledge
from loopodds.safety.stops import reach_of


@pytest.fixture(scope="module")
def knowledge() -> Knowledge:
    return Knowledge()


def before(name: str, knowledge: Knowledge) -> set[str]:
    """Every test that must have been done, directly or through another."""
    found: set[str] = set()
    waiting = list(knowledge.tests[name].after)
    while waiting:
        one = waiting.pop()
        if one not in found:
            found.add(one)
            waiting.extend(knowledge.tests[one].after)
    return found


def test_static_pressure_waits_until_a_loop_that_ran_has_one_temperature_again(
    knowledge: Knowledge,
) -> None:
    static = knowledge.tests["static_test"]
    assert static.engine == "off"
    soaks = [knowledge.set_ups[name] for name in static.set_up]
    soaks = [one for one in soaks if one.ended_by == "running"]
    assert sum(one.minutes for one in soaks) >= 60


def test_only_the_right_refrigerant_without_leak_stop_opens_the_way(knowledge: Knowledge) -> None:
    identification = knowledge.tests["refrigerant_identification"]
    leak_stop = knowledge.tests["leak_stop_check"]
    assert identification.passes == {"identification": ("as_labelled",)}
    assert leak_stop.passes == {"sealant_check": ("negative",)}


def test_a_compressor_that_knocks_does_not_run_not_even_for_a_sample(knowledge: Knowledge) -> None:
    shut = reach_of(knowledge)["compressor_knocks"].tests
    running = {name for name, test in knowledge.tests.items() if test.engine == "running"}
    assert shut == running
    assert "capture_sample" in shut


def test_nitrogen_does_not_wait_for_a_vacuum(knowledge: Knowledge) -> None:
    """A vacuum draws wet air in through the leak (common practice, no source)."""
    for name in ("nitrogen_test", "nitrogen_search"):
        assert "vacuum_hold_test" not in before(name, knowledge)


def test_control_of_an_electric_compressor_is_repaired_by_qualified_people(
    knowledge: Knowledge,
) -> None:
    (block,) = knowledge.services["repair_control"].in_context
    assert block.when == {"compressor": "electric"}
    assert "insulation_measurement" in block.after
    assert block.skill == ("high_voltage",)


def test_lines_of_an_electric_compressor_are_not_flushed(knowledge: Knowledge) -> None:
    assert knowledge.services["clean_the_loop"].never == {"compressor": "electric"}


def test_acid_and_moisture_ask_for_a_fresh_sample(knowledge: Knowledge) -> None:
    for name in ("acid_kit", "moisture_test"):
        assert "capture_sample" in before(name, knowledge)
        assert knowledge.tests[name].fresh_minutes <= 15


def test_wrong_refrigerant_never_goes_through_the_workshop_s_machine(knowledge: Knowledge) -> None:
    service = knowledge.services["remove_wrong_refrigerant"]
    assert "recover_and_weigh" not in service.after
    assert "unknown_refrigerant" in service.cautions


def test_an_electric_compressor_is_opened_only_with_its_insulation_known(
    knowledge: Knowledge,
) -> None:
    work: dict[str, records.Test | records.Service] = {**knowledge.tests, **knowledge.services}
    for name in ("compressor_swab", "drain_oil", "replace_compressor_set", "repair_compressor"):
        (block,) = work[name].in_context
        assert block.when == {"compressor": "electric"}
        assert block.after == ("insulation_measurement",)
        assert block.skill == ("high_voltage",)


def test_draining_is_no_cure_for_an_electric_compressor(knowledge: Knowledge) -> None:
    """About one per cent of the wrong oil spoils its insulation: parts are replaced instead."""
    assert knowledge.services["change_oil"].never == {"compressor": "electric"}
    assert knowledge.services["high_voltage_oil_path"].only == {"compressor": "electric"}


def test_a_compressor_is_not_replaced_on_a_look_alone(knowledge: Knowledge) -> None:
    service = knowledge.services["replace_compressor_set"]
    assert "compressor_swab" in service.after
    assert "look_is_not_proof" in service.cautions


def test_every_test_with_the_gas_names_what_burns_where_it_burns(knowledge: Knowledge) -> None:
    for test in knowledge.tests.values():
        if test.connects_machine or test.name == "capture_sample":
            careful = {"r1234yf_flammable", "hoses_free_of_pag"}
            assert careful <= set(test.cautions) or test.name == "vacuum_hold_test", test.name
    assert knowledge.cautions["r1234yf_flammable"].when == {"refrigerant": "R1234yf"}
