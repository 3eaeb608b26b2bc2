"""Tests done for a reason that nobody wrote down are named, others are not."""

from __future__ import annotations

import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from loopodds.diagnosis.model import Model
from loopodds.upkeep.confirmation import read_ways
from loopodds.upkeep.estimation import Learner
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
