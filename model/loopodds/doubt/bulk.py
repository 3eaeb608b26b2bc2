"""Intervals of every condition for whole batches: the same numbers as one car at a time has.

The slope of a probability by a list of numbers is the covariance of two things: whether the
condition is there, and what the configuration of the list's node adds to the slope of the log
evidence, its score. Both meet across the tree only in what separates them, and given that they are
independent. So the score of each list is taken by the states of the few variables through which a
condition is felt in the clique of its node, once for all conditions beyond these; what these states
say of each condition is passed on from clique to clique. Rows stand last in all arrays.
"""

from __future__ import annotations

from collections.abc import Mapping
from functools import lru_cache
from math import prod
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from loopodds.base.arrays import FloatArray, IntArray, Query
from loopodds.diagnosis.model import Beliefs, Model
from loopodds.doubt.beta import beta_interval
from loopodds.doubt.chain import slope_by, terms_of
from loopodds.doubt.numbers import Numbers, Path, numbers_of
from loopodds.inference.flat_tree import position_map
from loopodds.inference.junction import JunctionTree, marginal
from loopodds.inference.network import Discrete, Evidence, GaugeNode
from loopodds.inference.slopes import GaugeSlopes, Scores, scores_of
from loopodds.knowledge.records import SOUND, Knowledge

if TYPE_CHECKING:
    from scipy.sparse import csr_array

PIECE = 96
"""Rows that are worked on together; with the lists that are kept it bounds the memory."""


class Entry(NamedTuple):
    """Variables through which some conditions are felt in a clique, and which those are."""

    scope: Query
    names: IntArray  # places among the conditions
    source: int  # clique that it comes from; -1 where the fault itself is in the clique


def interval_batch(
    model: Model, context: Mapping[str, str], evidence: Evidence, beliefs: Beliefs
) -> tuple[FloatArray, FloatArray]:
    """Low and high ends for every condition, then ``sound``, shape (rows, conditions and sound).

    Of cars to which nothing was done.
    """
    names = (*model.conditions, SOUND)
    point = np.stack([model.probability(beliefs, name) for name in names])
    variance = np.zeros_like(point)
    tree = model.tree(context)
    paths = _paths(tree.plan.cliques, tree.plan.parents, tree.plan.separators,
                   tuple(c.variable for c in model.conditions.values()))  # fmt: skip
    for start in range(0, evidence.rows, PIECE):
        rows = slice(start, start + PIECE)
        piece = _Piece(model, context, paths, evidence.take(rows).merged(), point[:, rows])
        variance[:, rows] = piece.variances()
    low, high = beta_interval(point, variance)
    return low.T, high.T


@lru_cache(maxsize=256)
def _paths(
    cliques: tuple[Query, ...],
    parents: tuple[int, ...],
    separators: tuple[Query, ...],
    variables: Query,
) -> tuple[tuple[Entry, ...], ...]:
    """For every clique how the conditions, of the faults ``variables``, are felt there."""
    around: list[dict[int, Query]] = [{} for _ in cliques]
    for child, parent in enumerate(parents):
        if parent >= 0:
            around[child][parent] = around[parent][child] = separators[child]
    found: list[dict[tuple[Query, int], list[int]]] = [{} for _ in cliques]
    for place, variable in enumerate(variables):
        reached = [i for i, scope in enumerate(cliques) if variable in scope]
        for clique in reached:
            found[clique].setdefault(((variable,), -1), []).append(place)
        for clique in reached:  # grows: a walk through the tree, away from the fault
            for other, scope in around[clique].items():
                if other not in reached:
                    reached.append(other)
                    found[other].setdefault((scope, clique), []).append(place)
    return tuple(
        tuple(Entry(scope, np.array(names), source) for (scope, source), names in here.items())
        for here in found
    )


class _Piece:
    """Some rows of a batch: their cliques, and what is felt of each condition where."""

    def __init__(
        self,
        model: Model,
        context: Mapping[str, str],
        paths: tuple[tuple[Entry, ...], ...],
        evidence: Evidence,
        point: FloatArray,
    ) -> None:
        self.model, self.context, self.paths = model, context, paths
        self.tree, self.evidence, self.point = model.tree(context), evidence, point
        self.rows = evidence.rows
        self.cliques = _beliefs(self.tree, evidence)
        sound = {
            name: np.tile(np.eye(len(model.states(name)))[0], (self.rows, 1))
            for name in model.faults
        }
        self.sound = _beliefs(self.tree, evidence.with_soft(sound))
        self._felt: dict[tuple[int, int], FloatArray] = {}
        self._moves: dict[tuple[int, int, Query], FloatArray] = {}

    def variances(self) -> FloatArray:
        """Variance of every probability, shape (conditions and sound, rows)."""
        total, network = np.zeros_like(self.point), self.tree.network
        everyone = np.arange(self.rows)
        for name, variable in network.hidden.items():
            lists = _lists_of(self.model.knowledge, name, self._own(name), variable, hidden=True)
            ones = Scores(everyone, [(everyone, np.ones((lists.configs, 1)))])
            self._add(total, (*variable.parents, name), lists, ones)
        for node in network.observed:
            if node.name in self.evidence.names_held:
                own = self._own(node.name)
                lists = _lists_of(self.model.knowledge, node.name, own, node, hidden=False)
                self._add(total, node.parents, lists, scores_of(node, self.evidence))
        return total * self.point**2

    def _own(self, name: str) -> tuple[tuple[str, str], ...]:
        """What bears on a node of the context."""
        keys = self.model.knowledge.node(name).context_keys()
        return tuple(sorted((k, v) for k, v in self.context.items() if k in keys))

    def _add(self, total: FloatArray, scope: Query, lists: _Lists, scores: Scores) -> None:
        """Add what the lists of one node make of each variance."""
        from loopodds.inference import slope_loops

        rows = scores.rows
        if not lists.count or not len(rows):
            return
        home = self.tree.home(scope)
        for number, entry in enumerate(self.paths[home]):
            together, states = self._joined(scope, entry.scope)
            many, felt = len(entry.names), self._felt_at(home, number)
            added = np.zeros((many, len(rows)))
            # by the states of the entry, or condition by condition, whichever is less to add up
            if lists.count * felt.shape[1] * many < (len(states) + lists.size) * many:
                chance = self._chance(home, together)[:, rows]
                seen = lists.by_states(scores, chance, entry.scope, states, felt.shape[1])
                slope_loops.squares(seen, felt[:, :, rows], added, np.empty(slope_loops.TOGETHER))
            else:
                moved = self._moved(home, number, scope, together, states)[:, :, rows]
                for place, each in enumerate(moved):
                    added[place] = (lists.summed(scores, each) ** 2).sum(axis=0)
            total[np.ix_(entry.names, rows)] += added
        difference = self._chance(home, scope, self.sound) - self._chance(home, scope)
        total[-1, rows] += (lists.summed(scores, difference[:, rows]) ** 2).sum(axis=0)

    def _moved(
        self, home: int, number: int, scope: Query, together: Query, states: IntArray
    ) -> FloatArray:
        """How far each condition of an entry moves the joint of a scope, shape (conditions,
        configurations, rows).
        """
        key = home, number, scope
        if key not in self._moves:
            chance, felt = self._chance(home, together), self._felt_at(home, number)
            configs = prod(self.tree.cards[name] for name in scope)
            moved = np.empty((len(felt), configs, self.rows))
            for each, own in zip(moved, felt, strict=True):
                each[:] = (chance * own[states]).reshape(configs, -1, self.rows).sum(axis=1)
            self._moves[key] = moved
        return self._moves[key]

    def _joined(self, first: Query, other: Query) -> tuple[Query, IntArray]:
        """Variables of both, and for each configuration of them that of the other."""
        together = (*first, *(name for name in other if name not in first))
        cards = tuple(self.tree.cards[name] for name in together)
        return together, position_map(together, cards, other)

    def _chance(
        self, clique: int, scope: Query, beliefs: list[FloatArray] | None = None
    ) -> FloatArray:
        """Joint of some variables of a clique, shape (configurations, rows)."""
        whole = (self.cliques if beliefs is None else beliefs)[clique]
        return marginal(whole, self.tree.plan.cliques[clique], scope).reshape(-1, self.rows)

    def _felt_at(self, clique: int, number: int) -> FloatArray:
        """P(condition | states of an entry) / P(condition) - 1: (conditions, states, rows)."""
        if (clique, number) not in self._felt:
            entry = self.paths[clique][number]
            self._felt[clique, number] = (
                self._own_fault(entry) if entry.source < 0 else self._passed(entry)
            )
        return self._felt[clique, number]

    def _own_fault(self, entry: Entry) -> FloatArray:
        names = list(self.model.conditions)
        members = np.stack([self.model.members(names[place]) for place in entry.names.tolist()])
        point = self.point[entry.names][:, None]
        given = np.divide(members[..., None], point, out=np.ones((*members.shape, self.rows)),
                          where=point > 0)  # fmt: skip
        return given - 1.0

    def _passed(self, entry: Entry) -> FloatArray:
        """What is felt across a separator: the mean of what is behind it, given its states."""
        states = prod(self.tree.cards[name] for name in entry.scope)
        felt = np.empty((len(entry.names), states, self.rows))
        reached = self._chance(entry.source, entry.scope)
        places = {name: i for i, name in enumerate(entry.names.tolist())}
        for number, behind in enumerate(self.paths[entry.source]):
            some = [i for i, name in enumerate(behind.names.tolist()) if name in places]
            if not some:
                continue
            together, place_of = self._joined(entry.scope, behind.scope)
            chance = self._chance(entry.source, together)
            before = self._felt_at(entry.source, number)
            for i in some:
                each = (chance * before[i][place_of]).reshape(len(reached), -1, self.rows)
                felt[places[int(behind.names[i])]] = each.sum(axis=1)
        return np.divide(felt, reached, out=np.zeros_like(felt), where=reached > 0)


def _beliefs(tree: JunctionTree, evidence: Evidence) -> list[FloatArray]:
    """Joint of every clique, shape (*cards, rows)."""
    scopes = tree.plan.cliques
    posterior = tree.propagate(evidence, dict.fromkeys(scopes))
    return [np.ascontiguousarray(np.moveaxis(posterior[scope], 0, -1)) for scope in scopes]


Sparse = tuple[IntArray, IntArray, FloatArray]
"""Numbers, configurations, and how much each counts."""


class _Lists:
    """The lists of one node as numbers that are uncorrelated and of variance one.

    Args:
        count: Of such numbers.
        configs: Configurations of the scope of the node.
        sparse: For each group of scores what they add to which number.
    """

    def __init__(self, count: int, configs: int, sparse: list[Sparse]) -> None:
        self.count, self.configs, self.sparse = count, configs, sparse
        self.size = sum(len(values) for *_, values in sparse)
        self._matrices: dict[tuple[int, Query], csr_array] = {}

    def summed(self, scores: Scores, chance: FloatArray) -> FloatArray:
        """Score of each number in all, shape (numbers, rows); ``chance`` is that of the scope."""
        return self.by_states(scores, chance, (), np.zeros(len(chance), np.int32), 1)[:, 0]

    def by_states(
        self, scores: Scores, chance: FloatArray, scope: Query, states: IntArray, count: int
    ) -> FloatArray:
        """Score of each number by the states of an entry, shape (numbers, states, rows).

        Args:
            chance: Joint of the scope of the node with more variables, last, shape
                (configurations, rows).
            scope, states, count: Of the entry: its variables, its state in each of these
                configurations, how many there are.
        """
        seen = np.zeros((self.count * count, chance.shape[1]))
        for group, (places, score) in enumerate(scores.by_group):
            if not (len(places) and len(self.sparse[group][0])):
                continue
            if (group, scope) not in self._matrices:
                self._matrices[group, scope] = self._matrix(group, states, count)
            here = chance if len(places) == chance.shape[1] else chance[:, places]
            weighed = here.reshape(self.configs, -1, here.shape[1]) * score[:, None]
            more = self._matrices[group, scope] @ weighed.reshape(here.shape)
            if len(places) == chance.shape[1]:
                seen += more
            else:
                seen[:, places] += more
        return seen.reshape(self.count, count, -1)

    def _matrix(self, group: int, states: IntArray, count: int) -> csr_array:
        from scipy.sparse import csr_array

        number, config, value = self.sparse[group]
        wide = len(states) // self.configs
        cells = config[:, None] * wide + np.arange(wide)
        rows = number[:, None] * count + states[cells]
        entries = np.broadcast_to(value[:, None], cells.shape)
        shape = (self.count * count, len(states))
        return csr_array((entries.ravel(), (rows.ravel(), cells.ravel())), shape=shape)


@lru_cache(maxsize=256)
def _lists_of(
    knowledge: Knowledge,
    name: str,
    context: tuple[tuple[str, str], ...],
    arrays: Discrete | GaugeNode,
    hidden: bool,
) -> _Lists:
    """The lists of a node in the part of a context that bears on it.

    A hidden node has its own states among its configurations and one group of scores.
    """
    node, known = knowledge.node(name), numbers_of(knowledge.node(name))
    cards, found = _one_by_one(arrays)
    config = np.arange(prod(cards)).reshape(cards)
    groups = 4 if isinstance(arrays, GaugeNode) else arrays.table.shape[-1]
    parts: list[list[Sparse]] = [[] for _ in range(groups)]
    firsts, count = dict[Path, int](), 0
    for term in terms_of(node, knowledge, dict(context), found):
        own = known[term.path]
        if not own.free:
            continue
        root = _root(own)
        if term.path not in firsts:
            firsts[term.path], count = count, count + root.shape[1]
        where = np.atleast_1d(config[term.where]).ravel()
        tally = term.values[:, *term.where].reshape(-1, term.values.shape[-1])
        each = (slope_by(own, tally) @ root).reshape(-1, len(where), root.shape[1])
        for group, values in enumerate(each):
            at, number = np.nonzero(values)
            parts[group].append((firsts[term.path] + number, where[at], values[at, number]))
    if isinstance(arrays, GaugeNode):
        deviations = np.sqrt(np.diag(known["misreading",].covariance))
        for group, deviation in enumerate(deviations, start=2):
            ones = np.full(config.size, deviation)
            parts[group].append((np.full(config.size, count), config.ravel(), ones))
            count += 1
    sparse = [_together(part) for part in parts]
    if not hidden or isinstance(arrays, GaugeNode):
        return _Lists(count, config.size, sparse)
    table = arrays.table.reshape(-1, groups)
    over = np.divide(1.0, table, out=np.zeros_like(table), where=table > 0)
    cells = [(n, at * groups + g, v * over[at, g]) for g, (n, at, v) in enumerate(sparse)]
    return _Lists(count, table.size, [_together(cells)])


def _one_by_one(arrays: Discrete | GaugeNode) -> tuple[tuple[int, ...], FloatArray | GaugeSlopes]:
    """Cards of the parents, and slopes of one everywhere: by each state, or mean and variance."""
    if isinstance(arrays, Discrete):
        cards, states = arrays.table.shape[:-1], arrays.table.shape[-1]
        each = np.eye(states).reshape(states, *[1] * len(cards), states)
        return cards, np.broadcast_to(each, (states, *cards, states)).copy()
    cards, no = arrays.mean.shape, np.zeros(2)
    ones, none = np.ones((1, *cards)), np.zeros((1, *cards))
    by_mean, by_variance = np.concatenate([ones, none]), np.concatenate([none, ones])
    return cards, GaugeSlopes(np.zeros_like(by_mean), by_mean, by_variance, no, no)


def _together(parts: list[Sparse]) -> Sparse:
    numbers, configs, values = zip(*parts, strict=True) if parts else ((), (), ())
    nothing = np.empty(0, np.int64)
    return (
        np.concatenate([nothing, *numbers]),
        np.concatenate([nothing, *configs]),
        np.concatenate([np.empty(0), *values]),
    )


def _root(numbers: Numbers) -> FloatArray:
    """Of the covariance of a list: times its transpose it is that, shape (numbers, numbers)."""
    if numbers.kind not in ("levels", "passing"):
        return np.diag(np.sqrt(np.diag(numbers.covariance)))
    p = numbers.values
    root = np.diag(np.sqrt(p)) - np.outer(p, np.sqrt(p))
    result: FloatArray = root[:, p > 0] / np.sqrt(numbers.grounds.weight + 1)
    return result
