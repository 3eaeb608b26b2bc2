"""The order of work: what comes before a test, and guards that cannot be walked around.

A guard is a test that must have been passed before what waits for it. Every check of the order
stands here, since nobody may be advised from an order with a hole in it.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass

from loopodds.base.errors import unknown_name
from loopodds.knowledge.records import Knowledge
from loopodds.knowledge.work import Service, Test


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
    for finding, states in test.passes.items():
        if finding not in test.yields:
            yield f"passes: {unknown_name('finding of this test', finding, test.yields)}"
            continue
        yield from _state_texts("passes", finding, states, knowledge)
    findings = knowledge.of_kind("finding")
    for name, states in test.unless.items():
        if name not in findings:
            yield f"unless: {unknown_name('finding', name, findings)}"
            continue
        yield from _state_texts("unless", name, states, knowledge)
    if test.soak_minutes < 0:
        yield f"soak_minutes {test.soak_minutes:g} is below zero"
    if (test.fresh_minutes is None) != (test.fresh_from is None):
        yield "fresh_minutes and fresh_from go together"
    elif test.fresh_from and test.fresh_from not in earlier(test, knowledge):
        yield f"fresh_from: {test.fresh_from!r} does not come before it"


def _state_texts(
    key: str, finding: str, states: Iterable[str], knowledge: Knowledge
) -> Iterator[str]:
    yield from _unknown(key, f"state of {finding}", states, list(knowledge.node(finding).states))


def _service_texts(service: Service, knowledge: Knowledge) -> Iterator[str]:
    guards = [name for name, test in knowledge.tests.items() if test.passes]
    yield from _unknown("clears", "guard", service.clears, guards)
    filling = [service.filling] if service.filling else []
    yield from _unknown("filling", "service", filling, knowledge.services)
    yield from _unknown("shows", "finding", service.shows, knowledge.of_kind("finding"))
    yield from _unknown("settles", "test", service.settles, knowledge.tests)
    if bool(service.settles) != (service.undone is not None):
        yield "settles and undone go together"
    elif service.undone is not None and service.undone < 0:
        yield f"undone {service.undone:g} is below zero"


def _shared_texts(task: Test | Service, knowledge: Knowledge) -> Iterator[str]:
    yield from context_texts(task.only, "only", knowledge)
    yield from context_texts(task.never, "never", knowledge)
    for block in task.in_context:
        yield from context_texts(block.when, "in_context.when", knowledge)
        yield from _unknown("in_context.after", "test", block.after, knowledge.tests)
    if task.coupled:
        cleared = task.clears if isinstance(task, Service) else ()
        for name, test in knowledge.tests.items():
            guards = test.passes and name != task.name and name not in cleared
            if guards and name not in earlier(task, knowledge):
                yield f"touches the loop but does not wait for the guard {name}"


def _unknown(where: str, kind: str, words: Iterable[str], options: Iterable[str]) -> Iterator[str]:
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
