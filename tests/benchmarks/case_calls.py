"""Every ``loopodds case`` call as a whole process: wall time from the shell and back.

The case grows to a few dozen events first, so that each call replays a real course. The book
lies in a temporary folder. The limit is one second a call. Processor time is told beside wall
time, which other work on the machine lengthens.

    python tests/benchmarks/case_calls.py --repeats 5
"""

from __future__ import annotations

import argparse
import json
import os
import statistics
import subprocess
import sys
import tempfile
import time
from pathlib import Path

LIMIT = 1.0
CAR = [
    "refrigerant=R134a", "expansion=TXV", "compressor=fixed", "ambient=31 degC", "humidity=45 %",
    "nameplate_charge=520 g", "opened_without_new_drier=yes", "sample_darkening=brown",
    "sample_bubbles=persisting", "sample_specks=none:0.3,metal:0.7", "low_side=2.1 bar",
    "high_side=255 psi", "vent=14 degC", "slow_swing=yes", "moisture_indicator=wet",
]  # fmt: skip
CALLS = {
    "open": ["open", "--name", "timed", *CAR],
    "saw": ["saw", "1", "sample_foam=brief"],
    "read": ["read", "1", "superheat=6 K"],
    "doubt": ["doubt", "1", "vent"],
    "undo": ["undo", "1"],
    "redo": ["redo", "1"],
    "withdraw": ["withdraw", "1", "vent"],
    "show": ["show", "1"],
    "history": ["history", "1"],
    "list": ["list", "--all"],
    "export": ["export", "1"],
    "done": ["done", "1", "cold_look"],
    "decide": ["decide", "1", "dry_the_loop"],
    "close": ["close", "1", "--confirmed", "moisture=wet"],
    "export --archive": ["export", "--archive", "closed.csv"],
    "import": ["import", "case.toml"],
    "check": ["check"],
    "undo (reopens)": ["undo", "1"],
}


def seconds(words: list[str], folder: Path) -> tuple[float, float]:
    """Wall and processor time of one call.

    Raises
    ------
    subprocess.CalledProcessError
        If it fails.
    """
    command = [sys.executable, "-c", "from loopodds_cli.main import main; main()", "case", *words]
    environment = {**os.environ, "LOOPODDS_BOOK": str(folder / "book.db")}
    start, spent = time.perf_counter(), processor_time()
    subprocess.run(
        command, check=True, cwd=folder, env=environment, stdout=subprocess.DEVNULL
    )  # fmt: skip
    return time.perf_counter() - start, processor_time() - spent


def processor_time() -> float:
    """Time that ended child processes have spent on a processor [s]."""
    spent = os.times()
    return spent.children_user + spent.children_system


def measure(repeats: int) -> dict[str, list[tuple[float, float]]]:
    """Wall and processor times of every call; each round begins a new book [s]."""
    times: dict[str, list[tuple[float, float]]] = {name: [] for name in CALLS}
    for _ in range(repeats):
        with tempfile.TemporaryDirectory() as name:
            folder = Path(name)
            (folder / "case.toml").write_text('[findings]\nsample_bubbles = "none"\n')
            for call, words in CALLS.items():
                times[call].append(seconds(words, folder))
    return times


def main() -> None:
    """Measure and print; exit code 1 if a median is above the limit."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--repeats", type=int, default=5)
    parser.add_argument("--json", action="store_true")
    options = parser.parse_args()
    times = measure(options.repeats)
    medians = {
        name: [statistics.median(part) for part in zip(*taken, strict=True)]
        for name, taken in times.items()
    }
    if options.json:
        print(json.dumps({"limit": LIMIT, "medians": medians, "times": times}, indent=2))
    else:
        print(f"{'':18} {'wall':>7} {'longest':>9} {'processor':>10}   [s]")
        for name, (wall, spent) in medians.items():
            longest = max(taken[0] for taken in times[name])
            print(f"{name:18} {wall:7.3f} {longest:9.3f} {spent:10.3f}")
        print(f"{'limit':18} {LIMIT:7.3f}")
    sys.exit(int(max(wall for wall, _ in medians.values()) > LIMIT))


if __name__ == "__main__":
    main()
