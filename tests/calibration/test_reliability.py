"""Reliability without bins: the curve, its band, the parts of the scores, and the weights."""

from __future__ import annotations

import numpy as np
import pytest
from loopodds.calibration.events import chances, drawn_shifts
from loopodds.calibration.propensity import confirmed_chances, weighting
from loopodds.calibration.reliability import Outcomes, certain, reliability
from loopodds.upkeep.confirmation import Rates, read_ways
from model_diagnostics.scoring import LogLoss, SquaredError, decompose

FEW_DRAWS = np.zeros((199, 1, 2))


def drawn(seed: int, cars: int = 300) -> tuple[np.random.Generator, np.ndarray]:
    """Probabilities as a network states them: many near nothing."""
    rng = np.random.default_rng(seed)
    return rng, rng.beta(0.6, 1.5, cars).round(3)


def logit(p: np.ndarray) -> np.ndarray:
    return np.log(p) - np.log1p(-p)


def stretched(p: np.ndarray, by: float) -> np.ndarray:
    inside = np.clip(p, 1e-6, 1 - 1e-6)
    return 1 / (1 + np.exp(-by * logit(inside)))


@pytest.mark.parametrize("seed", range(3))
def test_the_parts_of_both_scores_are_those_of_an_independent_package(seed: int):
    """PyPI model-diagnostics, with weights and many equal probabilities."""
    rng, stated = drawn(seed)
    stated = np.clip(stated, 0.001, 0.999)
    happened, weights = rng.random(300) < stretched(stated, 0.6), rng.gamma(2.0, 1.0, 300)
    told = reliability(certain(stated, happened, weights), rng, FEW_DRAWS)
    for parts, loss in ((told.brier, SquaredError()), (told.log, LogLoss())):
        other = decompose(happened.astype(float), stated, weights=weights, scoring_function=loss)
        row = other.row(0, named=True)
        assert parts.miscalibration == pytest.approx(row["miscalibration"], abs=1e-9)
        assert parts.discrimination == pytest.approx(row["discrimination"], abs=1e-9)
        assert parts.uncertainty == pytest.approx(row["uncertainty"], abs=1e-9)
        assert parts.score == pytest.approx(row["score"], abs=1e-9)


def test_the_parts_make_up_the_score_and_are_none_of_them_below_nothing():
    rng, stated = drawn(4)
    told = reliability(certain(stated, rng.random(300) < stated), rng, FEW_DRAWS)
    for parts in (told.log, told.brier):
        whole = parts.miscalibration - parts.discrimination + parts.uncertainty
        assert parts.score == pytest.approx(whole)
        assert min(parts) >= 0


@pytest.mark.slow
def test_nine_tenths_of_calibrated_curves_lie_in_the_band_and_one_p_value_in_ten_below_a_tenth():
    inside, p_values = [], []
    for seed in range(120):
        rng, stated = drawn(seed, 150)
        told = reliability(certain(stated, rng.random(150) < stated), rng, FEW_DRAWS)
        curve = told.curve
        inside.append(((curve.low <= curve.happened) & (curve.happened <= curve.high)).mean())
        p_values.append(told.p_value)
    assert np.mean(inside) == pytest.approx(0.9, abs=0.03)
    assert np.mean(np.array(p_values) <= 0.1) == pytest.approx(0.1, abs=0.07)
    assert np.mean(p_values) == pytest.approx(0.5, abs=0.08)


@pytest.mark.parametrize("by", [2.0, 0.5])
def test_probabilities_too_bold_or_too_timid_are_found(by: float):
    """What happens is known; log-odds twice, or half, as large are stated."""
    rng, truth = drawn(7, 600)
    told = reliability(certain(stretched(truth, by), rng.random(600) < truth), rng, FEW_DRAWS)
    assert told.p_value == 1 / 200
    assert told.outside
    # bold: the unlikely happens more often than stated, the likely less often
    too_bold = [(s.happened > s.high) == (s.first + s.last < 1) for s in told.outside]
    assert np.mean([bold == (by > 1) for bold in too_bold]) > 0.5


def test_shares_come_back_through_the_errors_of_the_reports():
    """One fault in five is missed and one in ten of the others called present."""
    rng, stated = drawn(11, 6000)
    least, most = np.full(6000, 0.1), np.full(6000, 0.8)
    said = rng.random(6000) < np.where(rng.random(6000) < stated, most, least)
    ones = np.ones(6000)
    outcomes = Outcomes(stated, said, least, most, ones, np.zeros(6000, int), 1 - stated, stated)
    told = reliability(outcomes, rng, FEW_DRAWS)
    assert told.happened == pytest.approx(stated.mean(), abs=0.02)
    assert told.p_value > 0.05
    assert np.abs(told.curve.happened - told.curve.stated)[5:-5].max() < 0.12
    as_sure = reliability(certain(stated, said), rng, FEW_DRAWS)
    assert as_sure.p_value == 1 / 200


def test_error_rates_that_are_hardly_known_widen_the_band():
    rng, stated = drawn(12, 800)
    ways = read_ways(None)
    least, most = np.full((2, 800), chances(Rates(0.12, 0.05, 0.0, 0.85, 0.3))[:, None])
    said = rng.random(800) < least + (most - least) * stated
    outcomes = Outcomes(
        stated, said, least, most, np.ones(800), np.full(800, 2), 1 - stated, stated
    )
    sure = reliability(outcomes, rng, np.zeros((199, 3, 2)))
    open_ = reliability(outcomes, rng, drawn_shifts(ways, 199, rng))
    assert (open_.curve.high - open_.curve.low).mean() > 1.2 * (
        sure.curve.high - sure.curve.low
    ).mean()


def test_too_few_reports_of_either_kind_are_no_evidence():
    rng = np.random.default_rng(1)
    rare, common = np.full(200, 0.01), np.full(200, 0.5)
    assert reliability(certain(rare, rare > 1), rng, FEW_DRAWS).few
    assert reliability(certain(1 - rare, rare < 1), rng, FEW_DRAWS).few
    assert not reliability(certain(rare, rng.random(200) < 0.2), rng, FEW_DRAWS).few
    assert not reliability(certain(common, rng.random(200) < 0.5), rng, FEW_DRAWS).few


# test positive and diseased, positive and not, negative and diseased, negative and not; positive
# and negative without verification: Drum & Christacopoulos, Journal of Nuclear Medicine 13 (1972)
# 908-915, as the table of 650 patients in the data of Arifin & Yusof, PLOS ONE 20 (2025) e0321440
HEPATIC = (231, 32, 27, 54, 166, 140)


def test_weights_correct_the_published_liver_scans_for_who_was_verified():
    """Begg & Greenes 1983 on them: sensitivity .90 becomes .84, specificity .63 becomes .74."""
    positive = np.repeat([1.0, 1.0, 0.0, 0.0, 1.0, 0.0], HEPATIC)
    sick = np.repeat([1.0, 0.0, 1.0, 0.0, np.nan, np.nan], HEPATIC)
    verified = ~np.isnan(sick)
    assert (len(positive), verified.sum()) == (650, 344)
    found = weighting(confirmed_chances(positive[:, None], verified)[verified])
    ill, scan = sick[verified] == 1, positive[verified] == 1

    def shares(w: np.ndarray) -> list[float]:
        return [w[scan & ill].sum() / w[ill].sum(), w[~scan & ~ill].sum() / w[~ill].sum()]

    exact = 429 * 231 / 263, 221 * 27 / 81, 429 * 32 / 263, 221 * 54 / 81
    begg_greenes = [exact[0] / (exact[0] + exact[1]), exact[3] / (exact[2] + exact[3])]
    assert shares(np.ones(344)) == pytest.approx([0.895, 0.628], abs=5e-4)
    assert begg_greenes == pytest.approx([0.836, 0.738], abs=1e-3)
    assert shares(found.weights) == pytest.approx(begg_greenes, abs=0.005)
    assert found.effective < 344
    rng = np.random.default_rng(2)
    stated = np.where(scan, 231 / 263, 27 / 81)
    told = reliability(certain(stated, ill, found.weights), rng, FEW_DRAWS)
    assert told.happened == pytest.approx((exact[0] + exact[1]) / 650, abs=0.005)
    assert told.log.miscalibration == pytest.approx(0, abs=1e-9)


def test_opened_cars_weighted_tell_what_all_cars_would_have_told():
    """Cars are opened the oftener the worse they look, and with those that look bad more is wrong
    than stated. The weighted share lies where nine in ten would by chance around that of full
    verification; the plain share of opened cars hardly ever.
    """
    near, plain_near = 0, 0
    for seed in range(40):
        rng, stated = drawn(seed, 1500)
        looks = rng.normal(size=1500)
        happened = rng.random(1500) < stated**0.5 / (1 + np.exp(-3 * looks))
        opened = rng.random(1500) < 1 / (1 + np.exp(1.0 - 1.2 * looks))
        record = np.column_stack([logit(np.clip(stated, 0.002, 0.998)), looks])
        found = weighting(confirmed_chances(record, opened)[opened])
        whole = happened.mean()
        share = np.average(happened[opened], weights=found.weights)
        reach = 1.645 * np.sqrt(whole * (1 - whole) / found.effective)
        near += abs(share - whole) <= reach
        plain_near += abs(happened[opened].mean() - whole) <= reach
    assert near >= 33
    assert plain_near <= 4


def test_one_car_against_all_odds_does_not_stand_for_all():
    chances_ = np.full(1000, 0.5)
    chances_[:5] = 1e-4
    found = weighting(chances_)
    assert found.largest < 2
    assert found.effective > 900
    assert found.weights.mean() == pytest.approx(1.0)
