"""Checks of the stops: does everything exist that they name, and do they shut anything?"""

from collections.abc import Iterator

from loopodds.base.errors import unknown_name
from loopodds.knowledge.cures import cured_states
from loopodds.knowledge.guards import Slip, context_texts, unknown_texts
from loopodds.knowledge.records import Knowledge
from loopodds.knowledge.work import Stop, Trigger
from loopodds.safety.stops import reach_of


def stop_slips(knowledge: Knowledge) -> Iterator[Slip]:
    """Everything wrong with the stops."""
    for stop in knowledge.stops.values():
        yield from (Slip("stops.toml", stop.name, text) for text in _stop_texts(stop, knowledge))


def _stop_texts(stop: Stop, knowledge: Knowledge) -> Iterator[str]:
    tests, services = knowledge.tests, knowledge.services
    otherwise = [stop.otherwise] if stop.otherwise else []
    yield from unknown_texts("spares", "test or service", stop.spares, {**tests, **services})
    yield from unknown_texts("cautions", "caution", stop.cautions, knowledge.cautions)
    yield from unknown_texts("dealt_by", "service", stop.dealt_by, services)
    yield from unknown_texts("otherwise", "service", otherwise, services)
    reach = reach_of(knowledge)[stop.name]
    if (stop.shuts or stop.filters) and not reach.shut | reach.filtered:
        yield "shuts nothing"
    if not (stop.shuts or stop.filters or stop.otherwise):
        yield "needs 'shuts', 'filters' or 'otherwise'"
    for number, trigger in enumerate(stop.when, start=1):
        yield from (f"when[{number}].{text}" for text in _trigger_texts(trigger, knowledge))


def _trigger_texts(trigger: Trigger, knowledge: Knowledge) -> Iterator[str]:
    told = knowledge.of_kind("finding", "history")
    targets = {**knowledge.conditions, **knowledge.of_kind("fault")}
    yield from context_texts(trigger.context, "context", knowledge)
    for key, named in (("seen", trigger.seen), ("unseen", trigger.unseen)):
        yield from unknown_texts(key, "finding or history", named, told)
        for name, states in named.items():
            if name in told:
                yield from unknown_texts(f"{key}.{name}", "state", states, told[name].states)
    pressures = [n for n, g in knowledge.gauges.items() if g.quantity == "pressure"]
    for key, limits in (("at_least", trigger.at_least), ("at_most", trigger.at_most)):
        yield from unknown_texts(key, "pressure", limits, pressures)
    for key, chances in (("believed", trigger.believed), ("doubted", trigger.doubted)):
        for target in chances:
            if not cured_states(target, knowledge):
                yield f"{key}: {unknown_name('condition', target, targets)}"
    for key, names in (("done", trigger.done), ("waives", trigger.waives)):
        yield from unknown_texts(key, "test", names, knowledge.tests)
