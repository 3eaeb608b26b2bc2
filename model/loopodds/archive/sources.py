"""Archives read in bounded memory: CSV, plain or gzipped, and Parquet."""

from __future__ import annotations

import gzip
from collections.abc import Iterable, Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from importlib import resources
from pathlib import Path
from typing import IO, TYPE_CHECKING, Any, Literal

import numpy as np

from loopodds.archive.csv_rows import NOT_TEXT, CsvRows
from loopodds.base.arrays import IntArray
from loopodds.base.errors import InspectionError, unknown_name
from loopodds.inspection.column_map import ColumnMap
from loopodds.inspection.rejects import Problem

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
GZIP_MARK, PARQUET_MARK = b"\x1f\x8b", b"PAR1"
BUFFER_BYTES = 1 << 20
CHUNK_ROWS = 16_384
DEMO_MARK, DEMO_ENDING, MAP_ENDING = "@", ".csv.gz", ".columns.toml"


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

    def __reduce__(self) -> tuple[Any, ...]:
        """Of a sliced table only the slice travels to another process."""
        import pyarrow as pa

        sink = pa.BufferOutputStream()
        with pa.ipc.new_stream(sink, self.table.schema) as writer:
            writer.write_table(self.table)
        rest = (self.offsets, self.problems, self.position, self.share)
        return _arrived, (self.first_row, self.count, sink.getvalue().to_pybytes(), *rest)


def _arrived(first_row: int, count: int, stream: bytes, *rest: Any) -> Chunk:
    import pyarrow as pa

    return Chunk(first_row, count, pa.ipc.open_stream(stream).read_all(), *rest)


def format_of(path: Path) -> Format | None:
    """Format by the end of a file name, None when that says nothing."""
    name = path.name.lower()
    fitting = (kind for suffix, kind in SUFFIXES.items() if name.endswith(suffix))
    return max(fitting, key=len, default=None)


def open_source(path: Path, column_map: ColumnMap) -> CsvSource | ParquetSource:
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


@contextmanager
def archive_files(
    archive: str | Path, columns: str | Path | None
) -> Iterator[tuple[Path, Path | None]]:
    """Paths of an archive and its column map; a shipped one, ``@name``, brings its own map.

    Raises
    ------
    UnknownName
        If there is no such demo archive.
    """
    given = Path(columns) if columns is not None else None
    if not str(archive).startswith(DEMO_MARK):
        yield Path(archive), given
        return
    folder = resources.files("loopodds_data").joinpath("archive")
    files = {entry.name: entry for entry in folder.iterdir()}
    names = [name.removesuffix(DEMO_ENDING) for name in sorted(files) if DEMO_ENDING in name]
    name = str(archive).removeprefix(DEMO_MARK)
    if name not in names:
        raise unknown_name("demo archive", name, names)
    with ExitStack() as stack:
        source = stack.enter_context(resources.as_file(files[name + DEMO_ENDING]))
        if given is None and name + MAP_ENDING in files:
            given = stack.enter_context(resources.as_file(files[name + MAP_ENDING]))
        yield source, given


class CsvSource:
    """CSV archive; see :class:`loopodds.archive.csv_rows.CsvRows` for what counts as a row."""

    def __init__(self, path: Path, compressed: bool, delimiter: str) -> None:
        import pyarrow as pa

        self.name, self.files = path.name, (path,)
        self._file = path.open("rb", buffering=BUFFER_BYTES)
        self._bytes = max(path.stat().st_size, 1)
        stream: IO[bytes] = gzip.GzipFile(fileobj=self._file) if compressed else self._file  # type: ignore[assignment]
        try:
            self._rows = CsvRows(stream, path.name, delimiter)
        except InspectionError:
            self._file.close()
            raise
        self.schema = pa.schema([(column, pa.string()) for column in self._rows.columns])

    def parts(
        self, rows: int, position: int = 0, first_row: int = 1, words: Iterable[str] = ()
    ) -> Iterator[Chunk]:
        """Chunks of so many rows, from the start or from where an earlier reading stopped.

        Raises
        ------
        InspectionError
            If the file breaks off or is damaged as a whole.
        """
        if position:
            self._rows.skip_to(position)
        while (piece := self._rows.take(rows)) is not None:
            share = min(self._file.tell() / self._bytes, 1.0)
            bad = tuple(piece.problems)
            yield Chunk(
                first_row, piece.count, piece.table, piece.offsets, bad, self._rows.position, share
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
        self.name, self.files = path.name, (path,)
        self._damage = parquet_damage()
        with self._readable():
            self._file = self._opened([])
            self.schema = self._file.schema_arrow
            self.schema.names  # noqa: B018  (raises when names are not UTF-8)
            metadata = self._file.metadata
            self._groups = range(metadata.num_row_groups) if groups is None else groups
            self.group_rows = tuple(metadata.row_group(i).num_rows for i in self._groups)
            self._total = metadata.num_rows if groups is None else sum(self.group_rows)

    def _opened(self, coded: list[str]) -> pyarrow.parquet.ParquetFile:
        import pyarrow.parquet

        # without pre-buffering, only the pages being decoded are held
        return pyarrow.parquet.ParquetFile(
            self.files[0],
            buffer_size=BUFFER_BYTES,
            pre_buffer=False,
            page_checksum_verification=True,
            read_dictionary=coded,
        )

    def parts(
        self, rows: int, position: int = 0, first_row: int = 1, words: Iterable[str] = ()
    ) -> Iterator[Chunk]:
        """Chunks of exactly so many rows (the last may be shorter), cut at multiples of it.

        Parameters
        ----------
        rows, position, first_row : int
            As for CSV.
        words : iterable of str
            Columns to be read as they are stored: each word once, and which row has which.

        Raises
        ------
        InspectionError
            If the file is damaged.
        """
        import pyarrow as pa

        self._file.close()
        coded = [name for name in words if pa.types.is_string(self.schema.field(name).type)]
        self._file = self._opened(coded)
        for table in self._tables(rows, position):
            position += table.num_rows
            with self._readable():
                good, offsets, problems = _text_checked(table)
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
        with self._readable():
            batches = self._file.iter_batches(
                rows, row_groups=self._groups[first:], use_threads=False
            )
            for batch in batches:
                batch.validate()
                taken = min(skip, batch.num_rows)
                skip -= taken
                if taken < batch.num_rows:
                    yield batch.slice(taken)

    @contextmanager
    def _readable(self) -> Iterator[None]:
        try:
            yield
        except self._damage as error:
            reason = " ".join(str(error).split())[:200] or type(error).__name__
            raise InspectionError(
                f"{self.name}: not a readable Parquet file ({reason}); copy or export it again"
            ) from error


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
