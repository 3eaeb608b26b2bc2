"""From the slopes of the arrays to the slopes of the numbers in the files, by the chain rule.

A table is linear in each list of its node: rows stand in it, and a graded finding is, cause by
cause, the largest of what each produces (Díez 1993), which the auxiliary causes of its slope undo
exactly. Means and variances of a gauge are sums. What a context leaves open is averaged over.
"""

from collections.abc import Iterator, Mapping
from itertools import product
from typing import Any, NamedTuple

import numpy as np

from loopodds.base.arrays import FloatArray, IntArray
from loopodds.doubt.numbers import Numbers, Path, owner_of
from loopodds.inference.slopes import GaugeSlopes
from loopodds.knowledge.assembly import full_contexts, gauge_array
from loopodds.knowledge.blocks import matches
from loopodds.knowledge.nodes import Gauge, Graded, Node, Tabular, parents_of
from loopodds.knowledge.records import Knowledge

Tallies = dict[Path, FloatArray]
"""By list: of probabilities the slope by each, shape (groups, numbers); of a normal the expected
readings and the slopes by mean and variance, shape (groups, 3); of slips those that were none,
those that were one and the slope by their variance, shape (groups, 3)."""


def tallies_of(
    node: Node, knowledge: Knowledge, context: Mapping[str, str], found: FloatArray | GaugeSlopes
) -> Tallies:
    """Tallies of every list of a node that bears on a context, from the slopes of its arrays."""
    total: Tallies = {}
    if isinstance(found, GaugeSlopes):
        held = found.held.reshape(len(found.slips), -1).sum(axis=1)
        # the misreading of the node itself holds in every context
        total["misreading",] = np.stack([held, found.slips, found.slip_variance], axis=-1)
    for term in terms_of(node, knowledge, context, found):
        part = term.values[:, *term.where]
        part = part.reshape(len(part), -1, part.shape[-1]).sum(axis=1)
        total[term.path] = total[term.path] + part if term.path in total else part
    return total


class Term(NamedTuple):
    """What the configurations of the parents of a node add to the tally of one of its lists."""

    path: Path
    where: tuple[Any, ...]  # index of those that do
    values: FloatArray  # shape (groups, *parent cards, numbers): what each adds


def terms_of(
    node: Node, knowledge: Knowledge, context: Mapping[str, str], found: FloatArray | GaugeSlopes
) -> Iterator[Term]:
    """Tallies of a node before they are summed, all linear in the slopes found; of a gauge without
    its slips.
    """
    settled = list(full_contexts(node.context_keys(), knowledge, context))
    states = {name: other.states for name, other in knowledge.nodes.items()}
    if isinstance(node, Gauge) and isinstance(found, GaugeSlopes):
        return _gauge_terms(node, settled, states, found)
    return _table_terms(node, settled, states, found)


class SlopeSums:
    """Slopes of many batches in several contexts, summed up for the lists of the files.

    Of each node the arrays of one context are held at a time, and become tallies when another one
    comes that it tells apart: contexts in order cost least.

    Args:
        knowledge: With the numbers at which the slopes are found.
        lots: Sums to keep apart, that of each batch named as it is added; without, each group of
            weights has one of its own.
    """

    def __init__(self, knowledge: Knowledge, lots: int = 0) -> None:
        self._knowledge, self._lots = knowledge, lots
        self._keys = {name: node.context_keys() for name, node in knowledge.nodes.items()}
        self._sums: dict[str, tuple[dict[str, str], list[FloatArray]]] = {}
        self._tallies: dict[tuple[str, Path], FloatArray] = {}

    def add(
        self,
        context: Mapping[str, str],
        found: Mapping[str, FloatArray | GaugeSlopes],
        lot: int | None = None,
    ) -> None:
        """Add those of a batch."""
        for name, part in found.items():
            bears = {key: context[key] for key in sorted(self._keys[name] & context.keys())}
            if name in self._sums and self._sums[name][0] != bears:
                self._settle(name)
            arrays = part if isinstance(part, GaugeSlopes) else (part,)
            if name not in self._sums:
                new = [np.zeros((self._lots or len(a), *a.shape[1:])) for a in arrays]
                self._sums[name] = bears, new
            for whole, array in zip(self._sums[name][1], arrays, strict=True):
                whole[slice(None) if lot is None else slice(lot, lot + 1)] += array

    def tallies(self) -> dict[tuple[str, Path], FloatArray]:
        """Of every list that bears on a context met."""
        for name in list(self._sums):
            self._settle(name)
        return self._tallies

    def _settle(self, name: str) -> None:
        bears, sums = self._sums.pop(name)
        found = sums[0] if len(sums) == 1 else GaugeSlopes(*sums)
        node, total = self._knowledge.node(name), self._tallies
        for path, tally in tallies_of(node, self._knowledge, bears, found).items():
            place = name, path
            total[place] = total[place] + tally if place in total else tally


Settled = list[tuple[float, dict[str, str]]]
States = Mapping[str, tuple[str, ...]]


def _table_terms(
    node: Node, settled: Settled, states: States, found: FloatArray | GaugeSlopes
) -> Iterator[Term]:
    assert not isinstance(found, GaugeSlopes)
    for share, full in settled:
        version = node.in_context(full)
        cards = [len(states[parent]) for parent in parents_of(version)]
        if isinstance(version, Tabular):
            prefix = owner_of(node, full, "rows")
            rows = _row_of_each(version, states)
            for index in np.unique(rows).tolist():
                where = (rows == index,) if rows.ndim else ()
                yield Term((*prefix, "rows", index, "p"), where, share * found)
        elif isinstance(version, Graded):
            owners = {key: owner_of(node, full, key) for key in ("leak", "causes")}
            for term in _graded_terms(version, cards, states, share * found):
                yield term._replace(path=(*owners[str(term.path[0])], *term.path))


def _row_of_each(node: Tabular, states: States) -> IntArray:
    """The row that covers each parent configuration, shape (*parent cards)."""
    cards = [len(states[parent]) for parent in node.parents]
    covering = np.empty(cards, dtype=np.int64)
    for index in product(*map(range, cards)):
        held = {p: states[p][i] for p, i in zip(node.parents, index, strict=True)}
        covering[index] = next(i for i, row in enumerate(node.rows) if matches(row.when, held))
    return covering


def _graded_terms(
    node: Graded, cards: list[int], states: States, found: FloatArray
) -> Iterator[Term]:
    """Slopes by what each cause produces alone.

    P(at most a level) is the product over causes, so that the slope by one of them is that of the
    product times all others; the slope by one level is that of all cumulated chances from it on.
    """
    parents, levels = parents_of(node), len(node.states)
    alone, let, bare = [np.cumsum(np.array(node.leak.p))], [np.ones(())], [np.array(node.leak.p)]
    for cause in node.causes:
        effects = np.zeros((len(states[cause.parent]), levels))
        effects[:, 0] = 1.0
        for state, p in cause.effects.items():
            effects[states[cause.parent].index(state)] = p
        passing = np.ones(())
        for parent, factors in cause.weakened_by.items():
            each = np.array([factors.get(state, 1.0) for state in states[parent]])
            passing = passing * _on_axis(each, parents.index(parent), len(parents))
        full = _on_axis(effects, parents.index(cause.parent), len(parents))
        cumulated = np.cumsum(full, axis=-1)
        alone.append(1.0 - passing[..., None] * (1.0 - cumulated) if passing.ndim else cumulated)
        let.append(passing)
        bare.append(full)
    # slope by P(at most a level): what is gained there is lost one level higher
    higher = np.concatenate([found[..., 1:], np.zeros_like(found[..., :1])], axis=-1)
    gain = found - higher
    others = _products_of_others([np.broadcast_to(a, (*cards, levels)) for a in alone])
    for number, rest in enumerate(others):
        by_cumulated = gain * rest
        from_on = np.cumsum(by_cumulated[..., ::-1], axis=-1)[..., ::-1]
        if number == 0:
            yield Term(("leak", "p"), (), from_on)
            continue
        cause, passing = node.causes[number - 1], let[number]
        place: Path = ("causes", number - 1)
        axis, known = parents.index(cause.parent), states[cause.parent]
        through = from_on * passing[..., None] if passing.ndim else from_on
        for state in cause.effects:
            yield Term((*place, "effects", state), _at(axis, known.index(state)), through)
        if not cause.weakened_by:
            continue
        # where the cause is not there, nothing is let through or held back
        there = np.array([state in cause.effects for state in known])
        from_on = from_on * _on_axis(there[:, None], axis, len(parents))
        # what is held back shows the first level
        produced, blocked = (from_on * bare[number]).sum(axis=-1), from_on[..., 0]
        for parent, factors in cause.weakened_by.items():
            own, known = parents.index(parent), states[parent]
            each = _on_axis(np.array([factors.get(s, 1.0) for s in known]), own, len(parents))
            rest_let = np.divide(passing, each, out=np.zeros_like(passing), where=each > 0)
            by_pass = produced * rest_let + blocked * (1 - rest_let)
            pairs = np.stack([by_pass, blocked], axis=-1)
            for state in factors:
                path = (*place, "weakened_by", parent, state)
                yield Term(path, _at(own, known.index(state)), pairs)


def _on_axis(values: FloatArray, axis: int, count: int) -> FloatArray:
    """Numbers by a parent's state on its own axis among all parents, further axes kept."""
    shape = [1] * count
    shape[axis] = len(values)
    return values.reshape(*shape, *values.shape[1:])


def _products_of_others(factors: list[FloatArray]) -> list[FloatArray]:
    """For each factor the product of all others, without dividing."""
    before, after = [np.ones_like(factors[0])], [np.ones_like(factors[0])]
    for factor in factors[:-1]:
        before.append(before[-1] * factor)
    for factor in factors[:0:-1]:
        after.append(after[-1] * factor)
    return [a * b for a, b in zip(before, after[::-1], strict=True)]


def _at(axis: int, state: int) -> tuple[slice | int, ...]:
    """Index of one state of one parent."""
    return (*[slice(None)] * axis, state)


def _gauge_terms(
    node: Gauge, settled: Settled, states: States, found: GaugeSlopes
) -> Iterator[Term]:
    each = [(share, full, node.in_context(full)) for share, full in settled]
    arrays = [gauge_array(version, states, full) for _, full, version in each]
    mean = sum((s * m for (s, *_), (m, _) in zip(each, arrays, strict=True)), np.zeros(()))
    for (share, full, version), (own_mean, _) in zip(each, arrays, strict=True):
        # two moments of a mixture of contexts are kept: its variance holds that of the means
        by_mean = share * (found.mean + 2 * (own_mean - mean) * found.variance)
        by_variance, held = share * found.variance, share * found.held
        stack = np.stack([held, by_mean, by_variance], axis=-1)
        yield from _in_one_context(node, version, full, states, stack)


def _in_one_context(
    node: Gauge, version: Gauge, full: Mapping[str, str], states: States, stack: FloatArray
) -> Iterator[Term]:
    """Of each override what holds where it decides, of each shift what holds elsewhere."""
    parents = parents_of(version)
    owner = np.full(stack.shape[1:-1], -1)
    for i, override in enumerate(version.overrides):
        where = tuple(
            states[p].index(override.when[p]) if p in override.when else slice(None)
            for p in parents
        )
        owner[where] = i
    prefix = owner_of(node, full, "overrides")
    for i in range(len(version.overrides)):
        yield Term((*prefix, "overrides", i, "shift"), (owner == i,), stack)
    free = owner == -1
    plain = stack if free.all() else stack * free[None, ..., None]
    yield Term((*owner_of(node, full, "spread"), "spread"), (), plain)
    prefix = owner_of(node, full, "shifts")
    for parent, moved in version.moved(full).items():
        for state, by in moved.items():
            place = (*prefix, *by.place) if by.place[0] == "shifts" else by.place
            where = _at(parents.index(parent), states[parent].index(state))
            yield Term((*place, "shift", state), where, plain)


def slope_by(numbers: Numbers, tally: FloatArray) -> FloatArray:
    """Slope by each number, as :attr:`Numbers.covariance` counts them, shape (groups, numbers)."""
    if numbers.kind in ("levels", "passing"):
        return tally
    if numbers.kind == "slips":
        share = numbers.values[0]
        by_share = tally[:, 1] / share - tally[:, 0] / (1 - share)
        return np.stack([by_share, tally[:, 2]], axis=-1)
    return tally[:, 2:] if numbers.kind == "spread" else tally[:, 1:]
