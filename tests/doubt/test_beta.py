"""Quantiles of Beta distributions: against scipy's distribution, and at the edges."""

from __future__ import annotations

import numpy as np
import pytest
from loopodds.doubt.beta import beta_interval
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
