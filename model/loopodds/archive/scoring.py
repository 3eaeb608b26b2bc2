"""Inspections out of an archive, and probabilities for whole batches of them.

``score_chunk`` is the one function behind every way of scoring an archive.
"""

from __future__ import annotations

import os
import uuid
from collections import Counter
from collections.abc import Collection, Iterator, Mapping, Sequence
from contextlib import closing
from dataclasses import dataclass, field, replace
from itertools import compress
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from loopodds.advice.batches import Plans, next_tests, plans_of
from loopodds.archive.chunks import CHUNK_ROWS, Chunk
from loopodds.archive.journal import PARTS, UNFINISHED
from loopodds.archive.review import candidates, cells_of
from loopodds.archive.sources import ParquetSource, Partition, found_archive, open_source
from loopodds.archive.summary import LEAST_SHOWN, Tally
from loopodds.base.arrays import BoolArray, FloatArray, IntArray
from loopodds.base.files import content_digest, naming, sync_file, sync_folder
from loopodds.decision.prices import Prices
from loopodds.diagnosis.model import Beliefs, Model, smallest_impossible
from loopodds.inspection.cells import Defect, cell_text, read_cells
from loopodds.inspection.columns import (
    INTERVALS,
    NEXT,
    PLAN,
    ColumnPlan,
    added_columns,
    plan_columns,
)
from loopodds.inspection.encoding import encode
from loopodds.inspection.inspection import Encoding, Group, InspectionBatch
from loopodds.knowledge.records import SOUND, Knowledge
from loopodds.safety.batches import joined_names, stops_of

if TYPE_CHECKING:
    import pyarrow as pa

CANNOT_HOLD = "cannot hold together"


@dataclass(frozen=True, slots=True, eq=False)
class ReadInspections:
    """Inspections of one chunk of an archive, their row numbers, and the rows set aside."""

    batch: InspectionBatch
    numbers: IntArray  # the first below the header is 1
    rejects: list[Defect]


def read_inspections(
    source: str | Path, knowledge: Knowledge, columns: str | Path | None = None
) -> Iterator[ReadInspections]:
    """Every inspection of an archive, so many rows at a time.

    Args:
        source: CSV, gzipped CSV or Parquet; ``@name`` for a shipped archive.
        columns: Column map.

    Raises:
        InspectionError: if the archive cannot be read or holds nothing known.
    """
    with (
        found_archive(source, columns) as (path, mapping),
        closing(open_source(path, mapping)) as reader,
    ):
        plan = plan_columns(reader.schema.names, knowledge, mapping)
        for chunk in reader.parts(CHUNK_ROWS, words=plan.word_columns):
            batch, rows, problems = usable_rows(chunk, plan, knowledge)
            numbers = chunk.first_row + chunk.offsets[rows]
            yield ReadInspections(batch, numbers, rejects_in(chunk, problems))


def usable_rows(
    chunk: Chunk, plan: ColumnPlan, knowledge: Knowledge
) -> tuple[InspectionBatch, IntArray, list[Defect]]:
    """The usable rows of a chunk, where they stand in its table, and what is wrong with others."""
    batch, problems = read_cells(chunk.table, plan, knowledge)
    rows = np.setdiff1d(np.arange(batch.rows), [problem.row for problem in problems])
    return batch if len(rows) == batch.rows else batch.take(rows), rows, problems


def rejects_in(chunk: Chunk, problems: list[Defect]) -> list[Defect]:
    """One reject for each bad row, in order, numbered as in the archive: its first problem.

    Further columns with a problem are added to the reason.
    """
    offsets = chunk.offsets.tolist()
    in_chunk = [problem._replace(row=offsets[problem.row]) for problem in problems]
    by_row: dict[int, list[Defect]] = {}
    for problem in (*chunk.problems, *in_chunk):
        by_row.setdefault(problem.row, []).append(problem)
    rejects = []
    for row, (first, *others) in sorted(by_row.items()):
        more = (
            f"; also {other.column} {other.value!r}: {other.reason}"
            if other.column
            else f"; also {other.reason}"
            for other in others
        )
        reason = "".join([first.reason, *more])
        rejects.append(first._replace(row=chunk.first_row + row, reason=reason))
    return rejects


@dataclass(frozen=True, slots=True, eq=False)
class Scores:
    """Posteriors of a batch, in the order of its rows."""

    conditions: FloatArray  # shape (rows, conditions); each in 0 to 1, a row need not sum to one
    p_sound: FloatArray  # shape (rows,)
    log_evidence: FloatArray  # natural; minus infinity where the findings cannot hold together
    stops: BoolArray  # shape (rows, stops): in force, in file order
    # shape (rows, 2 * (conditions and sound)): low and high of each, where they were asked for
    ends: FloatArray | None = None
    distinct: int = 0  # rows that differ in their evidence
    plans: Plans | None = None
    next_tests: Sequence[str] | None = None  # empty where testing is to stop

    def take(self, rows: BoolArray) -> Scores:
        """Those of some rows."""
        return Scores(
            self.conditions[rows], self.p_sound[rows], self.log_evidence[rows], self.stops[rows],
            None if self.ends is None else self.ends[rows],
            min(self.distinct, int(rows.sum())),
            None if self.plans is None else self.plans.take(rows),
            None if self.next_tests is None else list(compress(self.next_tests, rows)),
        )  # fmt: skip


@dataclass(frozen=True, slots=True, eq=False)
class ScoredChunk:
    """Rows of a chunk with what scoring adds, those set aside, and the count of both."""

    table: pa.Table
    rejects: list[Defect]
    tally: Tally
    written: Mapping[str, str] = field(default_factory=dict)  # file of a partition: name, digest


def score_batch(
    batch: InspectionBatch, model: Model, also: Collection[str] = (), prices: Prices | None = None
) -> Scores:
    """Exact probabilities of every condition in every row.

    ``also``: ``intervals`` (how far they could lie, for the weights of the numbers behind them),
    ``plan`` and ``next``, by the shipped prices where none are given.

    Raises:
        KnowledgeError: if the knowledge does not cover a context of the batch.
    """
    return scored_encoding(encode(batch, model.knowledge), model, also, prices)[0]


def scored_encoding(
    encoding: Encoding, model: Model, also: Collection[str], prices: Prices | None
) -> tuple[Scores, list[Beliefs]]:
    """Scores of encoded rows, and the beliefs of each of their groups."""
    batch, groups = encoding.batch, encoding.groups
    rows, believed = batch.rows, []
    ends = np.zeros((rows, len(model.conditions) + 1, 2)) if INTERVALS in also else None
    stops = np.zeros((rows, len(model.knowledge.stops)), dtype=bool)
    conditions = np.zeros((rows, len(model.conditions)))
    p_sound, log_evidence = np.zeros(rows), np.full(rows, -np.inf)
    for group in groups:
        beliefs = model.believe(group.context, group.evidence)
        believed.append(beliefs)
        p_sound[group.rows] = beliefs.p_sound
        log_evidence[group.rows] = beliefs.log_evidence
        for index, name in enumerate(model.conditions):
            conditions[group.rows, index] = model.probability(beliefs, name)
        stops[group.rows] = stops_of(batch, group, beliefs, model.knowledge)
        if ends is not None:
            from loopodds.doubt.bulk import interval_batch

            low, high = interval_batch(model, group.context, group.evidence, beliefs)
            ends[group.rows] = np.stack([low, high], axis=-1)
    flat = None if ends is None else ends.reshape(rows, -1)
    plans = plans_of(encoding, believed, model, prices) if PLAN in also else None
    tests = next_tests(encoding, log_evidence, model, prices) if NEXT in also else None
    distinct = sum(beliefs.distinct for beliefs in believed)
    scores = Scores(conditions, p_sound, log_evidence, stops, flat, distinct, plans, tests)
    return scores, believed


def score_chunk(
    chunk: Chunk,
    plan: ColumnPlan,
    model: Model,
    review: int = 0,
    also: Collection[str] = (),
    prices: Prices | None = None,
) -> ScoredChunk:
    """Score the rows of a chunk and set aside those that cannot be: together exactly its rows.

    Candidates for reopening are looked for only if asked, because that costs a second pass.
    """
    batch, kept, problems = usable_rows(chunk, plan, model.knowledge)
    encoding = encode(batch, model.knowledge)
    groups = encoding.groups if batch.rows else ()
    scores, _ = scored_encoding(replace(encoding, groups=groups), model, also, prices)
    possible = np.isfinite(scores.log_evidence)
    if not possible.all():
        problems += impossible_rows(scores, groups, kept, chunk.table, plan, model)
    rejects = rejects_in(chunk, problems)
    scored = kept[possible]
    numbers = chunk.first_row + chunk.offsets
    table = _with_scores(chunk.table, scored, scores.take(possible), model, also)
    tally = tally_of(chunk.count, rejects, scores.take(possible), numbers[scored], model)
    if review and batch.rows:
        best = candidates(groups, batch, scores.log_evidence, model, review)
        entries = tuple(
            {"row": int(numbers[row]), "cost": cost, "bits": bits,
             "cells": cells_of(chunk.table, row)}
            for row, (cost, bits) in zip(kept[[*best]].tolist(), best.values(), strict=True)
        )  # fmt: skip
        tally = replace(tally, review=entries, review_size=review)
    return ScoredChunk(table, rejects, tally)


def score_partition(
    partition: Partition,
    plan: ColumnPlan,
    model: Model,
    review: int,
    folder: str,
    also: Collection[str] = (),
    prices: Prices | None = None,
) -> ScoredChunk:
    """Put the scored rows of a partition into the folder of the run; the rest, without rows."""
    import pyarrow.parquet

    groups = range(partition.first_group, partition.first_group + partition.groups)
    unfinished = Path(folder, UNFINISHED, uuid.uuid4().hex)
    rejects: list[Defect] = []
    tally = Tally()
    with closing(ParquetSource(Path(partition.path), groups)) as reader:
        schema: pa.Schema = empty_scored(reader.schema, model, also).schema
        parts = reader.parts(CHUNK_ROWS, 0, partition.first_row, plan.word_columns)
        name = f"part-{partition.position - 1:06d}.parquet"
        try:
            with (
                naming(Path(folder, PARTS, name)),
                pyarrow.parquet.ParquetWriter(unfinished, schema) as writer,
            ):
                for chunk in parts:
                    done = score_chunk(chunk, plan, model, review, also, prices)
                    if done.table.num_rows:
                        writer.write_table(done.table.cast(schema))
                    rejects += done.rejects
                    tally = tally.plus(done.tally)
            with naming(Path(folder, PARTS, name)):
                sync_file(unfinished)
                written = {"name": name, "digest": content_digest(unfinished)}
                os.replace(unfinished, Path(folder, PARTS, name))
                sync_folder(Path(folder, PARTS))
        finally:
            unfinished.unlink(missing_ok=True)
    return ScoredChunk(schema.empty_table(), rejects, tally, written)


def impossible_rows(
    scores: Scores,
    groups: Sequence[Group],
    kept: IntArray,
    table: pa.Table,
    plan: ColumnPlan,
    model: Model,
) -> list[Defect]:
    """A problem for each row whose findings cannot hold together, naming them."""
    problems = []
    for group in groups:
        for index in np.flatnonzero(~np.isfinite(scores.log_evidence[group.rows])).tolist():
            row = int(kept[group.rows[index]])
            evidence = group.evidence.take(slice(index, index + 1))
            names = smallest_impossible(model.tree(group.context), evidence)
            columns = [column for name in names for column in plan.columns_of(name)]
            values = " + ".join(cell_text(table, column, row) for column in columns)
            reason = f"these cannot hold together: {', '.join(names)}"
            problems.append(Defect(row, " + ".join(columns), values, CANNOT_HOLD, reason))
    return problems


def _with_scores(
    table: pa.Table, rows: IntArray, scores: Scores, model: Model, also: Collection[str]
) -> pa.Table:
    import pyarrow as pa

    if len(rows) < table.num_rows:
        table = table.take(rows)
    names = list(model.conditions)
    top = pa.array(names, pa.string()).take(pa.array(scores.conditions.argmax(axis=1)))
    values = [*np.ascontiguousarray(scores.conditions.T), scores.p_sound, scores.log_evidence]
    stopped = pa.array(joined_names(scores.stops, model.knowledge), pa.string())
    ends = () if scores.ends is None else np.ascontiguousarray(scores.ends.T)
    arrays = [*map(pa.array, values), top, stopped, *map(pa.array, ends)]
    if scores.plans is not None:
        services = [" ".join(names) for names in scores.plans.services]
        arrays += [pa.array(services, pa.string()), pa.array(scores.plans.cost)]
    if scores.next_tests is not None:
        arrays.append(pa.array(scores.next_tests, pa.string()))
    added = added_columns(model.knowledge, also)
    for name, array in zip(added, arrays, strict=True):
        table = table.append_column(name, array)
    return table


def empty_scored(schema: pa.Schema, model: Model, also: Collection[str] = ()) -> pa.Table:
    """A scored table without rows."""
    stops = np.zeros((0, len(model.knowledge.stops)), dtype=bool)
    count = len(model.conditions)
    ends = np.zeros((0, 2 * (count + 1))) if INTERVALS in also else None
    plans = Plans([], np.zeros(0), np.zeros(0)) if PLAN in also else None
    tests: list[str] | None = [] if NEXT in also else None
    nothing = Scores(np.zeros((0, count)), np.zeros(0), np.zeros(0), stops, ends, 0, plans, tests)
    return _with_scores(schema.empty_table(), np.zeros(0, np.int64), nothing, model, also)


def _counted(stops: BoolArray, knowledge: Knowledge) -> dict[str, int]:
    counts = zip(knowledge.stops, stops.sum(axis=0).tolist(), strict=True)
    return {name: count for name, count in counts if count}


def tally_of(
    count: int, rejects: Sequence[Defect], scores: Scores, numbers: IntArray, model: Model
) -> Tally:
    single = (f"{r.kind} in {r.column}" for r in rejects if r.column and r.kind != CANNOT_HOLD)
    whole = (r.kind for r in rejects if not r.column or r.kind == CANNOT_HOLD)
    names = [*model.conditions, SOUND]
    each = np.column_stack([scores.conditions, scores.p_sound])
    # a tie goes to the sound car, as nothing then speaks for a fault
    top = np.where(
        scores.conditions.max(axis=1, initial=0.0) > scores.p_sound,
        scores.conditions.argmax(axis=1),
        len(names) - 1,
    )
    counts = np.bincount(top, minlength=len(names))
    lowest = np.lexsort((numbers, scores.log_evidence))[:LEAST_SHOWN]
    return Tally(
        rows=count,
        scored=len(numbers),
        rejected=len(rejects),
        rejected_by=dict(Counter([*single, *whole])),
        expected=dict(zip(names, each.sum(axis=0).tolist(), strict=True)),
        top={name: int(n) for name, n in zip(names, counts, strict=True) if n},
        stopped=int(scores.stops.any(axis=1).sum()),
        stops=_counted(scores.stops, model.knowledge),
        least=tuple((float(scores.log_evidence[i]), int(numbers[i])) for i in lowest),
        # whatever is observed has a probability below one by more than rounding
        blank=int(np.count_nonzero(scores.log_evidence > -1e-9)),
        distinct=scores.distinct,
    )
