"""What the watch finds and how soon, and how often it alarms where nothing has moved.

python tests/benchmarks/watch.py                       all of it at 10^5 rows, one full run
python tests/benchmarks/watch.py --full 3 --fair 100   three full runs, a hundred of redrawn looks
python tests/benchmarks/watch.py --rows 10000          smaller

Every archive is invented, drawn from the shipped knowledge. A run of redrawn looks takes the
chances that the network foretold in the full run and draws from them what is seen, and readings of
gauges from mixtures: bets, restarts and the line of alarm are those of the watch.
"""

from __future__ import annotations

import argparse
import json
import resource
import sys
import tempfile
from collections.abc import Iterator
from pathlib import Path
from time import perf_counter

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1]))

from loopodds.base.arrays import FloatArray, IntArray
from loopodds.diagnosis.model import Model
from loopodds.drift.bets import Stake, oddity_ratios, threshold, word_bets, word_ratios
from loopodds.drift.foretold import foretold_readings
from loopodds.drift.judging import CHUNK
from loopodds.drift.kept import LookFiles
from loopodds.drift.looks import FACTORS, OFFSETS, WORD, odd_words
from loopodds.drift.results import Watch
from loopodds.drift.watching import LOOKS, watch
from watched_archives import Rows, drawn_rows, seen_by

MOVED_FROM = 3000
"""Looks at a finding before its table moves."""


def drawn(model: Model, count: int, seed: int, hot: bool = False) -> Rows:
    """A year of cars; with a hot summer the mean of the air goes from 20 to 36 degC and back."""

    def air(at: FloatArray) -> FloatArray:
        return np.where((at > 0.4) & (at < 0.7) & hot, 36.0, 20.0)

    rng = np.random.default_rng(seed)
    rows = drawn_rows(model, count, rng, air)
    rows.more = seen_by(count, rng, days=365, technicians=8)
    return rows


def timed(rows: Rows, by: tuple[str, ...], keep: Path | None = None) -> Watch:
    """Watch an archive of some rows; says how long it took."""
    with tempfile.TemporaryDirectory() as folder:
        path = rows.write(Path(folder) / "rows.parquet")
        start = perf_counter()
        found = watch(path, by=by, keep=keep)
    seconds, peak = perf_counter() - start, resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    size = f"{found.rows:,} rows, {found.looks:,} looks, {found.streams} streams"
    cost = f"{seconds:.0f} s, peak {peak / 1024:.0f} MB"
    print(
        f"  {size}, {cost}, least p {found.least_p:.2g}, alarm from {found.needed:.1g}", flush=True
    )
    for alarm in found.alarms:
        whose = alarm.group.word if alarm.group else "everybody"
        size = alarm.offset or f"{alarm.state}: {alarm.seen} seen, {alarm.expected:.0f} foretold"
        print(f"    {alarm.name} of {whose} since {alarm.since.date} ({alarm.earliest.date} to "
              f"{alarm.latest.date}), sure since {alarm.raised.date}: {size}")  # fmt: skip
        for one in alarm.explained[:1]:
            print(f"      explained by {one.place}, {one.about}")
    return found


def word_looks(files: LookFiles) -> Iterator[tuple[str, FloatArray, IntArray]]:
    """Name, chances foretold and what was seen of every word."""
    for key in files.keys:
        if key[1] == WORD:
            rows = files.read(key)
            yield key[0], rows["foretold"].astype(float), rows["seen"].astype(np.int64)


def redrawn(chances: FloatArray, rng: np.random.Generator) -> IntArray:
    """States drawn from chances that sum to one."""
    below = np.cumsum(chances / chances.sum(axis=1, keepdims=True), axis=1)
    seen: IntArray = (rng.random(len(chances))[:, None] >= below[:, :-1]).sum(axis=1)
    return seen


def fair_run(files: LookFiles, rows: int, rng: np.random.Generator) -> float:
    """Highest stake, over what it takes, where everything is as foretold."""
    highest, odd = [], np.zeros((rows, oddity_ratios(np.ones(1)).shape[1]))
    for _, chances, _ in word_looks(files):
        stake, bets = (
            Stake(len(chances), len(word_bets(chances.shape[1]))),
            word_bets(chances.shape[1]),
        )
        at = np.sort(rng.choice(rows, len(chances), replace=False))
        for start in range(0, len(chances), CHUNK):
            part = chances[start : start + CHUNK]
            seen = redrawn(part, rng)
            odd[at[start : start + CHUNK]] += oddity_ratios(odd_words(part, seen, rng))
            stake.follow(word_ratios(part, seen, bets))
        highest.append(stake.highest)
    for key in files.keys:
        if key[1] != WORD:
            highest.append(_fair_gauge(len(files.read(key)), rng))
    stake = Stake(rows, odd.shape[1])
    stake.follow(odd)
    highest.append(stake.highest)
    return max(highest) - threshold(highest)


def _fair_gauge(count: int, rng: np.random.Generator) -> float:
    """Highest stake on a gauge whose readings come from the mixture foretold."""
    mean, spread = rng.normal(0, 4, 5), rng.uniform(1, 3, 5)
    joint = rng.dirichlet(np.full(5, 0.5), count)
    config = redrawn(joint, rng)
    slip = rng.random(count) < 0.03
    value = np.where(slip, rng.normal(0, 12, count), rng.normal(mean[config], spread[config]))
    ratios, below = np.empty((count, len(OFFSETS) + len(FACTORS))), np.empty(count)
    gauge, seen = (mean, spread, 0.03, 12.0), (value, np.zeros(count))
    others = (OFFSETS * 2.0, FACTORS)
    foretold_readings(joint, np.arange(5), gauge, seen, others, ratios, below)
    stake = Stake(count, ratios.shape[1])
    stake.follow(ratios)
    return stake.highest


def moved_tenths(files: LookFiles, streams: int, rng: np.random.Generator) -> None:
    """Looks until a tenth of each table that moves, from the likeliest state, is found."""
    needed = threshold(np.zeros(streams).tolist())
    delays: dict[str, float] = {}
    for name, chances, seen in word_looks(files):
        if len(seen) < MOVED_FROM + 2000:
            continue
        first = int(chances.mean(axis=0).argmax())
        for other in range(chances.shape[1]):
            if other == first:
                continue
            late = np.arange(len(seen)) >= MOVED_FROM
            turn = late & (seen == first) & (rng.random(len(seen)) < 0.1 / (seen == first).mean())
            moved, bets = np.where(turn, other, seen), word_bets(chances.shape[1])
            stake = Stake(len(seen), len(bets))
            path = stake.follow(word_ratios(chances, moved, bets))
            over = np.flatnonzero(path >= needed)
            delays[f"{name} to {other}"] = over[0] - MOVED_FROM if len(over) else np.inf
    took = np.array([*delays.values()])
    worst = max(delays, key=lambda name: delays[name])
    tables = len({name.split()[0] for name in delays})
    print(f"a tenth moved: {len(took)} moves of {tables} tables; too soon {(took < 0).sum()}")
    most = f"{took.max():.0f} at most ({worst}), {(took <= 2000).mean():.1%} within 2,000"
    print(f"  found after {np.median(took):.0f} looks (median), {most}", flush=True)


def off_gauge(model: Model, count: int, seed: int) -> None:
    """Gauge 3 reads 0.4 bar high on the low side since June."""
    rows = drawn(model, count, seed)
    late = np.array(rows.more["date"]) >= "2026-06-01"
    own = np.array(rows.more["gauge"]) == "gauge 3"
    rows.readings["low_side"] = rows.readings["low_side"] + 40.0 * (own & late)
    timed(rows, ("gauge",))


def odd_reader(model: Model, count: int, seed: int) -> None:
    """T5 says one shade of green in three a step deeper."""
    rng = np.random.default_rng(seed)
    rows = drawn(model, count, seed)
    shade, last = rows.words["sample_greenness"], len(model.states("sample_greenness")) - 1
    own = np.array(rows.more["technician"]) == "T5"
    deeper = own & (shade >= 0) & (shade < last) & (rng.random(count) < 0.35)
    rows.words["sample_greenness"] = shade + deeper
    timed(rows, ("technician",))


def main() -> None:
    """Measure."""
    asked = argparse.ArgumentParser(description=__doc__.splitlines()[0])  # type: ignore[union-attr]
    asked.add_argument("--rows", type=int, default=100_000)
    asked.add_argument("--full", type=int, default=1, help="full runs where nothing has moved")
    asked.add_argument("--fair", type=int, default=100, help="runs of redrawn looks")
    asked.add_argument("--drifts", type=int, default=10_000, help="rows of archives that drift")
    asked.add_argument("--seed", type=int, default=1)
    chosen = asked.parse_args()
    model, rng = Model(compiled=True), np.random.default_rng(chosen.seed)
    with tempfile.TemporaryDirectory() as folder:
        alarms = 0
        for number in range(chosen.full):
            print(f"nothing has moved but the weather, full run {number + 1}")
            keep = Path(folder) if number == 0 else None
            found = timed(drawn(model, chosen.rows, chosen.seed + number, hot=True), (), keep)
            alarms += bool(found.alarms)
        print(f"false alarms: {alarms} of {chosen.full} full runs")

        noted = json.loads(Path(folder, "state.json").read_text(encoding="utf-8"))["sizes"]
        files = LookFiles(Path(folder, LOOKS), (), noted)
        over = [fair_run(files, chosen.rows, rng) for _ in range(chosen.fair)]
        if over:
            false = f"{sum(x >= 0 for x in over)} of {chosen.fair} redrawn runs"
            print(
                f"false alarms: {false}, nearest {np.exp(max(over)):.2g} of what it takes",
                flush=True,
            )
        moved_tenths(files, len(files.keys) + 1, rng)
    print("gauge 3 reads 0.4 bar high since 2026-06-01")
    off_gauge(model, chosen.drifts, chosen.seed)
    print("T5 says one shade of green in three a step deeper")
    odd_reader(model, chosen.drifts, chosen.seed)


if __name__ == "__main__":
    main()
