"""Information of tests: exact, joint, and never more than there is to know."""

from __future__ import annotations

from dataclasses import replace
from functools import cache
from pathlib import Path

import numpy as np
import pytest
from loopodds.base.arrays import FloatArray
from loopodds.exchange.bif import read_bif
from loopodds.inference.information import Look, entropy, gauge_grid
from loopodds.inference.joints import Calibrated
from loopodds.inference.junction import JunctionTree
from loopodds.inference.network import Discrete, Evidence, GaugeNode, Network
from planning import joint_of, marginal_of, random_variables
from shared import shipped

ORACLES = Path(__file__).parents[1] / "oracles"
# Two sums of the same products in another order, in bits.
FLOAT = 1e-9


@cache
def clinic() -> JunctionTree:
    return JunctionTree(read_bif(ORACLES / "chest_clinic.bif").network)


def calibrated(tree: JunctionTree, **states: str) -> Calibrated:
    codes = {n: np.array([tree.network.states(n).index(s)]) for n, s in states.items()}
    return Calibrated(tree, Evidence(1, codes))


def bits_of(joint: FloatArray, split: int) -> float:
    """Mutual information of the first ``split`` axes with the others, from the joint."""
    left = joint.sum(axis=tuple(range(split, joint.ndim)))
    right = joint.sum(axis=tuple(range(split)))
    return entropy(left) + entropy(right) - entropy(joint)


class TestChestClinic:
    """Inputs of Lauritzen & Spiegelhalter (1988); values enumerated from them, eight digits."""

    PRINTED = 5e-9

    @pytest.mark.parametrize(
        ("test", "bits"),
        [("xray", 0.18480724), ("smoke", 0.03237400), ("dysp", 0.02538249), ("asia", 0.0)],
    )
    def test_information_about_lung_cancer_before_anything_is_seen(self, test, bits):
        found = Look(calibrated(clinic()), [test]).bits(["lung"])
        # smoke is printed to six digits
        assert found == pytest.approx(bits, abs=5e-7 if test == "smoke" else self.PRINTED)

    @pytest.mark.parametrize(
        ("tests", "bits"),
        [(["xray"], 0.30174616), (["smoke"], 0.03427695), (["smoke", "xray"], 0.32139072)],
    )
    def test_information_about_lung_cancer_when_the_patient_is_short_of_breath(self, tests, bits):
        now = calibrated(clinic(), dysp="yes")
        assert entropy(now.joint(("lung",))) == pytest.approx(0.47768159, abs=self.PRINTED)
        assert Look(now, tests).bits(["lung"]) == pytest.approx(bits, abs=self.PRINTED)

    def test_a_visit_to_asia_says_next_to_nothing_about_lung_cancer(self):
        found = Look(calibrated(clinic(), dysp="yes"), ["asia"]).bits(["lung"])
        assert found == pytest.approx(8.6e-7, abs=5e-9)  # two digits printed


@pytest.mark.parametrize("seed", range(30))
def test_information_is_that_of_the_whole_joint(seed):
    rng = np.random.default_rng(seed)
    variables = random_variables(rng, hidden=4, seen=4)
    names, joint = joint_of(variables)
    tree = JunctionTree(Network.of_tables(variables))
    seen = rng.choice([n for n in names if n not in tree.network.hidden], 3, replace=False)
    known = {str(seen[0]): 0} if marginal_of(names, joint, [], {str(seen[0]): 0}) > 0 else {}
    tests = [str(seen[1]), str(seen[2]), "h3"][: int(rng.integers(1, 4))]
    about = [n for n in tree.network.hidden if n not in tests]
    if rng.random() < 0.5:
        about = about[:2]
    evidence = Evidence(1, {name: np.array([code]) for name, code in known.items()})
    table = marginal_of(names, joint, [*tests, *about], known)
    expected = bits_of(table / table.sum(), len(tests))
    found = Look(Calibrated(tree, evidence), tests).bits(about)
    assert found == pytest.approx(expected, abs=FLOAT)


def test_information_is_that_of_scikit_learn_on_the_exact_joint():
    """scikit-learn counts in whole numbers: probabilities in sixteenths make the joint exact."""
    from sklearn.metrics import mutual_info_score

    rng = np.random.default_rng(5)
    variables = [
        Discrete(v.name, v.states, v.parents, sixteenths(v.table, rng))
        for v in random_variables(rng, hidden=3, seen=2)
    ]
    names, joint = joint_of(variables)
    now = Calibrated(JunctionTree(Network.of_tables(variables)), Evidence(1))
    for test in ("o0", "o1"):
        for target in ("h0", "h2"):
            counts = marginal_of(names, joint, [test, target], {}) * 16.0**5
            assert (counts == np.round(counts)).all()
            nats = mutual_info_score(None, None, contingency=counts.astype(np.int64))
            assert Look(now, [test]).bits([target]) == pytest.approx(nats / np.log(2), abs=FLOAT)


def sixteenths(table: FloatArray, rng: np.random.Generator) -> FloatArray:
    rows = table.reshape(-1, table.shape[-1])
    return np.array([rng.multinomial(16, row) / 16 for row in rows]).reshape(table.shape)


def test_what_two_tests_tell_adds_up_only_along_a_chain():
    """Chain rule: I(A, B) = I(A) + the mean of I(B) once A is seen."""
    tree = clinic()
    now = calibrated(tree)
    after = 0.0
    for code, chance in enumerate(Look(now, ["xray"]).distribution):
        seen = Calibrated(tree, Evidence(1, {"xray": np.array([code])}))
        after += float(chance) * Look(seen, ["dysp"]).bits()
    both = Look(now, ["xray", "dysp"]).bits()
    assert both == pytest.approx(Look(now, ["xray"]).bits() + after, abs=FLOAT)
    assert both < Look(now, ["xray"]).bits() + Look(now, ["dysp"]).bits()


def test_what_is_known_tells_nothing_and_a_test_half_done_what_is_left():
    now = calibrated(clinic(), xray="yes")
    assert Look(now, ["xray"]).bits() == 0.0
    half = Look(now, ["xray", "dysp"]).bits()
    assert half == pytest.approx(Look(now, ["dysp"]).bits(), abs=FLOAT)
    assert half > 0


# --- gauges on the shipped network ------------------------------------------------------------

CONTEXTS = [
    {"setting": "complaint", "expansion": "TXV", "compressor": "fixed", "weather": "warm"},
    {"setting": "routine", "expansion": "orifice", "compressor": "variable", "weather": "cool"},
]
KNOWN = [{}, {"cooling": 2, "needle_flutter": 1, "leak_spot_uv": 0}]
QUADRATURE = 1e-3  # bits, the accuracy that is promised


@pytest.mark.parametrize("context", CONTEXTS, ids=["valve", "orifice"])
@pytest.mark.parametrize("known", KNOWN, ids=["nothing seen", "weak and worn"])
def test_information_of_a_reading_is_that_of_a_dense_grid(context, known):
    tree = shipped().tree(context)
    now = Calibrated(tree, Evidence(1, {n: np.array([c]) for n, c in known.items()}))
    for name, gauge in tree.network.gauges.items():
        expected = dense_bits(gauge, now)
        assert Look(now, [name]).bits() == pytest.approx(expected, abs=QUADRATURE), name


def test_information_of_two_readings_together_is_that_of_a_dense_grid():
    tree = shipped().tree(CONTEXTS[0])
    now = Calibrated(tree, Evidence(1))
    pair = Look(now, ["high_side", "low_side"]).bits()
    assert pair == pytest.approx(Look(now, ["high_side", "low_side"], step=0.3).bits(), abs=1e-3)


def dense_bits(gauge: GaugeNode, now: Calibrated) -> float:
    """Midpoint sums of the mixture and of each component over 8 000 even steps."""
    from scipy.stats import norm

    weight = now.joint(gauge.parents).ravel()
    mean, spread = gauge.mean.ravel()[:, None], gauge.spread.ravel()[:, None]
    reach = 8 * max(float(spread.max()), gauge.wide)
    x = np.linspace(float(mean.min()) - reach, float(mean.max()) + reach, 8_000)
    total = np.zeros_like(x)
    noise = 0.0
    for share, m, s in zip(weight, mean, spread, strict=True):
        p = (1 - gauge.share) * norm.pdf(x, m, s) + gauge.share * norm.pdf(x, 0.0, gauge.wide)
        total += share * p
        noise += share * _differential(p, x)
    return _differential(total, x) - noise


def _differential(p: FloatArray, x: FloatArray) -> float:
    inside = p[p > 0]
    return float(-(inside * np.log2(inside)).sum() * (x[1] - x[0]))


def test_a_gauge_tells_more_as_a_number_than_as_a_word():
    tree = shipped().tree(CONTEXTS[0])
    now = Calibrated(tree, Evidence(1))
    for name in tree.network.gauges:
        assert Look(now, [name], step=0).bits() < Look(now, [name]).bits()


def test_a_reading_told_less_sharply_tells_less():
    tree = shipped().tree(CONTEXTS[0])
    now = Calibrated(tree, Evidence(1))
    sharp = Look(now, ["vent"]).bits()
    dull = Look(now, ["vent"], extra={"vent": 1.5}).bits()
    assert 0 < dull < sharp
    gauge = tree.network.gauges["vent"]
    wide = float(np.hypot(gauge.wide, 1.5))
    wider = replace(gauge, spread=np.hypot(gauge.spread, 1.5), wide=wide)
    assert dull == pytest.approx(dense_bits(wider, now), abs=QUADRATURE)


def test_probabilities_over_the_nodes_of_a_gauge_sum_to_one():
    for gauge in shipped().tree(CONTEXTS[0]).network.gauges.values():
        assert gauge_grid(gauge, 0.8).table.sum(axis=-1) == pytest.approx(1.0, abs=1e-12)


MASKS = {"high_side": {"compressor_cycle": [2]}}


class TestMaskedGauge:
    """A cut-out compressor makes the running gauges unreadable."""

    def test_it_tells_nothing_once_the_compressor_is_seen_to_cut_out(self):
        tree = shipped().tree(CONTEXTS[0])
        cut_out = Calibrated(tree, Evidence(1, {"compressor_cycle": np.array([2])}))
        assert tree.network.states("compressor_cycle")[2] == "cut_out"
        assert Look(cut_out, ["high_side"], MASKS).bits() == 0.0

    def test_seen_together_it_tells_what_it_tells_when_the_compressor_runs(self):
        tree = shipped().tree(CONTEXTS[0])
        now = Calibrated(tree, Evidence(1))
        cycle = Look(now, ["compressor_cycle"])
        expected = cycle.bits()
        for code in (0, 1):
            seen = Calibrated(tree, Evidence(1, {"compressor_cycle": np.array([code])}))
            expected += float(cycle.distribution[code]) * Look(seen, ["high_side"]).bits()
        together = Look(now, ["compressor_cycle", "high_side"], MASKS).bits()
        # the grids of the three looks are not the same
        assert together == pytest.approx(expected, abs=QUADRATURE)


@pytest.mark.parametrize("seed", range(10))
def test_draws_of_the_posterior_follow_it(seed):
    rng = np.random.default_rng(seed)
    variables = random_variables(rng, hidden=4, seen=2)
    tree = JunctionTree(Network.of_tables(variables))
    now = Calibrated(tree, Evidence(1, {"o0": np.array([0])}))
    states = now.draw(20_000, rng)
    for pair in (("h0", "h2"), ("h1", "h3")):
        table = now.joint(pair)
        counts = np.zeros_like(table)
        np.add.at(counts, tuple(states[name] for name in pair), 1 / 20_000)
        # five standard deviations of a share
        assert np.abs(counts - table).max() < 5 * np.sqrt(0.25 / 20_000)
