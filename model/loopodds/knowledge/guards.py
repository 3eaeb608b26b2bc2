"""The order of work: what comes before a test, and guards that cannot be walked around.

A guard is a test that must have been passed before what waits for it. Every check of the order
stands here, since nobody may be advised from an order with a hole in it.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from typing import Any

from loopodds.base.errors import unknown_name
from loopodds.knowledge.records import Knowledge, Service, Test

COUPLED = ("connects_machine", "draws_charge", "opens_loop")
"""What a test or service does that must not be done before every guard was passed."""


@dataclass(frozen=True, slots=True)
class Slip:
    """Something wrong with the knowledge; a warning is odd but does no harm."""

    file: str
    name: str
    text: str
    warning: bool = False

    def __str__(self) -> str:
        kind = "warning: " if self.warning else ""
        return f"{self.file}: {self.name}: {kind}{self.text}"


def order_slips(knowledge: Knowledge) -> Iterator[Slip]:
    """Everything wrong with guards, soaks, fresh samples and contexts of tests and services."""
    for test in knowledge.tests.values():
        for text in (*_test_texts(test, knowledge), *_shared_texts(test, knowledge)):
            yield Slip("tests.toml", test.name, text)
    for service in knowledge.services.values():
        for text in (*_service_texts(service, knowledge), *_shared_texts(service, knowledge)):
            yield Slip("services.toml", service.name, text)


def _test_texts(test: Test, knowledge: Knowledge) -> Iterator[str]:
    extra = test.extra
    for finding, states in extra.get("passes", {}).items():
        if finding not in test.yields:
            yield f"passes: {unknown_name('finding of this test', finding, test.yields)}"
            continue
        yield from _state_texts("passes", finding, states, knowledge)
    yield from _unless_texts(test, knowledge)
    if extra.get("soak_minutes", 0) < 0:
        yield f"soak_minutes {extra['soak_minutes']} is below zero"
    if ("fresh_minutes" in extra) != ("fresh_from" in extra):
        yield "fresh_minutes and fresh_from go together"
    elif "fresh_from" in extra and extra["fresh_from"] not in earlier(test, knowledge):
        yield f"fresh_from: {extra['fresh_from']!r} does not come before it"


def _unless_texts(test: Test, knowledge: Knowledge) -> Iterator[str]:
    findings = knowledge.of_kind("finding")
    for name, states in test.extra.get("unless", {}).items():
        if name not in findings:
            yield f"unless: {unknown_name('finding', name, findings)}"
            continue
        yield from _state_texts("unless", name, states, knowledge)


def _state_texts(
    key: str, finding: str, states: Iterable[str], knowledge: Knowledge
) -> Iterator[str]:
    yield from _unknown(key, f"state of {finding}", states, list(knowledge.node(finding).states))


def _service_texts(service: Service, knowledge: Knowledge) -> Iterator[str]:
    guards = [name for name, test in knowledge.tests.items() if "passes" in test.extra]
    extra = service.extra
    yield from _unknown("clears", "guard", extra.get("clears", ()), guards)
    filling = [str(extra["filling"])] if "filling" in extra else []
    yield from _unknown("filling", "service", filling, knowledge.services)
    findings = knowledge.of_kind("finding")
    yield from _unknown("shows", "finding", extra.get("shows", ()), findings)
    yield from _unknown("settles", "test", extra.get("settles", ()), knowledge.tests)
    if ("settles" in extra) != ("undone" in extra):
        yield "settles and undone go together"
    elif extra.get("undone", 0) < 0:
        yield f"undone {extra['undone']:g} is below zero"


def _shared_texts(item: Test | Service, knowledge: Knowledge) -> Iterator[str]:
    for key in ("only", "never"):
        yield from context_texts(item.extra.get(key, {}), key, knowledge)
    for block in item.extra.get("in_context", ()):
        yield from context_texts(block.get("when", {}), "in_context.when", knowledge)
        yield from _unknown("in_context.after", "test", block.get("after", ()), knowledge.tests)
    if any(item.extra.get(mark) for mark in COUPLED):
        cleared = item.extra.get("clears", ())
        for name, test in knowledge.tests.items():
            guards = "passes" in test.extra and name != item.name and name not in cleared
            if guards and name not in earlier(item, knowledge):
                yield f"touches the loop but does not wait for the guard {name}"


def _unknown(
    where: str, kind: str, words: Iterable[str], options: Mapping[str, Any] | list[str]
) -> Iterator[str]:
    known = list(options)
    yield from (f"{where}: {unknown_name(kind, w, known)}" for w in words if w not in known)


def context_texts(when: Mapping[str, str], where: str, knowledge: Knowledge) -> Iterator[str]:
    """What is wrong with contexts and values that a block of the knowledge names."""
    choices = {name: c.values for name, c in knowledge.contexts.items() if c.values}
    for key, value in when.items():
        if key not in choices:
            yield f"{where}: {unknown_name('context', key, choices)}"
        elif value not in choices[key]:
            yield f"{where}: {unknown_name(f'value of {key}', value, choices[key])}"


def earlier(item: Test | Service, knowledge: Knowledge) -> set[str]:
    """Tests that come before a test or service in every context, directly or not."""
    found: set[str] = set()
    waiting = list(item.after)
    while waiting:
        name = waiting.pop()
        if name in knowledge.tests and name not in found:
            found.add(name)
            waiting.extend(knowledge.tests[name].after)
    return found
