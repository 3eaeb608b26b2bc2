"""Expectation and maximisation over an encoded archive, penalised by what the knowledge weighs.

Each pass is one propagation of all rows; what comes out of it are the slopes by every list of the
knowledge and the log-likelihood, which with the prior never falls from pass to pass.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Iterable, Iterator, Mapping
from concurrent.futures import Executor, Future, ThreadPoolExecutor
from dataclasses import dataclass
from functools import lru_cache
from typing import Any, NamedTuple, TypeVar

import numpy as np

from loopodds.archive.encoded import Piece
from loopodds.base.arrays import FloatArray
from loopodds.diagnosis.complaints import arriving, chances_in, stayed_away
from loopodds.doubt.chain import SlopeSums, slope_by
from loopodds.doubt.numbers import Numbers, Path, numbers_of, with_numbers
from loopodds.doubt.updating import log_prior, updated
from loopodds.inference.junction import JunctionTree
from loopodds.inference.slopes import Slopes, slopes
from loopodds.inspection.encoding import WAYS_IN
from loopodds.knowledge.assembly import build_network
from loopodds.knowledge.records import Knowledge
from loopodds.upkeep import confirmation
from loopodds.upkeep.confirmation import Rates, Way

Key = tuple[str, Path]
Values = dict[Key, FloatArray]
Done = TypeVar("Done")
LOTS, LOT_ROWS = 64, 128
"""Lots that rows are dealt into for the observed information, and rows dealt at a time."""
ENOUGH = 5e-5
"""Gain of the penalised log-likelihood a row below which the climb is at its top."""
MOST_PASSES = 60
HALVINGS = 6
LONGER, FURTHEST = 2.0, 16.0
"""How much longer each step that pays makes the next, and the longest."""
ROUNDING = 1e-9
"""Fall of the log-likelihood a row that is nothing but sums in another order."""


@dataclass(frozen=True, slots=True, eq=False)
class State:
    """Numbers of the knowledge that moved, and the error rates of outcomes."""

    values: Values
    rates: Mapping[str, Rates]

    def as_json(self) -> dict[str, Any]:
        """Plain data, for :meth:`of_json`."""
        values = [[name, list(path), v.tolist()] for (name, path), v in self.values.items()]
        return {"values": values, "rates": {n: list(rate) for n, rate in self.rates.items()}}

    @classmethod
    def of_json(cls, plain: Mapping[str, Any]) -> State:
        """From plain data."""
        values: Values = {(name, tuple(path)): np.array(v) for name, path, v in plain["values"]}
        return cls(values, {name: Rates(*rate) for name, rate in plain["rates"].items()})

    def towards(self, aim: State, share: float, lists: Mapping[Key, Numbers]) -> State:
        """A point on the way to another state, or beyond it where the share is above one.

        Chances and deviations go by their logarithm, so that they stay what they are.
        """
        values = {}
        for key, there in aim.values.items():
            kind, here = lists[key].kind, self.values.get(key, lists[key].values)
            values[key] = _mixed(kind, here, there, share)
        rates = {}
        for name, aimed in aim.rates.items():
            pairs = zip(self.rates[name], aimed, strict=True)
            both = [_mixed("levels", _pair(a), _pair(b), share)[0] for a, b in pairs]
            rates[name] = Rates(*map(float, both))
        return State(values, rates)


def _pair(chance: float) -> FloatArray:
    return np.array([chance, 1 - chance])


def _mixed(kind: str, here: FloatArray, there: FloatArray, share: float) -> FloatArray:
    some = (here > 0) & (there > 0)
    logs = np.log(np.where(some, here, 1.0)), np.log(np.where(some, there, 1.0))
    scaled = np.where(some, np.exp((1 - share) * logs[0] + share * logs[1]), there)
    if kind in ("levels", "passing"):
        chances: FloatArray = scaled / scaled.sum()
        return chances
    if kind == "shift":
        return np.array([(1 - share) * here[0] + share * there[0], scaled[1]])
    if kind == "slips":
        return np.array([_mixed("levels", _pair(here[0]), _pair(there[0]), share)[0], scaled[1]])
    return scaled


@dataclass(slots=True, eq=False)
class Told:
    """What one pass over the rows tells."""

    log_likelihood: float
    rows: float  # cars that they stand for
    tallies: dict[Key, FloatArray]  # shape (groups, ...)
    reports: FloatArray  # shape (ways, rates, 2)


class Step(NamedTuple):
    """A step of a climb: where it led, its gain a row, how far the next one reaches."""

    state: State
    gain: float
    reach: float
    over: bool  # whether it was the last


class Found(NamedTuple):
    """What the rows of one piece tell."""

    seen: Slopes
    reports: FloatArray  # expected, shape (ways, rates, 2)
    away: dict[str, FloatArray]  # slopes of the cars that stayed away, shape (groups, ...)
    came: float  # log chance that the cars came in as they did


Pieces = Callable[[], Iterable[Piece]]


class Learner:
    """Numbers of a knowledge, held by their weights, and rows that move them.

    Args:
        ways: Ways of confirming, with the weight of their rates.
        workers: Threads that share the rows; the compiled loops let each other work.
        census: Whether rows are cars as they come, so that their settings are learnt from too.
    """

    def __init__(
        self, knowledge: Knowledge, ways: Mapping[str, Way], workers: int = 2, census: bool = False
    ) -> None:
        self.knowledge, self.ways = knowledge, ways
        self.workers, self.census = workers, census
        # the same threads for every pass: each new one would have memory of its own, kept for good
        self._threads = ThreadPoolExecutor(workers)
        self.lists: dict[Key, Numbers] = {
            numbers.key: numbers
            for node in knowledge.nodes.values()
            for numbers in numbers_of(node).values()
            if numbers.free
        }

    @property
    def start(self) -> State:
        """The numbers as they stand in the files."""
        return State({}, confirmation.rates_of(self.ways))

    def knowledge_at(self, state: State) -> Knowledge:
        """The knowledge with other numbers."""
        by_node: dict[str, dict[Path, FloatArray]] = {}
        for (name, path), numbers in state.values.items():
            by_node.setdefault(name, {})[path] = numbers
        nodes = {n: with_numbers(self.knowledge.node(n), v) for n, v in by_node.items()}
        return self.knowledge.changed(nodes={**self.knowledge.nodes, **nodes})

    def penalty(self, state: State) -> float:
        """Log-likelihood of what the weights stand for, up to a constant."""
        moved = sum(log_prior(self.lists[key], now) for key, now in state.values.items())
        still = sum(
            log_prior(numbers, numbers.values)
            for key, numbers in self.lists.items()
            if key not in state.values
        )
        return moved + still + confirmation.log_prior(state.rates, self.ways)

    def step(self, state: State, told: Told) -> State:
        """The state in which what was told, and the weights, are likeliest."""
        values = dict(state.values)
        for key, tally in told.tallies.items():
            held = self.lists.get(key)
            if held is not None:
                values[key] = updated(held, state.values.get(key, held.values), tally[0])
        return State(values, confirmation.learnt_rates(told.reports, self.ways))

    def climb(
        self,
        pieces: Pieces,
        state: State,
        watch: Callable[[Step], None] | None = None,
        passes: int = MOST_PASSES,
        reach: float = 1.0,
        enough: float = ENOUGH,
    ) -> tuple[State, list[float]]:
        """Pass after pass until one gains too little; the log-likelihood with the prior of each.

        A step goes beyond where it leads as long as that pays (Salakhutdinov & Roweis 2003), and is
        taken back to it, or halved, where it would lose: a gauge keeps two moments of a mixture of
        contexts that are not stated, so that even the step itself may go too far. From a step that
        was watched, with its reach, the climb goes on as if it had never stopped.
        """
        heights: list[float] = []
        here, told = state, self.expect(pieces, state)
        heights.append(told.log_likelihood + self.penalty(state))
        for _ in range(passes):
            aim, floor = self.step(here, told), heights[-1] - ROUNDING * told.rows
            for share in (reach, *(0.5**halving for halving in range(reach == 1.0, HALVINGS))):
                there = aim if share == 1.0 else here.towards(aim, share, self.lists)
                seen = self.expect(pieces, there)
                height = seen.log_likelihood + self.penalty(there)
                if height >= floor:
                    break
            else:
                break
            reach = min(reach * LONGER, FURTHEST) if share == reach else 1.0
            gain = (height - heights[-1]) / max(told.rows, 1)
            here, told = there, seen
            heights.append(height)
            over = gain < enough and share <= 1.0
            reach = 1.0 if gain < enough else reach
            if watch is not None:
                watch(Step(here, gain, reach, over))
            if over:
                break
        return here, heights

    def expect(self, pieces: Pieces, state: State) -> Told:
        """One pass: slopes by every list, expected reports, log-likelihood."""
        knowledge = self.knowledge_at(state)
        total = Told(0.0, 0, {}, np.zeros((len(self.ways), len(confirmation.RATES), 2)))
        sums = SlopeSums(knowledge)
        told = self.each(lambda one: self.piece_slopes(one, knowledge, state.rates), pieces)
        for piece, found in told:
            total.log_likelihood += piece.weight * float(found.seen.log_evidence.sum()) - found.came
            total.rows += piece.weight * len(piece.numbers)
            total.reports += found.reports
            sums.add(piece.context, found.seen.by_name)
            sums.add(piece.context, found.away)
        total.tallies.update(sums.tallies())
        return total

    def each(self, work: Callable[[Piece], Done], pieces: Pieces) -> Iterator[tuple[Piece, Done]]:
        """Pieces with what work made of them, in order, a few being worked on at a time."""
        return in_turn(self._threads, work, pieces(), self.workers + 1)

    def information(self, pieces: Pieces, state: State) -> dict[Key, tuple[FloatArray, FloatArray]]:
        """Observed information of every list, and what all rows tell of it together.

        From the slopes of lots of rows, dealt out in turn: how far those of a lot lie from what its
        share of the rows would tell (Louis 1982, by lots). The second is a tally.
        """
        knowledge = self.knowledge_at(state)
        seen, away = SlopeSums(knowledge, LOTS), SlopeSums(knowledge, LOTS)
        sizes = np.zeros(LOTS)
        told = self.each(
            lambda one: self.piece_slopes(one, knowledge, state.rates), lambda: dealt(pieces())
        )
        for turn, (piece, found) in enumerate(told):
            lot = turn % LOTS
            sizes[lot] += len(piece.numbers)
            seen.add(piece.context, found.seen.by_name, lot)
            away.add(piece.context, found.away, lot)
        expected, others = sizes[:, None] / sizes.sum(), away.tallies()
        found_all = {}
        for place, tally in seen.tallies().items():
            if place not in self.lists:
                continue
            held = self.lists[place]
            slope = slope_by(held, tally + others.get(place, 0.0))
            if held.kind in ("levels", "passing"):
                now = state.values.get(place, held.values)
                slope = slope - (slope @ now)[:, None]
            apart = slope - expected * slope.sum(axis=0)
            found_all[place] = (apart**2).sum(axis=0) * LOTS / (LOTS - 1), tally.sum(axis=0)
        return found_all

    def piece_slopes(
        self,
        piece: Piece,
        knowledge: Knowledge,
        rates: Mapping[str, Rates],
        weights: FloatArray | None = None,
    ) -> Found:
        """What the rows of a piece tell, by groups of weights; without, by cars they stand for."""
        tree = tree_of(knowledge, tuple(piece.context.items()))
        reports = confirmation.reports_of(piece, rates)
        told = piece.evidence.with_soft(reports.soft)
        weights = np.full((1, told.rows), piece.weight) if weights is None else weights
        found = slopes(tree, told, weights, [(fault,) for fault in reports.chances])
        posteriors = {fault: found.joints[fault,] for fault in reports.chances}
        counts = piece.weight * confirmation.counts_of(reports, posteriors, len(self.ways))
        return Found(found, counts, *self._away(piece, tree, weights))

    def _away(
        self, piece: Piece, tree: JunctionTree, weights: FloatArray
    ) -> tuple[dict[str, FloatArray], float]:
        """Slopes of the cars that stayed away, and the log chance that the others came as they did.

        What is learnt is how likely a record is given how the car came in, which a workshop may
        choose. That is less steep by just these slopes, and as counts they make expectation and
        maximisation climb it (Dempster, Laird & Rubin 1977, section 4.2, on truncated samples).
        """
        way = self._ways_in(piece)
        if not way.any():
            return {}, 0.0
        everybody = arriving(self.knowledge)
        cars = np.exp(tree.propagate(everybody).log_evidence)
        found = slopes(tree, everybody, stayed_away(weights @ way, cars))
        return found.tables, float((weights @ way @ _log(chances_in(cars))).sum())

    def _ways_in(self, piece: Piece) -> FloatArray:
        """One in the column of the way in that is stated of each row, shape (rows, ways)."""
        here = np.full(len(piece.numbers), -1) if self.census else piece.came_in
        ways: FloatArray = (here[:, None] == np.arange(len(WAYS_IN))).astype(np.float64)
        return ways

    def scores(self, pieces: Pieces, state: State) -> tuple[FloatArray, FloatArray]:
        """Log evidence of every row given how it came in, and of its outcomes given the rest (nan
        where it has none).
        """
        knowledge = self.knowledge_at(state)
        told = self.each(lambda one: self._scores(one, knowledge, state.rates), pieces)
        whole, outcome = zip(*(scores for _, scores in told), strict=True)
        return np.concatenate(whole), np.concatenate(outcome)

    def _scores(
        self, piece: Piece, knowledge: Knowledge, rates: Mapping[str, Rates]
    ) -> tuple[FloatArray, FloatArray]:
        tree = tree_of(knowledge, tuple(piece.context.items()))
        reports = confirmation.reports_of(piece, rates)
        with_them = tree.propagate(piece.evidence.with_soft(reports.soft)).log_evidence
        without = tree.propagate(piece.evidence).log_evidence
        has = np.zeros(len(with_them), bool)
        for way, _ in reports.chances.values():
            has |= way >= 0
        cars = np.exp(tree.propagate(arriving(self.knowledge)).log_evidence)
        whole = with_them - self._ways_in(piece) @ _log(chances_in(cars))
        return whole, np.where(has, with_them - without, np.nan)


@lru_cache(maxsize=4)
def tree_of(knowledge: Knowledge, context: tuple[tuple[str, str], ...]) -> JunctionTree:
    """The tree of a context, kept for the pieces that follow."""
    return JunctionTree(build_network(knowledge, dict(context)), True)


def _log(chances: FloatArray) -> FloatArray:
    """Of chances; zero where there is none, for no car came that way."""
    return np.asarray(np.log(np.where(chances > 0, chances, 1.0)))


def dealt(pieces: Iterable[Piece]) -> Iterator[Piece]:
    """The rows of pieces, so many at a time."""
    for piece in pieces:
        for start in range(0, len(piece.numbers), LOT_ROWS):
            yield piece.take(np.arange(start, min(start + LOT_ROWS, len(piece.numbers))))


def in_turn(
    executor: Executor, work: Callable[[Piece], Done], parts: Iterable[Piece], ahead: int
) -> Iterator[tuple[Piece, Done]]:
    """Results in the order of the parts, so many of them being worked on at a time."""
    waiting: deque[tuple[Piece, Future[Done]]] = deque()
    for part in parts:
        waiting.append((part, executor.submit(work, part)))
        if len(waiting) >= ahead:
            done, future = waiting.popleft()
            yield done, future.result()
    for done, future in waiting:
        yield done, future.result()
