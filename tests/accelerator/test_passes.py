"""The passes on a graphics processor say what the loops of the processor say.

No card is needed for the arithmetic: the kernel is C++ but for a few words, and a compiler of this
machine makes of it a program that runs one thread after the other.
"""

from __future__ import annotations

import ctypes
import shutil
import subprocess
from pathlib import Path

import loopodds as lo
import numpy as np
import pandas as pd
import pytest
from loopodds.accelerator import passes
from loopodds.accelerator.layout import CardTree
from loopodds.accelerator.passes import Precision
from loopodds.base.errors import TooLarge, UnknownName
from loopodds.inference import junction
from loopodds.inference.junction import JunctionTree
from loopodds.inference.network import Evidence
from random_networks import random_evidence, random_network


@pytest.fixture(autouse=True)
def no_card_is_kept():
    passes.accelerator.cache_clear()
    yield
    passes.accelerator.cache_clear()


COMPILER = shutil.which("g++") or shutil.which("c++")
HOST = """
#include <cmath>
#include <cstddef>
using std::exp; using std::isnan; using std::log; using std::sqrt;
#define __global__
#define __device__
#define __restrict__
#define __launch_bounds__(threads, blocks)
static bool neighbours;  // a row's neighbours in its warp, which are not here, have seen everything
#define __any_sync(mask, said) ((said) || neighbours)
template <typename T> static T __ldg(const T *place) { return *place; }
struct Place { int x; };
static Place threadIdx, blockIdx, gridDim;
extern "C" void become(int thread, int threads) {
    threadIdx.x = 0; blockIdx.x = thread; gridDim.x = threads; neighbours = thread % 2;
}
"""


@pytest.fixture(scope="module", params=["float64", "float32"])
def emulated(request, tmp_path_factory) -> Emulated:
    if COMPILER is None:
        pytest.skip("no C++ compiler on this machine")
    return Emulated(request.param, tmp_path_factory.mktemp("passes"))


class Emulated:
    """The kernel as a program of this machine; rows go round a few threads."""

    threads = 3

    def __init__(self, precision: Precision, folder: Path) -> None:
        self.real = np.dtype(precision)
        self.folder, self.precision = folder, precision
        self.kernels: dict[int, ctypes.CDLL] = {}
        self.apart: float | None = None

    def kernel(self, groups: int) -> ctypes.CDLL:
        if groups not in self.kernels:
            code, made = self.folder / "passes.cpp", self.folder / f"passes{groups}.so"
            code.write_text(HOST + passes.source())
            words = passes.definitions(self.precision, groups, 1, 1)
            command = [str(COMPILER), "-std=c++17", "-O1", "-shared", "-fPIC", "-w", *words]
            subprocess.run([*command, str(code), "-o", str(made)], check=True)
            self.kernels[groups] = ctypes.CDLL(str(made))
        return self.kernels[groups]

    def lay_out(self, cliques) -> CardTree:
        return CardTree(self, cliques)

    def propagate(self, order, layout, groups, factors, seen, asked, log_evidence, out) -> None:
        tree = passes.described((layout, groups, factors, asked), self.real)
        wide = [
            np.full(count * self.threads, np.nan, float if name == "densities" else self.real)
            for name, count in tree.places._asdict().items()
        ]
        answers = np.empty(len(order)), np.zeros(out.shape, self.real)
        given = passes.arguments(order, tree, seen, out.shape[1], (*wide, *answers))
        library = self.kernel(tree.groups)
        plain = [
            ctypes.c_void_p(one.ctypes.data)
            if isinstance(one, np.ndarray)
            else ctypes.c_longlong(int(one))
            for one in given
        ]
        for thread in range(self.threads):
            library.become(thread, self.threads)
            library.propagate(*plain)
        log_evidence[:], out[:] = answers


class Card:
    """What an accelerator shows of itself, with that kernel."""

    name = "emulated"

    def __init__(self, emulated: Emulated) -> None:
        self.emulated, self.precision, self.apart = emulated, emulated.precision, None

    def propagate(self, order, layout, groups, factors, seen, asked, log_evidence, out) -> None:
        trees = layout, groups, factors, seen, asked
        self.emulated.propagate(order, *trees, log_evidence, out)

    def lay_out(self, cliques) -> CardTree:
        return CardTree(self, cliques)


def everything(tree: JunctionTree, evidence: Evidence) -> np.ndarray:
    posterior = tree.propagate(evidence, [(name,) for name in tree.network.hidden])
    return np.hstack(
        [posterior.log_evidence[:, None], *(posterior[name] for name in tree.network.hidden)]
    )


@pytest.mark.parametrize("seed", range(40))
def test_the_card_says_what_the_loops_say_on_random_networks(seed, emulated, monkeypatch):
    """Impossible rows, doubts, readings and gaps among them."""
    monkeypatch.setattr(junction, "COMPILED_FROM", 0)
    rng = np.random.default_rng(seed)
    network = random_network(rng)
    evidence = random_evidence(network, rng, rows=37)
    near = everything(JunctionTree(network), evidence)
    far = everything(JunctionTree(network, False, emulated), evidence)
    small = 1e-12 if emulated.precision == "float64" else 2e-5
    np.testing.assert_allclose(far, near, rtol=small, atol=small)


def test_a_clique_with_more_places_than_the_card_numbers_is_refused():
    half = np.array([2**30 // passes.THREADS_A_BLOCK])
    layout = (np.array([0]), half, np.array([-1]), np.array([0, 2]), np.empty(0))
    with pytest.raises(TooLarge, match="too large for a graphics processor"):
        passes.described((layout, (np.empty(0),) * 8, (), ()), np.dtype(float))


def test_where_there_is_no_card_the_processor_scores_and_that_is_told(tmp_path: Path, monkeypatch):
    def none() -> None:
        raise passes.NoAccelerator("no graphics processor is used: none is here")

    monkeypatch.setattr(passes, "_cupy", none)
    plain = lo.score("@us", tmp_path / "plain.csv")
    asked = lo.score("@us", tmp_path / "asked.csv", device="gpu")
    assert (tmp_path / "plain.csv").read_bytes() == (tmp_path / "asked.csv").read_bytes()
    assert "no graphics processor is used: none is here" in asked.warnings
    assert asked.as_json()["ran_on"] == plain.as_json()["ran_on"] == {"device": "processor"}


def test_a_device_that_is_not_known_is_answered_with_the_nearest(tmp_path: Path):
    with pytest.raises(UnknownName, match="did you mean 'gpu'"):
        lo.score("@us", tmp_path / "s.csv", device="gpux")
    with pytest.raises(lo.InspectionError, match="one process feeds a graphics processor"):
        lo.score("@us", tmp_path / "s.csv", device="gpu", workers=2)


def test_an_archive_scored_on_a_card_says_on_which_and_how_far_it_was_off(
    tmp_path: Path, emulated: Emulated, monkeypatch
):
    """The card is the program of this machine; all batches go to it."""
    device = "gpu" if emulated.precision == "float64" else "gpu-float32"
    card = Card(emulated)
    monkeypatch.setattr(junction, "COMPILED_FROM", 0)
    monkeypatch.setattr(passes, "Accelerator", lambda precision: card)
    lo.score("@us", tmp_path / "near.parquet")
    far = lo.score("@us", tmp_path / "far.parquet", device=device)
    near_table, far_table = (pd.read_parquet(tmp_path / f"{n}.parquet") for n in ("near", "far"))
    small = 1e-9 if emulated.precision == "float64" else 1e-4
    for name in lo.Knowledge().conditions:
        np.testing.assert_allclose(far_table[f"p_{name}"], near_table[f"p_{name}"], atol=small)
    ran_on = far.as_json()["ran_on"]
    assert (ran_on["device"], ran_on["precision"]) == (device, emulated.precision)
    assert 0 <= ran_on["off_by"] < small
