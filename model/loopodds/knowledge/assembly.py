"""From the knowledge to the network: every node as arrays in one context.

What a context leaves out is averaged over, with the shares of ``contexts.toml``. A node is made
once for each combination of the contexts that it depends on, however many contexts are met.
Arrays have an axis for each parent, in order, and for tables a last one for the node itself.
"""

import itertools
import math
from collections.abc import Collection, Iterator, Mapping, Sequence
from functools import lru_cache

import numpy as np

from loopodds.base.arrays import FloatArray
from loopodds.base.errors import KnowledgeError, unknown_name
from loopodds.inference.network import Discrete, GaugeNode, Network, topological
from loopodds.knowledge.blocks import When, matches
from loopodds.knowledge.nodes import Gauge, Graded, Node, Tabular, parents_of
from loopodds.knowledge.records import Knowledge

Pairs = tuple[tuple[str, str], ...]
States = Mapping[str, tuple[str, ...]]
"""States of every hidden node."""


def build_network(knowledge: Knowledge, context: Mapping[str, str]) -> Network:
    """The knowledge as arrays, in one context (``expansion``, ``compressor`` ...).

    Raises:
        KnowledgeError: if the knowledge is inconsistent.
    """
    return _network(knowledge, tuple(sorted(context.items())))


@lru_cache(maxsize=256)
def _network(knowledge: Knowledge, context: Pairs) -> Network:
    made = {
        name: _made(knowledge, name, tuple(p for p in context if p[0] in _keys(knowledge, name)))
        for name in knowledge.nodes
    }
    discrete = {name: node for name, node in made.items() if isinstance(node, Discrete)}
    hidden = knowledge.of_kind("history", "fault", "mechanism")
    order = topological({name: discrete[name].parents for name in hidden})
    return Network(
        {name: discrete[name] for name in order},
        {name: discrete[name] for name in knowledge.of_kind("finding")},
        {name: node for name, node in made.items() if isinstance(node, GaugeNode)},
    )


@lru_cache(maxsize=4096)
def _keys(knowledge: Knowledge, name: str) -> frozenset[str]:
    return frozenset(knowledge.nodes[name].context_keys())


@lru_cache(maxsize=4096)
def _made(knowledge: Knowledge, name: str, context: Pairs) -> Discrete | GaugeNode:
    return node_arrays(knowledge.nodes[name], knowledge, dict(context))


def full_contexts(
    keys: Collection[str], knowledge: Knowledge, known: Mapping[str, str]
) -> Iterator[tuple[float, dict[str, str]]]:
    """Every way to fill in the contexts that matter, with its share; the shares sum to one.

    Raises:
        KnowledgeError: if a context is not known to the files or must be given.
    """
    unknown = sorted(set(keys) - set(known))
    options = []
    for key in unknown:
        if key not in knowledge.contexts:
            raise KnowledgeError(f"contexts.toml: there is no context {key!r}")
        context = knowledge.contexts[key]
        if not context.shares:
            raise KnowledgeError(f"contexts.toml: {key} must be given: it has no shares")
        options.append(list(zip(context.values, context.shares, strict=True)))
    for combination in itertools.product(*options):
        values = {key: value for key, (value, _) in zip(unknown, combination, strict=True)}
        yield math.prod(share for _, share in combination), {**known, **values}


def node_arrays(
    node: Node, knowledge: Knowledge, context: Mapping[str, str]
) -> Discrete | GaugeNode:
    """One node of the knowledge as arrays in one context.

    Raises:
        KnowledgeError: if its numbers are inconsistent, or a variant changes the parents.
    """
    hidden = knowledge.of_kind("history", "fault", "mechanism")
    states = {name: other.states for name, other in hidden.items()}
    settled = list(full_contexts(node.context_keys(), knowledge, context))
    if isinstance(node, Gauge):
        gauges = [(s, *gauge_array(node.in_context(full), states, full)) for s, full in settled]
        parents = _same_parents(node, settled)
        # Unknown contexts mix Gaussians; their first two moments are kept.
        mean = sum((share * mean for share, mean, _ in gauges), np.zeros(()))
        second = sum((share * (s**2 + m**2) for share, m, s in gauges), np.zeros(()))
        spread = np.sqrt(second - mean**2)
        slips = node.misreading
        return GaugeNode(
            node.name, node.states, parents, mean, spread, slips.share, slips.spread, node.cuts,
            node.word_doubt,
        )  # fmt: skip
    tables = [share * table_array(node.in_context(full), states) for share, full in settled]
    parents = _same_parents(node, settled)
    return Discrete(node.name, node.states, parents, sum(tables, np.zeros(())))


def _same_parents(node: Node, settled: Sequence[tuple[float, When]]) -> tuple[str, ...]:
    parents = {parents_of(node.in_context(full)) for _, full in settled}
    if len(parents) > 1:
        raise KnowledgeError(f"{node.file}: {node.name}: variants must keep the parents in order")
    return parents.pop()


def table_array(node: Node, states: States) -> FloatArray:
    """P(node | parents) of a ``table`` or ``graded`` node as it is written.

    Returns:
        Shape (*parent cards, node card); the last axis sums to one.

    Raises:
        KnowledgeError: if a parent or state is unknown, or a parent configuration is not covered.
    """
    if isinstance(node, Tabular):
        p = _from_rows(node, states)
    elif isinstance(node, Graded):
        p = _noisy_max(node, states)
    else:
        raise KnowledgeError(f"{node.file}: {node.name} is a gauge, not a table")
    # exactly: the files are rounded to print
    result: FloatArray = p / p.sum(axis=-1, keepdims=True)
    return result


def _from_rows(node: Tabular, states: States) -> FloatArray:
    parents = node.parents
    for row in node.rows:
        for parent, state in row.when.items():
            if parent not in parents:
                raise KnowledgeError(f"{node.file}: {node.name}: {parent!r} is not a parent")
            _index(node, states, parent, state)
    cards = _cards(node, states)
    p = np.empty((*cards, len(node.states)))
    for index in itertools.product(*map(range, cards)):
        config = {q: states[q][i] for q, i in zip(parents, index, strict=True)}
        covering = next((r for r in node.rows if matches(r.when, config)), None)
        if covering is None:
            raise KnowledgeError(f"{node.file}: {node.name}: no row covers {config}")
        p[index] = covering.p
    return p


def _noisy_max(node: Graded, states: States) -> FloatArray:
    """Product of cumulative contributions, then differences (Díez 1993), net leak convention."""
    levels = len(node.states)
    cumulative = np.ones((*_cards(node, states), levels))
    cumulative *= np.cumsum(node.leak.p)
    for cause in node.causes:
        none = [1.0] + [0.0] * (levels - 1)
        above = _by_state(node, states, cause.parent, cause.effects, none)[..., 1:]
        for parent, factors in cause.weakened_by.items():
            above = above * _by_state(node, states, parent, factors, 1.0)[..., None]
        lowest = 1.0 - above.sum(axis=-1, keepdims=True)
        cumulative *= np.cumsum(np.concatenate([lowest, above], axis=-1), axis=-1)
    return np.clip(np.diff(cumulative, axis=-1, prepend=0.0), 0.0, None)


def gauge_array(
    node: Gauge, states: States, context: Mapping[str, str]
) -> tuple[FloatArray, FloatArray]:
    """Mean shift and spread of a gauge by parent configuration, shape (*parent cards); read-only.

    Shifts add, and what pairs of states add to them; variances add. An override replaces all.
    Contexts differ in few that a gauge tells apart, so the arrays are kept with it.

    Raises:
        KnowledgeError: if a parent or state is unknown.
    """
    bears = tuple(sorted((key, context[key]) for key in node.context_keys() & context.keys()))
    asked = bears, *(_states_of(node, states, parent) for parent in parents_of(node))
    if asked not in node.arrays:
        node.arrays[asked] = _gauge_array(node, states, context)
    return node.arrays[asked]


def _gauge_array(
    node: Gauge, states: States, context: Mapping[str, str]
) -> tuple[FloatArray, FloatArray]:
    cards = _cards(node, states)
    mean, variance = np.zeros(cards), np.full(cards, node.spread**2)
    moved = node.moved(context)
    for parent, by_state in moved.items():
        moments = {state: (by.mean, by.spread**2) for state, by in by_state.items()}
        added = _by_state(node, states, parent, moments, (0.0, 0.0))
        mean, variance = mean + added[..., 0], variance + added[..., 1]
    parents = parents_of(node)

    def where(held: Mapping[str, str]) -> tuple[int | slice, ...]:
        return tuple(
            _index(node, states, parent, held[parent]) if parent in held else slice(None)
            for parent in parents
        )

    for pair in node.pairs_in(context):
        # what tables add to a sum holds for their own shifts only
        outranked = pair not in node.together and any(
            moved[parent][state].place[0] == "shifts" for parent, state in pair.states.items()
        )
        if not outranked:
            mean[where(pair.states)] += pair.shift
    for override in node.overrides:
        value, spread = override.shift
        mean[where(override.when)], variance[where(override.when)] = value, spread**2
    found = mean, np.asarray(np.sqrt(variance))
    for array in found:
        array.flags.writeable = False
    return found


def _by_state(
    node: Node,
    states: States,
    parent: str,
    given: Mapping[str, Sequence[float]] | Mapping[str, float],
    otherwise: Sequence[float] | float,
) -> FloatArray:
    """Numbers for each state of a parent on its own axis, broadcastable over all parents."""
    numbers = np.array([otherwise] * len(_states_of(node, states, parent)))
    for state, own in given.items():
        numbers[_index(node, states, parent, state)] = own
    shape = [len(numbers) if name == parent else 1 for name in parents_of(node)]
    return numbers.reshape(*shape, *numbers.shape[1:])


def _cards(node: Node, states: States) -> list[int]:
    return [len(_states_of(node, states, parent)) for parent in parents_of(node)]


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
