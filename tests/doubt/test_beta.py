"""Quantiles of Beta distributions: against scipy, and at the edges."""

from __future__ import annotations

import numpy as np
import pytest
from loopodds.doubt.beta import beta_interval, beta_quantiles
from scipy.special import betaincinv


def test_quantiles_are_those_of_scipy():
    """Sums on a grid of some 1,200 points: within half a thousandth, from flat to very skewed."""
    rng = np.random.default_rng(3)
    a, b = np.exp(rng.uniform(np.log(0.02), np.log(3000), (2, 300)))
    at = np.array([0.05, 0.5, 0.95])
    assert beta_quantiles(a, b, at) == pytest.approx(
        betaincinv(a[:, None], b[:, None], at), abs=5e-4
    )


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
