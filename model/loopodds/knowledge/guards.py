"""The order of work: what comes before a test, and whether all exists that it names.

A guard is a test that must have been passed before what waits for it.
"""

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass

from loopodds.base.errors import unknown_name
from loopodds.base.unit_table import DIMENSIONS, spelling, spellings_of
from loopodds.knowledge.nodes import Node
from loopodds.knowledge.records import SET_UPS, Knowledge
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
    """Everything wrong with guards, set-ups, fresh samples and contexts of tests and services."""
    for test in knowledge.tests.values():
        for text in (*_test_texts(test, knowledge), *_shared_texts(test, knowledge)):
            yield Slip("tests.toml", test.name, text)
    for service in knowledge.services.values():
        for text in (*_service_texts(service, knowledge), *_shared_texts(service, knowledge)):
            yield Slip("services.toml", service.name, text)
    for name in knowledge.set_ups:
        if name in knowledge.tests or name in knowledge.services:
            yield Slip(SET_UPS, name, "a test or a service has this name already")


def reference_texts(node: Node, knowledge: Knowledge) -> Iterator[str]:
    """Everything wrong with what a node says of others outside its distribution."""
    yield from unknown_texts("told_by", "reading", node.told_by, knowledge.gauges)
    for name, states in node.told_by.items():
        yield from unknown_texts(f"told_by.{name}", "state", states, node.states)
    faults = knowledge.of_kind("fault")
    yield from unknown_texts("yes_if", "fault", node.yes_if, faults)
    for name in node.yes_if.keys() & faults.keys():
        if set(node.yes_if[name]) != set(faults[name].states):
            yield f"yes_if.{name}: a chance for each of {', '.join(faults[name].states)}"
        if node.kind != "history" or len(node.states) != 2:
            yield "yes_if: only a history item of two states is told of a fault"
    for name, amount in node.amounts.items():
        where = f"amounts.{name}"
        if node.kind != "finding":
            yield f"{where}: only a finding is measured so"
        dimension = next((one for one in DIMENSIONS if one == amount.quantity), None)
        if dimension is None:
            yield f"{where}.quantity: {unknown_name('quantity', amount.quantity, DIMENSIONS)}"
            continue
        units = {n: u for n, u in spellings_of(dimension).items() if u.dimension == dimension}
        if spelling(amount.unit) not in units:
            known = [unit.name for unit in units.values()]
            yield f"{where}.unit: {unknown_name('unit', amount.unit, known)}"
        for band in amount.bands:
            yield from context_texts(band.when, f"{where}.bands", knowledge)


def _test_texts(test: Test, knowledge: Knowledge) -> Iterator[str]:
    findings = knowledge.of_kind("finding")
    yield from unknown_texts("passes", "finding of this test", test.passes, test.yields)
    for name, states in test.passes.items():
        if name in findings:
            yield from unknown_texts("passes", f"state of {name}", states, findings[name].states)
    if (test.fresh_minutes is None) != (test.fresh_from is None):
        yield "fresh_minutes and fresh_from go together"
    elif test.fresh_from and test.fresh_from not in earlier(test, knowledge):
        yield f"fresh_from: {test.fresh_from!r} does not come before it"
    yield from _set_up_texts(test, knowledge)


def _set_up_texts(test: Test, knowledge: Knowledge) -> Iterator[str]:
    set_ups = knowledge.set_ups
    yield from unknown_texts("set_up", "set-up", test.set_up, set_ups)
    yield from unknown_texts("anew", "set-up of this test", test.anew, test.set_up)
    yield from unknown_texts("upsets", "set-up", test.upsets, set_ups)
    for name in test.set_up:
        if name in set_ups and set_ups[name].ended_by == test.engine:
            yield f"set_up: {name} is ended by the engine {test.engine}, which it needs itself"


def _service_texts(service: Service, knowledge: Knowledge) -> Iterator[str]:
    guards = [name for name, test in knowledge.tests.items() if test.passes]
    yield from unknown_texts("clears", "guard", service.clears, guards)
    filling = [service.filling] if service.filling else []
    yield from unknown_texts("filling", "service", filling, knowledge.services)
    yield from unknown_texts("shows", "finding", service.shows, knowledge.of_kind("finding"))
    yield from unknown_texts("settles", "test", service.settles, knowledge.tests)
    if bool(service.settles) != (service.undone is not None):
        yield "settles and undone go together"


def _shared_texts(task: Test | Service, knowledge: Knowledge) -> Iterator[str]:
    yield from context_texts(task.only, "only", knowledge)
    yield from context_texts(task.never, "never", knowledge)
    for block in task.in_context:
        yield from context_texts(block.when, "in_context.when", knowledge)
        yield from unknown_texts("in_context.after", "test", block.after, knowledge.tests)


def unknown_texts(
    where: str, kind: str, words: Iterable[str], options: Iterable[str]
) -> Iterator[str]:
    """A text for each word that is none of the options, with the nearest of them."""
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
    before: set[str] = set()
    waiting = list(item.after)
    while waiting:
        name = waiting.pop()
        if name in knowledge.tests and name not in before:
            before.add(name)
            waiting.extend(knowledge.tests[name].after)
    return before
