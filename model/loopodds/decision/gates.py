"""What may be done now, and what has to come first.

The order protects people, then equipment, then evidence: it is written in the knowledge, test by
test, and this module only applies it. Stops in force stand above it. A test may need others before
it; a guard (such as the identification of the refrigerant) must have been passed, with its result
on record; some tests spoil others, need a set-up, a fresh sample or a qualified person. A test that
breaks a rule is never offered, however much it would tell.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace
from functools import lru_cache

import numpy as np

from loopodds.base.arrays import FloatArray
from loopodds.base.phrases import lowered, spaced
from loopodds.decision.moves import (
    NO_BARS,
    Bars,
    Closed,
    Move,
    Progress,
    Results,
    SetUps,
    Step,
    as_sets,
    state_seen,
    to_state,
)  # fmt: skip
from loopodds.decision.prices import Prices
from loopodds.diagnosis.diagnose import may_hold
from loopodds.inference.network import Evidence
from loopodds.knowledge.records import Knowledge
from loopodds.knowledge.safeguards import require_safe
from loopodds.knowledge.work import InContext, Service, Stop, Test
from loopodds.safety import stops as safety
from loopodds.safety.stops import Chance, Facts

NOTHING_READ: Mapping[str, FloatArray] = {}
MOST_STATES = 128  # of which one car's moves are kept: those of a state are some 30 kB
NOTHING_LEFT = "there is nothing in the loop for it any more"


class Gates:
    """The rules of one car in one workshop.

    ``context``: as stated; what is not stated is not assumed.

    Raises:
        KnowledgeError: if a gate names what does not exist, or a safety rule is broken.
    """

    def __init__(self, knowledge: Knowledge, context: Mapping[str, str], prices: Prices) -> None:
        require_safe(knowledge)
        self.knowledge = knowledge
        self.context = dict(context)
        self.prices = prices
        self.set_ups = SetUps(knowledge, prices)
        passing = {n: as_sets(t.passes) for n, t in knowledge.tests.items()}
        self.guards = {name: states for name, states in passing.items() if states}
        self._alarms = safety.alarms_of(knowledge)
        self.hurdles = frozenset({*self._alarms, *(f for p in self.guards.values() for f in p)})
        self._needs = {name: self._needed(test) for name, test in knowledge.tests.items()}
        # guards are asked for at every test behind them, so that a step which was done out of
        # order does not open what comes after it
        behind = {n: set(self._closure(test)) for n, test in knowledge.tests.items()}
        self._needs = {
            name: tuple(dict.fromkeys((*(g for g in self.guards if g in behind[name]), *needs)))
            for name, needs in self._needs.items()
        }
        self._never = {name: self._closed_here(t) for name, t in knowledge.tests.items()}
        self._stops = {name: self._stopped_by(name) for name in self.guards}
        self._shut_unless: dict[tuple[str, frozenset[str]], frozenset[str]] = {}
        self._barred = {name: self._shut_here(stop) for name, stop in knowledge.stops.items()}
        self._split = lru_cache(maxsize=MOST_STATES)(self._parted)

    def progress(
        self,
        evidence: Evidence,
        done: Iterable[str] = (),
        chance: Chance = safety.never,
        bars: Mapping[str, FloatArray] = NOTHING_READ,
        shown: Iterable[str] = (),
        course: Iterable[str] | None = None,
    ) -> Progress:
        """How far one row of evidence has come, and the stops that it brings about.

        A guard is done once its result is recorded. No set-up of a test stands of which is not
        known when it was done.

        Args:
            done: Tests done, in order, whether or not they showed something that was recorded.
            chance: Of a condition, for stops that go by belief; nothing is believed without it.
            bars: Gauge pressures [bar] that stops look at, shape (1,).
            shown: Findings that a service showed: no test was done for them.
            course: What was done on the car as it now stands, in order; ``done`` when left out.

        Raises:
            UnknownName: if one of them is not a test.
        """
        told = list(done)
        seen = set(evidence.names())
        tested = seen.difference(shown)
        inferred = [
            name
            for name, test in self.knowledge.tests.items()
            if name not in told and tested.intersection(test.yields)
        ]
        results = {
            (finding, state_seen(evidence, finding, self.knowledge.node(finding).states))
            for finding in self.hurdles
            if finding in seen
        }
        begun = {n for n in inferred if not seen.issuperset(self.knowledge.tests[n].yields)}
        done = [n for n in (*inferred, *told) if seen.issuperset(self.guards.get(n, ()))]
        standing = self.set_ups.left((*inferred, *told), told if course is None else course)
        progress = Progress(tuple(done), frozenset(results), frozenset(begun), standing=standing)
        return self.stopped(progress, self.facts(evidence, progress, chance, bars))

    def facts(
        self, evidence: Evidence, progress: Progress, chance: Chance, bars: Mapping[str, FloatArray]
    ) -> Facts:
        """What one row of evidence tells, as stops ask for it."""
        done = {name: np.ones(1, dtype=bool) for name in progress.done}
        context = {key: (value,) for key, value in self.context.items()}
        return Facts(1, chance, evidence.codes, evidence.soft, bars, done, context)

    def stopped(self, progress: Progress, facts: Facts) -> Progress:
        """The same with the stops that the facts bring about."""
        stops = self.knowledge.stops
        held = safety.in_force(facts, self.knowledge)[0]
        names = [name for name, holds in zip(stops, held, strict=True) if holds]
        gone = frozenset[str]().union(
            *(safety.waived(stops[n], facts, self.knowledge) for n in names)
        )
        pending = {
            (name, guard)
            for name in names
            for lifting in [safety.lifted_unless_seen(stops[name], facts, self.knowledge)]
            for guard, passing in self.guards.items()
            if lifting & passing.keys()
        }
        return replace(progress, stops=frozenset(names), waived=gone, pending=frozenset(pending))

    def shut_by(self, stop: str, progress: Progress) -> frozenset[str]:
        """What a stop in force shuts; what waits for a guard that lifts it is not among it."""
        lifting = frozenset(guard for name, guard in progress.pending if name == stop)
        if (stop, lifting) not in self._shut_unless:
            barred = self._barred[stop]
            self._shut_unless[stop, lifting] = frozenset(
                n for n in barred if not lifting & self.with_before(self._work(n))
            )
        return self._shut_unless[stop, lifting]

    def _shut_here(self, stop: Stop) -> frozenset[str]:
        """What a stop shuts, less what it spares for qualified people here, and its needs."""
        spared = [s for n, s in self.knowledge.services.items() if n in stop.spares]
        able = [s for s in spared if self._skills(s) and not self.why_never(s.name)]
        needed = {name for service in able for name in self._closure(service)}
        return safety.reach_of(self.knowledge)[stop.name].shut - needed

    def with_before(self, item: Test | Service) -> set[str]:
        """A test or service with all tests that come before it."""
        return {item.name, *self._closure(item)}

    def after(self, progress: Progress, tests: Iterable[str], results: Results) -> Progress:
        """Progress once some tests were done and guards showed something."""
        done = tuple(tests)
        return replace(
            progress,
            done=(*progress.done, *done),
            results=progress.results | results,
            begun=progress.begun.difference(done),
            standing=self.set_ups.after(done, progress.standing),
        )

    def bars(self, progress: Progress) -> Bars:
        """What stops in force shut."""
        shut = frozenset[str]().union(*(self.shut_by(stop, progress) for stop in progress.stops))
        return Bars(shut.difference(progress.done), progress.waived)

    def moves(self, progress: Progress) -> list[Move]:
        """Every test that can be done now or opened by others, with what comes first."""
        return self._split(progress)[0]

    def closed(self, progress: Progress) -> list[Closed]:
        """Every test that nothing done now can open."""
        return self._split(progress)[1]

    def _parted(self, progress: Progress) -> tuple[list[Move], list[Closed]]:
        open_tests = [
            name
            for name in self.knowledge.tests
            if name not in progress.done or name in progress.begun
        ]
        ways = [self.way(name, progress) for name in open_tests]
        moves = [way for way in ways if isinstance(way, Move)]
        return moves, [way for way in ways if isinstance(way, Closed)]

    def way(self, name: str, progress: Progress) -> Move | Closed:
        """The sequence that leads to a test, or why there is none."""
        done = list(progress.done)
        steps: list[Step] = []
        why = self._walk(name, done, progress, steps, ())
        if why:
            return Closed(name, why)
        steps = [self._alarmed(step, steps[i + 1 :]) for i, step in enumerate(steps)]
        own = {step.test for step in steps}
        ends = {other for test in own for other in self.knowledge.tests[test].destroys}
        return Move(name, tuple(steps), frozenset(ends - own))

    def _walk(
        self,
        name: str,
        done: list[str],
        progress: Progress,
        steps: list[Step],
        above: tuple[str, ...],
    ) -> str:
        """Append what leads to a test, and the test; the reason where it cannot be reached."""
        if name in above:
            return f"{name} would have to come before itself"
        why = (
            self._never[name]
            or (NOTHING_LEFT if name in progress.waived else "")
            or self._spoilt(name, done)
            or self._shut(name, progress)
            or self._stopped(name, progress.results)
        )
        if why:
            return why
        for needed in self._needs[name]:
            if needed in progress.waived:
                continue
            if needed not in done:
                why = self._walk(needed, done, progress, steps, (*above, name))
            if why:
                return why
        source = self.knowledge.tests[name].fresh_from or ""
        for step in (source, name) if self._stale(name, done) else (name,):
            why = self._spoilt(step, done)
            if why:
                return why
            standing = steps[-1].standing if steps else progress.standing
            steps.append(self.set_ups.step(step, standing, self.guards.get(step, {})))
            done.append(step)
        return ""

    def _alarmed(self, step: Step, later: Sequence[Step]) -> Step:
        """The step with what must not be found for the later ones not to be shut."""
        rest = {other.test for other in later}
        guarded = [finding for finding, _ in step.hurdles]
        hurdles = list(step.hurdles)
        for finding in self.knowledge.tests[step.test].yields:
            alarming = [s for n, s in self._alarms.get(finding, ()) if rest & self._barred[n]]
            if alarming and finding not in guarded:
                states = frozenset(self.knowledge.node(finding).states)
                hurdles.append((finding, states.difference(*alarming)))
        return step._replace(hurdles=tuple(hurdles))

    def _spoilt(self, name: str, done: Iterable[str]) -> str:
        for other in done:
            if name in self.knowledge.tests[other].destroys:
                return f"no longer possible after: {lowered(self.knowledge.tests[other].title)}"
        return ""

    def _shut(self, name: str, progress: Progress) -> str:
        """Why a stop shuts a test."""
        in_force = (stop for stop in self._barred if stop in progress.stops)
        shutting = (stop for stop in in_force if name in self.shut_by(stop, progress))
        return next((lowered(self.knowledge.stops[stop].title) for stop in shutting), "")

    def _stopped(self, name: str, results: Results) -> str:
        """Why a guard that was not passed stops a test."""
        for finding, state in sorted(results):
            guards = [g for g in self._not_passed(finding, state) if name in self._stops[g]]
            if guards:
                title = lowered(self.knowledge.node(finding).title)
                said = spaced(state) if state else "doubtful"
                return f"{title} is {said}: not before that is put right"
        return ""

    def _not_passed(self, finding: str, state: str) -> list[str]:
        """Guards that a finding shuts."""
        return [g for g, p in self.guards.items() if finding in p and state not in p[finding]]

    def _stopped_by(self, guard: str) -> set[str]:
        """Tests that a guard not passed stops: all that need it."""
        stopped: set[str] = set()
        stops = {guard}
        while stops - stopped:
            stopped |= stops
            stops = {name for name, needs in self._needs.items() if stopped & set(needs)}
        return stopped - {guard}

    def _stale(self, name: str, done: Sequence[str]) -> bool:
        """Whether the sample that a test needs is older than it may be."""
        test = self.knowledge.tests[name]
        if test.fresh_minutes is None or not test.fresh_from or test.fresh_from not in done:
            return False
        last = len(done) - 1 - list(reversed(done)).index(test.fresh_from)
        standing = self.set_ups.after(done[: last + 1], self.set_ups.start)
        return self.set_ups.spent(done[last + 1 :], standing) > test.fresh_minutes

    def failed(self, progress: Progress) -> tuple[str, ...]:
        """Guards that were done and not passed, in file order."""
        bad = {g for result in progress.results for g in self._not_passed(*result)}
        return tuple(name for name in self.guards if name in bad)

    def follows(self, service: Service, guard: str) -> bool:
        """Whether a service comes after a guard, directly or through what it needs."""
        return guard in self._closure(service)

    def needs(
        self, item: Test | Service, failed: Iterable[str], barred: Bars = NO_BARS
    ) -> frozenset[str] | None:
        """Tests that come before a test or service; None where it cannot be done on this car.

        What a guard that was not passed stops is not needed: the service that takes the
        contaminant out does away with it.

        Args:
            failed: Guards that were not passed.
            barred: What stops in force shut, and what they make impossible.
        """
        if item.name in barred.shut or self._closed_here(item):
            return None
        needs = frozenset(self._closure(item)).difference(*(self._stops[g] for g in failed))
        needs -= barred.waived
        impossible = needs & barred.shut or [name for name in needs if self._never[name]]
        return None if impossible else needs

    def why_never(self, name: str) -> str:
        """Why a test or service can never be done on this car here; empty where it can."""
        return self._closed_here(self._work(name))

    def _work(self, name: str) -> Test | Service:
        return self.knowledge.tests.get(name) or self.knowledge.services[name]

    def _closure(self, item: Test | Service) -> tuple[str, ...]:
        """Tests that come before a test or service, directly or not."""
        found: list[str] = []
        waiting = [name for name in self._needed(item) if name in self.knowledge.tests]
        while waiting:
            name = waiting.pop()
            if name not in found:
                found.append(name)
                waiting.extend(self._needs[name])
        return tuple(found)

    def _closed_here(self, item: Test | Service) -> str:
        """Why a test or service can never be done on this car in this workshop."""
        if item.name in self.prices.cannot:
            return "this workshop does not do it"
        for key, value in item.only.items():
            # what is not of this car is not a matter of who may do it
            if self.context.get(key, value) != value:
                return f"only with {spaced(key)} {value}"
        missing = set(self._skills(item)) - self.prices.skills
        if missing:
            who = ", ".join(sorted(missing)).replace("_", " ")
            open_keys = [] if missing.intersection(item.skill) else self._unstated(item)
            return f"only for people qualified for {who}" + to_state(open_keys)
        for key, value in item.only.items():
            if key not in self.context:
                return f"only with {spaced(key)} {value}" + to_state([key])
        for key, value in item.never.items():
            if self.context.get(key, value) == value:
                return f"not with {spaced(key)} {value}" + (
                    "" if key in self.context else ", if it is one"
                )
        return ""

    def _here(self, item: Test | Service) -> list[InContext]:
        """Blocks of a test or service that hold on this car, or may."""
        return [block for block in item.in_context if may_hold(block.when, self.context)]

    def _unstated(self, item: Test | Service) -> list[str]:
        """Contexts on which what holds for a test or service depends, and that are not stated."""
        keys = [key for block in item.in_context for key in block.when]
        return [key for key in dict.fromkeys(keys) if key not in self.context]

    def _needed(self, item: Test | Service) -> tuple[str, ...]:
        more = [name for block in self._here(item) for name in block.after]
        return tuple(dict.fromkeys((*item.after, *more)))

    def _skills(self, item: Test | Service) -> list[str]:
        return [*item.skill, *(s for block in self._here(item) for s in block.skill)]
