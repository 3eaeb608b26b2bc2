"""What the customer complains of, which faults would bring it about, and which cars came in."""

from __future__ import annotations

from weakref import WeakKeyDictionary

import numpy as np

from loopodds.base.arrays import FloatArray, Query
from loopodds.diagnosis.belief import Belief
from loopodds.diagnosis.model import Context, Model
from loopodds.diagnosis.repaired_car import before
from loopodds.inference.junction import JunctionTree
from loopodds.inference.network import Evidence
from loopodds.knowledge.records import Knowledge


def complaints_of(belief: Belief, context: Context) -> dict[str, bool]:
    """What the customer complains of, and whether it was said of the car as it is now.

    A car that came with a complaint of which nothing is said came for the usual one.
    """
    knowledge, repairs = belief.model.knowledge, belief.model.repairs
    listed = {n: node for n, node in knowledge.of_kind("finding").items() if node.complaint}
    found: dict[str, bool] = {}
    for name, node in listed.items():
        earlier = [before(name, number) for number in range(len(repairs), 0, -1)]
        told = next((n for n in (name, *earlier) if n in belief.names), None)
        if told is not None and _said(belief, told, node.states) in node.complaint:
            found[name] = told == name
    asked = {n.split(" (")[0] for n in belief.names}
    if found or context.get("setting") != "complaint" or not asked.isdisjoint(listed):
        return found
    usual = knowledge.contexts["setting"].usual_complaint
    return {usual: not repairs} if usual else {}


def _said(belief: Belief, name: str, states: Query) -> str:
    """The state recorded of a finding, the likeliest where it is in doubt."""
    codes, soft = belief.evidence.codes.get(name), belief.evidence.soft.get(name)
    if codes is not None and codes[0] >= 0:
        return states[int(codes[0])]
    return states[int(soft[0].argmax())] if soft is not None else ""


_kept: WeakKeyDictionary[Model, dict[object, FloatArray]] = WeakKeyDictionary()
"""Powers found, which go with their model: many cars have the same."""


def powers(model: Model, context: Context, complaints: Query) -> FloatArray:
    """How likely each state of each fault brings one of the complaints about by itself.

    Shape (fault columns,). The causal power of Cheng (Psychological Review 104, 1997, eq. 10) on a
    car with nothing else wrong: what the fault adds to the chance of the complaint, as a share of
    what the background leaves open. Without interaction of the causes, as in noisy-OR, it is the
    chance that the fault is a cause where it is present.
    """
    kept = _kept.setdefault(model.plain, {})
    key = (frozenset(context.items()), complaints)
    if key not in kept:
        kept[key] = _powers(model.plain, context, complaints)
    return kept[key]


def _powers(model: Model, context: Context, complaints: Query) -> FloatArray:
    cards = {name: len(model.states(name)) for name in model.faults}
    column = np.cumsum([0, *cards.values()])
    rows = int(column[-1])
    alone = {
        name: np.maximum(np.arange(rows) - start, 0) * (np.arange(rows) < start + card)
        for (name, card), start in zip(cards.items(), column, strict=False)
    }
    # with every fault given, only what lies between them and what may be complained of bears on it
    listed = [n for n, node in model.knowledge.of_kind("finding").items() if node.complaint]
    tree = JunctionTree(model.network(context).relevant([*cards, *listed]))
    base = tree.propagate(Evidence(rows, alone)).log_evidence
    can_be = np.isfinite(base)
    quiet = np.ones(rows)
    for name in complaints:
        states, said = model.states(name), model.knowledge.node(name).complaint
        right = np.tile([float(state not in said) for state in states], (rows, 1))
        told = tree.propagate(Evidence(rows, alone, {name: right})).log_evidence
        chance = np.exp(np.where(can_be, told - base, told[0] - base[0]))
        quiet *= np.minimum(chance / chance[0], 1.0)  # column 0 is a car with nothing wrong
    return 1.0 - quiet


def arriving(knowledge: Knowledge) -> Evidence:
    """Cars of which nothing is known but how they came in, one a row; together they are all cars.

    The first came for nothing, each of the others for one complaint and for none before it, the
    usual one first.
    """
    usual = knowledge.contexts["setting"].usual_complaint
    nodes = [n for n in knowledge.of_kind("finding").values() if n.brings_in]
    nodes.sort(key=lambda node: node.name != usual)
    soft = {}
    for place, node in enumerate(nodes, start=1):
        comes = np.array([node.brings_in.get(state, 0.0) for state in node.states])
        soft[node.name] = np.ones((len(nodes) + 1, len(comes)))
        soft[node.name][[0, *range(place + 1, len(nodes) + 1)]] = 1 - comes
        soft[node.name][place] = comes
    return Evidence(len(nodes) + 1, {}, soft)


def chances_in(cars: FloatArray) -> FloatArray:
    """Chance of each way in, in the order of ``WAYS_IN``, from those of :func:`arriving`."""
    return np.array([cars[0], cars[1:].sum(), cars[1:2].sum()])


def stayed_away(counts: FloatArray, cars: FloatArray) -> FloatArray:
    """Cars of each row of :func:`arriving` that would have to stand beside some that came.

    So that all together are as many of each kind as there are: a workshop may choose its cars by
    why they come. Of a complaint of which nothing is said all others stayed away.

    Args:
        counts: Cars that came by their way in, shape (groups, ways).
        cars: Chance of each row, shape (rows,).
    """
    none, some, usual = chances_in(cars)
    whole = np.maximum(_over(counts[:, 0], none), _over(counts[:, 1], some))
    lacking = whole[:, None] * [none, some] - counts[:, :2]
    kinds = np.hstack([lacking[:, :1], np.outer(_over(lacking[:, 1], some), cars[1:])])
    others = np.outer(_over(counts[:, 2], usual), np.delete(cars, 1))
    kinds[:, [0, *range(2, len(cars))]] += others
    return kinds


def _over(counts: FloatArray, chance: float) -> FloatArray:
    """Cars in all of which some are a share; where there are none of these, none."""
    return counts / chance if chance > 0 else np.zeros(len(counts))
