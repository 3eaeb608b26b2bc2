"""One part of an archive taken apart for its owner: sums by group, misses, cars to look at again.

What was done is read from the outcomes: a fault that an outcome names counts as put right, and
what it does not mention as left. What that costs is the difference between leaving it and the best
plan for it, both after the findings and the outcome, with all that would have to be done again.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping, Sequence
from contextlib import closing
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from loopodds.advice.batches import Plans, plans_of
from loopodds.archive.chunks import CHUNK_ROWS, Chunk
from loopodds.archive.outputs import rejects_bytes
from loopodds.archive.review import cells_of, logs_alone, missed_cost, with_outcomes
from loopodds.archive.scoring import (
    Scores,
    impossible_rows,
    rejects_in,
    scored_encoding,
    tally_of,
    usable_rows,
)
from loopodds.archive.sources import ParquetSource, Partition
from loopodds.archive.summary import Tally
from loopodds.archive.workers import Job, Part
from loopodds.base.arrays import BoolArray, FloatArray, IntArray
from loopodds.fleets.sums import Cars, Groups, RowValues
from loopodds.inspection.cells import shown
from loopodds.inspection.columns import PLAN
from loopodds.inspection.encoding import encode
from loopodds.inspection.inspection import Encoding
from loopodds.knowledge.records import Knowledge

if TYPE_CHECKING:
    import pyarrow as pa

MOST_MISSES, MOST_OF_A_KIND, MOST_ODD = 25, 3, 8
"""Cars kept: the dearest misses, the dearest of each fault left out, the strongest conflicts."""
ODD, NOTHING = "conflict", "(not stated)"
LONGEST_VALUE = 60
ISO = re.compile(r"(\d{4})-(\d{2})(?:-\d{2})?(?:[T ].*)?")
GERMAN = re.compile(r"\d{1,2}\.(\d{1,2})\.(\d{4})(?:[ T].*)?")

Entry = Mapping[str, Any]


@dataclass(frozen=True, slots=True, eq=False)
class FleetJob:
    """What to gather, as it is sent to whoever does a part of it."""

    job: Job
    by: tuple[str, ...]  # columns of the archive
    months: frozenset[str] = frozenset()  # those of them that hold dates


@dataclass(frozen=True, slots=True, eq=False)
class Gathered:
    """What some rows amount to; two add up to what all of them do."""

    tally: Tally
    whole: Cars
    groups: Groups
    misses: tuple[Entry, ...] = ()
    again: Mapping[str, tuple[Entry, ...]] = field(default_factory=dict)
    rejects: bytes = b""

    def plus(self, other: Gathered) -> Gathered:
        """Both together, without the lines of rejects."""
        again = {
            kind: _best((*self.again.get(kind, ()), *other.again.get(kind, ())), kind)
            for kind in dict.fromkeys((*self.again, *other.again))
        }
        misses = sorted((*self.misses, *other.misses), key=lambda e: (-e["saves"], e["row"]))
        return Gathered(
            self.tally.plus(other.tally), self.whole.plus(other.whole),
            self.groups.plus(other.groups), tuple(misses[:MOST_MISSES]), again,
        )  # fmt: skip

    def as_json(self) -> dict[str, Any]:
        """Plain data, the lines of rejects apart."""
        return {
            "tally": self.tally.as_json(),
            "whole": self.whole.as_json(),
            "groups": self.groups.as_json(),
            "misses": list(self.misses),
            "again": {kind: list(entries) for kind, entries in self.again.items()},
        }

    @classmethod
    def from_json(cls, content: Mapping[str, Any]) -> Gathered:
        """The inverse of :meth:`as_json`."""
        return cls(
            Tally.from_json(content["tally"]), Cars.from_json(content["whole"]),
            Groups.from_json(content["groups"]), tuple(content["misses"]),
            {kind: tuple(entries) for kind, entries in content["again"].items()},
        )  # fmt: skip


def _best(entries: Sequence[Entry], kind: str) -> tuple[Entry, ...]:
    measure, most = ("bits", MOST_ODD) if kind == ODD else ("cost", MOST_OF_A_KIND)
    return tuple(sorted(entries, key=lambda e: (-e[measure], e["row"]))[:most])


def gather_part(fleet: FleetJob, part: Part) -> Gathered:
    """What a part of an archive amounts to, in whatever process this is."""
    fleet.job.require_same_version()
    gathered: Gathered | None = None
    for chunk in _chunks(part, fleet.job):
        one = _gather_chunk(chunk, fleet)
        rejects = (b"" if gathered is None else gathered.rejects) + one.rejects
        whole = one if gathered is None else gathered.plus(one)
        gathered = Gathered(
            whole.tally, whole.whole, whole.groups, whole.misses, whole.again, rejects
        )
    assert gathered is not None, "a part has rows"
    return gathered


def _chunks(part: Part, job: Job) -> Iterator[Chunk]:
    if not isinstance(part, Partition):
        yield part
        return
    groups = range(part.first_group, part.first_group + part.groups)
    with closing(ParquetSource(Path(part.path), groups)) as reader:
        yield from reader.parts(CHUNK_ROWS, 0, part.first_row, job.plan.word_columns)


def _gather_chunk(chunk: Chunk, fleet: FleetJob) -> Gathered:
    plan, model = fleet.job.plan, fleet.job.model
    batch, kept, problems = usable_rows(chunk, plan, model.knowledge)
    encoding = encode(batch, model.knowledge)
    if not batch.rows:
        encoding = replace(encoding, groups=())
    scores, _ = scored_encoding(encoding, model, (PLAN,), fleet.job.price_list)
    possible = np.isfinite(scores.log_evidence)
    if not possible.all():
        problems += impossible_rows(scores, encoding.groups, kept, chunk.table, plan, model)
    rejects = rejects_in(chunk, problems)
    numbers = chunk.first_row + chunk.offsets[kept]
    tally = tally_of(chunk.count, rejects, scores.take(possible), numbers[possible], model)
    values, candidates = _values(encoding, scores, fleet.job)
    columns = {name: _labels(chunk.table, name, kept, name in fleet.months) for name in fleet.by}
    groups = {
        name: {
            label: values.summed(possible & (labels == label))
            for label in np.unique(labels[possible]).tolist()
        }
        for name, labels in columns.items()
    }
    misses, again = _entries(candidates, values, possible, numbers, kept, chunk.table)
    return Gathered(
        tally, values.summed(possible), Groups().plus(Groups(groups)), misses, again,
        rejects_bytes(rejects),
    )  # fmt: skip


@dataclass(frozen=True, slots=True, eq=False)
class _Candidates:
    """What speaks for looking at each car again; all arrays begin with the rows."""

    cost: FloatArray  # of what the outcome leaves out, shape (rows, fault variables)
    bits: FloatArray
    later: Plans  # for what the outcome leaves out
    faults: tuple[str, ...]


def _values(encoding: Encoding, scores: Scores, job: Job) -> tuple[RowValues, _Candidates]:
    """What is added up over the rows of a batch, and what may be worth looking at again."""
    batch, model, knowledge = encoding.batch, job.model, job.model.knowledge
    rows, faults = batch.rows, tuple(knowledge.of_kind("fault"))
    cost, alone = np.zeros((rows, len(faults))), np.zeros(rows)
    told_beliefs = []
    for group in encoding.groups:
        believed, outcomes = with_outcomes(group, batch, model)
        told_beliefs.append(believed)
        cost[group.rows] = missed_cost(believed, outcomes, model)
        alone[group.rows] = logs_alone(group, model)
    found = {name: ~mask[:, 0] for name, mask in batch.confirmed.items()}
    stated: dict[str, BoolArray] = {
        name: np.asarray((~mask).any(axis=1)) for name, mask in batch.confirmed.items()
    }
    later = plans_of(encoding, told_beliefs, model, job.price_list, found)
    closed = np.asarray(np.any([*stated.values(), np.zeros(rows, dtype=bool)], axis=0))
    missed = np.where(closed, np.maximum(later.leaving - later.cost, 0.0), 0.0)
    told, noted = _outcomes(encoding, knowledge, stated)
    plans = scores.plans
    assert plans is not None
    chances = np.column_stack([scores.conditions, 1 - scores.p_sound])
    values = RowValues(
        chances, np.asarray(scores.stops.any(axis=1)),
        plans.services, plans.cost, plans.leaving, closed, missed, told, noted,
    )  # fmt: skip
    bits = np.where(np.isfinite(scores.log_evidence), alone - scores.log_evidence, -np.inf)
    return values, _Candidates(cost, bits / np.log(2), later, faults)


def _outcomes(
    encoding: Encoding, knowledge: Knowledge, stated: Mapping[str, BoolArray]
) -> tuple[BoolArray, BoolArray]:
    """Of each condition: rows whose outcome tells of it, and in which it was found."""
    batch = encoding.batch
    told = np.zeros((batch.rows, len(knowledge.conditions)), dtype=bool)
    noted = told.copy()
    for place, condition in enumerate(knowledge.conditions.values()):
        if condition.variable not in batch.confirmed:
            continue
        mask = batch.confirmed[condition.variable]
        states = knowledge.node(condition.variable).states
        own = np.array([state in condition.states for state in states])
        inside, outside = mask[:, own].any(axis=1), mask[:, ~own].any(axis=1)
        # an outcome that leaves open whether it is this condition tells nothing of it
        told[:, place] = stated[condition.variable] & (inside ^ outside)
        noted[:, place] = inside & ~outside
    return told, noted


def _entries(
    candidates: _Candidates,
    values: RowValues,
    possible: BoolArray,
    numbers: IntArray,
    kept: IntArray,
    table: pa.Table,
) -> tuple[tuple[Entry, ...], dict[str, tuple[Entry, ...]]]:
    """The dearest misses, and the cars most worth looking at again of each kind."""

    def entry(row: int, **more: Any) -> Entry:
        return {"row": int(numbers[row]), **more, "cells": cells_of(table, int(kept[row]))}

    missed = np.where(possible, values.missed, 0.0)
    misses = [
        entry(
            row, saves=float(missed[row]), services=list(candidates.later.services[row]),
            leaving=float(candidates.later.leaving[row]), cost=float(candidates.later.cost[row]),
        )
        for row in np.argsort(-missed, kind="stable")[:MOST_MISSES].tolist()
        if missed[row] > 0
    ]  # fmt: skip
    total = np.where(possible, candidates.cost.sum(axis=1), 0.0)
    leading = candidates.cost.argmax(axis=1) if len(total) else np.zeros(0, int)
    again: dict[str, tuple[Entry, ...]] = {}
    for place, fault in enumerate(candidates.faults):
        rows = np.flatnonzero((leading == place) & (total > 0))
        best = rows[np.argsort(-total[rows], kind="stable")[:MOST_OF_A_KIND]]
        if len(best):
            again[fault] = tuple(
                entry(row, cost=float(total[row]), bits=float(candidates.bits[row]))
                for row in best.tolist()
            )
    bits = np.where(possible, candidates.bits, -np.inf)
    odd = [row for row in np.argsort(-bits, kind="stable")[:MOST_ODD].tolist() if bits[row] > 0]
    again[ODD] = tuple(entry(row, cost=float(total[row]), bits=float(bits[row])) for row in odd)
    return tuple(misses), again


def _labels(table: pa.Table, name: str, rows: IntArray, months: bool) -> Any:
    """What each row belongs to by a column, shape (rows,), text."""
    import pyarrow as pa
    import pyarrow.compute as pc

    cells = pc.cast(table.column(name), pa.string()).to_pylist()
    known: dict[str | None, str] = {}
    for cell in set(cells):
        text = shown(" ".join((cell or "").split()))[:LONGEST_VALUE]
        known[cell] = (month_of(text) if months else text) or NOTHING
    return np.array([known[cell] for cell in cells], dtype=object)[rows]


def month_of(text: str) -> str:
    """Year and month of a date, ISO 8601 or day.month.year; empty where it is none.

    >>> month_of("2026-05-03"), month_of("3.5.2026"), month_of("May")
    ('2026-05', '2026-05', '')
    """
    if match := ISO.fullmatch(text):
        year, month = match[1], int(match[2])
    elif match := GERMAN.fullmatch(text):
        year, month = match[2], int(match[1])
    else:
        return ""
    return f"{year}-{month:02d}" if 1 <= month <= 12 else ""
