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
from loopodds.upkeep.habits import is_explained, spread_rows, tilted_answers, without_driven
from loopodds.upkeep.selection import selection

sys.path.insert(0, str(Path(__file__).parents[1] / "benchmarks"))
import learning as simulated


@pytest.fixture(scope="module")
def learner() -> Learner:
    return Learner(Model().knowledge, read_ways(None))


@pytest.mark.slow
@pytest.mark.parametrize("driven", [True, False])
def test_a_test_done_because_the_fault_was_smelt_is_named(learner: Learner, driven: bool):
    """One archive of each kind; the benchmark draws dozens."""
    pieces = simulated.driven_pieces(learner, 1, "moisture_test", driven, 900, 0.7)
    named = simulated.named_tests(learner, pieces)
    assert ("moisture_test" in named) is driven
    assert len(named) <= 1


@pytest.mark.slow
def test_the_answer_moves_with_how_far_the_fault_drove_the_test(learner: Learner):
    """From one end of the range to the other in one direction, and by something."""
    pieces = simulated.driven_pieces(learner, 2, "moisture_test", True, 100)
    without = [without_driven(piece, ["moisture_test"], learner.knowledge) for piece in pieces]
    found = tilted_answers(learner, "moisture_test", lambda: without, lambda: pieces, learner.start)
    shares = list(found.shares.values())
    assert found.fault == "moisture"
    assert list(found.shares) == ["-1", "-0.5", "0", "0.5", "1"]
    assert shares in (sorted(shares), sorted(shares, reverse=True))
    assert abs(shares[-1] - shares[0]) > 1e-3
    assert 0 < found.left_out < 1


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
    first = spread_rows(pieces)
    assert selection(learner, lambda: first, learner.start, learner.start).driven == ()
