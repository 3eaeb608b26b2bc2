"""Tests done for a reason that nobody wrote down are named, others are not."""

from __future__ import annotations

import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from invented_archives import SMALL
from loopodds.archive.encoded import Piece
from loopodds.base.arrays import FloatArray
from loopodds.diagnosis.complaints import chances_in, stayed_away
from loopodds.diagnosis.model import Model
from loopodds.diagnosis.simulation import brought_in_for, simulate
from loopodds.inference.network import Evidence
from loopodds.inspection.encoding import encode, ways_in
from loopodds.inspection.inspection import InspectionBatch
from loopodds.knowledge.records import Knowledge
from loopodds.upkeep.confirmation import read_ways
from loopodds.upkeep.estimation import Learner, State
from loopodds.upkeep.habits import is_explained, spread_rows, tilted_rows, without_driven
from loopodds.upkeep.selection import selection

sys.path.insert(0, str(Path(__file__).parents[1] / "benchmarks"))
import learning as simulated


@pytest.fixture(scope="module")
def learner() -> Learner:
    return Learner(Model().knowledge, read_ways(None))


@pytest.mark.slow
def test_a_test_done_because_the_fault_was_smelt_is_named_and_no_other(learner: Learner):
    """One archive; the benchmark draws dozens, and clean ones."""
    pieces = simulated.driven_pieces(learner, 1, "moisture_test", True, 700, 0.8)
    assert simulated.named_tests(learner, pieces) == ["moisture_test"]


def test_a_supposed_dependence_is_evidence_of_the_fault_where_the_reason_is_open(learner: Learner):
    """Half a unit of log-odds: done weighs so much more for the fault than not done."""
    piece = simulated.driven_pieces(learner, 2, "moisture_test", True, 80)[0]
    rows = np.arange(len(piece.numbers))
    told = replace(piece, tags={**piece.tags, "asked_by": np.where(rows % 2, 3, 0)})
    names, share = ["moisture_indicator"], 0.3
    tilted = tilted_rows(told, "moisture_test", names, ("moisture", 3), 0.5, share)
    weight = tilted.evidence.soft["moisture"]
    done = piece.evidence.codes["moisture_indicator"] >= 0
    assert weight[rows % 2 == 0] == pytest.approx(1.0)
    sick = {seen: weight[(rows % 2 == 1) & (done == seen)][0, 1] for seen in (True, False)}
    odds = sick[True] * share / (sick[False] * (1 - share))
    assert np.log(odds) == pytest.approx(0.5 + np.log(share / (1 - share)))
    assert weight[:, 1] == pytest.approx(weight[:, 2])


def test_results_are_left_out_only_where_their_reason_is_open(learner: Learner):
    pieces = simulated.driven_pieces(learner, 3, "moisture_test", True, 80)
    piece = pieces[0]
    rows = len(piece.numbers)
    reasons = np.where(np.arange(rows) % 2 == 0, 0, 3)  # asked by the tool, for another reason
    told = replace(piece, tags={**piece.tags, "asked_by": reasons})
    assert (is_explained(told, "moisture_test") == (np.arange(rows) % 2 == 0)).all()
    left = without_driven(told, ["moisture_test"], learner.knowledge)
    seen, kept = (p.evidence.codes["moisture_indicator"] >= 0 for p in (told, left))
    assert (kept == seen & (np.arange(rows) % 2 == 0)).all()
    other = told.evidence.codes["sample_bubbles"], left.evidence.codes["sample_bubbles"]
    assert (other[0] == other[1]).all()


@pytest.mark.slow
def test_reasons_on_record_make_a_driven_test_harmless(learner: Learner):
    """The same archive with every reason written down names nothing."""
    pieces = [
        replace(piece, tags={**piece.tags, "asked_by": np.zeros(len(piece.numbers), np.int64)})
        for piece in simulated.driven_pieces(learner, 1, "moisture_test", True, 400)
    ]
    first = spread_rows(lambda: pieces)
    assert selection(learner, lambda: first, learner.start, learner.start).driven == ()


# a complaint that one condition brings about, and how often each state brings a car in
COMPLAINS = """causes = [
  { parent = "charge", effects = { low = [0.3, 0.5, 0.2], very_low = [0.1, 0.2, 0.7] } },
]
source = "invented"
grade = "estimate"
weight = 10

[comfort]
title = "Comfort"
about = "What else the customer says."
states = ["fine", "damp"]
complaint = ["damp"]
brings_in = { fine = 0.02, damp = 0.6 }
distribution = "graded"
convention = "net"
leak = { p = [0.85, 0.15] }
causes = []
"""


@pytest.fixture(scope="module")
def complaining() -> Knowledge:
    """The small knowledge in which cars are brought in for what is wrong with them."""
    texts = dict(Knowledge(SMALL).texts)
    before, after = texts["findings.toml"].split("[cooling]")
    texts["findings.toml"] = f"{before}[cooling]{after.replace('causes = []', COMPLAINS, 1)}"
    return Knowledge.of_texts(texts)


def came_in(knowledge: Knowledge, share: float, written: bool, seed: int) -> list[Piece]:
    """A thousand cars of a shop, so many of them with a complaint, which is written down or not."""
    rng, model = np.random.default_rng(seed), Model(knowledge)
    cars = simulate(model, {}, 20000, rng)
    each = brought_in_for(cars, knowledge, rng)
    complains = np.any([*each.values()], axis=0)
    chosen = [np.flatnonzero(complains)[: round(1000 * share)], np.flatnonzero(~complains)]
    rows = np.concatenate([chosen[0], chosen[1][: 1000 - len(chosen[0])]])
    said = {n: code[rows].astype(np.int8) for n, code in cars.evidence.codes.items()}
    said |= {name: np.where(written, said[name], -1).astype(np.int8) for name in each}
    setting = {"setting": np.where(complains[rows], 0, 1).astype(np.int8)}
    batch = InspectionBatch(len(rows), codes=said, choices=setting)
    groups, ways = encode(batch, knowledge).groups, ways_in(batch, knowledge)
    return [Piece(g.context, g.rows + 1, g.evidence, {}, {}, ways[g.rows]) for g in groups]


def shares(learner: Learner, pieces: list[Piece]) -> tuple[FloatArray, list[float]]:
    """Cars with a wrong charge, with either complaint, before any look, as learnt; the heights."""
    top, heights = learner.climb(lambda: pieces, learner.start)
    tree = Model(learner.knowledge_at(top)).tree({})
    right = {"charge": 4, "cooling": 3, "comfort": 2}
    first = {n: np.eye(s)[:1] for n, s in right.items()}
    logs = [tree.propagate(Evidence(1, {}, {n: w})).log_evidence[0] for n, w in first.items()]
    return 1 - np.exp(logs), heights


@pytest.mark.parametrize("written", [True, False])
def test_a_shop_that_gets_more_complaints_does_not_make_them_common(
    complaining: Knowledge, written: bool
):
    """Nine cars in ten come for a complaint, where the population has one in three. The numbers are
    those that the cars were drawn from, so that nothing should move beyond chance: .03 is twice the
    deviation of a share among the cars that count. Taken for a census, all of them do.
    """
    pieces = came_in(complaining, 0.9, written, 3)
    true, _ = shares(Learner(complaining, read_ways(None)), [])
    learnt, heights = shares(Learner(complaining, read_ways(None)), pieces)
    assert learnt == pytest.approx(true, abs=0.03)
    assert (np.diff(heights) >= -1e-6).all()
    census, _ = shares(Learner(complaining, read_ways(None), census=True), pieces)
    assert (census - true)[:2].min() > 0.1


def test_cars_that_stayed_away_are_the_slope_of_the_chance_to_come(complaining: Knowledge):
    """Against small steps of the share of low charge, up and down."""
    pieces = [*came_in(complaining, 0.7, True, 4), *came_in(complaining, 0.5, False, 5)]
    learner = Learner(complaining, read_ways(None))
    key = ("charge", ("rows", 0, "p"))
    start = learner.lists[key].values

    def at(step: float) -> State:
        return replace(learner.start, values={key: start + step * np.array([-1.0, 1.0, 0.0, 0.0])})

    slope = learner.expect(lambda: pieces, learner.start).tallies[key][0] @ [-1.0, 1.0, 0.0, 0.0]
    up, down = (learner.expect(lambda: pieces, at(s)).log_likelihood for s in (1e-5, -1e-5))
    assert slope == pytest.approx((up - down) / 2e-5, rel=1e-6)
    whole = [learner.scores(lambda: pieces, learner.start)[0].sum()]
    assert whole == pytest.approx([learner.expect(lambda: pieces, learner.start).log_likelihood])


def test_cars_are_learnt_from_as_they_come_where_their_number_is_that_of_the_population():
    """As many of each kind as there are: nobody stayed away."""
    cars = np.array([0.6, 0.3, 0.1])
    assert chances_in(cars) == pytest.approx([0.6, 0.4, 0.3])
    assert stayed_away(np.array([[60.0, 40.0, 0.0]]), cars) == pytest.approx(0.0)
    more = stayed_away(np.array([[0.0, 40.0, 0.0], [60.0, 0.0, 0.0], [0.0, 0.0, 3.0]]), cars)
    assert more == pytest.approx(np.array([[60.0, 0, 0], [0, 30, 10], [6, 0, 1]]))
