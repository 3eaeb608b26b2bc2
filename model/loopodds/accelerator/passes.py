"""The two passes over a junction tree on an NVIDIA graphics processor, a row for each thread.

:mod:`loopodds.accelerator.layout` lays out the arrays. Answers are those of the loops of the
processor, in double precision to some 1e-12. Single precision is faster and is asked for by name.
CuPy compiles ``passes.cu`` for the processor at hand (extra ``gpu``).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from functools import lru_cache
from importlib.resources import files
from threading import Lock
from typing import TYPE_CHECKING, Any, Literal, NamedTuple

import numpy as np

from loopodds.base.arrays import FloatArray, IntArray
from loopodds.base.errors import LoopoddsError, TooLarge, unknown_name

if TYPE_CHECKING:
    from loopodds.accelerator.layout import CardTree
    from loopodds.inference.likelihoods import Clique

Precision = Literal["float64", "float32"]
SOURCE = "passes.cu"
THREADS_A_BLOCK, BLOCKS_A_PROCESSOR = 64, 16
"""Rows in work on each processor of the card: enough that some can go on while others wait."""
MOST_OF_MEMORY = 0.5
"""Share of the free memory of the card that rows in work may take."""
MOST_KEPT = 256
"""Trees that stay on the card."""
DEVICES: Mapping[str, Precision] = {"gpu": "float64", "gpu-float32": "float32"}
"""What may be asked for by name besides the processor, and its precision."""
PROCESSOR = "processor"
Arrays = tuple[Any, ...]
Trees = tuple[Arrays, Arrays, Arrays, Arrays]
"""Layout, groups, factors, and what is asked, as :mod:`loopodds.accelerator.layout` lays out."""


class NoAccelerator(LoopoddsError):
    """There is no graphics processor here that the passes could run on; the message says why."""


class Places(NamedTuple):
    """Numbers that each row in work keeps, of every kind."""

    work: int
    densities: int  # of readings, always in double precision
    total: int
    scales: int


class Described(NamedTuple):
    """What the kernel takes of a tree, in order, and what a row keeps for it."""

    arrays: Arrays
    places: Places
    groups: int  # that the largest clique has, rounded up: what the kernel is compiled for


def described(trees: Trees, real: np.dtype[Any]) -> Described:
    """The arrays of a tree as the kernel takes them, potentials in the precision asked for.

    Raises:
        TooLarge: if places in a clique times the rows of a block do not fit into 32 bits.
    """
    layout, groups, factors, asked = trees
    start, run, parent, sep_start, prior = layout[:5]
    if int((run * np.diff(sep_start)).max()) * THREADS_A_BLOCK > np.iinfo(np.int32).max:
        raise TooLarge("the network is too large for a graphics processor")
    group_first, child_of, within, group_cells = groups[:4]
    # each group has a place of its own, for the way back
    group_at = sep_start[-1] + np.cumsum(group_cells) - group_cells
    sums, totals = _sums(trees)
    return Described(
        (
            *(np.int64(len(run)), start, run, parent, sep_start, prior.astype(real)),
            *(group_first, child_of, within, group_cells, group_at, *_lifted(trees), groups[7]),
            *(factors[:4]), factors[4].astype(real), *factors[5:],
            *(*sums, asked[2], *asked[3:]),
        ),
        Places(
            int(sep_start[-1] + group_cells.sum()),
            int(np.diff(factors[10]).max(initial=1)),
            totals,
            len(run),
        ),
        # one more for what the parent sends
        -(-(int(np.diff(group_first).max(initial=0)) + 1) // 8) * 8,
    )  # fmt: skip


def _lifted(trees: Trees) -> tuple[IntArray, ...]:
    """Maps to each group from its host, from the host of that and so on up to the clique, and from
    each clique to what its parent sends it.

    Then the number of the first map of each group, and where maps of groups and of cliques begin.
    """
    _, run, _, sep_start = trees[0][:4]
    group_first, _, within, group_cells, _, maps, map_at, _ = trees[1]
    cells = np.diff(sep_start)
    clique = np.repeat(np.arange(len(run)), np.diff(group_first))
    lifted: list[IntArray] = []
    first = [0]
    for group, host in enumerate(within):
        size = (run * cells)[clique[group]]
        place = maps[map_at[group] :][: group_cells[host] if host >= 0 else size]
        lifted.append(place)
        while host >= 0:
            above = within[host]
            place = place[maps[map_at[host] :][: group_cells[above] if above >= 0 else size]]
            lifted.append(place)
            host = above
        first.append(len(lifted))
    lifted += [
        np.tile(np.arange(count, dtype=np.int32), each)
        for count, each in zip(cells, run, strict=True)
    ]
    laid, starts = _laid(lifted)
    return laid, np.array(first), starts[: first[-1] + 1], starts[first[-1] :]


def _laid(lists: list[IntArray]) -> tuple[IntArray, IntArray]:
    """Lists one after the other, and where each begins."""
    starts = np.cumsum([0, *map(len, lists)])
    return np.concatenate([*lists, np.zeros(1, np.int32)]).astype(np.int32), starts


def _sums(trees: Trees) -> tuple[Arrays, int]:
    """Sums over each clique on the way back, those with most cells first: for its children, and
    for what is asked inside it. And the cells of all sums of a clique, at most.

    Of each its child or query (-1: none), cells, configurations of a cell, the list of these, the
    cell of each configuration, and its place among the sums of the clique.
    """
    layout, _, _, asked = trees
    _, run, _, sep_start, _, child_first, children, home_cells, home_at, home_run = layout
    wanted, first_inside, first_between, q_cells, q_list, q_at, q_run, _ = asked
    cells = np.diff(sep_start)
    first, found, lists, maps, most = [0], [], [], [], 1
    for k in np.arange(len(run)):
        size = run[k] * cells[k]
        own = [
            (cells[c], c, -1, home_run[e], home_cells[home_at[e] :][:size])
            for e, c in enumerate(children[child_first[k] : child_first[k + 1]], child_first[k])
            if wanted[c] or first_between[c] < first_between[c + 1]
        ]
        own += [
            (q_cells[q], -1, q, q_run[q], q_list[q_at[q] :][:size])
            for q in range(first_inside[k], first_inside[k + 1])
        ]
        own.sort(key=lambda one: -one[0])
        at = np.cumsum([0, *(one[0] for one in own)])
        most = max(most, int(at[-1]))
        for (count, child, query, each, listed), place in zip(own, at, strict=False):
            found.append((child, query, count, each, place))
            lists.append(listed)
            inverse = np.empty(size, np.int32)
            inverse[listed] = np.tile(np.arange(count), each)
            maps.append(inverse)
        first.append(len(found))
    columns = np.array(found, np.int64).reshape(-1, 5).T.copy()
    listed, list_at = _laid(lists)
    mapped, map_at = _laid(maps)
    return (np.array(first), *columns[:4], listed, mapped, list_at, map_at, columns[4]), most


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
        self._there: dict[tuple[int, ...], tuple[Trees, Described]] = {}
        self._rooms: dict[str, Any] = {}
        self._alone = Lock()  # threads would write into the same rooms
        self.apart: float | None = None  # furthest from the loops, of the rows that were compared

    def lay_out(self, cliques: Sequence[Clique]) -> CardTree:
        """A tree for this processor."""
        from loopodds.accelerator.layout import CardTree

        return CardTree(self, cliques)

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
        """See :class:`loopodds.accelerator.layout.Card`."""
        with self._alone:
            there = self.upload(order), tuple(map(self.upload, seen))
            found = self.on_card(there[0], layout, groups, factors, there[1], asked, out.shape[1])
            log_evidence[:], out[:] = (array.get() for array in found)

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
        tree = self._sent((layout, groups, factors, asked))
        blocks = self._blocks(tree.places)
        rooms = [
            self._room(name, count * blocks * THREADS_A_BLOCK)
            for name, count in tree.places._asdict().items()
        ]
        answers = self._cupy.empty(len(order)), self._cupy.zeros((len(order), columns), self._real)
        kernel = _compiled(self.precision, tree.groups, THREADS_A_BLOCK, BLOCKS_A_PROCESSOR)
        kernel(
            (blocks,), (THREADS_A_BLOCK,), arguments(order, tree, seen, columns, (*rooms, *answers))
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

    def _sent(self, trees: Trees) -> Described:
        """A tree on the card, where it stays as long as it is asked for."""
        key = tuple(map(id, trees))
        if key not in self._there:
            if len(self._there) >= MOST_KEPT:
                self._there.clear()
            tree = described(trees, self._real)
            there = (self.upload(a) if isinstance(a, np.ndarray) else a for a in tree.arrays)
            # the arrays here are kept too, so that no others get their numbers
            self._there[key] = trees, tree._replace(arrays=tuple(there))
        return self._there[key][1]


def arguments(order: Any, tree: Described, seen: Arrays, columns: int, filled: Arrays) -> Arrays:
    """What the kernel takes, in order.

    Args:
        filled: What rows in work keep, as `Places` names them, and the answers.
    """
    codes, softs, values, extras = seen
    return (
        *(np.int64(len(order)), order, *tree.arrays, np.int64(columns)),
        *(np.int64(codes.shape[1]), codes, softs, np.int64(softs.shape[2]), values, extras),
        *(*map(np.int64, tree.places[:3]), *filled),
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
