"""Every number of the knowledge that can be turned on its own, and the node it then makes.

A probability of a list is turned with proportional co-variation: the others of its list share
what is left in their present ratios (Laskey 1995). Probabilities of exactly zero or one are
structure, not numbers, and stay.
"""

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import partial, reduce
from math import hypot, sqrt
from operator import getitem
from typing import Any, Literal, cast

import numpy as np

from loopodds.inference.network import Discrete, GaugeNode
from loopodds.knowledge.assembly import node_arrays
from loopodds.knowledge.nodes import Gauge, Node, rewritten
from loopodds.knowledge.records import Knowledge
from loopodds.knowledge.shapes import GROUNDS, Grounds

Path = tuple[str | int, ...]
"""Keys and indices that lead to a number of a node's entry."""
Made = Discrete | GaugeNode
Kind = Literal["probability", "factor", "mean", "spread"]


def place_words(name: str, path: Path) -> str:
    """Where a number stands in its file, blocks counted from one.

    >>> place_words("charge", ("rows", 7, "p", 2))
    'charge.rows[8].p[3]'
    """
    steps = (f"[{key + 1}]" if isinstance(key, int) else f".{key}" for key in path)
    return name + "".join(steps)


def dial_words(node: Node, entry: Mapping[str, Any], path: Path) -> str:
    """What the number at a path in a node's entry says, as ``low, given leak slow``."""
    if path[0] == "variants":
        variant = entry["variants"][int(path[1])]
        holds = " and ".join(f"{key} {value}" for key, value in variant["when"].items())
        return f"{dial_words(node, variant, path[2:])} ({holds})"
    block = entry[str(path[0])]
    if path[0] == "rows":
        given = _pairs(block[path[1]].get("when", {})) or "anything else"
        return f"{_state(node, path)}, given {given}"
    if path[0] == "leak":
        return f"{_state(node, path)}, with no modelled cause"
    if path[0] == "causes":
        cause = block[path[1]]
        parent = _plain(cause["parent"])
        if path[2] == "weakened_by":
            return f"how far {_plain(path[3])} weakens {parent}"
        return f"{_state(node, path)}, from {parent} {_plain(path[3])} alone"
    if path[0] in ("shifts", "overrides"):
        moved = block[path[1]]
        cause = _pairs({moved["parent"]: path[3]} if path[0] == "shifts" else moved["when"])
        return f"{'shift' if path[-1] == 0 else 'spread'} under {cause}"
    return f"{path[1]} of misreadings" if path[0] == "misreading" else "spread of one car"


def _state(node: Node, path: Path) -> str:
    return _plain(node.states[int(path[-1])])


def _pairs(when: Mapping[str, Any]) -> str:
    return _plain(" and ".join(f"{name} {state}" for name, state in when.items()))


def _plain(name: object) -> str:
    return str(name).replace("_", " ")


@dataclass(frozen=True, slots=True, eq=False)
class Dial:
    """One number that can be turned."""

    node: str  # variable whose distribution holds the number
    place: str  # place, about: Where it stands, as ``charge.rows[8].p[3]``, and in words
    about: str
    value: float
    lowest: float  # lowest, highest: Range within which it is turned, ends excluded
    highest: float
    doubt: float  # its standard deviation if its weight in cars is taken at its word
    grounds: Grounds
    # the node with the number at another value. Tables are linear in it
    make: Callable[[float], Made]


def covaried(numbers: Sequence[float], index: int, value: float) -> list[float]:
    """A list with one number changed and the others scaled to keep the sum."""
    whole = sum(numbers)
    rest = (whole - value) / (whole - numbers[index])
    return [value if i == index else number * rest for i, number in enumerate(numbers)]


def knowledge_dials(knowledge: Knowledge, context: Mapping[str, str], name: str) -> Iterator[Dial]:
    """Dials of one node of the knowledge, in one context.

    Those of a variant that does not hold are listed and move nothing. What a sound car reads, the
    chances of being brought in and the shares of contexts are no dials.
    """
    node = knowledge.node(name)
    entry = node.as_json()
    for path in _leaves(entry, ()):
        kind = _kind(path)
        if kind is not None and _is_own(entry, path, kind):
            make = partial(_turned, knowledge, context, node, entry, path, kind)
            yield _dial(node, entry, path, kind, make)


def _leaves(block: Any, path: Path) -> Iterator[Path]:
    """Paths of all numbers below a block."""
    if isinstance(block, Mapping):
        for key, value in block.items():
            yield from _leaves(value, (*path, key))
    elif isinstance(block, list | tuple):
        for i, value in enumerate(block):
            yield from _leaves(value, (*path, i))
    elif isinstance(block, int | float):
        yield path


def _kind(path: Path) -> Kind | None:
    """What sort of number stands at a path, None for one that is not turned."""
    keys = [key for key in path if isinstance(key, str)]
    if "sound" in keys:
        return None
    if "weakened_by" in keys or keys[-1] == "share":
        return "factor"
    if "p" in keys or "effects" in keys:
        return "probability"
    if "shift" in keys:
        return "mean" if path[-1] == 0 else "spread"
    return "spread" if keys[-1] == "spread" else None


def _is_own(entry: Mapping[str, Any], path: Path, kind: Kind) -> bool:
    """Whether a number may be turned, and is not the rest of a list of two."""
    value = _at(entry, path)
    if kind == "spread":
        return bool(value > 0)
    if kind == "mean":
        return True
    rest_of_two = kind == "probability" and path[-1] == 0 and len(_at(entry, path[:-1])) == 2
    return 0 < value < 1 and not rest_of_two


def _at(block: Any, path: Path) -> Any:
    return reduce(getitem, path, block)


def _put(block: Any, path: Path, value: object) -> Any:
    """A block with another value at a path; the block itself stays as it is."""
    if not path:
        return value
    key, *rest = path
    inner = _put(block[key], tuple(rest), value)
    if isinstance(block, Mapping):
        return {**block, key: inner}
    return [inner if i == key else old for i, old in enumerate(block)]


def _turned(
    knowledge: Knowledge,
    context: Mapping[str, str],
    node: Node,
    entry: Mapping[str, Any],
    path: Path,
    kind: Kind,
    number: float,
) -> Made:
    if kind == "probability":
        whole = _at(entry, path[:-1])
        changed = _put(entry, path[:-1], covaried(whole, int(path[-1]), number))
    else:
        changed = _put(entry, path, number)
    return node_arrays(rewritten(node, changed), knowledge, context)


def _dial(
    node: Node, entry: Mapping[str, Any], path: Path, kind: Kind, make: Callable[[float], Made]
) -> Dial:
    value = float(_at(entry, path))
    grounds = _grounds(node, entry, path)
    if kind == "mean":
        assert isinstance(node, Gauge)
        reach = 2 * node.misreading.spread
        lowest, highest = value - reach, value + reach
        doubt = hypot(_at(entry, path[:-1])[1], node.spread) / sqrt(grounds.weight)
    elif kind == "spread":
        lowest, highest, doubt = value / 5, value * 5, value / sqrt(2 * grounds.weight)
    else:
        lowest, highest = 0.0, 1.0
        doubt = sqrt(value * (1 - value) / (grounds.weight + 1))
    return Dial(
        node.name, place_words(node.name, path), dial_words(node, entry, path), value, lowest,
        highest, doubt, grounds, make,
    )  # fmt: skip


def _grounds(node: Node, entry: Mapping[str, Any], path: Path) -> Grounds:
    """Grounds of the innermost block that states any, inheriting what it leaves out."""
    grounds = node.grounds
    for end in range(1, len(path)):
        block = _at(entry, path[:end])
        if isinstance(block, Mapping):
            grounds = Grounds(*(block.get(key) or getattr(grounds, key) for key in GROUNDS))
    return grounds


def gauge_at(dial: Dial) -> Callable[[float], GaugeNode]:
    """A gauge as a function of one of its numbers, without making it anew each time.

    Its first two moments are polynomials of second degree in every mean and every spread.
    """
    places = np.array([dial.value, (dial.value + dial.highest) / 2, dial.highest])
    make = cast("Callable[[float], GaugeNode]", dial.make)
    gauges = [make(float(x)) for x in places]
    first, last = gauges[0], gauges[2]
    if (first.share, first.wide) != (last.share, last.wide):
        return make
    fit = np.linalg.inv(np.vander(places, 3))
    means = np.array([gauge.mean for gauge in gauges])
    mean = np.tensordot(fit, means, axes=1)
    second = np.tensordot(fit, np.array([g.spread**2 for g in gauges]) + means**2, axes=1)

    def moved(value: float) -> GaugeNode:
        powers = np.array([value**2, value, 1.0])
        moment = np.tensordot(powers, mean, axes=1)
        spread = np.sqrt(np.tensordot(powers, second, axes=1) - moment**2)
        return replace(first, mean=moment, spread=spread)

    return moved
