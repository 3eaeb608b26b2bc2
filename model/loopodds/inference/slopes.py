"""How the log evidence of a batch moves with every number of the network, and expected counts.

P(evidence) is linear in each entry of a table, so that the slope of its logarithm is the joint
posterior of family and evidence over the entry (Russell, Binder, Koller & Kanazawa 1995), and the
slope times the entry is the expected count (Lauritzen 1995). Two passes over the tree give all of
them. What was not observed of an observable has no slope: its table then sums out.
"""

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from typing import NamedTuple
from weakref import WeakKeyDictionary

import numpy as np

from loopodds.base.arrays import FloatArray, IntArray, Query
from loopodds.inference.junction import COMPILED_FROM, JunctionTree, Posterior
from loopodds.inference.likelihoods import normal_density
from loopodds.inference.network import Discrete, Evidence, GaugeNode, normal_cdf

PIECE = 512
"""Rows whose joints are held at a time."""


class GaugeSlopes(NamedTuple):
    """Of one gauge: arrays of shape (groups, *parent cards), those of slips (groups,)."""

    held: FloatArray  # expected readings that were no slip
    mean: FloatArray  # slope by the mean [1 / scale]
    variance: FloatArray  # slope by the squared spread [1 / scale^2]
    slips: FloatArray  # expected readings that were a slip
    slip_variance: FloatArray  # slope by the squared spread of slips [1 / scale^2]

    def plus(self, other: "GaugeSlopes") -> "GaugeSlopes":
        """Those of two batches together."""
        return GaugeSlopes(*(a + b for a, b in zip(self, other, strict=True)))


@dataclass(frozen=True, slots=True, eq=False)
class Slopes:
    """Slopes of a weighted sum of log evidences, for each group of weights."""

    log_evidence: FloatArray  # shape (rows,); minus infinity where it cannot be
    tables: dict[str, FloatArray]  # by the entries of a table, shape (groups, *table shape)
    gauges: dict[str, GaugeSlopes]
    joints: dict[Query, FloatArray]  # what was asked for besides, shape (rows, *cards)

    @property
    def by_name(self) -> dict[str, FloatArray | GaugeSlopes]:
        """Those of every node that has any."""
        return {**self.tables, **self.gauges}


def slopes(
    tree: JunctionTree,
    evidence: Evidence,
    weights: FloatArray | None = None,
    queries: Iterable[Query] = (),
) -> Slopes:
    """Slopes of ``weights @ log_evidence`` by every number of the network.

    Names without evidence are left out: their slopes are zero. So are those of rows that cannot
    be, and of entries that are exactly zero.

    Args:
        weights: Shape (groups, rows). Left out, each row is a group of its own; so many rows that
            all their slopes fit in memory.
        queries: Joint posteriors to give as well, of hidden variables that share a clique.

    Raises:
        As :meth:`JunctionTree.propagate`.
    """
    told, queries = evidence.merged(), tuple(queries)
    found = Slopes(np.empty(told.rows), {}, {}, {q: np.empty(0) for q in queries})
    piece, parts = PIECE if weights is not None else max(told.rows, 1), []
    for start in range(0, told.rows, piece):
        rows = slice(start, min(start + piece, told.rows))
        own = None if weights is None else weights[:, rows]
        posterior = _add(found, tree, told.take(rows), own, queries)
        found.log_evidence[rows] = posterior.log_evidence
        parts.append(posterior)
    for query in queries:
        found.joints[query] = np.concatenate([part[query] for part in parts])
    return found


def _add(
    found: Slopes,
    tree: JunctionTree,
    evidence: Evidence,
    weights: FloatArray | None,
    queries: tuple[Query, ...],
) -> Posterior:
    """Adds the slopes of some rows to those found; what is not asked for is let go of."""
    network = tree.network
    families = {name: (*v.parents, name) for name, v in network.hidden.items()}
    seen = [n for n in (*network.observables, *network.gauges) if n in {*evidence.names_held}]
    parents: dict[str, Query] = {name: network.variable(name).parents for name in seen}
    posterior = tree.propagate(
        evidence, dict.fromkeys([*families.values(), *parents.values(), *queries])
    )
    compiled = tree.compiled or evidence.rows >= COMPILED_FROM
    for name, family in families.items():
        counts = _weighed(weights, posterior[family])
        _put(found.tables, name, _over(counts, network.hidden[name].table))
    for name in seen:
        node, joint = network.variable(name), posterior[parents[name]]
        joint = joint.reshape(evidence.rows, -1)
        if isinstance(node, Discrete):
            for part in _of_words(node, joint, evidence, weights, compiled):
                _put(found.tables, name, part)
            continue
        for more in _of_gauge(node, joint, evidence, weights, compiled):
            before = found.gauges.get(name)
            found.gauges[name] = more if before is None else before.plus(more)
    # copies: a view would keep the joints of everything in memory
    asked = {query: posterior[query].copy() for query in queries}
    return Posterior(posterior.log_evidence, asked, posterior.distinct)


def _put(tables: dict[str, FloatArray], name: str, part: FloatArray) -> None:
    tables[name] = tables[name] + part if name in tables else part


def _weighed(weights: FloatArray | None, each: FloatArray) -> FloatArray:
    """Sums over rows for each group, shape (groups, ...); without weights the rows themselves."""
    return each if weights is None else np.tensordot(weights, each, axes=1)


def _over(numerator: FloatArray, denominator: FloatArray) -> FloatArray:
    shape = np.broadcast_shapes(numerator.shape, denominator.shape)
    return np.divide(numerator, denominator, out=np.zeros(shape), where=denominator > 0)


def _of_words(
    node: Discrete | GaugeNode,
    joint: FloatArray,
    evidence: Evidence,
    weights: FloatArray | None,
    compiled: bool,
) -> Iterator[FloatArray]:
    """Slopes by P(state | parents) of the rows that hold a word or likelihoods; or nothing."""
    said = _said(node.name, len(node.states), evidence)
    rows = np.flatnonzero(np.ptp(said, axis=1) > 0)
    if not len(rows):
        return
    table = node.word_table if isinstance(node, GaugeNode) else node.table
    flat = table.reshape(-1, table.shape[-1])
    if weights is None:
        informed = said * (np.ptp(said, axis=1) > 0)[:, None]
        whole = _over(joint, said @ flat.T)[:, :, None] * informed[:, None, :]
        yield whole.reshape(-1, *table.shape)
    else:
        out = np.zeros((len(weights), *flat.shape))
        if compiled:
            from loopodds.inference import slope_loops

            slope_loops.word_slopes(joint[rows], flat, said[rows], weights[:, rows], out)
        else:
            share = _over(joint[rows], said[rows] @ flat.T)
            for group, w in zip(out, weights[:, rows], strict=True):
                group += share.T @ (said[rows] * w[:, None])
        yield out.reshape(len(weights), *table.shape)


def _said(name: str, states: int, evidence: Evidence) -> FloatArray:
    """Likelihood of every state in every row, ones where nothing is said, shape (rows, states)."""
    said = np.ones((evidence.rows, states))
    if name in evidence.codes:
        code = evidence.codes[name]
        said = np.where((code >= 0)[:, None], np.eye(states)[code], said)
    return said * evidence.soft[name] if name in evidence.soft else said


class Scores(NamedTuple):
    """What each parent configuration of an observable adds to the slopes of the log evidence."""

    rows: IntArray  # in which it was observed
    # places among these and scores there, shape (configurations, places): by the states of a word;
    # by mean, variance, share and variance of slips of a gauge
    by_group: list[tuple[IntArray, FloatArray]]


def scores_of(node: Discrete | GaugeNode, evidence: Evidence) -> Scores:
    """Slopes of the log evidence by the numbers of an observable, given its parents."""
    if isinstance(node, Discrete):
        rows, by_word = _word_scores(node.table, node.name, evidence)
        return Scores(rows, by_word)
    rows, by_word = _word_scores(node.word_table, node.name, evidence)
    value, extra = evidence.numbers.get(node.name, (np.full(evidence.rows, np.nan),) * 2)
    read = np.flatnonzero(~np.isnan(value))
    either = np.union1d(rows, read)
    parts = np.zeros((4, node.mean.size, len(either)))
    (near, by_mean, by_variance), (far, by_wide) = _word_slopes(node)
    by_share, states = far - near, near.shape[-1]
    for word, (places, ratio) in enumerate(by_word):
        at = np.searchsorted(either, rows[places])
        own = [part.reshape(-1, states)[:, word, None] for part in (by_mean, by_variance, by_share)]
        parts[0][:, at] += (1.0 - node.share) * own[0] * ratio
        parts[1][:, at] += (1.0 - node.share) * own[1] * ratio
        parts[2][:, at] += own[2] * ratio
        parts[3][:, at] += node.share * by_wide[word] * ratio
    at = np.searchsorted(either, read)
    for part, more in zip(parts, _number_scores(node, value[read], extra[read]), strict=True):
        part[:, at] += more
    return Scores(either, [(np.arange(len(either)), part) for part in parts])


def _word_scores(
    table: FloatArray, name: str, evidence: Evidence
) -> tuple[IntArray, list[tuple[IntArray, FloatArray]]]:
    """Rows where something is said; by state, where it may be, over the chance of what is said."""
    flat = table.reshape(-1, table.shape[-1])
    said = _said(name, flat.shape[1], evidence)
    rows = np.flatnonzero(np.ptp(said, axis=1) > 0)
    said = said[rows]
    by_word: list[tuple[IntArray, FloatArray]] = []
    for weight in said.T:
        places = np.flatnonzero(weight > 0)
        whole = flat @ said[places].T
        by_word.append((places, _over(np.broadcast_to(weight[places], whole.shape), whole)))
    return rows, by_word


def _number_scores(node: GaugeNode, value: FloatArray, extra: FloatArray) -> Iterator[FloatArray]:
    """By mean, variance, share and variance of slips, shape (configurations, readings)."""
    near, by_mean, by_variance = _by_pair(node, value[:, None], extra[:, None])
    pair = node.pairs[2].ravel()
    far, wide = 1.0 - near, node.wide**2 + extra[:, None] ** 2
    by_wide = 0.5 * far * ((value[:, None] ** 2 / wide - 1.0) / wide)
    by_share = far / node.share - near / (1.0 - node.share)
    for part in (by_mean, by_variance, by_share, by_wide):
        yield part.T[pair]


def _of_gauge(
    node: GaugeNode,
    joint: FloatArray,
    evidence: Evidence,
    weights: FloatArray | None,
    compiled: bool,
) -> Iterator[GaugeSlopes]:
    for by_word in _of_words(node, joint, evidence, weights, compiled):
        yield _from_words(node, by_word)
    if node.name in evidence.numbers:
        value, extra = evidence.numbers[node.name]
        rows = np.flatnonzero(~np.isnan(value))
        if not len(rows):
            return
        own = None if weights is None else weights[:, rows]
        found = _from_numbers(node, joint[rows], value[rows], extra[rows], own, compiled)
        if weights is None:
            whole = [np.zeros((evidence.rows, *part.shape[1:])) for part in found]
            for all_rows, part in zip(whole, found, strict=True):
                all_rows[rows] = part
            found = GaugeSlopes(*whole)
        yield found


def _from_numbers(
    node: GaugeNode,
    joint: FloatArray,
    value: FloatArray,
    extra: FloatArray,
    weights: FloatArray | None,
    compiled: bool,
) -> GaugeSlopes:
    """A reading is from the near Gaussian or from the wide one, each with its chance."""
    mean, spread, pair = node.pairs
    if weights is not None and compiled:
        from loopodds.inference import slope_loops

        sums, far = np.zeros((3, len(weights), pair.size)), np.empty(len(value))
        gauge = mean, spread, float(node.share), float(node.wide)
        seen = np.ascontiguousarray(value), np.ascontiguousarray(extra)
        part = np.empty((3, len(mean)))
        slope_loops.number_slopes(joint, pair.ravel(), gauge, seen, weights, sums, far, part)
    else:
        parts = _by_pair(node, value[:, None], extra[:, None])[:, :, pair.ravel()]
        far = joint.sum(axis=1) - np.einsum("rc,rc->r", joint, parts[0])
        each = joint * parts
        sums = each if weights is None else np.array([weights @ part for part in each])
    wide = node.wide**2 + extra**2
    by_wide = 0.5 * far * (value**2 / wide - 1.0) / wide
    held, by_mean, by_variance = (part.reshape(len(part), *node.mean.shape) for part in sums)
    slips, slip_variance = _weighed(weights, far), _weighed(weights, by_wide)
    return GaugeSlopes(held, by_mean, by_variance, slips, slip_variance)


def _by_pair(node: GaugeNode, value: FloatArray, extra: FloatArray) -> FloatArray:
    """Chance of no slip and slopes by mean and variance, shape (3, rows, pairs)."""
    mean, spread, _ = node.pairs
    variance, wide = spread**2 + extra**2, node.wide**2 + extra**2
    gap = value - mean
    with np.errstate(divide="ignore"):
        odds = np.log1p(-node.share) - 0.5 * (gap**2 / variance + np.log(variance))
        odds = odds - (np.log(node.share) - 0.5 * (value**2 / wide + np.log(wide)))
    near = 1.0 / (1.0 + np.exp(-np.clip(odds, -700.0, None)))
    by_variance = 0.5 * near * (gap**2 / variance - 1.0) / variance
    return np.array([near, near * gap / variance, by_variance])


def _from_words(node: GaugeNode, by_word: FloatArray) -> GaugeSlopes:
    """A word is an interval of the mixture: slopes of its probability by mean and variance."""
    (near, by_mean, by_variance), (far, by_wide) = _word_slopes(node)
    held, inner = 1.0 - node.share, tuple(range(1, by_word.ndim))
    return GaugeSlopes(
        held * (by_word * near).sum(-1),
        held * (by_word * by_mean).sum(-1),
        held * (by_word * by_variance).sum(-1),
        node.share * (by_word * far).sum(inner),
        node.share * (by_word * by_wide).sum(inner),
    )


WordSlopes = tuple[tuple[FloatArray, ...], tuple[FloatArray, FloatArray]]
_kept: WeakKeyDictionary[GaugeNode, WordSlopes] = WeakKeyDictionary()
"""Those of each gauge, which go with it."""


def _word_slopes(node: GaugeNode) -> WordSlopes:
    """Of every word, near and far: its probability, and the slopes of that."""
    if node not in _kept:
        _kept[node] = _made_word_slopes(node)
    return _kept[node]


def _made_word_slopes(node: GaugeNode) -> WordSlopes:
    edges = np.array([-np.inf, *node.cuts, np.inf])
    mean, own, pair = node.pairs
    spread = np.hypot(own, node.word_doubt)
    z = (edges - mean[:, None]) / spread[:, None]
    each = np.diff(normal_cdf(z)), *_interval_slopes(z, spread[:, None])
    near = tuple(part[pair] for part in each)
    wide = np.hypot(node.wide, node.word_doubt)
    far = edges / wide
    return near, (np.diff(normal_cdf(far)), _interval_slopes(far, np.array([wide]))[1])


def _interval_slopes(z: FloatArray, spread: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Slopes of the probability between neighbouring edges by the mean and by the variance."""
    density = normal_density(z, 1.0)
    lever = np.where(np.isinf(z), 0.0, np.nan_to_num(z)) * density
    return -np.diff(density) / spread, -np.diff(lever) / (2 * spread**2)
