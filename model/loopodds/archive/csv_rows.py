"""CSV rows taken one by one from a stream that may be damaged, never losing count.

A row is a line, or several where a quoted cell holds line breaks. A line that is no row of the
header's width is reported and the next line starts afresh, so one stray quote costs one row and
not the rest of the archive. Blank lines are not rows. Lines end with a line feed, or with a
carriage return and a line feed.
"""

from __future__ import annotations

import csv
import gzip
import io
import re
import zlib
from collections.abc import Collection, Iterable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import IO, TYPE_CHECKING

import numpy as np

from loopodds.archive.chunks import NOT_TEXT, Chunk
from loopodds.base.errors import InspectionError
from loopodds.inspection.cells import Defect, shown
from loopodds.inspection.column_map import DELIMITERS

if TYPE_CHECKING:
    import pyarrow as pa

BYTE_ORDER_MARK = b"\xef\xbb\xbf"
READ_BYTES = 1 << 20
LONGEST_PIECE = 32 << 20
MOST_COLUMNS = 1 << 14  # as many as spreadsheets hold; beyond, a line end has been lost
MOST_LINES = 100  # a row that goes on for more has a quote left open
GUESS_BYTES = 1 << 18
NAMED = {";": "semicolons", "\t": "tabs", "|": "upright strokes"}
NUMBER_WITH_COMMA = re.compile(r"[+-]?[0-9]+,[0-9]+")
NUMBER_WITH_POINT = re.compile(r"[+-]?[0-9]+\.[0-9]+")
GZIP_MARK = b"\x1f\x8b"
NOT_A_ROW = "not a row of the table"


class CsvRows:
    """A CSV archive being read, its header at once.

    Raises:
        InspectionError: if the file cannot be read or does not start with a header.
    """

    def __init__(
        self, file: IO[bytes], name: str, delimiter: str, compressed: bool = False
    ) -> None:
        import pyarrow as pa

        self.name = name
        self._file = file
        self._bytes = max(file.seek(0, io.SEEK_END), 1)
        file.seek(0)
        self._stream = gzip.GzipFile(fileobj=file) if compressed else file
        self._delimiter = delimiter
        self._held = b""
        self._ended = False
        self.position = 0  # bytes taken so far, decompressed
        self.columns: tuple[str, ...] = ()
        self.columns = self._header()
        self.schema = pa.schema([(column, pa.string()) for column in self.columns])

    def parts(
        self, rows: int, position: int = 0, first_row: int = 1, words: Iterable[str] = ()
    ) -> Iterator[Chunk]:
        """Chunks of at most so many rows, from here or where an earlier reading stopped.

        Raises:
            InspectionError: if the file breaks off or cannot be decompressed.
        """
        if position:
            with self._readable():
                self._stream.seek(position)
            self._held, self._ended, self.position = b"", False, position
        usual = READ_BYTES
        while True:
            self._fill(usual)
            usual = end = self._piece_end(rows)
            if end == 0:
                return
            table = fast_table(self._held[:end], self.columns, self._delimiter)
            problems: tuple[Defect, ...] = ()
            if table is None:
                table, problems, end = self._careful_piece(end)
            self._held = self._held[end:]
            self.position += end
            share = min(self._file.tell() / self._bytes, 1.0)
            yield Chunk(first_row, table, problems, self.position, share)
            first_row += len(table) + len(problems)

    def close(self) -> None:
        """Close the file."""
        self._file.close()

    def _header(self) -> tuple[str, ...]:
        self._fill(1)
        if self._held.startswith((b"\xff\xfe", b"\xfe\xff")) or b"\0" in self._held[:100]:
            raise InspectionError(f"{self.name}: not UTF-8 text; save it as CSV in UTF-8")
        mark = len(BYTE_ORDER_MARK) if self._held.startswith(BYTE_ORDER_MARK) else 0
        while (end := self._line_end(mark)) > mark and not self._held[mark:end].strip():
            mark = end
        if end <= mark:
            raise InspectionError(f"{self.name}: empty; an archive starts with a header line")
        if b"\r" in self._held[mark:end].strip():
            raise InspectionError(
                f"{self.name}: its lines end with carriage returns; save it with line feeds"
            )
        cells, end = self._record(mark)
        if isinstance(cells, str):
            raise InspectionError(f"{self.name}: the header line cannot be read: {cells}")
        check_width(self.name, len(cells))
        self._held = self._held[end:]
        self.position = end
        return tuple(cells)

    def _fill(self, wanted: int) -> None:
        """Hold at least so many bytes, or all that are left."""
        parts = [self._held]
        held = len(self._held)
        with self._readable():
            while held < wanted and not self._ended:
                parts.append(self._stream.read(max(READ_BYTES, wanted - held)))
                held += len(parts[-1])
                self._ended = not parts[-1]
        self._held = b"".join(parts)

    @contextmanager
    def _readable(self) -> Iterator[None]:
        try:
            yield
        except (OSError, EOFError, zlib.error) as error:
            raise InspectionError(
                f"{self.name}: cannot be read beyond byte {self.position + len(self._held)} "
                f"({error}); the file is cut off or damaged, copy or export it again"
            ) from error

    def _line_end(self, start: int) -> int:
        """Where the line that starts there ends, line feed included."""
        wanted = READ_BYTES
        while (found := self._held.find(b"\n", start)) < 0 and not self._ended:
            if len(self._held) - start > LONGEST_PIECE:
                raise InspectionError(
                    f"{self.name}: a line of more than {LONGEST_PIECE >> 20} MB, from byte "
                    f"{self.position + start:,} on: not a CSV archive"
                )
            self._fill(start + wanted)
            wanted *= 2
        return found + 1 if found >= 0 else len(self._held)

    def _piece_end(self, rows: int) -> int:
        """End of the next so many lines, or of fewer if they are very long.

        It depends on the bytes from here on only, so that a resumed run cuts the same pieces.
        """
        while True:
            breaks = np.flatnonzero(np.frombuffer(self._held, np.uint8) == ord("\n"))
            if len(breaks) >= rows or len(self._held) > LONGEST_PIECE or self._ended:
                break
            self._fill(len(self._held) + READ_BYTES)
        breaks = breaks[breaks < LONGEST_PIECE]
        if len(breaks) >= rows:
            return int(breaks[rows - 1]) + 1
        if self._ended and len(self._held) <= LONGEST_PIECE:
            return len(self._held)
        return int(breaks[-1]) + 1 if len(breaks) else self._line_end(0)

    def _careful_piece(self, end: int) -> tuple[pa.Table, tuple[Defect, ...], int]:
        """Good rows before an end, problems of the others, and where the last row really ends."""
        good: list[list[str]] = []
        problems: list[Defect] = []
        at = 0
        while at < end:
            after = self._line_end(at)
            if self._held[at:after].strip(b"\r\n"):
                cells, after = self._record(at)
                if isinstance(cells, str):
                    raw = self._held[at:after].decode("utf-8", "backslashreplace").rstrip("\r\n")
                    kind = NOT_TEXT if cells.startswith(NOT_TEXT) else NOT_A_ROW
                    row = len(good) + len(problems)
                    problems.append(Defect(row, "", shown(raw), kind, cells))
                else:
                    good.append(cells)
            at = after
        return _text_table(good, self.columns), tuple(problems), at

    def _record(self, start: int) -> tuple[list[str] | str, int]:
        """Cells of the row that starts there, or what is wrong with its first line; its end."""
        end = self._line_end(start)
        line = self._held[start:end]
        try:
            text = line.decode()
        except UnicodeDecodeError as error:
            return f"{NOT_TEXT}: byte {line[error.start]:#04x} at {error.start + 1}", end
        if '"' in text:
            return self._quoted_record(start, end)
        text = text.rstrip("\r\n")
        if "\r" in text:
            return "a carriage return inside the row", end
        return self._of_width(text.split(self._delimiter)), end

    def _quoted_record(self, start: int, end: int) -> tuple[list[str] | str, int]:
        reader = csv.reader(self._lines(start), delimiter=self._delimiter, strict=True)
        try:
            cells = next(reader)
        except UnicodeDecodeError:
            return "a quote that is not closed before text that is not UTF-8", end
        except csv.Error as error:
            return f"quotes that do not match: {error}", end
        checked = self._of_width(cells)
        if isinstance(checked, list):
            for _ in range(reader.line_num - 1):
                end = self._line_end(end)
        return checked, end

    def _of_width(self, cells: list[str]) -> list[str] | str:
        wanted = len(self.columns) or len(cells)
        if len(cells) == wanted:
            return cells
        return f"{len(cells)} cells, but the header has {wanted}"

    def _lines(self, start: int) -> Iterator[str]:
        """Lines from a position on, for the reader to pull while a quote is open."""
        for _ in range(MOST_LINES):
            end = self._line_end(start)
            if end <= start:
                return
            yield self._held[start:end].decode()
            start = end


def guessed_format(path: Path, stated: Collection[str]) -> tuple[str, str, tuple[str, ...]]:
    """Delimiter and decimal mark of a CSV file as its beginning shows them, and what to say of it.

    The delimiter is what parts the header into most cells; the mark is a comma where more cells
    are whole numbers with a comma in them than with a point.

    Args:
        stated: What a column map says: ``delimiter``, ``decimal``; it is not guessed.
    """
    try:
        with path.open("rb") as file:
            compressed = file.read(2) == GZIP_MARK
            file.seek(0)
            stream = gzip.GzipFile(fileobj=file) if compressed else file
            start = stream.read(GUESS_BYTES)
    except (OSError, EOFError, zlib.error):
        return ",", ".", ()
    text = start.decode("utf-8-sig", "replace").lstrip()
    header = re.sub('"[^"]*"', "", text).split("\n", 1)[0]
    delimiter = max(DELIMITERS, key=header.count)
    cells = re.split("[\n" + re.escape(delimiter) + "]", text.replace('"', "").replace("\r", ""))
    commas = sum(NUMBER_WITH_COMMA.fullmatch(cell.strip()) is not None for cell in cells)
    points = sum(NUMBER_WITH_POINT.fullmatch(cell.strip()) is not None for cell in cells)
    decimal = "," if delimiter != "," and commas > points else "."
    notes = []
    if delimiter != "," and "delimiter" not in stated:
        notes.append(f"cells are parted by {NAMED[delimiter]}")
    if decimal != "." and "decimal" not in stated:
        notes.append("numbers are written with a decimal comma")
    said = f"{' and '.join(notes)}: guessed; [format] of a column map can say otherwise"
    return delimiter, decimal, (said,) if notes else ()


def check_width(name: str, columns: int) -> None:
    """Refuse an archive with more columns than any table has."""
    if columns > MOST_COLUMNS:
        raise InspectionError(
            f"{name}: {columns:,} columns; an archive has at most {MOST_COLUMNS:,}"
        )


def fast_table(piece: bytes, columns: tuple[str, ...], delimiter: str) -> pa.Table | None:
    """Rows of a piece parsed in one go; None if anything in it needs a closer look.

    Both ways of reading give the same for whole lines of UTF-8 of the right width, without quotes,
    stray carriage returns or blank lines.
    """
    import pyarrow as pa
    from pyarrow import csv as pc

    if b'"' in piece or piece.count(b"\r") != piece.count(b"\r\n"):
        return None
    blank = piece.startswith((b"\n", b"\r")) or b"\n\n" in piece or b"\n\r" in piece
    if blank or piece.startswith(BYTE_ORDER_MARK):
        return None
    types = dict.fromkeys(columns, pa.string())
    try:
        piece.decode()
        return pc.read_csv(
            pa.BufferReader(piece),
            pc.ReadOptions(
                use_threads=False, block_size=len(piece) + 1, column_names=list(columns)
            ),
            pc.ParseOptions(delimiter=delimiter, quote_char=False),
            pc.ConvertOptions(column_types=types, strings_can_be_null=True, null_values=[""]),
        )
    except (pa.ArrowInvalid, UnicodeDecodeError):
        return None


def _text_table(rows: list[list[str]], columns: tuple[str, ...]) -> pa.Table:
    import pyarrow as pa

    cells = zip(*rows, strict=True) if rows else [()] * len(columns)
    arrays = [pa.array([cell or None for cell in column], pa.string()) for column in cells]
    return pa.table(arrays, names=list(columns))
