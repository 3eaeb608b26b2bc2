"""Scores of stated probabilities: published examples, scikit-learn, and algebra."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from loopodds.base.errors import OutOfRange
from loopodds.calibration.scores import (
    adjusted_shares,
    base_rate,
    brier_score,
    calibration_curve,
    log_score,
    murphy_parts,
    wilson_interval,
)

# ten forecasts of 0.2 with 3 events and ten of 0.8 with 7, worked out by hand
TWENTY = (np.repeat([0.2, 0.8], 10), np.repeat([1, 0, 1, 0], [3, 7, 7, 3]))

forecasts = st.lists(st.tuples(st.floats(0, 1), st.booleans()), min_size=1, max_size=60).map(
    lambda pairs: tuple(map(np.array, zip(*pairs, strict=True)))
)


def test_parts_of_the_brier_score_worked_out_by_hand():
    # BS = 0.01 - 0.04 + 0.25 (Murphy 1973); abs 1e-12: float rounding of twenty terms
    assert murphy_parts(*TWENTY) == pytest.approx((0.01, 0.04, 0.25), abs=1e-12)
    assert brier_score(*TWENTY) == pytest.approx(0.22, abs=1e-12)


def test_log_score_and_calibration_error_worked_out_by_hand():
    # abs 1e-10: the values are given to ten digits
    expected = -(6 * np.log(0.2) + 14 * np.log(0.8)) / 20
    assert expected == pytest.approx(0.6390318597, abs=1e-10)
    assert log_score(*TWENTY) == pytest.approx(expected, abs=1e-12)
    assert calibration_curve(*TWENTY).error == pytest.approx(0.1, abs=1e-12)


def test_examples_printed_in_the_scikit_learn_documentation():
    y, p = [0, 1, 1, 0], [0.1, 0.9, 0.8, 0.3]
    assert brier_score(p, y) == pytest.approx(0.0375, abs=1e-12)
    # printed to five digits
    assert log_score([0.1, 0.9, 0.8, 0.35], [0, 1, 1, 0]) == pytest.approx(0.21616, abs=1e-5)
    y = [0, 0, 0, 0, 1, 1, 1, 1, 1]
    p = [0.1, 0.2, 0.3, 0.4, 0.65, 0.7, 0.8, 0.9, 1.0]
    curve = calibration_curve(p, y, bins=3)
    assert curve.happened == pytest.approx([0.0, 0.5, 1.0], abs=1e-12)
    assert curve.stated == pytest.approx([0.2, 0.525, 0.85], abs=1e-12)


@given(forecasts)
def test_the_parts_sum_to_the_score(pair):
    # abs 1e-12: float rounding
    reliability, resolution, uncertainty = murphy_parts(*pair)
    assert brier_score(*pair) == pytest.approx(reliability - resolution + uncertainty, abs=1e-12)


def test_scores_agree_with_scikit_learn_on_random_forecasts():
    from sklearn.calibration import calibration_curve as reference_curve
    from sklearn.metrics import brier_score_loss, log_loss

    rng = np.random.default_rng(20)
    p = rng.beta(0.6, 1.4, 3000)
    y = rng.random(3000) < p
    # abs 1e-12: float rounding of sums of 3000 terms
    assert brier_score(p, y) == pytest.approx(brier_score_loss(y, p), abs=1e-12)
    assert log_score(p, y) == pytest.approx(log_loss(y, p), abs=1e-12)
    happened, stated = reference_curve(y, p, n_bins=10)
    curve = calibration_curve(p, y)
    assert curve.happened == pytest.approx(happened, abs=1e-12)
    assert curve.stated == pytest.approx(stated, abs=1e-12)
    assert curve.forecasts.sum() == 3000


def test_wilson_interval_agrees_with_scipy():
    from scipy.stats import binomtest

    for events, trials in [(0, 5), (3, 10), (55, 80), (80, 80)]:
        reference = binomtest(events, trials).proportion_ci(0.9, method="wilson")
        # abs 1e-12: the same closed formula
        assert wilson_interval(events, trials) == pytest.approx(tuple(reference), abs=1e-12)


def test_the_share_of_a_condition_is_found_where_the_mean_of_posteriors_is_not():
    # a test right nine times in ten, on cars of which 40 % are faulty, read with a prior of 10 %
    rng = np.random.default_rng(7)
    faulty = rng.random(20_000) < 0.4
    positive = np.where(rng.random(20_000) < 0.9, faulty, ~faulty)
    posterior = np.where(positive, 0.5, 0.1 * 0.1 / (0.1 * 0.1 + 0.9 * 0.9))
    rate = base_rate(posterior, 0.1)
    # closed form for one test: share of positives = 0.9 s + 0.1 (1 - s)
    closed = (positive.mean() - 0.1) / 0.8
    # abs 1e-9: far above the last halving, 2**-50
    assert rate.share == pytest.approx(closed, abs=1e-9)
    spread = positive.mean() * (1 - positive.mean()) / 20_000
    assert rate.standard_error == pytest.approx(np.sqrt(spread) / 0.8, rel=1e-6)
    assert abs(posterior.mean() - 0.4) > 0.1


def test_posteriors_that_learnt_nothing_leave_the_prior_as_the_share():
    rate = base_rate([0.3, 0.3, 0.3], 0.3)
    assert rate.share == pytest.approx(0.3, abs=1e-12)
    assert np.isinf(rate.standard_error)


def test_an_archive_without_a_doubt_has_a_share_of_one_or_none():
    assert base_rate([1.0, 1.0], 0.3).share == 1.0
    assert base_rate([0.01, 0.02], 0.3).share == 0.0


def test_adjusting_for_the_stratum_reverses_the_kidney_stone_comparison():
    # Charig et al. 1986: open surgery and puncture, by stone size
    successes, trials = np.array([[81, 192], [234, 55]]), np.array([[87, 263], [270, 80]])
    crude = successes.sum(axis=1) / trials.sum(axis=1)
    assert crude == pytest.approx([0.780, 0.8257], abs=5e-5)
    # abs 1e-10: given to ten digits
    assert adjusted_shares(successes, trials) == pytest.approx([0.8325462174, 0.7788750], abs=1e-7)


@pytest.mark.parametrize(
    ("p", "y", "message"),
    [
        ([], [], "forecasts in one row expected, at least one; got shape (0,)"),
        ([0.5, 1.2], [0, 1], "forecast 1 is 1.2; a probability is from 0 to 1"),
        ([float("nan")], [0], "forecast 0 is nan; a probability is from 0 to 1"),
        ([0.5, 0.5], [0], "2 forecasts but outcomes of shape (1,)"),
        ([0.5], [2], "an outcome is 0 or 1, false or true"),
    ],
)
def test_what_is_no_forecast_is_refused(p, y, message):
    with pytest.raises(OutOfRange) as caught:
        brier_score(p, y)
    assert str(caught.value) == message


def test_other_refusals():
    with pytest.raises(OutOfRange, match="0 bins: at least one is needed"):
        calibration_curve([0.5], [1], bins=0)
    with pytest.raises(OutOfRange, match="a prior of 0 or 1 cannot be revised by any archive"):
        base_rate([0.5], 0.0)
    with pytest.raises(OutOfRange, match="a treatment was never tried in one of the strata"):
        adjusted_shares([[1, 0], [1, 1]], [[2, 0], [2, 2]])
