"""What a sound loop reads, as a function of the conditions, and how far cars and doubt spread it.

A gauge says what a sound loop shows either as a value with slopes or as a table over conditions;
both become one grid on the same axes, linear between its points and level beyond them. A condition
that is not stated is integrated out with the typical value and spread, or the shares, of
``contexts.toml``; so is what is not known of the make-up of the car. Two moments are kept.
"""

import math
from collections.abc import Collection, Mapping, Sequence
from functools import lru_cache
from typing import NamedTuple

import numpy as np

from loopodds.base.arrays import FloatArray, IntArray
from loopodds.base.errors import KnowledgeError
from loopodds.knowledge.assembly import full_contexts
from loopodds.knowledge.blocks import Sound, matches
from loopodds.knowledge.nodes import Gauge
from loopodds.knowledge.records import Context, Knowledge

AMBIENT, HUMIDITY = "ambient", "humidity"
REFERENCE = {AMBIENT: 25.0, HUMIDITY: 50.0}
"""Conditions at which a value with slopes holds [degC, %]."""
STEPS = {AMBIENT: np.arange(-60.0, 71.0, 5.0), HUMIDITY: np.arange(0.0, 101.0, 10.0)}
"""Conditions between which its slopes are followed, close enough for the variance, which bends."""
_nodes, _shares = np.polynomial.hermite_e.hermegauss(5)
HERMITE = _nodes, _shares / _shares.sum()
"""Points and weights of a Gaussian of unit spread: exact to the ninth moment (Gauss-Hermite)."""

Pairs = tuple[tuple[str, str], ...]
Axes = dict[str, FloatArray]
Points = Mapping[str, tuple[FloatArray, FloatArray | None]]
"""Points of each axis; their weights where the condition is not stated."""
Place = tuple[IntArray, FloatArray]
"""Index of the point below each value, and how far it is to the next one, from 0 to 1."""


class Expectation(NamedTuple):
    """What sound loops of one kind show where some conditions are stated."""

    axes: Axes  # the stated conditions that bear on it, and the points of each, rising
    mean: FloatArray  # shape (points of each axis) [scale of the gauge]
    variance: FloatArray  # of what is not stated and between such cars, same shape

    def at(self, stated: Mapping[str, FloatArray]) -> tuple[FloatArray, FloatArray]:
        """Mean and variance at conditions given by name, each of shape (rows,)."""
        rows = len(next(iter(stated.values()))) if stated else 1
        mean, variance = self.mean[None], self.variance[None]
        for name, points in self.axes.items():
            place = _place(points, stated[name])
            mean, variance = (_along_first(place, table) for table in (mean, variance))
        return np.broadcast_to(mean, rows), np.broadcast_to(variance, rows)


def _along_first(place: Place, table: FloatArray) -> FloatArray:
    """A table with a leading axis of rows (or one for all) taken along its next axis."""
    row, share = place
    rows = np.arange(len(row)) if len(table) > 1 else 0
    share = share.reshape(-1, *(1,) * (table.ndim - 2))
    result: FloatArray = (1 - share) * table[rows, row] + share * table[rows, row + 1]
    return result


def _place(points: FloatArray, at: FloatArray) -> Place:
    inside = np.clip(at, points[0], points[-1])
    row = np.clip(np.searchsorted(points, inside, side="right") - 1, 0, len(points) - 2)
    return row, (inside - points[row]) / (points[row + 1] - points[row])


def conditions_of(node: Gauge) -> tuple[str, ...]:
    """Conditions on which the sound reading of a gauge depends, in a fixed order."""
    blocks = (sound for version in node.versions() for sound in version.sounds())
    return tuple(sorted({axis for sound in blocks for axis in _axis_names(sound)}))


@lru_cache(maxsize=4096)
def expectation(
    knowledge: Knowledge, name: str, known: Pairs, stated: frozenset[str], per_ambient: float
) -> Expectation:
    """Mean and variance of a sound reading over everything that is not stated.

    Args:
        known: What is known of the make-up of the car, by context.
        stated: Conditions with a value.
        per_ambient: By how much the transformed reading itself moves for each kelvin that the
            ambient temperature assumed is too low; counts where that is not stated.

    Raises:
        KnowledgeError: if no sound expectation covers a context, or a condition is unknown.
    """
    node = knowledge.gauges[name]
    parts = [
        (share, _sound(node.in_context(context), context))
        for share, context in full_contexts(context_keys(node), knowledge, dict(known))
    ]
    names = set(conditions_of(node)) | ({AMBIENT} if per_ambient else set())
    axes = {one: _points(one, one in stated, [s for _, s in parts], node, knowledge)
            for one in sorted(names)}  # fmt: skip
    mean = np.zeros([len(points) for points, _ in axes.values()])
    second = np.zeros_like(mean)
    for share, sound in parts:
        values, spreads = _on(axes, sound)
        if per_ambient and AMBIENT not in stated:
            values = values - per_ambient * _assumed(axes, knowledge)
        mean = mean + share * values
        second = second + share * (values**2 + spreads**2)
    for axis, (_, weights) in reversed(list(enumerate(axes.values()))):
        if weights is not None:
            mean, second = (np.tensordot(weights, table, (0, axis)) for table in (mean, second))
    kept = {one: points for one, (points, weight) in axes.items() if weight is None}
    return Expectation(kept, mean, np.maximum(second - mean**2, 0.0))


def _assumed(axes: Points, knowledge: Knowledge) -> FloatArray:
    """How far the ambient temperature is above the one assumed, along its axis."""
    away = axes[AMBIENT][0] - knowledge.contexts[AMBIENT].typical
    return away.reshape([-1 if one == AMBIENT else 1 for one in axes])


def _points(
    name: str, stated: bool, sounds: Sequence[Sound], node: Gauge, knowledge: Knowledge
) -> tuple[FloatArray, FloatArray | None]:
    """Points of an axis; with their weights where the condition is not stated, else none."""
    if stated:
        own = [_axes(sound)[name] for sound in sounds if name in _axes(sound)]
        return np.unique(np.concatenate(own or [STEPS[name]])), None
    context = knowledge.contexts.get(name)
    if context is None:
        raise KnowledgeError(f"contexts.toml: {node.name} depends on {name!r}, which is not there")
    return typically(context)


def typically(context: Context) -> tuple[FloatArray, FloatArray]:
    """Values that stand in for a condition that is not stated, and their weights.

    Raises:
        KnowledgeError: if the knowledge gives it neither shares nor a typical number.
    """
    if context.values:
        return np.arange(len(context.values), dtype=float), np.array(context.shares)
    if math.isnan(context.typical):
        raise KnowledgeError(f"contexts.toml: needs {context.name} with a number 'typical'")
    points, weights = HERMITE
    return context.typical + context.unknown_spread * points, weights


def _axis_names(sound: Sound) -> Collection[str]:
    """Conditions that a block depends on."""
    slopes = {AMBIENT: sound.per_ambient, HUMIDITY: sound.per_humidity}
    return sound.over or [name for name, slope in slopes.items() if slope]


def _axes(sound: Sound) -> Axes:
    """Points of the conditions that a block depends on."""
    return {n: np.array(sound.over[n]) if sound.over else STEPS[n] for n in _axis_names(sound)}


def _on(axes: Points, sound: Sound) -> tuple[FloatArray, FloatArray]:
    """Value and spread between cars of one block at every point of the axes."""
    own = _axes(sound)
    values, spreads = _tables(sound, own)
    for axis, (name, points) in enumerate(own.items()):
        if np.array_equal(points, axes[name][0]):
            continue
        place = _place(points, axes[name][0])
        values, spreads = _resampled(values, axis, place), _resampled(spreads, axis, place)
    return _spread_out(values, own, axes), _spread_out(spreads, own, axes)


def _resampled(table: FloatArray, axis: int, place: Place) -> FloatArray:
    row, share = place
    share = share.reshape([-1 if i == axis else 1 for i in range(table.ndim)])
    result: FloatArray = (1 - share) * table.take(row, axis) + share * table.take(row + 1, axis)
    return result


def _spread_out(table: FloatArray, own: Axes, axes: Points) -> FloatArray:
    """A table over its own axes as one over all of them, in their order."""
    order = [list(own).index(name) for name in axes if name in own]
    shape = [len(points) if name in own else 1 for name, (points, _) in axes.items()]
    full = [len(points) for points, _ in axes.values()]
    return np.broadcast_to(np.transpose(table, order).reshape(shape), full)


def _tables(sound: Sound, own: Axes) -> tuple[FloatArray, FloatArray]:
    """Value and spread of a block at its own points."""
    shape = [len(points) for points in own.values()]
    if sound.over:
        values = np.array(sound.values).reshape(shape)
        along = [-1 if i == 0 else 1 for i in range(values.ndim)]
        between = np.hypot(sound.spreads or (sound.spread,) * shape[0], sound.model_doubt)
        return values, np.broadcast_to(between.reshape(along), shape)
    values, spread = np.full(shape, float(sound.expected)), np.full(shape, sound.spread)
    for axis, (name, points) in enumerate(own.items()):
        slope = sound.per_ambient if name == AMBIENT else sound.per_humidity
        along = [-1 if i == axis else 1 for i in range(len(own))]
        values = values + (slope * (points - REFERENCE[name])).reshape(along)
    return values, spread


def context_keys(node: Gauge) -> Collection[str]:
    """Contexts on which the sound expectation of a gauge depends."""
    keys = {key for variant in node.variants if "sound" in variant.changes for key in variant.when}
    return keys | {
        key for version in node.versions() for row in version.sounds() for key in row.when
    }


def _sound(node: Gauge, context: Mapping[str, str]) -> Sound:
    for sound in node.sounds():
        if matches(sound.when, context):
            return sound
    raise KnowledgeError(f"{node.file}: {node.name}: no sound expectation for {dict(context)}")


def sound_block(node: Gauge, context: Mapping[str, str]) -> tuple[Axes, FloatArray, FloatArray]:
    """What sound loops of one kind read: conditions with their points, value and spread there.

    Raises:
        KnowledgeError: if no sound expectation covers the context.
    """
    sound = _sound(node.in_context(context), context)
    own = _axes(sound)
    return own, *_tables(sound, own)
