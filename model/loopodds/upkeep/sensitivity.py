"""How far each number of the knowledge could be off before the verdict turns.

Any one table enters the probability of a hypothesis together with the evidence linearly:
P(y, e) is the sum over the table of what the rest of the network says times the table. The rest
is had from one batch, a row for each hypothesis. So P(y | e) is a ratio of two linear functions of
any number in which the table is linear (Coupé & van der Gaag 2002), known from two points; for
the numbers of a gauge it is had as exactly, from the likelihoods at any value.
"""

import itertools
from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import replace
from typing import Any, NamedTuple

import msgspec
import numpy as np

from loopodds.base.arrays import FloatArray, Query
from loopodds.diagnosis.belief import Belief
from loopodds.diagnosis.misreading import recorded_weights
from loopodds.diagnosis.weights import EVEN, clamp_of, overturned
from loopodds.inference.junction import JunctionTree
from loopodds.inference.likelihoods import gauge_density
from loopodds.inference.network import Discrete, Evidence, GaugeNode, Network
from loopodds.inference.subsets import Clamp
from loopodds.knowledge.records import SOUND
from loopodds.upkeep.dials import Dial, Made, gauge_at, knowledge_dials

GRID = 33
"""Values of a gauge's number at which the verdict is looked up before a turn is pinned down."""
MOST_STEPS = 10.0
"""Standard deviations beyond which a number is not thought to be off."""
MOST_CONFIRMED = 8
"""Turns that are recomputed from the whole network, the nearest first."""
END = 1e-5
"""Share of a number's range left out at either end."""


class Turn(NamedTuple):
    """A number at whose other value, ``steps`` standard deviations off, a rival overturns it."""

    dial: Dial
    leader: str
    rival: str
    value: float
    steps: float

    def as_json(self) -> dict[str, Any]:
        """Plain data."""
        return {
            "number": self.dial.place,
            "about": self.dial.about,
            "value": self.dial.value,
            "turns_at": self.value,
            "from": self.leader,
            "to": self.rival,
            "steps": self.steps,
            **msgspec.structs.asdict(self.dial.grounds),
        }


class Sensitivity:
    """One belief as a function of single numbers of the network.

    Args:
        evidence: One row.
        hypotheses: What may lead, each as states of hidden variables.
    """

    def __init__(
        self, tree: JunctionTree, evidence: Evidence, hypotheses: Mapping[str, Clamp]
    ) -> None:
        self._tree = tree
        self._evidence = evidence.merged()
        self._clamps: tuple[Clamp, ...] = ({}, *hypotheses.values())
        self.names = tuple(hypotheses)
        families = [(*v.parents, n) for n, v in tree.network.hidden.items()]
        self._joints, logs = self._clamped(self._evidence, families)
        self._scale = float(logs[0])
        self.now: FloatArray = np.exp(logs[1:] - self._scale)
        self._leader = int(self.now.argmax())
        self._rest: dict[str, FloatArray] = {}

    def _clamped(
        self, evidence: Evidence, queries: Iterable[Query]
    ) -> tuple[dict[Query, FloatArray], FloatArray]:
        """Joints and log evidence with nothing clamped, then with each hypothesis."""
        rows = len(self._clamps)
        batch = evidence.repeat(rows)
        soft = {}
        for name in {name for clamp in self._clamps for name in clamp}:
            free = np.ones(len(self._tree.network.states(name)))
            soft[name] = np.array([clamp.get(name, free) for clamp in self._clamps])
        posterior = self._tree.propagate(batch.with_soft(soft), queries)
        return posterior.joints, posterior.log_evidence

    def _rest_of(self, name: str) -> FloatArray:
        """What all but one table says: shape (1 + hypotheses, cells), relative to P(evidence).

        Cells are those of the table for a hidden variable, parent configurations otherwise.
        """
        if name not in self._rest:
            hidden = self._tree.network.hidden.get(name)
            if hidden is not None:
                family = (*hidden.parents, name)
                joint, weight = self._joints[family], np.append(1.0, self.now)
                table = hidden.table[None]
                rest = np.divide(joint, table, out=np.zeros_like(joint), where=table > 0)
            else:
                parents = self._tree.network.variable(name).parents
                joints, logs = self._clamped(self._evidence.without([name]), [parents])
                rest, weight = joints[parents], np.exp(logs - self._scale)
            self._rest[name] = rest.reshape(len(rest), -1) * weight[:, None]
        return self._rest[name]

    def _weights(self, dial: Dial, made: Made) -> FloatArray:
        """P(evidence) and P(hypothesis, evidence) with another table, relative to P(evidence)."""
        if dial.node in self._tree.network.hidden:
            assert isinstance(made, Discrete)
            cells = made.table.ravel()
        else:
            cells = _likelihood(made, self._evidence)
        result: FloatArray = self._rest_of(dial.node) @ cells
        return result

    def probabilities(self, dial: Dial, value: float) -> FloatArray:
        """P(hypothesis | evidence) with a number at another value, shape (hypotheses,)."""
        return self._chances(self._weights(dial, dial.make(value)))

    @staticmethod
    def _chances(weights: FloatArray) -> FloatArray:
        result: FloatArray = weights[1:] / weights[0]
        return result

    def line(self, dial: Dial) -> tuple[FloatArray, FloatArray]:
        """Slope in a number of a table, and value at zero, of P(e) and each P(y, e) over P(e).

        Shape (1 + hypotheses,); exact from two points far apart.
        """
        other = dial.lowest + (0.75 if dial.value < 0.5 else 0.25) * (dial.highest - dial.lowest)
        here, there = (self._weights(dial, dial.make(x)) for x in (dial.value, other))
        slope = (there - here) / (other - dial.value)
        return slope, here - slope * dial.value

    def observed(self) -> tuple[str, ...]:
        """Variables whose numbers can matter: all hidden ones and the findings seen."""
        seen = [n for n in self._evidence.names() if n not in self._tree.network.hidden]
        return (*self._tree.network.hidden, *seen)

    def turns(self, dial: Dial) -> list[Turn]:
        """Nearest value below and above the present one at which the verdict is overturned."""
        gauge = isinstance(dial.make(dial.value), GaugeNode)
        leader = self.names[self._leader]
        return [
            Turn(dial, leader, self.names[rival], value, abs(value - dial.value) / dial.doubt)
            for rival, value in (self._turns_of_gauge if gauge else self._turns_of_table)(dial)
        ]

    def _turns_of_table(self, dial: Dial) -> Iterator[tuple[int, float]]:
        """Where linear functions cross: the leader with a rival, and with half of everything.

        Past a crossing with a rival the rival stays ahead, so the verdict falls at the first of
        them or, if the leader is then still more likely than not, where that ends.
        """
        slopes, ends = self.line(dial)
        lead = 1 + self._leader
        with np.errstate(divide="ignore", invalid="ignore"):
            level = (ends[lead] - ends[1:]) / (slopes[1:] - slopes[lead])
            even = (ends[lead] - EVEN * ends[0]) / (EVEN * slopes[0] - slopes[lead])
        # at an end of the range the evidence may become impossible and all hypotheses draw level
        margin = END * (dial.highest - dial.lowest)
        lowest, highest = dial.lowest + margin, dial.highest - margin
        for side in (-1, 1):
            ahead = (level > lowest) & (level < highest) & (side * (level - dial.value) > 0)
            if not ahead.any():
                continue
            value = float(level[ahead][np.abs(level[ahead] - dial.value).argmin()])
            if slopes[lead] * value + ends[lead] > EVEN * (slopes[0] * value + ends[0]):
                if not (lowest < even < highest and side * (even - value) > 0):
                    continue
                value = float(even)
            weights = slopes[1:] * value + ends[1:]
            weights[self._leader] = -1.0
            yield int(weights.argmax()), value

    def _turns_of_gauge(self, dial: Dial) -> Iterator[tuple[int, float]]:
        moved = gauge_at(dial)

        def probabilities(value: float) -> FloatArray:
            return self._chances(self._weights(dial, moved(value)))

        def stands(value: float) -> bool:
            return not overturned(probabilities(value)[None], self._leader)[0]

        for end in (dial.lowest, dial.highest):
            places = np.linspace(dial.value, end, GRID)[:-1]
            for inside, outside in itertools.pairwise(map(float, places)):
                if not stands(outside):
                    value = _pinned(stands, inside, outside)
                    yield int(probabilities(value).argmax()), value
                    break

    def confirm(self, turn: Turn) -> bool:
        """Whether a full recomputation finds the verdict standing before the turn, and after it
        overturned by the rival.
        """
        dial = turn.dial
        step = 1e-6 * (turn.value - dial.value)
        before, after = (self._recomputed(dial, turn.value + side * step) for side in (-1, 1))
        fallen = overturned(np.array([before, after]), self._leader)
        return fallen.tolist() == [False, True] and self.names[int(after.argmax())] == turn.rival

    def _recomputed(self, dial: Dial, value: float) -> FloatArray:
        network = replaced(self._tree.network, dial.make(value))
        tree = JunctionTree(network, self._tree.compiled)
        clamps = dict(zip(self.names, self._clamps[1:], strict=True))
        return Sensitivity(tree, self._evidence, clamps).now


def sensitivity_of(belief: Belief) -> Sensitivity:
    """Sensitivity of the leading hypothesis of one car: the conditions and ``sound``."""
    model = belief.model
    clamps = {name: clamp_of(model, name) for name in (SOUND, *model.conditions)}
    return Sensitivity(model.tree(belief.context), belief.evidence, clamps)


def number_turns(belief: Belief) -> list[Turn]:
    """Every number of the knowledge that could turn the verdict, the least far off first."""
    sensitivity = sensitivity_of(belief)
    knowledge, context = belief.model.knowledge, belief.context
    turns = [
        turn
        for name in sensitivity.observed()
        for dial in knowledge_dials(knowledge, context, name)
        for turn in sensitivity.turns(dial)
    ]
    return sorted(turns, key=lambda turn: turn.steps)


def confirmed_turns(belief: Belief) -> list[Turn]:
    """The numbers that need be least far off, each turn confirmed by recomputing the network."""
    sensitivity = sensitivity_of(belief)
    near = [turn for turn in number_turns(belief) if turn.steps <= MOST_STEPS]
    return list(itertools.islice(filter(sensitivity.confirm, near), MOST_CONFIRMED))


def replaced(network: Network, made: Made) -> Network:
    """The network with one variable's distribution exchanged."""
    if isinstance(made, GaugeNode):
        return replace(network, gauges={**network.gauges, made.name: made})
    if made.name in network.hidden:
        return replace(network, hidden={**network.hidden, made.name: made})
    return replace(network, observables={**network.observables, made.name: made})


def _likelihood(made: Made, evidence: Evidence) -> FloatArray:
    """Likelihood of what was seen under each parent configuration, flat."""
    value, extra = evidence.numbers.get(made.name, (np.full(1, np.nan), np.zeros(1)))
    if isinstance(made, Discrete) or np.isnan(value[0]):
        table = made.table if isinstance(made, Discrete) else made.word_table
        result: FloatArray = table @ recorded_weights(made, evidence)
        return result.ravel()
    misread = made.share, made.wide
    return gauge_density(value[0], extra[0], made.mean, made.spread, misread).ravel()


def _pinned(leads: Callable[[float], bool], inside: float, outside: float) -> float:
    """First value beyond which the lead is lost, by halving to the last digits."""
    for _ in range(60):
        middle = (inside + outside) / 2
        inside, outside = (middle, outside) if leads(middle) else (inside, middle)
    return outside
