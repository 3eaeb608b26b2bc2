"""Sizes of the pages of a Parquet file, told by their headers before any page is unpacked.

A page is unpacked in one piece, and while a row group is read one page of every column is held. The
format allows pages of 2 GB, and the foot of a file need not tell the truth: the headers themselves
are read, in the compact protocol of Thrift (specification of Apache Thrift, "Compact protocol";
fields of a header: ``PageHeader`` in Parquet's ``parquet.thrift``).
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from pathlib import Path
from typing import TYPE_CHECKING, BinaryIO, NamedTuple

from loopodds.base.errors import InspectionError

if TYPE_CHECKING:
    import pyarrow.parquet

MOST_HELD = 256 << 20
"""Bytes of the largest pages of all columns of a row group together."""
_HEADER_BYTES = 1 << 12
_LONGEST_HEADER = 1 << 24  # statistics in it hold the least and the largest word of the page
_DICTIONARY = 2
_TYPE, _UNPACKED, _PACKED = 1, 2, 3  # fields of a header
_STOP, _TRUE, _FALSE, _BYTE, _DOUBLE, _BINARY, _LIST, _SET, _MAP, _STRUCT = (
    0, 1, 2, 3, 7, 8, 9, 10, 11, 12,
)  # fmt: skip
_WHOLE = (4, 5, 6)  # whole numbers of 16, 32 and 64 bits
_DEEPEST = 8


class Page(NamedTuple):
    """What the header of a page says."""

    kind: int
    unpacked: int  # bytes
    packed: int  # bytes in the file, behind the header
    header: int  # bytes of the header itself


def check_pages(
    path: Path, metadata: pyarrow.parquet.FileMetaData, groups: Iterable[int], name: str
) -> None:
    """Make sure that the pages of some row groups can be unpacked in bounded memory.

    Raises:
        InspectionError: naming row group and column of pages that are too large, or of one that
            has no header.
    """
    with path.open("rb", buffering=0) as file:
        for group in groups:
            chunks = metadata.row_group(group)
            held: dict[str, int] = {}
            for place in range(chunks.num_columns):
                chunk = chunks.column(place)
                column = chunk.path_in_schema
                where = f"{name}: row group {group + 1}, column {column!r}"
                held[column] = _largest(file, chunk, where)
            if (together := sum(held.values())) > MOST_HELD:
                worst = max(held, key=lambda column: held[column])
                raise InspectionError(
                    f"{name}: row group {group + 1}: its pages unpack to {together >> 20:,} MB at "
                    f"once, {held[worst] >> 20:,} MB of them in column {worst!r}; at most "
                    f"{MOST_HELD >> 20} MB are read: write it with smaller pages, or leave the "
                    "column out"
                )


def _largest(file: BinaryIO, chunk: pyarrow.parquet.ColumnChunkMetaData, where: str) -> int:
    """Bytes of the dictionary of a column chunk and of its largest other page."""
    sizes = {True: 0, False: 0}
    for page in pages_of(file, chunk, where):
        coded = page.kind == _DICTIONARY
        sizes[coded] = max(sizes[coded], page.unpacked, page.packed)
    return sum(sizes.values())


def pages_of(
    file: BinaryIO, chunk: pyarrow.parquet.ColumnChunkMetaData, where: str
) -> Iterator[Page]:
    """Headers of the pages of a column chunk, in order; what they hold is not read.

    Raises:
        InspectionError: if there is none where one must be.
    """
    start = chunk.data_page_offset
    if chunk.has_dictionary_page and 0 < (chunk.dictionary_page_offset or 0) < start:
        start = chunk.dictionary_page_offset
    end = start + chunk.total_compressed_size
    while start < end:
        page = _page_at(file, start, end, where)
        yield page
        start += page.header + page.packed


def _page_at(file: BinaryIO, start: int, end: int, where: str) -> Page:
    size = _HEADER_BYTES
    while True:
        file.seek(start)
        data = file.read(min(size, end - start))
        try:
            return _header(data)
        except (IndexError, ValueError) as error:
            cut_off = isinstance(error, IndexError) and len(data) == size < _LONGEST_HEADER
            if not cut_off:
                problem = "is damaged: a page has no readable header"
                raise InspectionError(f"{where}: {problem}; copy or export it again") from error
            size *= 16


def _header(data: bytes) -> Page:
    """The header at the beginning of some bytes.

    Raises:
        IndexError: if it goes on behind them.
        ValueError: if it is none.
    """
    reader = _Compact(data)
    told = reader.struct()
    kind, unpacked, packed = (told.get(field, -1) for field in (_TYPE, _UNPACKED, _PACKED))
    if min(kind, unpacked, packed) < 0:
        raise ValueError("no page")
    return Page(kind, unpacked, packed, reader.place)


class _Compact:
    """Reads one struct of Thrift's compact protocol; only whole numbers of it are kept."""

    def __init__(self, data: bytes) -> None:
        self.data = data
        self.place = 0

    def struct(self, depth: int = 0) -> dict[int, int]:
        """Whole numbers of a struct by field; what else it has is passed over."""
        if depth > _DEEPEST:
            raise ValueError("too deep")
        found: dict[int, int] = {}
        field = 0
        while (first := self._byte()) & 0x0F != _STOP:
            step, kind = first >> 4, first & 0x0F
            field = field + step if step else self._number()
            if kind in _WHOLE:
                found[field] = self._number()
            else:
                self._pass(kind, depth)
        return found

    def _pass(self, kind: int, depth: int) -> None:
        """Go behind a value."""
        if kind in (_TRUE, _FALSE):
            return
        if kind in _WHOLE:
            self._number()
        elif kind == _BYTE:
            self._ahead(1)
        elif kind == _DOUBLE:
            self._ahead(8)
        elif kind == _BINARY:
            self._ahead(self._varint())
        elif kind == _STRUCT:
            self.struct(depth + 1)
        elif kind in (_LIST, _SET):
            first = self._byte()
            count = first >> 4 if first >> 4 < 15 else self._varint()
            self._all(count, (first & 0x0F,), depth)
        elif kind == _MAP:
            if count := self._varint():
                kinds = self._byte()
                self._all(count, (kinds >> 4, kinds & 0x0F), depth)
        else:
            raise ValueError(f"unknown type {kind}")

    def _all(self, count: int, kinds: tuple[int, ...], depth: int) -> None:
        """Go behind the members of a list or a map; a truth value in one takes a byte."""
        if count > len(self.data):
            raise ValueError("too many")
        for _ in range(count):
            for kind in kinds:
                self._pass(_BYTE if kind in (_TRUE, _FALSE) else kind, depth + 1)

    def _byte(self) -> int:
        self.place += 1
        return self.data[self.place - 1]

    def _ahead(self, count: int) -> None:
        self.place += count
        if self.place > len(self.data):
            raise IndexError

    def _varint(self) -> int:
        value = 0
        for shift in range(0, 64, 7):
            byte = self._byte()
            value |= (byte & 0x7F) << shift
            if byte < 0x80:
                return value
        raise ValueError("too long a number")

    def _number(self) -> int:
        """A whole number; signs alternate (zigzag)."""
        value = self._varint()
        return (value >> 1) ^ -(value & 1)
