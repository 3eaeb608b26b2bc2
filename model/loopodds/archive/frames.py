"""A pandas frame of inspections scored into a frame: the same parts, rows and numbers as files."""

import csv
import io
import warnings
from collections.abc import Callable, Collection, Iterator, Mapping
from pathlib import Path

import numpy as np
import pandas as pd
import pyarrow as pa

from loopodds.archive.chunks import Chunk
from loopodds.archive.review import reopen_list
from loopodds.archive.scoring import empty_scored
from loopodds.archive.summary import RunProgress, Summary, Tally
from loopodds.archive.workers import executor_for, in_order, job_for, score_part
from loopodds.base.errors import InspectionError
from loopodds.inspection.column_map import load_column_map

REJECT = "reject"
NO_FILES = ("out", "rejects", "resumed")


class FrameSource:
    """The rows of a frame as a source of chunks."""

    name = "frame"

    def __init__(self, frame: pd.DataFrame) -> None:
        if not isinstance(frame, pd.DataFrame):
            raise InspectionError(f"{type(frame).__name__}: neither a path nor a pandas frame")
        if odd := [column for column in frame.columns if not isinstance(column, str)]:
            raise InspectionError(f"frame: column {odd[0]!r} has no name; rename it")
        if REJECT in frame.columns:
            raise InspectionError(f"frame: column {REJECT!r} is one that scoring adds; rename it")
        if not frame.columns.is_unique:
            twice = frame.columns[frame.columns.duplicated()][0]
            raise InspectionError(f"frame: two columns are called {twice!r}; rename one")
        try:
            self._table = pa.Table.from_pandas(frame, preserve_index=False)
        except (pa.ArrowException, UnicodeError) as error:
            reason = "; ".join(map(str, error.args))
            raise InspectionError(f"frame: a column that cannot be read: {reason}") from error
        self.schema = self._table.schema.remove_metadata()

    def parts(self, rows: int) -> Iterator[Chunk]:
        """Chunks of so many rows."""
        total = self._table.num_rows
        for start in range(0, total, rows):
            table = self._table.slice(start, rows)
            end = start + table.num_rows
            yield Chunk(start + 1, table, (), end, end / total)


def score_frame(
    frame: pd.DataFrame,
    columns: str | Path | None,
    knowledge: str | Path | None,
    workers: int,
    cluster: str | None,
    review: int,
    part_rows: int,
    also: Collection[str],
    prices: str | Path | None,
    device: str,
    progress: Callable[[RunProgress], None],
) -> pd.DataFrame:
    """Score a frame; the arguments are those of :func:`loopodds.archive.runner.score`.

    Columns that look like a slip are warned about.

    Returns:
        The same rows and index: the columns of ``frame``, those that scoring adds, and ``reject``.
        A row has either numbers or there the reason why it has none. ``attrs["summary"]`` counts
        both, in the form of :meth:`loopodds.archive.summary.Summary.as_json`.

    Raises:
        InspectionError: if the frame cannot be read, holds nothing known or has a column called
            ``reject``.
    """
    mapping = load_column_map(columns)
    source = FrameSource(frame)
    job = job_for(
        source.name, source.schema, mapping, knowledge, "frame", review, also=also, prices=prices,
        device=device,
    )  # fmt: skip
    for warning in job.warnings:
        warnings.warn(warning, stacklevel=3)
    tables, reasons = [empty_scored(source.schema, job.model, also)], {}
    tally = Tally()
    with executor_for(workers, cluster) as (executor, room):
        for part, done in in_order(job, source.parts(part_rows), executor, room, score_part):
            if done.scored:
                tables.append(pa.ipc.open_stream(done.scored).read_all().cast(tables[0].schema))
            for row, column, value, reason in csv.reader(io.StringIO(done.rejects.decode())):
                reasons[int(row) - 1] = f"{column} {value!r}: {reason}" if column else reason
            tally = tally.plus(done.tally)
            progress(RunProgress(tally.rows, tally.scored, tally.rejected, 0, part.share))
    result = _beside(frame, pa.concat_tables(tables), reasons)
    reopen = tuple(reopen_list(tally.review, job.plan, job.model, review))
    summary = Summary(
        Path(), Path(), tally, reopen, job.warnings, 0, used=tuple(job.plan.used),
        unused=tuple(job.plan.unused), alike=job.plan.alike, ran_on=job.ran_on,
    ).as_json()  # fmt: skip
    counted = {key: value for key, value in summary.items() if key not in NO_FILES}
    result.attrs = {**frame.attrs, "summary": counted}
    return result


def _beside(frame: pd.DataFrame, scored: pa.Table, reasons: Mapping[int, str]) -> pd.DataFrame:
    """The frame with what scoring added to its good rows and the reasons of the others."""
    kept = np.setdiff1d(np.arange(len(frame)), list(reasons))
    added = scored.select(scored.column_names[len(frame.columns) :]).to_pandas()
    added = added.set_index(kept).reindex(np.arange(len(frame)))
    added[REJECT] = pd.Series(reasons, index=added.index, dtype=object)
    return pd.concat([frame, added.set_axis(frame.index)], axis=1)
