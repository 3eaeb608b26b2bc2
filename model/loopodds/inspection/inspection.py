"""What was observed on one car on one visit, and many such visits as columns.

An :class:`Inspection` keeps names, states and raw text as a person wrote them. An
:class:`InspectionBatch` keeps the same as arrays; every computation takes a batch, and a single
inspection is a batch of one. Nothing is ever filled in: what is not recorded is not observed.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import NamedTuple

import numpy as np

from loopodds.base.arrays import BoolArray, FloatArray, IntArray, Query
from loopodds.base.errors import KnowledgeError, unknown_name
from loopodds.base.unit_table import DIMENSIONS, Dimension
from loopodds.knowledge.records import Knowledge
from loopodds.physics.refrigerants import SUPPORTED

CHOICES: Mapping[str, tuple[str, ...]] = {
    "refrigerant": SUPPORTED,
    "expansion": ("TXV", "orifice"),
    "compressor": ("fixed", "variable", "electric"),
    "setting": ("complaint", "routine"),
    "recovery_machine": ("modern", "old"),
}
# number in a batch: (key in a case, dimension)
NUMBERS: Mapping[str, tuple[str, Dimension]] = {
    "nameplate_charge_g": ("nameplate_charge", "mass"),
    "nameplate_oil_g": ("nameplate_oil", "mass"),
    "ambient_c": ("ambient", "temperature"),
    "humidity_pct": ("humidity", "share"),
    "altitude_m": ("altitude", "length"),
}
# temperatures read only to derive superheat, subcooling and the static residual
AUXILIARY = ("suction_line", "liquid_line", "static_temperature")

Words = Mapping[str, str | Mapping[str, float]]


@dataclass(frozen=True, slots=True)
class Quantity:
    """A number in the internal unit of its dimension, and the text it was written as."""

    value: float
    text: str


@dataclass(frozen=True, slots=True)
class Inspection:
    """Everything recorded on one visit.

    Attributes
    ----------
    name : str
    vehicle : mapping
        ``refrigerant``, ``expansion``, ``compressor`` as text; ``nameplate_charge`` and
        ``nameplate_oil`` as quantities [g].
    conditions : mapping
        ``setting``, ``recovery_machine`` as text; ``ambient`` [degC], ``humidity`` [%] and
        ``altitude`` [m] as quantities.
    history, findings : mapping
        State by name, or relative likelihoods over states where the observer was not sure.
        A gauge may appear among the findings with one of its words.
    readings : mapping of str to Quantity
        kPa absolute, degC, K, g or %.
    confirmed : mapping of str to tuple of str
        Fault variable to the states that remain possible after the car was put right.
    warnings : tuple of str
        What is odd but possible, and what was recorded but cannot be used.
    repairs : tuple of RepairDone
        What was done to the car since it came, in order; everything else of this inspection is
        as it stands after the last of them.
    tests_done : tuple of str
        Tests said to be done, in order, also where they showed nothing to record; known only of
        a case of the book.
    """

    name: str
    vehicle: Mapping[str, str | Quantity] = field(default_factory=dict)
    conditions: Mapping[str, str | Quantity] = field(default_factory=dict)
    history: Words = field(default_factory=dict)
    findings: Words = field(default_factory=dict)
    readings: Mapping[str, Quantity] = field(default_factory=dict)
    confirmed: Mapping[str, tuple[str, ...]] = field(default_factory=dict)
    warnings: tuple[str, ...] = ()
    repairs: tuple[RepairDone, ...] = ()
    tests_done: Query = ()

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
    """Many inspections as columns; a name left out of a mapping is unknown in every row.

    Attributes
    ----------
    rows : int
    codes : mapping of str to int array, shape (rows,)
        History, findings and gauge words: state index, -1 is not observed.
    soft : mapping of str to float array, shape (rows, states)
        Relative likelihoods, largest entry of a row one; a row of ones says nothing.
    confirmed : mapping of str to bool array, shape (rows, states)
        States of a fault variable that remain possible; a row all true is not confirmed.
    readings : mapping of str to float array, shape (rows,)
        kPa absolute, degC, K, g or %; NaN is not read.
    choices : mapping of str to int array, shape (rows,)
        Index into ``CHOICES[name]``, -1 is not stated.
    numbers : mapping of str to float array, shape (rows,)
        The keys of ``NUMBERS``; NaN is not stated.
    """

    rows: int
    codes: Mapping[str, IntArray] = field(default_factory=dict)
    soft: Mapping[str, FloatArray] = field(default_factory=dict)
    confirmed: Mapping[str, BoolArray] = field(default_factory=dict)
    readings: Mapping[str, FloatArray] = field(default_factory=dict)
    choices: Mapping[str, IntArray] = field(default_factory=dict)
    numbers: Mapping[str, FloatArray] = field(default_factory=dict)

    def choice(self, name: str) -> IntArray:
        """Codes of a choice, -1 where not stated, shape (rows,)."""
        found = self.choices.get(name)
        return np.full(self.rows, -1, np.int8) if found is None else found

    def number(self, name: str) -> FloatArray:
        """A number of vehicle or conditions, NaN where not stated, shape (rows,)."""
        found = self.numbers.get(name)
        return np.full(self.rows, np.nan) if found is None else found

    def reading(self, name: str) -> FloatArray:
        """A reading, NaN where not read, shape (rows,)."""
        found = self.readings.get(name)
        return np.full(self.rows, np.nan) if found is None else found

    def take(self, rows: IntArray) -> InspectionBatch:
        """The inspections at some row numbers."""
        return InspectionBatch(
            len(rows),
            {name: column[rows] for name, column in self.codes.items()},
            {name: column[rows] for name, column in self.soft.items()},
            {name: column[rows] for name, column in self.confirmed.items()},
            {name: column[rows] for name, column in self.readings.items()},
            {name: column[rows] for name, column in self.choices.items()},
            {name: column[rows] for name, column in self.numbers.items()},
        )


def batch_of(inspections: Sequence[Inspection], knowledge: Knowledge) -> InspectionBatch:
    """Inspections as columns, in the order given.

    Raises
    ------
    UnknownName
        If an inspection names a node that the knowledge does not have.
    """
    words = [{**one.history, **one.findings} for one in inspections]
    stated = [{**one.vehicle, **one.conditions} for one in inspections]
    codes: dict[str, IntArray] = {}
    soft: dict[str, FloatArray] = {}
    for name in _names(words):
        states = knowledge.node(name).states
        column = [word.get(name) for word in words]
        if any(isinstance(entry, str) for entry in column):
            indices = [states.index(entry) if isinstance(entry, str) else -1 for entry in column]
            codes[name] = np.array(indices, np.int8)
        if any(isinstance(entry, Mapping) for entry in column):
            soft[name] = np.array([_likelihood(entry, states) for entry in column])
    return InspectionBatch(
        len(inspections),
        codes,
        soft,
        _confirmed_columns(inspections, knowledge),
        {name: _column(one.readings.get(name) for one in inspections)
         for name in _names([one.readings for one in inspections])},
        {name: np.array([_choice_code(name, one.get(name)) for one in stated], np.int8)
         for name in _names(stated) if name in CHOICES},
        {name: _column(one.get(key) for one in stated)
         for name, (key, _) in NUMBERS.items() if any(key in one for one in stated)},
    )  # fmt: skip


def _names(mappings: Iterable[Iterable[str]]) -> list[str]:
    return list(dict.fromkeys(name for mapping in mappings for name in mapping))


def _column(entries: Iterable[str | Quantity | None]) -> FloatArray:
    return np.array([e.value if isinstance(e, Quantity) else np.nan for e in entries])


def _choice_code(name: str, entry: str | Quantity | None) -> int:
    return CHOICES[name].index(entry) if isinstance(entry, str) else -1


def _likelihood(entry: str | Mapping[str, float] | None, states: Sequence[str]) -> list[float]:
    """Scaled so that the largest is one: only ratios mean anything, and ones mean nothing."""
    if not isinstance(entry, Mapping):
        return [1.0] * len(states)
    largest = max(entry.values())
    return [entry.get(state, 0.0) / largest for state in states]


def _confirmed_columns(
    inspections: Sequence[Inspection], knowledge: Knowledge
) -> dict[str, BoolArray]:
    columns = {}
    for name in _names([one.confirmed for one in inspections]):
        states = knowledge.node(name).states
        allowed = [one.confirmed.get(name, states) for one in inspections]
        columns[name] = np.array([[state in row for state in states] for row in allowed])
    return columns


def reading_dimension(name: str, knowledge: Knowledge) -> Dimension:
    """Dimension of a reading, by which its unit is known.

    Raises
    ------
    UnknownName
        If there is no such reading; the message gives the nearest spelling.
    KnowledgeError
        If the knowledge gives it a quantity that has no units.
    """
    if name in AUXILIARY:
        return "temperature"
    gauges = knowledge.of_kind("gauge")
    if name not in gauges:
        raise unknown_name("reading", name, [*gauges, *AUXILIARY])
    quantity = gauges[name].quantity.removeprefix("temperature_")
    for dimension in DIMENSIONS:
        if dimension == quantity:
            return dimension
    raise KnowledgeError(f"{gauges[name].file}: {name}: unknown quantity {quantity!r}")
