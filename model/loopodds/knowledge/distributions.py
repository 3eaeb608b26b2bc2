"""The three conditional distributions as arrays.

Every function takes a node already fixed to one context and the states of its parents, and
returns the parents in axis order with an array whose last axis (where there is one) is the node.
"""

from __future__ import annotations

import itertools
from collections.abc import Mapping
from typing import NamedTuple

import numpy as np

from loopodds.base.arrays import FloatArray
from loopodds.base.errors import KnowledgeError, unknown_name
from loopodds.knowledge.nodes import (
    Cause,
    Gauge,
    Graded,
    Node,
    Tabular,
    levels_of,
    matches,
    parents_of,
)

States = Mapping[str, tuple[str, ...]]


class TableArray(NamedTuple):
    """P(node | parents): shape (*parent cards, node card), last axis sums to one."""

    parents: tuple[str, ...]
    p: FloatArray


class GaugeArray(NamedTuple):
    """Mean and standard deviation of a gauge by parent configuration, shape (*parent cards)."""

    parents: tuple[str, ...]
    mean: FloatArray
    spread: FloatArray


def table_array(node: Node, states: States, setting: str) -> TableArray:
    """Array of a ``table`` or ``graded`` node.

    Args:
        node: Fixed to one context (see :meth:`Node.in_context`).
        states: States of every hidden node.
        setting: Which of the probabilities given by setting holds.

    Raises:
        KnowledgeError: if a parent or state is unknown, or a parent configuration is not covered.
    """
    if isinstance(node, Tabular):
        return _from_rows(node, states, setting)
    if isinstance(node, Graded):
        return _noisy_max(node, states, setting)
    raise KnowledgeError(f"{node.file}: {node.name} is a gauge, not a table")


def _from_rows(node: Tabular, states: States, setting: str) -> TableArray:
    parents = node.parents
    for row in node.rows:
        for parent, state in row.when.items():
            if parent not in parents:
                raise KnowledgeError(f"{node.file}: {node.name}: {parent!r} is not a parent")
            _index(node, states, parent, state)
    cards = [len(_states_of(node, states, parent)) for parent in parents]
    p = np.empty((*cards, len(node.states)))
    for index in itertools.product(*map(range, cards)):
        config = {q: states[q][i] for q, i in zip(parents, index, strict=True)}
        covering = next((r for r in node.rows if matches(r.when, config)), None)
        if covering is None:
            raise KnowledgeError(f"{node.file}: {node.name}: no row covers {config}")
        p[index] = levels_of(covering.p, setting)
    return TableArray(parents, _normalised(p))


def _noisy_max(node: Graded, states: States, setting: str) -> TableArray:
    """Product of cumulative contributions, then differences (Díez 1993), net leak convention."""
    parents = parents_of(node)
    axis = {parent: i for i, parent in enumerate(parents)}
    shape = [len(_states_of(node, states, parent)) for parent in parents]
    levels = len(node.states)
    cumulative = np.ones((*shape, levels))
    cumulative *= np.cumsum(levels_of(node.leak.p, setting))
    for cause in node.causes:
        cumulative *= _contribution(node, cause, states, axis, levels, setting)
    p = np.diff(cumulative, axis=-1, prepend=0.0)
    return TableArray(parents, _normalised(np.clip(p, 0.0, None)))


def _contribution(
    node: Node, cause: Cause, states: States, axis: Mapping[str, int], levels: int, setting: str
) -> FloatArray:
    """Cumulative distribution of what one cause produces, broadcastable over all parents."""
    own = _states_of(node, states, cause.parent)
    p = np.zeros((len(own), levels))
    p[:, 0] = 1.0
    for state, effect in cause.effects.items():
        p[_index(node, states, cause.parent, state)] = levels_of(effect, setting)
    shape = [1] * len(axis) + [levels]
    shape[axis[cause.parent]] = len(own)
    above = p.reshape(shape).copy()
    above[..., 0] = 0.0
    for parent, factors in cause.weakened_by.items():
        factor = np.ones(len(_states_of(node, states, parent)))
        for state, value in factors.items():
            factor[_index(node, states, parent, state)] = value
        shape = [1] * (len(axis) + 1)
        shape[axis[parent]] = len(factor)
        above = above * factor.reshape(shape)
    none = 1.0 - above.sum(axis=-1, keepdims=True)
    return np.cumsum(np.concatenate([none, above[..., 1:]], axis=-1), axis=-1)


def gauge_array(node: Gauge, states: States, context: Mapping[str, str]) -> GaugeArray:
    """Mean shift and spread of a gauge for every configuration of its parents.

    Shifts add; variances add. An override replaces both.

    Raises:
        KnowledgeError: if a parent or state is unknown.
    """
    parents = parents_of(node)
    cards = [len(_states_of(node, states, parent)) for parent in parents]
    mean = np.zeros(cards)
    variance = np.full(cards, node.spread**2)
    for parent in dict.fromkeys(s.parent for s in node.shifts):
        chosen = next(
            (s for s in node.shifts if s.parent == parent and matches(s.when, context)), None
        )
        if chosen is None:
            continue
        moved = np.zeros((2, len(states[parent])))
        for state, (shift, spread) in chosen.shift.items():
            moved[:, _index(node, states, parent, state)] = shift, spread**2
        lift = [1] * len(parents)
        lift[parents.index(parent)] = len(states[parent])
        mean = mean + moved[0].reshape(lift)
        variance = variance + moved[1].reshape(lift)
    for override in node.overrides:
        where = tuple(
            _index(node, states, parent, override.when[parent])
            if parent in override.when
            else slice(None)
            for parent in parents
        )
        value, spread = override.shift
        mean[where], variance[where] = value, spread**2
    return GaugeArray(parents, mean, np.sqrt(variance))


def _states_of(node: Node, states: States, parent: str) -> tuple[str, ...]:
    if parent not in states:
        raise KnowledgeError(f"{node.file}: {node.name}: {unknown_name('parent', parent, states)}")
    return states[parent]


def _index(node: Node, states: States, parent: str, state: str) -> int:
    known = _states_of(node, states, parent)
    if state not in known:
        problem = unknown_name(f"state of {parent}", state, known)
        raise KnowledgeError(f"{node.file}: {node.name}: {problem}")
    return known.index(state)


def _normalised(p: FloatArray) -> FloatArray:
    """Exact sum of one on the last axis: the files are rounded to print."""
    result: FloatArray = p / p.sum(axis=-1, keepdims=True)
    return result
