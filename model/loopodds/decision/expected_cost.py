"""The plan of least expected cost, and the order in which to try its repairs.

Plans are sums of parts that can be chosen freely, so that thousands of beliefs are judged by one
product of matrices. Each repair is proved before the next. Under one fault, independent costs and
actions that each cure one fault, sorting by probability over cost is optimal (Kadane & Simon 1977).
Where actions overlap it is not, and the exact order is then found over the sets of actions tried;
nothing cheaper can be exact (Vomlelova & Vomlel 2003).
"""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, field, replace
from itertools import accumulate
from typing import NamedTuple

import numpy as np

from loopodds.base.arrays import FloatArray, Query
from loopodds.base.errors import TooLarge

_ROWS = 2048


@dataclass(frozen=True, slots=True, eq=False)
class Component:
    """Options of which exactly one is taken."""

    options: tuple[Query, ...]  # names of what each option does
    constant: FloatArray  # shape (options,): what an option costs whatever is wrong
    loss: FloatArray  # shape (options, columns): what it costs besides
    # shape (options, fault columns): chance that a state is there afterwards; a complaint that it
    # brings about then stays unsolved
    lasts: FloatArray | None = None


@dataclass(frozen=True, slots=True, eq=False)
class Setting:
    """Components that can be combined freely; other combinations belong to other settings."""

    components: tuple[Component, ...]
    filling: bool = False  # whether one of its constants holds the price of filling a loop


class Plan(NamedTuple):
    """One plan: what it does, its whole expected cost, and where it stands in the decision."""

    actions: Query
    cost: float
    setting: int
    options: tuple[int, ...]


@dataclass(slots=True, eq=False)
class Decision:
    """All plans."""

    # hidden variables that bear on the cost, with their number of states
    variables: tuple[tuple[str, int], ...]
    # tests that some plans need done first. A column is one state of one variable, in the order
    # of the variables, then one for each need: one while it is still to be done, then one for
    # each debt: one from the test on that brings it about.
    needs: Query
    settings: tuple[Setting, ...]
    # shape (columns,): costs whose expected sum is never above what the best plan would cost to
    # someone who knew every variable exactly
    informed: FloatArray
    # tests after which a need can no longer be done, and is asked for no more
    ended_by: Mapping[str, frozenset[str]] = field(default_factory=dict)
    # debts that every plan has to settle, and the tests of which any one brings them about
    owed: Mapping[str, frozenset[str]] = field(default_factory=dict)
    # needs that are set-ups, and the other needs that share each: it is open with one of them
    shared_by: Mapping[str, frozenset[str]] = field(default_factory=dict)
    _loss: FloatArray = field(init=False, repr=False)
    _constant: FloatArray = field(init=False, repr=False)
    _starts: list[int] = field(init=False, repr=False)
    _first: list[int] = field(init=False, repr=False)

    def __post_init__(self) -> None:
        parts = [part for setting in self.settings for part in setting.components]
        self._loss = np.ascontiguousarray(np.vstack([part.loss for part in parts]).T)
        self._constant = np.concatenate([part.constant for part in parts])
        self._starts = [0, *accumulate(len(part.constant) for part in parts)][:-1]
        self._first = [0, *accumulate(len(s.components) for s in self.settings)][:-1]

    @property
    def certain(self) -> int:
        """Number of columns, the last ones, that follow from what was done: needs and debts."""
        return len(self.needs) + len(self.owed)

    @property
    def queries(self) -> list[Query]:
        """What to ask the engine for: the marginal of every variable."""
        return [(name,) for name, _ in self.variables]

    def marginals(self, posteriors: Mapping[str, FloatArray], to_do: FloatArray) -> FloatArray:
        """Posteriors and what follows from the tests done side by side, shape (rows, columns).

        ``posteriors``, shape (rows, states), by variable; ``to_do``, shape (rows, certain) or
        (certain,), from the method of that name.
        """
        parts = [posteriors[name] for name, _ in self.variables]
        wide = np.broadcast_to(to_do, (len(parts[0]), self.certain))
        return np.hstack([*parts, wide])

    def of_joints(self, joints: Mapping[Query, FloatArray], to_do: FloatArray) -> FloatArray:
        """The same from the answers to :attr:`queries`."""
        return self.marginals({name: joints[name,] for name, _ in self.variables}, to_do)

    def to_do(self, done: Collection[str], standing: Collection[str] = ()) -> FloatArray:
        """One for each need that is not done and still can be, and for each debt; else zero.

        A set-up that is ``standing`` is not needed.
        """
        needed = self.open_needs(done, standing)
        owing = [not causes.isdisjoint(done) for causes in self.owed.values()]
        return np.array([*(name in needed for name in self.needs), *owing], dtype=float)

    def open_needs(self, done: Collection[str], standing: Collection[str] = ()) -> Query:
        """Needs that are not done and still can be, in order, with the set-ups they share."""
        over = {need for need, ends in self.ended_by.items() if not ends.isdisjoint(done)}
        over.update(done, standing)
        left = {name for name in self.needs if name not in over}
        idle = {name for name, users in self.shared_by.items() if users.isdisjoint(left)}
        return tuple(name for name in self.needs if name in left - idle)

    def cost(self, marginals: FloatArray) -> FloatArray:
        """Expected cost of the best plan in every row, shape (rows,)."""
        blocks = (marginals[start : start + _ROWS] for start in range(0, len(marginals), _ROWS))
        return np.concatenate([np.empty(0), *(self._by_setting(b).min(axis=1) for b in blocks)])

    def _by_setting(self, marginals: FloatArray) -> FloatArray:
        options = marginals @ self._loss + self._constant
        parts = np.minimum.reduceat(options, self._starts, axis=1)
        totals: FloatArray = np.add.reduceat(parts, self._first, axis=1)
        return totals

    def informed_cost(self, marginals: FloatArray) -> FloatArray:
        """Lower bound of the expected cost under perfect information, shape (rows,)."""
        bound: FloatArray = marginals @ self.informed
        return bound

    def best(self, marginal: FloatArray) -> Plan:
        """Plan of least expected cost for one row of marginals, shape (columns,)."""
        return self.alternatives(marginal, 1)[0]

    def alternatives(self, marginal: FloatArray, count: int) -> list[Plan]:
        """The best plan, then plans that differ from a setting's best in one component.

        Different ones only, cheapest first; none settles a debt that there is not. ``marginal``
        has shape (columns,).
        """
        owing = marginal[len(marginal) - len(self.owed) :]
        idle = {name for name, due in zip(self.owed, owing, strict=True) if not due}
        plans: dict[Query, Plan] = {}
        for number, setting in enumerate(self.settings):
            costs = [part.constant + part.loss @ marginal for part in setting.components]
            chosen = [int(c.argmin()) for c in costs]
            variants = [chosen] + [
                [*chosen[:i], other, *chosen[i + 1 :]]
                for i, c in enumerate(costs)
                for other in np.argsort(c)[1 : count + 1].tolist()
            ]
            for variant in variants:
                total = sum(float(c[o]) for c, o in zip(costs, variant, strict=True))
                plan = Plan(self._actions(number, variant), total, number, tuple(variant))
                key = tuple(sorted(plan.actions))
                if idle.isdisjoint(key) and (key not in plans or plan.cost < plans[key].cost):
                    plans[key] = plan
        return sorted(plans.values(), key=lambda plan: plan.cost)[:count]

    def _actions(self, setting: int, options: Sequence[int]) -> Query:
        pairs = zip(self.settings[setting].components, options, strict=True)
        return tuple(name for part, option in pairs for name in part.options[option])

    def cost_of(self, plan: Plan, marginals: FloatArray) -> FloatArray:
        """Expected cost of one plan in every row, shape (rows,)."""
        pairs = list(zip(self.settings[plan.setting].components, plan.options, strict=True))
        loss = np.sum([part.loss[option] for part, option in pairs], axis=0)
        total: FloatArray = marginals @ loss + sum(float(p.constant[o]) for p, o in pairs)
        return total

    def chosen(self, marginals: FloatArray) -> list[Query]:
        """What the best plan does in every row."""
        setting = self._by_setting(marginals).argmin(axis=1)
        actions = []
        for number, row in zip(setting.tolist(), marginals, strict=True):
            costs = [p.constant + p.loss @ row for p in self.settings[number].components]
            actions.append(self._actions(number, [int(cost.argmin()) for cost in costs]))
        return actions

    def restricted(self, action: str, included: bool) -> Decision:
        """The same decision among the plans that do, or do not, include an action."""
        settings = []
        for setting in self.settings:
            parts = [_restrict(part, action, included) for part in setting.components]
            offered = any(action in option for part in parts for option in part.options)
            if all(len(part.options) for part in parts) and offered is included:
                settings.append(Setting(tuple(parts)))
        return replace(self, settings=tuple(settings))


def _restrict(part: Component, action: str, included: bool) -> Component:
    """Options that contain the action, or do not; untouched where no option ever does."""
    holds = np.array([action in option for option in part.options])
    if not holds.any():
        return part
    keep = np.flatnonzero(holds == included)
    options = tuple(part.options[i] for i in keep)
    lasts = None if part.lasts is None else part.lasts[keep]
    return Component(options, part.constant[keep], part.loss[keep], lasts)


MOST_ACTIONS = 16


class RepairOrder(NamedTuple):
    """Actions in order, and the expected cost until the fault is cured or help is called."""

    actions: tuple[int, ...]
    cost: float


def best_order(
    prior: Sequence[float] | FloatArray,
    cures: Sequence[Sequence[float]] | FloatArray,
    cost: Sequence[float] | FloatArray,
    call: float | None = None,
    before: Mapping[int, Collection[int]] | None = None,
) -> RepairOrder:
    """Order of least expected cost under one fault.

    Args:
        prior: shape (faults,); probability of each fault; sums to one.
        cures: shape (actions, faults); chance of each cure; actions fail independently.
        cost: shape (actions,); of each try, after which it is known whether the fault is cured.
        call: Cost of calling help, which ends the job; without it every action is tried.
        before: Actions that must have been tried before an action.

    Equal costs are settled in favour of the earlier action.

    Raises:
        TooLarge: if there are more than 16 actions.
    """
    fails = 1 - np.asarray(cures, dtype=float)
    actions = len(fails)
    if actions > MOST_ACTIONS:
        raise TooLarge(
            f"{actions} repairs have 2^{actions} orders of trying; at most 16 are sorted"
        )
    needed = [sum(1 << other for other in (before or {}).get(a, ())) for a in range(actions)]
    everything = (1 << actions) - 1
    tried_sets = [[a for a in range(actions) if t >> a & 1] for t in range(everything + 1)]
    left = np.array([float(np.asarray(prior) @ fails[s].prod(axis=0)) for s in tried_sets])
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


def least_cost(left: float, useful: Sequence[tuple[str, frozenset[str], float, float]]) -> float:
    """Least of price and harm left over the services that can be combined.

    ``left`` is the harm without any; ``useful`` has of each its name, those that exclude it, its
    price, and the share of the harm that it leaves.
    """
    least = left
    for i, (_, apart, price, stays) in enumerate(useful):
        if price < left:
            rest = [other for other in useful[i + 1 :] if other[0] not in apart]
            least = min(least, price + least_cost(left * stays, rest))
    return least


def unions(sets: Sequence[frozenset[str]]) -> list[frozenset[str]]:
    """What any of some sets have together, the smallest first."""
    found = {frozenset[str]()}
    for one in sets:
        found |= {some | one for some in found}
    return sorted(found, key=lambda some: (len(some), sorted(some)))
