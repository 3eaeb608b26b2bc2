"""Weight of evidence shared among findings, whatever the order in which they came in.

The weight of a set of findings is the change they bring to a score (Good 1985). What one finding
adds depends on what is known already; its share is the average of what it adds over all orders
(Shapley 1953), the only division that sums to the whole and treats alike what acts alike.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from math import comb
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from loopodds.base.arrays import BoolArray, FloatArray, IntArray
from loopodds.base.errors import UnknownName, unknown_name
from loopodds.diagnosis.model import Beliefs, Model
from loopodds.inference.junction import JunctionTree
from loopodds.inference.network import Evidence
from loopodds.knowledge.records import SOUND

if TYPE_CHECKING:
    from loopodds.inference.subsets import Clamp

EVEN = 0.5


class Odds(NamedTuple):
    """A ratio of probabilities whose logarithm findings move.

    ``holds`` and ``against`` hold hidden variables to some of their states; without ``against``
    the ratio is to everything else than ``holds``.
    """

    holds: Clamp
    against: Clamp | None = None


def clamp_of(model: Model, name: str) -> Clamp:
    """States of the fault variables that make up a condition, or ``sound``.

    Raises:
        UnknownName: with the nearest spelling; for a fault variable, with its conditions.
    """
    if name == SOUND:
        return {fault: np.eye(len(model.states(fault)))[0] for fault in model.faults}
    if name in model.conditions:
        return {model.conditions[name].variable: model.members(name)}
    if name in model.faults:
        named = " and ".join(c.name for c in model.conditions.values() if c.variable == name)
        raise UnknownName(f"{name!r} is a fault variable; its conditions are {named}")
    raise unknown_name("condition", name, {**model.conditions, SOUND: "Sound"})


def odds_of(clamp: Clamp) -> Odds:
    """The odds of a hypothesis: its probability over that of the contrary.

    For one variable the contrary is summed on its own, so the odds stay exact near certainty.
    """
    if len(clamp) > 1:
        return Odds(clamp)
    return Odds(clamp, {name: 1.0 - weight for name, weight in clamp.items()})


def table_of_hypotheses(model: Model, beliefs: Beliefs) -> tuple[tuple[str, ...], FloatArray]:
    """``sound`` and every condition, with their probabilities, shape (rows, hypotheses)."""
    names = (SOUND, *model.conditions)
    return names, np.column_stack([model.probability(beliefs, name) for name in names])


def verdicts(model: Model, beliefs: Beliefs) -> list[str]:
    """The leading hypothesis of every row: the most probable condition, or ``sound``."""
    names, table = table_of_hypotheses(model, beliefs)
    return [names[i] for i in table.argmax(axis=1)]


def overturned(probabilities: FloatArray, leader: int) -> BoolArray:
    """Rows in which a verdict no longer stands, shape (rows,).

    Another hypothesis is more probable, and the old leader no longer more likely than not: two
    faults that are both all but certain do not overturn each other by a hair.

    ``probabilities`` has shape (rows, hypotheses); ``leader`` is the index of the one that led.
    """
    then = probabilities[:, leader]
    result: BoolArray = (then < probabilities.max(axis=1)) & (then < EVEN)
    return result


DECIBANS = 10 / np.log(10)
"""Decibans in a natural unit of log-odds (Good 1985)."""

EXACT_UP_TO = 20
LARGEST_COST = 2e8
"""Up to these, all subsets are evaluated: a million of them, in about a second."""

SAMPLED_ROWS = 8_000
SAMPLED_SEED = 1953

LEAST = 1e-300

ANYTHING: Clamp = {}

Probabilities = Callable[["Clamp"], FloatArray]
"""Probability of each of many sets of findings, together with a clamp."""


class Share(NamedTuple):
    """What one finding adds to a score, averaged over orders, and the doubt of a sampled average.

    Both in decibans. ``standard_error`` is zero where all orders were counted.
    """

    name: str
    decibans: float
    standard_error: float


@dataclass(frozen=True, slots=True)
class Shares:
    """A score before and after a set of findings, and the share of each."""

    before: float  # the score without the findings [decibans]
    after: float  # and with them
    shares: tuple[Share, ...]  # strongest first; they sum to ``after - before``
    orders: int  # sampled orders; 0 means that all were counted

    @property
    def total(self) -> float:
        """Change of the score by all findings together [decibans]."""
        return self.after - self.before

    def of(self, name: str) -> float:
        """Share of one finding [decibans]; zero for one that is not among them."""
        return next((share.decibans for share in self.shares if share.name == name), 0.0)


def share_out(
    tree: JunctionTree,
    evidence: Evidence,
    names: Sequence[str],
    asked: Sequence[Odds],
    exact_up_to: int = EXACT_UP_TO,
) -> tuple[Shares, ...]:
    """Shares of findings in the change of log-odds, one result for each of the ``asked``.

    The same whatever the order of ``names``. What is impossible counts as 1e-300.

    Args:
        evidence: One row.
        names: The findings to share among; all others stay known throughout.
        exact_up_to: Beyond this many findings, orders are sampled with a fixed seed; the shares
            still sum exactly to the whole, each with a standard error.
    """
    from loopodds.inference.subsets import SubsetSums

    ordered = sorted(names)
    if len(ordered) <= exact_up_to:
        sums = SubsetSums(tree, evidence, ordered)
        if sums.cost <= LARGEST_COST:
            return tuple(_exact(ordered, score) for score in _scores(asked, sums.probabilities))
    return _sampled(tree, evidence, ordered, asked)


def _scores(asked: Sequence[Odds], probabilities: Probabilities) -> Iterator[FloatArray]:
    """Decibans of odds from the probability of evidence together with each clamp, once each."""
    known: dict[int, FloatArray] = {}
    for odds in asked:
        clamps = (odds.holds, odds.against or ANYTHING)
        for clamp in clamps:
            if id(clamp) not in known:
                known[id(clamp)] = probabilities(clamp)
        holds, against = (known[id(clamp)] for clamp in clamps)
        if odds.against is None:
            against = against - holds
        ratio = np.log(np.clip(holds, LEAST, None)) - np.log(np.clip(against, LEAST, None))
        yield DECIBANS * ratio


def _exact(names: list[str], values: FloatArray) -> Shares:
    """From the scores of all subsets; bit i of an index says whether finding i is known."""
    count = len(names)
    size = np.zeros(1, dtype=int)
    for _ in names:
        size = np.concatenate([size, size + 1])
    # an order puts a given set of size s before finding i with probability s!(n-s-1)!/n!
    before = np.array([1 / (count * comb(count - 1, s)) for s in range(count)])
    weight = np.append(before, 0.0)[size]
    shares = np.empty(count)
    for i in range(count):
        split = values.reshape(-1, 2, 2**i)
        gain = split[:, 1] - split[:, 0]
        shares[i] = np.vdot(weight.reshape(-1, 2, 2**i)[:, 0], gain)
    return _shares(names, values[[0, -1]], shares, np.zeros(count), 0)


def _sampled(
    tree: JunctionTree, evidence: Evidence, names: list[str], asked: Sequence[Odds]
) -> tuple[Shares, ...]:
    """Random circles of findings: every start and both directions of each is one order.

    All those orders share the arcs of the circle, so ``2 n`` orders cost ``n (n - 1)`` rows, and
    every finding stands once at every place. The error is that of the mean over circles.
    """
    count = len(names)
    circles = max(8, SAMPLED_ROWS // (count * (count - 1)))
    rng = np.random.default_rng(SAMPLED_SEED)
    turns = [rng.permutation(count) for _ in range(circles)]
    ends = np.array([[False] * count, [True] * count])
    batch = evidence.subsets(names, np.concatenate([ends, *map(_arcs, turns)]))

    def probabilities(clamp: Clamp) -> FloatArray:
        wide = {name: np.tile(weight, (batch.rows, 1)) for name, weight in clamp.items()}
        result: FloatArray = np.exp(tree.propagate(batch.with_soft(wide)).log_evidence)
        return result

    return tuple(_from_circles(names, turns, score) for score in _scores(asked, probabilities))


def _from_circles(names: list[str], turns: Sequence[IntArray], values: FloatArray) -> Shares:
    count, circles = len(names), len(turns)
    grown = np.empty((circles, count, count + 1))
    grown[..., 0], grown[..., -1] = values[:2]
    grown[..., 1:-1] = values[2:].reshape(circles, count, count - 1)
    gains = np.empty((circles, count))
    for circle, turn in enumerate(turns):
        gains[circle, turn] = _mean_gain(grown[circle])
    error = gains.std(axis=0, ddof=1) / np.sqrt(circles)
    return _shares(names, values[:2], gains.mean(axis=0), error, 2 * count * circles)


def _shares(
    names: list[str], ends: FloatArray, values: FloatArray, errors: FloatArray, orders: int
) -> Shares:
    shares = list(map(Share, names, values.tolist(), errors.tolist()))
    shares.sort(key=lambda share: (-abs(share.decibans), share.name))
    return Shares(float(ends[0]), float(ends[1]), tuple(shares), orders)


def _arcs(turn: IntArray) -> BoolArray:
    """Sets of neighbours on a circle: row (start, length - 1), shape (n (n - 1), n)."""
    count = len(turn)
    place = np.empty(count, dtype=int)
    place[turn] = np.arange(count)
    start, length = np.arange(count)[:, None, None], np.arange(1, count)[None, :, None]
    inside: BoolArray = (place - start) % count < length
    return inside.reshape(-1, count)


def _mean_gain(values: FloatArray) -> FloatArray:
    """Mean gain by place on the circle over all starts in both directions.

    ``values[start, length]`` is the score of the arc of that length from that start. Going
    forward, place q joins the arc from q - l of length l; going backward, the one from q + 1.
    """
    count = len(values)
    place, length = np.arange(count)[:, None], np.arange(count)[None, :]
    start = (place - length) % count
    forward = values[start, length + 1] - values[start, length]
    backward = values[place, length + 1] - values[(place + 1) % count, length]
    result: FloatArray = (forward + backward).mean(axis=1) / 2
    return result
