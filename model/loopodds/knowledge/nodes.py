"""Nodes of the knowledge files: three kinds of distribution, and what changes with the context.

``table`` lists rows by parent states, ``graded`` is a noisy-MAX with an explicit leak in the
*net* convention (an effect is what the cause does alone, the leak shut off: Díez 1993,
Henrion 1989), ``gauge`` shifts a measured number (conditional Gaussian with a heavy-tailed share).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

Record = Mapping[str, Any]
When = Mapping[str, str]


@dataclass(frozen=True, slots=True)
class Grounds:
    """Where a number comes from and how strongly it is held (equivalent number of cars)."""

    source: str
    grade: str
    weight: float


@dataclass(frozen=True, slots=True)
class Levels:
    """Probabilities over the states of a node; one list, or one for each setting."""

    by_setting: Mapping[str, tuple[float, ...]]

    def of(self, setting: str) -> tuple[float, ...]:
        """The list that holds in a setting."""
        return self.by_setting.get(setting) or self.by_setting[""]


@dataclass(frozen=True, slots=True)
class Row:
    """One row of a table: the parent states it covers (those not named are free)."""

    when: When
    p: Levels
    grounds: Grounds


@dataclass(frozen=True, slots=True)
class Cause:
    """One cause of a graded node: levels it produces alone, state by state."""

    parent: str
    effects: Mapping[str, Levels]
    weakened_by: Mapping[str, Mapping[str, float]]
    grounds: Grounds


@dataclass(frozen=True, slots=True)
class Shift:
    """How far each state of a parent moves a gauge: mean and standard deviation [scale]."""

    parent: str
    shift: Mapping[str, tuple[float, float]]
    when: When
    grounds: Grounds


@dataclass(frozen=True, slots=True)
class Override:
    """Hidden states under which a gauge reads one thing whatever the other parents do."""

    when: When
    mean: float
    spread: float
    grounds: Grounds


@dataclass(frozen=True, slots=True)
class Sound:
    """What a sound car reads: value at 25 degC and 50 % humidity, and its slopes."""

    when: When
    expected: float
    per_ambient: float
    per_humidity: float
    spread: float
    grounds: Grounds


@dataclass(frozen=True, slots=True)
class Table:
    """Rows by parent states; the first matching row holds."""

    parents: tuple[str, ...]
    rows: tuple[Row, ...]


@dataclass(frozen=True, slots=True)
class Graded:
    """Noisy-MAX with leak, net convention."""

    leak: Levels
    leak_grounds: Grounds
    causes: tuple[Cause, ...]


@dataclass(frozen=True, slots=True)
class Shape:
    """A gauge: sound expectation, shifts by hidden states, spread, misreadings, words."""

    spread: float
    share: float
    wide: float
    cuts: tuple[float, ...]
    sound: tuple[Sound, ...]
    shifts: tuple[Shift, ...]
    overrides: tuple[Override, ...]


@dataclass(frozen=True, slots=True)
class Node:
    """One variable of the network, as the knowledge files describe it."""

    name: str
    kind: str
    title: str
    about: str
    group: str
    states: tuple[str, ...]
    distribution: Table | Graded | Shape
    grounds: Grounds
    conditions: Mapping[str, tuple[str, ...]]
    complaint: tuple[str, ...]
    question: str
    quantity: str
    transform: str
    scale: str
    masked_by: Mapping[str, tuple[str, ...]]
    file: str
    variants: tuple[tuple[When, Record], ...] = field(repr=False)
    raw: Record = field(repr=False)

    def context_keys(self) -> set[str]:
        """Contexts on which the distribution depends, besides ambient and humidity."""
        keys = {key for when, _ in self.variants for key in when}
        blocks = [self.raw, *(override for _, override in self.variants)]
        if any(_has_settings(block) for block in blocks):
            keys.add("setting")
        if isinstance(self.distribution, Shape):
            shape = self.distribution
            keys |= {key for sound in shape.sound for key in sound.when}
            keys |= {key for shift in shape.shifts for key in shift.when}
        return keys


def matches(when: When, context: When) -> bool:
    """Whether every key of ``when`` holds in the context."""
    return all(context.get(key) == value for key, value in when.items())


def _has_settings(block: Any) -> bool:
    if isinstance(block, Mapping):
        return "routine" in block or any(_has_settings(value) for value in block.values())
    return isinstance(block, list) and any(_has_settings(value) for value in block)
