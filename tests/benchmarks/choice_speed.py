"""Milliseconds to choose the next test on the shipped network, ten things known, warm.

Cars are drawn from the network; ten of their findings and readings are known, the gas is
identified and leak-stop ruled out, so that everything else is open. Limits: all tests ranked in
50 ms, two tests ahead in 500 ms, three in 5 s, and ``loopodds next`` as a whole process in 1 s.
Processor time is told beside wall time, which other work on the machine lengthens.

    python tests/benchmarks/choice_speed.py --cars 10
"""

from __future__ import annotations

import os

os.environ.setdefault("OMP_NUM_THREADS", "1")
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import argparse
import json
import statistics
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np
from loopodds.decision.next_test import rank_tests
from loopodds.decision.workshop import Workshop
from loopodds.diagnosis.belief import Belief
from loopodds.diagnosis.model import Model
from loopodds.diagnosis.simulation import simulate
from loopodds.inference.network import Evidence

sys.path.insert(0, str(Path(__file__).parents[1]))
from shared import CONTEXT

CLEARED = {"label_and_fittings": 0, "identification": 0, "port_core": 0, "sealant_check": 0}
LIMITS = {"rank": 50.0, "two ahead": 500.0, "three ahead": 5000.0, "next, process": 1000.0}
Timed = tuple[float, float]


def cars(model: Model, count: int, rng: np.random.Generator) -> list[Belief]:
    """Beliefs with ten findings known, the four that open the way among them."""
    drawn = simulate(model, CONTEXT, count, rng).evidence
    words = [
        name
        for name in model.knowledge.of_kind("finding")
        if name not in CLEARED and not name.startswith("insulation")
    ]
    beliefs = []
    for row in range(count):
        seen = rng.choice(words, 10 - len(CLEARED), replace=False)
        codes = {str(name): drawn.codes[str(name)][row : row + 1] for name in seen}
        codes |= {name: np.array([code]) for name, code in CLEARED.items()}
        beliefs.append(Belief(model, CONTEXT, Evidence(1, codes)))
    return beliefs


def timed(work: Callable[[], object]) -> Timed:
    """Wall and processor milliseconds."""
    wall, cpu = time.perf_counter(), time.process_time()
    work()
    return 1000 * (time.perf_counter() - wall), 1000 * (time.process_time() - cpu)


def rank(belief: Belief) -> None:
    """Everything that a list of ranked tests needs."""
    rank_tests(Workshop(belief, (), None, CONTEXT))


def ahead(belief: Belief, depth: int) -> None:
    """The best sequence of so many tests."""
    shop = Workshop(belief, (), None, CONTEXT)
    shop.planner.plan(shop.progress, depth)


def process() -> Timed:
    """The command as a whole process."""
    command = [sys.executable, "-c", "from loopodds_cli.main import main; main()"]
    before = os.times()
    wall = time.perf_counter()
    subprocess.run([*command, "next", "@wet_loop"], check=True, capture_output=True)
    after = os.times()
    used = after.children_user - before.children_user
    used += after.children_system - before.children_system
    return 1000 * (time.perf_counter() - wall), 1000 * used


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else "")
    parser.add_argument("--cars", type=int, default=10)
    parser.add_argument("--json", action="store_true")
    options = parser.parse_args()
    beliefs = cars(Model(compiled=True), options.cars, np.random.default_rng(20260401))
    for belief in beliefs[:2]:
        ahead(belief, 2)
    times: dict[str, list[Timed]] = {
        "rank": [timed(lambda b=b: rank(b)) for b in beliefs],
        "two ahead": [timed(lambda b=b: ahead(b, 2)) for b in beliefs],
        "three ahead": [timed(lambda b=b: ahead(b, 3)) for b in beliefs[:3]],
        "next, process": [process() for _ in range(5)],
    }
    told = {
        name: {
            "wall_ms": statistics.median(wall for wall, _ in found),
            "processor_ms": statistics.median(cpu for _, cpu in found),
            "limit_ms": LIMITS[name],
        }
        for name, found in times.items()
    }
    if options.json:
        print(json.dumps(told, indent=2))
        return
    for name, row in told.items():
        print(
            f"{name:14s} wall {row['wall_ms']:7.1f} ms  processor {row['processor_ms']:7.1f} ms  "
            f"limit {row['limit_ms']:.0f} ms"
        )


if __name__ == "__main__":
    main()
