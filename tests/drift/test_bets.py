"""Bets are fair where nothing has moved, and win where something has."""

from __future__ import annotations

import numpy as np
import pytest
from loopodds.drift.bets import (
    POWERS,
    STEP,
    Stake,
    best_stretch,
    fitted_offset,
    oddity_ratios,
    threshold,
    word_bets,
    word_ratios,
)
from loopodds.drift.foretold import foretold_readings
from loopodds.drift.looks import FACTORS, OFFSETS, odd_words
from loopodds.inference.likelihoods import gauge_density
from scipy.integrate import quad


def said(chances: np.ndarray, rng: np.random.Generator) -> np.ndarray:
    return (rng.random(len(chances))[:, None] > np.cumsum(chances, axis=1)[:, :-1]).sum(axis=1)


@pytest.mark.parametrize("states", [2, 3, 5])
def test_every_bet_on_a_word_pays_back_on_average_what_was_staked(states: int):
    chances = np.random.default_rng(1).dirichlet(np.ones(states), 7)
    bets = word_bets(states)
    paid = sum(
        chances[:, [state]] * np.exp(word_ratios(chances, np.full(7, state), bets))
        for state in range(states)
    )
    assert paid == pytest.approx(1.0, abs=1e-12)


def test_every_bet_on_an_odd_look_pays_back_what_was_staked():
    """The integral of a power over the unit interval."""
    for number in range(len(POWERS)):
        whole, _ = quad(lambda p, k=number: float(np.exp(oddity_ratios(np.array([p])))[0, k]), 0, 1)
        assert whole == pytest.approx(1.0, abs=1e-6)


def test_every_bet_on_a_reading_pays_back_what_was_staked():
    """Against numerical integration over the mixture that :mod:`likelihoods` has; 1e-6 of quad."""
    mean, spread = np.array([-2.0, 1.0]), np.array([1.0, 3.0])
    joint, pair = np.array([[0.3, 0.5, 0.2]]), np.array([0, 1, 0])
    gauge = mean, spread, 0.05, 12.0

    def ratios(value: float) -> np.ndarray:
        out, below = np.empty((1, len(OFFSETS) + len(FACTORS))), np.empty(1)
        seen = np.array([value]), np.array([0.5])
        foretold_readings(joint, pair, gauge, seen, (OFFSETS, FACTORS), out, below)
        return np.exp(out[0])

    def density(value: float) -> float:
        each = gauge_density(value, 0.5, mean[pair], spread[pair], (0.05, 12.0))
        return float(joint[0] @ each)

    for number in (0, 5, 11, 12, 13):
        whole, _ = quad(lambda v, k=number: density(v) * ratios(v)[k], -90, 90, limit=400)
        assert whole == pytest.approx(1.0, abs=1e-6)


def test_the_chance_of_a_lower_reading_is_the_integral_of_its_density():
    mean, spread = np.array([-2.0, 1.0]), np.array([1.0, 3.0])
    joint, pair = np.array([[0.3, 0.7]]), np.array([0, 1])
    out, below = np.empty((1, len(OFFSETS) + len(FACTORS))), np.empty(1)
    seen = np.array([0.7]), np.array([0.0])
    foretold_readings(joint, pair, (mean, spread, 0.05, 12.0), seen, (OFFSETS, FACTORS), out, below)
    whole, _ = quad(
        lambda v: float(joint[0] @ gauge_density(v, 0.0, mean, spread, (0.05, 12.0))), -90, 0.7
    )
    assert below[0] == pytest.approx(whole, abs=1e-7)


def test_odd_words_are_uniform_whatever_the_chances():
    """Kolmogorov's bound at one in ten thousand: 2.23 / sqrt(n)."""
    rng = np.random.default_rng(3)
    chances = rng.dirichlet(np.full(4, 0.3), 20_000)
    p_value = np.sort(odd_words(chances, said(chances, rng), rng))
    at = (np.arange(len(p_value)) + 0.5) / len(p_value)
    assert np.abs(p_value - at).max() < 2.23 / np.sqrt(len(p_value))


def test_a_stake_is_rarely_high_at_any_time_where_nothing_has_moved():
    """Ville's bound for 400 streams of 3,000 looks each, at one in twenty."""
    rng = np.random.default_rng(5)
    highest = []
    for _ in range(400):
        chances = np.full((3000, 2), 0.5)
        stake = Stake(3000, len(word_bets(2)))
        stake.follow(word_ratios(chances, rng.integers(0, 2, 3000), word_bets(2)))
        highest.append(stake.highest)
    assert (np.array(highest) > np.log(20)).mean() <= 0.05


def test_a_stake_does_not_depend_on_the_pieces_in_which_looks_come():
    rng = np.random.default_rng(7)
    ratios = rng.normal(-0.02, 0.2, (1000, 3))
    whole = Stake(1000, 3).follow(ratios)
    parts = Stake(1000, 3)
    pieces = [parts.follow(ratios[a:b]) for a, b in ((0, 37), (37, 350), (350, 1000))]
    assert np.concatenate(pieces) == pytest.approx(whole, abs=1e-9)
    # by hand: a third on each bet and a tenth on each begin
    grown = np.exp(np.cumsum(ratios, axis=0))
    before = np.vstack([np.ones(3), grown])[::STEP][:10]
    own = [(grown[-1] / before).sum() / (10 * 3)]
    assert whole[-1] == pytest.approx(np.log(own[0]), abs=1e-9)


def test_a_change_after_a_long_quiet_time_is_found_and_dated():
    rng = np.random.default_rng(9)
    chances = np.full((40_000, 2), [0.7, 0.3])
    moved = np.arange(40_000) >= 36_000
    seen = (rng.random(40_000) < np.where(moved, 0.4, 0.3)).astype(int)
    ratios = word_ratios(chances, seen, word_bets(2))
    path = Stake(40_000, ratios.shape[1]).follow(ratios)
    raised = int(np.flatnonzero(path >= threshold(np.zeros(120)))[0])
    assert 36_000 < raised < 38_000
    best = best_stretch(ratios)
    assert best.earliest <= 36_000 <= best.latest
    assert best.latest - best.earliest < 1000


def test_false_discoveries_stay_below_their_share():
    """Five of sixty p-values are of things that moved; the others are uniform: 2,000 draws."""
    rng = np.random.default_rng(11)
    shares = []
    for _ in range(2000):
        logs = -np.log(rng.random(60))
        logs[:5] += 20
        named = logs >= threshold(logs.tolist(), 0.1)
        shares.append(named[5:].sum() / max(named.sum(), 1))
    assert np.mean(shares) < 0.1


def test_an_offset_is_the_top_of_its_curve():
    """The log-likelihood of a normal of 400 readings is a parabola with the error of their mean."""
    curve = -0.5 * 400 * (OFFSETS - 0.8) ** 2 + 0.5 * 400 * 0.8**2
    best, error = fitted_offset(OFFSETS, curve)
    assert best == pytest.approx(0.8, abs=1e-9)
    assert error == pytest.approx(1 / 20, abs=1e-9)
