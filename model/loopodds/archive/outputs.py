"""What a run writes: scored tables and rejects as bytes that can be laid end to end.

CSV chunks are finished text (or whole gzip members), so the file is their concatenation. Parquet
cannot be appended to, so its chunks wait as Arrow streams and are written out at the end.
"""

from __future__ import annotations

import csv
import gzip
import io
from collections.abc import Collection, Iterable
from pathlib import Path
from typing import TYPE_CHECKING, Literal

import numpy as np

from loopodds.archive.chunks import Format, format_of, stream_bytes
from loopodds.archive.journal import FINISHED, JOURNAL, PARTS, SCORED, partial_folder
from loopodds.base.arrays import FloatArray
from loopodds.base.errors import FileError, InspectionError
from loopodds.base.files import naming, sync_file
from loopodds.base.spreadsheets import formulas_in, safe_cell, safe_column
from loopodds.inspection.cells import Defect
from loopodds.inspection.columns import probability_columns
from loopodds.knowledge.records import Knowledge

if TYPE_CHECKING:
    import pyarrow as pa

OutputKind = Format | Literal["folder", "frame"]
TEXT: tuple[OutputKind, ...] = ("csv", "csv.gz")
CHANCE_DIGITS = 4
DECIMALS = {"log_evidence": 4, "plan_cost": 2}
"""Of what scoring adds to text: the posterior of a car moves by more when one number of the
knowledge does, and nobody pays less than a hundredth. Parquet and frames keep every bit."""
GROUP_ROWS = 1 << 16
GZIP_LEVEL = 4
REJECTS_HEADER = b"row,column,value,reason\n"


def rejects_bytes(rejects: Iterable[Defect], safe: bool = True) -> bytes:
    """Lines of the rejects file, UTF-8, to be put below ``REJECTS_HEADER``.

    Args:
        safe: Write formulas so that a spreadsheet does not run them.
    """
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\n")
    for reject in rejects:
        cells = (reject.row, reject.column, reject.value, reject.reason)
        writer.writerow(map(safe_cell, cells) if safe else cells)
    return text.getvalue().encode("utf-8", "backslashreplace")


def output_format(path: Path) -> Format:
    """Format that the end of a file name asks for; an error if it asks for none."""
    kind = format_of(path)
    if kind is None:
        raise InspectionError(
            f"{path}: cannot tell the format; end the name in .csv, .csv.gz or .parquet"
        )
    return kind


def refuse_replacing(outputs: Iterable[Path], out: Path, resume: bool) -> None:
    """Refuse outputs that are there already, unless a run that is taken up put them there."""
    if resume and (partial_folder(out) / JOURNAL).exists():
        return
    for path in outputs:
        if path.is_file():
            raise FileError(f"{path}: is there already").helped_by("overwrite")


def default_rejects(out: Path) -> Path:
    """Where the rejects go unless told: ``scored.csv.gz`` has ``scored.rejects.csv``."""
    stem = out.name
    for suffix in (".gz", ".csv", ".parquet", ".txt", ".tsv", ".pq"):
        stem = stem.removesuffix(suffix)
    return out.with_name(f"{stem}.rejects.csv")


def check_writable(schema: pa.Schema, kind: OutputKind) -> None:
    """Refuse a schema with a column that cannot be written in a format."""
    if kind not in TEXT:
        return
    import pyarrow as pa

    for field in schema:
        nested = pa.types.is_nested(field.type)
        if nested or pa.types.is_binary(field.type) or pa.types.is_large_binary(field.type):
            raise InspectionError(
                f"column {field.name!r} holds {field.type}, which CSV cannot; write .parquet"
            )


def header_bytes(columns: list[str], kind: OutputKind, delimiter: str) -> bytes:
    """What stands before the first chunk."""
    import pyarrow as pa

    if kind not in TEXT:
        return b""
    names = pa.table([pa.array([name]) for name in columns], names=columns)
    return _packed(_csv_bytes(names, delimiter), kind)


def chunk_bytes(table: pa.Table, kind: OutputKind, delimiter: str) -> bytes:
    """One scored table; empty for no rows."""
    if table.num_rows == 0:
        return b""
    if kind not in TEXT:
        return stream_bytes(table)
    return _packed(_csv_bytes(table, delimiter), kind)


def formula_count(table: pa.Table, columns: Collection[str]) -> int:
    """How many cells of some columns a spreadsheet would run as a formula."""
    import pyarrow.compute as pc

    counts = (pc.sum(formulas_in(_words(table[name]))).as_py() for name in _texts(table, columns))
    return sum(count or 0 for count in counts)


def without_formulas(table: pa.Table, columns: Collection[str]) -> pa.Table:
    """The table with the formulas in some of its columns written so that none is run."""
    for name in _texts(table, columns):
        place = table.column_names.index(name)
        table = table.set_column(place, name, safe_column(_words(table[name])))
    return table


def _texts(table: pa.Table, columns: Collection[str]) -> list[str]:
    import pyarrow as pa

    def is_text(kind: pa.DataType) -> bool:
        return bool(pa.types.is_string(kind) or pa.types.is_large_string(kind))

    fields = [field for field in table.schema if field.name in columns]
    return [
        field.name
        for field in fields
        if is_text(field.type.value_type if pa.types.is_dictionary(field.type) else field.type)
    ]


def _words(column: pa.ChunkedArray) -> pa.ChunkedArray:
    """A column without dictionaries."""
    import pyarrow as pa
    import pyarrow.compute as pc

    coded = pa.types.is_dictionary(column.type)
    return pc.cast(column, column.type.value_type) if coded else column


def as_text(table: pa.Table, knowledge: Knowledge, also: Collection[str]) -> pa.Table:
    """The table with what scoring added in as many digits as mean something."""
    import pyarrow as pa

    chances = {*probability_columns(knowledge, also)}
    for place, name in enumerate(table.column_names):
        if name in chances or name in DECIMALS:
            values = table.column(place).to_numpy()
            short = written_chances(values) if name in chances else np.round(values, DECIMALS[name])
            table = table.set_column(place, name, pa.array(short))
    return table


def written_chances(chances: FloatArray) -> FloatArray:
    """Probabilities with four significant digits of what is nearer, none or all: p or 1 - p.

    >>> written_chances(np.array([0.123456, 0.99998765432, 1.23456e-7])).tolist()
    [0.1235, 0.99998765, 1.235e-07]
    """
    nearer = np.minimum(chances, 1 - chances)
    small = (nearer > 0) & (nearer < 1e-15)
    digits = CHANCE_DIGITS - 1 - np.floor(np.log10(np.where(nearer >= 1e-15, nearer, 1.0)))
    scale = 10.0**digits
    written = np.where(small, chances, np.round(chances * scale) / scale)
    if small.any():
        written[small] = [float(f"{chance:.3e}") for chance in chances[small].tolist()]
    return written


def _packed(text: bytes, kind: OutputKind) -> bytes:
    # the time stamp is left out so that the same rows give the same bytes
    return gzip.compress(text, GZIP_LEVEL, mtime=0) if kind == "csv.gz" else text


def _csv_bytes(table: pa.Table, delimiter: str) -> bytes:
    """Rows as CSV text: cells as they were, quoted only where they must be."""
    import pyarrow as pa
    import pyarrow.csv

    # arrow's CSV writer puts out garbage for an empty chunk within a column
    columns = [_plain(column) for column in table.combine_chunks().columns]
    table = pa.table(columns, names=table.column_names)
    options = pyarrow.csv.WriteOptions(
        include_header=False, delimiter=delimiter, quoting_style="none"
    )
    sink = pa.BufferOutputStream()
    try:
        pyarrow.csv.write_csv(table, sink, options)
    except pa.ArrowInvalid:  # a cell needs quotes
        return _quoted_bytes(table, delimiter)
    result: bytes = sink.getvalue().to_pybytes()
    return result


def _plain(column: pa.ChunkedArray) -> pa.ChunkedArray:
    """A column that the CSV writer takes: no dictionaries, NaN as an empty cell."""
    import pyarrow as pa
    import pyarrow.compute as pc

    column = _words(column)
    if pa.types.is_floating(column.type):
        return pc.if_else(pc.is_nan(column), None, column)
    return column


def _quoted_bytes(table: pa.Table, delimiter: str) -> bytes:
    import pyarrow as pa
    import pyarrow.compute as pc

    special = "[" + "".join(f"\\x{ord(char):02x}" for char in f'{delimiter}"\r\n') + "]"
    cells = []
    for column in table.columns:
        text = pc.cast(column.combine_chunks(), pa.string())
        if pa.types.is_string(column.type) or pa.types.is_large_string(column.type):
            doubled = pc.replace_substring(text, '"', '""')
            quoted = pc.binary_join_element_wise('"', doubled, '"', "")
            text = pc.if_else(pc.match_substring_regex(text, special), quoted, text)
        cells.append(text)
    cells[-1] = pc.binary_join_element_wise(pc.fill_null(cells[-1], ""), "", "\n")
    lines = pc.binary_join_element_wise(
        *cells, delimiter, null_handling="replace", null_replacement=""
    )
    return b"".join(line.encode() for line in lines.to_pylist())


def finished_output(folder: Path, kind: OutputKind, empty: pa.Table) -> str:
    """What of a run's folder is the output: Parquet takes another pass over the rows."""
    if kind == "folder":
        return PARTS
    if kind != "parquet":
        return SCORED
    with naming(folder / FINISHED):
        _write_parquet(folder / SCORED, folder / FINISHED, empty)
        sync_file(folder / FINISHED)
    return FINISHED


def parquet_rows(path: Path, start: int, count: int) -> bytes:
    """Some consecutive rows of a Parquet output, as a part of a run is kept."""
    import pyarrow as pa
    import pyarrow.parquet

    if not count:
        return b""
    with pyarrow.parquet.ParquetFile(path) as file:
        groups: list[int] = []
        first = before = 0
        for number in range(file.num_row_groups):
            rows = file.metadata.row_group(number).num_rows
            if first < start + count and first + rows > start:
                before = first if not groups else before
                groups.append(number)
            first += rows
        table = file.read_row_groups(groups)
    return stream_bytes(pa.Table.from_batches(table.slice(start - before, count).to_batches()))


def _write_parquet(spool: Path, path: Path, empty: pa.Table) -> None:
    """Parquet file, with the schema of an empty table, from the Arrow streams in a spool file."""
    import pyarrow as pa
    import pyarrow.parquet

    texts = [f.name for f in empty.schema if not pa.types.is_floating(f.type)]
    end = spool.stat().st_size
    with (
        spool.open("rb") as file,
        pyarrow.parquet.ParquetWriter(path, empty.schema, use_dictionary=texts) as writer,
    ):
        held: list[pa.Table] = []
        while file.tell() < end:
            # words that were read coded become text again
            held.append(pa.ipc.open_stream(file).read_all().cast(empty.schema))
            if sum(table.num_rows for table in held) >= GROUP_ROWS or file.tell() == end:
                writer.write_table(pa.concat_tables(held), row_group_size=GROUP_ROWS)
                held = []
