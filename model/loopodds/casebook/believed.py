"""Belief along a case: worked out for many states at once, and checked against what was stored."""

from collections.abc import Iterator, Mapping, Sequence
from typing import NamedTuple

import numpy as np

from loopodds.base.errors import LoopoddsError
from loopodds.casebook.book import CaseBook, Event, StoredBelief
from loopodds.casebook.replay import CaseState, states
from loopodds.diagnosis.model import Model
from loopodds.diagnosis.past_evidence import encoded
from loopodds.diagnosis.repaired_car import still_done
from loopodds.inspection.inspection import Inspection
from loopodds.inspection.sections import inspection_from
from loopodds.inspection.vocabulary import REPAIRED
from loopodds.knowledge.records import Knowledge

TOLERANCE = 1e-12
"""Room for sums taken in another order; anything more is another belief."""


class Checked(NamedTuple):
    """A case replayed against what the book stored."""

    case: int  # case, events: Number of the case, and how many events it has
    events: int
    compared: int  # events stored under the present knowledge, whose belief was worked out anew
    difference: float  # largest difference of a probability among these
    older: tuple[str, ...]  # digests of other knowledge that the rest was stored under
    problem: str  # why the case cannot be replayed or differs; empty if all is well


def inspection_of(state: CaseState, knowledge: Knowledge) -> Inspection:
    """A case of the book as an inspection with the tests done, under the present knowledge.

    Raises:
        InspectionError: if something recorded cannot be read under this knowledge.
    """
    name = f"case {state.number}" if state.number else "new case"
    sections = state.sections()
    gone: set[str] = set()
    for repair, section in zip(state.repairs, sections.get(REPAIRED, ()), strict=True):
        section["services"] = repair.known(knowledge)
        gone |= set(repair.services).difference(section["services"])
    inspection = inspection_from(sections, knowledge, name)
    unknown = tuple(
        f"{service} was done, which the knowledge does not have any more: it counts for nothing"
        for service in sorted(gone)
    )
    done = tests_of(state, knowledge)
    return inspection.with_remarks(warnings=inspection.warnings + unknown, tests_done=done)


def tests_of(state: CaseState, knowledge: Knowledge) -> tuple[str, ...]:
    """Tests said to be done in a case of the book, in order, as far as this knowledge has them.

    What a repair has made something else is to be done again.
    """
    done: tuple[str, ...] = ()
    for repair in state.repairs:
        told = [test for test in (*done, *repair.tests_done) if test in knowledge.tests]
        done = still_done(told, repair.known(knowledge), knowledge)
    now = [test for test in state.tests_done if test in knowledge.tests]
    return tuple(dict.fromkeys((*done, *now)))


def posteriors(inspections: Sequence[Inspection], model: Model) -> list[StoredBelief]:
    """Belief after each of some inspections, in their order, as one batch.

    Raises:
        ImpossibleEvidence: naming the smallest set of findings of one that cannot hold together.
    """
    by_row: dict[int, StoredBelief] = {}
    for own, group in encoded(inspections, model):
        beliefs = own.believe(group.context, group.evidence)
        if np.isneginf(beliefs.log_evidence).any():
            own.require_possible(group.context, group.evidence)
        chances = {name: own.probability(beliefs, name) for name in own.conditions}
        for i, row in enumerate(group.rows.tolist()):
            by_row[row] = StoredBelief(
                {name: float(chance[i]) for name, chance in chances.items()},
                float(beliefs.p_sound[i]),
                float(beliefs.log_evidence[i]),
            )
    return [by_row[row] for row in range(len(inspections))]


def check_book(book: CaseBook, model: Model) -> Iterator[Checked]:
    """Replay every case of a book and compare every stored belief of the present knowledge."""
    for number in book.numbers():
        yield check_case(book.events(number), model)


def check_case(events: Sequence[Event], model: Model) -> Checked:
    """Replay a case and compare every belief that was stored under the present knowledge."""
    digest = model.knowledge.digest
    older = tuple(dict.fromkeys(e.knowledge for e in events if e.knowledge != digest))
    stored = [event for event in events if event.knowledge == digest]
    difference, problem = 0.0, ""
    try:
        pairs = zip(events, states(events), strict=True)
        current = [state for event, state in pairs if event.knowledge == digest]
        anew = posteriors([inspection_of(s, model.knowledge) for s in current], model)
        for event, now in zip(stored, anew, strict=True):
            apart = _apart(event.posterior.chances(), now.chances())
            if not apart <= TOLERANCE and not problem:
                problem = f"event {event.position}: stored belief differs by {apart:.1e}"
            difference = max(difference, apart)
    except LoopoddsError as error:
        problem = str(error)
    return Checked(events[0].case, len(events), len(stored), difference, older, problem)


def _apart(stored: Mapping[str, float], now: Mapping[str, float]) -> float:
    """Largest difference; infinite where they are not about the same conditions."""
    if stored.keys() != now.keys():
        return float("inf")
    return max(abs(p - now[name]) for name, p in stored.items())
