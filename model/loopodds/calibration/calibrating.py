"""An archive's probabilities beside its confirmed outcomes, whatever was opened."""

from __future__ import annotations

import csv
import tempfile
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from io import StringIO
from itertools import islice
from pathlib import Path
from typing import Any

import numpy as np

from loopodds.archive.encoded import REJECTS, EncodedArchive, Piece, encode_archive
from loopodds.archive.runner import INVENTED
from loopodds.archive.summary import RunProgress
from loopodds.base.arrays import BoolArray, FloatArray, IntArray
from loopodds.base.errors import InspectionError
from loopodds.base.files import write_whole
from loopodds.calibration.events import (
    LEADING,
    NOTHING_WRONG,
    PLAN_RIGHT,
    Events,
    drawn_shifts,
    events_of,
)
from loopodds.calibration.plans import MOST_PLANS, plan_events
from loopodds.calibration.propensity import Weighting, confirmed_chances, features, weighting
from loopodds.calibration.reliability import RESAMPLES, Outcomes, Reliability, reliability
from loopodds.casebook.sources import MARK
from loopodds.diagnosis.model import Model
from loopodds.knowledge.records import Knowledge
from loopodds.upkeep.confirmation import CONFIRMED_BY, Way, rates_of, read_ways, ways_of
from loopodds.upkeep.selection import far_off

FALSE_DISCOVERIES = 0.05
SEED = 20_260
"""Of the reports drawn: the same archive gives the same answer."""
WHOLE_CAR = {
    LEADING: "The leading fault",
    NOTHING_WRONG: "Nothing wrong",
    PLAN_RIGHT: "The plan was right",
}
SHOWN = 10
"""Rows set aside that are shown."""
FEW_COLUMNS = 5
"""Outcome columns below which a car without any entry is no sign that nobody looked."""


@dataclass(frozen=True, slots=True, eq=False)
class Claim:
    """One event of which probabilities were stated."""

    name: str  # of a fault, or of the whole car
    title: str
    told: Reliability | None  # None where no confirmed car tells of it
    far_off: bool  # beyond chance, among all events of the archive

    @property
    def whole_car(self) -> bool:
        """Whether it is about the car and not about one fault."""
        return self.name in WHOLE_CAR

    @property
    def few(self) -> bool:
        """Whether too little was reported to say anything."""
        return self.told is None or self.told.few

    def as_json(self) -> dict[str, Any]:
        """Plain data."""
        told = self.told.as_json() if self.told else {"cars": 0, "too_few": True}
        return {"name": self.name, "title": self.title, **told, "far_off": self.far_off}


@dataclass(frozen=True, slots=True, eq=False)
class Calibration:
    """What came of it: the whole car first, then faults by how much was reported."""

    archive: str
    rows: int
    rejected: int
    set_aside: tuple[Mapping[str, str], ...]  # the first of them: row, column, value, reason
    confirmed: int
    weighting: Weighting
    claims: tuple[Claim, ...]
    warnings: tuple[str, ...]

    def as_json(self) -> dict[str, Any]:
        """Plain data for ``json.dumps``."""
        return {
            "archive": self.archive,
            "rows": self.rows,
            "rejected": self.rejected,
            "set_aside": [dict(entry) for entry in self.set_aside],
            "confirmed": self.confirmed,
            "effective_cars": self.weighting.effective,
            "largest_weight": self.weighting.largest,
            "weights_cut": self.weighting.cut,
            "claims": [claim.as_json() for claim in self.claims],
            "warnings": list(self.warnings),
        }


def calibrate(
    archive: str | Path,
    *,
    columns: str | Path | None = None,
    knowledge: str | Path | None = None,
    rejects: str | Path | None = None,
    progress: Callable[[str, int], None] | None = None,
) -> Calibration:
    """Compare what the network states of every car with what was confirmed of some.

    Args:
        archive: As :func:`loopodds.archive.runner.score` reads it, but for folders.
        columns: Column map.
        knowledge: Folder; the shipped one when left out. Its ``confirmation.toml`` says how often
            outcomes are wrong or not written down, as in ``learn``.
        rejects: File for the rows that cannot be used, each with its reason.
        progress: Told the stage in words and the cars done.

    Raises:
        InspectionError: if the archive cannot be read, or no car of it has an outcome.
        KnowledgeError: if the knowledge is inconsistent.
    """
    model = Model(Knowledge(knowledge), compiled=True)
    ways = read_ways(knowledge)
    tell = progress or (lambda _stage, _cars: None)

    def watch(run: RunProgress) -> None:
        tell("reading", run.rows)

    with tempfile.TemporaryDirectory() as folder:
        tags = {CONFIRMED_BY: tuple(ways)}
        data = encode_archive(archive, model, Path(folder), columns, tags, watch)
        aside = (Path(folder) / REJECTS).read_text(encoding="utf-8")
        if rejects is not None:
            write_whole(Path(rejects), aside)
        return _Run(model, ways, tell).whole(data, str(archive), aside)


class _Run:
    def __init__(
        self, model: Model, ways: Mapping[str, Way], tell: Callable[[str, int], None]
    ) -> None:
        self.model, self.rates, self.tell = model, rates_of(ways), tell
        self.rng = np.random.default_rng(SEED)
        self.shifts = drawn_shifts(ways, RESAMPLES, self.rng)

    def whole(self, data: EncodedArchive, archive: str, aside: str) -> Calibration:
        record, confirmed, found = self._looked_at(data)
        if not found:
            raise InspectionError(
                f"{Path(archive).name}: no car of it has an outcome; write what was found into "
                "columns confirmed_<fault>"
            ).helped_by("map columns")
        chances = confirmed_chances(record, confirmed)
        weights = weighting(chances[confirmed])
        by_row = np.zeros(len(confirmed))
        by_row[confirmed] = weights.weights
        self._add_plans(data, confirmed, found)
        claims = self._claims(found, by_row)
        first = tuple(islice(csv.DictReader(StringIO(aside)), SHOWN))
        return Calibration(
            archive, data.rows, data.rejected, first, int(confirmed.sum()), weights, claims,
            self._warnings(data, found, archive),
        )  # fmt: skip

    def _looked_at(
        self, data: EncodedArchive
    ) -> tuple[FloatArray, BoolArray, dict[str, list[Events]]]:
        """Records of all rows, which are confirmed, and the events by their place among all."""
        record, confirmed, found, start = [], [], dict[str, list[Events]](), 0
        for piece in data.pieces():
            beliefs = self.model.believe(piece.context, piece.evidence)
            record.append(features(piece, beliefs, self.model.knowledge))
            confirmed.append(ways_of(piece, list(self.rates)) >= 0)
            events = events_of(piece, beliefs, self.model, self.rates)
            for name, event in events.items():
                found.setdefault(name, []).append(event._replace(rows=event.rows + start))
            start += len(piece.numbers)
            self.tell("weighing what is believed", start)
        return np.concatenate(record), np.concatenate(confirmed), found

    def _add_plans(
        self, data: EncodedArchive, confirmed: BoolArray, found: dict[str, list[Events]]
    ) -> None:
        """The plans of so many confirmed cars, spread evenly."""
        if not self.model.knowledge.services:
            return
        every = np.flatnonzero(confirmed)
        some = every[np.linspace(0, len(every) - 1, min(MOST_PLANS, len(every))).astype(int)]
        chosen: list[tuple[Piece, IntArray]] = []
        starts, start = [], 0
        for piece in data.pieces():
            end = start + len(piece.numbers)
            own = some[(some >= start) & (some < end)] - start
            if len(own):
                chosen.append((piece.take(own), np.arange(len(own))))
                starts.append(own + start)
            start = end
        self.tell("working out plans", len(some))
        plans = plan_events(chosen, self.model, self.rates, self.rng)
        found[PLAN_RIGHT] = [
            event._replace(rows=at[event.rows]) for event, at in zip(plans, starts, strict=True)
        ]

    def _claims(
        self, found: Mapping[str, Sequence[Events]], weights: FloatArray
    ) -> tuple[Claim, ...]:
        titles = {**WHOLE_CAR, **{n: self.model.knowledge.node(n).title for n in self.model.faults}}
        told: dict[str, Reliability | None] = {}
        for name, title in titles.items():
            if name in found:
                self.tell(title, len(weights))
                told[name] = self._told(found[name], weights)
        p_values = [t.p_value if t and not t.few else 1.0 for t in told.values()]
        off = far_off(np.array(p_values), FALSE_DISCOVERIES).tolist()
        claims = [Claim(n, titles[n], t, o) for (n, t), o in zip(told.items(), off, strict=True)]
        order = sorted(
            claims,
            key=lambda c: (c.name not in WHOLE_CAR, c.few, -(c.told.reports if c.told else 0)),
        )
        return tuple(order)

    def _told(self, parts: Sequence[Events], weights: FloatArray) -> Reliability | None:
        rows, *told = (np.concatenate(part) for part in zip(*parts, strict=True))
        if not len(rows):
            return None
        stated, said, least, most, *way = told
        outcomes = Outcomes(stated, said, least, most, weights[rows], *way)
        return reliability(outcomes, self.rng, self.shifts)

    def _warnings(
        self, data: EncodedArchive, found: Mapping[str, Sequence[Events]], archive: str
    ) -> tuple[str, ...]:
        said = [INVENTED] * archive.startswith(MARK)
        if CONFIRMED_BY not in data.words:
            said.append(f"no column {CONFIRMED_BY}: every outcome counts as a technician's word")
            if len(found.keys() - WHOLE_CAR.keys()) < FEW_COLUMNS:
                said.append(
                    "few outcome columns: a car of which nothing is written counts as not opened, "
                    f"unless {CONFIRMED_BY} says that it was"
                )
        return (*said, *data.warnings)
