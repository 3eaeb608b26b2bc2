"""What was observed on one car on one visit, and many such visits as columns.

An :class:`Inspection` keeps names, states and raw text as a person wrote them. An
:class:`InspectionBatch` keeps the same as arrays, and an :class:`Encoding` what the network takes
of it; every computation takes a batch, and a single inspection is a batch of one. Nothing is ever
filled in: what is not recorded is not observed.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any, NamedTuple, TypeVar

import numpy as np

from loopodds.base.arrays import BoolArray, FloatArray, IntArray, Query
from loopodds.inference.network import Evidence
from loopodds.inspection.vocabulary import CHOICES, NUMBERS
from loopodds.knowledge.records import Knowledge

Words = Mapping[str, str | Mapping[str, float]]
T = TypeVar("T")


@dataclass(frozen=True, slots=True)
class Quantity:
    """A number in the internal unit of its dimension, and the text it was written as."""

    value: float
    text: str


@dataclass(frozen=True, slots=True)
class Inspection:
    """Everything recorded on one visit."""

    name: str
    # ``refrigerant``, ``expansion``, ``compressor`` as text; ``nameplate_charge`` and
    # ``nameplate_oil`` [g], ``age`` [min] and ``mileage`` [m] as quantities
    vehicle: Mapping[str, str | Quantity] = field(default_factory=dict)
    # ``setting``, ``recovery_machine`` as text; ``ambient`` [degC], ``humidity`` [%] and
    # ``altitude`` [m] as quantities
    conditions: Mapping[str, str | Quantity] = field(default_factory=dict)
    # state by name, or relative likelihoods over states where the observer was
    # not sure. A gauge may appear among the findings with one of its words
    history: Words = field(default_factory=dict)
    findings: Words = field(default_factory=dict)
    readings: Mapping[str, Quantity] = field(default_factory=dict)  # kPa absolute, degC, K, g or %
    # fault variable to the states that remain possible after the car was put right
    confirmed: Mapping[str, tuple[str, ...]] = field(default_factory=dict)
    # what is odd but possible, and what was recorded but cannot be used
    warnings: tuple[str, ...] = ()
    # what was done to the car since it came, in order; everything else of this inspection is as it
    # stands after the last of them
    repairs: tuple[RepairDone, ...] = ()
    # tests said to be done, in order, also where they showed nothing to record; known only of a
    # case of the book
    tests_done: Query = ()
    # tests done on the car as it now stands, in the order in which it was recorded; None where
    # the order is not known
    course: Query | None = None
    # by person the words for what they judged by eye; the findings hold what these come to
    looks: Mapping[str, Mapping[str, str]] = field(default_factory=dict)
    # what readings were taken with, by name; it bears on nothing
    instruments: Mapping[str, str] = field(default_factory=dict)
    # what the network takes of it, under the knowledge it was checked against. A copy with other
    # observations (``dataclasses.replace``) has none
    encoding: Encoding | None = field(default=None, init=False, compare=False, repr=False)

    def with_remarks(self, encoding: Encoding | None = None, **remarks: Any) -> Inspection:
        """The same observations with another name, other warnings, repairs or tests done."""
        other = replace(self, **remarks)
        object.__setattr__(other, "encoding", encoding or self.encoding)
        return other

    @property
    def as_it_came(self) -> Inspection:
        """What was recorded before the first repair."""
        return self.repairs[0].before if self.repairs else self


class RepairDone(NamedTuple):
    """Services done together, and what had been recorded since the repair before them."""

    services: Query
    before: Inspection


@dataclass(frozen=True, slots=True, eq=False)
class InspectionBatch:
    """Many inspections as columns; a name left out of a mapping is unknown in every row."""

    rows: int
    # shape (rows,); history, findings and gauge words: state index, -1 is not observed
    codes: Mapping[str, IntArray] = field(default_factory=dict)
    # shape (rows, states); relative likelihoods, largest of a row one; a row of ones says nothing
    soft: Mapping[str, FloatArray] = field(default_factory=dict)
    # shape (rows, states); states of a fault that remain possible; all true is not confirmed
    confirmed: Mapping[str, BoolArray] = field(default_factory=dict)
    # shape (rows,); kPa absolute, degC, K, g or %; NaN is not read
    readings: Mapping[str, FloatArray] = field(default_factory=dict)
    # shape (rows,); index into ``CHOICES[name]``, -1 is not stated
    choices: Mapping[str, IntArray] = field(default_factory=dict)
    # shape (rows,); the keys of ``NUMBERS``; NaN is not stated
    numbers: Mapping[str, FloatArray] = field(default_factory=dict)

    def choice(self, name: str) -> IntArray:
        """Codes of a choice, -1 where not stated, shape (rows,)."""
        return self.choices[name] if name in self.choices else np.full(self.rows, -1, np.int8)

    def number(self, name: str) -> FloatArray:
        """A number of vehicle or conditions, NaN where not stated, shape (rows,)."""
        return self.numbers[name] if name in self.numbers else np.full(self.rows, np.nan)

    def reading(self, name: str) -> FloatArray:
        """A reading, NaN where not read, shape (rows,)."""
        return self.readings[name] if name in self.readings else np.full(self.rows, np.nan)

    def word(self, name: str, row: int = 0) -> int:
        """Index of the state recorded for a name, the likeliest of a doubtful record, else -1."""
        code = int(self.codes[name][row]) if name in self.codes else -1
        if code < 0 and name in self.soft and np.ptp(self.soft[name][row]) > 0:
            code = int(self.soft[name][row].argmax())
        return code

    def observed(self, row: int = 0) -> tuple[str, ...]:
        """History, findings and readings recorded in a row, by name, each once."""
        words = [name for name in (*self.codes, *self.soft) if self.word(name, row) >= 0]
        numbers = [name for name, values in self.readings.items() if not np.isnan(values[row])]
        return tuple(dict.fromkeys((*words, *numbers)))

    def take(self, rows: IntArray) -> InspectionBatch:
        """The inspections at some row numbers."""
        columns = {
            kind: {name: column[rows] for name, column in getattr(self, kind).items()}
            for kind in ("codes", "soft", "confirmed", "readings", "choices", "numbers")
        }
        return InspectionBatch(len(rows), **columns)


@dataclass(frozen=True, slots=True, eq=False)
class Contexts:
    """Contexts in which the inspections of a batch were made: known beforehand, never random."""

    # of ``setting``, ``expansion``, ``compressor``, ``refrigerant``, ``weather`` and, if the
    # knowledge has them, ``age`` and ``mileage``
    values: Mapping[str, tuple[str, ...]]
    codes: Mapping[str, IntArray]  # shape (rows,); index into the values; -1 is not stated

    def patterns(self, keys: Iterable[str]) -> tuple[IntArray, list[dict[str, str]]]:
        """Distinct combinations of the contexts that matter, and which one each row has.

        Returns:
            Index into the list, shape (rows,), and the context values; none for what is not stated.
        """
        wanted = set(keys)
        used = [key for key in self.codes if key in wanted]
        ids = np.zeros_like(next(iter(self.codes.values())), np.int32)
        for key in used:
            ids = ids * np.int32(len(self.values[key]) + 1) + (self.codes[key] + 1).astype(np.int32)
        present = np.flatnonzero(np.bincount(ids))
        lookup = np.zeros(int(present[-1]) + 1 if len(present) else 0, np.int16)
        lookup[present] = np.arange(len(present))
        patterns = []
        for number in present.tolist():
            pattern = {}
            for key in reversed(used):
                number, code = divmod(number, len(self.values[key]) + 1)
                if code:
                    pattern[key] = self.values[key][code - 1]
            patterns.append(pattern)
        return lookup[ids], patterns

    def hold(self, when: Mapping[str, str]) -> BoolArray:
        """Rows of which some contexts are stated to be so, shape (rows,)."""
        result = np.ones(len(next(iter(self.codes.values()))), bool)
        for key, value in when.items():
            result &= self.codes[key] == self.values[key].index(value)
        return result

    def stated(self, row: int = 0) -> dict[str, str]:
        """Contexts of one row, as far as they are stated."""
        codes = {name: int(self.codes[name][row]) for name in reversed(list(self.codes))}
        return {name: self.values[name][code] for name, code in codes.items() if code >= 0}


@dataclass(frozen=True, slots=True, eq=False)
class GaugeReading:
    """One gauge in every row of a batch; all arrays have shape (rows,)."""

    # value less the sound expectation [scale of the gauge]; NaN where nothing was read, where the
    # reading is masked and where a condition that it needs is not stated
    residual: FloatArray
    extra: FloatArray  # standard deviation added to the gauge's own spread [scale]
    value: FloatArray  # transformed reading; NaN where not read or not computable
    expected: FloatArray  # what a sound loop shows


class Group(NamedTuple):
    """Rows of a batch that share a context, and so a network."""

    context: dict[str, str]  # contexts that bear on any node; one that is not stated has no key
    rows: IntArray  # shape (rows of the group,); row numbers in the batch, rising
    evidence: Evidence  # over those rows; only names observed in at least one of them


@dataclass(frozen=True, slots=True, eq=False)
class Encoding:
    """A batch as the network takes it, all from one pass."""

    knowledge: Knowledge  # under which it was encoded
    batch: InspectionBatch  # what was measured of a finding stands among its words
    written: InspectionBatch  # as it was recorded
    contexts: Contexts  # stated or concluded, of each row
    readings: Mapping[str, GaugeReading]  # gauges with at least one number, given or derived
    groups: tuple[Group, ...]  # every row of the batch is in exactly one


def batch_of(inspections: Sequence[Inspection], knowledge: Knowledge) -> InspectionBatch:
    """Inspections as columns, in the order given.

    Raises:
        UnknownName: if an inspection names a node that the knowledge does not have.
    """
    words = _columns([{**car.history, **car.findings} for car in inspections])
    stated = _columns([{**car.vehicle, **car.conditions} for car in inspections])
    states = {name: knowledge.node(name).states for name in words}
    return InspectionBatch(
        len(inspections),
        {name: _codes(column, states[name])
         for name, column in words.items() if any(isinstance(entry, str) for entry in column)},
        {name: np.array([_likelihood(entry, states[name]) for entry in column])
         for name, column in words.items() if any(isinstance(entry, Mapping) for entry in column)},
        {name: _possible(column, knowledge.node(name).states)
         for name, column in _columns([car.confirmed for car in inspections]).items()},
        {name: _numbers(column)
         for name, column in _columns([car.readings for car in inspections]).items()},
        {name: _codes(column, CHOICES[name]) for name, column in stated.items() if name in CHOICES},
        {name: _numbers(stated[key]) for name, (key, _) in NUMBERS.items() if key in stated},
    )  # fmt: skip


def _columns(cars: Sequence[Mapping[str, T]]) -> dict[str, list[T | None]]:
    """What each car says under each name that any of them has."""
    names = dict.fromkeys(name for car in cars for name in car)
    return {name: [car.get(name) for car in cars] for name in names}


def _numbers(column: Iterable[object]) -> FloatArray:
    return np.array([e.value if isinstance(e, Quantity) else np.nan for e in column])


def _codes(column: Iterable[object], words: Sequence[str]) -> IntArray:
    return np.array([words.index(e) if isinstance(e, str) else -1 for e in column], np.int8)


def _likelihood(entry: object, states: Sequence[str]) -> list[float]:
    """Scaled so that the largest is one: only ratios mean anything, and ones mean nothing."""
    if not isinstance(entry, Mapping):
        return [1.0] * len(states)
    largest = max(entry.values())
    return [entry.get(state, 0.0) / largest for state in states]


def _possible(column: Iterable[tuple[str, ...] | None], states: Sequence[str]) -> BoolArray:
    return np.array([[e is None or state in e for state in states] for e in column])
