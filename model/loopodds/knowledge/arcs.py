"""What names what in the knowledge: arcs between nodes, and the states a service cures."""

from __future__ import annotations

from collections.abc import Iterator

from loopodds.knowledge.nodes import Graded, Node, Shape, Table
from loopodds.knowledge.records import Knowledge


def mentions(shape: Table | Graded | Shape) -> Iterator[tuple[str, str, tuple[str, ...]]]:
    """Every place in a distribution that names another node.

    Yields
    ------
    str
        Where, in the words of the file (``rows[2]``, ``causes``, ``shifts``).
    str
        The node named.
    tuple of str
        Its states named there.
    """
    if isinstance(shape, Table):
        yield from (("parents", parent, ()) for parent in shape.parents)
        for i, row in enumerate(shape.rows, start=1):
            yield from ((f"rows[{i}]", parent, (state,)) for parent, state in row.when.items())
    elif isinstance(shape, Graded):
        for cause in shape.causes:
            yield "causes", cause.parent, tuple(cause.effects)
            for parent, factors in cause.weakened_by.items():
                yield f"causes.{cause.parent}.weakened_by", parent, tuple(factors)
    else:
        yield from (("shifts", shift.parent, tuple(shift.shift)) for shift in shape.shifts)
        for override in shape.overrides:
            yield from (("overrides", p, (state,)) for p, state in override.when.items())


def parents_of(node: Node) -> tuple[str, ...]:
    """Nodes that a node depends on, each once, in file order; variants may not add any."""
    return tuple(dict.fromkeys(parent for _, parent, _ in mentions(node.distribution)))


def children_of(name: str, knowledge: Knowledge) -> tuple[str, ...]:
    """Nodes that depend on a node, in file order."""
    return tuple(child.name for child in knowledge.nodes.values() if name in parents_of(child))


def cured_states(target: str, knowledge: Knowledge) -> frozenset[tuple[str, str]]:
    """Fault variable and state for each state that a key of ``cures`` covers.

    Parameters
    ----------
    target : str
        A condition, a fault variable (every state but the sound one) or ``variable.state``.
    knowledge : Knowledge

    Returns
    -------
    frozenset of pairs of str
        Empty if there is no such thing.
    """
    faults = knowledge.of_kind("fault")
    if target in knowledge.conditions:
        condition = knowledge.conditions[target]
        return frozenset((condition.variable, state) for state in condition.states)
    variable, _, state = target.partition(".")
    if variable not in faults:
        return frozenset()
    wanted = [s for s in faults[variable].states[1:] if state in ("", s)]
    return frozenset((variable, s) for s in wanted)
