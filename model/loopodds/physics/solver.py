"""Newton's method on many loops at once, with steps held in bounds and never made worse."""

from collections.abc import Callable

import numpy as np

from loopodds.base.arrays import BoolArray, FloatArray, IntArray

Residuals = Callable[[FloatArray, IntArray], FloatArray]
"""Residuals, shape (m, k), of guesses, shape (m, k), of the loops with the numbers given, (m,)."""

CONVERGED = 1e-8
SHORTER = (1.0, 0.4, 0.12, 0.02)
MOST_STEPS = 40


def newton(
    residuals: Residuals, guess: FloatArray, active: BoolArray, scale: FloatArray, low: FloatArray, high: FloatArray
) -> tuple[FloatArray, BoolArray]:
    """Solve every loop; those not solved keep their best guess and are told.

    Args:
        residuals: Of the unknowns of some of the loops.
        guess: shape (n, k).
        active: shape (k,): which unknowns are solved for; the others stay.
        scale: shape (k,): largest step of each unknown.
        low, high: shape (n, k): bounds.
    """
    x = np.clip(guess, low, high)
    solved = np.zeros(len(x), bool)
    columns = np.flatnonzero(active)
    rows = np.arange(len(x))
    now = residuals(x, rows)[:, columns]
    for _ in range(MOST_STEPS):
        done = np.abs(now).max(axis=1) < CONVERGED
        solved[rows[done]] = True
        rows, now = rows[~done], now[~done]
        if not len(rows):
            break
        step = _step(residuals, x[rows], rows, now, columns, scale, high[rows])
        x[rows], now = _best(residuals, x[rows], rows, now, columns, step, low[rows], high[rows])
    return x, solved


def _step(residuals: Residuals, x: FloatArray, rows: IntArray, now: FloatArray, columns: IntArray, scale: FloatArray, high: FloatArray) -> FloatArray:
    """Newton steps from one-sided differences, shortened to the scale."""
    k = len(columns)
    nudged = np.repeat(x[None], k, axis=0)
    nudge = np.empty((k, len(x)))
    for j, column in enumerate(columns):
        size = 1e-6 * scale[column]
        nudge[j] = np.where(x[:, column] + size > high[:, column], -size, size)
        nudged[j, :, column] += nudge[j]
    moved = residuals(nudged.reshape(-1, x.shape[1]), np.tile(rows, k))[:, columns]
    slope = (moved.reshape(k, len(x), k) - now) / nudge[..., None]
    jacobian = np.moveaxis(slope, 0, -1) * scale[columns]
    damp = 1e-10 * np.eye(k)
    normal = np.swapaxes(jacobian, 1, 2) @ jacobian
    flat = np.abs(np.linalg.det(jacobian)) < 1e-9
    step = np.zeros((len(x), k))
    if not flat.all():
        step[~flat] = np.linalg.solve(jacobian[~flat], -now[~flat, :, None])[..., 0]
    if flat.any():
        pull = -np.swapaxes(jacobian[flat], 1, 2) @ now[flat, :, None]
        step[flat] = np.linalg.solve(normal[flat] + damp + 1e-6 * np.eye(k), pull)[..., 0]
    return step / np.maximum(np.abs(step).max(axis=1, keepdims=True), 1.0) * scale[columns]


def _best(residuals: Residuals, x: FloatArray, rows: IntArray, now: FloatArray, columns: IntArray, step: FloatArray, low: FloatArray, high: FloatArray) -> tuple[FloatArray, FloatArray]:
    """The longest of a few shares of the step that makes the residuals smaller, else the last."""
    best, left = x.copy(), now.copy()
    was = np.linalg.norm(now, axis=1)
    open_ = np.arange(len(x))
    for share in SHORTER:
        tried = x[open_].copy()
        tried[:, columns] += share * step[open_]
        tried = np.clip(tried, low[open_], high[open_])
        found = residuals(tried, rows[open_])[:, columns]
        good = np.linalg.norm(found, axis=1) < (1.0 - 0.05 * share) * was[open_]
        keep = good | (share == SHORTER[-1])
        best[open_[keep]], left[open_[keep]] = tried[keep], found[keep]
        open_ = open_[~good]
        if not len(open_):
            break
    return best, left
