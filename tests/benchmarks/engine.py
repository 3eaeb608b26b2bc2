"""Rows a second and milliseconds a row for all fault posteriors plus log evidence, against peers.

Everything is measured in one run on one core, as processor time. The shipped network gets
inspections drawn from itself with 8 to 20 things seen, some of them gauge numbers; pyAgrum and
pgmpy get the gauges as words, which is less work than numbers are. The published networks (files
inside the pgmpy wheel) get all leaves, then half of them, observed; every other variable is asked
for. Batched contractions by opt_einsum get our tree and the likelihoods, with paths found once, and
(plain) at each call. Then archives of twelve
columns of words: every car looked at for all of them, and three cells in ten empty.

    python tests/benchmarks/engine.py [--rows N] [--million] [--json]
"""

from __future__ import annotations

import os

os.environ.setdefault("OMP_NUM_THREADS", "1")
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import argparse
import json
import platform
import resource
import sys
import time
import warnings
from collections.abc import Callable, Iterator
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
from loopodds.archive.chunks import CHUNK_ROWS
from loopodds.diagnosis.model import Model
from loopodds.diagnosis.simulation import hide_at_random, simulate
from loopodds.exchange.bif import read_bif
from loopodds.exchange.libraries import pgmpy_model
from loopodds.inference.junction import JunctionTree
from loopodds.inference.likelihoods import likelihood_rows
from loopodds.inference.network import Evidence, Network, discrete_variables

sys.path.insert(0, str(Path(__file__).parents[1]))
from references import agrum, import_pyagrum
from shared import CONTEXT, TWELVE_WORDS

PUBLISHED = ("alarm", "win95pts", "hepar2", "hailfinder")
CHUNK = 50_000
EINSUM_ROWS = 256  # of a batch of the contractions: the fastest of 64, 256 and 1,024


def example(name: str) -> Network:
    """A published network, read from the file inside the pgmpy wheel."""
    import pgmpy.utils

    folder = Path(pgmpy.utils.__file__).parent / "example_models"
    return read_bif(folder / f"{name}.bif.gz").network


def inspections(model: Model, rows: int, rng: np.random.Generator) -> Evidence:
    """Cars drawn from the shipped network with 8 to 20 things seen, at most 4 of them gauges."""
    evidence = simulate(model, CONTEXT, rows, rng).evidence
    gauges = list(evidence.numbers)
    words = [name for name in evidence.codes if name not in gauges]
    count = rng.integers(8, 21, rows)
    read = rng.integers(0, 5, rows)
    order = rng.random((rows, len(words))).argsort(axis=1).argsort(axis=1)
    turn = rng.random((rows, len(gauges))).argsort(axis=1).argsort(axis=1)
    seen = order < (count - read)[:, None]
    shown = turn < read[:, None]
    return Evidence(
        rows,
        {n: np.where(seen[:, i], evidence.codes[n], -1) for i, n in enumerate(words)},
        {},
        {
            n: (np.where(shown[:, i], evidence.numbers[n][0], np.nan), np.zeros(rows))
            for i, n in enumerate(gauges)
        },
    )


def leaves_seen(network: Network, rows: int, share: float, rng: np.random.Generator) -> Evidence:
    """Leaves of joint samples, each seen with the given chance, so that no row is impossible."""
    drawn: dict[str, Any] = {}
    for name, variable in {**network.hidden, **network.observables}.items():
        table = variable.table[tuple(drawn[p] for p in variable.parents)]
        table = np.broadcast_to(table, (rows, len(variable.states)))
        drawn[name] = (rng.random((rows, 1)) > table.cumsum(axis=1)).sum(axis=1)
        drawn[name] = np.minimum(drawn[name], len(variable.states) - 1)
    return Evidence(
        rows, {n: np.where(rng.random(rows) < share, drawn[n], -1) for n in network.observables}
    )


def words_of(network: Network, evidence: Evidence, row: int) -> dict[str, int]:
    """What is seen in a row, gauge numbers turned into words."""
    seen = {n: int(code[row]) for n, code in evidence.codes.items() if code[row] >= 0}
    for name, (value, _) in evidence.numbers.items():
        if not np.isnan(value[row]):
            seen[name] = int(np.searchsorted(network.gauges[name].cuts, value[row]))
    return seen


def timed(work: Callable[[], object], least: float = 0.5, most: int = 50) -> float:
    """Shortest processor time of a call [s], repeated for a while."""
    best, spent, times = float("inf"), 0.0, 0
    while spent < least and times < most:
        start = time.process_time()
        work()
        took = time.process_time() - start
        best, spent, times = min(best, took), spent + took, times + 1
    return best


def agrum_row(net: Any, seen: dict[str, int], targets: list[str]) -> None:
    """One row through lazy propagation."""
    engine = import_pyagrum().LazyPropagation(net)
    engine.setEvidence(seen)
    engine.setTargets(set(targets))
    engine.makeInference()
    engine.evidenceProbability()
    for target in targets:
        engine.posterior(target)


def pgmpy_row(engine: Any, seen: dict[str, str], targets: list[str]) -> None:
    """One row through variable elimination, target by target; there is no log evidence."""
    for target in targets:
        engine.query([target], evidence=seen, show_progress=False)


def peers(
    network: Network, evidence: Evidence, targets: list[str], seconds: float
) -> dict[str, float]:
    """Milliseconds a row of pyAgrum and pgmpy on the first rows of the evidence."""
    from pgmpy.inference import VariableElimination

    variables = discrete_variables(network)
    net = agrum(variables)
    engine = VariableElimination(pgmpy_model(network))
    states = {v.name: v.states for v in variables}
    found = {}
    for name, limit in (("pyagrum", 200), ("pgmpy", 20)):
        rows, start = 0, time.process_time()
        while rows < min(limit, evidence.rows) and time.process_time() - start < seconds:
            seen = words_of(network, evidence, rows)
            if name == "pyagrum":
                agrum_row(net, seen, targets)
            else:
                pgmpy_row(engine, {n: states[n][s] for n, s in seen.items()}, targets)
            rows += 1
        found[name] = (time.process_time() - start) / rows * 1e3
    return found


@cache
def expression(terms: str, *shapes: tuple[int, ...]) -> Callable[..., Any]:
    """A contraction whose path is found when it is first asked for."""
    from opt_einsum import contract_expression

    return contract_expression(terms, *shapes, optimize="greedy")  # type: ignore[no-any-return]


def at_once(terms: str, *operands: Any) -> Any:
    """A contraction whose path is found each time, as one writes it at first."""
    from opt_einsum import contract

    return contract(terms, *operands, optimize="greedy")


def prepared(terms: str, *operands: Any) -> Any:
    """A contraction whose path was found before."""
    return expression(terms, *(operand.shape for operand in operands))(*operands)


def einsum_rows(
    tree: JunctionTree,
    evidence: Evidence,
    targets: list[str],
    contract: Callable[..., Any] = prepared,
) -> dict[str, Any]:
    """What one writes with batched contractions: messages over the same tree by opt_einsum.

    It is given the tree and the likelihoods of the evidence; each message and each posterior is
    one contraction with an axis of rows.
    """
    from opt_einsum import get_symbol

    sign = {name: place for place, name in enumerate(tree.network.hidden, start=1)}
    cliques, rows = tree._cliques, evidence.rows

    def axes(names: Any) -> list[int]:
        return [0, *(sign[name] for name in names)]

    def contracted(operands: list[Any], names: Any) -> Any:
        given = operands[1::2]
        batched = any(0 in numbers for numbers in given)
        kept = axes(names)[not batched :]
        terms = ",".join("".join(map(get_symbol, numbers)) for numbers in given)
        found = contract(f"{terms}->{''.join(map(get_symbol, kept))}", *operands[::2])
        found = found if batched else np.broadcast_to(found, (rows, *found.shape))
        total = found.reshape(rows, -1).sum(axis=1)
        return found / total.reshape(-1, *[1] * (found.ndim - 1)), total

    inward: list[Any] = []
    operands: list[list[Any]] = []
    log_evidence = np.zeros(rows)
    for clique in cliques:
        mine: list[Any] = [clique.prior[..., 0], axes(clique.scope)[1:]]
        for factor in clique.absorbed:
            likelihood = likelihood_rows(factor, evidence)
            if likelihood is not None:
                cards = [tree.cards[name] for name in factor.given]
                mine += [likelihood.T.reshape(rows, *cards), axes(factor.given)]
        for child in clique.children:
            mine += [inward[child], axes(cliques[child].separator)]
        message, total = contracted(mine, clique.separator)
        log_evidence += np.log(total)
        inward.append(message)
        operands.append(mine)
    posteriors = {}
    for number in range(len(cliques) - 1, -1, -1):
        clique, mine = cliques[number], operands[number]
        for child in clique.children:
            others = [
                part
                for i in range(0, len(mine), 2)
                if mine[i] is not inward[child]
                for part in mine[i : i + 2]
            ]
            separator = cliques[child].separator
            operands[child] += [contracted(others, separator)[0], axes(separator)]
        for name in targets:
            if tree.home((name,)) == number:
                posteriors[name] = contracted(mine, (name,))[0]
    return {"log_evidence": log_evidence, **posteriors}


def measure(
    label: str, tree: JunctionTree, evidence: Evidence, targets: list[str], seconds: float
) -> dict[str, Any]:
    """One line of the table."""
    queries = [(name,) for name in targets]
    one = evidence.take(slice(0, 1))
    tree.propagate(evidence.take(slice(0, 4096)), queries)
    batch = timed(lambda: tree.propagate(evidence, queries), 2.0, 5)
    single = timed(lambda: tree.propagate(one, queries))
    line: dict[str, Any] = {
        "network": label,
        "space": tree.plan.space,
        "targets": len(targets),
        "rows_per_second": evidence.rows / batch,
        "ms_per_row": batch / evidence.rows * 1e3,
        "single_ms": single * 1e3,
    }
    block = evidence.take(slice(0, EINSUM_ROWS))
    ours, theirs = tree.propagate(block, queries), einsum_rows(tree, block, targets)
    line["einsum_apart"] = max(float(np.abs(ours[n] - theirs[n]).max()) for n in targets)
    line["einsum_ms"] = timed(lambda: einsum_rows(tree, block, targets)) / block.rows * 1e3
    plain = timed(lambda: einsum_rows(tree, block, targets, at_once)) / block.rows * 1e3
    line["plain_einsum_ms"], line["plain_einsum_ratio"] = plain, plain / line["ms_per_row"]
    line["einsum_ratio"] = line["einsum_ms"] / line["ms_per_row"]
    for peer, ms in peers(tree.network, evidence, targets, seconds).items():
        line[f"{peer}_ms"] = ms
        line[f"{peer}_ratio"] = ms / line["ms_per_row"]
    return line


def worded(rows: int, filled: float, rng: np.random.Generator) -> dict[str, Any]:
    """An archive of twelve columns of words, so many cells filled, part by part: all that is
    believed of its cars, beside contractions over the tree of these columns."""
    model = Model(compiled=True, looked_at=frozenset(TWELVE_WORDS))
    seen = simulate(model, CONTEXT, rows, rng).evidence
    if filled < 1:
        seen = hide_at_random(seen, filled, rng)
    evidence = Evidence(rows, {name: seen.codes[name] for name in TWELVE_WORDS})
    parts = [evidence.take(slice(i, i + CHUNK_ROWS)) for i in range(0, rows, CHUNK_ROWS)]
    first = model.believe(CONTEXT, parts[0])
    model = Model(compiled=True, looked_at=frozenset(TWELVE_WORDS))  # remembers nothing yet
    start = time.process_time()
    for part in parts:
        model.believe(CONTEXT, part)
    ours = (time.process_time() - start) / rows * 1e3
    network, targets = model.network(CONTEXT), list(model.faults)
    tree = JunctionTree(network.relevant([*targets, *TWELVE_WORDS]), True)
    block = evidence.take(slice(0, EINSUM_ROWS))
    theirs = einsum_rows(tree, block, targets)
    apart = (np.abs(first.faults[n][: block.rows] - theirs[n]).max() for n in targets)
    einsum = timed(lambda: einsum_rows(tree, block, targets)) / block.rows * 1e3
    plain = timed(lambda: einsum_rows(tree, block, targets, at_once)) / block.rows * 1e3
    return {
        "rows": rows,
        "filled": filled,
        "distinct": len(np.unique(np.column_stack([*evidence.codes.values()]), axis=0)),
        "space": tree.plan.space,
        "ms_per_row": ours,
        "einsum_apart": float(max(apart)),
        "einsum_ms": einsum,
        "einsum_ratio": einsum / ours,
        "plain_einsum_ms": plain,
        "plain_einsum_ratio": plain / ours,
    }


def growth(model: Model, most: int, rng: np.random.Generator) -> Iterator[dict[str, float]]:
    """Microseconds a row and peak memory as the number of rows grows, in chunks."""
    pool = inspections(model, CHUNK, rng)
    tree = model.tree(CONTEXT)
    queries = [(name,) for name in model.faults]
    rows = 1000
    while rows <= most:
        start = time.process_time()
        for first in range(0, rows, CHUNK):
            tree.propagate(pool.take(slice(0, min(CHUNK, rows - first))), queries)
        yield {
            "rows": rows,
            "us_per_row": (time.process_time() - start) / rows * 1e6,
            "peak_mib": resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024,
        }
        rows *= 10


def cold_single() -> float:
    """Milliseconds of the first inspection in this process, before any compiled loop is loaded."""
    model = Model()
    evidence = inspections(model, 1, np.random.default_rng(7))
    start = time.process_time()
    model.tree(CONTEXT).propagate(evidence, [(name,) for name in model.faults])
    return (time.process_time() - start) * 1e3


def main() -> None:
    """Measure and print."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--rows", type=int, default=30_000, help="rows of a batch")
    parser.add_argument(
        "--seconds", type=float, default=10.0, help="time for each peer and network"
    )
    parser.add_argument("--million", action="store_true", help="let the growth run to 10^6 rows")
    parser.add_argument("--json", action="store_true")
    asked = parser.parse_args()
    warnings.simplefilter("ignore")
    rng = np.random.default_rng(20)
    cold = cold_single()
    model = Model(compiled=True)
    lines = [
        measure(
            "loopodds",
            model.tree(CONTEXT),
            inspections(model, asked.rows, rng),
            list(model.faults),
            asked.seconds,
        )
    ]
    grown = list(growth(model, 1_000_000 if asked.million else 100_000, rng))
    for name in PUBLISHED:
        network = example(name)
        tree = JunctionTree(network, True)
        for label, share in (("all leaves", 1.0), ("half", 0.5)):
            evidence = leaves_seen(network, asked.rows, share, rng)
            lines.append(
                measure(f"{name}, {label}", tree, evidence, list(network.hidden), asked.seconds)
            )
    most = 1_000_000 if asked.million else 100_000
    words = [worded(most, filled, rng) for filled in (1.0, 0.7)]
    report = {
        "machine": f"{platform.machine()}, python {platform.python_version()}",
        "date": time.strftime("%Y-%m-%d"),
        "cold_single_ms": cold,
        "networks": lines,
        "worded": words,
        "growth": grown,
    }
    if asked.json:
        print(json.dumps(report, indent=2))
        return
    print(f"{report['date']}, {report['machine']}, one core; first single row {cold:.1f} ms")
    print(
        f"{'network':<23}{'space':>7}{'rows/s':>9}{'us/row':>8}{'single ms':>10}"
        f"{'einsum ms':>10}{'ratio':>6}{'plain':>6}{'pyAgrum ms':>11}{'ratio':>7}"
        f"{'pgmpy ms':>10}{'ratio':>8}"
    )
    for r in lines:
        print(
            f"{r['network']:<23}{r['space']:>7}{r['rows_per_second']:>9.0f}"
            f"{r['ms_per_row'] * 1e3:>8.1f}{r['single_ms']:>10.2f}"
            f"{r['einsum_ms']:>10.3f}{r['einsum_ratio']:>6.0f}{r['plain_einsum_ratio']:>6.0f}"
            f"{r['pyagrum_ms']:>11.2f}"
            f"{r['pyagrum_ratio']:>7.0f}{r['pgmpy_ms']:>10.0f}{r['pgmpy_ratio']:>8.0f}"
        )
    for w in words:
        print(
            f"twelve columns of words, {w['filled']:.0%} filled, {w['rows']:,} rows, "
            f"{w['distinct']:,} of them distinct, {w['space']} configurations: "
            f"{w['ms_per_row'] * 1e3:.2f} us a row, einsum {w['einsum_ms']:.3f} ms, "
            f"ratio {w['einsum_ratio']:.0f}, plain {w['plain_einsum_ratio']:.0f}"
        )
    for g in grown:
        print(
            f"{g['rows']:>9.0f} rows: {g['us_per_row']:6.2f} us a row, "
            f"peak memory {g['peak_mib']:.0f} MiB"
        )


if __name__ == "__main__":
    main()
