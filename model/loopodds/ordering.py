"""In which order to try repairs when each is proved before the next, at least expected cost.

Under one fault, independent costs and actions that each cure one fault, sorting by probability
over cost is optimal (Kadane & Simon 1977). Where actions overlap it is not, and the exact order is
then found over the sets of actions tried; nothing cheaper can be exact (Vomlelova & Vomlel 2003).
"""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from typing import NamedTuple

import numpy as np

from loopodds.aliases import FloatArray
from loopodds.errors import TooLarge

MOST_ACTIONS = 16


class RepairOrder(NamedTuple):
    """Actions in order, and the expected cost until the fault is cured or help is called."""

    actions: tuple[int, ...]
    cost: float


def by_efficiency(chance: Sequence[float], cost: Sequence[float]) -> tuple[int, ...]:
    """Actions by falling probability of a cure over cost.

    Examples
    --------
    >>> by_efficiency([0.4, 0.3, 0.2, 0.1], [5, 15, 1, 10])
    (2, 0, 1, 3)
    """
    ratio = np.asarray(chance, dtype=float) / np.maximum(np.asarray(cost, dtype=float), 1e-12)
    return tuple(np.argsort(-ratio, kind="stable").tolist())


def best_order(
    prior: Sequence[float] | FloatArray,
    cures: Sequence[Sequence[float]] | FloatArray,
    cost: Sequence[float] | FloatArray,
    call: float | None = None,
    before: Mapping[int, Collection[int]] | None = None,
) -> RepairOrder:
    """Order of least expected cost under one fault.

    Parameters
    ----------
    prior : shape (faults,)
        Probability of each fault; sums to one.
    cures : shape (actions, faults)
        Chance that an action cures a fault; actions fail independently.
    cost : shape (actions,)
        Spent whenever the action is tried; after each it is known whether the fault is cured.
    call : float, optional
        Cost of calling help, which ends the job at any time; without it every action is tried.
    before : mapping of int to collection of int, optional
        Actions that must have been tried before an action.

    Returns
    -------
    RepairOrder
        Equal costs are settled in favour of the earlier action.

    Raises
    ------
    TooLarge
        If there are more than 16 actions.
    """
    fails = 1 - np.asarray(cures, dtype=float)
    actions = len(fails)
    if actions > MOST_ACTIONS:
        raise TooLarge(
            f"{actions} repairs have 2^{actions} orders of trying; at most 16 are sorted"
        )
    needed = [sum(1 << other for other in (before or {}).get(a, ())) for a in range(actions)]
    everything = (1 << actions) - 1
    left = np.array([_unsolved(prior, fails, tried) for tried in range(everything + 1)])
    value = np.empty(everything + 1)
    step = np.full(everything + 1, -1)
    value[everything] = 0.0 if call is None else call * left[everything]
    for tried in range(everything - 1, -1, -1):
        open_now = [a for a in range(actions) if not tried >> a & 1 and not needed[a] & ~tried]
        costs = [cost[a] * left[tried] + value[tried | 1 << a] for a in open_now]
        best = int(np.argmin(costs))
        value[tried], step[tried] = costs[best], open_now[best]
        if call is not None and call * left[tried] < value[tried]:
            value[tried], step[tried] = call * left[tried], -1
    order = []
    tried = 0
    while step[tried] >= 0:
        order.append(int(step[tried]))
        tried |= 1 << order[-1]
    return RepairOrder(tuple(order), float(value[0]))


def _unsolved(prior: Sequence[float] | FloatArray, fails: FloatArray, tried: int) -> float:
    """Probability that the fault is still there once some actions were tried."""
    rows = [a for a in range(len(fails)) if tried >> a & 1]
    return float(np.asarray(prior) @ fails[rows].prod(axis=0))
