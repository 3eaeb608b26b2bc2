"""The game of a simulated car: tests by unit, plans on offer, everything that could be seen.

What may be done is loosened, never tightened: no stop shuts a plan or a test, no test spoils
another, a sample does not age, a set-up stands once it was brought about, the one with which a car
comes in always does, and on a car with a complaint the interview is free.
"""

from __future__ import annotations

import itertools
import sys
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
from loopodds.base.arrays import FloatArray, IntArray, Query
from loopodds.decision.gates import Gates
from loopodds.decision.moves import Bars, Move
from loopodds.decision.offers import repair_decision
from loopodds.decision.probes import typical_bar_scales
from loopodds.diagnosis.complaints import powers
from loopodds.diagnosis.simulation import SimulatedCars, brought_in_for, simulate_network
from loopodds.inference.network import Evidence, Network
from loopodds.inspection.encoding import veil

sys.path.append(str(Path(__file__).parent))
import policy
from bound_rungs import Game, Menu, Unit, believed
from policy import Car, Workbench, complaints_of, model, told_by_coming

DECK, DRAWN, RIDGE = 1500, 10_000, 1.0
"""Cars to which the penalty's linear function is fitted, twice, drawn from so many, how stiffly."""

# Tests that are bought together, in an order in which what comes before each stands before it.
GROUPS: Mapping[str, Query] = {
    "interview": ("interview",),
    "questions": ("ask_about_filling", "ask_about_repairs", "ask_about_use", "ask_about_parts"),
    "drive": (
        "engage_look", "socket_look", "drive_plate_look", "high_voltage_look",
        "insulation_measurement",
    ),
    "air": ("fan_test", "blower_test"),
    "cold": ("cold_look",),
    "blend": ("blend_door_test",),
    "control": ("control_test",),
    "uv": ("uv_leak_search",),
    "label": ("label_check",),
    "port": ("port_look",),
    "identified": ("refrigerant_identification",),
    "leak_stop": ("leak_stop_check",),
    "vent": ("vent_test",),
    "static": ("static_test",),
    "gauges": (
        "pressure_test", "temperature_test", "inlet_test", "switching_test", "wet_condenser_test",
        "workshop_fan_test", "warm_valve_test",
    ),
    "running": (
        "compressor_listening", "discharge_test", "vents_by_hand", "running_look", "revving_test",
        "sight_glass_look",
    ),
    "sample": (
        "capture_sample", "sample_lamp", "sample_let_off", "acid_kit", "moisture_test",
        "sample_settling",
    ),
    "detector": ("detector_search",),
    "recovered": ("recover_and_weigh",),
    "emptied": (
        "vacuum_hold_test", "nitrogen_test", "nitrogen_search", "open_screen", "compressor_swab",
        "drain_oil",
    ),
}  # fmt: skip


@dataclass(frozen=True, slots=True, eq=False)
class Job:
    """A car with what its bounds are worked out from."""

    car: Car
    gates: Gates
    network: Network
    complaint: tuple[float, ...]  # how likely each fault column brings about what is complained of


def job_of(car: Car) -> Job:
    """What a car came for is what it shows of complaints, if it came for one."""
    shop = Workbench(car).shop()
    told = tuple(sorted(complaints_of(car.shown))) if car.setting == "complaint" else ()
    brought = powers(model(), shop.belief.context, told).tolist() if told else ()
    tree = model().tree(shop.belief.context)
    return Job(car, shop.gates, tree.network, tuple(brought))


def units_of(gates: Gates) -> tuple[Unit, ...]:
    """Groups of tests that can be done on a car, with what must come before each."""
    start = gates.progress(Evidence(1))
    ways = {name: gates.way(name, start) for name in gates.knowledge.tests}
    moves = {name: way for name, way in ways.items() if isinstance(way, Move)}
    if missing := moves.keys() - {*itertools.chain(*GROUPS.values())}:
        raise RuntimeError(f"tests in no group: {', '.join(sorted(missing))}")
    units: list[Unit] = []
    for name, tests in GROUPS.items():
        own = [moves[test] for test in tests if test in moves]
        if own:
            steps = [{step.test for step in move.steps} for move in own]
            after = [u.name for u in units if all(s & {*GROUPS[u.name]} for s in steps)]
            price = min(sum(map(gates.prices.of_work, s & {*tests})) for s in steps)
            shows = [f for move in own for f in gates.knowledge.tests[move.test].yields]
            done = tests[:1] if name == "emptied" else tests
            asked = [{u for t in s & {*tests} for u in set_ups_of(gates, t)} for s in steps]
            needs, brings = set.intersection(*asked), set[str]().union(*asked)
            shown = tuple(dict.fromkeys(shows))
            units.append(Unit(name, price, shown, done, tuple(after), tuple(needs), tuple(brings)))
    return tuple(units)


def set_ups_of(gates: Gates, test: str) -> set[str]:
    """Set-ups that a test needs and that no car comes in with."""
    return {*gates.knowledge.tests[test].set_up} - gates.set_ups.start


def menus_of(job: Job, units: Sequence[Unit]) -> list[Menu]:
    """Plans on offer: whatever guards failed and needs fell away by what was seen, or not.

    A test done waives others only after these were done, and then they count as done.
    """
    reasons = [*_failing(job, units), *_waiving(job, units)]
    menus = []
    for count in range(len(reasons) + 1):
        for chosen in itertools.combinations(reasons, count):
            failed = tuple(sorted({guard for _, guards, _ in chosen for guard in guards}))
            gone = frozenset[str]().union(*(tests for _, _, tests in chosen))
            decision = repair_decision(
                job.gates, failed, (), Bars(frozenset(), gone), job.complaint
            )
            seen = frozenset(unit for unit, _, _ in chosen)
            waived = frozenset(u.name for u in units if gone.issuperset(GROUPS[u.name]))
            menus.append(Menu(decision, seen, waived))
    return menus


Reason = tuple[str, Query, frozenset[str]]
"""Unit that shows it, guards that failed, tests that are waived."""


def _failing(job: Job, units: Sequence[Unit]) -> Iterator[Reason]:
    for guard, passing in job.gates.guards.items():
        if any(_state(job, finding) not in states for finding, states in passing.items()):
            yield from ((u.name, (guard,), frozenset()) for u in units if guard in u.done)


def _waiving(job: Job, units: Sequence[Unit]) -> Iterator[Reason]:
    for stop in job.gates.knowledge.stops.values():
        for trigger in stop.when:
            limits = trigger.at_most.items()
            seen = all(_state(job, n) in states for n, states in trigger.seen.items())
            read = all(_bar(job, n) <= limit for n, limit in limits)
            names = {*trigger.seen, *trigger.at_most}
            if trigger.waives and names and seen and read:
                shown = [u.name for u in units if names & {*u.shows}]
                yield from ((name, (), frozenset(trigger.waives)) for name in shown[:1])


def _state(job: Job, finding: str) -> str:
    code = int(job.car.shown.evidence.codes[finding][0])
    return job.gates.knowledge.node(finding).states[code]


def _bar(job: Job, reading: str) -> float:
    scales = typical_bar_scales(job.gates.knowledge, tuple(sorted(job.gates.context.items())))
    scale, pressures = scales[reading]
    return float(np.interp(job.car.shown.evidence.numbers[reading][0][0], scale, pressures))


def game_of(job: Job) -> Game:
    """All of a car as its bounds need it."""
    units = units_of(job.gates)
    menus = menus_of(job, units)
    if job.car.setting == "complaint":
        units = (_came_for(job), *units)
    given = frozenset({"came", "interview"} if job.car.setting == "complaint" else ())
    shown = job.car.shown.evidence
    numbers = {n: pair for n, pair in shown.numbers.items() if not np.isnan(pair[0][0])}
    codes, soft = _through_veils(job, shown.codes)
    results = Evidence(1, codes, soft, numbers, told_by_coming(job.car.setting))
    tree = model().tree(policy.relevant(job.car.context))
    set_ups = {name: job.gates.set_ups.price(name) for name in job.gates.knowledge.set_ups}
    nothing, start = np.zeros(0), job.gates.set_ups.start
    faults = job.car.states
    game = Game(
        tree, menus, units, results, nothing, given, faults=faults, set_ups=set_ups, start=start
    )
    return replace(game, weights=_fitted(game, job))


def _came_for(job: Job) -> Unit:
    """Everything that cars are brought in for.

    It is known beforehand where a car came for some of it: that it came tells the same as all of
    it does, which only then makes every belief exact.
    """
    found = job.gates.knowledge.of_kind("finding").items()
    return Unit("came", 0.0, tuple(name for name, node in found if node.brings_in), ())


def _through_veils(
    job: Job, codes: Mapping[str, IntArray]
) -> tuple[dict[str, IntArray], dict[str, FloatArray]]:
    """Nothing seen through something dark may be anything that it hides: a likelihood of each."""
    kept, soft = dict(codes), {}
    for name in codes:
        node = job.gates.knowledge.node(name)
        hidden = float(np.ravel(veil(node, codes, {}, job.gates.knowledge))[0])
        if hidden > 0 and codes[name][0] == 0:
            del kept[name]
            soft[name] = np.array([[1.0, *[hidden] * (len(node.states) - 1)]])
    return kept, soft


# --- the penalty's linear function ----------------------------------------------------------------


def _fitted(game: Game, job: Job) -> FloatArray:
    """Weights of the fault states by which other such cars, all results seen, cost what they do."""
    shown = (n for unit in game.units if unit.name in game.given for n in unit.shows)
    given = list(dict.fromkeys(shown))
    cars = _such_cars(job, given)
    count = cars.evidence.rows
    seen = cars.evidence.only([name for unit in game.units for name in unit.shows])
    here = {name: np.repeat(job.car.shown.evidence.codes[name], count) for name in given}
    implied = {n: np.repeat(w, count, axis=0) for n, w in game.results.implied.items()}
    evidence = Evidence(count, {**seen.codes, **here}, {}, seen.numbers, implied)
    decision = game.menus[0].decision
    belief = believed(game.tree, evidence, decision)
    idle = np.broadcast_to(decision.to_do((), game.start), (count, decision.certain))
    costs = decision.cost(np.hstack([belief, idle]))
    wide = np.column_stack([belief, np.ones(count)])
    stiff = RIDGE * np.eye(wide.shape[1])
    weights: FloatArray = np.linalg.solve(wide.T @ wide + stiff, wide.T @ costs)[:-1]
    return weights


def _such_cars(job: Job, given: Sequence[str]) -> SimulatedCars:
    """Cars that came in the same way: as likely as their interview is the same, then rarer ones.

    These are there for each state of each fault, less often than in proportion: a rare fault is
    dear, and the fit has to hold there too.
    """
    knowledge = model().knowledge
    rng = np.random.default_rng([policy.SEED, job.car.number, 4])
    drawn = simulate_network(job.network, knowledge, DRAWN, rng)
    brought = brought_in_for(drawn, knowledge, rng)
    came = np.any([*brought.values()], axis=0) == (job.car.setting == "complaint")
    alike = came.astype(float)
    for name in given:
        node = job.network.observables[name]
        told = int(job.car.shown.evidence.codes[name][0])
        alike *= np.broadcast_to(
            node.table[(*(drawn.states[p] for p in node.parents), told)], DRAWN
        )
    rare = np.zeros(DRAWN)
    for name in knowledge.of_kind("fault"):
        state = np.where(came, drawn.states[name], 0)
        often = np.sqrt(np.bincount(state))
        rare += np.where(state > 0, 1 / np.maximum(often, 1)[state], 0.0)
    chances = [weight / weight.sum() for weight in (alike, rare)]
    picked: IntArray = np.concatenate([rng.choice(DRAWN, DECK, p=chance) for chance in chances])
    return drawn.take(picked)
