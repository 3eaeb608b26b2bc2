"""Rows a second of both passes on a graphics processor, beside the loops of one core.

All fault posteriors and the log evidence of cars drawn from the shipped network with 8 to 20 things
seen, as in ``engine.py``; what is seen is on the card before the clock starts, what is found stays
there. ``whole`` is the way from arrays here to arrays here.

    python tests/benchmarks/accelerator.py [--rows N] [--precision float64 float32]
"""

from __future__ import annotations

import argparse
import time
from collections.abc import Sequence
from typing import Any

import numpy as np
from engine import inspections
from loopodds.accelerator.layout import CardTree
from loopodds.accelerator.passes import Accelerator
from loopodds.diagnosis.model import Model
from loopodds.inference.junction import JunctionTree
from loopodds.inference.likelihoods import Clique
from shared import CONTEXT

REPEATS = 5
COMPARED = 20_000


class Caught:
    """A card that keeps what it was last told."""

    def __init__(self, card: Accelerator) -> None:
        self.card = card
        self.apart: float | None = 0.0  # is compared here
        self.told: tuple[Any, ...] = ()

    def lay_out(self, cliques: Sequence[Clique]) -> CardTree:
        return CardTree(self, cliques)

    def propagate(self, *arguments: Any) -> None:
        self.told = arguments
        self.card.propagate(*arguments)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--rows", type=int, default=262_144)
    parser.add_argument("--precision", nargs="+", default=["float64", "float32"])
    given = parser.parse_args()
    model = Model(compiled=True)
    evidence = inspections(model, given.rows, np.random.default_rng(1))
    network, queries = model.network(CONTEXT), [(name,) for name in model.faults]
    some = evidence.take(slice(0, COMPARED))
    loops = JunctionTree(network, True)
    loops.propagate(some, queries)
    begun = time.process_time()
    here = loops.propagate(some, queries)
    each = (time.process_time() - begun) / COMPARED
    print(f"loops of one core: {1 / each:,.0f} rows/s ({each * 1e6:.1f} us a row)")
    for precision in given.precision:
        card = Accelerator(precision)
        caught = Caught(card)
        far = JunctionTree(network, True, caught)
        there = far.propagate(some, queries)
        off = max(float(np.abs(there[q] - here[q]).max()) for q in queries)
        logs = float(np.abs(there.log_evidence - here.log_evidence).max())
        far.propagate(evidence, queries)
        begun = time.perf_counter()
        far.propagate(evidence, queries)
        whole = time.perf_counter() - begun
        order, layout, groups, factors, seen, asked, _, out = caught.told
        up = card.upload
        sent = up(order), layout, groups, factors, tuple(map(up, seen)), asked, out.shape[1]
        card.on_card(*sent)
        card.wait()
        begun = time.perf_counter()
        for _ in range(REPEATS):
            card.on_card(*sent)
        card.wait()
        took = (time.perf_counter() - begun) / REPEATS
        print(
            f"{card.name}, {precision}: {given.rows / took:,.0f} rows/s on the card, "
            f"{each * given.rows / took:,.0f} times one core; {given.rows / whole:,.0f} rows/s "
            f"from here to here; posteriors off by at most {off:.1e}, log evidence by {logs:.1e}"
        )


if __name__ == "__main__":
    main()
