"""The two passes over a junction tree on an NVIDIA graphics processor, a row for each thread.

The arrays are those of :func:`loopodds.inference.kernels.propagate`, and so are the answers, in
double precision to some 1e-12. Single precision is faster and is asked for by name. CuPy compiles
``passes.cu`` for the processor at hand (extra ``gpu``).
"""

from __future__ import annotations

from collections.abc import Mapping
from functools import lru_cache
from importlib.resources import files
from typing import Any, Literal, NamedTuple

import numpy as np

from loopodds.base.arrays import FloatArray, IntArray
from loopodds.base.errors import LoopoddsError, unknown_name

Precision = Literal["float64", "float32"]
SOURCE = "passes.cu"
THREADS_A_BLOCK, BLOCKS_A_PROCESSOR = 64, 16
"""Rows in work on each processor of the card: enough that some can go on while others wait."""
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


class NoAccelerator(LoopoddsError):
    """There is no graphics processor here that the passes could run on; the message says why."""


class Places(NamedTuple):
    """Numbers that each row in work keeps, of every kind."""

    belief: int
    work: int
    densities: int  # of readings, always in double precision
    total: int
    scales: int


def places_of(layout: Arrays, groups: Arrays, factors: Arrays, asked: Arrays) -> Places:
    """Room for one row, from what :class:`loopodds.inference.flat_tree.FlatTree` lays out."""
    run, sep_start, prior = layout[1], layout[3], layout[4]
    group_cells, group_at = groups[3:5]
    return Places(
        len(prior),
        int((group_at + group_cells).max(initial=int(sep_start[-1]))),
        int(np.diff(factors[10]).max(initial=1)),
        max(int(np.diff(sep_start).max()), int(asked[3].max(initial=1))),
        len(run),
    )


def most_groups(groups: Arrays) -> int:
    """Groups that the largest clique has, rounded up: what the kernel is compiled for."""
    return -(-(int(np.diff(groups[0]).max(initial=0)) + 1) // 8) * 8


def source() -> str:
    """The kernel, which is C++ but for what the card adds to it."""
    return files("loopodds.accelerator").joinpath(SOURCE).read_text(encoding="utf-8")


def definitions(precision: Precision, groups: int, threads: int, blocks: int) -> tuple[str, ...]:
    """What the source leaves to be named, as options of a compiler."""
    real = {"float64": "double", "float32": "float"}[precision]
    counts = f"-DMOST_GROUPS={groups}", f"-DTHREADS={threads}", f"-DBLOCKS={blocks}"
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
        self._real = np.dtype(precision)
        self._cupy = _cupy()
        device = self._cupy.cuda.Device()
        self.name: str = self._cupy.cuda.runtime.getDeviceProperties(device.id)["name"].decode()
        self._processors: int = device.attributes["MultiProcessorCount"]
        self._there: dict[int, tuple[Arrays, Arrays]] = {}
        self._rooms: dict[str, Any] = {}
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
        places = places_of(layout, groups, factors, asked)
        blocks = self._blocks(places)
        rooms = {
            name: self._room(name, count * blocks * THREADS_A_BLOCK)
            for name, count in places._asdict().items()
        }
        answers = self._cupy.empty(len(order)), self._cupy.zeros((len(order), columns), self._real)
        trees = (self._sent(layout), self._sent(groups), self._sent(factors), self._sent(asked))
        counts = most_groups(groups), THREADS_A_BLOCK, BLOCKS_A_PROCESSOR
        kernel = _compiled(self.precision, *counts)
        kernel(
            (blocks,),
            (THREADS_A_BLOCK,),
            arguments(order, trees, seen, columns, places, (*rooms.values(), *answers)),
        )
        return answers

    def _blocks(self, places: Places) -> int:
        """Blocks that run at a time: a few for each processor, as far as their rows have room."""
        each = THREADS_A_BLOCK * sum(
            count * self._type(name).itemsize for name, count in places._asdict().items()
        )
        held = sum(room.nbytes for room in self._rooms.values())
        free = self._cupy.cuda.runtime.memGetInfo()[0] + held
        fitting = int(free * MOST_OF_MEMORY) // each
        return int(max(1, min(self._processors * BLOCKS_A_PROCESSOR, fitting)))

    def _type(self, name: str) -> np.dtype[Any]:
        return np.dtype(np.float64) if name == "densities" else self._real

    def _room(self, name: str, count: int) -> Any:
        """Memory of the card for one kind of numbers, kept from call to call."""
        if name not in self._rooms or self._rooms[name].size < count:
            self._rooms.pop(name, None)
            self._rooms[name] = self._cupy.empty(count, self._type(name))
        return self._rooms[name]

    def _sent(self, arrays: Arrays) -> Arrays:
        """Arrays of a tree on the card, where they stay as long as they are asked for."""
        here, there = self._there.get(id(arrays), (None, ()))
        if here is not arrays:
            if len(self._there) >= MOST_KEPT:
                self._there.clear()
            there = tuple(
                self.upload(
                    array.astype(self._real)
                    if place == REAL and array.dtype == np.float64
                    else array
                )
                for place, array in enumerate(arrays)
            )
            self._there[id(arrays)] = arrays, there
        return there


def apart(order: IntArray, trees: Arrays, out: FloatArray) -> float:
    """Largest difference of the answers of some rows from those of the compiled loops."""
    from loopodds.inference import kernels

    layout, groups, factors, seen, asked = trees
    some, near = order[:COMPARED], np.zeros_like(out)
    kernels.propagate(some, layout, groups, factors, seen, asked, np.empty(len(out)), near)
    return float(np.abs(out[some] - near[some]).max(initial=0.0))


REAL = 4
"""Place of the potentials among the arrays of a layout, and of the tables among the factors."""


def arguments(
    order: Any, trees: tuple[Arrays, ...], seen: Arrays, columns: int, places: Places, rooms: Arrays
) -> Arrays:
    """What the kernel takes, in order.

    Args:
        trees: Layout, groups, factors, and what is asked.
        rooms: What rows in work keep, as `Places` names them, and the answers.
    """
    layout, groups, factors, asked = trees
    codes, softs, values, extras = seen
    return (
        *(np.int64(len(order)), order, np.int64(len(layout[1])), *layout, *groups, *factors),
        *(np.int64(codes.shape[1]), codes, softs, np.int64(softs.shape[2]), values, extras),
        *(*asked, np.int64(columns), *map(np.int64, places[:4]), *rooms),
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
def _compiled(precision: Precision, groups: int, threads: int, blocks: int) -> Any:
    options = ("-std=c++17", *definitions(precision, groups, threads, blocks))
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
