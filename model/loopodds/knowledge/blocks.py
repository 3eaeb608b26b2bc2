"""The parts of a node, as the knowledge files write them.

The fields are the keys of the files.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterator, Mapping
from functools import cached_property
from typing import Annotated, Protocol

import msgspec

from loopodds.knowledge.shapes import GROUNDS, Grade, Grounds, Weight

When = Mapping[str, str]
Levels = tuple[float, ...]
"""Probabilities over the states of a node."""

Factor = Annotated[float, msgspec.Meta(ge=0, le=1)]
Spread = Annotated[float, msgspec.Meta(gt=0)]
Added = Annotated[float, msgspec.Meta(ge=0)]
"""Standard deviation on top of another one; zero adds nothing."""


def matches(when: When, context: When) -> bool:
    """Whether every key of ``when`` holds in the context."""
    return all(context.get(key) == value for key, value in when.items())


class Grounded(Protocol):
    """What a block stands in."""

    @property
    def grounds(self) -> Grounds:
        """Where its numbers come from where a block says nothing else."""
        ...


class Block(
    msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True, omit_defaults=True
):
    """Part of a node; the grounds that it does not state are those of its node."""

    source: str | None = None
    grade: Grade | None = None
    weight: Weight | None = None

    def grounds_in(self, node: Grounded) -> Grounds:
        """Where the numbers of this block come from."""
        return Grounds(*(getattr(self, key) or getattr(node.grounds, key) for key in GROUNDS))


class Row(Block, frozen=True, kw_only=True):
    """One row of a table: the parent states it covers (those not named are free)."""

    when: When = {}
    p: Levels


class Leak(Block, frozen=True, kw_only=True):
    """Probabilities of the levels of a graded node with no modelled cause."""

    p: Levels


class Cause(Block, frozen=True, kw_only=True):
    """One cause of a graded node: levels it produces alone, state by state."""

    parent: str
    effects: Mapping[str, Levels] = {}
    weakened_by: Mapping[str, Mapping[str, Factor]] = {}


class Shift(Block, frozen=True, kw_only=True):
    """How far each state of a parent moves a gauge: mean and standard deviation [scale]."""

    parent: str
    shift: Mapping[str, tuple[float, Added]]
    when: When = {}


class Override(Block, frozen=True, kw_only=True):
    """Hidden states under which a gauge reads one thing whatever the other parents do."""

    when: When = {}
    shift: tuple[float, Spread]


class Together(Block, frozen=True, kw_only=True):
    """How much further two hidden states move a gauge together than their shifts add up to."""

    states: Mapping[str, str]
    shift: float
    when: When = {}


class Sound(Block, frozen=True, kw_only=True):
    """What a sound car reads: value at 25 degC and 50 % humidity with slopes, or a table.

    ``over`` names the conditions of a table and their points; ``values`` run through them with the
    last condition fastest. ``spreads`` between cars, where they differ, go by the first condition.
    A condition in words has the numbers 0, 1 ... of its values. ``model_doubt`` is the standard
    deviation by which published readings lie off the table beyond the spread between its cars.
    """

    when: When = {}
    expected: float = 0.0
    per_ambient: float = 0.0
    per_humidity: float = 0.0
    spread: Added = 0.0
    over: Mapping[str, Levels] = {}
    values: Levels = ()
    spreads: tuple[Added, ...] = ()
    model_doubt: Added = 0.0


class Misreading(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """Share of readings that are slips, and their standard deviation [scale]."""

    share: Factor
    spread: Spread


class Settling(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """How far a reading may be off just after the start [scale], falling by e each ``minutes``."""

    spread: Spread
    minutes: Spread


class Band(Block, frozen=True, kw_only=True):
    """What an amount says of the states of its finding, interval by interval between cuts.

    Each entry of ``says`` holds relative likelihoods of the states where the amount truly lies in
    that interval.
    """

    when: When = {}
    cuts: Levels
    says: tuple[Levels, ...]


class Amount(Block, frozen=True, kw_only=True):
    """A reading that says in numbers what a finding says in words.

    ``cuts``, ``possible`` and ``accuracy`` are in ``unit``; ``accuracy_share`` is a share of what
    was read. The two together are one standard deviation. The first band that holds is used.
    """

    title: str
    about: str
    question: str
    quantity: str
    unit: str
    possible: tuple[float, float] | None = None
    accuracy: Added = 0.0
    accuracy_share: Added = 0.0
    bands: Annotated[tuple[Band, ...], msgspec.Meta(min_length=1)]


class Tables(msgspec.Struct, frozen=True, kw_only=True, dict=True):
    """What is worked out of a gauge elsewhere: holds where the gauge itself says nothing."""

    sound: tuple[Sound, ...] = ()
    shifts: tuple[Shift, ...] = ()
    together: tuple[Together, ...] = ()

    @cached_property
    def keys(self) -> frozenset[str]:
        """Contexts on which they depend."""
        found: set[str] = set()
        for blocks in (self.sound, self.shifts, self.together):
            found.update(*(block.when for block in blocks))
        return frozenset(found)

    @cached_property
    def _kinds(self) -> Mapping[tuple[tuple[str, str], ...], tuple[list[int], list[Together]]]:
        """Places of the shifts, and the pairs, of each kind of car and day: tables have a few."""
        found: dict[tuple[tuple[str, str], ...], tuple[list[int], list[Together]]] = {}
        for i, shift in enumerate(self.shifts):
            found.setdefault(tuple(shift.when.items()), ([], []))[0].append(i)
        for pair in self.together:
            found.setdefault(tuple(pair.when.items()), ([], []))[1].append(pair)
        return found

    def holding(self, context: When) -> tuple[list[int], list[Together]]:
        """Places of the shifts that hold in a context, in order, and the pairs that do."""
        bears = tuple(context.get(key) for key in self._order)
        if bears not in self._held:
            own = [kind for when, kind in self._kinds.items() if matches(dict(when), context)]
            places = sorted(itertools.chain.from_iterable(shifts for shifts, _ in own))
            pairs = list(itertools.chain.from_iterable(pairs for _, pairs in own))
            self._held[bears] = places, pairs
        return self._held[bears]

    @cached_property
    def _order(self) -> tuple[str, ...]:
        return tuple(sorted(self.keys))

    @cached_property
    def _held(self) -> dict[tuple[str | None, ...], tuple[list[int], list[Together]]]:
        """What holds where these contexts have these words, as far as it was asked for."""
        return {}

    @cached_property
    def mentions(self) -> tuple[tuple[str, str, tuple[str, ...]], ...]:
        """Parents and their states, each once, and where: tables name them hundreds of times."""
        shifts = (("shifts", shift.parent, tuple(shift.shift)) for shift in self.shifts)
        pairs = (pair.states.items() for pair in self.together)
        together = (("together", p, (state,)) for states in pairs for p, state in states)
        return tuple(dict.fromkeys(itertools.chain(shifts, together)))


def table_texts(sound: Sound) -> Iterator[str]:
    """What is wrong with the table of a sound expectation, if it has one."""
    count = math.prod(map(len, sound.over.values())) if sound.over else 0
    if len(sound.values) != count:
        yield f": 'over' asks for {count} values, not {len(sound.values)}"
    first = len(next(iter(sound.over.values()), ()))
    if sound.spreads and len(sound.spreads) != first:
        yield f": 'over' asks for {first} spreads, not {len(sound.spreads)}"
    for name, points in sound.over.items():
        if len(points) < 2 or any(b <= a for a, b in itertools.pairwise(points)):
            yield f".over.{name}: two points or more are needed, rising"
