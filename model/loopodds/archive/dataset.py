"""A folder of Parquet files as partitions that whoever scores them reads and writes itself.

A partition is some row groups of one file. Its scored rows appear in one step, so a process that
dies costs only the partition it was at. All processes must see the same folders.
"""

from __future__ import annotations

import os
import uuid
from collections.abc import Iterable, Iterator, Sequence
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from loopodds.archive.chunks import CHUNK_ROWS, format_of
from loopodds.archive.journal import PARTS, UNFINISHED, sync_file
from loopodds.archive.scoring import empty_scored, score_chunk
from loopodds.archive.sources import ParquetSource
from loopodds.archive.summary import Tally
from loopodds.base.errors import InspectionError
from loopodds.diagnosis.model import Model
from loopodds.inspection.cells import Defect
from loopodds.inspection.columns import ColumnPlan

if TYPE_CHECKING:
    import pyarrow as pa

PARTITION_ROWS = 1 << 18


@dataclass(frozen=True, slots=True)
class Partition:
    """Consecutive row groups of one file of a data set."""

    path: str
    first_group: int
    groups: int
    first_row: int  # its number in the data set; the first of all is 1
    position: int  # of the next partition in the data set; the first is at 0
    share: float  # of the rows of the data set before that, 0 to 1


class DataSet:
    """Parquet files with the same columns as a source of partitions.

    Raises:
        InspectionError: if one cannot be read, or they have different columns.
    """

    def __init__(self, files: Sequence[Path]) -> None:
        self._files = files
        self._groups: list[tuple[int, ...]] = []
        for file in files:
            with closing(ParquetSource(file)) as reader:
                if not self._groups:
                    self.name, self.schema = reader.name, reader.schema
                elif reader.schema.names != self.schema.names:
                    raise InspectionError(f"{file}: other columns than {self.name}")
                self._groups.append(reader.group_rows)

    def parts(
        self, rows: int, position: int = 0, first_row: int = 1, words: Iterable[str] = ()
    ) -> Iterator[Partition]:
        """Partitions of up to so many rows, where the row groups are not larger."""
        total = max(sum(map(sum, self._groups)), 1)
        number, row = 0, 1
        for file, group_rows in zip(self._files, self._groups, strict=True):
            for start, count, held in _runs(group_rows, rows):
                number, row = number + 1, row + held
                if number > position:
                    where, share = str(file.resolve()), (row - 1) / total
                    yield Partition(where, start, count, row - held, number, share)

    def close(self) -> None:
        """Nothing is open."""


def parquet_files(path: Path) -> tuple[Path, ...]:
    """A Parquet file, or those of a folder in the order of their names.

    Raises:
        InspectionError: if there is none.
    """
    if path.is_file():
        if format_of(path) in ("csv", "csv.gz"):
            raise InspectionError(f"{path}: a data set is Parquet").helped_by("no cluster")
        return (path,)
    files = sorted(p for p in path.glob("*.parquet") if p.is_file()) if path.is_dir() else []
    if not files:
        raise InspectionError(f"{path}: no Parquet file and no folder with any")
    return tuple(files)


def _runs(group_rows: Iterable[int], most: int) -> Iterator[tuple[int, int, int]]:
    """First row group, number of row groups and rows of each partition of a file."""
    start = count = held = 0
    for rows in group_rows:
        if count and held + rows > most:
            yield start, count, held
            start, count, held = start + count, 0, 0
        count, held = count + 1, held + rows
    if count:
        yield start, count, held


def score_partition(
    partition: Partition, plan: ColumnPlan, model: Model, review: int, folder: str
) -> tuple[list[Defect], Tally]:
    """Put the scored rows of a partition into the folder of the run; its rejects and count."""
    import pyarrow.parquet

    groups = range(partition.first_group, partition.first_group + partition.groups)
    unfinished = Path(folder, UNFINISHED, uuid.uuid4().hex)
    rejects: list[Defect] = []
    tally = Tally()
    with closing(ParquetSource(Path(partition.path), groups)) as reader:
        schema: pa.Schema = empty_scored(reader.schema, model).schema
        parts = reader.parts(CHUNK_ROWS, 0, partition.first_row, plan.word_columns)
        try:
            with pyarrow.parquet.ParquetWriter(unfinished, schema) as writer:
                for chunk in parts:
                    done = score_chunk(chunk, plan, model, review)
                    if done.table.num_rows:
                        writer.write_table(done.table.cast(schema))
                    rejects += done.rejects
                    tally = tally.plus(done.tally)
            sync_file(unfinished)
            number = partition.position - 1
            os.replace(unfinished, Path(folder, PARTS, f"part-{number:06d}.parquet"))
        finally:
            unfinished.unlink(missing_ok=True)
    return rejects, tally
