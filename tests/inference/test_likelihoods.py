"""The density of a gauge: one function, its compiled twin, and scipy say the same."""

from __future__ import annotations

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st
from loopodds.inference.likelihoods import gauge_density, normal_density
from loopodds.vectors.densities import readings
from loopodds.vectors.lanes import WIDTH
from scipy.stats import norm

# The compiled loop has its own exponential, exact to 4e-16 of itself; where the exponent is large
# one rounding of it moves the density by a few hundred times that.
FLOAT = 1e-12
TINY = 1e-30  # below which densities are divided by their largest

values = st.floats(-300.0, 300.0)
spreads = st.floats(0.1, 30.0)
pairs = st.lists(st.tuples(values, spreads), min_size=1, max_size=6)
often = settings(max_examples=200, deadline=None, derandomize=True)


rows = st.lists(st.tuples(values, st.floats(0.0, 30.0)), min_size=1, max_size=WIDTH - 1)


@often
@given(rows, pairs, st.floats(0.0, 0.2), st.floats(10.0, 200.0))
def test_the_density_of_a_reading_is_the_same_three_times(rows, pairs, share, wide):
    (value, extra), (mean, spread) = np.array(rows).T, np.array(pairs).T
    pack = np.array([*range(len(rows)), *[-1] * (WIDTH - len(rows))])
    compiled, logs = np.empty(WIDTH * (len(mean) + 3)), np.zeros(WIDTH)
    gauge = mean, spread**2, -0.5 / spread**2, 1.0 / spread
    readings(pack, (value, extra), gauge, (share, wide), compiled, 0, TINY, logs, len(mean))
    shares = compiled[: WIDTH * len(mean)].reshape(len(mean), WIDTH)
    assert (shares[:, len(rows) :] == 1.0).all()
    for b, (value, extra) in enumerate(rows):
        ours = gauge_density(value, extra, mean, spread, (share, wide))
        near = norm.pdf(value, mean, np.sqrt(spread**2 + extra**2))
        far = norm.pdf(value, 0.0, np.sqrt(wide**2 + extra**2))
        for other in (shares[:, b] * np.exp(logs[b]), (1 - share) * near + share * far):
            np.testing.assert_allclose(ours, other, rtol=FLOAT, atol=1e-300)


@often
@given(values, spreads)
def test_a_normal_density_depends_on_distance_and_falls_with_it(distance, spread):
    here = normal_density(distance, spread)
    assert here == normal_density(-distance, spread)
    assert here <= normal_density(0.0, spread)
    np.testing.assert_allclose(here, norm.pdf(distance, 0.0, spread), rtol=FLOAT, atol=1e-300)
