"""Start-up: ``loopodds assess`` on a shipped case against ``import pgmpy.inference``.

Both are timed as whole processes, in turn, so that a busy machine slows both; the ratio is that
of the medians.

    python tests/benchmarks/start_up.py --repeats 9
"""

from __future__ import annotations

import argparse
import json
import statistics
import subprocess
import sys
import time
from collections.abc import Sequence
from typing import NamedTuple

from loopodds import demo_cases

LIMIT = 0.35


def seconds(command: Sequence[str]) -> float:
    """Wall time of one process, its output thrown away.

    Raises
    ------
    subprocess.CalledProcessError
        If the process fails.
    """
    start = time.perf_counter()
    subprocess.run(command, check=True, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
    return time.perf_counter() - start


class Result(NamedTuple):
    """Median times of both processes [s], every time taken, and the ratio of the medians."""

    case: str
    assess: float
    pgmpy: float
    ratio: float
    limit: float
    times: dict[str, list[float]]


def measure(case: str, repeats: int) -> Result:
    """Time both processes in turn, after one run of each that is not counted."""
    start = "from loopodds_cli.main import main; main()"
    commands = {
        "assess": [sys.executable, "-c", start, "assess", case],
        "pgmpy": [sys.executable, "-c", "import pgmpy.inference"],
    }
    times: dict[str, list[float]] = {name: [] for name in commands}
    for turn in range(repeats + 1):
        for name, command in commands.items():
            taken = seconds(command)
            if turn > 0:
                times[name].append(taken)
    ours, theirs = (statistics.median(times[name]) for name in commands)
    return Result(case, ours, theirs, ours / theirs, LIMIT, times)


def run() -> None:
    """Measure, print, and exit with 1 when the limit is not kept."""
    parser = argparse.ArgumentParser(description="Start-up of assess against pgmpy.")
    parser.add_argument("--case", help="the first demo case when left out")
    parser.add_argument("--repeats", type=int, default=7)
    parser.add_argument("--json", action="store_true")
    options = parser.parse_args()
    result = measure(options.case or next(iter(demo_cases())), options.repeats)
    if options.json:
        print(json.dumps(result._asdict(), indent=2))
    else:
        print(f"loopodds assess {result.case}: {result.assess:.3f} s")
        print(f"import pgmpy.inference: {result.pgmpy:.3f} s")
        print(f"ratio: {result.ratio:.3f} (limit {result.limit})")
    sys.exit(0 if result.ratio < result.limit else 1)


if __name__ == "__main__":
    run()
