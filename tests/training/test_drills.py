"""Practice cars follow the network, exactly as far as chance allows; decks are the same for all."""

from __future__ import annotations

from collections import defaultdict
from itertools import combinations

import numpy as np
import pytest
from loopodds.base.errors import OutOfRange, UnknownName
from loopodds.diagnosis.model import Model
from loopodds.inference.likelihoods import interval_codes
from loopodds.inference.network import Evidence
from loopodds.training.decks import Deck, alarming, cars_data, levels, told
from scipy.stats import chi2

CARS = 4_000


@pytest.fixture(scope="module")
def model():
    """With compiled loops: what is exact is worked out for some hundred thousand boxes."""
    return Model(compiled=True)


LEAST_CHANCE = 1e-3
"""A right dealer fails one run in a thousand, over all variables together; the seed is fixed."""


def regions(model, kind, context):
    """The event of a kind as a signed sum of boxes: (sign, {name: possible states as 0/1})."""
    knowledge = model.knowledge

    def mask(name, states):
        return np.array([float(s in states) for s in knowledge.node(name).states])

    def complaining(boxes):
        # those with a complaint are all less those whose driver tells of none
        content = {n: 1.0 - mask(n, knowledge.node(n).complaint) for n in told(model)}
        return [*boxes, *((-sign, box | content) for sign, box in boxes)]

    sound = {name: np.eye(len(model.states(name)))[0] for name in model.faults}
    masks = cars_data().masks
    if kind.title in masks:
        box = {name: mask(name, states) for name, states in masks[kind.title].items()}
        return complaining([(1, box)])
    if kind.title == "as it came in":
        return complaining([(1, {})])
    if kind.title == "a sound car that looks bad":
        calm = {}
        for name, codes in alarming(model, context).items():
            calm[name] = np.ones(len(model.states(name)))
            calm[name][codes] = 0.0
        return complaining([(1, sound), (-1, sound | calm)])
    count = {"one fault": 1, "two faults": 2}[kind.title]
    under = mask("charge", model.conditions["undercharge"].states)
    over = mask("charge", model.conditions["overcharge"].states)
    leaks = 1.0 - sound["leak"]
    # leak and charge together, by how many faults they count for
    pairs = {
        0: [(sound["leak"], sound["charge"])],
        1: [(leaks, sound["charge"]), (sound["leak"], under + over), (leaks, under)],
        2: [(leaks, over)],
    }
    others = [name for name in model.faults if name not in ("leak", "charge")]
    boxes = []
    for already, options in pairs.items():
        for faulty in combinations(others, max(count - already, 0)):
            for leak, charge in options if already <= count else ():
                box = sound | {"leak": leak, "charge": charge}
                boxes.append((1, box | {name: 1.0 - sound[name] for name in faulty}))
    return complaining(boxes)


def exact(model, kind, context, variables):
    """P(state | kind, context) of each variable; a gauge: P(word and readable)."""
    signs, boxes = zip(*regions(model, kind, context), strict=True)
    names = {name for box in boxes for name in box}
    soft = {
        name: np.array([box.get(name, np.ones(len(model.states(name)))) for box in boxes])
        for name in names
    }
    everything = Evidence(len(boxes), {}, soft)
    whole = float(np.array(signs) @ np.exp(evidence_of(model, context, everything)))
    groups = defaultdict(list)
    for name in variables:
        groups[tuple(model.knowledge.node(name).masked_by.items())].append(name)
    chances = {}
    for masks, members in groups.items():
        batch = everything
        for finding, hiding in masks:
            shown = [float(state not in hiding) for state in model.states(finding)]
            batch = batch.with_soft({finding: np.tile(shown, (len(boxes), 1))})
        chances |= chances_of(model, context, batch, np.array(signs) / whole, members)
    return chances


def evidence_of(model, context, batch):
    return model.tree(context).propagate(batch).log_evidence


def chances_of(model, context, batch, weights, variables):
    """Sum over boxes of weight times P(state and box), from one propagation."""
    tree = model.tree(context)
    network = tree.network
    queries = {
        name: (name,) if name in network.hidden else network.variable(name).parents
        for name in variables
    }
    posterior = tree.propagate(batch, list(queries.values()))
    mass = weights * np.exp(posterior.log_evidence)
    chances = {}
    for name, query in queries.items():
        joint = posterior[query]
        if name in network.gauges:
            table = network.gauges[name].word_table
        elif name in network.hidden:
            table = np.eye(len(model.states(name)))
        else:
            table = network.observables[name].table
        joint, table = joint.reshape(len(joint), -1), table.reshape(-1, table.shape[-1])
        possible, which = np.ones((1, table.shape[-1])), np.zeros(batch.rows, int)
        if name in batch.soft and name not in network.hidden:
            possible, which = np.unique(batch.soft[name], axis=0, return_inverse=True)
        chances[name] = np.zeros(table.shape[-1])
        for number, states in enumerate(possible):
            shown = table * states
            total = shown.sum(axis=-1, keepdims=True)
            shown = np.divide(shown, total, out=np.zeros_like(shown), where=total > 0)
            chances[name] += np.where(which.ravel() == number, mass, 0.0) @ joint @ shown
    return chances


def observed_code(model, draw, name, rng):
    """Code of what was seen; of a number the word that an eye gives it, off as eyes are."""
    if name in draw.states:
        return draw.states[name]
    if name in draw.evidence.codes:
        return int(draw.evidence.codes[name][0])
    gauge = model.knowledge.gauges[name]
    value = draw.evidence.numbers[name][0] + rng.normal(0.0, gauge.word_doubt, 1)
    return -1 if np.isnan(value[0]) else int(interval_codes(value, gauge.cuts)[0])


@pytest.mark.slow
@pytest.mark.parametrize("level", ["workshop", "mixed"])
def test_dealt_cars_have_the_exact_frequencies(model, level):
    draws, rng = Deck(model, level, 2024).draw(CARS), np.random.default_rng(9)
    # what another finding takes away is not seen, which no table says
    variables = [
        name
        for name, node in model.knowledge.nodes.items()
        if not ((node.masked_by or node.veiled_by) and node.kind == "finding")
    ]
    keys = {key for node in model.knowledge.nodes.values() for key in node.context_keys()}
    groups = defaultdict(list)
    for draw in draws:
        context = tuple((k, v) for k, v in draw.context.items() if k in keys)
        groups[draw.kind.title, context].append(draw)
    kinds = {kind.title: kind for kinds in levels().values() for kind in kinds}
    expected = {name: np.zeros(len(model.states(name)) + 1) for name in variables}
    counted = {name: np.zeros(len(model.states(name)) + 1) for name in variables}
    for (title, context), members in groups.items():
        chances = exact(model, kinds[title], dict(context), variables)
        for name, chance in chances.items():
            expected[name] += len(members) * np.append(chance, 1 - chance.sum())
            codes = [observed_code(model, draw, name, rng) for draw in members]
            counted[name] += np.bincount(
                [len(chance) if code < 0 else code for code in codes], minlength=len(chance) + 1
            )
    worst = min((chance_of(counted[n], expected[n]), n) for n in variables)
    assert worst[0] > LEAST_CHANCE / len(variables), worst


def chance_of(counted, expected):
    """Chi-square tail; cells that expect fewer than five are put together."""
    few = expected < 5
    seen = np.append(counted[~few], counted[few].sum())
    fit = np.append(expected[~few], expected[few].sum())
    if fit[-1] < 5:
        # too few even together: the chance of at least that many, by Markov's inequality
        rest = seen[-1]
        if rest > 0 and fit[-1] / rest < LEAST_CHANCE**2:
            return 0.0
        seen, fit = seen[:-1], fit[:-1]
    if len(seen) < 2:
        return 1.0
    return float(chi2.sf(((seen - fit) ** 2 / fit).sum(), len(seen) - 1))


def test_more_cars_never_change_the_earlier_ones(model):
    few, many = Deck(model, "mixed", 11).draw(3), Deck(model, "mixed", 11).draw(12)
    assert [draw.states for draw in few] == [draw.states for draw in many[:3]]
    other = Deck(model, "mixed", 12).draw(3)
    assert [draw.states for draw in few] != [draw.states for draw in other]


def test_unknown_levels_and_negative_seeds_are_refused(model):
    with pytest.raises(UnknownName) as caught:
        Deck(model, "maskt", 1)
    assert str(caught.value) == "unknown level 'maskt'; did you mean 'masked'?"
    with pytest.raises(OutOfRange) as caught:
        Deck(model, "two", -1)
    assert str(caught.value) == "seed -1: a seed is a whole number from 0 up"
