"""What a number of the knowledge says, in words, and where it stands."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from loopodds.nodes import Node

Path = tuple[str | int, ...]


def place_words(name: str, path: Path) -> str:
    """Where a number stands in its file, blocks counted from one.

    Examples
    --------
    >>> place_words("charge", ("rows", 7, "p", "complaint", 2))
    'charge.rows[8].p.complaint[3]'
    """
    steps = (f"[{key + 1}]" if isinstance(key, int) else f".{key}" for key in path)
    return name + "".join(steps)


def dial_words(node: Node, entry: Mapping[str, Any], path: Path) -> str:
    """What a number says, as ``low, given leak slow``.

    Parameters
    ----------
    node : Node
    entry : mapping
        The node as it stands in its file, with its variants.
    path : tuple of str and int
        Keys and indices that lead to the number.
    """
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
        one = block[path[1]]
        cause = _pairs({one["parent"]: path[3]} if path[0] == "shifts" else one["when"])
        return f"{'shift' if path[-1] == 0 else 'spread'} under {cause}"
    if path[0] == "misreading":
        return f"{path[1]} of misreadings"
    return "spread of one car"


def _state(node: Node, path: Path) -> str:
    return _plain(node.states[int(path[-1])])


def _pairs(when: Mapping[str, Any]) -> str:
    return _plain(" and ".join(f"{name} {state}" for name, state in when.items()))


def _plain(name: object) -> str:
    return str(name).replace("_", " ")
