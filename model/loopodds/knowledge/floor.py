"""What no knowledge may fall below: the safety marks that this program was made with.

``floor.json`` beside this module holds the marks of the shipped tests, services, stops, cautions
and dangerous findings as they were when the program was made; ``tools/record_floor.py`` writes it.
It is no part of the data: editing a knowledge file cannot move it. Knowledge may be stricter, and
may add what the floor does not name; a new way to what the floor knows has to be as careful as
every way to it that the floor knows.
"""

import json
from collections.abc import Callable, Iterable, Iterator, Mapping
from functools import cache
from importlib import resources
from typing import Any

import msgspec

from loopodds.knowledge.cures import cured_states
from loopodds.knowledge.guards import Slip, earlier
from loopodds.knowledge.records import Knowledge
from loopodds.knowledge.work import Service, Test

Record = Mapping[str, Any]

MARKS = (
    "connects_machine", "draws_charge", "opens_loop", "energises", "takes_sample",
    "needs_pressure", "machine_off",
)  # fmt: skip
"""What is marked stays marked."""
KEPT = (
    "after", "skill", "cautions", "destroys", "shuts", "filters", "dangerous", "belongs_to",
    "skills",
)  # fmt: skip
"""Lists that may grow and not shrink."""
CLOSED = ("clears", "spares", "dealt_by")
"""Lists that may shrink and not grow."""
SAME = ("filling", "fresh_from", "otherwise")
NARROWING = ("conditions", "findings")
"""Lists that name when something is said; without them it always is."""
CARS = ("only", "never")
ASKED = (*MARKS, *KEPT, *CLOSED, *SAME, *CARS, *NARROWING, "when",
         "engine", "passes", "quiet", "fresh_minutes", "in_context")  # fmt: skip
COMMON = ("connects_machine", "draws_charge", "opens_loop", "takes_sample", "needs_pressure")
"""Marks that another way to the same finding or cure has to carry too, if all known ways do."""


@cache
def floor() -> Mapping[str, Mapping[str, Record]]:
    """The recorded marks: ``tests``, ``services``, ``stops``, ``cautions``, ``nodes``."""
    text = resources.files("loopodds.knowledge").joinpath("floor.json").read_text("utf-8")
    recorded: dict[str, dict[str, Record]] = json.loads(text)
    return recorded


def marks_of(knowledge: Knowledge) -> dict[str, dict[str, dict[str, Any]]]:
    """The marks of a knowledge in the form of the floor; what is empty is left out."""
    parts: dict[str, Mapping[str, Any]] = {
        "tests": knowledge.tests, "services": knowledge.services, "stops": knowledge.stops,
        "cautions": knowledge.cautions,
        "nodes": {n: node for n, node in knowledge.nodes.items() if node.dangerous},
    }  # fmt: skip
    marks = {
        part: {name: _marks(record) for name, record in records.items()}
        for part, records in parts.items()
    }
    for part, tasks in (("tests", knowledge.tests), ("services", knowledge.services)):
        for name, task in tasks.items():
            marks[part][name]["gives"] = sorted(_gives(task, knowledge))
            marks[part][name]["guards"] = sorted(_guards(task, knowledge))
            if soak := _soak(task, knowledge):
                marks[part][name]["soak"] = soak
    for name, stop in knowledge.stops.items():
        marks["stops"][name]["when"] = [
            _plain({key: getattr(trigger, key) for key in trigger.__struct_fields__})
            for trigger in stop.when
        ]
    return marks


def floor_slips(knowledge: Knowledge) -> Iterator[Slip]:
    """Everything in which a knowledge is less careful than the floor."""
    now = marks_of(knowledge)
    tasks: Mapping[str, Mapping[str, Test | Service]] = {
        "tests": knowledge.tests, "services": knowledge.services
    }  # fmt: skip
    for part, given in tasks.items():
        for name, task in given.items():
            then = sorted({*task.after, *earlier(task, knowledge)})
            marks = {**now[part][name], "after": then}
            known = floor()[part].get(name)
            texts = _other_way(marks, floor()[part]) if known is None else _laxer(known, marks)
            yield from (Slip(f"{part}.toml", name, text) for text in texts)
    for name, record in floor()["tests"].items():
        if record.get("passes") and name not in knowledge.tests:
            yield Slip("tests.toml", name, "a guard of the floor, and there is no such test")
    for name, record in floor()["nodes"].items():
        if name in knowledge.nodes:
            file = knowledge.nodes[name].file
            texts = _laxer(record, now["nodes"].get(name, {}))
            yield from (Slip(file, name, text) for text in texts)
    for name, record in floor()["cautions"].items():
        if name in knowledge.cautions:
            shown = now["cautions"][name]
            rarer = (*_laxer(record, shown), *_rarer(record, shown))
            yield from (Slip("cautions.toml", name, text) for text in rarer)
    yield from _stop_slips(now["stops"])


def _marks(record: msgspec.Struct) -> dict[str, Any]:
    return _plain({key: getattr(record, key) for key in ASKED if key in record.__struct_fields__})


def _plain(fields: Mapping[str, Any]) -> dict[str, Any]:
    """Fields that say something, as plain data."""
    said: dict[str, Any] = msgspec.to_builtins({k: v for k, v in fields.items() if v})
    return said


def _gives(task: Test | Service, knowledge: Knowledge) -> Iterable[str]:
    """What a test yields, or the fault states that a service cures."""
    if isinstance(task, Test):
        return task.yields
    pairs = {pair for target in task.cures for pair in cured_states(target, knowledge)}
    return {f"{variable}.{state}" for variable, state in pairs}


def _guards(task: Test | Service, knowledge: Knowledge) -> set[str]:
    return {name for name in earlier(task, knowledge) if knowledge.tests[name].passes}


def _soak(task: Test | Service, knowledge: Knowledge) -> dict[str, float]:
    """Minutes that a test is waited for with nobody at the car, by the engine that asks for it."""
    named = task.set_up if isinstance(task, Test) else ()
    set_ups = (knowledge.set_ups[name] for name in named if name in knowledge.set_ups)
    return {s.ended_by: s.minutes for s in set_ups if s.takes == "wait" and s.ended_by}


def _laxer(floor: Record, given: Record) -> Iterator[str]:
    """In what a record is less careful than the floor, a text for each."""
    for key in MARKS:
        if floor.get(key) and not given.get(key):
            yield f"{key}: it does, and the mark is gone"
    if given.get("quiet") and not floor.get("quiet"):
        yield "quiet: it is told before everything, and no longer"
    for key in KEPT:
        for word in _missing(floor.get(key, ()), given.get(key, ())):
            yield f"{key}: {word!r} is gone"
    for key in CLOSED:
        for word in _missing(given.get(key, ()), floor.get(key, ())):
            yield f"{key}: {word!r} was not among them"
        if key == "dealt_by" and floor.get(key) and not given.get(key):
            yield f"{key}: nothing is left that deals with it"
    for key in SAME:
        if key in floor and given.get(key) != floor[key]:
            yield f"{key}: {floor[key]!r} is gone"
    for key in CARS:
        for context, value in floor.get(key, {}).items():
            if given.get(key, {}).get(context) != value:
                yield f"{key}: {context} {value} is gone"
    if floor.get("engine") in ("running", "off") and given.get("engine") != floor["engine"]:
        yield f"engine: it is done with the engine {floor['engine']}, not {given.get('engine')}"
    for engine, minutes in floor.get("soak", {}).items():
        if given.get("soak", {}).get(engine, 0) < minutes:
            yield f"set_up: a wait of {minutes:g} minutes is needed after the engine was {engine}"
    if "fresh_minutes" in floor and given.get("fresh_minutes", 1e9) > floor["fresh_minutes"]:
        yield f"fresh_minutes: at most {floor['fresh_minutes']:g}"
    yield from _passed_texts(floor.get("passes", {}), given.get("passes", {}))
    for block in floor.get("in_context", ()):
        if not any(_as_careful(block, other) for other in given.get("in_context", ())):
            where = ", ".join(f"{key} {value}" for key, value in block["when"].items())
            yield f"in_context: what is asked for at {where} is gone"


def _rarer(floor: Record, given: Record) -> Iterator[str]:
    """In what a caution is shown on fewer cars."""
    for context, value in given.get("when", {}).items():
        if floor.get("when", {}).get(context) != value:
            yield f"when: it was not only for {context} {value}"
    for key in NARROWING:
        gone = _missing(floor.get(key, ()), given.get(key, ()))
        if given.get(key) and (gone or not floor.get(key)):
            yield f"{key}: it is shown on fewer cars than it was"


def _passed_texts(floor: Record, given: Record) -> Iterator[str]:
    for finding, states in floor.items():
        if finding not in given:
            yield f"passes: {finding} is gone, so that it guards nothing"
        for state in _missing(given.get(finding, ()), states):
            yield f"passes: {state!r} of {finding} was not passed"


def _missing(wanted: Iterable[str], there: Iterable[str]) -> list[str]:
    have = set(there)
    return [word for word in wanted if word not in have]


def _as_careful(block: Record, other: Record) -> bool:
    """Whether a block of ``in_context`` is met by another one, on the same cars at least."""
    same = other["when"].items() <= block["when"].items()
    return same and not any(
        _missing(block.get(key, ()), other.get(key, ())) for key in ("after", "skill")
    )


_IMPLIED: Mapping[str, Callable[[Any, Any], bool]] = {
    "context": lambda was, now: bool(was == now),
    "seen": lambda was, now: set(was) <= set(now),
    "unseen": lambda was, now: set(was) >= set(now),
    "at_least": lambda was, now: bool(was >= now),
    "at_most": lambda was, now: bool(was <= now),
    "believed": lambda was, now: bool(was >= now),
    "doubted": lambda was, now: bool(was <= now),
}
"""Of each thing that a trigger asks for, whether what it asked for implies what it asks for now."""


def _stop_slips(stops: Mapping[str, Record]) -> Iterator[Slip]:
    for name, record in floor()["stops"].items():
        if name not in stops:
            yield Slip("stops.toml", name, "a stop of the floor, and there is none")
            continue
        yield from (Slip("stops.toml", name, text) for text in _laxer(record, stops[name]))
        for number, trigger in enumerate(record["when"], start=1):
            if not any(_covers(other, trigger) for other in stops[name]["when"]):
                text = f"when: nothing is as soon in force as trigger {number} of the floor"
                yield Slip("stops.toml", name, text)
    for name, stop in stops.items():
        known = floor()["stops"].get(name, {}).get("when", ())
        for number, trigger in enumerate(stop["when"], start=1):
            wider = [was for was in known if _covers(was, trigger)]
            waived = [test for was in wider for test in was.get("waives", ())]
            for test in _missing(trigger.get("waives", ()), waived):
                text = f"when[{number}].waives: {test!r} was waited for then"
                yield Slip("stops.toml", name, text)


def _covers(wide: Record, narrow: Record) -> bool:
    """Whether a trigger holds wherever another one does."""
    asked = [
        (implied, narrow.get(key, {}).get(name), value)
        for key, implied in _IMPLIED.items()
        for name, value in wide.get(key, {}).items()
    ]
    done, of_these = set(wide.get("done", ())), set(narrow.get("done", ()))
    if wide.get("in_bay") and not narrow.get("in_bay"):
        return False
    return all(was is not None and implied(was, now) for implied, was, now in asked) and (
        not done or (bool(of_these) and of_these <= done)
    )


def _other_way(given: Record, known: Mapping[str, Record]) -> Iterator[str]:
    """Marks and guards of every known way to what a new task gives, which it lacks."""
    for gift in given["gives"]:
        ways = [record for record in known.values() if gift in record["gives"]]
        if not ways:
            continue
        for key in COMMON:
            if all(way.get(key) for way in ways) and not given.get(key):
                yield f"{key}: every other way to {gift} does, and this one is not marked so"
        guards = set.intersection(*(set(way["guards"]) for way in ways))
        for guard in sorted(guards.difference(given["guards"])):
            yield f"after: every other way to {gift} waits for {guard}"
        runs = all(way.get("engine") == "running" for way in ways)
        if runs and given.get("engine") != "running":
            yield f"engine: every other way to {gift} runs it"
