"""Seconds, processor time and memory of scoring an archive of Parquet from end to end.

Invented cars as in the demo archives. ``worded`` has twelve columns of words of a car of one kind,
three cells in ten empty; ``long`` has all that a workshop may record, gauges and kinds of car
included, most of it empty. Each is scored by the command, in a process of its own.

    python tests/benchmarks/archive.py [--rows N ...] [--kind worded long] [--workers N ...]
"""

from __future__ import annotations

import argparse
import json
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import psutil
import pyarrow as pa
import pyarrow.parquet as pq
from loopodds.base.units import column_unit
from loopodds.diagnosis.model import Model
from loopodds.diagnosis.simulation import hide_at_random, simulate
from loopodds.inspection.vocabulary import CHOICES, names_in, reading_dimension

sys.path.insert(0, str(Path(__file__).parents[1]))
sys.path.insert(0, str(Path(__file__).parents[2] / "tools"))
from make_archive import METRIC_UNITS, draw_cars
from shared import CONTEXT, TWELVE_WORDS

DRAWN_AT_ONCE = 100_000
LOOK_SECONDS = 0.05


def words(codes: Any, states: tuple[str, ...]) -> pa.Array:
    """State indices as words, -1 as nothing."""
    missing = pa.array(codes, pa.int32(), mask=np.asarray(codes) < 0)
    return pa.DictionaryArray.from_arrays(missing, pa.array(states))


def worded(model: Model, rows: int, rng: np.random.Generator) -> dict[str, pa.Array]:
    seen = hide_at_random(simulate(model, CONTEXT, rows, rng).evidence, 0.7, rng)
    return {name: words(seen.codes[name], model.states(name)) for name in TWELVE_WORDS}


def long(model: Model, rows: int, rng: np.random.Generator) -> dict[str, pa.Array]:
    cars = draw_cars(model, rows, rng)
    columns = {name: words(codes, CHOICES[name]) for name, codes in cars.choices.items()}
    for name, values in cars.numbers.items():
        heading = name.replace("ambient_c", "ambient_degC")
        if name in names_in("readings", model.knowledge):
            dimension = reading_dimension(name, model.knowledge)
            values = column_unit(METRIC_UNITS[dimension], dimension).from_internal(values)
            heading = f"{name}_{METRIC_UNITS[dimension]}"
        columns[heading] = pa.array(np.round(values, 2), mask=np.isnan(values))
    for name, codes in cars.words.items():
        columns[name] = words(codes, model.states(name))
    return columns


KINDS = {"worded": worded, "long": long}


def tables(kind: str, rows: int) -> Iterator[pa.Table]:
    """An archive, so many rows at a time."""
    model, rng = Model(), np.random.default_rng(12)
    for first in range(0, rows, DRAWN_AT_ONCE):
        count = min(DRAWN_AT_ONCE, rows - first)
        orders = pa.array([f"T{number:08d}" for number in range(first, first + count)])
        yield pa.table({"order": orders, **KINDS[kind](model, count, rng)})


def write(kind: str, rows: int, path: Path) -> None:
    parts = tables(kind, rows)
    first = next(parts)
    with pq.ParquetWriter(path, first.schema) as writer:
        writer.write_table(first)
        for part in parts:
            writer.write_table(part)


def run(command: list[str]) -> dict[str, Any]:
    """A command with its seconds, processor time and the peak of the memory of all it started."""
    begun, peak, used = time.perf_counter(), 0, 0.0
    with subprocess.Popen(command, stdout=subprocess.PIPE, text=True) as started:
        told: list[str] = []
        assert started.stdout is not None
        reader = threading.Thread(target=lambda: told.append(started.stdout.read()))
        reader.start()
        process, each = psutil.Process(started.pid), dict[int, float]()
        while started.poll() is None:
            held = 0
            for one in (process, *process.children(recursive=True)):
                try:
                    held += one.memory_full_info().pss
                    each[one.pid] = sum(one.cpu_times()[:2])
                except (psutil.NoSuchProcess, psutil.ZombieProcess, psutil.AccessDenied):
                    continue
            peak, used = max(peak, held), sum(each.values())
            time.sleep(LOOK_SECONDS)
        reader.join()
    if started.returncode:
        raise SystemExit(f"{' '.join(command)}: exit {started.returncode}")
    wall = time.perf_counter() - begun
    return {"seconds": wall, "processor": used, "peak_mb": peak / 1e6, **json.loads(told[0])}


def main() -> None:
    """Measure and print."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--rows", type=int, nargs="+", default=[100_000, 1_000_000])
    parser.add_argument("--kind", nargs="+", choices=KINDS, default=list(KINDS))
    parser.add_argument("--workers", type=int, nargs="+", default=[1, 2])
    parser.add_argument("--folder", type=Path, help="keep the archives there, and use those there")
    given = parser.parse_args()
    with tempfile.TemporaryDirectory() as made:
        folder: Path = given.folder or Path(made)
        folder.mkdir(exist_ok=True)
        for kind in given.kind:
            for rows in given.rows:
                path = folder / f"{kind}-{rows}.parquet"
                if not path.exists():
                    write(kind, rows, path)
                for workers in given.workers:
                    out = Path(made) / "scored.parquet"
                    program = [str(Path(sys.executable).with_name("loopodds")), "score", str(path)]
                    how = ["--out", str(out), "--overwrite", "--workers", str(workers), "--json"]
                    found = run([*program, *how])
                    print(
                        f"{kind}, {rows:,} rows ({path.stat().st_size / 1e6:.0f} MB), "
                        f"{workers} workers: {found['seconds']:.1f} s, "
                        f"{found['processor']:.1f} s of processor time, "
                        f"peak {found['peak_mb']:.0f} MB, {found['distinct']:,} distinct, "
                        f"{found['rejected']:,} set aside, {out.stat().st_size / 1e6:.0f} MB out",
                        flush=True,
                    )


if __name__ == "__main__":
    main()
