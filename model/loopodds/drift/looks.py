"""Every look of an archive against what the network foretold of it from the looks before it.

Whether a thing is looked at may hang on what was seen before it, as it does where tests are chosen:
the chance of what it shows, given those looks, stays that of the network. Conditions are given, and
so is why the car came. What is not said plainly is believed but not judged: a doubt, an amount in
place of a word, something that dark oil may have hidden.
"""

from __future__ import annotations

from collections.abc import Collection, Iterator, Sequence
from typing import NamedTuple

import numpy as np

from loopodds.archive.encoded import Piece
from loopodds.base.arrays import BoolArray, FloatArray, IntArray
from loopodds.inference.junction import JunctionTree
from loopodds.inference.likelihoods import implied_table
from loopodds.inference.network import Evidence, GaugeNode
from loopodds.inspection.columns import ColumnPlan
from loopodds.inspection.encoding import recorded_rows, veil
from loopodds.inspection.vocabulary import reading_dimension
from loopodds.knowledge.records import Knowledge

OFFSETS = np.array([-3.0, -2.0, -1.5, -1.0, -0.5, -0.25, 0.25, 0.5, 1.0, 1.5, 2.0, 3.0])
"""By how many spreads of one car a gauge may have moved."""
FACTORS = np.array([0.67, 1.5])
"""By what its readings may scatter less or more."""
WORD, NUMBER = "word", "number"
COMPLAINT = "why the car came is given"
VEILS = "hides another look at the sample, and is hidden by it the more"
ENDS = "a share ends at nothing, which a bell curve does not"
AMOUNTS = (
    "measured as an amount: near a limit that is a doubt, so that plain words are no fair sample"
)


class Looks(NamedTuple):
    """Looks of one kind at one thing; arrays of shape (looks, ...)."""

    name: str
    kind: str  # "word" or "number"
    rows: IntArray  # within the piece
    # exactly uniform under the network: small is odd. Ties of words are broken at random.
    p_value: FloatArray
    seen: IntArray  # of words: the state
    # of words the chance of each state; of numbers the log of the density moved by each offset,
    # then widened by each factor, over that foretold
    foretold: FloatArray


def order_of_looks(plan: ColumnPlan, knowledge: Knowledge) -> tuple[str, ...]:
    """Why the car came and its history first, then what may hide other things, then columns as they
    stand, then what follows of several of them.
    """
    nodes = knowledge.of_kind("history", "finding", "gauge")
    told = [name for name, node in nodes.items() if node.brings_in or node.kind == "history"]
    hiding = {h for node in nodes.values() for h in (*node.masked_by, *node.veiled_by)}
    told += [name for name in nodes if _is_hidden_more(name, knowledge)]
    columns = [feed.name for feed in plan.feeds if feed.name in nodes]
    return tuple(dict.fromkeys([*told, *(n for n in nodes if n in hiding), *columns, *nodes]))


def not_judged(plan: ColumnPlan, knowledge: Knowledge) -> dict[str, str]:
    """What is believed but not judged, with the reason: there the network gives no exact law."""
    nodes = knowledge.of_kind("finding", "gauge")
    fed = {feed.name for feed in plan.feeds}
    found = {name: COMPLAINT for name, node in nodes.items() if node.brings_in}
    for name in nodes:
        if _is_hidden_more(name, knowledge):
            found[name] = VEILS
    for name, gauge in knowledge.gauges.items():
        share = reading_dimension(name, knowledge).endswith("share")
        if share and gauge.transform == "plain":
            found[name] = ENDS
    for name, (finding, _) in knowledge.amounts.items():
        if name in fed:
            found[finding.name] = AMOUNTS
    return found


def _is_hidden_more(name: str, knowledge: Knowledge) -> bool:
    """Whether it and another look hide each other, and it is hidden the more, or as much and first.

    It is then looked at first, believed but not judged.
    """
    nodes = knowledge.of_kind("finding", "gauge")
    names = list(nodes)

    def hidden(one: str, by: str) -> tuple[float, int]:
        return max(nodes[one].veiled_by[by].values()), -names.index(one)

    node = knowledge.node(name)
    mutual = [other for other in node.veiled_by if name in knowledge.node(other).veiled_by]
    return any(hidden(name, other) > hidden(other, name) for other in mutual)


def looks_of(
    piece: Piece,
    tree: JunctionTree,
    knowledge: Knowledge,
    order: Sequence[str],
    judged: Collection[str],
    rng: np.random.Generator,
) -> Iterator[Looks]:
    """All looks of a piece, one thing after another.

    Args:
        order: Every name that may hold something, first looked at first.
        judged: Names whose looks are wanted; the others are believed only.
        rng: Breaks ties.
    """
    told, open_rows = _without_hidden(piece.evidence, knowledge)
    before, held = _nothing(told), frozenset(told.names_held)
    for name in (each for each in order if each in held):
        if name in judged:
            plain = open_rows.get(name, np.ones(told.rows, bool))
            yield from _at_one(name, told, before, tree, knowledge, plain, rng)
        _reveal(before, told, name)


def with_and_without(
    piece: Piece, knowledge: Knowledge, order: Sequence[str], name: str
) -> Evidence:
    """What was believed after a look at one thing, then, row by row again, before it.

    Args:
        name: Rows that do not hold it are left out; empty for all looks, and none.
    """
    told, _ = _without_hidden(piece.evidence, knowledge)
    after, before = _nothing(told), _nothing(told)
    for each in order:
        _reveal(after, told, each)
        if each == name:
            break
        if name:
            _reveal(before, told, each)
    rows = np.flatnonzero(recorded_rows(name, told)) if name else np.arange(told.rows)
    return _stacked(after.take(rows), before.take(rows))


def _stacked(one: Evidence, other: Evidence) -> Evidence:
    """The rows of two that hold the same names."""

    def both(kind: str) -> dict[str, FloatArray]:
        parts, more = getattr(one, kind), getattr(other, kind)
        return {name: np.concatenate([part, more[name]]) for name, part in parts.items()}

    numbers = {
        name: (
            np.concatenate([v, other.numbers[name][0]]),
            np.concatenate([s, other.numbers[name][1]]),
        )
        for name, (v, s) in one.numbers.items()
    }
    codes = {name: code.astype(np.int64) for name, code in both("codes").items()}
    return Evidence(one.rows + other.rows, codes, both("soft"), numbers, both("implied"))


def _without_hidden(
    evidence: Evidence, knowledge: Knowledge
) -> tuple[Evidence, dict[str, BoolArray]]:
    """The evidence with what follows of things that hide others, and rows that may be judged.

    A reading says that nothing masks it, also where nobody wrote that down. Where a sample may
    hide what is in it and its look is not recorded, what was seen in it is left out.
    """
    codes, soft = dict(evidence.codes), dict(evidence.soft)
    open_rows: dict[str, BoolArray] = {}
    for name in evidence.names_held:
        node = knowledge.node(name)
        seen = recorded_rows(name, evidence)
        for other, states in node.masked_by.items():
            free = np.array([state not in states for state in knowledge.node(other).states])
            rows = seen & ~recorded_rows(other, evidence)
            weight = soft.get(other, np.ones((evidence.rows, len(free))))
            soft[other] = np.where(rows[:, None], weight * free, weight)
        if node.veiled_by:
            # from plain words: where one look lifted the veil of another, that is a doubt by now
            hidden = veil(node, evidence.codes, {}, knowledge)
            known = np.all([recorded_rows(n, evidence) for n in node.veiled_by], axis=0)
            open_rows[name] = known & (np.broadcast_to(hidden, known.shape) == 0)
            if name in codes:
                codes[name] = np.where(known, codes[name], -1)
            if name in soft:
                soft[name] = np.where(known[:, None], soft[name], 1.0)
    told = Evidence(evidence.rows, codes, soft, evidence.numbers, evidence.implied)
    return told, open_rows


def _nothing(told: Evidence) -> Evidence:
    """Room for the same evidence, with nothing in it yet but what the circumstances imply."""
    return Evidence(
        told.rows,
        {name: np.full(told.rows, -1) for name in told.codes},
        {name: np.ones_like(weight) for name, weight in told.soft.items()},
        {n: (np.full(told.rows, np.nan), np.zeros(told.rows)) for n in told.numbers},
        told.implied,
    )


def _reveal(before: Evidence, told: Evidence, name: str) -> None:
    if name in told.codes:
        before.codes[name][:] = told.codes[name]
    if name in told.soft:
        before.soft[name][:] = told.soft[name]
    if name in told.numbers:
        for empty, held in zip(before.numbers[name], told.numbers[name], strict=True):
            empty[:] = held


def _at_one(
    name: str,
    told: Evidence,
    before: Evidence,
    tree: JunctionTree,
    knowledge: Knowledge,
    plain: BoolArray,
    rng: np.random.Generator,
) -> Iterator[Looks]:
    """Looks at one thing: its words, then its numbers."""
    network = tree.network
    node = network.variable(name)
    query = (name,) if name in network.hidden else node.parents
    doubted = np.ptp(told.soft[name], axis=1) > 0 if name in told.soft else np.zeros(1, bool)
    for kind in (WORD, NUMBER):
        held = told.codes if kind == WORD else told.numbers
        if name not in held:
            continue
        there = (told.codes[name] >= 0) if kind == WORD else ~np.isnan(told.numbers[name][0])
        rows = np.flatnonzero(there & plain & ~doubted)
        if not len(rows):
            continue
        joint = tree.propagate(before.take(rows), [query])[query].reshape(len(rows), -1)
        if kind == WORD:
            chances = joint if name in network.hidden else _words(name, joint, before, rows, tree)
            seen = np.asarray(told.codes[name][rows], np.int64)
            yield Looks(name, kind, rows, odd_words(chances, seen, rng), seen, chances)
        else:
            assert isinstance(node, GaugeNode)
            value, extra = (np.ascontiguousarray(part[rows]) for part in told.numbers[name])
            ratios, below = _readings(node, joint, value, extra, _one_car(name, knowledge))
            p_value = 2 * np.minimum(below, 1 - below)
            yield Looks(name, kind, rows, p_value, np.zeros(len(rows), np.int64), ratios)


def _words(
    name: str, joint: FloatArray, before: Evidence, rows: IntArray, tree: JunctionTree
) -> FloatArray:
    """Chance of each word, shape (rows, states); each row sums to one."""
    node = tree.network.variable(name)
    if isinstance(node, GaugeNode):
        return joint @ node.word_table.reshape(joint.shape[1], -1)
    if name not in before.implied:
        return joint @ node.table.reshape(joint.shape[1], -1)
    table = implied_table(node, before.implied[name][rows]).reshape(*joint.shape, -1)
    chances: FloatArray = (joint[:, None, :] @ table)[:, 0]
    return chances


def odd_words(chances: FloatArray, seen: IntArray, rng: np.random.Generator) -> FloatArray:
    """Chance of a word that is as unlikely or unlikelier, those as unlikely cut at random.

    Uniform if the chances are right, whatever they are.
    """
    own = np.take_along_axis(chances, seen[:, None], axis=1)
    alike = np.abs(chances - own) <= 1e-12
    lower = np.where((chances < own) & ~alike, chances, 0.0).sum(axis=1)
    odd: FloatArray = lower + rng.random(len(seen)) * np.where(alike, chances, 0.0).sum(axis=1)
    return odd


def _one_car(name: str, knowledge: Knowledge) -> float:
    """Spread by which offsets of a gauge are counted [scale of the gauge]."""
    return knowledge.gauges[name].spread


def _readings(
    node: GaugeNode, joint: FloatArray, value: FloatArray, extra: FloatArray, unit: float
) -> tuple[FloatArray, FloatArray]:
    from loopodds.drift.foretold import foretold_readings

    mean, spread, pair = node.pairs
    ratios, below = np.empty((len(value), len(OFFSETS) + len(FACTORS))), np.empty(len(value))
    gauge = mean, spread, float(node.share), float(node.wide)
    others = OFFSETS * unit, FACTORS
    foretold_readings(
        np.ascontiguousarray(joint), pair.ravel(), gauge, (value, extra), others, ratios, below
    )
    return ratios, below
