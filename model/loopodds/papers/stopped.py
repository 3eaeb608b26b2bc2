"""Stops along a case: when each came into force, and what lifted it."""

from collections.abc import Iterable, Sequence
from dataclasses import replace
from typing import NamedTuple

from loopodds.casebook.believed import inspection_of
from loopodds.casebook.events import Event
from loopodds.casebook.replay import TELLING, states
from loopodds.decision.workshop import Workshop
from loopodds.diagnosis.diagnose import believe, stated_context
from loopodds.diagnosis.model import Model
from loopodds.inspection.inspection import Inspection
from loopodds.safety.stops import StopInForce


class Lifted(NamedTuple):
    """A stop that was in force and is not any more."""

    stop: StopInForce  # as it was worded when it came into force
    since: str  # after which step
    by: str  # the step that lifted it


def lifted_along(steps: Iterable[tuple[str, Inspection]], model: Model) -> list[Lifted]:
    """Stops that a later step of a case lifted, in the order of lifting.

    ``steps``: what happened, in words, and the whole case after it.
    """
    found: list[Lifted] = []
    held: dict[str, tuple[StopInForce, str]] = {}
    if not model.knowledge.stops:
        return found
    for label, inspection in steps:
        now = {stop.name: stop for stop in _stops(inspection, model)}
        gone = [name for name in held if name not in now]
        found += [Lifted(*held.pop(name), label) for name in gone]
        held |= {name: (stop, label) for name, stop in now.items() if name not in held}
    return found


def steps_by(
    events: Sequence[Event], labels: Sequence[str], model: Model
) -> list[tuple[str, Inspection]]:
    """Steps of a case of the book that bear on stops; ``labels``: words for each event."""
    telling = (*TELLING, "opened", "test_done")
    return [
        (label, inspection_of(state, model.knowledge))
        for event, state, label in zip(events, states(events), labels, strict=True)
        if event.kind in telling
    ]


def rounds_of(inspection: Inspection, labels: Sequence[str]) -> list[tuple[str, Inspection]]:
    """A case file between its repairs: its order within a round is none of time.

    ``labels``: words for each repair.
    """
    repairs = inspection.repairs
    came = [replace(r.before, repairs=repairs[:i]) for i, r in enumerate(repairs)]
    return list(zip(("as it came", *labels), (*came, inspection), strict=True))


def _stops(inspection: Inspection, model: Model) -> tuple[StopInForce, ...]:
    context = stated_context(inspection, model.knowledge)
    belief = believe(inspection, model)
    return Workshop(belief, inspection.tests_done, None, context, inspection).stops
