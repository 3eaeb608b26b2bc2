"""Inspections out of an archive, chunk by chunk, for whoever computes with them."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from loopodds.archive.sources import Chunk, open_source
from loopodds.base.arrays import IntArray
from loopodds.inspection.cells import read_cells
from loopodds.inspection.column_map import ColumnMap, load_column_map
from loopodds.inspection.columns import ColumnPlan, plan_columns
from loopodds.inspection.inspection import InspectionBatch
from loopodds.inspection.rejects import Problem, Reject, rejects_of
from loopodds.knowledge.records import Knowledge

CHUNK_ROWS = 16_384


@dataclass(frozen=True, slots=True, eq=False)
class Intake:
    """The usable rows of a chunk.

    Attributes
    ----------
    batch : InspectionBatch
    rows : int array, shape (batch rows,)
        Where they stand in the table of the chunk.
    problems : list of Problem
        Of the other rows, counted from the first of the table, which is 0.
    """

    batch: InspectionBatch
    rows: IntArray
    problems: list[Problem]


@dataclass(frozen=True, slots=True, eq=False)
class ReadInspections:
    """Inspections of one chunk of an archive, their row numbers, and the rows set aside."""

    batch: InspectionBatch
    numbers: IntArray
    rejects: list[Reject]


def take_in(chunk: Chunk, plan: ColumnPlan, knowledge: Knowledge) -> Intake:
    """Inspections of a chunk, rows with a cell that cannot be used left out."""
    batch, problems = read_cells(chunk.table, plan, knowledge)
    rows = np.setdiff1d(np.arange(batch.rows), [problem.row for problem in problems])
    return Intake(batch if len(rows) == batch.rows else batch.take(rows), rows, problems)


def rejects_in(chunk: Chunk, problems: list[Problem]) -> list[Reject]:
    """One reject for each bad row of a chunk.

    Parameters
    ----------
    chunk : Chunk
    problems : list of Problem
        Those of the table's rows; those of rows that never made it there come with the chunk.
    """
    in_chunk = [problem._replace(row=int(chunk.offsets[problem.row])) for problem in problems]
    return rejects_of([*chunk.problems, *in_chunk], chunk.first_row)


def read_inspections(
    source: str | Path,
    knowledge: Knowledge,
    columns: str | Path | None = None,
) -> Iterator[ReadInspections]:
    """Every inspection of an archive, so many rows at a time.

    Parameters
    ----------
    source : path
        CSV, gzipped CSV or Parquet.
    knowledge : Knowledge
    columns : path, optional
        Column map.

    Yields
    ------
    ReadInspections
        Row numbers count from 1, the first below the header.

    Raises
    ------
    InspectionError
        If the archive cannot be read or holds nothing known.
    """
    mapping = load_column_map(columns) if columns is not None else ColumnMap()
    reader = open_source(Path(source), mapping)
    try:
        plan = plan_columns(reader.schema.names, knowledge, mapping)
        reader.expect_words(feed.column for feed in plan.feeds if feed.options)
        for chunk in reader.chunks(CHUNK_ROWS):
            taken = take_in(chunk, plan, knowledge)
            numbers = chunk.first_row + chunk.offsets[taken.rows]
            yield ReadInspections(taken.batch, numbers, rejects_in(chunk, taken.problems))
    finally:
        reader.close()
