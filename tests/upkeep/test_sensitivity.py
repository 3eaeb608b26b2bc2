"""One-way sensitivity: published thresholds, and every turn found again by recomputation.

Fire alarm: Poole & Neufeld 1988, as analysed by Chan & Darwiche 2002 (J. Artif. Intell. Res. 17),
who print P(tampering) 0.036 and P(report | nobody leaves) 0.0047 as the values that bring the
probability of tampering to 0.65. Ratio of linear functions: Coupé & van der Gaag 2002.
"""

from __future__ import annotations

from dataclasses import replace
from functools import cache, partial
from pathlib import Path
from typing import NamedTuple, get_args

import numpy as np
import pytest
from loopodds.diagnosis.belief import Belief
from loopodds.diagnosis.diagnose import believe
from loopodds.diagnosis.simulation import hide_at_random, simulate
from loopodds.diagnosis.weights import overturned
from loopodds.exchange.bif import read_bif
from loopodds.inference.junction import JunctionTree
from loopodds.inference.network import Discrete, Evidence, Network
from loopodds.inspection.case_file import load_case
from loopodds.knowledge.assembly import node_arrays
from loopodds.knowledge.shapes import Grade, Grounds
from loopodds.upkeep.dials import Dial, covaried, knowledge_dials
from loopodds.upkeep.sensitivity import Sensitivity, number_turns, replaced, sensitivity_of

ORACLES = Path(__file__).parents[1] / "oracles"
CONTEXTS = (
    {"setting": "complaint", "expansion": "TXV", "compressor": "fixed", "weather": "warm"},
    {"setting": "routine", "expansion": "orifice", "compressor": "variable", "weather": "cool"},
    {"setting": "complaint"},
)
TARGET = 0.65


def network_dials(network: Network, name: str) -> list[Dial]:
    """A dial for each entry of a published table that is strictly between zero and one."""
    variable = network.variable(name)
    grounds = Grounds("published", "handbook", 1.0)

    def turned(index: tuple[int, ...], value: float) -> Discrete:
        table = variable.table.copy()
        table[index[:-1]] = covaried(table[index[:-1]].tolist(), index[-1], value)
        return replace(variable, table=table)

    return [
        Dial(
            name, f"{name}{[i + 1 for i in index]}", "", float(value), 0.0, 1.0, 1.0, grounds,
            partial(turned, index),
        )
        for index, value in np.ndenumerate(variable.table)
        if 0 < value < 1
    ]  # fmt: skip


@cache
def fire() -> Sensitivity:
    tree = JunctionTree(read_bif(ORACLES / "fire_alarm.bif").network)
    evidence = Evidence(1, {"report": np.array([0]), "smoke": np.array([1])})
    yes, no = np.array([1.0, 0.0]), np.array([0.0, 1.0])
    return Sensitivity(
        tree, evidence, {"tampering": {"tampering": yes}, "honest": {"tampering": no}}
    )


def fire_dial(name: str, *index: int) -> Dial:
    network = fire()._tree.network
    place = f"{name}{[i + 1 for i in index]}"
    return next(dial for dial in network_dials(network, name) if dial.place == place)


class Ratio(NamedTuple):
    """One-way sensitivity function (a x + b) / (c x + d) of a probability."""

    a: float
    b: float
    c: float
    d: float

    def at(self, value: float) -> float:
        return (self.a * value + self.b) / (self.c * value + self.d)

    def reaches(self, probability: float) -> float:
        return (probability * self.d - self.b) / (self.a - probability * self.c)


def ratio_of_tampering(dial: Dial) -> Ratio:
    slopes, ends = fire().line(dial)
    return Ratio(*map(float, (slopes[1], ends[1], slopes[0], ends[0])))


def test_fire_alarm_before_anything_is_turned():
    assert fire().now[0] == pytest.approx(0.5007970091, abs=5e-11)
    assert round(float(fire().now[0]), 2) == 0.50  # as published


def test_thresholds_of_the_fire_alarm():
    tampering = ratio_of_tampering(fire_dial("tampering", 0))
    assert tampering.reaches(TARGET) == pytest.approx(0.0364048536, abs=5e-11)
    assert round(tampering.reaches(TARGET), 3) == 0.036  # as published
    report = ratio_of_tampering(fire_dial("report", 1, 0))
    assert report.reaches(TARGET) == pytest.approx(0.0047047266, abs=5e-11)
    assert round(report.reaches(TARGET), 4) == 0.0047  # as published


@pytest.mark.parametrize(
    ("name", "index"),
    [
        ("report", (0, 0)),
        ("alarm", (1, 0, 0)),
        ("fire", (0,)),
        ("leaving", (1, 0)),
        ("smoke", (0, 0)),
    ],
)
def test_numbers_of_which_no_value_reaches_the_target(name, index):
    value = ratio_of_tampering(fire_dial(name, *index)).reaches(TARGET)
    assert not 0 < value < 1


def test_one_way_function_of_the_prior_of_tampering():
    found = ratio_of_tampering(fire_dial("tampering", 0))
    expected = (0.5527507131, 0.0, 0.5415059921, 0.0112447210)
    scale = expected[2] / found.c
    # ten printed digits
    assert np.array(found) * scale == pytest.approx(expected, abs=2e-10)
    slope = (found.a * found.d - found.b * found.c) / (found.c * 0.02 + found.d) ** 2
    assert slope == pytest.approx(12.7550696315, abs=1e-8)


def test_every_entry_of_the_fire_alarm_follows_its_ratio_when_recomputed():
    sensitivity = fire()
    network = sensitivity._tree.network
    for name in ("tampering", "fire", "alarm", "smoke", "leaving", "report"):
        for dial in network_dials(network, name):
            function = ratio_of_tampering(dial)
            for value in (0.013, 0.31, 0.77):
                tree = JunctionTree(replaced(network, dial.make(value)))
                evidence = Evidence(1, {"report": np.array([0]), "smoke": np.array([1])})
                truth = tree.propagate(evidence, [("tampering",)])["tampering"][0, 0]
                # the same probability from other sums of products
                assert function.at(value) == pytest.approx(truth, rel=1e-9)
                assert sensitivity.probabilities(dial, value)[0] == pytest.approx(truth, rel=1e-9)


def test_turning_one_number_of_a_list_keeps_the_others_in_proportion():
    base = fire()._tree.network.variable("alarm")
    assert isinstance(base, Discrete)
    three = Discrete("x", ("a", "b", "c"), (), np.array([0.2, 0.3, 0.5]))
    network = replaced(fire()._tree.network, three)
    dial = network_dials(network, "x")[0]
    turned = dial.make(0.6)
    assert isinstance(turned, Discrete)
    assert turned.table == pytest.approx([0.6, 0.15, 0.25], abs=1e-15)


@pytest.mark.parametrize("context", CONTEXTS, ids=lambda c: " ".join(c.values()))
def test_dials_at_their_present_value_give_back_the_network(model, context):
    network = model.tree(context).network
    for name, node in model.knowledge.nodes.items():
        again, truth = node_arrays(node, model.knowledge, context), network.variable(name)
        if isinstance(again, Discrete):
            assert np.array_equal(again.table, truth.table)
        else:
            np.testing.assert_allclose(again.mean, truth.mean, rtol=0, atol=1e-12)
            np.testing.assert_allclose(again.spread, truth.spread, rtol=0, atol=1e-12)


@pytest.mark.parametrize("context", CONTEXTS, ids=lambda c: " ".join(c.values()))
def test_every_flip_is_confirmed_by_recomputation(model, context):
    rng = np.random.default_rng(7)
    cars = simulate(model, context, 3, rng)
    found = 0
    for row in range(3):
        evidence = hide_at_random(cars.evidence.take(np.array([row])), 0.15, rng)
        belief = Belief(model, context, evidence)
        sensitivity = sensitivity_of(belief)
        turns = number_turns(belief)
        for turn in turns[:: max(1, len(turns) // 6)]:
            assert sensitivity.confirm(turn), turn.dial.place
        found += len(turns)
    assert found > 3  # the three cars' verdicts hang on some numbers


def test_before_its_flip_a_number_can_be_anything_without_a_new_verdict(model):
    case = "[findings]\nsample_darkening = 'brown'\nsample_bubbles = 'persisting'\n"
    belief = believe(load_case(case, model.knowledge), model)
    sensitivity = sensitivity_of(belief)
    turns = {(t.dial.place, t.value > t.dial.value): t for t in number_turns(belief)}
    leader = int(sensitivity.now.argmax())
    for name in ("moisture", "sample_darkening", "sample_bubbles"):
        dials = list(knowledge_dials(model.knowledge, belief.context, name))
        assert dials
        for dial in dials:
            for above, end in ((False, dial.lowest), (True, dial.highest)):
                turn = turns.get((dial.place, above))
                reach = turn.value if turn else dial.value + 0.999 * (end - dial.value)
                for share in (0.2, 0.6, 0.98):
                    value = dial.value + share * (reach - dial.value)
                    assert not overturned(sensitivity.probabilities(dial, value)[None], leader)


def test_a_flip_names_its_number_its_source_and_its_grade(model):
    belief = believe(load_case("[findings]\nline_bubbles = 'steady'\n", model.knowledge), model)
    turns = number_turns(belief)
    assert turns
    assert turns == sorted(turns, key=lambda turn: turn.steps)
    for turn in turns:
        plain = turn.as_json()
        assert plain["source"] in model.knowledge.sources
        assert plain["grade"] in get_args(Grade)
        assert plain["weight"] > 0
        assert plain["value"] != plain["turns_at"]
        assert plain["number"].split("[")[0].split(".")[0] in model.knowledge.nodes
