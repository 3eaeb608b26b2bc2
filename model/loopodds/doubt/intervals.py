"""How far the probabilities of one car could lie, for the weights that its numbers have.

Delta method (Van Allen, Singh, Greiner & Hooper 2008): the variance of a posterior is that of the
numbers it was worked out from, times the square of its slope by each; a Beta with these moments
stands for it. It covers the stated weights, not a structure that is wrong.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import lru_cache
from typing import NamedTuple

import numpy as np

from loopodds.base.arrays import FloatArray
from loopodds.diagnosis.belief import Belief
from loopodds.diagnosis.model import Model
from loopodds.diagnosis.repaired_car import Origin
from loopodds.doubt.beta import beta_interval
from loopodds.doubt.chain import slope_by, tallies_of
from loopodds.doubt.numbers import Numbers, Path, number_words, numbers_of, place_words
from loopodds.inference.network import Evidence, GaugeNode
from loopodds.inference.slopes import GaugeSlopes, slopes
from loopodds.knowledge.records import SOUND, Knowledge


class Interval(NamedTuple):
    """Nine tenths of what a probability could be, and the deviation behind it."""

    low: float
    high: float
    deviation: float


class CountNext(NamedTuple):
    """The list of numbers that a probability's doubt hangs on most."""

    node: str
    place: str  # as ``charge.rows[8].p``
    about: str
    share: float  # of the variance
    weight: float  # in cars, now
    # counting so many lists, this first, on so many cars each would halve the deviation
    lists: int
    cars: float


@dataclass(frozen=True, slots=True, eq=False)
class Doubts:
    """Intervals of every condition and of ``sound``, and what lies behind each."""

    intervals: Mapping[str, Interval]
    parts: FloatArray  # variance by condition and list, shape (conditions and sound, lists)
    lists: tuple[Numbers, ...]
    knowledge: Knowledge

    def count_next(self, name: str) -> CountNext | None:
        """What to count next for a condition or ``sound``; None where nothing is open."""
        parts = self.parts[list(self.intervals).index(name)]
        total = float(parts.sum())
        if total <= 0:
            return None
        order = np.argsort(-parts, kind="stable")
        numbers = self.lists[order[0]]
        weights = np.array([self.lists[i].grounds.weight for i in order])
        many, cars = _halved(parts[order], weights)
        place = place_words(*numbers.key)
        about = number_words(self.knowledge.node(numbers.node), numbers.path)
        share = float(parts[order[0]]) / total
        return CountNext(numbers.node, place, about, share, numbers.grounds.weight, many, cars)


def _halved(parts: FloatArray, weights: FloatArray) -> tuple[int, float]:
    """How many lists, largest part first, on how many cars each to quarter the variance.

    Counting divides the part of a list by ``1 + cars / (weight + 1)``. As many are taken as leave
    no more than an eighth to the others, so that a count of some length is enough.
    """
    total = parts.sum()
    many = int(np.searchsorted(np.cumsum(parts), total * 7 / 8)) + 1
    counted, weight, rest = parts[:many], weights[:many] + 1, parts[many:].sum()
    low, high = 0.0, 1e9
    for _ in range(60):
        cars = (low + high) / 2
        left = (counted * weight / (weight + cars)).sum() + rest
        low, high = (cars, high) if left > total / 4 else (low, cars)
    return many, high


def doubts(belief: Belief, names: Sequence[str] = ()) -> Doubts:
    """Intervals for one car, also one that was repaired.

    The chance of a cure has no weight and counts as known; so does what old evidence comes to where
    it could not be followed.

    Args:
        names: Conditions, or ``sound``, that matter; all of them when left out.
    """
    model = belief.model
    names = tuple(names) or (*model.conditions, SOUND)
    point = np.array([belief.p_sound if n == SOUND else belief.condition(n) for n in names])
    moves, lists = _moves(model, belief.context, belief.evidence, names)
    moves = [point[:, None] * move for move in moves]
    parts = np.array([((m @ n.covariance) * m).sum(1) for m, n in zip(moves, lists, strict=True)]).T
    low, high = beta_interval(point, parts.sum(axis=1))
    deviations = np.sqrt(parts.sum(axis=1))
    found = zip(names, low.tolist(), high.tolist(), deviations.tolist(), strict=True)
    intervals = {name: Interval(*ends) for name, *ends in found}
    return Doubts(intervals, parts, tuple(lists), model.knowledge)


def _moves(
    model: Model, context: Mapping[str, str], evidence: Evidence, names: Sequence[str]
) -> tuple[list[FloatArray], list[Numbers]]:
    """Slope of the log probability of each condition or ``sound`` by each list of numbers.

    That of the log evidence with the condition supposed, less that without: one batch. Shape
    (names, numbers) each.
    """
    told = evidence.repeat(len(names) + 1).with_soft(_supposed(model, names))
    found = slopes(model.tree(context), told)
    moves: dict[tuple[str, Path], FloatArray] = {}
    lists: dict[tuple[str, Path], Numbers] = {}
    for name, here, given in _of_nodes(model, context, {**found.tables, **found.gauges}):
        known, node = _lists(model.knowledge, name), model.knowledge.node(name)
        for path, tally in tallies_of(node, model.knowledge, here, given).items():
            if known[path].free:
                slope = slope_by(known[path], tally)
                # what was before a repair hangs on the same numbers
                moves[name, path] = moves.get((name, path), 0.0) + slope[1:] - slope[:1]
                lists[name, path] = known[path]
    return [*moves.values()], [*lists.values()]


def _of_nodes(
    model: Model, context: Mapping[str, str], found: Mapping[str, FloatArray | GaugeSlopes]
) -> Iterator[tuple[str, Mapping[str, str], FloatArray | GaugeSlopes]]:
    """Slopes by the arrays of nodes of the knowledge, each in its context."""
    if not model.repairs:
        yield from ((name, context, given) for name, given in found.items())
        return
    contexts, stand = model.contexts(context), model.origins(context)
    for name, given in found.items():
        if name not in stand:
            continue
        origin = stand[name]
        network = model.plain.network(contexts[origin.moment])
        node = network.variable(origin.base)
        back: FloatArray | GaugeSlopes
        if isinstance(node, GaugeNode):
            assert isinstance(given, GaugeSlopes)
            held, mean, variance = (
                _taken_back(part, origin, node.mean.shape)
                for part in (given.held, given.mean, given.variance)
            )
            back = given._replace(held=held, mean=mean, variance=variance)
        else:
            assert not isinstance(given, GaugeSlopes)
            back = _taken_back(given, origin, node.table.shape)
        yield origin.base, contexts[origin.moment], back


def _taken_back(found: FloatArray, origin: Origin, shape: tuple[int, ...]) -> FloatArray:
    """Slopes by the cells that others were taken from, shape (groups, *shape)."""
    flat = found.reshape(len(found), -1) * origin.chance
    total = np.zeros((int(np.prod(shape)), len(found)))
    np.add.at(total, origin.cells, flat.T)
    return total.T.reshape(len(found), *shape)


@lru_cache(maxsize=4096)
def _lists(knowledge: Knowledge, name: str) -> Mapping[Path, Numbers]:
    return numbers_of(knowledge.node(name))


def _supposed(model: Model, names: Sequence[str]) -> dict[str, FloatArray]:
    """Likelihoods by fault variable: nothing, then each condition, or all faults sound."""
    soft = {name: np.ones((len(names) + 1, len(model.states(name)))) for name in model.faults}
    for row, name in enumerate(names, start=1):
        if name != SOUND:
            soft[model.conditions[name].variable][row] = model.members(name)
            continue
        for weights in soft.values():
            weights[row, 1:] = 0.0
    return soft
