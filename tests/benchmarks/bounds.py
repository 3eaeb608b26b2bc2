"""How far the choice of tests is from the best possible: lower bounds for any way to choose.

Cars are those of ``policy.py``, drawn from the shipped network. The game that is bounded is the job
up to its plan: tests are bought one after the other, then one plan is taken and priced by its
chances, the complaint included, as the planner prices it; there is no second visit. Any way of
choosing tests that ends so is in the class, whatever its order, whether it tests at all and
whichever plan it takes. What the policy pays in that game is its tests, and its plan priced by what
all results say of the car: the mean is that of the plan priced by the true faults, with less chance
in it. ``whole`` is its bill to the end of the job, with proofs, repairs that failed and second
plans, as ``policy.py`` counts it: no bound is claimed for that.

What may be done is loosened for the bounds, never tightened: no stop shuts a plan or a test, no
test spoils another, a sample does not age, nothing waits for the loop to settle, and on a car with
a complaint the interview is free. ``bound_rungs.py`` says what each rung is and why it is a bound.

    python tests/benchmarks/bounds.py --cars 2000 --jobs 16 --out bounds.json

Results so far are written every minute and at the end, so that the run can be killed.
"""

from __future__ import annotations

import os

for _name in ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS", "NUMBA_NUM_THREADS"):
    os.environ.setdefault(_name, "1")  # one process a core: more threads would only wait

import argparse
import itertools
import json
import sys
import time
from collections.abc import Iterator, Mapping, Sequence
from concurrent.futures import ProcessPoolExecutor, as_completed
from dataclasses import asdict, dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
from loopodds.base.arrays import FloatArray, IntArray, Query
from loopodds.decision.expected_cost import Plan
from loopodds.decision.gates import Gates
from loopodds.decision.moves import Bars, Move
from loopodds.decision.offers import repair_decision
from loopodds.decision.probes import typical_bar_scales
from loopodds.decision.workshop import Workshop
from loopodds.diagnosis.complaints import powers
from loopodds.diagnosis.simulation import SimulatedCars, brought_in_for, simulate_network
from loopodds.inference.network import Evidence, Network
from loopodds.knowledge.cures import cure_chances

sys.path.append(str(Path(__file__).parent))
import policy
from bound_rungs import Game, Menu, Unit, believed, rungs, seen_in
from policy import Car, Workbench, complaints_of, draw_car, model, told_by_coming

RUNGS = ("faults", "results", "leading", "penalised")
DECK, DRAWN, RIDGE = 1500, 6000, 0.3
"""Cars to which the penalty's linear function is fitted, drawn from so many, and how stiffly."""
EVERY_S = 60.0

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


@dataclass(frozen=True, slots=True)
class Row:
    """One car: what the policy pays in the game, and the bounds."""

    car: int
    setting: str
    tests: float  # what the policy's tests cost
    policy: float  # and its plan, priced by all results
    priced_by_faults: float  # the same by the true faults
    whole: float  # to the end of the job
    faults: float
    results: float
    leading: float
    penalised: float
    sets: int
    seconds: float


# --- the game of a car ----------------------------------------------------------------------------


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
            units.append(Unit(name, price, tuple(dict.fromkeys(shows)), done, tuple(after)))
    return tuple(units)


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
    given = frozenset({"interview"} if job.car.setting == "complaint" else ())
    shown = job.car.shown.evidence
    numbers = {n: pair for n, pair in shown.numbers.items() if not np.isnan(pair[0][0])}
    results = Evidence(1, shown.codes, {}, numbers, told_by_coming(job.car.setting))
    tree = model().tree(policy.relevant(job.car.context))
    game = Game(tree, menus, units, results, np.zeros(0), given, faults=job.car.states)
    return replace(game, weights=_fitted(game, job))


# --- the penalty's linear function ----------------------------------------------------------------


def _fitted(game: Game, job: Job) -> FloatArray:
    """Weights of the fault states by which other such cars, all results seen, cost what they do."""
    rng = np.random.default_rng([policy.SEED, job.car.number, 4])
    given = [n for u in game.units if u.name in game.given for n in u.shows]
    cars = _such_cars(job, given, rng)
    seen = cars.evidence.only([name for unit in game.units for name in unit.shows])
    here = {name: np.repeat(job.car.shown.evidence.codes[name], DECK) for name in given}
    implied = {n: np.repeat(w, DECK, axis=0) for n, w in game.results.implied.items()}
    evidence = Evidence(DECK, {**seen.codes, **here}, {}, seen.numbers, implied)
    decision = game.menus[0].decision
    belief = believed(game.tree, evidence, decision)
    idle = np.broadcast_to(decision.to_do(()), (DECK, decision.certain))
    costs = decision.cost(np.hstack([belief, idle]))
    wide = np.column_stack([belief, np.ones(DECK)])
    stiff = RIDGE * np.eye(wide.shape[1])
    weights: FloatArray = np.linalg.solve(wide.T @ wide + stiff, wide.T @ costs)[:-1]
    return weights


def _such_cars(job: Job, given: Sequence[str], rng: np.random.Generator) -> SimulatedCars:
    """Cars of the kind that came in the same way, as likely as their interview is the same."""
    knowledge = model().knowledge
    drawn = simulate_network(job.network, knowledge, DRAWN, rng)
    brought = brought_in_for(drawn, knowledge, rng)
    came = np.any([*brought.values()], axis=0)
    chance: FloatArray = (came == (job.car.setting == "complaint")).astype(float)
    for name in given:
        node = job.network.observables[name]
        told = int(job.car.shown.evidence.codes[name][0])
        chance *= np.broadcast_to(node.table[(*(drawn.states[p] for p in node.parents), told)], DRAWN)
    picked: IntArray = rng.choice(DRAWN, DECK, p=chance / chance.sum())
    return drawn.take(picked)


# --- the policy in the game -----------------------------------------------------------------------


def row_of(number: int) -> Row:
    """One car: the product's way, and the bounds."""
    started = time.perf_counter()
    car = draw_car(number, 0.0)
    job = job_of(car)
    game = game_of(job)
    bench = Workbench(car)
    plan, shop = policy.tested(bench, "lookahead")
    tests = bench.tests_cost
    known = seen_in(np.ones((1, len(game.units)), dtype=bool), game.units, game.results)
    by_results = believed(game.tree, known, shop.decision)[0]
    by_faults = policy.truth_of(shop.decision, car, ())[0, : len(by_results)]
    paid = [tests + _priced(plan, shop, job, belief) for belief in (by_results, by_faults)]
    left = policy.carried_out(bench, plan, shop, "lookahead")
    bounds = rungs(game)
    whole = bench.tests_cost + bench.services_cost + left
    seconds = time.perf_counter() - started
    return Row(number, car.setting, tests, *paid, whole, *bounds, seconds)


def _priced(plan: Plan, shop: Workshop, job: Job, belief: FloatArray) -> float:
    """Expected cost of a plan under a belief, with the complaint that is really there."""
    faults = shop.knowledge.of_kind("fault").items()
    cures = cure_chances(plan.actions, shop.knowledge)
    stays = 1 - np.hstack([cures.get(n, np.zeros(len(node.states))) for n, node in faults])
    none = np.zeros(len(belief))
    wrongly = np.resize(shop.brought_about or none, len(belief))
    rightly = np.resize(job.complaint or none, len(belief))
    cost = float(shop.decision.cost_of(plan, np.append(belief, shop.to_do)[None])[0])
    return cost + shop.gates.prices.unsolved * float(belief @ (stays * (rightly - wrongly)))


# --- figures --------------------------------------------------------------------------------------


def share_of(rows: Sequence[Row], rung: str) -> tuple[float, float]:
    """What the policy pays above a bound, as a share of what it pays, and half of its interval.

    95 %, by the linearised ratio of two means over the same cars (Cochran, Sampling Techniques).
    """
    paid = np.array([row.policy for row in rows])
    above = paid - [getattr(row, rung) for row in rows]
    ratio = float(above.mean() / paid.mean())
    error = (above - ratio * paid).std(ddof=1) / paid.mean() / np.sqrt(len(rows))
    return ratio, float(1.96 * error)


def summary(rows: Sequence[Row]) -> dict[str, Any]:
    """Means and gaps, over all cars and by setting."""
    told: dict[str, Any] = {}
    for name in ("all", *dict(policy.SETTINGS)):
        part = [row for row in rows if name in ("all", row.setting)]
        if len(part) > 1:
            columns = ("tests", "policy", "priced_by_faults", "whole", *RUNGS, "seconds")
            means = {c: policy.interval(np.array([getattr(r, c) for r in part])) for c in columns}
            gaps = {rung: share_of(part, rung) for rung in RUNGS}
            told[name] = {"cars": len(part), "mean": means, "gap": gaps}
    return told


def written(out: Path | None, rows: Sequence[Row]) -> None:
    """The rows so far and what they come to, in one piece or not at all."""
    if out is not None and rows:
        ordered = sorted(rows, key=lambda row: row.car)
        content = {"summary": summary(ordered), "cars": [asdict(row) for row in ordered]}
        part = out.with_suffix(".part")
        part.write_text(json.dumps(content, indent=1), encoding="utf-8")
        part.replace(out)


def shown(rows: Sequence[Row]) -> Iterator[str]:
    """The summary as lines."""
    for name, part in summary(rows).items():
        mean = part["mean"]
        yield (
            f"{name}: {part['cars']} cars, {mean['seconds'][0]:.1f} s each; tests "
            f"{mean['tests'][0]:.0f}, policy {mean['policy'][0]:.0f} ± {mean['policy'][1]:.0f}, "
            f"whole job {mean['whole'][0]:.0f} ± {mean['whole'][1]:.0f}"
        )
        for rung, (gap, error) in part["gap"].items():
            yield (
                f"  {rung:10s} {mean[rung][0]:6.0f} ± {mean[rung][1]:4.0f}"
                f"   gap at most {gap:6.1%} ± {error:.1%}"
            )


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else "")
    parser.add_argument("--cars", type=int, default=100)
    parser.add_argument("--first", type=int, default=0, help="number of the first car")
    parser.add_argument("--jobs", type=int, default=1)
    parser.add_argument("--setting", choices=list(dict(policy.SETTINGS)), help="only such cars")
    parser.add_argument("--out", type=Path, help="JSON, written every minute")
    options = parser.parse_args()
    numbers = range(options.first, options.first + options.cars)
    rows: list[Row] = []
    told = time.monotonic()
    with ProcessPoolExecutor(options.jobs) as pool:
        waiting = [pool.submit(row_of, number) for number in numbers]
        for done in as_completed(waiting):
            rows.append(done.result())
            if time.monotonic() - told > EVERY_S:
                told = time.monotonic()
                written(options.out, rows)
                print(f"{len(rows)} of {len(waiting)} cars", file=sys.stderr, flush=True)
    written(options.out, rows)
    print("\n".join(shown(sorted(rows, key=lambda row: row.car))))


if __name__ == "__main__":
    main()
