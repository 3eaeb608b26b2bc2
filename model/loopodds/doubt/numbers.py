"""The numbers of the knowledge that a count would change, each list where it stands in its file.

A list of probabilities, a pair of mean and standard deviation, a share: what belongs together has
one place, one weight and moves together. What a sound car reads, what pairs of states add, chances
of being brought in and shares of contexts are none of them.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any, Literal

import msgspec
import numpy as np

from loopodds.base.arrays import FloatArray
from loopodds.base.phrases import spaced
from loopodds.knowledge.blocks import Shift, Tables, matches
from loopodds.knowledge.nodes import Gauge, Graded, Node, Tabular, rewritten
from loopodds.knowledge.shapes import Grounds

Path = tuple[str | int, ...]
"""Keys and indices that lead to a list within the entry of its node."""
Kind = Literal["levels", "passing", "shift", "spread", "slips"]


@dataclass(frozen=True, slots=True, eq=False)
class Numbers:
    """One list of numbers of a node, with what holds it.

    ``levels``: probabilities over states. ``passing``: how far a cause is let through, and the
    rest. ``shift``: mean and standard deviation. ``spread``: a standard deviation. ``slips``: share
    of misreadings and their standard deviation.
    """

    node: str
    path: Path
    kind: Kind
    values: FloatArray
    grounds: Grounds
    block: Path  # the table that holds, or may hold, its grounds; empty for the node itself
    noise: float = 0.0  # of ``shift``: variance of one car's reading besides its own

    @property
    def key(self) -> tuple[str, Path]:
        """Node and place: the name of a list."""
        return self.node, self.path

    @property
    def free(self) -> bool:
        """Whether a count could move it: a list with a single chance is structure."""
        return self.kind not in ("levels", "passing") or bool((self.values > 0).sum() > 1)

    @property
    def covariance(self) -> FloatArray:
        """Of its numbers, if its weight in cars is taken at its word, shape (numbers, numbers).

        Dirichlet and Beta for chances; of ``shift``, ``spread`` and the width of slips the numbers
        are mean and *variance*, with those of a normal sample of that many cars.
        """
        weight, values = self.grounds.weight, self.values
        if self.kind in ("levels", "passing"):
            return (np.diag(values) - np.outer(values, values)) / (weight + 1)
        if self.kind == "slips":
            share = values[0] * (1 - values[0]) / (weight + 1)
            return np.diag([share, 2 * values[1] ** 4 / weight])
        if self.kind == "spread":
            return np.array([[2 * values[0] ** 4 / weight]])
        variance = values[1] ** 2
        return np.diag([(variance + self.noise) / weight, 2 * variance**2 / weight])


def place_words(name: str, path: Path) -> str:
    """Where a list stands in its file, blocks counted from one.

    >>> place_words("charge", ("rows", 7, "p"))
    'charge.rows[8].p'
    """
    steps = (f"[{key + 1}]" if isinstance(key, int) else f".{key}" for key in path)
    return name + "".join(steps)


def number_words(node: Node, path: Path) -> str:
    """What a list says, in words: ``given leak slow``, ``from charge low alone``."""
    if path[0] == "variants":
        variant = node.variants[int(path[1])]
        return f"{number_words(node.in_context(variant.when), path[2:])} ({_pairs(variant.when)})"
    if isinstance(node, Tabular):
        return f"given {_pairs(node.rows[int(path[1])].when) or 'anything else'}"
    if isinstance(node, Graded):
        if path[0] == "leak":
            return "with no modelled cause"
        cause = node.causes[int(path[1])]
        if path[2] == "weakened_by":
            return f"how far {spaced(str(path[3]))} {path[4]} lets {spaced(cause.parent)} through"
        return f"from {spaced(cause.parent)} {spaced(str(path[3]))} alone"
    assert isinstance(node, Gauge)
    if path[0] == "tables":
        shift = _tabled(node)[int(path[2])]
        kind = f" ({_pairs(shift.when)})" if shift.when else ""
        return f"shift under {spaced(shift.parent)} {spaced(str(path[4]))}{kind}"
    if path[0] == "shifts":
        return f"shift under {spaced(node.shifts[int(path[1])].parent)} {spaced(str(path[3]))}"
    if path[0] == "overrides":
        return f"reading under {_pairs(node.overrides[int(path[1])].when)}"
    return "share and width of misreadings" if path[0] == "misreading" else "spread of one car"


def _pairs(when: Mapping[str, str]) -> str:
    return spaced(" and ".join(f"{name} {state}" for name, state in when.items()))


def numbers_of(node: Node) -> dict[Path, Numbers]:
    """Every list of a node, those of its variants included, in file order."""
    found = {n.path: n for n in _of_version(node, node, (), None)}
    for index, variant in enumerate(node.variants):
        own = msgspec.structs.replace(node, **variant.changes)
        prefix = ("variants", index)
        found |= {n.path: n for n in _of_version(node, own, prefix, variant.changes)}
    return found


def _of_version(
    node: Node, version: Node, prefix: Path, only: Mapping[str, Any] | None
) -> Iterator[Numbers]:
    """Lists of the node, or of those fields alone that a variant changes."""
    for field, path, kind, values, block in _lists(version):
        if only is not None and field not in only:
            continue
        place, holder = (*prefix, *path), ((*prefix, *block[1]) if block else ())
        grounds = block[0].grounds_in(version) if block else version.grounds
        moves = field in ("shifts", "tables")
        noise = version.spread**2 if isinstance(version, Gauge) and moves else 0.0
        numbers = np.array(values, dtype=float).ravel()
        yield Numbers(node.name, place, kind, numbers, grounds, holder, noise)


def _lists(node: Node) -> Iterator[tuple[str, Path, Kind, Any, tuple[Any, Path] | None]]:
    """Field, path, kind and numbers of each list, and the block that it stands in."""
    if isinstance(node, Tabular):
        for i, row in enumerate(node.rows):
            yield "rows", ("rows", i, "p"), "levels", row.p, (row, ("rows", i))
    elif isinstance(node, Graded):
        yield "leak", ("leak", "p"), "levels", node.leak.p, (node.leak, ("leak",))
        for i, cause in enumerate(node.causes):
            block = cause, ("causes", i)
            for state, levels in cause.effects.items():
                yield "causes", ("causes", i, "effects", state), "levels", levels, block
            for parent, factors in cause.weakened_by.items():
                for state, factor in factors.items():
                    path = ("causes", i, "weakened_by", parent, state)
                    yield "causes", path, "passing", (factor, 1 - factor), block
    elif isinstance(node, Gauge):
        yield "spread", ("spread",), "spread", (node.spread,), None
        slips = node.misreading
        yield "misreading", ("misreading",), "slips", (slips.share, slips.spread), None
        for i, shift in enumerate(node.shifts):
            for state, pair in shift.shift.items():
                yield "shifts", ("shifts", i, "shift", state), "shift", pair, (shift, ("shifts", i))
        for i, shift in enumerate(_tabled(node)):
            place: Path = ("tables", "shifts", i)
            for state, pair in shift.shift.items():
                yield "tables", (*place, "shift", state), "shift", pair, (shift, place)
        for i, override in enumerate(node.overrides):
            holder = override, ("overrides", i)
            yield "overrides", ("overrides", i, "shift"), "shift", override.shift, holder


def _tabled(node: Gauge) -> tuple[Shift, ...]:
    return node.tables.shifts if node.tables else ()


def owner_of(node: Node, context: Mapping[str, str], field: str) -> Path:
    """Where the field that holds in a context stands: in the last variant that changes it."""
    path: Path = ()
    for index, variant in enumerate(node.variants):
        if field in variant.changes and matches(variant.when, context):
            path = ("variants", index)
    return path


def with_numbers(node: Node, values: Mapping[Path, FloatArray]) -> Node:
    """A node with other numbers in some of its lists."""
    entry = node.as_json()
    for path, numbers in values.items():
        if isinstance(node, Gauge) and node.tables and path[0] == "tables":
            tables = _with_shift(node.tables, int(path[2]), str(path[4]), numbers)
            node = msgspec.structs.replace(node, tables=tables)
        else:
            entry = put_numbers(entry, path, numbers)
    return rewritten(node, entry)


def _with_shift(tables: Tables, index: int, state: str, numbers: FloatArray) -> Tables:
    shifts = list(tables.shifts)
    moved = {**shifts[index].shift, state: (float(numbers[0]), float(numbers[1]))}
    shifts[index] = msgspec.structs.replace(shifts[index], shift=moved)
    return msgspec.structs.replace(tables, shifts=tuple(shifts))


def put_numbers(entry: Any, path: Path, numbers: FloatArray) -> Any:
    """A plain entry with a list exchanged; the entry itself stays as it is."""
    if not path:
        if isinstance(entry, Mapping):
            return {**entry, "share": float(numbers[0]), "spread": float(numbers[1])}
        return numbers.tolist() if isinstance(entry, list | tuple) else float(numbers[0])
    key, *rest = path
    inner = put_numbers(entry[key], tuple(rest), numbers)
    if isinstance(entry, Mapping):
        return {**entry, key: inner}
    return [inner if i == key else old for i, old in enumerate(entry)]
