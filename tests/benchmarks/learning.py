"""Learning: against pyAgrum on a published network, on planted drivers, and how fast.

    python tests/benchmarks/learning.py alarm --rows 500 2000 8000
    python tests/benchmarks/learning.py hepar2 --rows 500 2000
    python tests/benchmarks/learning.py drivers --archives 20
    python tests/benchmarks/learning.py speed --rows 10000
    python tests/benchmarks/learning.py archive --rows 100000

``alarm``, ``hepar2``: three cells in ten missing at random, started at random, one car of prior a
cell as pyAgrum's smoothing has it; divergence of the learnt network from the true [nats], exact.
``archive``: a file with the columns of the demo archive, drawn from numbers that the weights leave
open, through all of ``learn``: seconds, processor time and memory by stage.
"""

from __future__ import annotations

import argparse
import resource
import subprocess
import sys
import tempfile
import time
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

import loopodds as lo
import numpy as np
import pgmpy
from loopodds.archive.encoded import Piece
from loopodds.base.arrays import FloatArray, IntArray
from loopodds.diagnosis.model import Model
from loopodds.diagnosis.simulation import hide, simulate
from loopodds.exchange.bif import read_bif
from loopodds.inference.junction import JunctionTree
from loopodds.inference.network import Discrete, Evidence, Network, discrete_variables
from loopodds.inference.slopes import slopes
from loopodds.upkeep.confirmation import read_ways
from loopodds.upkeep.estimation import Learner
from loopodds.upkeep.habits import spread_rows, told_of, yields_of
from loopodds.upkeep.selection import selection

sys.path.insert(0, str(Path(__file__).parents[1]))
sys.path.insert(0, str(Path(__file__).parents[2] / "tools"))
sys.path.insert(0, str(Path(__file__).parent))
import make_archive
from intervals import drawn_knowledge
from simulated_archives import WELL_SEEN, confirmations, contexts, drawn_pieces

FOLDER = Path(pgmpy.__file__).parent / "utils" / "example_models"
KINDS = {"expansion": ("TXV", "orifice"), "compressor": ("fixed", "variable")}
DRAWN_AT_ONCE = 5000
LEAST_GAIN = 1e-5
MOST_PASSES = 200


def drawn_rows(network: Network, rows: int, rng: np.random.Generator) -> dict[str, IntArray]:
    """Complete rows of a network."""
    states: dict[str, IntArray] = {}
    for variable in discrete_variables(network):
        below = variable.table[tuple(states[p] for p in variable.parents)].cumsum(axis=-1)
        below = np.broadcast_to(below, (rows, below.shape[-1]))
        states[variable.name] = (rng.random(rows)[:, None] >= below[:, :-1]).sum(axis=1)
    return states


def learnt_network(
    network: Network, evidence: Evidence, start: Network, prior: float = 1.0
) -> tuple[Network, int]:
    """Tables by expectation and maximisation, each cell with so many cars of prior, and passes."""
    now, height = start, -np.inf
    for passes in range(1, MOST_PASSES + 1):
        found = slopes(JunctionTree(now, True), evidence, np.ones((1, evidence.rows)))

        def step(variable: Discrete, found: dict[str, FloatArray] = found.tables) -> Discrete:
            counts = variable.table * found[variable.name][0] + prior
            return replace(variable, table=counts / counts.sum(axis=-1, keepdims=True))

        cells = (v.table for v in discrete_variables(now))
        weights = sum(prior * np.log(np.maximum(table, 1e-300)).sum() for table in cells)
        new = float(found.log_evidence.sum() + weights)
        assert new >= height - 1e-6, "the log-likelihood fell"
        if new - height < LEAST_GAIN * evidence.rows:
            return now, passes
        height = new
        now = Network(
            {name: step(v) for name, v in now.hidden.items()},
            {name: step(v) for name, v in now.observables.items()}, {},
        )  # fmt: skip
    return now, MOST_PASSES


def divergence(true: Network, learnt: Network) -> float:
    """Kullback-Leibler divergence of two networks of the same arcs, exact [nats]."""
    tree = JunctionTree(true)
    total = 0.0
    for variable in discrete_variables(true):
        parents = variable.parents
        chances = tree.propagate(Evidence(1), [parents])[parents][0] if parents else np.ones(())
        other = learnt.variable(variable.name)
        assert isinstance(other, Discrete)
        p, q = variable.table, other.table
        each = np.where(p > 0, p * (np.log(np.where(p > 0, p, 1)) - np.log(q)), 0.0).sum(axis=-1)
        total += float((chances * each).sum())
    return total


def random_start(network: Network, rng: np.random.Generator) -> Network:
    def other(variable: Discrete) -> Discrete:
        table = rng.dirichlet(np.ones(len(variable.states)), size=variable.table.shape[:-1])
        return replace(variable, table=np.maximum(table, 1e-3) / np.maximum(table, 1e-3).sum(
            axis=-1, keepdims=True))  # fmt: skip

    return Network(
        {n: other(v) for n, v in network.hidden.items()},
        {n: other(v) for n, v in network.observables.items()}, {},
    )  # fmt: skip


AGRUM = """
import sys, time, json
import numpy as np, pandas as pd, pyagrum as gum
frame = pd.read_csv(sys.argv[1], dtype=str, keep_default_na=False)
bn = gum.loadBN(sys.argv[2])
learner = gum.BNLearner(sys.argv[1], bn, ["?"])
learner.useEM(1e-4)
learner.useSmoothingPrior(1.0)
start = time.perf_counter()
learnt = learner.learnParameters(bn.dag())
taken = time.perf_counter() - start
tables = {}
for name in bn.names():
    cpt = learnt.cpt(name)
    tables[name] = [list(cpt.names), [list(learnt.variable(n).labels()) for n in cpt.names],
                    cpt.toarray().tolist()]
json.dump([taken, tables], open(sys.argv[3], "w"))
"""


def agrum_learnt(
    network: Network, states: dict[str, IntArray], folder: Path, limit: float, name: str
) -> tuple[Network, float] | None:
    """The same rows by pyAgrum in a process of its own; None where it does not finish."""
    import gzip
    import json

    names = list(states)
    lines = [",".join(names)]
    for row in range(len(states[names[0]])):
        cells = [(*network.states(n), "?")[int(states[n][row])] for n in names]
        lines.append(",".join(cells))
    (folder / "rows.csv").write_text("\n".join(lines), encoding="utf-8")
    bif = gzip.decompress((FOLDER / f"{name}.bif.gz").read_bytes())
    (folder / "net.bif").write_bytes(bif)
    paths = [str(folder / name) for name in ("rows.csv", "net.bif", "out.json")]
    try:
        subprocess.run([sys.executable, "-c", AGRUM, *paths], check=True, timeout=limit)
    except subprocess.TimeoutExpired:
        return None
    taken, tables = json.loads((folder / "out.json").read_text(encoding="utf-8"))

    def other(variable: Discrete) -> Discrete:
        order, labels, values = tables[variable.name]
        family = [*variable.parents, variable.name]
        # an array of theirs has its axes the other way round than the names of its table
        array = np.array(values)
        axes = list(reversed(order)) if array.shape[-1] == len(labels[0]) else order
        array = np.transpose(array, [axes.index(n) for n in family])
        known = dict(zip(order, labels, strict=True))
        index = np.ix_(*([known[n].index(s) for s in network.states(n)] for n in family))
        return replace(variable, table=np.maximum(array[index], 1e-12))

    return Network(
        {n: other(v) for n, v in network.hidden.items()},
        {n: other(v) for n, v in network.observables.items()}, {},
    ), taken  # fmt: skip


def compare_on(name: str, rows: Sequence[int], limit: float, seed: int) -> None:
    """Divergence and seconds for each number of rows, pyAgrum's beside where it finishes."""
    network = read_bif(FOLDER / f"{name}.bif.gz").network
    rng = np.random.default_rng(seed)
    learnt_network(network, Evidence(5000, drawn_rows(network, 5000, rng)), network)  # warm
    for count in rows:
        states = drawn_rows(network, count, rng)
        missing = {n: np.where(rng.random(count) < 0.3, -1, code) for n, code in states.items()}
        start = time.perf_counter()
        learnt, passes = learnt_network(
            network, Evidence(count, missing), random_start(network, rng)
        )
        taken = time.perf_counter() - start
        with tempfile.TemporaryDirectory() as folder:
            theirs = agrum_learnt(network, missing, Path(folder), limit, name)
        said = (
            f"{count} rows: {divergence(network, learnt):.4f} nats, {taken:.2f} s, {passes} passes"
        )
        if theirs is None:
            print(f"{said}; pyAgrum not done in {limit:g} s")
        else:
            other, seconds = theirs
            apart = divergence(network, other)
            print(f"{said}; pyAgrum {apart:.4f} nats, {seconds:.1f} s, {seconds / taken:.0f} times")


def driven_pieces(
    learner: Learner, seed: int, test: str, driven: bool, rows: int, opened_share: float = 0.3
) -> list[Piece]:
    """Cars of four kinds; where driven, the test is done on nine in ten cars that have the fault it
    tells of and on two in ten others, and nothing says why. Some cars are opened.
    """
    rng, model, found, number = np.random.default_rng(seed), Model(learner.knowledge), [], 1
    yields = yields_of(learner.knowledge)
    fault = told_of(learner, yields)[test]
    for context in contexts(KINDS):
        count = rows // 4
        cars = simulate(model, context, count, rng)
        names = [*cars.evidence.codes, *cars.evidence.numbers]
        seen = {name: rng.random(count) < 0.35 for name in names}
        chance = np.where(cars.states[fault] > 0, 0.9, 0.2) if driven else 0.35
        done = rng.random(count) < chance
        seen |= dict.fromkeys(yields[test], done)
        opened = rng.random(count) < opened_share
        confirmed = confirmations(model, cars, opened, WELL_SEEN, rng)
        numbers = np.arange(number, number + count)
        tags = {"confirmed_by": np.where(opened, 0, -1)}
        found.append(Piece(context, numbers, hide(cars.evidence, seen), confirmed, tags))
        number += count
    return found


def named_tests(learner: Learner, pieces: list[Piece]) -> list[str]:
    """Tests of an archive that are named as driven."""
    some = spread_rows(lambda: pieces)
    taught, _ = learner.climb(lambda: some, learner.start, passes=6)
    return [look.test for look in selection(learner, lambda: pieces, learner.start, taught).driven]


def planted(archives: int, rows: int) -> None:
    """How many archives with a planted driver name it, and how many clean ones name anything."""
    learner = Learner(Model().knowledge, read_ways(None))
    tests = ("moisture_test", "detector_search", "recover_and_weigh", "fan_test")
    hits = wrong = 0
    for seed in range(archives):
        test = tests[seed % len(tests)]
        hits += test in named_tests(learner, driven_pieces(learner, seed, test, True, rows))
        wrong += bool(named_tests(learner, driven_pieces(learner, seed, test, False, rows)))
    print(f"{rows} rows: planted driver named in {hits} of {archives} archives; "
          f"something named in {wrong} of {archives} clean ones")  # fmt: skip


def speed(rows: int) -> None:
    """Seconds of one pass and of a whole climb over the shipped network."""
    model = Model()
    pieces = drawn_pieces(model, rows, np.random.default_rng(1))
    learner = Learner(model.knowledge, read_ways(None))
    learner.expect(lambda: pieces, learner.start)
    start = time.perf_counter()
    learner.expect(lambda: pieces, learner.start)
    one = time.perf_counter() - start
    start, before = time.perf_counter(), time.process_time()
    _, heights = learner.climb(lambda: pieces, learner.start)
    whole, used = time.perf_counter() - start, time.process_time() - before
    print(
        f"{rows} rows in {len(pieces)} contexts: {one:.1f} s a pass, {len(heights) - 1} passes, "
        f"{whole:.0f} s, {used:.0f} s of processor time; 100,000 rows at this rate "
        f"{whole * 1e5 / rows:.0f} s, {used * 1e5 / rows:.0f} s of processor time"
    )


def write_archive(path: Path, rows: int, seed: int) -> None:
    """An archive like the demo archive, slips and broken lines in it."""
    rng = np.random.default_rng(seed)
    model = Model(drawn_knowledge(Model().knowledge, rng), compiled=True)
    with path.open("wb") as file:
        while rows:
            count = min(rows, DRAWN_AT_ONCE)
            cars = make_archive.draw_cars(model, count, rng)
            found = make_archive.metric_rows(model, cars, rng)
            text = make_archive.csv_bytes(found, make_archive.METRIC_SLIPS, rng)
            file.write(text if not file.tell() else text.split(b"\n", 1)[1])
            rows -= count


def whole_run(rows: int, seed: int) -> None:
    """All of ``learn`` on a drawn archive."""
    with tempfile.TemporaryDirectory() as folder:
        path, begun, stage = Path(folder, "drawn.csv"), time.perf_counter(), ""
        write_archive(path, rows, seed)

        def cost() -> str:
            peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
            wall, used = time.perf_counter() - begun, time.process_time()
            return f"{wall:.0f} s, {used:.0f} s of processor time, peak {peak:.0f} MB"

        def tell(run: lo.LearnProgress) -> None:
            nonlocal stage
            if run.stage != stage:
                stage = run.stage
                print(f"  {stage}: from {cost()}", flush=True)

        print(f"drawn: {cost()}")
        result = lo.learn(path, Path(folder, "learnt"), by="workshop", progress=tell)
        gain = f"{result.score.gain:+.3f} nats a row" + " (written)" * result.written
        print(f"{result.rows} rows, {result.rejected} set aside, {result.passes} passes, {gain}")
        print(f"  {cost()}")


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("what", choices=["alarm", "hepar2", "drivers", "speed", "archive"])
    parser.add_argument("--rows", type=int, nargs="+", default=[2000])
    parser.add_argument("--archives", type=int, default=20)
    parser.add_argument("--limit", type=float, default=240.0)
    parser.add_argument("--seed", type=int, default=1)
    given = parser.parse_args()
    if given.what in ("alarm", "hepar2"):
        compare_on(given.what, given.rows, given.limit, given.seed)
    elif given.what == "drivers":
        planted(given.archives, given.rows[0])
    elif given.what == "archive":
        whole_run(given.rows[0], given.seed)
    else:
        speed(given.rows[0])


if __name__ == "__main__":
    main()
