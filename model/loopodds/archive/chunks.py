"""Consecutive rows of an archive, as every kind of source hands them out."""

from __future__ import annotations

import hashlib
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal

import numpy as np

from loopodds.base.arrays import IntArray
from loopodds.inspection.cells import Defect

if TYPE_CHECKING:
    import pyarrow as pa

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
CHUNK_ROWS = 16_384
NOT_TEXT = "not UTF-8 text"


@dataclass(frozen=True, slots=True, eq=False)
class Chunk:
    """Consecutive rows of an archive."""

    first_row: int  # number of its first row; the first of the archive is 1
    table: pa.Table  # those whose cells can be told apart; of CSV all text, an empty cell null
    problems: tuple[Defect, ...]  # one for each other row, counted from the start of the chunk
    position: int  # of the next chunk: bytes of decompressed CSV, rows of Parquet
    share: float  # of the archive read by then, 0 to 1

    @property
    def count(self) -> int:
        """Rows read, good and bad."""
        return len(self.table) + len(self.problems)

    @property
    def offsets(self) -> IntArray:
        """Where the rows of the table stand among those of the chunk, shape (table rows,)."""
        return np.setdiff1d(np.arange(self.count), [problem.row for problem in self.problems])

    def __reduce__(self) -> tuple[Any, ...]:
        """Of a sliced table only the slice travels to another process."""
        rest = (self.problems, self.position, self.share)
        return _arrived, (self.first_row, stream_bytes(self.table), *rest)


def _arrived(first_row: int, stream: bytes, *rest: Any) -> Chunk:
    import pyarrow as pa

    return Chunk(first_row, pa.ipc.open_stream(stream).read_all(), *rest)


def row_digests(chunk: Chunk) -> list[str]:
    """A short hash of each row of a chunk, good and bad, as its cells stand."""
    import pyarrow as pa
    import pyarrow.compute as pc

    nothing = pa.array([""] * len(chunk.table), pa.string())
    cells = [
        pc.cast(column.combine_chunks(), pa.string()) if not pa.types.is_dictionary(column.type)
        else pc.cast(pc.cast(column, column.type.value_type), pa.string()).combine_chunks()
        for column in chunk.table.columns
    ]  # fmt: skip
    lines = pc.binary_join_element_wise(
        nothing, *cells, "\x1f", null_handling="replace", null_replacement="\x00"
    )
    digests = [""] * chunk.count
    for row, line in zip(chunk.offsets.tolist(), lines.to_pylist(), strict=True):
        digests[row] = _short(line)
    for problem in chunk.problems:
        digests[problem.row] = _short(f"{problem.column}\x1f{problem.value}\x1f{problem.reason}")
    return digests


def _short(text: str) -> str:
    return hashlib.blake2b(text.encode("utf-8", "surrogatepass"), digest_size=6).hexdigest()


def stream_bytes(table: pa.Table) -> bytes:
    """A table as an Arrow stream, which others may follow."""
    import pyarrow as pa

    sink = pa.BufferOutputStream()
    options = pa.ipc.IpcWriteOptions(compression="lz4")
    with pa.ipc.new_stream(sink, table.schema, options=options) as writer:
        writer.write_table(table)
    result: bytes = sink.getvalue().to_pybytes()
    return result


def format_of(path: Path) -> Format | None:
    """Format by the end of a file name, None when that says nothing."""
    name = path.name.lower()
    fitting = (kind for suffix, kind in SUFFIXES.items() if name.endswith(suffix))
    return max(fitting, key=len, default=None)
