"""Archives read in bounded memory: CSV, plain or gzipped, and Parquet.

A folder of Parquet files is handed out as partitions, some row groups of one file each, that
whoever scores them reads and writes itself. All processes must see the same folders.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from contextlib import ExitStack, closing, contextmanager
from dataclasses import dataclass, replace
from importlib import resources
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from loopodds.archive.chunks import NOT_TEXT, Chunk, format_of
from loopodds.archive.csv_rows import GZIP_MARK, CsvRows, check_width, guessed_format
from loopodds.base.errors import InspectionError, unknown_name
from loopodds.base.parquet_pages import check_pages
from loopodds.casebook.sources import MARK
from loopodds.inspection.cells import Defect
from loopodds.inspection.column_map import ColumnMap, load_column_map

if TYPE_CHECKING:
    import pyarrow as pa
    import pyarrow.parquet

PARQUET_MARK = b"PAR1"
BUFFER_BYTES = 1 << 20
PARTITION_ROWS = 1 << 18
OVERFLOWS = (OverflowError, MemoryError)  # what a damaged count of rows or bytes leads to
MOST_TEXT = 512 << 20  # bytes of text in one chunk; a word that is stored once may fill them all
DEMO_ENDING, MAP_ENDING = ".csv.gz", ".columns.toml"


def open_source(path: Path, column_map: ColumnMap) -> CsvRows | ParquetSource:
    """Archive by the end of its name or, failing that, by its first bytes.

    Raises:
        InspectionError: if there is no such file or it is neither CSV nor Parquet.
    """
    if path.exists() and not (path.is_file() or path.is_dir()):
        raise InspectionError(f"{path}: is a device, not a file; copy what it gives into one")
    try:
        file = path.open("rb", buffering=BUFFER_BYTES)
    except OSError as error:
        raise InspectionError(f"{path}: cannot be read: {error.strerror}") from error
    start = file.read(len(PARQUET_MARK))
    file.seek(0)
    kind = format_of(path)
    if kind == "parquet" or (kind is None and start.startswith(PARQUET_MARK)):
        file.close()
        return ParquetSource(path)
    compressed = kind == "csv.gz" or start.startswith(GZIP_MARK)
    try:
        return CsvRows(file, path.name, column_map.delimiter, compressed)
    except InspectionError:
        file.close()
        raise


@contextmanager
def found_archive(
    archive: str | Path, columns: str | Path | None
) -> Iterator[tuple[Path, ColumnMap]]:
    """Path of an archive and its column map; a shipped one, ``@name``, brings its own map.

    Raises:
        UnknownName: if there is no such demo archive.
        InspectionError: if the column map cannot be used.
    """
    if not str(archive).startswith(MARK):
        yield Path(archive), _with_guesses(Path(archive), load_column_map(columns))
        return
    folder = resources.files("loopodds_data").joinpath("archive")
    files = {entry.name: entry for entry in folder.iterdir()}
    names = [name.removesuffix(DEMO_ENDING) for name in sorted(files) if DEMO_ENDING in name]
    name = str(archive).removeprefix(MARK)
    if name not in names:
        raise unknown_name("demo archive", name, names)
    with ExitStack() as stack:
        path = stack.enter_context(resources.as_file(files[name + DEMO_ENDING]))
        if columns is None and name + MAP_ENDING in files:
            columns = stack.enter_context(resources.as_file(files[name + MAP_ENDING]))
        yield path, load_column_map(columns)


def _with_guesses(path: Path, mapping: ColumnMap) -> ColumnMap:
    """The map with what it leaves out of the format as the file shows it."""
    if not path.is_file() or format_of(path) == "parquet":
        return mapping
    delimiter, decimal, notes = guessed_format(path, mapping.stated)
    if "delimiter" in mapping.stated:
        delimiter = mapping.delimiter
    if "decimal" in mapping.stated:
        decimal = mapping.decimal
    return replace(mapping, delimiter=delimiter, decimal=decimal, notes=notes)


class ParquetSource:
    """Parquet archive, or some consecutive row groups of one."""

    def __init__(self, path: Path, groups: range | None = None) -> None:
        self.name = path.name
        self._path = path
        with self._readable():
            self._file = self._opened([])
            self.schema = self._file.schema_arrow
            check_width(self.name, len(self.schema.names))  # raises when names are not UTF-8
            metadata = self._file.metadata
            self._groups = range(metadata.num_row_groups) if groups is None else groups
            self.group_rows = tuple(metadata.row_group(i).num_rows for i in self._groups)
            self._total = metadata.num_rows if groups is None else sum(self.group_rows)
            if min(self.group_rows, default=0) < 0 or self._total != sum(self.group_rows):
                raise InspectionError(
                    f"{self.name}: its row groups do not hold the {self._total} rows that it says "
                    "it has; it is damaged"
                )

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

    def parts(
        self, rows: int, position: int = 0, first_row: int = 1, words: Iterable[str] = ()
    ) -> Iterator[Chunk]:
        """Chunks of exactly so many rows (the last may be shorter), cut at multiples of it.

        Of the columns in ``words`` each word is read once, with which row has which. Other text is
        read so too, lest a word of megabytes is multiplied before it is looked at.

        Raises:
            InspectionError: if the file is damaged.
        """
        import pyarrow as pa

        self._file.close()
        kept = {name for name in words if pa.types.is_string(self.schema.field(name).type)}
        self._file = self._opened([field.name for field in self.schema if _is_text(field.type)])
        for table in self._tables(rows, position):
            position += table.num_rows
            with self._readable():
                self._check_text(table, first_row)
                good, problems = _text_checked(_decoded(table, self.schema, kept))
            yield Chunk(first_row, good, problems, position, position / self._total)
            first_row += table.num_rows
        if position != self._total:
            raise InspectionError(
                f"{self.name}: says it has {self._total} rows but holds {position}; it is damaged"
            )

    def close(self) -> None:
        """Close the file."""
        self._file.close()

    def _check_text(self, table: pa.Table, first_row: int) -> None:
        sizes = {name: _text_bytes(table[name]) for name in table.column_names}
        if sum(sizes.values()) > MOST_TEXT:
            worst = max(sizes, key=lambda name: sizes[name])
            last = first_row + table.num_rows - 1
            raise InspectionError(
                f"{self.name}: rows {first_row:,} to {last:,} hold {sizes[worst] >> 20:,} MB of "
                f"text in column {worst!r}; leave it out"
            )

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
            check_pages(self._path, self._file.metadata, self._groups[first:], self.name)
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
        import pyarrow as pa

        try:
            yield
        except InspectionError:  # says what is wrong already
            raise
        except (pa.ArrowException, OSError, ValueError, LookupError, *OVERFLOWS) as error:
            reason = " ".join(str(error).split())[:200] or type(error).__name__
            raise InspectionError(
                f"{self.name}: not a readable Parquet file ({reason}); copy or export it again"
            ) from error


def _is_text(kind: pa.DataType) -> bool:
    import pyarrow as pa

    texts = (pa.string(), pa.large_string(), pa.binary(), pa.large_binary())
    return kind in texts


def _text_bytes(column: pa.ChunkedArray) -> int:
    """Length of all cells of a coded column together; 0 for others."""
    import pyarrow as pa
    import pyarrow.compute as pc

    if not pa.types.is_dictionary(column.type):
        return 0
    lengths = (pc.binary_length(chunk.dictionary).take(chunk.indices) for chunk in column.chunks)
    return sum(pc.sum(pc.cast(length, pa.int64())).as_py() or 0 for length in lengths)


def _decoded(table: pa.Table, schema: pa.Schema, kept: set[str]) -> pa.Table:
    """The table with the types of a schema, but for the coded columns to be kept."""
    import pyarrow as pa

    for place, field in enumerate(schema):
        column = table.column(place)
        coded = pa.types.is_dictionary(column.type) and not pa.types.is_dictionary(field.type)
        if coded and field.name not in kept:
            plain = [chunk.dictionary_decode().cast(field.type) for chunk in column.chunks]
            table = table.set_column(place, field, pa.chunked_array(plain, field.type))
    return table


def _text_checked(table: pa.Table) -> tuple[pa.Table, tuple[Defect, ...]]:
    """Rows whose text is UTF-8, and a problem for each of the others."""
    if _is_valid(table):
        return table, ()
    problems: dict[int, Defect] = {}
    for name, column in zip(table.column_names, table.columns, strict=True):
        for row in _rows_not_text(column):
            reason = f"{NOT_TEXT}: the file is damaged here"
            problems.setdefault(row, Defect(row, name, "", NOT_TEXT, reason))
    table = table.take(np.setdiff1d(np.arange(table.num_rows), list(problems)))
    table.validate(full=True)
    return table, tuple(problems[row] for row in sorted(problems))


def _rows_not_text(column: pa.ChunkedArray) -> list[int]:
    import pyarrow as pa

    if pa.types.is_dictionary(column.type):
        column = pa.chunked_array([chunk.dictionary_decode() for chunk in column.chunks])
    if _is_valid(column):
        return []
    if not (pa.types.is_string(column.type) or pa.types.is_large_string(column.type)):
        column.validate(full=True)  # raises: this is more than a matter of text
    cells: list[bytes | None] = column.cast(pa.large_binary(), safe=False).to_pylist()
    return [
        row
        for row, cell in enumerate(cells)
        if cell is not None and cell.decode(errors="ignore").encode() != cell
    ]


def _is_valid(data: pa.Table | pa.ChunkedArray) -> bool:
    import pyarrow as pa

    try:
        data.validate(full=True)
    except pa.ArrowInvalid:
        return False
    return True


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
