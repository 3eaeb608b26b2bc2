"""Bets against what the network foretells: a fair game that only drift wins.

A bet pays the chance that another law gives to what is seen over the chance foretold, so that on
average it pays back what was staked, whatever was looked at and why (Ville 1939; Shafer 2021). The
stake is dealt out evenly over several other laws and over the times at which each may begin, that
is a martingale with restarts: money that waits for its time loses nothing. That it is ever worth
more than c has a chance of at most 1 / c, however often one looks.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

import numpy as np

from loopodds.base.arrays import FloatArray, IntArray

TILTS = np.array([-1.6, -0.8, -0.4, 0.4, 0.8, 1.6, 3.2])
"""Log-odds by which a word may be said oftener than foretold."""
POWERS = np.array([0.6, 0.8, 0.9, 1.1, 1.3])
"""Of p-values: e p^(e - 1) bets on odd ones below one, on ones that fit too well above."""
LEAST_P = 1e-12
STEP = 100
"""Looks after which bets begin anew."""
FALSE_DISCOVERIES = 0.01
BEGINS_WITHIN = 3.0
"""Loss of log-likelihood up to which a place is a likely begin (a chance of one in twenty)."""


class Word(NamedTuple):
    """A bet that one state is said oftener, or more seldom."""

    state: int
    tilt: float  # log-odds


def word_bets(states: int) -> tuple[Word, ...]:
    """Bets on a word of so many states."""
    chosen = (1,) if states == 2 else range(states)
    return tuple(Word(state, float(tilt)) for state in chosen for tilt in TILTS)


def word_ratios(foretold: FloatArray, seen: IntArray, bets: Sequence[Word]) -> FloatArray:
    """Log of what each bet pays, shape (looks, bets), at chances of shape (looks, states)."""
    state = np.array([bet.state for bet in bets])
    tilt = np.array([bet.tilt for bet in bets])
    paid = tilt * (seen[:, None] == state)
    ratios: FloatArray = paid - np.log1p(foretold[:, state] * np.expm1(tilt))
    return ratios


def oddity_ratios(p_value: FloatArray) -> FloatArray:
    """Log of what each power of the p-values pays, shape (looks, powers)."""
    logs = np.log(np.maximum(p_value, LEAST_P))
    ratios: FloatArray = np.log(POWERS) + (POWERS - 1) * logs[:, None]
    return ratios


class Stake:
    """What a stake of one has become, look after look.

    Args:
        looks: How many will be looked at in all: begins are spread over them.
        bets: Other laws.
        step: Looks between begins.
    """

    def __init__(self, looks: int, bets: int, step: int = STEP) -> None:
        self.begins, self.step = max(1, -(-looks // step)), step
        self._looks = 0
        self._grown = np.zeros(bets)  # log of what each bet has paid from the first look on
        self._begun = np.full(bets, -np.inf)  # log of the sum over begins of one over that
        self.highest, self.highest_at = 0.0, -1

    def follow(self, ratios: FloatArray) -> FloatArray:
        """Further looks: the log of what the stake has become after each, shape (looks,)."""
        path = np.empty(len(ratios))
        share = np.log(self.begins * len(self._grown))
        done = 0
        while done < len(ratios):
            into = self._looks % self.step
            if into == 0:
                self._begun = np.logaddexp(self._begun, -self._grown)
            count = min(self.step - into, len(ratios) - done)
            grown = self._grown + np.cumsum(ratios[done : done + count], axis=0)
            waiting = 1 - (self._looks // self.step + 1) / self.begins
            won = np.logaddexp.reduce(grown + self._begun, axis=1) - share
            held = np.log(waiting) if waiting > 1e-12 else -np.inf
            path[done : done + count] = np.logaddexp(held, won)
            self._grown = grown[-1]
            self._looks, done = self._looks + count, done + count
        if len(path) and path.max() > self.highest:
            self.highest = float(path.max())
            self.highest_at = self._looks - len(path) + int(path.argmax())
        return path


def threshold(logs: Sequence[float], share: float = FALSE_DISCOVERIES) -> float:
    """Lowest stake, as a logarithm, from which streams are named, by the highest stake of each.

    One over the highest stake is a p-value that may be looked at any time; the line of Benjamini &
    Yekutieli 2001, which holds whatever hangs together, keeps the false among those named, on
    average, below the share. Where nothing is amiss anything is named with that chance at most.

    >>> round(threshold([2.0, 3.0]), 2), round(threshold([5.5, 7.0]), 2)
    (5.7, 5.01)
    """
    order = np.sort(np.asarray(logs, dtype=float))[::-1]
    count = len(order)
    if not count:
        return float("inf")
    ranks = np.arange(1, count + 1)
    lines = np.log(count * (1.0 / ranks).sum() / (share * ranks))
    over = np.flatnonzero(order >= lines)
    return float(lines[over[-1] if len(over) else 0])


class Stretch(NamedTuple):
    """Looks on which a bet pays best: the first and, one beyond, the last; likely begins."""

    first: int
    end: int
    earliest: int
    latest: int
    bet: int
    gain: float


def best_stretch(ratios: FloatArray) -> Stretch:
    """The stretch and the bet of the largest log-likelihood over what was foretold.

    >>> best_stretch(np.array([[-1.0], [2.0], [2.0], [-3.0]]))[:2]
    (1, 3)
    """
    grown = np.vstack([np.zeros(ratios.shape[1]), np.cumsum(ratios, axis=0)])
    lowest = np.minimum.accumulate(grown, axis=0)
    gain = (grown - lowest)[1:]
    end, bet = np.unravel_index(int(gain.argmax()), gain.shape)
    own, stop = grown[:, bet], int(end) + 1
    loss = own[:stop] - own[:stop].min()
    first = int(np.flatnonzero(loss == 0)[-1])
    likely = np.flatnonzero(loss <= BEGINS_WITHIN)
    return Stretch(
        first, stop, int(likely[0]), int(likely[-1]), int(bet), float(own[stop] - own[first])
    )


def fitted_offset(offsets: FloatArray, gains: FloatArray) -> tuple[float, float]:
    """The best offset and its standard error, by a parabola through the three best of a grid.

    Args:
        offsets, gains: Grid without zero and the log-likelihood at each over that at zero.
    """
    at = np.append(offsets, 0.0)
    order = np.argsort(at)
    at, height = at[order], np.append(gains, 0.0)[order]
    top = int(np.clip(height.argmax(), 1, len(at) - 2))
    curve = np.polyfit(at[top - 1 : top + 2], height[top - 1 : top + 2], 2)
    if curve[0] >= 0:
        return float(at[height.argmax()]), float("inf")
    best = np.clip(-curve[1] / (2 * curve[0]), at[0], at[-1])
    return float(best), float(np.sqrt(-0.5 / curve[0]))
