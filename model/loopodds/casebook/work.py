"""Work on a case of the book: every step is checked, recorded, and answered with what it changed.

A step is first tried on a replay of the case: names, states and units are checked and the belief
after it is worked out. Only then is it written, or, if another process was quicker, tried again on
top of what that one added.
"""

from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager, nullcontext
from copy import copy
from typing import Any

from loopodds.base.errors import InspectionError, LoopoddsError, unknown_name
from loopodds.casebook.answers import Answer, Before
from loopodds.casebook.believed import inspection_of, posteriors
from loopodds.casebook.book import CaseBook, Overtaken
from loopodds.casebook.events import Event, NewEvent, Signature, StoredBelief, Tap
from loopodds.casebook.file import CaseBookError
from loopodds.casebook.replay import (
    LASTING,
    NOTHING_AGREED,
    Agreed,
    CaseError,
    CaseState,
    Noted,
    pointer,
    replay,
    states,
    together,
)  # fmt: skip
from loopodds.diagnosis.diagnose import CAR, Against, believe, outcomes_against
from loopodds.diagnosis.model import Model
from loopodds.diagnosis.past_evidence import SETTING
from loopodds.inspection.assignments import (
    Observation,
    Value,
    clean,
    in_order,
    is_number,
    observation,
    observations_of,
    outcomes_of,
    spelled_out,
    told_by_people,
)  # fmt: skip
from loopodds.inspection.inspection import Inspection
from loopodds.inspection.sections import inspection_from
from loopodds.knowledge.records import SOUND

ATTEMPTS = 50
"""How often a step is tried again because another process wrote in between."""

CLOSING = ("closed", "confirmed")
"""Kinds of event of one closing, the last one first."""


Planned = tuple[str, Mapping[str, Any]]
Observed = Iterable[tuple[str, Value] | tuple[str, Value, str] | tuple[str, Value, str, str]]
"""Name and value, and where that is told who looked."""


class Casework:
    """The cases of a book, worked on with one model by one person.

    Every method that records checks first and records all of its step or nothing. It raises
    ``UnknownName`` with the nearest spelling, ``InspectionError`` naming what cannot be read,
    ``ImpossibleEvidence`` if observations cannot hold together, ``CaseError`` if the case as it
    stands does not allow the step, and ``CaseBookError`` if the book cannot be written.

    Args:
        who, note: Name and remark written beside every event, may be empty.
    """

    def __init__(self, book: CaseBook, model: Model, who: str = "", note: str = "") -> None:
        self.book = book
        self.model = model
        self.knowledge = model.knowledge
        digest, texts = self.knowledge.digest, self.knowledge.texts
        self._signature = Signature(clean(who), clean(note), digest, texts)
        self._tap: Mapping[str, Tap] = {}

    def tapped(self, tap: Tap) -> "Casework":
        """The same work, whose events say which entry of which device they come from."""
        other = copy(self)
        other._tap = {"tap": tap}
        return other

    def noting(self, note: str) -> "Casework":
        """The same work, with another remark beside what it writes."""
        other = copy(self)
        other._signature = self._signature._replace(note=clean(note))
        return other

    def open(
        self,
        name: str = "",
        observations: Observed = (),
        outcomes: Mapping[str, str] | None = None,
        repairs: Iterable[tuple[Sequence[str], Observed]] = (),
    ) -> Answer:
        """Begin a new case with whatever is known of the car; with outcomes, close it at once.

        ``repairs`` are services done to the car already, in order, with what had been observed
        before each.
        """
        planned: list[Planned] = [("opened", {"name": clean(name)})]
        for services, earlier in repairs:
            planned += [*self._observed(earlier), self._repaired(services)]
        planned += self._observed(observations)
        if outcomes is not None:
            planned += self._closing(outcomes)
        new = self._tried((), planned)
        events = self.book.append(None, 0, new, self._signature)
        return self._answer(events, events, Before(new[0].posterior, ()), "")

    def enter(self, inspection: Inspection, name: str) -> Answer:
        """Begin a case with all that an inspection says; one with outcomes is closed at once."""
        standing: dict[str, Value] = {}

        def told(car: Inspection) -> list[tuple[str, Value, str, str]]:
            # what is told of the car stands after a repair
            observed = observations_of(car)
            new = [said for said in told_by_people(car) if standing.get(said[0]) != said[1]]
            standing.update((o.name, o.value) for o in observed if o.section in LASTING)
            return new

        repairs = [(repair.services, told(repair.before)) for repair in inspection.repairs]
        outcomes = outcomes_of(inspection.confirmed, self.knowledge) or None
        return self.open(name, told(inspection), outcomes, repairs)

    def record(self, case: int, observations: Observed) -> Answer:
        """Add observations, each replacing what was recorded under the same name."""
        planned = self._observed(observations)

        def plan(state: CaseState) -> list[Planned]:
            if state.repairs and any(content["name"] == SETTING for _, content in planned):
                raise CaseError(f"case {case}: the setting is how the car came, before any repair")
            return planned

        return self._step(case, plan)

    def photographed(self, case: int, findings: Mapping[str, Value], photo: Any) -> Answer:
        """Add as one step what a photo says of findings, and the numbers it was read from."""
        content = {"findings": findings, "photo": photo}
        return self._step(case, lambda state: [("photographed", content)])

    def doubt(self, case: int, doubts: Iterable[tuple[str, Value | None]]) -> Answer:
        """Say that an observation may be wrong.

        With shares over states it is used with these; without, it stays on view but unused.
        """
        named = list(doubts)
        return self._step(
            case, lambda state: [self._doubt(state, name, shares) for name, shares in named]
        )

    def withdraw(self, case: int, names: Sequence[str]) -> Answer:
        """Take observations back, as recorded in error."""

        def plan(state: CaseState) -> list[Planned]:
            for name in names:
                _noted(state, name)
            return [("withdrawn", {"names": list(dict.fromkeys(names))})]

        return self._step(case, plan)

    def undo(self, case: int, last: int | None = None) -> Answer:
        """Take the last step back; a closing as a whole, with what was confirmed.

        Args:
            last: Position of the step that is meant; nothing is done if another came behind it.
        """

        def plan(state: CaseState) -> list[Planned]:
            if not state.steps:
                raise CaseError(f"case {case}: nothing to undo; only its opening is left")
            if last is not None and state.steps[-1].position != last:
                raise CaseError(f"case {case}: something was added since; take that back first")
            return [("undone", pointer(step)) for step in together(state.steps, CLOSING)]

        return self._step(case, plan, reopens=True)

    def redo(self, case: int) -> Answer:
        """Put the step undone last back, unless something was recorded since."""

        def plan(state: CaseState) -> list[Planned]:
            if not state.undone:
                raise CaseError(f"case {case}: nothing to redo")
            return [("redone", pointer(step)) for step in together(state.undone, CLOSING[::-1])]

        return self._step(case, plan)

    def tests_done(self, case: int, tests: Sequence[str]) -> Answer:
        """Say that tests were done, whether or not they showed anything to record."""
        _only_known("test", tests, self.knowledge.tests)
        return self._step(case, lambda state: [("test_done", {"test": test}) for test in tests])

    def choose_plan(
        self, case: int, services: Sequence[str], agreed: Agreed = NOTHING_AGREED
    ) -> Answer:
        """Say what will be done to the car, and what was agreed with the customer beside it."""
        _only_known("service", agreed.refused, self.knowledge.services)
        planned = {**self._services(services), **agreed.recorded(services)}
        return self._step(case, lambda state: [("plan_chosen", planned)])

    def repaired(self, case: int, services: Sequence[str]) -> Answer:
        """Say that services were done: what is recorded from here on is of the repaired car.

        No services: those of the plan chosen.
        """

        def plan(state: CaseState) -> list[Planned]:
            if not (services or state.plan):
                problem = f"case {case}: no plan was chosen"
                raise CaseError(problem).helped_by("name services", case=case)
            return [self._repaired(services or state.plan)]

        return self._step(case, plan)

    def close(self, case: int, outcomes: Mapping[str, str], sure: bool = False) -> Answer:
        """Close a case with what turned out to be true; outcomes never move the belief.

        They are a state, ``present`` or ``absent`` by fault or condition. ``sound`` = ``present``
        says that every fault not named is in its sound state. Empty: not known.

        Args:
            sure: Close also with what goes against everything that was seen.

        Raises:
            CaseError: unless ``sure``: naming outcomes of the car as it came that are hardly
                possible after what was seen of it; or where a repaired car is only said to be
                sound, which may be meant of either.
        """
        planned = self._closing(outcomes)

        def plan(state: CaseState) -> list[Planned]:
            problem = ""
            if not sure and (against := self.against(case, outcomes)):
                said = "; ".join(map(str, against))
                problem = f"this goes against what was seen of the car as it came: {said}"
            elif not sure and state.repairs and set(outcomes) == {SOUND}:
                problem = "sound as it came, so that the repair was for nothing, or since then?"
            if problem:
                raise CaseError(f"case {case}: {problem}").helped_by("as it came")
            return planned

        return self._step(case, plan)

    def against(self, case: int, outcomes: Mapping[str, str]) -> tuple[Against, ...]:
        """Outcomes that what was seen of the car as it came makes hardly possible."""
        spelled = self._spelled(outcomes)
        if not spelled:
            return ()
        state = replay(self.book.events(case))
        belief = believe(inspection_of(state, self.knowledge).as_it_came, self.model)
        confirmed = inspection_from({"confirmed": spelled}, self.knowledge).confirmed
        return tuple(outcomes_against(belief, confirmed, all_sound=set(outcomes) == {SOUND}))

    def without(self, outcomes: Mapping[str, str], against: Iterable[Against]) -> dict[str, str]:
        """The outcomes, ``sound`` written out, less those that go against what was seen."""
        conditions, faults = self.knowledge.conditions, {slip.fault for slip in against}
        if CAR in faults:
            return {name: word for name, word in outcomes.items() if name != SOUND}
        return {
            name: word
            for name, word in self._spelled(outcomes).items()
            if (conditions[name].variable if name in conditions else name) not in faults
        }

    def show(self, case: int) -> Answer:
        """The case as it stands, worked out anew under the present knowledge."""
        events = self.book.events(case)
        with self._changed(events):
            (now,) = posteriors([inspection_of(replay(events), self.knowledge)], self.model)
        return self._answer(events, (), Before(now, ()), self._older(events))

    def _step(
        self, case: int, plan: Callable[[CaseState], list[Planned]], reopens: bool = False
    ) -> Answer:
        """Try a step on the case as it is, write it, and start again if it has grown since."""
        for _ in range(ATTEMPTS):
            events = self.book.events(case)
            state = replay(events)
            if state.closed and not reopens:
                raise CaseError(f"case {case} is closed").helped_by("reopen", case=case)
            before = self._before(events)
            with nullcontext() if before.posterior else self._changed(events):
                new = self._tried(events, plan(state))
            try:
                added = self.book.append(case, len(events), new, self._signature)
            except Overtaken:
                continue
            return self._answer((*events, *added), added, before, self._older(events))
        raise CaseBookError(f"case {case}: other processes keep writing to it; try again later")

    def _tried(self, events: Sequence[Event], planned: Sequence[Planned]) -> list[NewEvent]:
        """New events with the belief after each, worked out as one batch."""
        nothing = StoredBelief({}, 0.0, 0.0)
        planned = [(kind, {**content, **self._tap}) for kind, content in planned]
        drafts = [
            Event(0, position, "", "", "", kind, content, "", nothing)
            for position, (kind, content) in enumerate(planned, start=len(events) + 1)
        ]
        after = list(states([*events, *drafts], len(events)))
        beliefs = posteriors([inspection_of(state, self.knowledge) for state in after], self.model)
        return [NewEvent(*draft, belief) for draft, belief in zip(planned, beliefs, strict=True)]

    def _before(self, events: Sequence[Event]) -> Before:
        """How the case stood: stored belief, or what the present knowledge makes of it."""
        try:
            inspection = inspection_of(replay(events), self.knowledge)
            if self._older(events):
                return Before(posteriors([inspection], self.model)[0], inspection.warnings)
        except LoopoddsError:
            return Before(None, ())
        return Before(events[-1].posterior, inspection.warnings)

    @contextmanager
    def _changed(self, events: Sequence[Event]) -> Iterator[None]:
        """Say with an unreadable case that the knowledge has changed, if it has."""
        try:
            yield
        except InspectionError as error:
            older = self._older(events)
            if not older:
                raise
            change = f"the knowledge has changed since ({older} then, {self.knowledge.digest} now)"
            changed = InspectionError(f"{error}; {change}")
            raise changed.helped_by("withdraw", case=events[0].case) from error

    def _older(self, events: Sequence[Event]) -> str:
        last = events[-1].knowledge
        return "" if last == self.knowledge.digest else last

    def _answer(
        self, events: Sequence[Event], added: tuple[Event, ...], before: Before, older: str
    ) -> Answer:
        state = replay(events)
        inspection = inspection_of(state, self.knowledge)
        after = added[-1].posterior if added else before.posterior
        assert after is not None
        return Answer(added, state, inspection, before, after, older, self.model)

    def _observed(self, observations: Observed) -> list[Planned]:
        seen = in_order(
            observation(name, value, self.knowledge, *map(clean, told))
            for name, value, *told in observations
        )
        return [("read" if is_number(one) else "seen", _recorded(one)) for one in seen]

    def _doubt(self, state: CaseState, name: str, shares: Value | None) -> Planned:
        section = _noted(state, name).section
        if isinstance(shares, str):
            hint = f"write shares, as {name}=none:0.3,metal:0.7, or the name alone"
            raise InspectionError(f"{name}={shares} is no doubt; {hint}")
        if shares is not None:
            section = observation(name, shares, self.knowledge).section
        return "doubted", {"section": section, "name": name, "value": shares}

    def _repaired(self, services: Sequence[str]) -> Planned:
        return "repaired", self._services(services)

    def _services(self, services: Sequence[str]) -> dict[str, list[str]]:
        _only_known("service", services, self.knowledge.services)
        return {"services": list(dict.fromkeys(services))}

    def _spelled(self, outcomes: Mapping[str, str]) -> dict[str, str]:
        return spelled_out(outcomes, self.knowledge)

    def _closing(self, outcomes: Mapping[str, str]) -> list[Planned]:
        spelled = self._spelled(outcomes)
        confirmed: list[Planned] = [("confirmed", {"outcomes": spelled})] if spelled else []
        return [*confirmed, ("closed", {})]


def _recorded(seen: Observation) -> dict[str, Any]:
    optional = ("by", "instrument")
    return {key: told for key, told in seen._asdict().items() if told or key not in optional}


def _noted(state: CaseState, name: str) -> Noted:
    for number, repair in enumerate(state.repairs, start=1):
        if name in repair.noted and name not in state.noted:
            problem = f"{name} was recorded before repair {number}"
            raise CaseError(problem).helped_by("lead back", case=state.number)
    if name not in state.noted:
        raise unknown_name("entry of this case", name, state.noted)
    return state.noted[name]


def _only_known(kind: str, names: Iterable[str], known: Iterable[str]) -> None:
    listed = list(known)
    for name in names:
        if name not in listed:
            raise unknown_name(kind, name, listed)
