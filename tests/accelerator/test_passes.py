"""The passes on a graphics processor say what the loops of the processor say.

No card is needed for the arithmetic: the kernel is C++ but for a few words, and a compiler of this
machine makes of it a program that runs one thread after the other.
"""

from __future__ import annotations

import ctypes
import shutil
import subprocess
from pathlib import Path
from typing import Any

import loopodds as lo
import numpy as np
import pandas as pd
import pytest
from loopodds.accelerator import passes
from loopodds.accelerator.passes import Precision
from loopodds.base.errors import UnknownName
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
#include <ucontext.h>
#include <utility>
using std::exp; using std::isnan; using std::log; using std::sqrt;
#define __global__
#define __device__
#define __shared__
#define __restrict__
#define __noinline__
#define __launch_bounds__(threads, blocks)
static double rsqrt(double x) { return 1 / sqrt(x); }
template <typename T> static T __ldg(const T *place) { return *place; }

// Threads of a block take turns at a processor of this machine, and hand it on where they wait.
struct Index { int x; };
static Index threadIdx, blockIdx, gridDim;
static ucontext_t fibres[THREADS], outside;
static char stacks[THREADS][1 << 16];
static bool over[THREADS];
static int step;  // to the next in turn: either way round must do
double shared[1 << 16];

static int next_of(int thread)
{
    for (int i = 1; i <= THREADS; i++) {
        const int other = (thread + i * step + i * THREADS) % THREADS;
        if (!over[other]) return other;
    }
    return -1;
}

static void hand_on()
{
    const int me = threadIdx.x, other = next_of(me);
    if (other == me) return;
    threadIdx.x = other;
    swapcontext(&fibres[me], &fibres[other]);
}

struct Meeting {
    int come, times;
    void wait(int all)
    {
        const int now = times;
        if (++come == all) come = 0, times++;
        while (times == now) hand_on();
    }
};
static Meeting block, warps[THREADS / WARP];

static void __syncthreads() { block.wait(THREADS); }

static void __syncwarp() { warps[threadIdx.x / WARP].wait(WARP); }

template <typename T> static T __shfl_sync(unsigned, T x, int lane)
{
    static T told[THREADS];
    const int me = threadIdx.x;
    told[me] = x;
    __syncwarp();
    x = told[me / WARP * WARP + lane];
    __syncwarp();
    return x;
}

template <typename T> static T __shfl_xor_sync(unsigned all, T x, int apart)
{
    return __shfl_sync(all, x, threadIdx.x % WARP ^ apart);
}
"""
RUN = """
template <typename WORK> static void run_block(WORK work)
{
    static WORK *todo;
    todo = &work;
    for (int t = 0; t < THREADS; t++) {
        over[t] = false;
        getcontext(&fibres[t]);
        fibres[t].uc_stack.ss_sp = stacks[t];
        fibres[t].uc_stack.ss_size = sizeof stacks[t];
        fibres[t].uc_link = &outside;
        makecontext(&fibres[t], (void (*)()) + [] {
            (*todo)();
            const int me = threadIdx.x;
            over[me] = true;
            const int other = next_of(me);
            if (other < 0) return;
            threadIdx.x = other;
            setcontext(&fibres[other]);
        }, 0);
    }
    threadIdx.x = 0;
    swapcontext(&outside, &fibres[0]);
}

template <typename... GIVEN, size_t... N>
static void run_blocks(
    void (*kernel)(GIVEN...), int blocks, void **given, std::index_sequence<N...>)
{
    for (blockIdx.x = 0; blockIdx.x < blocks; blockIdx.x++)
        run_block([=] { kernel(*(GIVEN *)given[N]...); });
}

template <typename... GIVEN> static void launch_kernel(
    void (*kernel)(GIVEN...), int blocks, void **given)
{
    run_blocks(kernel, blocks, given, std::index_sequence_for<GIVEN...>());
}

extern "C" void launch(int blocks, int way, void **given)
{
    gridDim.x = blocks, step = way;
    launch_kernel(propagate, blocks, given);
}
"""


@pytest.fixture(scope="module", params=["float64", "float32"])
def emulated(request, tmp_path_factory) -> Emulated:
    if COMPILER is None:
        pytest.skip("no C++ compiler on this machine")
    return Emulated(request.param, tmp_path_factory.mktemp("passes"))


class Emulated:
    """The kernel as a program of this machine: a few blocks of a few threads, warps of four."""

    shape, warp, blocks = passes.Shape(rows=2, threads=16, blocks=1, products=1, gathered=2), 4, 2

    def __init__(self, precision: Precision, folder: Path) -> None:
        self.real, self.precision = np.dtype(precision), precision
        self.most = 2**14  # bytes of the memory of a processor
        self.way = 1  # in which the threads take turns
        code, made = folder / "passes.cpp", folder / "passes.so"
        code.write_text(HOST + passes.source() + RUN)
        words = passes.definitions(precision, self.shape), f"-DWARP={self.warp}"
        command = [str(COMPILER), "-std=c++17", "-O1", "-shared", "-fPIC", "-w", *words[0]]
        subprocess.run([*command, words[1], str(code), "-o", str(made)], check=True)
        self.library = ctypes.CDLL(str(made))

    def propagate(self, order, layout, groups, factors, seen, asked, log_evidence, out) -> None:
        trees = layout, groups, factors, asked
        parts = passes.parts_of(trees, self.shape, self.real.itemsize)
        rooms = passes.rooms_of(parts, self.shape, self.most, self.warp)
        room = np.full(rooms.card * self.blocks, 255, np.uint8)
        answers = np.empty(len(order)), np.zeros(out.shape, self.real)
        seen = tuple(np.ascontiguousarray(array) for array in seen)
        tree = passes.described(trees, self.real)
        given = passes.arguments(order, tree, seen, out.shape[1], rooms, (room, *answers))
        plain = [
            ctypes.c_void_p(one.ctypes.data)
            if isinstance(one, np.ndarray)
            else (ctypes.c_int if isinstance(one, np.int32) else ctypes.c_longlong)(int(one))
            for one in given
        ]
        places = (ctypes.c_void_p * len(plain))(*map(ctypes.addressof, plain))
        self.library.launch(self.blocks, self.way, places)
        log_evidence[:], out[:] = answers


class Card:
    """What an accelerator shows of itself, with that kernel."""

    name = "emulated"

    def __init__(self, emulated: Emulated) -> None:
        self.emulated, self.precision, self.apart = emulated, emulated.precision, None

    def propagate(self, order, layout, groups, factors, seen, asked, log_evidence, out) -> None:
        trees = layout, groups, factors, seen, asked
        self.emulated.propagate(order, *trees, log_evidence, out)
        if self.apart is None:
            self.apart = passes.apart(order, trees, out)


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
    far = everything(JunctionTree(network, False, emulated.propagate), evidence)
    small = 1e-12 if emulated.precision == "float64" else 2e-5
    np.testing.assert_allclose(far, near, rtol=small, atol=small)


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
