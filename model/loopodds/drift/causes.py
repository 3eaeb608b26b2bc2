"""What an alarm comes to: an offset in the unit of the instrument, and the number that explains it.

Which number of the knowledge explains most is a score test: the slope of the log evidence by each,
over the rows of the stretch, measured by how far such slopes scatter from lot to lot (Rao 1948).
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from dataclasses import replace
from math import isfinite
from typing import NamedTuple

import numpy as np

from loopodds.archive.encoded import Piece
from loopodds.base.units import INTERNAL_UNITS, column_unit
from loopodds.diagnosis.predictions import SHOWN_UNITS, instrument_readings
from loopodds.doubt.chain import slope_by
from loopodds.doubt.numbers import number_words, place_words
from loopodds.doubt.updating import updated
from loopodds.inspection.inspection import InspectionBatch
from loopodds.inspection.vocabulary import CHOICES, reading_dimension
from loopodds.knowledge.records import Knowledge
from loopodds.upkeep.estimation import Learner
from loopodds.upkeep.habits import spread_rows

TYPICAL = {"nameplate_charge_g": 500.0, "nameplate_oil_g": 120.0}
"""Of the car on which an offset is told where the gauge is weighed against a nameplate."""


class Explaining(NamedTuple):
    """A list of numbers that a change would explain."""

    place: str
    about: str
    state: str  # the chance that moves most; empty where the list is no chances
    before: float
    after: float  # one step towards what the stretch tells, held by its weight
    deviations: float  # of the score


class Offset(NamedTuple):
    """How far a gauge reads off."""

    amount: float
    error: float  # standard
    unit: str


def explaining(learner: Learner, pieces: Callable[[], Iterable[Piece]]) -> Explaining | None:
    """The list of numbers whose change explains most of some rows; None where none bears on them.

    From some of the rows, spread over them; outcomes that were confirmed are left out.
    """
    rows = [replace(piece, confirmed={}) for piece in spread_rows(pieces())]
    told = learner.information(lambda: rows, learner.start) if rows else {}
    best: Explaining | None = None
    for key, (information, tally) in told.items():
        held = learner.lists[key]
        slope = slope_by(held, tally[None])[0]
        if held.kind in ("levels", "passing"):
            slope = slope - float(slope @ held.values)
        spread = np.sqrt(information)
        score = np.divide(slope, spread, out=np.zeros_like(slope), where=spread > 0)
        most = float(np.abs(score).max())
        if best is not None and most <= best.deviations:
            continue
        after, node = updated(held, held.values, tally), learner.knowledge.node(held.node)
        at = int(np.abs(after - held.values).argmax())
        state = node.states[at] if held.kind == "levels" else ""
        best = Explaining(
            place_words(*key), number_words(node, held.path), state,
            float(held.values[at]), float(after[at]), most,
        )  # fmt: skip
    return best


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
