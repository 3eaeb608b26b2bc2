"""Belief along a case: worked out for many states at once, and checked against what was stored."""

from collections.abc import Iterator, Sequence
from typing import NamedTuple

import numpy as np

from loopodds.base.errors import KnowledgeError, LoopoddsError
from loopodds.casebook.book import CaseBook
from loopodds.casebook.chain import Walked, walk
from loopodds.casebook.events import Event, StoredBelief
from loopodds.casebook.file import CaseBookError
from loopodds.casebook.replay import CaseState, recorded_in, states
from loopodds.diagnosis.model import Model
from loopodds.diagnosis.past_evidence import encoded
from loopodds.diagnosis.repaired_car import still_done
from loopodds.inspection.inspection import Inspection
from loopodds.inspection.sections import inspection_from
from loopodds.inspection.vocabulary import REPAIRED
from loopodds.knowledge.records import UNSAFE_MARK, Knowledge

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
    return inspection.with_remarks(
        warnings=inspection.warnings + unknown, tests_done=done, course=course_of(state, knowledge)
    )


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


def course_of(state: CaseState, knowledge: Knowledge) -> tuple[str, ...]:
    """Tests done on the car as it now stands, in the order in which the book was told of them.

    A test takes its place when the first thing that it shows is recorded.
    """
    course: list[str] = []
    amounts = knowledge.amounts
    for event in state.since:
        if event.kind == "test_done":
            course.append(event.content["test"])
        told = {amounts[n].finding.name if n in amounts else n for n in recorded_in(event)}
        course += [
            name
            for name, test in knowledge.tests.items()
            if name not in course and not told.isdisjoint(test.yields)
        ]
    return tuple(name for name in course if name in knowledge.tests)


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


def check_book(book: CaseBook, model: Model, walked: Walked | None = None) -> Iterator[Checked]:
    """Replay every case of a book and compare every stored belief of the present knowledge.

    A damaged case is told with what is wrong with it and does not keep others from being checked.
    """
    walked = walked or walk(book)
    for number in sorted(walked.sound.keys() | walked.problems.keys()):
        sound = walked.sound.get(number, 0)
        if number in walked.problems:
            yield Checked(number, sound, 0, 0.0, (), walked.problems[number])
            continue
        try:
            yield check_case(book.events(number), model)
        except CaseBookError as error:
            yield Checked(number, sound, 0, 0.0, (), str(error))


def check_case(events: Sequence[Event], model: Model) -> Checked:
    """Replay a case and compare every belief that was stored under the present knowledge."""
    digest = model.knowledge.digest
    older = tuple(dict.fromkeys(e.knowledge for e in events if e.knowledge != digest))
    found = _recomputed(events, digest, model, TOLERANCE)
    return Checked(
        events[0].case, len(events), found.events, found.difference, older, found.problem
    )  # fmt: skip


class Recomputed(NamedTuple):
    """Beliefs stored under one version of the knowledge, against what that version gives now."""

    knowledge: str  # digest of the version
    events: int  # stored under it
    difference: float  # largest difference of a probability
    problem: str  # what is missing for it, or which event differs; empty if all is well


STANDS = 1e-9
"""Difference up to which a belief is the one that was stored, on another machine too."""


def verify_case(book: CaseBook, number: int, model: Model) -> tuple[Recomputed, ...]:
    """What was believed along a case, worked out anew with the knowledge that made it.

    Each version of the knowledge under which events were stored is the present one, or is read
    from the files that the book has kept.

    Raises:
        UnknownName: if the book has no such case.
        CaseBookError: if the case is damaged.
    """
    events = book.events(number)
    found = []
    for digest in dict.fromkeys(event.knowledge for event in events):
        try:
            found.append(_recomputed(events, digest, _model_of(digest, book, model), STANDS))
        except LoopoddsError as error:
            stored = sum(event.knowledge == digest for event in events)
            found.append(Recomputed(digest, stored, 0.0, str(error)))
    return tuple(found)


def _model_of(digest: str, book: CaseBook, model: Model) -> Model:
    """The model that a belief was stored under."""
    if digest == model.knowledge.digest:
        return model
    texts = book.kept_knowledge(digest)
    if texts is None:
        problem = f"the knowledge {digest} is not kept in the book, and is not the present one"
        raise CaseBookError(problem)
    try:
        unsafe = digest.endswith(UNSAFE_MARK)
        return Model(Knowledge.of_texts(texts, unsafe), compiled=model.compiled)
    except KnowledgeError as error:
        problem = f"the knowledge {digest} is kept, but this program cannot read it: {error}"
        raise CaseBookError(problem) from error


def _recomputed(events: Sequence[Event], digest: str, model: Model, tolerance: float) -> Recomputed:
    """Beliefs of a case stored under a version of the knowledge, worked out with its model."""
    stored = [event for event in events if event.knowledge == digest]
    difference, problem = 0.0, ""
    try:
        pairs = zip(events, states(events), strict=True)
        current = [state for event, state in pairs if event.knowledge == digest]
        anew = posteriors([inspection_of(s, model.knowledge) for s in current], model)
        for event, now in zip(stored, anew, strict=True):
            was, here = event.posterior.chances(), now.chances()
            if was.keys() != here.keys():
                raise CaseBookError(f"event {event.position}: stored belief has other conditions")
            apart = max(abs(p - here[name]) for name, p in was.items())
            if not apart <= tolerance and not problem:
                problem = f"event {event.position}: stored belief differs by {apart:.1e}"
            difference = max(difference, apart)
    except LoopoddsError as error:
        problem = str(error)
    return Recomputed(digest, len(stored), difference, problem)
