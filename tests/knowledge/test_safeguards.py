"""The safety rules are stated in code, and no knowledge file takes them away unnoticed."""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping
from typing import Any

import msgspec
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from loopodds.base.errors import KnowledgeError
from loopodds.knowledge import floor as floor_module
from loopodds.knowledge.floor import CARS, KEPT, MARKS, floor, marks_of
from loopodds.knowledge.guards import earlier
from loopodds.knowledge.records import Knowledge
from loopodds.knowledge.safeguards import require_safe, safety_slips
from loopodds.knowledge.work import Trigger

KNOWN = Knowledge()
GUARDS = ("refrigerant_identification", "leak_stop_check")


def with_changes(part: str, name: str, **changes: object) -> Knowledge:
    """The shipped knowledge with one record otherwise."""
    records = getattr(KNOWN, part)
    changed = msgspec.structs.replace(records[name], **changes)
    return KNOWN.changed(**{part: {**records, name: changed}})


def with_test(name: str, like: str, **changes: object) -> Knowledge:
    """The shipped knowledge with one more test, but for some fields like another one."""
    test = msgspec.structs.replace(KNOWN.tests[like], name=name, **changes)
    return KNOWN.changed(tests={**KNOWN.tests, name: test})


def said(knowledge: Knowledge) -> list[str]:
    return [str(slip) for slip in safety_slips(knowledge)]


@pytest.fixture
def no_floor(monkeypatch: pytest.MonkeyPatch) -> None:
    """The rules alone, as for knowledge in which every name is another one."""
    nothing: Mapping[str, Any] = {
        "tests": {}, "services": {}, "stops": {}, "nodes": {}, "cautions": {}
    }  # fmt: skip
    monkeypatch.setattr(floor_module, "floor", lambda: nothing)


def test_the_shipped_knowledge_keeps_every_rule() -> None:
    assert said(KNOWN) == []


def test_the_floor_is_what_the_shipped_knowledge_says() -> None:
    """After a test, service or stop was added: ``python tools/record_floor.py``."""
    assert json.loads(json.dumps(marks_of(KNOWN))) == floor()


RULES: dict[str, tuple[str, dict[str, Any], str]] = {
    "a coupled test that does not wait for a guard": (
        "static_test",
        {"after": ("label_check",)},
        "static_test: touches the loop but does not wait for the guard leak_stop_check",
    ),
    "a running test that waits for nothing": (
        "vent_test",
        {"after": ()},
        "vent_test: needs the charge but does not wait for the guard leak_stop_check",
    ),
    "a sample without its caution": (
        "capture_sample",
        {"cautions": ()},
        "capture_sample: needs the caution never_vent, which belongs to all sampling",
    ),
    "a loop opened with its charge in": (
        "open_screen",
        {"after": GUARDS},
        "open_screen: opens the loop but does not wait for a test that draws the charge",
    ),
    "a running test that recovery does not end": (
        "recover_and_weigh",
        {"destroys": ()},
        "vent_test: needs the charge but is not among what recover_and_weigh destroys",
    ),
    "a guard that passes what is dangerous": (
        "refrigerant_identification",
        {"passes": {"identification": ("as_labelled", "hydrocarbon")}},
        "refrigerant_identification: passes: 'hydrocarbon' of identification passes, though "
        "dangerous",
    ),
    "work for qualified people without its caution": (
        "insulation_measurement",
        {"cautions": ()},
        "insulation_measurement: needs the caution high_voltage, which belongs to the skill "
        "high_voltage",
    ),
    "a running test without its caution": (
        "vent_test",
        {"cautions": ("moving_parts",)},
        "vent_test: needs the caution starved_compressor, which belongs to all running",
    ),
}


@pytest.mark.parametrize("case", RULES)
@pytest.mark.usefixtures("no_floor")
def test_every_rule_speaks_of_marks_and_needs_no_name(case: str) -> None:
    name, changes, expected = RULES[case]
    assert f"tests.toml: {expected}" in said(with_changes("tests", name, **changes))


@pytest.mark.usefixtures("no_floor")
def test_services_wait_for_guards_and_carry_their_cautions_too() -> None:
    gone = with_changes("services", "dry_the_loop", after=(), cautions=())
    expected = {
        "works on the loop but does not wait for the guard leak_stop_check",
        "works on the loop but does not wait for the guard refrigerant_identification",
        "opens the loop but does not wait for a test that draws the charge",
        "needs the caution never_vent, which belongs to all filling",
        "needs the caution licensed_practice, which belongs to all opening",
    }
    assert {f"services.toml: dry_the_loop: {text}" for text in expected} <= set(said(gone))


@pytest.mark.usefixtures("no_floor")
def test_a_dangerous_state_that_nothing_answers_is_named() -> None:
    stops = {name: stop for name, stop in KNOWN.stops.items() if name != "high_voltage"}
    expected = "findings.toml: insulation_test: dangerous: 'low' brings no stop about"
    assert expected in said(KNOWN.changed(stops=stops))


@pytest.mark.usefixtures("no_floor")
def test_a_guard_is_not_walked_around_by_another_test_of_the_same_finding() -> None:
    added = with_test("asked_about_gas", "interview", yields=("identification",))
    expected = "yields identification but is no guard as refrigerant_identification is"
    assert f"tests.toml: asked_about_gas: {expected}" in said(added)


@pytest.mark.usefixtures("no_floor")
def test_knowledge_without_any_guard_is_named() -> None:
    tests = {n: msgspec.structs.replace(test, passes={}) for n, test in KNOWN.tests.items()}
    expected = "tests.toml: static_test: touches the loop, and no test is a guard"
    assert expected in said(KNOWN.changed(tests=tests))


def test_a_danger_is_not_taken_back_where_a_guard_is_widened_with_it() -> None:
    """Consistent in itself, and yet below the floor."""
    node = KNOWN.nodes["identification"]
    tame = msgspec.structs.replace(node, dangerous=("hydrocarbon", "unknown"))
    guard = msgspec.structs.replace(
        KNOWN.tests["refrigerant_identification"],
        passes={"identification": ("as_labelled", "mixed")},
    )
    widened = KNOWN.changed(
        nodes={**KNOWN.nodes, "identification": tame}, tests={**KNOWN.tests, guard.name: guard}
    )
    assert said(widened) == [
        "tests.toml: refrigerant_identification: passes: 'mixed' of identification was not passed",
        "findings.toml: identification: dangerous: 'mixed' is gone",
    ]


def test_a_running_test_that_nobody_guards_and_recovery_forgets_is_named() -> None:
    added = with_test("long_run", "vent_test", after=(), cautions=())
    assert [text.removeprefix("tests.toml: long_run: ") for text in said(added)][:4] == [
        "needs the charge but does not wait for the guard refrigerant_identification",
        "needs the charge but does not wait for the guard leak_stop_check",
        "needs the charge but is not among what recover_and_weigh destroys",
        "needs the caution starved_compressor, which belongs to all running",
    ]


def test_the_same_reading_by_another_name_has_to_be_taken_as_carefully() -> None:
    other = with_test(
        "quick_gauges", "interview", yields=("static_pressure",), as_it_came=False
    )  # fmt: skip
    assert {
        "tests.toml: quick_gauges: connects_machine: every other way to static_pressure does, and "
        "this one is not marked so",
        "tests.toml: quick_gauges: after: every other way to static_pressure waits for "
        "leak_stop_check",
    } <= set(said(other))


def test_knowledge_that_gives_no_work_to_do_needs_no_stops() -> None:
    assert said(KNOWN.changed(tests={}, services={}, stops={})) == []
    assert said(KNOWN.changed(services={}, stops={})) != []


def test_a_guard_or_a_stop_that_is_left_out_is_missed() -> None:
    tests = {n: t for n, t in KNOWN.tests.items() if n != "leak_stop_check"}
    stops = {n: s for n, s in KNOWN.stops.items() if n != "leak_stop"}
    texts = said(KNOWN.changed(tests=tests, stops=stops))
    assert "tests.toml: leak_stop_check: a guard of the floor, and there is no such test" in texts
    assert "stops.toml: leak_stop: a stop of the floor, and there is none" in texts


@pytest.mark.parametrize(
    "trigger",
    [
        {"at_least": {"high_side": 60.0}},
        {"at_least": {"high_side": 26.0}, "seen": {"fan_check": ("dead",)}},
        {"at_least": {"high_side": 26.0}, "believed": {"overcharge": 0.1}},
    ],
)
def test_a_stop_may_not_come_later_than_it_did(trigger: dict[str, Any]) -> None:
    rest = KNOWN.stops["high_pressure"].when[1:]
    later = with_changes("stops", "high_pressure", when=(Trigger(**trigger), *rest))
    expected = "when: nothing is as soon in force as trigger 1 of the floor"
    assert said(later) == [f"stops.toml: high_pressure: {expected}"]


def test_no_stop_waives_what_was_waited_for() -> None:
    """A stop that is always in force would otherwise open every guard."""
    always = Trigger(waives=("leak_stop_check",))
    added = with_changes("stops", "contaminated", when=(*KNOWN.stops["contaminated"].when, always))
    assert said(added) == [
        "stops.toml: contaminated: when[8].waives: 'leak_stop_check' was waited for then"
    ]
    new = msgspec.structs.replace(KNOWN.stops["contaminated"], name="new", when=(always,))
    assert said(KNOWN.changed(stops={**KNOWN.stops, "new": new})) == [
        "stops.toml: new: when[1].waives: 'leak_stop_check' was waited for then"
    ]


def test_a_stop_of_every_car_is_not_turned_into_one_of_the_bay_or_told_in_passing() -> None:
    first, *rest = KNOWN.stops["high_pressure"].when
    in_bay = (msgspec.structs.replace(first, in_bay=True), *rest)
    assert said(with_changes("stops", "high_pressure", when=in_bay, quiet=True)) == [
        "stops.toml: high_pressure: quiet: it is told before everything, and no longer",
        "stops.toml: high_pressure: when: nothing is as soon in force as trigger 1 of the floor",
    ]


def test_a_plan_still_has_to_deal_with_what_stops_the_car() -> None:
    assert said(with_changes("stops", "foreign_gas", dealt_by=())) == [
        "stops.toml: foreign_gas: dealt_by: nothing is left that deals with it"
    ]
    more = (*KNOWN.stops["foreign_gas"].dealt_by, "advise_and_recheck")
    assert said(with_changes("stops", "foreign_gas", dealt_by=more)) == [
        "stops.toml: foreign_gas: dealt_by: 'advise_and_recheck' was not among them"
    ]


def test_nothing_clears_a_guard_without_filling_the_loop_anew() -> None:
    expected = "services.toml: advise_and_recheck: clears a guard but does not fill the loop anew"
    assert expected in said(with_changes("services", "advise_and_recheck", clears=GUARDS))


@pytest.mark.parametrize(
    ("name", "changes", "expected"),
    [
        ("high_voltage", {"when": {"compressor": "fixed"}},
         "when: it was not only for compressor fixed"),
        ("never_vent", {"conditions": ("leak",)}, "conditions: it is shown on fewer cars than it"),
        ("starved_compressor", {"belongs_to": ()}, "belongs_to: 'running' is gone"),
        ("high_voltage", {"skills": ()}, "skills: 'high_voltage' is gone"),
    ],
)  # fmt: skip
def test_a_caution_is_not_shown_less_than_it_was(
    name: str, changes: dict[str, Any], expected: str
) -> None:
    (text,) = said(with_changes("cautions", name, **changes))
    assert text.startswith(f"cautions.toml: {name}: {expected}")


def test_what_is_stricter_is_no_slip() -> None:
    sooner = (Trigger(at_least={"high_side": 20.0}), *KNOWN.stops["high_pressure"].when[1:])
    assert said(with_changes("stops", "high_pressure", when=sooner, spares=())) == []
    after = (*KNOWN.tests["fan_test"].after, "cold_look")
    assert said(with_changes("tests", "fan_test", after=after, set_up=("cold",))) == []
    assert said(with_changes("set_ups", "cold", minutes=90.0)) == []


@pytest.mark.parametrize(
    "knowledge",
    [
        with_changes("tests", "static_test", set_up=("coupled",)),
        with_changes("set_ups", "cold", minutes=59.0),
        with_changes("set_ups", "cold", ended_by="off"),
        with_changes("set_ups", "cold", takes="work"),
    ],
    ids=["not asked for", "shorter", "ended by something else", "in a workshop's hands"],
)
def test_a_standing_pressure_is_never_read_right_after_a_run(knowledge: Knowledge) -> None:
    told = "set_up: a wait of 60 minutes is needed after the engine was running"
    assert said(knowledge) == [f"tests.toml: static_test: {told}"]


def test_what_else_tests_share_is_for_the_workshop_to_correct() -> None:
    assert said(with_changes("tests", "sight_glass_look", set_up=())) == []
    assert said(with_changes("set_ups", "settled", minutes=5.0)) == []


def removals() -> Iterator[tuple[str, str, dict[str, object]]]:
    """Every single thing that can be taken out of the safety part of a test, service or stop."""
    for part in ("tests", "services", "stops"):
        for name, record in getattr(KNOWN, part).items():
            for key in record.__struct_fields__:
                for less in _less(key, getattr(record, key)):
                    yield part, name, {key: less}


def _less(key: str, value: Any) -> Iterator[object]:
    if not value:
        return
    if key in MARKS:
        yield False
    elif key == "when":
        # a trigger that another one covers only waives more than that: no harm in losing it
        for i, trigger in enumerate(value):
            if not (trigger.waives and "undercharge" in trigger.believed):
                yield value[:i] + value[i + 1 :]
    elif key in (*KEPT, "in_context"):
        yield from (value[:i] + value[i + 1 :] for i in range(len(value)))
    elif key in (*CARS, "passes"):
        yield from ({k: v for k, v in value.items() if k != gone} for gone in value)
    elif key in ("filling", "fresh_from", "fresh_minutes"):
        yield None
    elif key == "engine" and value != "any":
        yield "any"
    elif key == "set_up" and "cold" in value:
        yield tuple(name for name in value if name != "cold")


REMOVALS = list(removals())


def named(removed: list[tuple[str, str, dict[str, object]]]) -> bool:
    """Whether each of some removals is named by its file and its record, or removes nothing."""
    parts = {part: dict(getattr(KNOWN, part)) for part in ("tests", "services", "stops")}
    for part, name, change in removed:
        parts[part][name] = msgspec.structs.replace(parts[part][name], **change)
    knowledge = KNOWN.changed(**parts)
    places = {(slip.file, slip.name) for slip in safety_slips(knowledge)}
    return all(
        (f"{part}.toml", name) in places or _still_waits(part, name, knowledge)
        for part, name, change in removed
    )


def _still_waits(part: str, name: str, knowledge: Knowledge) -> bool:
    """Whether only an ``after`` is gone that others before it ask for as well."""
    now, was = getattr(knowledge, part)[name], getattr(KNOWN, part)[name]
    if part == "stops" or msgspec.structs.replace(now, after=was.after) != was:
        return False
    return set(was.after) <= {*now.after, *earlier(now, knowledge)}


@pytest.mark.slow
def test_every_safety_mark_taken_away_is_named_by_file_and_record() -> None:
    assert len(REMOVALS) > 450
    assert [removal for removal in REMOVALS if not named([removal])] == []


@settings(max_examples=60, deadline=None)
@given(st.lists(st.sampled_from(REMOVALS), min_size=2, max_size=6, unique_by=lambda r: r[:2]))
def test_several_taken_away_at_once_do_not_cover_each_other(
    removed: list[tuple[str, str, dict[str, object]]],
) -> None:
    assert named(removed)


def test_nobody_is_advised_against_a_safety_rule_unless_it_is_said() -> None:
    broken = with_changes("tests", "static_test", connects_machine=False)
    with pytest.raises(KnowledgeError, match=r"^tests\.toml: static_test: connects_machine: "):
        require_safe(broken)
    require_safe(broken.changed(unsafe=True))


def test_an_order_that_names_what_is_not_there_is_refused_even_as_unsafe() -> None:
    broken = with_changes("tests", "static_test", passes={"nothing": ("here",)})
    with pytest.raises(KnowledgeError, match=r"static_test: passes: unknown finding"):
        require_safe(broken.changed(unsafe=True))
