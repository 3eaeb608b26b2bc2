"""How far the choice of tests is from the best possible: lower bounds for any way to choose.

Cars are those of ``policy.py``, drawn from the shipped network. The game that is bounded is the job
up to its plan: tests are bought one after the other, then one plan is taken and priced by its
chances, the complaint included, as the planner prices it; there is no second visit. Any way of
choosing tests that ends so is in the class, whatever its order, whether it tests at all and
whichever plan it takes. What the policy pays in that game is its tests, and its plan priced by what
all results say of the car: the mean is that of the plan priced by the true faults, with less chance
in it. ``whole`` is its bill to the end of the job, with proofs, repairs that failed and second
plans, as ``policy.py`` counts it: no bound is claimed for that.

``bound_rungs.py`` says what each rung is and why it is a bound, ``bound_cars.py`` what may be done.
How much of the gap is the choice's and how much the bound's is told by the same cars with a few of
their tests (``bound_cut.py``), where the best way is known: it need not be the same with all tests.
A rival is another way of choosing of ``policy.py`` in the same game, car by car. Intervals: 95 %.

    python tests/benchmarks/bounds.py --cars 2000 --jobs 16 --out bounds.json
    python tests/benchmarks/bounds.py --cars 300 --jobs 16 --rungs faults --cut 0 --rival pairs

Results so far are written every minute and at the end, so that the run can be killed.
"""

from __future__ import annotations

import argparse
import json
import os
import sys
import time
from collections.abc import Iterator, Mapping, Sequence
from concurrent.futures import ProcessPoolExecutor, as_completed
from dataclasses import asdict, dataclass, field
from multiprocessing import get_context
from pathlib import Path
from typing import Any, NamedTuple

import numpy as np
from loopodds.base.arrays import FloatArray
from loopodds.decision.expected_cost import Plan
from loopodds.decision.moves import Move
from loopodds.decision.workshop import Workshop
from loopodds.knowledge.cures import cure_chances

sys.path.append(str(Path(__file__).parent))
import policy
from bound_cars import Job, game_of, job_of
from bound_cut import TESTS, Cut, cut_game
from bound_rungs import Game, believed, rungs, seen_in
from policy import Car, Workbench, draw_car

RUNGS = ("faults", "results", "leading", "penalised")
EVERY_S = 60.0
THREADS = ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS", "NUMBA_NUM_THREADS")


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
    rival: float = np.nan  # as policy, of the other way of choosing
    cut: dict[str, float] = field(default_factory=dict)  # bills with a few tests


class Task(NamedTuple):
    """What to work out of a car."""

    car: int
    seed: int
    setting: str | None  # leave out others
    asked: Sequence[str]  # rungs
    tests: int  # of its cut game; none for 0
    rival: str | None


# --- the policy in the game -----------------------------------------------------------------------


def row_of(task: Task) -> Row | None:
    """One car: the product's way, and the bounds; None if it came for something else."""
    started = time.perf_counter()
    policy.SEED = task.seed
    car = draw_car(task.car, 0.0)
    if task.setting not in (None, car.setting):
        return None
    job = job_of(car)
    game = game_of(job)
    bench = Workbench(car)
    plan, shop = policy.tested(bench, "lookahead")
    tests = bench.tests_cost
    by_results = _by_results(game, shop)
    by_faults = policy.truth_of(shop.decision, car, shop.to_do)[0, : len(by_results)]
    paid = [tests + _priced(plan, shop, job, belief) for belief in (by_results, by_faults)]
    left = policy.carried_out(bench, plan, shop, "lookahead")
    bounds = rungs(game, searching=not {"leading", "penalised"}.isdisjoint(task.asked))
    whole = bench.tests_cost + bench.services_cost + left
    rival = _paid(task.rival, game, job) if task.rival else np.nan
    cut = _cut(car, task.tests)._asdict() if task.tests else {}
    seconds = time.perf_counter() - started
    return Row(task.car, car.setting, tests, *paid, whole, *bounds, seconds, rival, cut)


def _by_results(game: Game, shop: Workshop) -> FloatArray:
    """Belief in the faults, all results seen."""
    known = seen_in(np.ones((1, len(game.units)), dtype=bool), game.units, game.results)
    belief: FloatArray = believed(game.tree, known, shop.decision)[0]
    return belief


def _paid(name: str, game: Game, job: Job) -> float:
    """Bill of a way of choosing, its plan priced by all results."""
    bench = Workbench(job.car)
    plan, shop = policy.tested(bench, name)
    return bench.tests_cost + _priced(plan, shop, job, _by_results(game, shop))


def _cut(car: Car, tests: int) -> Cut:
    """The car with a few of its tests, after the interview if it came with a complaint."""
    bench = Workbench(car)
    if car.setting == "complaint":
        shop = bench.shop()
        way = shop.gates.way("interview", shop.progress)
        assert isinstance(way, Move)
        bench.do(way)
    return cut_game(bench.shop(), tests).bills()


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


def ratio(part: FloatArray, whole: FloatArray) -> tuple[float, float]:
    """Ratio of two means over the same cars, and half of its 95 % interval.

    Linearised (Cochran, Sampling Techniques); not a number where the whole is nothing.
    """
    if not whole.any():
        return np.nan, np.nan
    found = float(part.mean() / whole.mean())
    error = (part - found * whole).std(ddof=1) / whole.mean() / np.sqrt(len(part))
    return found, float(1.96 * error)


def summary(rows: Sequence[Row]) -> dict[str, Any]:
    """Means and gaps, over all cars and by setting."""
    told: dict[str, Any] = {}
    for name in ("all", *dict(policy.SETTINGS)):
        part = [row for row in rows if name in ("all", row.setting)]
        if len(part) > 1:
            asked = [rung for rung in RUNGS if not np.isnan(getattr(part[0], rung))]
            columns = ("tests", "policy", "priced_by_faults", "whole", *asked, "seconds")
            means = {c: policy.interval(np.array([getattr(r, c) for r in part])) for c in columns}
            paid = np.array([row.policy for row in part])
            bounds = {rung: np.array([getattr(row, rung) for row in part]) for rung in asked}
            gaps = {rung: ratio(paid - bound, paid) for rung, bound in bounds.items()}
            told[name] = {"cars": len(part), "mean": means, "gap": gaps}
            if part[0].cut:
                told[name]["cut"] = cut_apart([row.cut for row in part])
            if not np.isnan(part[0].rival):
                saved = paid - [row.rival for row in part]
                told[name]["rival_saves"] = policy.interval(saved)
    return told


def cut_apart(games: Sequence[dict[str, float]]) -> dict[str, tuple[float, float]]:
    """Where the gap lies in cut games, and what other ways of choosing save there."""
    bills = {name: np.array([game[name] for game in games]) for name in Cut._fields}
    paid, gap = bills["next"], bills["next"] - bills["bound"]
    rivals = {f"{n}_saves": policy.interval(paid - bills[n]) for n in Cut._fields[1:-1]}
    return {
        "next": policy.interval(paid),
        "gap": ratio(gap, paid),
        "above_best": ratio(paid - bills["best"], paid),
        "share_of_choice": ratio(paid - bills["best"], gap),
        **rivals,
    }


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
        if "rival_saves" in part:
            yield "  the rival saves {:.1f} ± {:.1f}".format(*part["rival_saves"])
        if "cut" in part:
            yield from _shown_cut(part["cut"])


def _shown_cut(cut: Mapping[str, tuple[float, float]]) -> Iterator[str]:
    yield (
        "  with a few tests: next {:.0f} ± {:.0f}".format(*cut["next"])
        + ", gap to the bound {:.2%} ± {:.2%}".format(*cut["gap"])
        + ", to the best {:.2%} ± {:.2%}".format(*cut["above_best"])
        + ": {:.0%} ± {:.0%} of the gap is the choice's".format(*cut["share_of_choice"])
    )
    saved = ("{} {:.2f} ± {:.2f}".format(n, *cut[f"{n}_saves"]) for n in Cut._fields[1:-1])
    yield f"    saved there: {', '.join(saved)}"


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else "")
    parser.add_argument("--cars", type=int, default=100)
    parser.add_argument("--first", type=int, default=0, help="number of the first car")
    parser.add_argument("--seed", type=int, default=policy.SEED)
    parser.add_argument("--jobs", type=int, default=1)
    parser.add_argument("--setting", choices=list(dict(policy.SETTINGS)), help="only such cars")
    parser.add_argument("--rungs", default=",".join(RUNGS), help="the last two take the time")
    parser.add_argument("--cut", type=int, default=TESTS, help="tests of the cut games; 0: none")
    parser.add_argument("--rival", choices=list(policy.POLICIES), help="another way to choose")
    parser.add_argument("--out", type=Path, help="JSON, written every minute")
    options = parser.parse_args()
    asked = options.rungs.split(",")
    if unknown := {*asked} - {*RUNGS}:
        parser.error(f"no such rung: {', '.join(sorted(unknown))}; there are {', '.join(RUNGS)}")
    numbers = range(options.first, options.first + options.cars)
    rows: list[Row] = []
    told = time.monotonic()
    os.environ |= dict.fromkeys(THREADS, "1")  # a process a core: more threads would only wait
    with ProcessPoolExecutor(options.jobs, get_context("spawn")) as pool:
        what = options.seed, options.setting, asked, options.cut, options.rival
        waiting = [pool.submit(row_of, Task(n, *what)) for n in numbers]
        for done in as_completed(waiting):
            row = done.result()
            rows += [row] if row else []
            if time.monotonic() - told > EVERY_S:
                told = time.monotonic()
                written(options.out, rows)
                print(f"{len(rows)} of {len(waiting)} cars", file=sys.stderr, flush=True)
    written(options.out, rows)
    print("\n".join(shown(sorted(rows, key=lambda row: row.car))))


if __name__ == "__main__":
    main()
