"""Files made to break their reader end in a message that names them, in bounded memory."""

from __future__ import annotations

import gzip
import json
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
import pytest
from invented_archives import SMALL, csv_text, invented_rows, read_rows, table_of, write_archive
from loopodds.archive.runner import score
from loopodds.archive.sources import ParquetSource
from loopodds.base.errors import InspectionError
from loopodds.base.parquet_pages import pages_of

SCORE = """
import json, re, sys, time
from loopodds.archive.runner import score
from loopodds.base.errors import LoopoddsError
began = time.monotonic()
try:
    tally = score(sys.argv[1], sys.argv[2], knowledge=sys.argv[3]).tally
    said = f"{tally.scored} scored, {tally.rejected} set aside"
except LoopoddsError as error:
    said = str(error)
peak = int(re.search(r"VmHWM:\\s*(\\d+)", open("/proc/self/status").read())[1]) / 1024
print(json.dumps([said, peak, time.monotonic() - began]))
"""
MOST_MEMORY = 700  # MiB: what the program takes for any archive, and a line of the largest kind
MOST_SECONDS = 60.0

HEADER = b"order,cooling,remark\n"


def zeros(path: Path) -> None:
    with gzip.open(path, "wb", 1) as file:
        for _ in range(1024):
            file.write(bytes(1 << 20))


def zeros_below_a_header(path: Path) -> None:
    with gzip.open(path, "wb", 1) as file:
        file.write(HEADER + b"1,weak,\n" * 50)
        for _ in range(256):
            file.write(bytes(1 << 20))


def million_columns(path: Path) -> None:
    names = b",".join(b"c%d" % number for number in range(1_000_000))
    path.write_bytes(b"cooling," + names + b"\n")


def field_of_100_mb(path: Path) -> None:
    path.write_bytes(HEADER + b"1,weak,\n2,weak," + b"x" * (100 << 20) + b"\n3,weak,\n")


def quoted_field_of_40_mb(path: Path) -> None:
    path.write_bytes(HEADER + b'1,weak,"' + (b"x" * 1023 + b"\n") * (40 << 10) + b'"\n')


def word_of_20_mb_in_every_row(path: Path) -> None:
    """Twelve hundred bytes on disk, 320 GB as cells."""
    rows = 20_000
    remark = pa.DictionaryArray.from_arrays(np.zeros(rows, np.int32), ["x" * (20 << 20)])
    table = pa.table({"cooling": ["weak"] * rows, "remark": remark})
    pq.write_table(table, path, compression="zstd", store_schema=False)


def million_columns_of_parquet(path: Path) -> None:
    names = ["cooling", *(f"c{number}" for number in range(20_000))]
    pq.write_table(pa.table([pa.array(["weak"])] * len(names), names=names), path)


def word_of_300_mb(path: Path) -> None:
    """Some kilobytes on disk, unpacked in one piece."""
    table = pa.table({"cooling": ["weak"], "remark": ["x" * (300 << 20)]})
    pq.write_table(table, path, compression="zstd", use_dictionary=False, write_statistics=False)


HOSTILE: dict[str, tuple[Callable[[Path], None], str]] = {
    "zeros.csv.gz": (zeros, "not UTF-8 text"),
    "below.csv.gz": (zeros_below_a_header, "a line of more than 32 MB"),
    "wide.csv": (million_columns, "1,000,001 columns; an archive has at most 16,384"),
    "field.csv": (field_of_100_mb, "a line of more than 32 MB, from byte"),
    "quoted.csv": (quoted_field_of_40_mb, "1 set aside|more than 32 MB|0 scored"),
    "word.parquet": (word_of_20_mb_in_every_row, "MB of text in column 'remark'; leave it out"),
    "page.parquet": (word_of_300_mb, "row group 1: its pages unpack to 300 MB at once, 300 MB of"),
    "wide.parquet": (million_columns_of_parquet, "20,001 columns; an archive has at most 16,384"),
}


@pytest.mark.slow
@pytest.mark.parametrize("name", HOSTILE)
def test_a_hostile_file_is_named_in_bounded_memory_and_time(name: str, tmp_path: Path) -> None:
    make, message = HOSTILE[name]
    source, out = tmp_path / name, tmp_path / "out.csv"
    make(source)
    command = [sys.executable, "-c", SCORE, str(source), str(out), str(SMALL)]
    done = subprocess.run(command, capture_output=True, text=True, check=True)
    said, peak, seconds = json.loads(done.stdout)
    assert any(part in said for part in message.split("|")), said
    assert said.startswith(f"{name}: ") or "set aside" in said
    assert said.count(name) <= 1, said
    assert peak < MOST_MEMORY, f"{peak:.0f} MiB"
    assert seconds < MOST_SECONDS
    if "set aside" not in said:
        assert not out.exists()
        assert not (tmp_path / "out.csv.partial").exists()


def page_sizes(path: Path, column: int) -> list[int]:
    chunk = pq.ParquetFile(path).metadata.row_group(0).column(column)
    with path.open("rb") as file:
        pages = list(pages_of(file, chunk, "here"))
    # headers and pages fill the chunk to the last byte
    assert sum(page.header + page.packed for page in pages) == chunk.total_compressed_size
    assert sum(page.header + page.unpacked for page in pages) == chunk.total_uncompressed_size
    return [page.unpacked for page in pages]


@pytest.mark.parametrize("version", ["1.0", "2.0"])
@pytest.mark.parametrize("packed", ["none", "snappy", "zstd", "gzip"])
@pytest.mark.parametrize("coded", [True, False])
def test_the_size_of_every_page_is_known_before_it_is_read(
    version: str, packed: str, coded: bool, tmp_path: Path
) -> None:
    rng = np.random.default_rng(1)
    words = np.array([f"word {number}" * 20 for number in range(3000)], dtype=object)
    table = pa.table({
        "number": rng.normal(size=20_000),
        "word": words[rng.integers(3000, size=20_000)],
        "list": [[1, 2, None]] * 20_000,
        "long": ["y" * 5_000, *[None] * 999] * 20,  # its header tells of it: longer than others
    })  # fmt: skip
    pq.write_table(
        table, tmp_path / "in.parquet", compression=packed, use_dictionary=coded,
        data_page_version=version, data_page_size=20_000, write_page_checksum=True,
    )  # fmt: skip
    assert all(page_sizes(tmp_path / "in.parquet", column) for column in range(4))
    assert len(page_sizes(tmp_path / "in.parquet", 1)) > 2


def test_pages_too_large_together_are_refused_before_any_is_read(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    source = write_archive(invented_rows(400, 3), tmp_path / "in.parquet", group_rows=200)
    monkeypatch.setattr("loopodds.base.parquet_pages.MOST_HELD", 1000)
    monkeypatch.setattr(pq.ParquetFile, "iter_batches", lambda *_, **__: pytest.fail("was read"))
    with pytest.raises(InspectionError, match=r"^in\.parquet: row group 1: its pages unpack to"):
        score(source, tmp_path / "out.csv", knowledge=SMALL)


@pytest.mark.parametrize("byte", [0x00, 0x0F, 0xFF])
def test_a_page_whose_header_is_overwritten_is_refused(byte: int, tmp_path: Path) -> None:
    source = write_archive(invented_rows(50, 4), tmp_path / "in.parquet")
    at = pq.ParquetFile(source).metadata.row_group(0).column(0)
    data = bytearray(source.read_bytes())
    start = at.dictionary_page_offset or at.data_page_offset
    data[start : start + 8] = bytes([byte]) * 8
    source.write_bytes(data)
    with pytest.raises(InspectionError, match=r"^in\.parquet: .*copy or export it again"):
        score(source, tmp_path / "out.csv", knowledge=SMALL)


@pytest.mark.parametrize("groups", [1, 400])
def test_row_groups_of_one_row_or_of_all_are_scored_alike(groups: int, tmp_path: Path) -> None:
    rows = invented_rows(400, 71)
    source = write_archive(rows, tmp_path / "in.parquet", group_rows=400 // groups)
    assert pq.ParquetFile(source).metadata.num_row_groups == groups
    score(source, tmp_path / "out.csv", knowledge=SMALL)
    write_archive(rows, tmp_path / "in.csv")
    score(tmp_path / "in.csv", tmp_path / "plain.csv", knowledge=SMALL)
    assert len(read_rows(tmp_path / "out.csv")) == 400
    got, plain = (read_rows(tmp_path / name) for name in ("out.csv", "plain.csv"))
    assert [row["p_moisture"] for row in got] == [row["p_moisture"] for row in plain]


def test_row_groups_that_promise_other_rows_than_the_file_are_refused(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """No writer makes such a file: what a forged footer would say is put in its place."""

    class Forged:
        num_row_groups, num_rows = 2, 10

        def __init__(self, *counts: int) -> None:
            self.counts = counts

        def row_group(self, number: int) -> object:
            return type("Group", (), {"num_rows": self.counts[number]})

    source = write_archive(invented_rows(10, 72), tmp_path / "in.parquet")
    real = pq.ParquetFile(source)
    for counts in ((1 << 62, 10), (-5, 15), (0, 0)):
        forged = type("File", (), {"metadata": Forged(*counts), "schema_arrow": real.schema_arrow})
        monkeypatch.setattr(ParquetSource, "_opened", lambda self, coded, f=forged: f)
        with pytest.raises(InspectionError, match=r"^in\.parquet: its row groups do not hold"):
            ParquetSource(source)


def test_long_text_of_every_type_passes_unchanged(tmp_path: Path) -> None:
    texts = [None, "", "x" * 100_000, "grüße"] * 5
    table = table_of(invented_rows(20, 73))
    table = table.append_column("notes", pa.array(texts, pa.string()))
    table = table.append_column("long", pa.array(texts, pa.large_string()))
    table = table.append_column("raw", pa.array([t and t.encode() for t in texts], pa.binary()))
    table = table.append_column("coded", pa.array(texts).dictionary_encode())
    pq.write_table(table, tmp_path / "in.parquet", row_group_size=7)
    score(tmp_path / "in.parquet", tmp_path / "out.parquet", knowledge=SMALL, part_rows=9)
    scored = pq.read_table(tmp_path / "out.parquet").select(table.column_names)
    assert scored.to_pydict() == table.to_pydict()
    assert scored.schema.types[:-1] == table.schema.types[:-1]


FORMULAS = ("=1+1", "+cmd|x", "-2+3", "@SUM(A1)", "\tx", " =1", "＝1+1")
HARMLESS = ("-1.5", "+3", "-5 %", "a=b", "none", "=", "-", "", "1e-3")


def with_formulas(path: Path) -> Path:
    remarks = [*FORMULAS, *HARMLESS]
    rows = invented_rows(len(remarks) + 1, 74)
    for row, remark in zip(rows, remarks, strict=False):
        row["remark"] = remark
    rows[-1] |= {"sample_bubbles": "=HYPERLINK(A1)", "remark": ""}
    return write_archive(rows, path)


@pytest.mark.parametrize("ending", ["csv", "csv.gz"])
def test_cells_that_pass_through_are_changed_only_on_request_but_always_counted(
    ending: str, tmp_path: Path
) -> None:
    source, out = with_formulas(tmp_path / "in.csv"), tmp_path / f"out.{ending}"
    for safe in (False, True):
        summary = score(source, out, knowledge=SMALL, spreadsheet_safe=safe, overwrite=True)
        remarks = [row["remark"] for row in read_rows(out)]
        behind = "'" if safe else ""
        assert remarks == [*(behind + text for text in FORMULAS), *HARMLESS]
        assert summary.tally.formulas == len(FORMULAS)


def test_text_that_scoring_adds_is_never_a_formula(tmp_path: Path) -> None:
    source = with_formulas(tmp_path / "in.csv")
    score(source, tmp_path / "out.csv", knowledge=SMALL)
    (reject,) = read_rows(tmp_path / "out.rejects.csv")
    assert reject["value"] == "'=HYPERLINK(A1)"


def test_headings_and_the_review_list_are_made_safe_on_request(tmp_path: Path) -> None:
    text = csv_text(invented_rows(30, 75)).replace("remark", "=2*3", 1)
    (tmp_path / "in.csv").write_text(text, encoding="utf-8")
    for safe, heading in ((False, "=2*3"), (True, "'=2*3")):
        score(
            tmp_path / "in.csv", tmp_path / "out.csv", review_out=tmp_path / "list.csv",
            review=5, knowledge=SMALL, spreadsheet_safe=safe, overwrite=True,
        )  # fmt: skip
        assert heading in read_rows(tmp_path / "out.csv")[0]
        listed = (tmp_path / "list.csv").read_text("utf-8").splitlines()[0]
        assert listed.endswith(heading) or "=2*3" not in listed
