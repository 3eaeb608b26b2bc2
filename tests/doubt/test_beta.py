"""Quantiles of Beta distributions: against scipy's distribution, and at the edges."""

from __future__ import annotations

import numpy as np
import pytest
from loopodds.doubt.beta import SCIPY_FROM, beta_interval, beta_quantile
from scipy.special import betaincinv
from scipy.stats import beta


def test_the_ends_are_quantiles_of_the_beta_with_these_moments():
    rng = np.random.default_rng(3)
    a, b = np.exp(rng.uniform(np.log(0.02), np.log(3000), (2, 300)))
    of = beta(a, b)
    low, high = beta_interval(of.mean(), of.var())
    # a skewed one can have nine tenths of it on one side of its mean
    assert low == pytest.approx(np.minimum(of.ppf(0.05), of.mean()), abs=1e-9)
    assert high == pytest.approx(np.maximum(of.ppf(0.95), of.mean()), abs=1e-9)


def test_an_interval_holds_its_mean_and_certainty_is_a_point():
    mean = np.array([0.0, 1.0, 0.3, 0.001, 0.5, 0.5])
    variance = np.array([0.0, 0.1, 0.0, 0.0009, 0.01, 5.0])
    low, high = beta_interval(mean, variance)
    assert (low <= mean).all()
    assert (mean <= high).all()
    assert low[:3] == pytest.approx(mean[:3])
    assert high[:3] == pytest.approx(mean[:3])
    # more variance than any chance can have: all is open
    assert (low[5], high[5]) == pytest.approx((0.0, 1.0), abs=1e-6)


def test_quantiles_are_those_of_scipy():
    """Few are worked out here, many by scipy: shapes from thousandths to a hundred thousand."""
    rng = np.random.default_rng(4)
    mean = np.clip(rng.uniform(0, 1, SCIPY_FROM // 2) ** 3, 1e-6, 1 - 1e-6)
    size = 10 ** rng.uniform(-2, 5, len(mean))
    a, b = mean * size, (1 - mean) * size
    for share in (0.05, 0.95):
        np.testing.assert_allclose(beta_quantile(a, b, share), betaincinv(a, b, share), atol=1e-10)
