"""The network as arrays: hidden variables, observables and gauges, and the evidence on them.

A :class:`Network` comes from the knowledge, fixed to one context, or from any list of discrete
tables. Variables without children are observables: they never enter the junction tree but are
absorbed as likelihoods over their parents.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property
from graphlib import CycleError, TopologicalSorter
from math import erfc, sqrt
from typing import TypeVar, final

import numpy as np

from loopodds.base.arrays import FloatArray, IntArray
from loopodds.base.errors import KnowledgeError, unknown_name


@final
@dataclass(frozen=True, slots=True, eq=False)
class Discrete:
    """A variable with states; ``table`` has shape (*parent cards, card), last axis sums to one."""

    name: str
    states: tuple[str, ...]
    parents: tuple[str, ...]
    table: FloatArray


@final
@dataclass(frozen=True, eq=False)
class GaugeNode:
    """A measured number: mixture of a Gaussian by parent configuration and a wide misreading.

    ``mean`` and ``spread`` have shape (*parent cards); the misreading has weight ``share`` and
    is Gaussian around the sound value (zero) with standard deviation ``wide``. ``states`` are the
    words for the intervals between ``cuts``; who says a word compares by eye, which adds
    ``word_doubt`` (standard deviation) to both.
    """

    name: str
    states: tuple[str, ...]
    parents: tuple[str, ...]
    mean: FloatArray
    spread: FloatArray
    share: float
    wide: float
    cuts: tuple[float, ...]
    word_doubt: float = 0.0

    @cached_property
    def pairs(self) -> tuple[FloatArray, FloatArray, IntArray]:
        """Distinct pairs of mean and spread, and which of them each configuration has; read-only.

        Shapes (pairs,), (pairs,) and (*parent cards): many configurations share one.
        """
        both = self.mean.ravel() + 1j * self.spread.ravel()
        found, pair = np.unique(both, return_inverse=True)
        parts = found.real.copy(), found.imag.copy(), pair.astype(np.int32).reshape(self.mean.shape)
        for part in parts:
            part.flags.writeable = False
        return parts

    @cached_property
    def word_table(self) -> FloatArray:
        """P(word | parents) without extra spread, shape (*parent cards, words); read-only.

        Intervals of the mixture, computed once for each distinct mean and spread.
        """
        mean, spread, pair = self.pairs
        edges = np.array([-np.inf, *self.cuts, np.inf])
        near = normal_cdf((edges - mean[:, None]) / np.hypot(spread, self.word_doubt)[:, None])
        far = normal_cdf(edges / np.hypot(self.wide, self.word_doubt))
        table = np.diff((1 - self.share) * near + self.share * far, axis=-1)[pair]
        table.flags.writeable = False
        return table


_Node = TypeVar("_Node", Discrete, GaugeNode)


def normal_cdf(z: FloatArray) -> FloatArray:
    """Standard normal distribution function, shape kept."""
    flat = np.array([0.5 * erfc(-x / sqrt(2)) for x in np.ravel(z)])
    return flat.reshape(z.shape)


@dataclass(frozen=True, slots=True, eq=False)
class Evidence:
    """What is known about a batch of inspections."""

    rows: int
    # state index of a hidden variable, an observable or a gauge word, shape (rows,); -1 is not
    # observed
    codes: Mapping[str, IntArray] = field(default_factory=dict)
    # relative likelihoods, shape (rows, states); a row of ones says nothing
    soft: Mapping[str, FloatArray] = field(default_factory=dict)
    # gauge value less its sound expectation, and extra spread (standard deviation), both in the
    # gauge's scale, shape (rows,); NaN is not read
    numbers: Mapping[str, tuple[FloatArray, FloatArray]] = field(default_factory=dict)
    # relative likelihoods that follow from the circumstances, shape (rows, states): used as
    # ``soft`` is, but their names count as not observed
    implied: Mapping[str, FloatArray] = field(default_factory=dict)

    @property
    def names_held(self) -> tuple[str, ...]:
        """Names of which at least one row may hold something, each once."""
        return tuple(dict.fromkeys([*self.codes, *self.soft, *self.numbers]))

    def take(self, rows: IntArray | slice) -> Evidence:
        """The evidence of some rows."""
        count = len(range(*rows.indices(self.rows))) if isinstance(rows, slice) else len(rows)
        return Evidence(
            count,
            {name: code[rows] for name, code in self.codes.items()},
            {name: weight[rows] for name, weight in self.soft.items()},
            {name: (v[rows], s[rows]) for name, (v, s) in self.numbers.items()},
            {name: weight[rows] for name, weight in self.implied.items()},
        )

    def shared(self) -> frozenset[str]:
        """Names of which all rows hold the same."""
        if self.rows == 1:
            return frozenset({*self.codes, *self.soft, *self.numbers})
        codes = {name for name, code in self.codes.items() if (code == code[0]).all()}
        soft = {name for name, weight in self.soft.items() if (weight == weight[0]).all()}
        numbers = {n for n, pair in self.numbers.items() if all(map(_constant, pair))}
        differ = {*self.codes} - codes | {*self.soft} - soft | {*self.numbers} - numbers
        return frozenset(codes | soft | numbers) - differ

    def repeat(self, times: int) -> Evidence:
        """Every row ``times`` times in turn: the start of a batch of variations."""
        return self.take(np.repeat(np.arange(self.rows), times))

    def with_soft(self, soft: Mapping[str, FloatArray]) -> Evidence:
        """The same with further likelihoods, multiplied onto those already there."""
        merged = dict(self.soft)
        for name, weight in soft.items():
            merged[name] = merged[name] * weight if name in merged else weight
        return Evidence(self.rows, self.codes, merged, self.numbers, self.implied)

    def without(self, names: Iterable[str]) -> Evidence:
        """The same with some names not observed."""
        gone = set(names)
        return Evidence(
            self.rows,
            {name: code for name, code in self.codes.items() if name not in gone},
            {name: weight for name, weight in self.soft.items() if name not in gone},
            {name: pair for name, pair in self.numbers.items() if name not in gone},
            self.implied,
        )

    def in_full(self, words: Sequence[str], gauges: Sequence[str]) -> Evidence:
        """The same with a place for each of some names, first and in their order, empty where
        nothing was observed: batches with the same places are laid out alike.
        """
        unseen = np.full(self.rows, -1, np.int8)
        unread = np.full(self.rows, np.nan), np.zeros(self.rows)
        codes, numbers = dict.fromkeys(words, unseen), dict.fromkeys(gauges, unread)
        return replace(self, codes={**codes, **self.codes}, numbers={**numbers, **self.numbers})

    def merged(self) -> Evidence:
        """The same with all that is known of one variable in one row made one likelihood.

        A state seen weighs one and the others nothing; times the doubt, that is still a
        statement about a single value, not about two copies of the variable. So is what the
        circumstances imply of it.
        """
        told = self.with_soft(self.implied) if self.implied else self
        codes, soft = dict(told.codes), dict(told.soft)
        for name in codes.keys() & soft.keys():
            code, weight = codes[name][:, None], soft[name]
            both = (code[:, 0] >= 0) & (np.ptp(weight, axis=1) > 0)
            if both.any():
                seen = code == np.arange(weight.shape[1])
                soft[name] = np.where(both[:, None], weight * seen, weight)
                codes[name] = np.where(both, -1, codes[name])
        return Evidence(self.rows, codes, soft, self.numbers)

    def names(self, row: int = 0) -> tuple[str, ...]:
        """Names observed in a row, each once, in the order they are held."""
        seen = [name for name, code in self.codes.items() if code[row] >= 0]
        seen += [name for name, weight in self.soft.items() if np.ptp(weight[row]) > 0]
        seen += [name for name, (value, _) in self.numbers.items() if not np.isnan(value[row])]
        return tuple(dict.fromkeys(seen))

    def subsets(self, names: Sequence[str], masks: FloatArray | IntArray) -> Evidence:
        """One row of evidence with parts of it hidden: a batch of variations.

        Args:
            names: What the masks decide on; all others stay as they are.
            masks: True where a name stays observed, shape (variations, len(names)).
        """
        hidden = {name: ~np.asarray(masks[:, i], dtype=bool) for i, name in enumerate(names)}
        batch = self.repeat(len(masks))
        for name, rows in hidden.items():
            if name in batch.codes:
                batch.codes[name][rows] = -1
            if name in batch.soft:
                batch.soft[name][rows] = 1.0
            if name in batch.numbers:
                batch.numbers[name][0][rows] = np.nan
        return batch

    def only(self, names: Iterable[str]) -> Evidence:
        """The same with nothing but the given names observed."""
        return self.without({*self.codes, *self.soft, *self.numbers}.difference(names))


def _constant(values: FloatArray) -> bool:
    """Whether numbers are all the same, or all missing."""
    return bool((values == values[0]).all() or np.isnan(values).all())


@dataclass(frozen=True, slots=True, eq=False)
class Network:
    """Hidden variables in topological order, and the observables that hang on them."""

    hidden: Mapping[str, Discrete]
    observables: Mapping[str, Discrete]
    gauges: Mapping[str, GaugeNode]

    @classmethod
    def of_tables(cls, variables: Sequence[Discrete]) -> Network:
        """Network of discrete tables; variables without children become observables.

        Raises:
            KnowledgeError: if a parent is missing, a shape does not fit, a row does not sum to one
                or the arcs form a cycle.
        """
        by_name = {variable.name: variable for variable in variables}
        if len(by_name) != len(variables):
            raise KnowledgeError("two variables of the network share a name")
        for variable in variables:
            _check(variable, by_name)
        # Without a single arc there is nothing to observe: all are hidden.
        hidden = {parent for v in variables for parent in v.parents} or by_name
        order = topological({v.name: v.parents for v in variables})
        return cls(
            {n: by_name[n] for n in order if n in hidden},
            {n: by_name[n] for n in order if n not in hidden},
            {},
        )

    @property
    def observed(self) -> list[Discrete | GaugeNode]:
        """Observables and gauges."""
        return [*self.observables.values(), *self.gauges.values()]

    def states(self, name: str) -> tuple[str, ...]:
        """States (or words) of any variable; raises as :meth:`variable` does."""
        return self.variable(name).states

    def variable(self, name: str) -> Discrete | GaugeNode:
        """Hidden variable, observable or gauge by name.

        Raises:
            UnknownName: with the nearest spelling.
        """
        node = self.hidden.get(name) or self.observables.get(name) or self.gauges.get(name)
        if node is None:
            known = [*self.hidden, *self.observables, *self.gauges]
            raise unknown_name("variable", name, known)
        return node

    def holds(self, names: Iterable[str]) -> bool:
        """Whether every name is one of its variables."""
        kinds = self.hidden, self.observables, self.gauges
        return all(any(name in kind for kind in kinds) for name in names)

    def relevant(self, names: Iterable[str]) -> Network:
        """What bears on some variables: they and their ancestors.

        Other variables, on which nothing was seen, sum to one (Shachter 1986): posteriors of what
        is left, and the log evidence, are those of the whole.
        """
        wanted, waiting = set[str](), [*names]
        while waiting:
            name = waiting.pop()
            if name not in wanted:
                wanted.add(name)
                waiting += self.variable(name).parents
        return Network(
            {name: v for name, v in self.hidden.items() if name in wanted},
            {name: v for name, v in self.observables.items() if name in wanted},
            {name: v for name, v in self.gauges.items() if name in wanted},
        )

    def given(self, fixed: Mapping[str, int]) -> tuple[Network, float]:
        """The network over the other hidden variables once some are fixed to a state.

        Its tables are sliced, so that those of the fixed variables' own probabilities sum to less
        than one: the log evidence it gives is log P(evidence, fixed) less the returned constant,
        the log of the factors that depend on nothing any more.
        """
        constant = 0.0
        hidden: dict[str, Discrete] = {}
        loose: dict[str, Discrete] = {}
        for name, variable in self.hidden.items():
            sliced = _fix(variable, fixed)
            if name not in fixed:
                hidden[name] = sliced
                continue
            column = sliced.table[..., fixed[name]]
            if sliced.parents:
                loose[name] = Discrete(name, ("fixed",), sliced.parents, column[..., None])
            else:
                constant += float(np.log(column)) if column > 0 else -np.inf
        observables = {name: _fix(v, fixed) for name, v in self.observables.items()}
        gauges = {name: _fix(g, fixed) for name, g in self.gauges.items()}
        return Network({**hidden, **loose}, observables, gauges), constant


def _fix(node: _Node, fixed: Mapping[str, int]) -> _Node:
    index = tuple(fixed.get(parent, slice(None)) for parent in node.parents)
    parents = tuple(parent for parent in node.parents if parent not in fixed)
    if isinstance(node, Discrete):
        return replace(node, parents=parents, table=node.table[index])
    mean, spread = np.asarray(node.mean[index]), np.asarray(node.spread[index])
    return replace(node, parents=parents, mean=mean, spread=spread)


def _check(variable: Discrete, by_name: Mapping[str, Discrete]) -> None:
    for parent in variable.parents:
        if parent not in by_name:
            raise KnowledgeError(f"{variable.name}: {unknown_name('parent', parent, by_name)}")
    shape = (*(len(by_name[p].states) for p in variable.parents), len(variable.states))
    if variable.table.shape != shape:
        raise KnowledgeError(f"{variable.name}: table {variable.table.shape}, expected {shape}")
    sums = variable.table.sum(axis=-1)
    if variable.table.min() < 0 or np.abs(sums - 1).max() > 1e-6:
        raise KnowledgeError(f"{variable.name}: probabilities below zero or not summing to one")


def discrete_variables(network: Network) -> list[Discrete]:
    """Every variable with a table, parents first; gauges as their words."""
    worded = [Discrete(g.name, g.states, g.parents, g.word_table) for g in network.gauges.values()]
    return [*network.hidden.values(), *network.observables.values(), *worded]


def topological(parents: Mapping[str, Sequence[str]]) -> list[str]:
    """Names level by level, every parent before its children, within a level in the order given.

    Raises:
        KnowledgeError: naming the variables of a cycle.
    """
    rank = {name: place for place, name in enumerate(parents)}
    sorter = TopologicalSorter({n: [p for p in above if p in rank] for n, above in parents.items()})
    try:
        sorter.prepare()
    except CycleError as error:
        ring = ", ".join(sorted(set(error.args[1])))
        raise KnowledgeError(f"the arcs form a cycle among {ring}") from error
    order: list[str] = []
    while sorter.is_active():
        level = sorted(sorter.get_ready(), key=rank.__getitem__)
        sorter.done(*level)
        order += level
    return order
