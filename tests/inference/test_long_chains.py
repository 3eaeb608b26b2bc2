"""Masses far below and far above what a float holds: both routes give the same log evidence.

A chain of variables, each with a word of its own; the forward recursion in logarithms is worked out
here by itself.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from loopodds.inference import kernels
from loopodds.inference.junction import JunctionTree
from loopodds.inference.network import Discrete, Evidence, Network
from loopodds.vectors import compiling
from scipy.special import logsumexp

LONG = 400


def chain(states: int, unlikely: float, rng: np.random.Generator) -> Network:
    """Hidden variables in a row; seen of each is whether something unlikely was."""
    names = tuple(map(str, range(states)))
    hidden = [Discrete("h0", names, (), np.full(states, 1 / states))]
    step = rng.dirichlet(np.ones(states), size=(LONG, states))
    hidden += [Discrete(f"h{i}", names, (f"h{i - 1}",), step[i]) for i in range(1, LONG)]
    chance = unlikely * rng.uniform(0.5, 1.0, (LONG, states))
    seen = [
        Discrete(f"s{i}", ("no", "yes"), (f"h{i}",), np.stack([1 - p, p], axis=-1))
        for i, p in enumerate(chance)
    ]
    return Network({v.name: v for v in hidden}, {v.name: v for v in seen}, {})


def forward(network: Network, codes: np.ndarray) -> float:
    """Log probability of what was seen, one variable after the other."""
    level = np.log(network.hidden["h0"].table)
    for i, code in enumerate(codes):
        if i:
            level = logsumexp(level[:, None] + np.log(network.hidden[f"h{i}"].table), axis=0)
        if code >= 0:
            level = level + np.log(network.observables[f"s{i}"].table[:, code])
    return float(logsumexp(level))


@pytest.mark.parametrize(("states", "unlikely"), [(2, 1e-12), (3, 0.4), (10, 1e-3)])
@pytest.mark.parametrize("compiled", [False, True])
def test_the_log_evidence_of_a_long_chain(states: int, unlikely: float, compiled: bool):
    rng = np.random.default_rng(states)
    network = chain(states, unlikely, rng)
    codes = rng.integers(-1, 2, (LONG, 11))
    codes[:, 0], codes[:, 1] = 1, -1
    evidence = Evidence(11, {f"s{i}": codes[i] for i in range(LONG)})
    found = JunctionTree(network, compiled).propagate(evidence, [("h0",), (f"h{LONG - 1}",)])
    told = [forward(network, row) for row in codes.T]
    np.testing.assert_allclose(found.log_evidence, told, rtol=1e-11, atol=1e-11)
    for name in ("h0", f"h{LONG - 1}"):
        np.testing.assert_allclose(found[name].sum(axis=1), 1.0, rtol=1e-12)


def test_loops_kept_on_disk_hang_on_every_file_that_is_compiled_into_them():
    """numba looks at the file of a function alone; it has no public way to say more."""
    kept = kernels.passes._cache._cache_file._source_stamp
    files = {name for name, *_ in kept}
    assert files == {"kernels.py", *(p.name for p in Path(compiling.__file__).parent.glob("*.py"))}
