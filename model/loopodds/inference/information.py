"""What a test can still tell, in bits: exact, given everything seen so far.

A test shows its observables jointly: their distribution is one contraction over the calibrated
junction tree, and the noise that remains once the car's state is known follows from their own
tables, I = H(O) - H(O | state). A gauge enters as a column of nodes, so a number is never binned:
the trapezoidal rule on a smoothly stretched grid converges exponentially once it is finer than
the spread of what it samples (Trefethen & Weideman 2014).
"""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from functools import cached_property
from typing import NamedTuple
from weakref import WeakKeyDictionary

import numpy as np

from loopodds.base.arrays import BoolArray, FloatArray, IntArray, Query
from loopodds.inference.joints import Calibrated, Factor, contract
from loopodds.inference.likelihoods import gauge_density, implied_table
from loopodds.inference.network import Discrete, GaugeNode

Masks = Mapping[str, Mapping[str, Collection[int]]]

STEP = 0.8
"""Distance of the nodes of a gauge in its local spread; the error stays below 1e-3 bits."""
_REACH = 6.0
_NEGLIGIBLE = 1e-8
_grids: WeakKeyDictionary[GaugeNode, dict[tuple[float, float], Grid]] = WeakKeyDictionary()
"""Grids by step and extra spread, for as long as their gauge lives."""


class Grid(NamedTuple):
    """Readings of a gauge, the length each stands for, and P(node | parents).

    Shapes (nodes,), (nodes,), (*parent cards, nodes); the last axis of the table sums to one.
    ``extra`` is the standard deviation that the conditions add to the gauge's own.
    """

    nodes: FloatArray
    lengths: FloatArray
    table: FloatArray
    extra: float

    def where(self, keep: BoolArray) -> Grid:
        """Some of the nodes."""
        return Grid(self.nodes[keep], self.lengths[keep], self.table[..., keep], self.extra)


class Channel(NamedTuple):
    """One observable as a factor: names of its axes but the last, and P(outcome | those).

    ``grid`` holds the readings that the outcomes of a gauge stand for; None for words.
    """

    name: str
    given: Query
    table: FloatArray
    grid: Grid | None = None


def gauge_grid(gauge: GaugeNode, step: float, extra: float = 0.0) -> Grid:
    """A gauge as a discrete observable over readings.

    The readings lie as close as the narrowest component that reaches there needs: an even grid
    in t with dx/dt = s(x), s a smooth minimum over the components.

    Args:
        step: Distance of the readings in units of the local spread.
        extra: Standard deviation that the conditions add to the gauge's own [scale].
    """
    kept = _grids.setdefault(gauge, {})
    if (step, extra) in kept:
        return kept[step, extra]
    own = np.hypot(gauge.spread, extra)
    wide = float(np.hypot(gauge.wide, extra)) if gauge.share > 0 else float(own.max())
    pairs = np.column_stack([gauge.mean.ravel(), own.ravel()])
    mean, spread = np.unique(np.vstack([pairs, [[0.0, wide]]]), axis=0).T[:, :, None]
    low, high = (mean - _REACH * spread).min(), (mean + _REACH * spread).max()
    fine = np.linspace(low, high, 4001)
    density = 1 / _local_spread(fine, mean, spread)
    t = np.concatenate([[0.0], np.cumsum((density[1:] + density[:-1]) / 2 * np.diff(fine))])
    count = int(np.ceil(t[-1] / step))
    nodes = np.interp(np.linspace(0.0, t[-1], count + 1), t, fine)
    lengths = t[-1] / count * _local_spread(nodes, mean, spread)
    misread = gauge.share, gauge.wide
    table = lengths * gauge_density(
        nodes, extra, gauge.mean[..., None], gauge.spread[..., None], misread
    )
    kept[step, extra] = Grid(nodes, lengths, table / table.sum(axis=-1, keepdims=True), extra)
    return kept[step, extra]


def _local_spread(x: FloatArray, mean: FloatArray, spread: FloatArray) -> FloatArray:
    """Smooth minimum over components of their spread, larger away from their means."""
    near = (x - mean) / 2
    near *= near  # in place: where little is known of a car there are hundreds of components
    near += spread**2
    near *= near
    near *= near
    result: FloatArray = np.reciprocal(near, out=near).sum(axis=0) ** -0.125
    return result


class _Cluster(NamedTuple):
    """Outcomes that stay linked once the car's state is known, and the state that links them."""

    names: list[str]
    state: set[str]
    links: set[str]


class Look:
    """What can be seen together on one car, given what is known of it.

    Args:
        names: Observables, gauges or hidden variables; those already known are left out.
        masks: For a gauge the findings, with their states, that make it show nothing.
        step: Distance of the nodes of a gauge in its local spread; 0 takes gauges as words.
        extra: Standard deviation that the conditions add to that of a gauge [scale]; mostly
            nothing, as a reading yet to be taken is taken under known conditions.
    """

    def __init__(
        self,
        calibrated: Calibrated,
        names: Sequence[str],
        masks: Masks | None = None,
        step: float = STEP,
        extra: Mapping[str, float] | None = None,
    ) -> None:
        self.calibrated = calibrated
        self._masks = masks or {}
        self._extra = extra or {}
        self.names: Query = tuple(name for name in names if self._open(name))
        self._channels = {name: self._channel(name, step) for name in self.names}
        self._own_noise: dict[str, float] = {}

    def _open(self, name: str) -> bool:
        """Whether it is not yet known and not made unreadable by what is known."""
        if name in self.calibrated.known:
            return False
        codes = self.calibrated.evidence.codes
        return not any(
            int(codes[finding][0]) in states
            for finding, states in self._masks.get(name, {}).items()
            if finding in codes
        )

    def _channel(self, name: str, step: float) -> Channel:
        variable = self.calibrated.network.variable(name)
        if name in self.calibrated.network.hidden:
            return Channel(name, (), np.empty(0))
        if isinstance(variable, Discrete):
            implied = self.calibrated.evidence.implied.get(name)
            table = variable.table if implied is None else implied_table(variable, implied)[0]
            return Channel(name, variable.parents, table)
        if step == 0:
            channel = Channel(name, variable.parents, variable.word_table)
        else:
            grid = gauge_grid(variable, step, self._extra.get(name, 0.0))
            own = Factor((*variable.parents, name), grid.table)
            chance = contract([*self.calibrated.factors(variable.parents), own], (name,))
            grid = grid.where(chance > _NEGLIGIBLE)
            channel = Channel(name, variable.parents, grid.table, grid)
        for finding, states in self._masks.get(name, {}).items():
            if finding in self.names:
                channel = self._hidden_by(channel, finding, states)
        return channel

    def _hidden_by(self, channel: Channel, finding: str, states: Collection[int]) -> Channel:
        """The channel with an axis for a finding under which it always shows its first outcome."""
        count = len(self.calibrated.network.states(finding))
        shape = (*channel.table.shape[:-1], count, channel.table.shape[-1])
        table = np.broadcast_to(channel.table[..., None, :], shape).copy()
        table[..., list(states), :] = np.eye(1, shape[-1])
        return Channel(channel.name, (*channel.given, finding), table, channel.grid)

    def hiders(self, name: str) -> Query:
        """Findings of this look that can make a gauge of it unreadable."""
        return tuple(finding for finding in self._masks.get(name, {}) if finding in self.names)

    def grid(self, name: str) -> Grid | None:
        """Readings that the outcomes of a gauge stand for; None for words."""
        return self._channels[name].grid

    def shut(self, names: Query, index: IntArray) -> BoolArray:
        """Where an outcome is that of a gauge made unreadable by another; shape (rows, names)."""
        shut = np.zeros(index.shape, dtype=bool)
        for column, name in enumerate(names):
            for finding in self.hiders(name):
                states = list(self._masks[name][finding])
                shut[:, column] |= np.isin(index[:, names.index(finding)], states)
        return shut

    @cached_property
    def distribution(self) -> FloatArray:
        """P(outcomes | all that is known), one axis an observable, sums to one."""
        return contract(self._factors(self.names), self.names)

    def _factors(self, names: Sequence[str], extra: Collection[str] = ()) -> list[Factor]:
        """Factors of the joint of some outcomes and of further hidden variables."""
        hidden = self.calibrated.network.hidden
        channels = [self._channels[name] for name in names if name not in hidden]
        mentioned = {*names, *(parent for c in channels for parent in c.given)}
        own = [Factor((*c.given, c.name), c.table) for c in channels]
        return [*self.calibrated.factors({*extra, *mentioned.intersection(hidden)}), *own]

    def bits(self, about: Collection[str] | None = None) -> float:
        """Expected information about the joint state of some hidden variables (None: of all).

        H(outcomes) - H(outcomes | state), in bits; zero where nothing is left to see.
        """
        if not self.names:
            return 0.0
        state = set(self.calibrated.network.hidden if about is None else about)
        noise = sum(self._cluster_noise(cluster) for cluster in self._clusters(state))
        return max(0.0, entropy(self.distribution) - noise)

    def _cluster_noise(self, cluster: _Cluster) -> float:
        if not cluster.links:
            return sum(map(self._noise, cluster.names))
        names, state = tuple(cluster.names), tuple(sorted(cluster.state))
        joint = contract(self._factors(names, state), (*names, *state))
        return entropy(joint) - entropy(joint.sum(axis=tuple(range(len(names)))))

    def _noise(self, name: str) -> float:
        """Expected entropy of one outcome given its parents, in bits."""
        channel = self._channels[name]
        if not channel.table.size:
            return 0.0
        if name not in self._own_noise:
            seen = [g for g in channel.given if g not in self.calibrated.network.hidden]
            hidden = [g for g in channel.given if g not in seen]
            noise = Factor(channel.given, _row_entropy(channel.table))
            self._own_noise[name] = float(contract([*self._factors(seen, hidden), noise], ()))
        return self._own_noise[name]

    def own_bits(self, name: str) -> float:
        """Information of one outcome alone about all hidden variables, in bits."""
        axes = tuple(i for i, other in enumerate(self.names) if other != name)
        return entropy(self.distribution.sum(axis=axes)) - self._noise(name)

    def _clusters(self, state: set[str]) -> list[_Cluster]:
        """Outcomes grouped by the hidden variables outside the state that they share.

        Given the state, groups are independent; what links a group is every variable outside the
        state that can be reached without crossing the state.
        """
        clusters: list[_Cluster] = []
        for name in self.names:
            links, border = self._reach(name, state)
            linked = [cluster for cluster in clusters if cluster.links & links]
            clusters = [cluster for cluster in clusters if not cluster.links & links]
            clusters.append(
                _Cluster(
                    [*(other for cluster in reversed(linked) for other in cluster.names), name],
                    border.union(*(cluster.state for cluster in linked)),
                    links.union(*(cluster.links for cluster in linked)),
                )
            )
        return clusters

    def _reach(self, name: str, state: set[str]) -> tuple[set[str], set[str]]:
        """Variables outside the state that bear on an outcome, and the state around them."""
        hidden = self.calibrated.network.hidden
        channel = self._channels[name]
        start = {name} if name in hidden else {g for g in channel.given if g in hidden}
        start -= self.calibrated.fixed
        border, links = start & state, set()
        waiting = list(start - state)
        while waiting:
            variable = waiting.pop()
            if variable in links:
                continue
            links.add(variable)
            around = self.calibrated.neighbours[variable]
            border |= around & state
            waiting.extend(around - state)
        return links, border


def entropy(p: FloatArray) -> float:
    """Entropy of a joint distribution, in bits; cells of zero count nothing."""
    flat = p[p > 0]
    return float(-(flat * np.log2(flat)).sum())


def _row_entropy(table: FloatArray) -> FloatArray:
    logs = np.log2(table, out=np.zeros_like(table), where=table > 0)
    result: FloatArray = -(table * logs).sum(axis=-1)
    return result
