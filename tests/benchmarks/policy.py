"""Ways to choose tests, judged on simulated cars whose faults are known.

Half of the cars are drawn from the shipped network, half from networks in which every number is
wrong, another one for each car: each probability multiplied by a log-normal factor (sigma 0.3,
``--amount``) and its row scaled to one again, each gauge mean moved by a normal 0.3 of its spread,
each spread multiplied by a log-normal factor (sigma 0.12). The tool always diagnoses with the
shipped network. Seven cars in ten came with a complaint, the others for a routine check.

    trade        as fixed, then the plan that is best if the most probable state of every fault is
                 the true one: repair what one holds to be wrong
    fixed        the order of the trade, always all of it: interview, look-over, identification,
                 gauges, sample, bench tests and, on a car with a complaint, recovery with
                 weighing and the vacuum hold, before anything is decided
    bench        the same, decided after the bench tests on every car
    sure         the same as bench, stopped once a condition, or a sound car, reaches 90 %
    bits         most information, until no test gives a tenth of a bit
    bits/minute  the same by information a minute, what comes first counted in
    value        highest net value, what ends another paying test after it, until none pays
    lookahead    what `loopodds next` says: the same, looking two tests ahead where no single
                 one pays, until no pair does

Total cost: tests, the plan chosen at the end, and the harm that it leaves on the true faults. A
plan is called right when it costs no more than one hour of labour above what someone who knew
every fault would have paid.

    python tests/benchmarks/policy.py --cars 200
"""

from __future__ import annotations

import argparse
import json
import sys
import time
from collections.abc import Callable, Collection, Iterable, Iterator, Mapping, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from functools import cache
from types import SimpleNamespace
from typing import Any

import numpy as np
from loopodds.aliases import FloatArray
from loopodds.assembly import build_network
from loopodds.bay import Bay
from loopodds.belief import Belief
from loopodds.decision import Decision
from loopodds.engine import Model
from loopodds.moves import Move
from loopodds.network import Discrete, Evidence, GaugeNode, Network
from loopodds.simulation import SimulatedCars, simulate

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
CONTEXTS = {
    "refrigerant": (("R134a", 0.65), ("R1234yf", 0.35)),
    "expansion": (("TXV", 0.75), ("orifice", 0.25)),
    "compressor": (("fixed", 0.5), ("variable", 0.5)),
    "setting": (("complaint", 0.7), ("routine", 0.3)),
    "weather": (("warm", 0.75), ("cool", 0.25)),
}


@cache
def model() -> Model:
    import loopodds.kernels  # noqa: F401  (compiled loops also for small batches)

    return Model()


# --- cars --------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Car:
    """One simulated car: its context, its faults, and what each test would show."""

    context: dict[str, str]
    states: dict[str, int]
    words: dict[str, int]
    numbers: dict[str, float]


def draw_car(number: int, amount: float) -> Car:
    """The car of a number, always the same one."""
    rng = np.random.default_rng([SEED, number, int(amount > 0)])
    context = {
        key: str(rng.choice([v for v, _ in options], p=[p for _, p in options]))
        for key, options in CONTEXTS.items()
    }
    relevant = _relevant(context)
    source: Any = model()
    if amount > 0:
        network = _perturbed(relevant, amount, np.random.default_rng([SEED, number, 2]))
        source = SimpleNamespace(
            tree=lambda _: SimpleNamespace(network=network), knowledge=model().knowledge
        )
    cars: SimulatedCars = simulate(source, relevant, 1, rng)
    return Car(
        context,
        {name: int(code[0]) for name, code in cars.states.items()},
        {name: int(code[0]) for name, code in cars.evidence.codes.items()},
        {name: float(value[0]) for name, (value, _) in cars.evidence.numbers.items()},
    )


def _relevant(context: Mapping[str, str]) -> dict[str, str]:
    """The contexts that some node depends on, as the encoder gives them."""
    keys = {key for node in model().knowledge.nodes.values() for key in node.context_keys()}
    return {key: value for key, value in context.items() if key in keys}


def _perturbed(context: Mapping[str, str], amount: float, rng: np.random.Generator) -> Network:
    """A network in which every number is wrong."""
    network = build_network(model().knowledge, context)

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
        self.minutes = 0.0
        self.cost = 0.0
        self._codes: dict[str, np.ndarray] = {}
        self._numbers: dict[str, tuple[np.ndarray, np.ndarray]] = {}

    def bay(self) -> Bay:
        """Belief, rules and prices as things stand."""
        evidence = Evidence(1, self._codes, {}, self._numbers)
        belief = Belief(model(), _relevant(self.car.context), evidence)
        return Bay(belief, self.done, None, self.car.context)

    def do(self, move: Move) -> None:
        """The first step of a move: pay, and see what it shows."""
        step = move.steps[0]
        self.done.append(step.test)
        self.minutes += step.minutes
        self.cost += step.cost
        for name in model().knowledge.tests[step.test].yields:
            if name in self.car.words:
                self._codes[name] = np.array([self.car.words[name]])
            elif not np.isnan(self.car.numbers[name]):
                value = np.array([self.car.numbers[name]])
                self._numbers[name] = value, np.zeros(1)


Policy = Callable[[Workbench, Bay], Move | None]


def fixed(bench: Workbench, bay: Bay) -> Move | None:
    """The next test of the trade's whole order that is possible."""
    complaint = bench.car.context["setting"] == "complaint"
    return _next_of((*ORDER, *LAST) if complaint else ORDER, bench, bay)


def to_bench(bench: Workbench, bay: Bay) -> Move | None:
    """The next test of the order up to the bench tests."""
    return _next_of(ORDER, bench, bay)


def _next_of(order: Sequence[str], bench: Workbench, bay: Bay) -> Move | None:
    for name in order:
        if name not in bench.done:
            way = bay.gates.way(name, bay.progress)
            if isinstance(way, Move):
                return way
    return None


def sure(bench: Workbench, bay: Bay) -> Move | None:
    """The same, stopped once one thing is nearly certain."""
    belief = bay.belief
    surest = max(belief.p_sound, *(belief.condition(c) for c in bay.knowledge.conditions))
    return None if surest >= SURE else to_bench(bench, bay)


def most_probable(bay: Bay) -> FloatArray:
    """The marginals of someone who is sure of the most probable state of every fault."""
    sure_of = {
        name: np.eye(count)[[int(bay.belief.beliefs.faults[name][0].argmax())]]
        for name, count in bay.decision.variables
    }
    row: FloatArray = bay.decision.marginals(sure_of, bay.decision.to_do(bay.progress.done))[0]
    return row


def _most(bay: Bay, per_minute: bool) -> Move | None:
    rated = []
    for move in bay.gates.moves(bay.progress):
        bits = bay.planner.look(bay.knowledge.tests[move.test].yields).bits(bay.about)
        if bits >= ENOUGH_BITS:
            rated.append((bits / move.minutes if per_minute else bits, move))
    return max(rated, key=lambda pair: pair[0])[1] if rated else None


def bits(_: Workbench, bay: Bay) -> Move | None:
    """Most information."""
    return _most(bay, per_minute=False)


def bits_per_minute(_: Workbench, bay: Bay) -> Move | None:
    """Most information a minute."""
    return _most(bay, per_minute=True)


def value(_: Workbench, bay: Bay) -> Move | None:
    """Highest net value."""
    best = bay.planner.rank(bay.progress).best
    return best.move if best is not None else None


def lookahead(_: Workbench, bay: Bay) -> Move | None:
    """Highest net value, two tests ahead where no single one pays."""
    single = bay.planner.rank(bay.progress)
    best = single.best or bay.planner.plan(bay.progress, 2, single=single).best
    return best.move if best is not None else None


POLICIES: dict[str, Policy] = {
    "trade": fixed,
    "fixed": fixed,
    "bench": to_bench,
    "sure": sure,
    "bits": bits,
    "bits/minute": bits_per_minute,
    "value": value,
    "lookahead": lookahead,
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
    seconds: float


def diagnose(car: Car, name: str) -> Outcome:
    """Test as the policy says, then take the plan that seems best, and see what it costs."""
    policy = POLICIES[name]
    started = time.perf_counter()
    bench = Workbench(car)
    bay = bench.bay()
    while (move := policy(bench, bay)) is not None:
        bench.do(move)
        bay = bench.bay()
    decision = bay.decision
    truth = _truth(decision, car, bay.progress.done)
    plan = decision.best(most_probable(bay) if name == "trade" else bay.marginal)
    paid = float(decision.cost_of(plan, truth)[0])
    return Outcome(
        car.context["setting"],
        bench.minutes,
        bench.cost,
        bench.cost + paid,
        _informed_cost(decision, car),
        paid <= float(decision.cost(truth)[0]) + RIGHT_WITHIN,
        len(bench.done),
        time.perf_counter() - started,
    )


def _truth(decision: Decision, car: Car, done: Collection[str]) -> FloatArray:
    """The marginals of someone who knows every fault of a car."""
    known = {name: np.eye(count)[[car.states[name]]] for name, count in decision.variables}
    return decision.marginals(known, decision.to_do(done))


def _informed_cost(decision: Decision, car: Car) -> float:
    """Cost of the best plan for the true faults, nothing tested but what it needs."""
    return float(decision.cost(_truth(decision, car, ()))[0])


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
    for setting, _ in CONTEXTS["setting"]:
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
        print("policy        minutes       tests cost    total cost     right        tests  s/car")
        for name, row in part["policies"].items():
            cut = ""
            if "saved" in row:
                cut = f"  cost {-row['cost_cut']:+.1%} min {-row['minutes_cut']:+.0%}"
            print(
                f"{name:12s} {row['minutes'][0]:6.1f} ±{row['minutes'][1]:4.1f}  "
                f"{row['tests_cost'][0]:6.1f} ±{row['tests_cost'][1]:4.1f}  "
                f"{row['total_cost'][0]:7.1f} ±{row['total_cost'][1]:5.1f}  "
                f"{row['right'][0]:5.1%} ±{row['right'][1]:4.1%}  {row['tests'][0]:5.1f}  "
                f"{row['seconds'][0]:5.2f}{cut}"
            )
        for setting, cuts in part.get("cost_cut_by_setting", {}).items():
            said = ", ".join(f"{name} {-cut:+.1%}" for name, cut in cuts.items())
            print(f"cost against the fixed order, setting {setting}: {said}")


if __name__ == "__main__":
    main()
