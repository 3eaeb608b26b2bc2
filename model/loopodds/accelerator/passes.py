"""The two passes over a junction tree on an NVIDIA graphics processor, a few rows for each block.

The arrays are those of :func:`loopodds.inference.kernels.propagate`, and so are the answers, in
double precision to some 1e-12. Single precision is faster and is asked for by name. CuPy compiles
``passes.cu`` for the processor at hand (extra ``gpu``).
"""

from __future__ import annotations

from collections.abc import Mapping
from functools import lru_cache
from importlib.resources import files
from itertools import pairwise
from typing import Any, Literal, NamedTuple

import numpy as np

from loopodds.base.arrays import FloatArray, IntArray
from loopodds.base.errors import LoopoddsError, TooLarge, unknown_name

Precision = Literal["float64", "float32"]
SOURCE = "passes.cu"
MOST_OF_MEMORY = 0.5
"""Share of the free memory of the card that rows in work may take."""
MOST_KEPT = 256
"""Groups of arrays of trees that stay on the card."""
COMPARED = 256
"""Rows of the first batch that the compiled loops work out too."""
DEVICES: Mapping[str, Precision] = {"gpu": "float64", "gpu-float32": "float32"}
"""What may be asked for by name besides the processor, and its precision."""
PROCESSOR = "processor"
Arrays = tuple[Any, ...]
Trees = tuple[Arrays, Arrays, Arrays, Arrays]
"""Layout, groups, factors, and what is asked, as :mod:`loopodds.inference.flat_tree` lays out."""


class NoAccelerator(LoopoddsError):
    """There is no graphics processor here that the passes could run on; the message says why."""


class Shape(NamedTuple):
    """How the kernel is compiled: rows and threads of a block, and blocks of a processor."""

    rows: int  # a power of two, at most those of a warp
    threads: int
    blocks: int
    products: int  # configurations that a thread multiplies out at a time
    gathered: int  # those that it adds up at a time


SHAPES: Mapping[Precision, Shape] = {"float64": Shape(4, 256, 4, 2, 4), "float32": Shape(4, 256, 4, 2, 4)}
WARP = 32
SMALL = 256
"""Configurations up to which a warp is enough for a clique."""


class Rooms(NamedTuple):
    """Where each part of what a block keeps begins, and how many bytes there are of both kinds.

    A place from zero on is in the memory of a processor; -1 - n is n in the memory of the card.
    """

    places: tuple[int, ...]
    shared: int
    card: int


def parts_of(trees: Trees, shape: Shape, real: int) -> tuple[int, ...]:
    """Bytes of each part of what a block keeps, in the order in which the kernel names them.

    Args:
        real: Bytes of a number of the precision.
    """
    layout, groups, factors, asked = trees
    cliques, heard, told = len(layout[1]), len(groups[1]), len(factors[0])
    each, between = shape.rows * real, int(layout[3][-1])
    return (
        packed(trees, real).nbytes,
        4 * ((told + 2) * shape.rows + 3 * heard + 2 * cliques + 6 * (heard + told)),
        cliques * shape.rows * 8,
        (cliques + 1) * each,
        between * each,
        int(_areas(trees, real).max()) * each,
        int(groups[3].sum()) * each,
        between * each if asked[2][-1] > asked[2][0] else 0,
    )


def _areas(trees: Trees, real: int) -> IntArray:
    """Numbers that each clique needs room for: its belief, or densities in double precision."""
    layout, groups, factors, _ = trees
    first = groups[7][groups[0]]
    pairs = np.diff(factors[10])
    most = [int(pairs[a:b].max(initial=0)) for a, b in pairwise(first)]
    return -(-np.maximum(layout[1] * np.diff(layout[3]), np.array(most) * 8 // real) // 4) * 4


def _stages(trees: Trees, real: int) -> tuple[list[list[int]], IntArray]:
    """Cliques that are worked on at a time, children first, and where each has its belief."""
    layout, areas = trees[0], _areas(trees, real)
    size, parents = layout[1] * np.diff(layout[3]), layout[2]
    waits_for = np.bincount(parents[parents >= 0], minlength=len(parents))
    ready = [int(k) for k in np.flatnonzero(waits_for == 0)]
    places, stages = np.zeros(len(parents), np.int64), []
    while ready:
        stage, used = [], 0
        for k in ready:
            if size[k] <= SMALL and used + areas[k] <= areas.max():
                places[k], used = used, used + areas[k]
                stage.append(k)
        stage = stage or ready[:1]
        stages.append(stage)
        ready = [k for k in ready if k not in stage]
        for parent in parents[stage]:
            if parent >= 0:
                waits_for[parent] -= 1
                if waits_for[parent] == 0:
                    ready.append(int(parent))
    return stages, places


def rooms_of(parts: tuple[int, ...], shape: Shape, most: int, warp: int = WARP) -> Rooms:
    """Parts in the memory of a processor as far as they fit, one after the other; then the card's.

    Args:
        most: Bytes of that memory for one block.
    """
    taken, away, places = 2 * 8 * shape.threads // warp * shape.rows, 0, []
    for part in parts:
        size = -(-part // 16) * 16
        if taken + size <= most:
            places.append(taken)
            taken += size
        else:
            places.append(-1 - away)
            away += size
    return Rooms(tuple(places), taken, away)


def source() -> str:
    """The kernel, which is C++ but for what the card adds to it."""
    return files("loopodds.accelerator").joinpath(SOURCE).read_text(encoding="utf-8")


def definitions(precision: Precision, shape: Shape) -> tuple[str, ...]:
    """What the source leaves to be named, as options of a compiler."""
    real = {"float64": "double", "float32": "float"}[precision]
    counts = (f"-D{name.upper()}={count}" for name, count in shape._asdict().items())
    return (f"-DREAL={real}", *counts, "-DCODE=0", "-DSOFT=1", "-DNUMBER=2")


class Accelerator:
    """A graphics processor that runs both passes.

    Args:
        precision: Of the potentials; the log evidence is added up in double precision.

    Raises:
        NoAccelerator: if CuPy is not installed or finds no processor.
    """

    def __init__(self, precision: Precision = "float64") -> None:
        self.precision = precision
        self.shape = SHAPES[precision]
        self._real = np.dtype(precision)
        self._cupy = _cupy()
        device = self._cupy.cuda.Device()
        self.name: str = self._cupy.cuda.runtime.getDeviceProperties(device.id)["name"].decode()
        self._processors: int = device.attributes["MultiProcessorCount"]
        # what a block may take of the memory of its processor, of which each takes 1 KB anyway
        self._most = min(
            device.attributes["MaxSharedMemoryPerBlockOptin"],
            device.attributes["MaxSharedMemoryPerMultiprocessor"] // self.shape.blocks - 1024,
        )
        self._there: dict[tuple[int, ...], tuple[Trees, Arrays, Rooms]] = {}
        self._room: Any = self._cupy.empty(0, np.uint8)
        self.apart: float | None = None  # furthest from the loops, of the rows that were compared

    def propagate(
        self,
        order: IntArray,
        layout: Arrays,
        groups: Arrays,
        factors: Arrays,
        seen: Arrays,
        asked: Arrays,
        log_evidence: FloatArray,
        out: FloatArray,
    ) -> None:
        """As :func:`loopodds.inference.kernels.propagate`, whose arguments it takes."""
        there = self.upload(order), tuple(map(self.upload, seen))
        found = self.on_card(there[0], layout, groups, factors, there[1], asked, out.shape[1])
        log_evidence[:], out[:] = (array.get() for array in found)
        if self.apart is None:
            self.apart = apart(order, (layout, groups, factors, seen, asked), out)

    def upload(self, array: Any) -> Any:
        """An array on the card."""
        return self._cupy.asarray(array)

    def wait(self) -> None:
        """Until the card has done what it was told."""
        self._cupy.cuda.Device().synchronize()

    def on_card(
        self,
        order: Any,
        layout: Arrays,
        groups: Arrays,
        factors: Arrays,
        seen: Arrays,
        asked: Arrays,
        columns: int,
    ) -> tuple[Any, Any]:
        """Log evidence and answers of rows that are on the card already, and stay there."""
        there, rooms = self._sent((layout, groups, factors, asked))
        blocks = self._blocks(rooms)
        if self._room.size < blocks * rooms.card:
            self._room = None  # before another is taken
            self._room = self._cupy.empty(blocks * rooms.card, np.uint8)
        answers = self._cupy.empty(len(order)), self._cupy.zeros((len(order), columns), self._real)
        kernel = _compiled(self.precision, self.shape)
        kernel.max_dynamic_shared_size_bytes = rooms.shared
        kernel(
            (blocks,),
            (self.shape.threads,),
            arguments(order, there, seen, columns, rooms, (self._room, *answers)),
            shared_mem=rooms.shared,
        )
        return answers

    def _blocks(self, rooms: Rooms) -> int:
        """Blocks that run at a time: a few for each processor, as far as the card has room."""
        free = self._cupy.cuda.runtime.memGetInfo()[0] + self._room.nbytes
        fitting = int(free * MOST_OF_MEMORY) // max(1, rooms.card)
        return int(max(1, min(self._processors * self.shape.blocks, fitting)))

    def _sent(self, trees: Trees) -> tuple[Arrays, Rooms]:
        """Arrays of a tree on the card, where they stay as long as they are asked for."""
        key = tuple(map(id, trees))
        if key not in self._there:
            if len(self._there) >= MOST_KEPT:
                self._there.clear()
            there = tuple(
                self.upload(one) if isinstance(one, np.ndarray) else one
                for one in described(trees, self._real)
            )
            parts = parts_of(trees, self.shape, self._real.itemsize)
            # the trees are kept so that no other gets their number
            self._there[key] = trees, there, rooms_of(parts, self.shape, self._most)
        return self._there[key][1:]


def apart(order: IntArray, trees: Arrays, out: FloatArray) -> float:
    """Largest difference of the answers of some rows from those of the compiled loops."""
    from loopodds.inference import kernels

    layout, groups, factors, seen, asked = trees
    some, near = order[:COMPARED], np.zeros_like(out)
    kernels.propagate(some, layout, groups, factors, seen, asked, np.empty(len(out)), near)
    return float(np.abs(out[some] - near[some]).max(initial=0.0))


def packed(trees: Trees, real: int) -> IntArray:
    """Small numbers of a tree: records of its cliques, edges, groups, factors, queries and stages.

    Raises:
        TooLarge: if a number does not fit into 32 bits.
    """
    layout, groups, factors, asked = trees
    start, run, parent, sep_start, _, child_first, children, _, home_at, home_run = layout
    group_first, child_of, within, group_cells, _, _, map_at, member_first = groups
    kinds, column, states, configs, _, table_at, _, member_at, _, _, gauge_at = factors[:11]
    wanted, first_inside, first_between, q_cells, _, q_at, q_run, q_out = asked
    stages, belief_at = _stages(trees, real)
    stage_first = np.cumsum([0, *map(len, stages)])
    whole = np.array([run[s[0]] * np.diff(sep_start)[s[0]] > SMALL for s in stages])
    # each group has a place of its own, for the way back
    group_at = sep_start[-1] + np.cumsum(group_cells) - group_cells
    lists = (
        (start, run, parent, sep_start, child_first, group_first, wanted, first_inside,
         first_between, belief_at),
        (children, home_at, home_run),
        (child_of, within, group_cells, group_at, map_at, member_first),
        (kinds, column, states, configs, table_at, member_at, gauge_at),
        (q_cells, q_at, q_run, q_out),
        (whole, stage_first),
        (np.concatenate(stages),),
    )  # fmt: skip
    records = np.concatenate([_records(*columns).ravel() for columns in lists])
    if records.max() > np.iinfo(np.int32).max:
        raise TooLarge("the network is too large for a graphics processor")
    return records.astype(np.int32)


def _records(first: IntArray, *others: IntArray) -> IntArray:
    """A record for each number of the first list, and one more for where the last of them ends."""
    records = np.zeros((len(first) + 1, 1 + len(others)), np.int64)
    for i, column in enumerate((first, *others)):
        records[: len(column), i] = column[: len(records)]
    return records


def described(trees: Trees, real: np.dtype[Any]) -> Arrays:
    """What the kernel takes of a tree, in order; potentials in the precision asked for."""
    layout, groups, factors, asked = trees
    stages, _ = _stages(trees, real.itemsize)
    words = packed(trees, real.itemsize)
    counted = layout[1], layout[6], groups[1], factors[0], asked[3], stages, words
    return (
        *(np.int32(len(array)) for array in counted),
        *(words, layout[4].astype(real), layout[7], groups[5], factors[4].astype(real)),
        *(factors[6], factors[8], factors[9], factors[11], factors[12], asked[4]),
    )


def arguments(
    order: Any, tree: Arrays, seen: Arrays, columns: int, rooms: Rooms, filled: Arrays
) -> Arrays:
    """What the kernel takes, in order.

    Args:
        tree: As `described`.
        filled: Memory of the card for what blocks keep, and the answers.
    """
    codes, softs, values, extras = seen
    return (
        *(np.int64(len(order)), order, *tree, np.int32(columns)),
        *(np.int64(codes.shape[1]), codes, softs, np.int64(softs.shape[2]), values, extras),
        *(*map(np.int64, rooms.places), np.int64(rooms.card), *filled),
    )


@lru_cache(maxsize=2)
def accelerator(device: str) -> Accelerator | None:
    """What a device of that name is; None for the processor.

    Raises:
        UnknownName: if there is no such name.
        NoAccelerator: if there is none here.
    """
    if device == PROCESSOR:
        return None
    if device not in DEVICES:
        raise unknown_name("device", device, [PROCESSOR, *DEVICES])
    return Accelerator(DEVICES[device])


@lru_cache(maxsize=8)
def _compiled(precision: Precision, shape: Shape) -> Any:
    options = ("-std=c++17", *definitions(precision, shape))
    return _cupy().RawKernel(source(), "propagate", options=options)


def _cupy() -> Any:
    try:
        import cupy
    except ImportError as error:
        raise NoAccelerator(
            "no graphics processor is used: CuPy is not installed (pip install 'loopodds[gpu]')"
        ) from error
    try:
        cupy.cuda.runtime.getDeviceCount()
    except cupy.cuda.runtime.CUDARuntimeError as error:
        raise NoAccelerator(f"no graphics processor is used: {error}") from error
    return cupy
