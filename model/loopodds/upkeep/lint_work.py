"""Checks of tests, services, harms, cautions and conditions: does the work fit the nodes?"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from graphlib import CycleError, TopologicalSorter

from loopodds.base.errors import unknown_name
from loopodds.inspection.vocabulary import AUXILIARY
from loopodds.knowledge.cures import cured_states
from loopodds.knowledge.guards import Slip, context_texts
from loopodds.knowledge.records import Knowledge
from loopodds.knowledge.work import Service, Test


def work_problems(knowledge: Knowledge) -> Iterator[Slip]:
    """Problems of everything that is not a node."""
    for name in knowledge.scope.conditions:
        if name not in knowledge.conditions:
            yield Slip("faults.toml", name, "no fault variable has this condition")
    for test in knowledge.tests.values():
        for text in _test_texts(test, knowledge):
            yield Slip("tests.toml", test.name, text)
    yield from _unreachable(knowledge)
    yield from _unyielded(knowledge)
    for service in knowledge.services.values():
        for text in _service_texts(service, knowledge):
            yield Slip("services.toml", service.name, text)
    yield from _uncured(knowledge)
    yield from _harm_problems(knowledge)
    yield from _caution_problems(knowledge)


def _test_texts(test: Test, knowledge: Knowledge) -> Iterator[str]:
    seen = [*knowledge.of_kind("finding", "gauge", "history"), *AUXILIARY]
    if not test.yields:
        yield "yields nothing"
    if test.minutes <= 0:
        yield f"minutes {test.minutes:g} is not above zero"
    if test.cost < 0:
        yield f"cost {test.cost:g} is below zero"
    yield from _missing("yields", "finding or reading", test.yields, seen)
    yield from _missing("after", "test", test.after, knowledge.tests)
    yield from _missing("destroys", "test", test.destroys, knowledge.tests)
    yield from _missing("cautions", "caution", test.cautions, knowledge.cautions)
    if test.name in test.destroys:
        yield "destroys itself"


def _service_texts(service: Service, knowledge: Knowledge) -> Iterator[str]:
    before = {**knowledge.tests, **knowledge.services}
    targets = {**knowledge.conditions, **knowledge.of_kind("fault")}
    yield from _missing("after", "test or service", service.after, before)
    yield from _missing("not_with", "service", service.not_with, knowledge.services)
    yield from _missing("cautions", "caution", service.cautions, knowledge.cautions)
    yield from _missing("assumes_no", "condition", service.assumes_no, knowledge.conditions)
    for target, amount in service.in_vain.items():
        if amount < 0:
            yield f"in_vain.{target}: {amount:g} is below zero"
        if not cured_states(target, knowledge):
            yield f"in_vain: {unknown_name('condition', target, targets)}"
    if service.price < 0:
        yield f"price {service.price:g} is below zero"
    if service.minutes <= 0:
        yield f"minutes {service.minutes:g} is not above zero"
    for target, chance in service.cures.items():
        if not 0 < chance <= 1:
            yield f"cures.{target}: {chance:g} is not a probability above zero"
        if not cured_states(target, knowledge):
            yield f"cures: {unknown_name('condition', target, targets)}"


def _uncured(knowledge: Knowledge) -> Iterator[Slip]:
    cured = {
        pair
        for service in knowledge.services.values()
        for target in service.cures
        for pair in cured_states(target, knowledge)
    }
    for name, fault in knowledge.of_kind("fault").items():
        left = [state for state in fault.states[1:] if (name, state) not in cured]
        if left:
            yield Slip("services.toml", name, f"no service cures {', '.join(left)}")


def _unreachable(knowledge: Knowledge) -> Iterator[Slip]:
    """Tests that wait for each other, or for a test that makes them impossible."""
    waits = {name: set(test.after) for name, test in knowledge.tests.items()}
    try:
        order = list(TopologicalSorter(waits).static_order())
    except CycleError as error:
        ring = error.args[1]
        text = f"unreachable: tests wait for each other: {' after '.join(ring)}"
        yield Slip("tests.toml", ring[0], text)
        return
    before: dict[str, set[str]] = {}
    for name in order:
        direct = waits.get(name, set())
        before[name] = direct.union(*(before[other] for other in direct))
    for name, earlier in before.items():
        for other in sorted(earlier & set(knowledge.tests)):
            if name in knowledge.tests[other].destroys:
                text = f"unreachable: {other} must come first and makes it impossible"
                yield Slip("tests.toml", name, text)


def _unyielded(knowledge: Knowledge) -> Iterator[Slip]:
    yielded = {name for test in knowledge.tests.values() for name in test.yields}
    for name, node in knowledge.of_kind("finding", "gauge").items():
        if name not in yielded:
            yield Slip(node.file, name, "no test yields it")


def _harm_problems(knowledge: Knowledge) -> Iterator[Slip]:
    faults = knowledge.of_kind("fault")
    for text in _missing("harms", "fault", knowledge.harms, faults):
        yield Slip("harms.toml", text.split("'")[1], text)
    for name, fault in faults.items():
        harms = knowledge.harms[name].states if name in knowledge.harms else {}
        for text in _missing("states", f"state of {name}", harms, fault.states[1:]):
            yield Slip("harms.toml", name, text)
        for state in fault.states[1:]:
            if state not in harms:
                yield Slip("harms.toml", name, f"no harm given for {state}")
        for state, harm in harms.items():
            if harm < 0:
                yield Slip("harms.toml", name, f"{state}: harm {harm:g} is below zero")


def _caution_problems(knowledge: Knowledge) -> Iterator[Slip]:
    asked = {c for test in knowledge.tests.values() for c in test.cautions}
    asked |= {c for service in knowledge.services.values() for c in service.cautions}
    for name, caution in knowledge.cautions.items():
        texts = [*context_texts(caution.when, "when", knowledge)]
        texts += _missing("conditions", "condition", caution.conditions, knowledge.conditions)
        yield from (Slip("cautions.toml", name, text) for text in texts)
        if not (caution.when or caution.conditions or caution.findings or name in asked):
            yield Slip("cautions.toml", name, "nothing ever shows it", warning=True)


def _missing(where: str, kind: str, words: Iterable[str], options: Iterable[str]) -> Iterator[str]:
    known = list(options)
    for word in words:
        if word not in known:
            yield f"{where}: {unknown_name(kind, word, known)}"
