"""What an alarm comes to: an offset in the unit of the instrument, and the number that explains it.

Which number of the knowledge explains most is a score test (Rao 1948): the slope by each of what
was seen, given the looks before it, against its information and the weight that holds it.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from itertools import product
from math import isfinite
from typing import NamedTuple

import numpy as np

from loopodds.archive.encoded import Piece
from loopodds.base.arrays import FloatArray
from loopodds.base.units import INTERNAL_UNITS, column_unit
from loopodds.diagnosis.predictions import SHOWN_UNITS, instrument_readings
from loopodds.doubt.chain import slope_by, tallies_of
from loopodds.doubt.numbers import Numbers, number_words, numbers_of, place_words
from loopodds.drift.looks import with_and_without
from loopodds.inference.junction import JunctionTree
from loopodds.inference.slopes import slopes
from loopodds.inspection.inspection import InspectionBatch
from loopodds.inspection.vocabulary import CHOICES, reading_dimension
from loopodds.knowledge.assembly import build_network
from loopodds.knowledge.records import Knowledge
from loopodds.upkeep.estimation import Key, Pieces
from loopodds.upkeep.habits import spread_rows

MOST = 3
"""Lists of numbers that are named."""
LOTS = 32
"""Lots of rows whose slopes tell how far a slope scatters."""
TYPICAL = {"nameplate_charge_g": 500.0, "nameplate_oil_g": 120.0}
"""Of the car on which an offset is told where the gauge is weighed against a nameplate."""


class Explaining(NamedTuple):
    """A list of numbers that a change would explain."""

    place: str
    about: str
    state: str  # the chance that moves most; empty where the list is no chances
    more: bool  # whether that chance, or the mean, would have to be larger
    gain: float  # log-likelihood a look that the change gains, less what its weight takes


class Offset(NamedTuple):
    """How far a gauge reads off."""

    amount: float
    error: float  # standard
    unit: str


def explaining(
    knowledge: Knowledge, names: Sequence[str], order: Sequence[str], pieces: Pieces
) -> tuple[Explaining, ...]:
    """The lists of numbers whose change explains most of the looks at some things, the best first,
    each look given those before it.

    From some of the rows, spread over them.

    Args:
        names: What was looked at; an empty one stands for all looks of an inspection.
        order: Names, first looked at first.
    """
    lists = {n.key: n for node in knowledge.nodes.values() for n in numbers_of(node).values()}
    found, looks = _slopes(knowledge, names, order, spread_rows(pieces), lists)
    every = [_explaining(lists[key], slope, looks, knowledge) for key, slope in found.items()]
    return tuple(sorted(every, key=lambda one: -one.gain)[:MOST])


def _explaining(held: Numbers, slope: FloatArray, looks: int, knowledge: Knowledge) -> Explaining:
    total, own = slope.sum(axis=0), np.diag(held.covariance)
    information = ((slope - slope.mean(axis=0)) ** 2).sum(axis=0) * LOTS / (LOTS - 1)
    gains = 0.5 * total**2 * own / (1 + information * own) / looks
    at, node = int(gains.argmax()), knowledge.node(held.node)
    state = node.states[at] if held.kind == "levels" else ""
    about = number_words(node, held.path)
    return Explaining(place_words(*held.key), about, state, bool(total[at] > 0), float(gains[at]))


def _slopes(
    knowledge: Knowledge,
    names: Sequence[str],
    order: Sequence[str],
    pieces: Iterable[Piece],
    lists: Mapping[Key, Numbers],
) -> tuple[dict[Key, FloatArray], int]:
    """Slopes by every list of the log chance of what was seen, lot by lot, (lots, numbers); and
    the count of looks.
    """
    found: dict[Key, FloatArray] = {}
    looks = 0
    for piece, name in product(pieces, names):
        told = with_and_without(piece, knowledge, order, name)
        rows = told.rows // 2
        looks += rows
        tree = JunctionTree(build_network(knowledge, piece.context), True)
        lots = np.eye(LOTS)[:, np.arange(rows) % LOTS]
        parts = slopes(tree, told, np.hstack([lots, -lots])).by_name
        for node, part in parts.items():
            tallies = tallies_of(knowledge.node(node), knowledge, piece.context, part)
            for path, tally in tallies.items():
                held = lists.get((node, path))
                if held is None or not held.free:
                    continue
                slope = slope_by(held, tally)
                if held.kind in ("levels", "passing"):
                    slope = slope - (slope @ held.values)[:, None]
                found[held.key] = found.get(held.key, 0.0) + slope
    return found, looks


def instrument_offset(
    name: str, offset: float, error: float, context: Mapping[str, str], knowledge: Knowledge
) -> Offset:
    """An offset counted in spreads of one car, as the instrument shows it on a sound, typical car.

    Where that car leaves it open, the offset in the scale of the gauge.
    """
    gauge = knowledge.gauges[name]
    moved = np.array([0.0, offset, offset + error]) * gauge.spread
    fluid = CHOICES["refrigerant"].index(context.get("refrigerant", CHOICES["refrigerant"][0]))
    numbers = {
        **{f"{n}_{u}": knowledge.contexts[n].typical
           for n, u in (("ambient", "c"), ("humidity", "pct")) if n in knowledge.contexts},
        **TYPICAL,
    }  # fmt: skip
    car = InspectionBatch(
        3,
        choices={"refrigerant": np.full(3, fluid, np.int8)},
        numbers={key: np.full(3, value) for key, value in numbers.items()},
    )
    shown = instrument_readings({name: moved}, car, knowledge)[name]
    dimension = reading_dimension(name, knowledge)
    unit = SHOWN_UNITS.get(dimension, INTERNAL_UNITS[dimension])
    there = column_unit(unit, dimension).from_internal(shown)
    amount, reach = float(there[1] - there[0]), float(abs(there[2] - there[1]))
    if isfinite(amount):
        return Offset(amount, reach, "K" if unit == "degC" else unit)
    return Offset(float(moved[1]), float(moved[2] - moved[1]), "K")
