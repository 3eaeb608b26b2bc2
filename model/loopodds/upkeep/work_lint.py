"""Checks of everything in the knowledge that is no node: does the work fit together, and pay?"""

from collections.abc import Iterator
from graphlib import CycleError, TopologicalSorter

from loopodds.base.errors import KnowledgeError, unknown_name
from loopodds.decision.prices import shipped_prices
from loopodds.inspection.vocabulary import AUXILIARY
from loopodds.knowledge.cures import cured_states, fault_columns, outlasts, work_of
from loopodds.knowledge.guards import Slip, context_texts, earlier, unknown_texts
from loopodds.knowledge.records import SET_UPS, Knowledge
from loopodds.knowledge.work import Service, Test
from loopodds.safety.checks import stop_slips


def work_slips(knowledge: Knowledge) -> Iterator[Slip]:
    """Every problem of what is no node: tests, services, stops, harms, cautions, prices."""
    for name in knowledge.scope.conditions:
        if name not in knowledge.conditions:
            yield Slip("faults.toml", name, "no fault variable has this condition")
    for name, context in knowledge.contexts.items():
        usual = [context.usual_complaint] if context.usual_complaint else []
        for text in unknown_texts("usual_complaint", "finding", usual, knowledge.nodes):
            yield Slip("contexts.toml", name, text)
    for test in knowledge.tests.values():
        yield from (Slip("tests.toml", test.name, text) for text in _test_texts(test, knowledge))
    asked = {name for test in knowledge.tests.values() for name in test.set_up}
    for name in [name for name in knowledge.set_ups if name not in asked]:
        yield Slip(SET_UPS, name, "no test needs it", warning=True)
    yield from _unreachable(knowledge)
    yielded = {name for test in knowledge.tests.values() for name in test.yields}
    for name, node in knowledge.of_kind("finding", "gauge").items():
        if name not in yielded:
            yield Slip(node.file, name, "no test yields it")
    for service in knowledge.services.values():
        for text in _service_texts(service, knowledge):
            yield Slip("services.toml", service.name, text)
    yield from stop_slips(knowledge)
    yield from _uncured(knowledge)
    yield from _never_paying(knowledge)
    yield from _harm_problems(knowledge)
    yield from _caution_problems(knowledge)


def _test_texts(test: Test, knowledge: Knowledge) -> Iterator[str]:
    seen = [*knowledge.of_kind("finding", "gauge", "history"), *AUXILIARY]
    if not test.yields:
        yield "yields nothing"
    yield from unknown_texts("yields", "finding or reading", test.yields, seen)
    yield from unknown_texts("after", "test", test.after, knowledge.tests)
    yield from unknown_texts("destroys", "test", test.destroys, knowledge.tests)
    yield from unknown_texts("cautions", "caution", test.cautions, knowledge.cautions)
    if test.name in test.destroys:
        yield "destroys itself"


def _service_texts(service: Service, knowledge: Knowledge) -> Iterator[str]:
    before = {**knowledge.tests, **knowledge.services}
    targets = {**knowledge.conditions, **knowledge.of_kind("fault")}
    yield from unknown_texts("after", "test or service", service.after, before)
    yield from unknown_texts("not_with", "service", service.not_with, knowledge.services)
    yield from unknown_texts("cautions", "caution", service.cautions, knowledge.cautions)
    yield from unknown_texts("assumes_no", "condition", service.assumes_no, knowledge.conditions)
    named = {"in_vain": service.in_vain, "cures": service.cures, "eases": service.eases}
    for key, targeted in named.items():
        for target in targeted:
            if not cured_states(target, knowledge):
                yield f"{key}: {unknown_name('condition', target, targets)}"


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


def _never_paying(knowledge: Knowledge) -> Iterator[Slip]:
    """Services dearer than all the harm that they could ever spare a car, on whatever car."""
    try:
        prices = shipped_prices(knowledge)
    except KnowledgeError as error:
        yield Slip("prices.toml", "file", str(error).removeprefix("prices.toml: "))
        return
    cheapest = min(
        (prices.filling(gas) for gas in prices.refrigerant), default=prices.filling(None)
    )
    for name, service in knowledge.services.items():
        if not service.curing or (service.filling and service.filling not in knowledge.services):
            continue
        cost = prices.of_work(name) + (cheapest if service.filling else 0.0)
        spared = _most_spared(service, knowledge) + (service.undone or 0.0) + prices.unsolved
        if spared <= cost:
            text = f"can never pay: costs {cost:.0f} at least and spares {spared:.0f} at most"
            yield Slip("services.toml", name, text)


def _most_spared(service: Service, knowledge: Knowledge) -> float:
    """Harm that a service takes off a car on which all it cures is there, at its worst."""
    work = work_of(service, knowledge)
    stays = outlasts([work.own], [work.filled])
    spared = 1 - stays * (1 - work.eased)
    worst: dict[str, float] = {}
    for (fault, state), chance in zip(fault_columns(knowledge), spared.tolist(), strict=True):
        harm = knowledge.harms.get(fault)
        blocks = [harm.states, *(block.states for block in harm.in_context)] if harm else []
        most = max((states.get(state, 0.0) for states in blocks), default=0.0)
        worst[fault] = max(worst.get(fault, 0.0), chance * most)
    return sum(worst.values())


def _unreachable(knowledge: Knowledge) -> Iterator[Slip]:
    """Work that waits for itself, or for a test that makes it impossible."""
    tasks = {**knowledge.tests, **knowledge.services}
    waits = {
        name: (*task.after, *(before for block in task.in_context for before in block.after))
        for name, task in tasks.items()
    }
    try:
        order = list(TopologicalSorter(waits).static_order())
    except CycleError as error:
        ring = error.args[1]
        text = f"unreachable: tests wait for each other: {' after '.join(ring)}"
        yield Slip("tests.toml" if ring[0] in knowledge.tests else "services.toml", ring[0], text)
        return
    for name in [name for name in order if name in knowledge.tests]:
        for other in sorted(earlier(knowledge.tests[name], knowledge)):
            if name in knowledge.tests[other].destroys:
                text = f"unreachable: {other} must come first and makes it impossible"
                yield Slip("tests.toml", name, text)


def _harm_problems(knowledge: Knowledge) -> Iterator[Slip]:
    faults = knowledge.of_kind("fault")
    for name in [name for name in knowledge.harms if name not in faults]:
        yield Slip("harms.toml", name, f"harms: {unknown_name('fault', name, faults)}")
    for name, fault in faults.items():
        harms = knowledge.harms[name].states if name in knowledge.harms else {}
        texts = list(unknown_texts("states", f"state of {name}", harms, fault.states[1:]))
        texts += [f"no harm given for {state}" for state in fault.states[1:] if state not in harms]
        yield from (Slip("harms.toml", name, text) for text in texts)


def _caution_problems(knowledge: Knowledge) -> Iterator[Slip]:
    tasks = (*knowledge.tests.values(), *knowledge.services.values())
    asked = {caution for task in tasks for caution in task.cautions}
    asked.update(caution for stop in knowledge.stops.values() for caution in stop.cautions)
    for name, caution in knowledge.cautions.items():
        texts = [*context_texts(caution.when, "when", knowledge)]
        texts += unknown_texts("conditions", "condition", caution.conditions, knowledge.conditions)
        yield from (Slip("cautions.toml", name, text) for text in texts)
        if not (caution.when or caution.conditions or caution.findings or name in asked):
            yield Slip("cautions.toml", name, "nothing ever shows it", warning=True)
