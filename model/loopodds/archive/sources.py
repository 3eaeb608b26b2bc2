"""Archives read in bounded memory: CSV, plain or gzipped, and Parquet."""

from __future__ import annotations

import gzip
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import IO, TYPE_CHECKING, Any, Literal, Protocol

import numpy as np

from loopodds.archive.csv_rows import NOT_TEXT, CsvRows
from loopodds.base.arrays import IntArray
from loopodds.base.errors import InspectionError
from loopodds.inspection.column_map import ColumnMap
from loopodds.inspection.rejects import Problem

if TYPE_CHECKING:
    import pyarrow as pa
if TYPE_CHECKING:
    import pyarrow as pa
    import pyarrow.parquet

Format = Literal["csv", "csv.gz", "parquet"]
SUFFIXES: dict[str, Format] = {
    ".csv": "csv",
    ".txt": "csv",
    ".tsv": "csv",
    ".csv.gz": "csv.gz",
    ".gz": "csv.gz",
    ".parquet": "parquet",
    ".pq": "parquet",
}


@dataclass(frozen=True, slots=True, eq=False)
class Chunk:
    """Consecutive rows of an archive.

    Attributes
    ----------
    first_row : int
        Number of its first row; the first of the archive is 1.
    count : int
        Rows read, good and bad.
    table : pyarrow.Table
        Rows whose cells can be told apart.
    offsets : int array, shape (table rows,)
        Where those stand among the rows of the chunk.
    problems : tuple of Problem
        The other rows, counted from the start of the chunk.
    position : int
        Where the next chunk starts: bytes of a decompressed CSV file, rows of a Parquet file.
    share : float
        How much of the archive has been read by then, 0 to 1.
    """

    first_row: int
    count: int
    table: pa.Table
    offsets: IntArray
    problems: tuple[Problem, ...]
    position: int
    share: float


class Source(Protocol):
    """An archive being read."""

    name: str
    schema: pa.Schema

    def expect_words(self, columns: Iterable[str]) -> None:
        """Columns whose text repeats, so that it may be read coded."""
        ...

    def chunks(self, rows: int, position: int = 0, first_row: int = 1) -> Iterator[Chunk]:
        """Chunks from the start, or from where an earlier reading stopped."""
        ...

    def close(self) -> None:
        """Close the file."""
        ...


def format_of(path: Path) -> Format | None:
    """Format by the end of a file name, None when that says nothing."""
    name = path.name.lower()
    found = (kind for suffix, kind in SUFFIXES.items() if name.endswith(suffix))
    return max(found, key=len, default=None)


GZIP_MARK, PARQUET_MARK = b"\x1f\x8b", b"PAR1"
BUFFER_BYTES = 1 << 20


def open_source(path: Path, column_map: ColumnMap) -> Source:
    """Archive by the end of its name or, failing that, by its first bytes.

    Raises
    ------
    InspectionError
        If there is no such file or it is neither CSV nor Parquet.
    """
    try:
        with path.open("rb") as file:
            start = file.read(4)
    except OSError as error:
        raise InspectionError(f"{path}: cannot be read: {error.strerror}") from error
    kind = format_of(path)
    if start[:2] == GZIP_MARK and kind != "parquet":
        kind = "csv.gz"
    if kind is None and start == PARQUET_MARK:
        kind = "parquet"
    if kind == "parquet":
        return ParquetSource(path)
    return CsvSource(path, kind == "csv.gz", column_map.delimiter)


class CsvSource:
    """CSV archive; see :class:`loopodds.archive.csv_rows.CsvRows` for what counts as a row."""

    def __init__(self, path: Path, compressed: bool, delimiter: str) -> None:
        import pyarrow as pa

        self.name = path.name
        self._file = path.open("rb", buffering=BUFFER_BYTES)
        self._bytes = max(path.stat().st_size, 1)
        stream: IO[bytes] = gzip.GzipFile(fileobj=self._file) if compressed else self._file  # type: ignore[assignment]
        try:
            self._rows = CsvRows(stream, path.name, delimiter)
        except InspectionError:
            self._file.close()
            raise
        self.schema = pa.schema([(column, pa.string()) for column in self._rows.columns])

    def expect_words(self, columns: Iterable[str]) -> None:
        """Nothing to gain here: cells are coded after they have been told apart."""

    def chunks(self, rows: int, position: int = 0, first_row: int = 1) -> Iterator[Chunk]:
        """Chunks of so many rows; a position from an earlier reading goes on there.

        Raises
        ------
        InspectionError
            If the file breaks off or is damaged as a whole.
        """
        if position:
            self._rows.skip_to(position)
        while (piece := self._rows.take(rows)) is not None:
            share = min(self._file.tell() / self._bytes, 1.0)
            yield Chunk(
                first_row,
                piece.count,
                piece.table,
                piece.offsets,
                tuple(piece.problems),
                self._rows.position,
                share,
            )
            first_row += piece.count

    def close(self) -> None:
        """Close the file."""
        self._file.close()


class ParquetSource:
    """Parquet archive, or some consecutive row groups of one.

    Attributes
    ----------
    group_rows : tuple of int
        Rows of each row group.
    """

    def __init__(self, path: Path, groups: range | None = None) -> None:
        self.name = path.name
        self._path = path
        self._damage = parquet_damage()
        try:
            self._file = self._opened([])
            self.schema = self._file.schema_arrow
            every = range(self._file.metadata.num_row_groups)
            self._groups = every if groups is None else groups
            rows = (self._file.metadata.row_group(i).num_rows for i in self._groups)
            self.group_rows = tuple(rows)
            self._total = self._file.metadata.num_rows if groups is None else sum(self.group_rows)
            self.schema.names  # noqa: B018  (raises when names are not UTF-8)
        except self._damage as error:
            raise self._unreadable(error) from error

    def _opened(self, coded: list[str]) -> pyarrow.parquet.ParquetFile:
        import pyarrow.parquet

        # without pre-buffering, only the pages being decoded are held
        return pyarrow.parquet.ParquetFile(
            self._path,
            buffer_size=BUFFER_BYTES,
            pre_buffer=False,
            page_checksum_verification=True,
            read_dictionary=coded,
        )

    def expect_words(self, columns: Iterable[str]) -> None:
        """Read these columns as they are stored: each word once, and which row has which."""
        import pyarrow as pa

        coded = [c for c in columns if pa.types.is_string(self.schema.field(c).type)]
        self._file.close()
        self._file = self._opened(coded)

    def chunks(self, rows: int, position: int = 0, first_row: int = 1) -> Iterator[Chunk]:
        """Chunks of exactly so many rows (the last may be shorter), cut at multiples of it.

        Raises
        ------
        InspectionError
            If the file is damaged.
        """
        for table in self._tables(rows, position):
            position += table.num_rows
            try:
                good, offsets, problems = _text_checked(table)
            except self._damage as error:
                raise self._unreadable(error) from error
            share = position / self._total
            yield Chunk(first_row, table.num_rows, good, offsets, tuple(problems), position, share)
            first_row += table.num_rows
        if position != self._total:
            raise InspectionError(
                f"{self.name}: says it has {self._total} rows but holds {position}; it is damaged"
            )

    def close(self) -> None:
        """Close the file."""
        self._file.close()

    def _tables(self, rows: int, skip: int) -> Iterator[pa.Table]:
        import pyarrow as pa

        held: list[pa.RecordBatch] = []
        count = 0
        for batch in self._batches(rows, skip):
            while count + batch.num_rows >= rows:
                part = batch.slice(0, rows - count)
                yield pa.Table.from_batches([*held, part])
                batch = batch.slice(part.num_rows)
                held, count = [], 0
            if batch.num_rows:
                held, count = [*held, batch], count + batch.num_rows
        if count:
            yield pa.Table.from_batches(held)

    def _batches(self, rows: int, skip: int) -> Iterator[pa.RecordBatch]:
        """Batches after so many rows; row groups that lie before are not read."""
        first = 0
        while first < len(self.group_rows) and skip >= self.group_rows[first]:
            skip -= self.group_rows[first]
            first += 1
        groups = self._groups[first:]
        try:
            for batch in self._file.iter_batches(rows, row_groups=groups, use_threads=False):
                batch.validate()
                taken = min(skip, batch.num_rows)
                skip -= taken
                if taken < batch.num_rows:
                    yield batch.slice(taken)
        except self._damage as error:
            raise self._unreadable(error) from error

    def _unreadable(self, error: BaseException) -> InspectionError:
        reason = " ".join(str(error).split())[:200] or type(error).__name__
        return InspectionError(
            f"{self.name}: not a readable Parquet file ({reason}); copy or export it again"
        )


def parquet_damage() -> tuple[type[BaseException], ...]:
    """What pyarrow raises on a damaged file."""
    import pyarrow as pa

    return (pa.ArrowException, OSError, ValueError, OverflowError, LookupError, MemoryError)


def _text_checked(table: pa.Table) -> tuple[pa.Table, IntArray, list[Problem]]:
    """Rows whose text is UTF-8, where they stand, and a problem for each of the others."""
    import pyarrow as pa

    offsets = np.arange(table.num_rows)
    try:
        table.validate(full=True)
    except pa.ArrowInvalid:
        pass
    else:
        return table, offsets, []
    problems: dict[int, Problem] = {}
    for name, column in zip(table.column_names, table.columns, strict=True):
        for row in _rows_not_text(column):
            reason = f"{NOT_TEXT}: the file is damaged here"
            problems.setdefault(row, Problem(row, name, "", NOT_TEXT, reason))
    kept = np.setdiff1d(offsets, list(problems))
    table = table.take(kept)
    table.validate(full=True)
    return table, kept, [problems[row] for row in sorted(problems)]


def _rows_not_text(column: pa.ChunkedArray) -> list[int]:
    import pyarrow as pa

    if pa.types.is_dictionary(column.type):
        column = pa.chunked_array([chunk.dictionary_decode() for chunk in column.chunks])
    try:
        column.validate(full=True)
    except pa.ArrowInvalid:
        if not (pa.types.is_string(column.type) or pa.types.is_large_string(column.type)):
            raise
    else:
        return []
    cells: list[Any] = column.cast(pa.large_binary(), safe=False).to_pylist()
    return [row for row, cell in enumerate(cells) if cell is not None and not _is_text(cell)]


def _is_text(cell: bytes) -> bool:
    try:
        cell.decode()
    except UnicodeDecodeError:
        return False
    return True
