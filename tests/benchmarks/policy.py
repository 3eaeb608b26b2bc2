"""Ways to choose tests, judged on simulated cars whose faults are known.

Half of the cars are drawn from the shipped network, half from networks in which every number is
wrong, another one for each car: each probability multiplied by a log-normal factor (sigma 0.3,
``--amount``) and its row scaled to one again, each gauge mean moved by a normal 0.3 of its spread,
each spread multiplied by a log-normal factor (sigma 0.12). The tool always diagnoses with the
shipped network. Seven cars in ten came with a complaint, the others for a routine check: cars are
drawn from the one population until one is brought in, or is not, for what it shows.

    fixed        the order of the trade, always all of it: interview, look-over, identification,
                 gauges, sample, bench tests and, on a car with a complaint, recovery with
                 weighing and the vacuum hold, before anything is decided; after each repair the
                 proof: the running test again, and the detector where a leak was repaired
    unproved     the same, handed over without the proof
    trade        as fixed, but taking the plan that is best if the most probable state of every
                 fault is the true one: repair what one holds to be wrong
    bench        as fixed, decided after the bench tests on every car
    sure         the same as bench, stopped once a condition, or a sound car, reaches 90 %
    bits         most information, until no test gives a tenth of a bit
    bits/minute  the same by information a minute, what comes first counted in
    value        highest net value, what ends another paying test after it, until none pays
    lookahead    what `loopodds next` says: the same, but before any repair looking two tests ahead
                 where no single one pays, until no pair does
    pairs        two tests ahead at every step: some five times the time of lookahead

Once testing ends, what has to be done before the plan of least expected cost is done and seen,
and if it still is the best plan, it is carried out. What it was to cure is then gone or not, by
the chance of its cure. The same way of choosing goes on on the repaired car with all that was seen
before and since (after the fixed orders the proof of the repair, and a plan on what it showed),
until leaving the car as it is costs least; after four repairs what is still planned is priced by
its chances.

A complaint is cured when nothing that the car was brought in for is left at the end.

Total cost: tests, services, the harm that is left on the true faults, and the price of a complaint
that is not cured. The first plan is called
right when it costs no more than one hour of labour above what someone who knew every fault would
have paid for his.

    python tests/benchmarks/policy.py --cars 200
"""

from __future__ import annotations

import argparse
import json
import sys
import time
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, replace
from functools import cache, lru_cache
from pathlib import Path
from typing import Any

import numpy as np
from loopodds.base.arrays import FloatArray
from loopodds.decision.expected_cost import Decision, Plan
from loopodds.decision.moves import Move
from loopodds.decision.next_test import best_policy
from loopodds.decision.workshop import Workshop
from loopodds.diagnosis.belief import Belief
from loopodds.diagnosis.model import Model
from loopodds.diagnosis.past_evidence import with_past
from loopodds.diagnosis.repaired_car import Repair, shown_by, still_done
from loopodds.diagnosis.simulation import SimulatedCars, brought_in_for, simulate_network
from loopodds.inference.network import Discrete, Evidence, GaugeNode, Network
from loopodds.inspection.encoding import encode
from loopodds.inspection.inspection import InspectionBatch
from loopodds.knowledge.assembly import build_network

sys.path.append(str(Path(__file__).parents[1]))
from simulated_repair import simulate_repair

SEED = 20260301
AMOUNT, OF_SPREAD = 0.3, 0.4
SURE, ENOUGH_BITS = 0.9, 0.1
RIGHT_WITHIN = 60.0
ORDER = (
    "interview", "ask_about_filling", "ask_about_repairs", "ask_about_use", "label_check",
    "cold_look", "port_look", "fan_test", "control_test", "blower_test", "blend_door_test",
    "refrigerant_identification", "leak_stop_check", "static_test", "pressure_test",
    "temperature_test", "discharge_test", "vent_test", "running_look", "sight_glass_look",
    "compressor_listening", "capture_sample", "sample_lamp", "sample_let_off", "acid_kit",
    "moisture_test",
)  # fmt: skip
LAST = ("recover_and_weigh", "vacuum_hold_test")
PROOF = ("pressure_test", "temperature_test", "vent_test")
LEAK_REPAIR, LEAK_PROOF = "repair_leak_and_charge", "detector_search"
MOST_REPAIRS = 4
SETTINGS = (("complaint", 0.7), ("routine", 0.3))
MOST_DRAWN = 2000
CONTEXTS = {
    "refrigerant": (("R134a", 0.65), ("R1234yf", 0.35)),
    "expansion": (("TXV", 0.75), ("orifice", 0.25)),
    "compressor": (("fixed", 0.5), ("variable", 0.5)),
    "weather": (("warm", 0.75), ("cool", 0.25)),
}


@cache
def model() -> Model:
    return Model(compiled=True)


# --- cars --------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True, eq=False)
class Car:
    """One simulated car: its context, its faults, what each test would show, and why."""

    number: int
    context: dict[str, str]
    network: Network
    shown: SimulatedCars
    setting: str
    complaints: frozenset[str]  # findings that it was brought in for
    repairs: int = 0

    @property
    def states(self) -> dict[str, int]:
        """What is wrong."""
        return {name: int(code[0]) for name, code in self.shown.states.items()}

    @property
    def cured(self) -> bool:
        """Whether nothing is left of what it was brought in for."""
        return not self.complaints & complaints_of(self.shown)

    def repaired(self, services: tuple[str, ...]) -> Car:
        """The car after services; luck is the same for all ways to choose."""
        count = self.repairs + 1
        rng = np.random.default_rng([SEED, self.number, 3, count])
        shown = simulate_repair(self.shown, services, self.network, model().knowledge, rng)
        return replace(self, shown=shown, repairs=count)


def draw_car(number: int, amount: float) -> Car:
    """The car of a number, always the same one."""
    rng = np.random.default_rng([SEED, number, int(amount > 0)])
    context = {
        key: str(rng.choice([v for v, _ in options], p=[p for _, p in options]))
        for key, options in CONTEXTS.items()
    }
    network = build_network(model().knowledge, relevant(context))
    if amount > 0:
        network = _perturbed(network, amount, np.random.default_rng([SEED, number, 2]))
    setting = str(rng.choice([v for v, _ in SETTINGS], p=[p for _, p in SETTINGS]))
    drawn = simulate_network(network, model().knowledge, MOST_DRAWN, rng)
    brought = brought_in_for(drawn, model().knowledge, rng)
    came = np.any([*brought.values()], axis=0)
    fits = np.flatnonzero(came == (setting == "complaint"))
    if not len(fits):
        raise RuntimeError(f"car {number}: none of {MOST_DRAWN} cars came for a {setting}")
    row = int(fits[0])
    shown = SimulatedCars(
        {name: states[row : row + 1] for name, states in drawn.states.items()},
        drawn.evidence.take(slice(row, row + 1)),
    )
    complaints = frozenset(name for name, cars in brought.items() if cars[row])
    return Car(number, context, network, shown, setting, complaints)


def complaints_of(shown: SimulatedCars) -> frozenset[str]:
    """Complaints that a car shows."""
    findings = model().knowledge.of_kind("finding").items()
    return frozenset(
        name
        for name, node in findings
        if node.complaint and node.states[int(shown.evidence.codes[name][0])] in node.complaint
    )


def relevant(context: Mapping[str, str]) -> dict[str, str]:
    """The contexts that some node depends on, as the encoder gives them."""
    keys = {key for node in model().knowledge.nodes.values() for key in node.context_keys()}
    return {key: value for key, value in context.items() if key in keys}


def _perturbed(network: Network, amount: float, rng: np.random.Generator) -> Network:
    """A network in which every number is wrong."""

    def table(variable: Discrete) -> Discrete:
        moved = variable.table * np.exp(rng.normal(0, amount, variable.table.shape))
        moved = moved / moved.sum(axis=-1, keepdims=True)
        return Discrete(variable.name, variable.states, variable.parents, moved)

    def gauge(one: GaugeNode) -> GaugeNode:
        mean = one.mean + rng.normal(0, amount, one.mean.shape) * one.spread
        spread = one.spread * np.exp(rng.normal(0, OF_SPREAD * amount, one.spread.shape))
        share = min(0.5, one.share * float(np.exp(rng.normal(0, amount))))
        return GaugeNode(one.name, one.states, one.parents, mean, spread, share, one.wide, one.cuts)

    return Network(
        {name: table(v) for name, v in network.hidden.items()},
        {name: table(v) for name, v in network.observables.items()},
        {name: gauge(g) for name, g in network.gauges.items()},
    )


# --- policies ----------------------------------------------------------------------------------


class Workbench:
    """A car under diagnosis: what was done and seen, at what cost."""

    def __init__(self, car: Car) -> None:
        self.car = car
        self.done: list[str] = []
        self.course: list[str] = []  # on the car as it now stands
        self.tests = 0
        self.minutes = 0.0
        self.tests_cost = 0.0
        self.services_cost = 0.0
        self.repairs: list[Repair] = []
        self._model = model()
        self._past: list[Evidence] = []
        self._now = Evidence(1, implied=told_by_coming(car.setting))

    def shop(self) -> Workshop:
        """Belief, rules and prices as things stand."""
        knowledge = self._model.knowledge
        evidence = with_past(self._past, self.repairs, self._now, knowledge)
        belief = Belief(self._model, relevant(self.car.context), evidence)
        context = {**self.car.context, "setting": self.car.setting}
        return Workshop(belief, self.done, None, context, course=self.course)

    def do(self, move: Move) -> None:
        """The first step of a move: pay, and see what it shows."""
        step = move.steps[0]
        self.done.append(step.test)
        self.course.append(step.test)
        self.tests += 1
        self.minutes += step.minutes
        self.tests_cost += step.cost
        self._see(model().knowledge.tests[step.test].yields)

    def _see(self, names: Iterable[str]) -> None:
        shown = self.car.shown.evidence.only(names)
        codes = {**self._now.codes, **shown.codes}
        read = {name: pair for name, pair in shown.numbers.items() if not np.isnan(pair[0][0])}
        numbers = {**self._now.numbers, **read}
        self._now = Evidence(1, codes, {}, numbers, self._now.implied)

    def repair(self, shop: Workshop, plan: Plan) -> None:
        """Carry a plan out whose needs are done: what was seen is the past from here on."""
        knowledge = model().knowledge
        self.services_cost += shop.service_plan(plan).outlay
        history = knowledge.of_kind("history")
        seen = frozenset((*self._now.names(), *self._now.implied)) - history.keys()
        self.repairs.append(Repair(plan.actions, seen))
        self._past.append(self._now.only(seen))
        self._now = self._now.only(history)
        self._model = self._model.after(tuple(self.repairs))
        self.done = list(still_done(self.done, plan.actions, knowledge))
        self.course = []
        self.car = self.car.repaired(plan.actions)
        self._see(shown_by(plan.actions, knowledge))


@cache
def told_by_coming(setting: str) -> Mapping[str, FloatArray]:
    """What it tells that a car came with a complaint, or without."""
    knowledge = model().knowledge
    code = np.array([knowledge.contexts["setting"].values.index(setting)])
    (group,) = encode(InspectionBatch(1, choices={"setting": code}), knowledge).groups
    return group.evidence.implied


Policy = Callable[[Workbench, Workshop], Move | None]


def fixed(bench: Workbench, shop: Workshop) -> Move | None:
    """The next test of the trade's whole order that is possible, then of the proof."""
    complaint = bench.car.setting == "complaint"
    return _in_order((*ORDER, *LAST) if complaint else ORDER, bench, shop)


def to_bench(bench: Workbench, shop: Workshop) -> Move | None:
    """The next test of the order up to the bench tests, then of the proof."""
    return _in_order(ORDER, bench, shop)


def _in_order(order: Sequence[str], bench: Workbench, shop: Workshop) -> Move | None:
    if bench.repairs:
        leak = LEAK_REPAIR in bench.repairs[-1].services
        order = (*PROOF, LEAK_PROOF) if leak else PROOF
    return _next_of(order, bench, shop)


def _next_of(order: Sequence[str], bench: Workbench, shop: Workshop) -> Move | None:
    for name in order:
        if name not in bench.done:
            way = shop.gates.way(name, shop.progress)
            if isinstance(way, Move):
                return way
    return None


def sure(bench: Workbench, shop: Workshop) -> Move | None:
    """The same, stopped once one thing is nearly certain."""
    belief = shop.belief
    surest = max(belief.p_sound, *(belief.condition(c) for c in shop.knowledge.conditions))
    return None if surest >= SURE else to_bench(bench, shop)


def most_probable(shop: Workshop) -> FloatArray:
    """The marginals of someone who is sure of the most probable state of every fault."""
    sure_of = {
        name: np.eye(count)[[int(shop.belief.beliefs.faults[name][0].argmax())]]
        for name, count in shop.decision.variables
    }
    row: FloatArray = shop.decision.marginals(sure_of, shop.to_do)[0]
    return row


def _most(shop: Workshop, per_minute: bool) -> Move | None:
    rated = []
    for move in shop.gates.moves(shop.progress):
        bits = shop.planner.look(shop.knowledge.tests[move.test].yields).bits(shop.about)
        if bits >= ENOUGH_BITS:
            rated.append((bits / move.minutes if per_minute else bits, move))
    return max(rated, key=lambda pair: pair[0])[1] if rated else None


def bits(_: Workbench, shop: Workshop) -> Move | None:
    """Most information."""
    return _most(shop, per_minute=False)


def bits_per_minute(_: Workbench, shop: Workshop) -> Move | None:
    """Most information a minute."""
    return _most(shop, per_minute=True)


def value(_: Workbench, shop: Workshop) -> Move | None:
    """Highest net value."""
    best = shop.planner.rank(shop.progress).best
    return best.move if best is not None else None


def lookahead(_: Workbench, shop: Workshop) -> Move | None:
    """The product's own choice."""
    best = best_policy(shop).best
    return best.move if best is not None else None


def pairs(_: Workbench, shop: Workshop) -> Move | None:
    """The best of all pairs, the second test by what the first one showed."""
    best = shop.planner.plan(shop.progress, 2, single=shop.single).best
    return best.move if best is not None else None


POLICIES: dict[str, Policy] = {
    "fixed": fixed,
    "unproved": fixed,
    "trade": fixed,
    "bench": to_bench,
    "sure": sure,
    "bits": bits,
    "bits/minute": bits_per_minute,
    "value": value,
    "lookahead": lookahead,
    "pairs": pairs,
}


@dataclass(frozen=True, slots=True)
class Outcome:
    """One car diagnosed; ``informed`` is what someone who knew every fault would have paid."""

    setting: str
    minutes: float
    tests_cost: float
    total: float
    informed: float
    right: bool
    tests: int
    repairs: int
    cured: bool  # nothing left of what it was brought in for
    seconds: float


def diagnose(car: Car, name: str) -> Outcome:
    """Test as the policy says and take the plan that seems best, until nothing is left to do."""
    started = time.perf_counter()
    bench = Workbench(car)
    plan, shop = tested(bench, name)
    right = _is_right(plan, shop, car)
    left = carried_out(bench, plan, shop, name)
    return Outcome(
        car.setting,
        bench.minutes,
        bench.tests_cost,
        bench.tests_cost + bench.services_cost + left,
        _informed_cost(car),
        right,
        bench.tests,
        len(bench.repairs),
        bench.car.cured,
        time.perf_counter() - started,
    )


def carried_out(bench: Workbench, plan: Plan, shop: Workshop, name: str) -> float:
    """Carry a plan out, and what follows; the price of what is left at the end."""
    while name != "unproved" and _repairs(plan, shop) and len(bench.repairs) < MOST_REPAIRS:
        bench.repair(shop, plan)
        plan, shop = tested(bench, name)
    return _left(plan, shop, bench.car)


def tested(bench: Workbench, name: str) -> tuple[Plan, Workshop]:
    """The plan chosen once the policy tests no more, and nothing is left to do before it."""
    policy = POLICIES[name]
    while True:
        shop = bench.shop()
        move = policy(bench, shop)
        if move is None:
            plan = shop.decision.best(most_probable(shop) if name == "trade" else shop.marginal)
            first = shop.service_plan(plan).first
            way = shop.gates.way(first[0], shop.progress) if first else None
            if not isinstance(way, Move):
                return plan, shop
            move = way
        bench.do(move)


def _repairs(plan: Plan, shop: Workshop) -> bool:
    """Whether a plan does more than to leave the car as it is, with or without advice."""
    return any(shop.offers[name].cure.any() for name in plan.actions)


def _left(plan: Plan, shop: Workshop, car: Car) -> float:
    """Price of the last plan and the harm left, the complaint counted as it turned out.

    A plan that still repairs is priced by its chances, the complaint included.
    """
    truth = truth_of(shop.decision, car, shop.to_do)
    left = float(shop.decision.cost_of(plan, truth)[0])
    if _repairs(plan, shop):
        return left
    foreseen = float(
        truth[0, : len(shop.harm)] @ np.resize(shop.brought_about or 0.0, shop.harm.shape)
    )
    return left + shop.gates.prices.unsolved * (float(not car.cured) - foreseen)


def _is_right(plan: Plan, shop: Workshop, car: Car) -> bool:
    truth = truth_of(shop.decision, car, shop.to_do)
    least = float(shop.decision.cost(truth)[0])
    return float(shop.decision.cost_of(plan, truth)[0]) <= least + RIGHT_WITHIN


def truth_of(decision: Decision, car: Car, to_do: FloatArray) -> FloatArray:
    """The marginals of someone who knows every fault of a car; ``to_do``: needs and debts."""
    states = car.states
    known = {name: np.eye(count)[[states[name]]] for name, count in decision.variables}
    return decision.marginals(known, to_do)


@lru_cache(maxsize=4)
def _informed_cost(car: Car) -> float:
    """Cost to someone who sees every fault at every moment, nothing tested but what plans need."""
    bench = Workbench(car)
    while True:
        shop = bench.shop()
        truth = truth_of(shop.decision, bench.car, shop.to_do)
        plan = shop.decision.best(truth[0])
        if not _repairs(plan, shop) or len(bench.repairs) == MOST_REPAIRS:
            return bench.services_cost + _left(plan, shop, bench.car)
        bench.done += shop.service_plan(plan).first
        bench.repair(shop, plan)


def job(task: tuple[int, float, tuple[str, ...]]) -> list[Outcome]:
    """All policies on one car."""
    number, amount, names = task
    car = draw_car(number, amount)
    return [diagnose(car, name) for name in names]


# --- figures -----------------------------------------------------------------------------------


def interval(values: np.ndarray) -> tuple[float, float]:
    """Mean and half of its 95 % interval."""
    return float(values.mean()), float(1.96 * values.std(ddof=1) / np.sqrt(len(values)))


def figures(outcomes: list[list[Outcome]], names: tuple[str, ...]) -> dict[str, Any]:
    """Means with intervals, and the saving over the fixed order, car by car."""
    told: dict[str, Any] = {}
    totals = {n: np.array([car[i].total for car in outcomes]) for i, n in enumerate(names)}
    minutes = {n: np.array([car[i].minutes for car in outcomes]) for i, n in enumerate(names)}
    for i, name in enumerate(names):
        told[name] = {
            "minutes": interval(minutes[name]),
            "total_cost": interval(totals[name]),
            "tests_cost": interval(np.array([car[i].tests_cost for car in outcomes])),
            "informed_cost": interval(np.array([car[i].informed for car in outcomes])),
            "right": interval(np.array([float(car[i].right) for car in outcomes])),
            "tests": interval(np.array([float(car[i].tests) for car in outcomes])),
            "repairs": interval(np.array([float(car[i].repairs) for car in outcomes])),
            "cured": interval(
                np.array([float(c[i].cured) for c in outcomes if c[i].setting == "complaint"])
            ),
            "seconds": interval(np.array([car[i].seconds for car in outcomes])),
        }
        if "fixed" in names:
            saved, error = interval(totals["fixed"] - totals[name])
            told[name]["saved"] = saved, error
            told[name]["cost_cut"] = saved / float(totals["fixed"].mean())
            told[name]["minutes_cut"] = 1 - float(minutes[name].mean() / minutes["fixed"].mean())
    return told


def cuts_by_setting(
    outcomes: list[list[Outcome]], names: tuple[str, ...]
) -> dict[str, dict[str, float]]:
    """Share of the cost of the fixed order that each policy saves, on each kind of car."""
    cuts: dict[str, dict[str, float]] = {}
    for setting, _ in SETTINGS:
        cars = [car for car in outcomes if car[0].setting == setting]
        costs = {name: sum(car[i].total for car in cars) for i, name in enumerate(names)}
        cuts[setting] = {name: 1 - cost / costs["fixed"] for name, cost in costs.items()}
    return cuts


def _told(cars: Iterable[list[Outcome]], label: str, count: int) -> Iterator[list[Outcome]]:
    """The cars, with a word on standard error now and then."""
    for number, car in enumerate(cars, start=1):
        if number % 50 == 0:
            print(f"{label}: {number} of {count} cars", file=sys.stderr, flush=True)
        yield car


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else "")
    parser.add_argument("--cars", type=int, default=2000, help="half of them perturbed")
    parser.add_argument("--policies", default=",".join(POLICIES))
    parser.add_argument("--amount", type=float, default=AMOUNT, help="sigma of the perturbation")
    parser.add_argument("--workers", type=int, default=1)
    parser.add_argument("--json", action="store_true")
    options = parser.parse_args()
    names = tuple(options.policies.split(","))
    half = options.cars // 2
    told = {}
    for label, amount in (("shipped", 0.0), (f"perturbed by {options.amount:g}", options.amount)):
        tasks = [(number, amount, names) for number in range(half)]
        with ProcessPoolExecutor(options.workers) as pool:
            outcomes = list(_told(pool.map(job, tasks, chunksize=4), label, half))
        told[label] = {"cars": half, "policies": figures(outcomes, names)}
        if "fixed" in names:
            told[label]["cost_cut_by_setting"] = cuts_by_setting(outcomes, names)
    if options.json:
        print(json.dumps(told, indent=2))
        return
    for label, part in told.items():
        informed = next(iter(part["policies"].values()))["informed_cost"]
        print(f"\n{label}: {part['cars']} cars; knowing every fault would cost {informed[0]:.0f}")
        print(
            "policy        minutes       tests cost    total cost     "
            "right        cured        tests repairs  s/car"
        )
        for name, row in part["policies"].items():
            cut = ""
            if "saved" in row:
                cut = f"  cost {-row['cost_cut']:+.1%} min {-row['minutes_cut']:+.0%}"
            print(
                f"{name:12s} {row['minutes'][0]:6.1f} ±{row['minutes'][1]:4.1f}  "
                f"{row['tests_cost'][0]:6.1f} ±{row['tests_cost'][1]:4.1f}  "
                f"{row['total_cost'][0]:7.1f} ±{row['total_cost'][1]:5.1f}  "
                f"{row['right'][0]:5.1%} ±{row['right'][1]:4.1%}  "
                f"{row['cured'][0]:5.1%} ±{row['cured'][1]:4.1%}  {row['tests'][0]:5.1f}  "
                f"{row['repairs'][0]:5.2f}  {row['seconds'][0]:5.2f}{cut}"
            )
        for setting, cuts in part.get("cost_cut_by_setting", {}).items():
            said = ", ".join(f"{name} {-cut:+.1%}" for name, cut in cuts.items())
            print(f"cost against the fixed order, setting {setting}: {said}")


if __name__ == "__main__":
    main()
