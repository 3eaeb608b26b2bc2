"""Whether a test having been done still tells of the fault, given all that is recorded.

Who tests because of what is on record does no harm: given the record, that a test was done says
nothing more (Rubin 1976). Who tests because of something that nobody wrote down makes what the test
looks for look commoner than it is. Two signs of it are looked for. Among the cars of which the
outcome was confirmed, the fault is commoner than their record, results of the test included,
foretells where it was done, and rarer where it was not. Among the cars on which it was done, its
results lie further from what the rest of their record foretells than the weights of the knowledge
allow, or than on the cars of which the archive says why it was done.
"""

from __future__ import annotations

from collections.abc import Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from math import erfc, sqrt
from typing import Any, NamedTuple

import numpy as np

from loopodds.archive.encoded import Piece
from loopodds.base.arrays import BoolArray, FloatArray, IntArray
from loopodds.diagnosis.simulation import hide
from loopodds.doubt.chain import SlopeSums, slope_by
from loopodds.inference.junction import JunctionTree
from loopodds.inference.likelihoods import implied_table, interval_codes
from loopodds.inference.network import Evidence, GaugeNode
from loopodds.inference.slopes import Slopes, slopes
from loopodds.inspection.encoding import veil
from loopodds.knowledge.assembly import build_network
from loopodds.knowledge.records import Knowledge
from loopodds.upkeep.confirmation import reports_of
from loopodds.upkeep.estimation import Learner, Pieces, State
from loopodds.upkeep.habits import is_explained, sound_state, told_of, yields_of

FALSE_DISCOVERIES = 0.02
ENOUGH_EXPLAINED = 50
"""Rows with a reason on record that can stand as the measure of the others."""
LEAST_ROWS = 20
MOST_ROWS = 2000
"""Rows of a test that are looked at, taken evenly."""
MOST_SLOPES = 300
"""Rows among these whose slopes say how far the weights let the foretold share be wrong."""


class Look(NamedTuple):
    """One sign of a test: what was foretold and what was seen where it was done.

    Of a fault both are shares of confirmed cars on which it was done; what was seen is corrected by
    how far those on which it was not done lie from what their record foretells.
    """

    test: str
    finding: str  # of the test; or the fault that it tells of most
    rows: int  # done with the reason left open
    foretold: float  # share that is not as on a sound car
    seen: float
    doubt: float  # standard deviation of the difference, chance and weights together
    p_value: float
    explained: int  # rows with a reason on record that were taken as the measure; 0 is the weights


class Selection(NamedTuple):
    """What was found of all tests, and which are driven by something unrecorded."""

    looks: tuple[Look, ...]
    driven: tuple[Look, ...]  # the most telling finding of each test, least p-value first


@dataclass(slots=True, eq=False)
class _Sample:
    """Rows of one finding: where they stand, what was seen and foretold."""

    surprise: list[FloatArray] = field(default_factory=list)
    foretold: list[FloatArray] = field(default_factory=list)
    explained: list[BoolArray] = field(default_factory=list)


def selection(learner: Learner, pieces: Pieces, state: State, taught: State) -> Selection:
    """Look at every test; those driven are named with false discoveries held at one in fifty.

    Args:
        state: Numbers with whose weights results of tests are compared.
        taught: Numbers that fit the archive, with which outcomes are compared.
    """
    yields = yields_of(learner.knowledge)
    share = _shares(pieces, yields)
    samples: dict[tuple[str, str], _Sample] = {}
    for piece in pieces():
        tree = JunctionTree(build_network(learner.knowledge, piece.context), True)
        told = piece.evidence.with_soft(reports_of(piece, state.rates).soft)
        for test, names in yields.items():
            for name, rows, seen, foretold in _looked(piece, told, tree, names, share, learner):
                sample = samples.setdefault((test, name), _Sample())
                sample.surprise.append(seen - foretold)
                sample.foretold.append(foretold)
                sample.explained.append(is_explained(piece, test)[rows])
    looks = [look for key, s in samples.items() if (look := _look(*key, s)) is not None]
    near = {
        look.finding for look in looks if look.p_value < FALSE_DISCOVERIES and not look.explained
    }
    spread = _spread_by_weights(learner, pieces, state, near, share, yields)
    looks = [_with_weights(look, spread.get(look.finding, 0.0)) for look in looks]
    looks += _outcomes(learner, pieces, taught, yields)
    return Selection(tuple(looks), tuple(_named(looks)))


def _outcomes(
    learner: Learner, pieces: Pieces, state: State, yields: Mapping[str, Sequence[str]]
) -> Iterator[Look]:
    """Confirmed outcomes against what the record foretells of them, where a test was done and not.

    An outcome is foretold with its error rates. What is amiss with the numbers is so on both sides.
    """
    faults, knowledge = told_of(learner, yields), learner.knowledge_at(state)
    found: dict[str, list[FloatArray]] = {test: [] for test in yields}
    for piece in pieces():
        tree = JunctionTree(build_network(knowledge, piece.context), True)
        asked = sorted(set(faults.values()) & piece.confirmed.keys())
        posterior = tree.propagate(piece.evidence, [(fault,) for fault in asked])
        chances = reports_of(piece, state.rates).chances
        for test, names in yields.items():
            fault = faults[test]
            if fault not in chances:
                continue
            possible, (way, _) = piece.confirmed[fault], chances[fault]
            plain = (way >= 0) & (possible[:, 0] != possible[:, 1:].any(axis=1))
            rows = np.flatnonzero(plain & ~is_explained(piece, test))
            missed, alarm, _, noted, noted_sound = np.array(list(state.rates.values()))[way[rows]].T
            there = (1 - posterior[fault][rows, 0]) * noted
            not_there = posterior[fault][rows, 0] * noted_sound
            foretold = (there * (1 - missed) + not_there * alarm) / (there + not_there)
            said = ~possible[rows, 0]
            done = np.zeros(len(piece.numbers), bool)
            for name in names:
                done |= _states_seen(piece.evidence, name)[0]
            found[test].append(np.stack([done[rows], foretold, said - foretold], axis=1))
    for test, parts in found.items():
        done, foretold, surprise = np.vstack([*parts, np.empty((0, 3))]).T
        there = done > 0
        if min(there.sum(), (~there).sum()) >= LEAST_ROWS:
            mean = float(surprise[there].mean() - surprise[~there].mean())
            doubt = sqrt(max(_chance(foretold[there]) + _chance(foretold[~there]), 1e-12))
            said = float(foretold[there].mean())
            p_value = _two_sided(mean / doubt)
            count = int(there.sum())
            yield Look(test, faults[test], count, said, said + mean, doubt, p_value, 0)


def _shares(pieces: Pieces, yields: Mapping[str, Sequence[str]]) -> dict[str, float]:
    """Share of the rows of each name that is looked at."""
    count: dict[str, int] = {}
    for piece in pieces():
        for names in yields.values():
            for name in names:
                count[name] = count.get(name, 0) + int(_states_seen(piece.evidence, name)[0].sum())
    return {name: min(1.0, MOST_ROWS / max(n, 1)) for name, n in count.items()}


def _states_seen(evidence: Evidence, name: str) -> tuple[BoolArray, FloatArray]:
    """Rows with a plain word or a number, and the numbers (nan where it is a word)."""
    code = evidence.codes.get(name, np.full(evidence.rows, -1))
    value = (
        evidence.numbers[name][0] if name in evidence.numbers else np.full(evidence.rows, np.nan)
    )
    return (code >= 0) | ~np.isnan(value), value


def _looked(
    piece: Piece,
    told: Evidence,
    tree: JunctionTree,
    names: Sequence[str],
    share: Mapping[str, float],
    learner: Learner,
) -> Iterator[tuple[str, IntArray, FloatArray, FloatArray]]:
    """Name, rows, whether each was not as on a sound car, and the chance of that without it."""
    for name in names:
        rows = _rows_of(piece, name, share[name], learner.knowledge)
        if len(rows):
            rest = _blanked(told.take(rows), names)
            seen = _abnormal(tree.network.variable(name), piece.evidence.take(rows))
            yield name, rows, seen, _foretold(tree, name, rest, piece.evidence.take(rows))


def _blanked(told: Evidence, names: Sequence[str]) -> Evidence:
    """The same with some names not observed; they stay, so that the tree is laid out as before."""
    return hide(told, {name: np.zeros(told.rows, bool) for name in names})


def _rows_of(piece: Piece, name: str, share: float, knowledge: Knowledge) -> IntArray:
    """Rows that plainly show a name, so many of them; none through which it is veiled."""
    seen, _ = _states_seen(piece.evidence, name)
    node = knowledge.node(name)
    if node.veiled_by:
        hidden = veil(node, piece.evidence.codes, piece.evidence.soft, knowledge)
        seen = seen & (np.broadcast_to(hidden, seen.shape) == 0)
    # evenly, whatever stands beside them: by the golden ratio of their number
    return np.flatnonzero(seen & ((piece.numbers * 0.6180339887498949) % 1.0 < share))


def _abnormal(node: Any, evidence: Evidence) -> FloatArray:
    """One where a row shows something else than a sound car, shape (rows,)."""
    code = evidence.codes.get(node.name, np.full(evidence.rows, -1))
    if not isinstance(node, GaugeNode):
        found: FloatArray = (code != 0).astype(np.float64)
        return found
    _, value = _states_seen(evidence, node.name)
    sound = sound_state(node)
    word = np.where(np.isnan(value), code, interval_codes(np.nan_to_num(value), node.cuts))
    outside: FloatArray = (word != sound).astype(np.float64)
    return outside


def _foretold(tree: JunctionTree, name: str, rest: Evidence, seen: Evidence) -> FloatArray:
    """Chance of not being as on a sound car from the rest of the record, shape (rows,)."""
    node = tree.network.variable(name)
    believed = tree.propagate(rest, [node.parents])[node.parents].reshape(rest.rows, -1)
    if not isinstance(node, GaugeNode):
        if name in rest.implied:
            table = implied_table(node, rest.implied[name]).reshape(*believed.shape, -1)
            weighed: FloatArray = 1.0 - np.einsum("rc,rc->r", believed, table[:, :, 0])
            return weighed
        chances: FloatArray = 1.0 - believed @ node.table.reshape(-1, node.table.shape[-1])[:, 0]
        return chances
    extra = seen.numbers[name][1] if name in seen.numbers else np.zeros(rest.rows)
    mean, own, pair = node.pairs
    from scipy.special import ndtr

    edges = np.array([-np.inf, *node.cuts, np.inf])
    sound = sound_state(node)
    low, high = edges[sound], edges[sound + 1]
    spread = np.hypot(own, extra[:, None])
    near = ndtr((high - mean) / spread) - ndtr((low - mean) / spread)
    wide = np.hypot(node.wide, extra)
    far = ndtr(high / wide) - ndtr(low / wide)
    inside = np.einsum("rc,rc->r", believed, near[:, pair.ravel()])
    beyond: FloatArray = 1.0 - (1 - node.share) * inside - node.share * far
    return beyond


def _look(test: str, finding: str, sample: _Sample) -> Look | None:
    surprise, explained = np.concatenate(sample.surprise), np.concatenate(sample.explained)
    foretold = np.concatenate(sample.foretold)
    own = ~explained
    if own.sum() < LEAST_ROWS:
        return None
    mean, variance = surprise[own].mean(), _chance(foretold[own])
    measure = int(explained.sum()) if explained.sum() >= ENOUGH_EXPLAINED else 0
    if measure:
        mean = mean - surprise[explained].mean()
        variance += _chance(foretold[explained])
    doubt = sqrt(max(variance, 1e-12))
    said = float(foretold[own].mean())
    return Look(
        test, finding, int(own.sum()), said, said + float(mean), doubt,
        _two_sided(mean / doubt), measure,
    )  # fmt: skip


def _chance(foretold: FloatArray) -> float:
    """Variance of a share by chance alone."""
    return float((foretold * (1 - foretold)).sum() / len(foretold) ** 2)


def _two_sided(z: float) -> float:
    return erfc(abs(z) / sqrt(2))


def _with_weights(look: Look, spread: float) -> Look:
    """The look with what the weights leave open of the foretold share."""
    if look.explained:
        return look
    doubt = sqrt(look.doubt**2 + spread**2)
    return look._replace(doubt=doubt, p_value=_two_sided((look.seen - look.foretold) / doubt))


def _named(looks: Sequence[Look]) -> Iterator[Look]:
    """Tests beyond chance, each by its most telling finding."""
    best: dict[str, Look] = {}
    for test in dict.fromkeys(look.test for look in looks):
        own = [look for look in looks if look.test == test]
        first = min(own, key=lambda look: look.p_value)
        best[test] = first._replace(p_value=min(1.0, first.p_value * len(own)))
    order = sorted(best.values(), key=lambda look: look.p_value)
    off = far_off(np.array([look.p_value for look in order]), FALSE_DISCOVERIES)
    yield from (look for look, is_off in zip(order, off.tolist(), strict=True) if is_off)


def far_off(p_values: FloatArray, level: float) -> BoolArray:
    """Which of several are beyond chance, false discoveries held (Benjamini & Hochberg 1995).

    >>> far_off(np.array([0.001, 0.2, 0.03]), 0.05).tolist()
    [True, False, True]
    """
    order = np.argsort(p_values, kind="stable")
    under = np.flatnonzero(p_values[order] <= level * np.arange(1, len(order) + 1) / len(order))
    found = np.zeros(len(order), dtype=bool)
    found[order[: int(under[-1]) + 1 if len(under) else 0]] = True
    return found


def _spread_by_weights(
    learner: Learner,
    pieces: Pieces,
    state: State,
    near: Collection[str],
    share: Mapping[str, float],
    yields: Mapping[str, Sequence[str]],
) -> dict[str, float]:
    """Deviation of the foretold share of findings, for the weights that the numbers have.

    As that of a posterior (:mod:`loopodds.doubt.intervals`), for the mean over some rows.
    """
    knowledge = learner.knowledge
    found = {name: SlopeSums(knowledge) for name in near}
    rows_of: dict[str, int] = dict.fromkeys(near, 0)
    for piece in pieces() if near else ():
        tree = JunctionTree(build_network(knowledge, piece.context), True)
        told = piece.evidence.with_soft(reports_of(piece, state.rates).soft)
        for name in near:
            fewer = share[name] * MOST_SLOPES / MOST_ROWS
            rows = _rows_of(piece, name, fewer, knowledge)
            if not len(rows):
                continue
            names = next(each for each in yields.values() if name in each)
            rest = _blanked(told.take(rows), names)
            rows_of[name] += len(rows)
            parts = _slopes_of(tree, name, rest, piece.evidence.take(rows))
            found[name].add(piece.context, parts.by_name)
    return {
        name: sqrt(_variance(learner, sums)) / max(rows_of[name], 1) for name, sums in found.items()
    }


def _slopes_of(tree: JunctionTree, name: str, rest: Evidence, seen: Evidence) -> Slopes:
    """Slopes of the summed chance of not being as on a sound car."""
    node = tree.network.variable(name)
    foretold = _foretold(tree, name, rest, seen)
    sound = sound_state(node)
    other = np.ones(len(node.states))
    other[sound] = 0.0
    supposed = rest.take(np.tile(np.arange(rest.rows), 2)).with_soft(
        {name: np.vstack([np.tile(other, (rest.rows, 1)), np.ones((rest.rows, len(other)))])}
    )
    return slopes(tree, supposed, np.concatenate([foretold, -foretold])[None])


def _variance(learner: Learner, sums: SlopeSums) -> float:
    """Of a sum whose slopes are given, for the weights of all lists."""
    slopes = {key: slope_by(learner.lists[key], tally)[0]
              for key, tally in sums.tallies().items() if key in learner.lists}  # fmt: skip
    return sum(
        float(slope @ learner.lists[key].covariance @ slope) for key, slope in slopes.items()
    )
