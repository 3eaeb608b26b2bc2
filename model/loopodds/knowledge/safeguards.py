"""The safety rules that every knowledge has to satisfy, whatever it is about.

They are stated here and nowhere else, on the marks that tests, services, findings and cautions
carry. That a folder does not take those marks away is the business of
:mod:`loopodds.knowledge.floor`.
"""

from collections.abc import Callable, Iterator
from functools import lru_cache

from loopodds.base.errors import KnowledgeError
from loopodds.knowledge.floor import floor_slips
from loopodds.knowledge.guards import Slip, earlier, order_slips
from loopodds.knowledge.records import Knowledge
from loopodds.knowledge.work import Service, Test

Task = Test | Service

KINDS: dict[str, Callable[[Task], bool]] = {
    "running": lambda task: isinstance(task, Test) and task.runs,
    "sampling": lambda task: isinstance(task, Test) and task.takes_sample,
    "opening": lambda task: task.opens_loop,
    "filling": lambda task: isinstance(task, Service) and task.filling is not None,
}
"""Kinds of work that a caution may belong to, by the marks that make a task one of them."""


@lru_cache(maxsize=8)
def require_safe(knowledge: Knowledge) -> None:
    """Refuse to advise from an order of work with a hole in it, or against a safety rule.

    Raises:
        KnowledgeError: with the first slip. Those against safety rules are let through where the
            knowledge was read as unsafe; what cannot be worked with never is.
    """
    for slip in order_slips(knowledge):
        raise KnowledgeError(str(slip))
    breaches = [] if knowledge.unsafe else list(safety_slips(knowledge))
    if breaches:
        more = f" (and {len(breaches) - 1} more)" if len(breaches) > 1 else ""
        raise KnowledgeError(f"{breaches[0]}{more}").helped_by("unsafe")


def safety_slips(knowledge: Knowledge) -> Iterator[Slip]:
    """Everything in which the knowledge is less safe than the rules and the floor ask for.

    Knowledge with neither tests nor services only tells what is likely: it gives no work to do,
    and needs none of what keeps work safe.
    """
    if not (knowledge.tests or knowledge.services):
        return
    yield from _guard_slips(knowledge)
    yield from _danger_slips(knowledge)
    for test in knowledge.tests.values():
        for text in (*_test_texts(test, knowledge), *_caution_texts(test, knowledge)):
            yield Slip("tests.toml", test.name, text)
    for service in knowledge.services.values():
        for text in (*_service_texts(service, knowledge), *_caution_texts(service, knowledge)):
            yield Slip("services.toml", service.name, text)
    yield from floor_slips(knowledge)


def guards_of(knowledge: Knowledge) -> list[str]:
    """Tests that have to be passed before what waits for them."""
    return [name for name, test in knowledge.tests.items() if test.passes]


def _guard_slips(knowledge: Knowledge) -> Iterator[Slip]:
    """A guard passes what is not dangerous, all of it, and nothing else yields that finding."""
    coupled = [test.name for test in knowledge.tests.values() if test.coupled]
    if coupled and not guards_of(knowledge):
        yield Slip("tests.toml", coupled[0], "touches the loop, and no test is a guard")
    findings = knowledge.of_kind("finding")
    for name in guards_of(knowledge):
        for finding, states in knowledge.tests[name].passes.items():
            if finding not in findings:
                continue
            node = findings[finding]
            for state in [s for s in node.states if (s in states) == (s in node.dangerous)]:
                told = "passes, though dangerous" if state in states else "is not passed"
                marked = "" if state in states else ", though not marked as dangerous"
                yield Slip("tests.toml", name, f"passes: {state!r} of {finding} {told}{marked}")
            for other, test in knowledge.tests.items():
                if finding in test.yields and finding not in test.passes:
                    text = f"yields {finding} but is no guard as {name} is"
                    yield Slip("tests.toml", other, text)


def _danger_slips(knowledge: Knowledge) -> Iterator[Slip]:
    """Each dangerous state keeps a guard shut or brings a stop about by itself."""
    triggers = [trigger for stop in knowledge.stops.values() for trigger in stop.when]
    answered = {
        (finding, state)
        for trigger in triggers
        for finding, states in trigger.seen.items()
        if not (trigger.at_least or trigger.at_most or trigger.believed or trigger.done)
        for state in states
    }
    guarded = {finding for test in knowledge.tests.values() for finding in test.passes}
    for name, node in knowledge.nodes.items():
        for state in node.dangerous if name not in guarded else ():
            if (name, state) not in answered:
                yield Slip(node.file, name, f"dangerous: {state!r} brings no stop about")


def _test_texts(test: Test, knowledge: Knowledge) -> Iterator[str]:
    before = earlier(test, knowledge)
    drawing = {name for name, other in knowledge.tests.items() if other.draws_charge}
    if test.coupled or test.runs or test.takes_sample or test.needs_pressure:
        kind = "touches the loop" if test.coupled else "needs the charge"
        for name in guards_of(knowledge):
            if name not in {test.name, *before}:
                yield f"{kind} but does not wait for the guard {name}"
    if test.opens_loop and not before & drawing:
        yield "opens the loop but does not wait for a test that draws the charge"
    whole = test.needs_charge or test.passes or (test.connects_machine and not before & drawing)
    for name in drawing - {test.name} if whole else ():
        if test.name not in knowledge.tests[name].destroys:
            yield f"needs the charge but is not among what {name} destroys"


def _service_texts(service: Service, knowledge: Knowledge) -> Iterator[str]:
    if service.clears and not service.filling:
        yield "clears a guard but does not fill the loop anew"
    if not (service.coupled or service.filling):
        return
    before = earlier(service, knowledge)
    tests = knowledge.tests
    for name in guards_of(knowledge):
        # a guard behind one that the service clears cannot be passed any more
        behind = {name, *earlier(tests[name], knowledge)}
        if not behind.intersection(service.clears) and name not in before:
            yield f"works on the loop but does not wait for the guard {name}"
    drawn = any(tests[name].draws_charge for name in before)
    if service.opens_loop and not drawn and not service.clears:
        yield "opens the loop but does not wait for a test that draws the charge"


def _caution_texts(task: Task, knowledge: Knowledge) -> Iterator[str]:
    """Cautions that belong to the kind of work, or to the skill, that a task asks for."""
    for name, caution in knowledge.cautions.items():
        if name in task.cautions:
            continue
        for kind in caution.belongs_to:
            if KINDS[kind](task):
                yield f"needs the caution {name}, which belongs to all {kind}"
        for skill in sorted(task.skills.intersection(caution.skills)):
            yield f"needs the caution {name}, which belongs to the skill {skill}"
