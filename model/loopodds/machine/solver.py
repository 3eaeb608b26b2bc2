"""Many loops to their steady state at once: implicit steps in pseudo-time that become Newton's.

Each residual is the rate at which its unknown would move in a loop left to itself. Implicit Euler
steps follow that course while far off, and as the residuals shrink the steps in time grow until
they are those of Newton's method (switched evolution relaxation: Mulder & van Leer, J. Comput.
Phys. 59 (1985) 232; Kelley & Keyes, SIAM J. Numer. Anal. 35 (1998) 508). A loop is stable, so that
this finds its state from far away, where Newton's method alone wanders.
"""

from collections.abc import Callable
from importlib import import_module
from typing import Any

import numpy as np

from loopodds.base.arrays import BoolArray, FloatArray, IntArray

Rates = Callable[[FloatArray, IntArray], FloatArray]
"""Rates, shape (m, k), of guesses, shape (m, k), of the loops with the numbers given, (m,)."""

CONVERGED = 1e-8
TRIALS = 4


def settle(
    rates: Rates,
    guess: FloatArray,
    active: BoolArray,
    scale: FloatArray,
    bounds: tuple[FloatArray, FloatArray],
    most_steps: int,
) -> tuple[FloatArray, BoolArray]:
    """Bring every loop to rest; those that do not come keep their last guess and are told.

    Args:
        rates: Of the unknowns of some of the loops; those not active are left alone.
        guess: shape (n, k).
        active: shape (k,): which unknowns are solved for; the others stay.
        scale: shape (k,): largest step of each unknown, and the unit of its rate.
        bounds: lowest and highest, shape (n, k).
        most_steps: After which a loop is given up.
    """
    columns = np.flatnonzero(active)
    unit = scale[columns]
    x = np.clip(guess, *bounds)
    solved = np.zeros(len(x), bool)
    rows = np.arange(len(x))
    share = np.ones(len(x))
    now = rates(x, rows)[:, columns]
    for _ in range(most_steps):
        low, high = bounds[0][rows], bounds[1][rows]
        inverse = _inverse(rates, x[rows], rows, now, columns, scale, high)
        step = (inverse @ now[..., None])[..., 0]
        length = np.linalg.norm(step, axis=1)
        longest = 1.0 / np.maximum(np.abs(step).max(axis=1), 1e-300)
        share = np.minimum(share, longest)
        open_ = np.arange(len(rows))
        kept = x[rows].copy()
        left = now.copy()
        for trial in range(TRIALS):
            tried = x[rows[open_]]
            tried[:, columns] += share[open_, None] * step[open_] * unit
            tried = np.clip(tried, low[open_], high[open_])
            found = rates(tried, rows[open_])[:, columns]
            again = np.linalg.norm((inverse[open_] @ found[..., None])[..., 0], axis=1)
            good = again < (1.0 - 0.25 * share[open_]) * length[open_]
            take = good | (trial == TRIALS - 1)
            kept[open_[take]], left[open_[take]] = tried[take], found[take]
            share[open_[good]] *= 3.0
            open_ = open_[~good]
            if not len(open_):
                break
            share[open_] *= 0.35
        share = np.clip(share, 0.03, 1.0)
        x[rows], now = kept, left
        done = np.abs(now).max(axis=1) < CONVERGED
        solved[rows[done]] = True
        rows, now, share = rows[~done], now[~done], share[~done]
        if not len(rows):
            break
    return x, solved


def search(
    rates: Rates,
    guesses: FloatArray,
    row: int,
    active: BoolArray,
    scale: FloatArray,
    bounds: tuple[FloatArray, FloatArray],
) -> tuple[FloatArray, bool]:
    """The state of one loop by Levenberg and Marquardt's method (MINPACK), from several guesses.

    It shortens its steps by the sum of squares and so comes down where the course in time of
    `settle` goes round in circles: controls nearly shut, a valve nearly closed. Slow, for the few
    that are left.

    Args:
        guesses: shape (m, k); tried in turn.
        row: number of the loop; `bounds` are those of all loops, shape (n, k).
    """
    root: Any = import_module("scipy.optimize").root
    low, high = bounds[0][row], bounds[1][row]
    number = np.array([row])

    def left(inner: FloatArray) -> FloatArray:
        x = guess.copy()
        x[active] = inner * scale[active]
        return np.asarray(rates(x[None], number)[0, active])

    for guess in guesses:
        # Its trials know no bounds: what overflows there is found wanting and shortened.
        with np.errstate(over="ignore", invalid="ignore", divide="ignore"):
            found = root(left, guess[active] / scale[active], method="lm", tol=1e-12)
        x = guess.copy()
        x[active] = found.x * scale[active]
        inside = bool(((low <= x) & (x <= high))[active].all())
        if inside and np.abs(found.fun).max() < CONVERGED:
            return x, True
    return guesses[0], False


def _inverse(
    rates: Rates,
    x: FloatArray,
    rows: IntArray,
    now: FloatArray,
    columns: IntArray,
    scale: FloatArray,
    high: FloatArray,
) -> FloatArray:
    """Implicit steps, their slopes from one-sided differences, shortened to the scale."""
    k = len(columns)
    nudged = np.repeat(x[None], k, axis=0)
    nudge = np.empty((k, len(x)))
    for j, column in enumerate(columns):
        size = 1e-6 * scale[column]
        nudge[j] = np.where(x[:, column] + size > high[:, column], -size, size)
        nudged[j, :, column] += nudge[j]
    moved = rates(nudged.reshape(-1, x.shape[1]), np.tile(rows, k))[:, columns]
    slope = (moved.reshape(k, len(x), k) - now) / nudge[..., None]
    jacobian = np.moveaxis(slope, 0, -1) * scale[columns]
    return np.asarray(np.linalg.inv(-jacobian + 1e-10 * np.eye(k)), float)
