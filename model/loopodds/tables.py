"""What reading an archive yields, whatever its format: chunks of rows as tables."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Literal, Protocol

from loopodds.aliases import IntArray
from loopodds.rejects import Problem

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
