"""Damage to an archive costs the damaged rows, or is reported; it never costs the count."""

from __future__ import annotations

import csv
import gzip
from pathlib import Path

import numpy as np
import pyarrow.parquet as pq
import pytest
from invented_archives import SMALL, csv_text, invented_rows, table_of
from loopodds.archive.runner import score
from loopodds.base.errors import LoopoddsError

ROWS = 50
# Each overwrites up to six places, so that some hundred and fifty commas, quotes and line ends are
# struck or made for each kind of archive.
DAMAGES = 80
NASTY = (0, 10, 13, 34, 44, 255)
QUOTED = ("", '"a, b"', '"said ""no"""', '"two\nlines"', "plain")


def _csv() -> bytes:
    return csv_text(invented_rows(ROWS, 1)).encode()


def _quoted_csv() -> bytes:
    lines = csv_text(invented_rows(ROWS, 2)).splitlines()
    rows = (f"{line},{QUOTED[i % len(QUOTED)]}" for i, line in enumerate(lines[1:]))
    return "\n".join([f"{lines[0]},more", *rows, ""]).encode()


def _parquet(folder: Path, **how: object) -> bytes:
    path = folder / "whole.parquet"
    pq.write_table(table_of(invented_rows(ROWS, 3)), path, row_group_size=20, **how)
    return path.read_bytes()


def _whole(kind: str, folder: Path) -> tuple[bytes, str]:
    """An archive without damage and the end of its name."""
    if kind == "csv":
        return _csv(), ".csv"
    if kind == "quoted csv":
        return _quoted_csv(), ".csv"
    if kind == "gzip":
        return gzip.compress(_csv(), mtime=0), ".csv.gz"
    if kind == "parquet":
        return _parquet(folder), ".parquet"
    return _parquet(folder, compression="none", use_dictionary=False), ".parquet"


def _damaged(whole: bytes, rng: np.random.Generator) -> bytes:
    """Some bytes overwritten, half of them with what means something to a parser; or cut off."""
    data = bytearray(whole)
    if rng.random() < 0.1:
        data = data[: rng.integers(1, len(data))]
    for place in rng.integers(len(data), size=rng.integers(1, 7)):
        data[place] = rng.choice(NASTY) if rng.random() < 0.5 else rng.integers(256)
    return bytes(data)


@pytest.mark.parametrize("kind", ["csv", "quoted csv", "gzip", "parquet", "plain parquet"])
def test_damaged_archive_is_scored_to_the_last_row_or_refused(kind: str, tmp_path: Path) -> None:
    whole, ending = _whole(kind, tmp_path)
    source, out = tmp_path / f"damaged{ending}", tmp_path / "scored.csv"
    rejects = tmp_path / "scored.rejects.csv"
    rng = np.random.default_rng(20240601)
    scored_some = 0
    for number in range(DAMAGES):
        source.write_bytes(_damaged(whole, rng))
        try:
            tally = score(source, out, knowledge=SMALL, part_rows=16, overwrite=True).tally
        except LoopoddsError:
            assert not out.exists(), f"damage {number}: refused, yet there is an output"
            assert not (tmp_path / "scored.csv.partial").exists()
            continue
        with out.open(encoding="utf-8", newline="") as file:
            scored = len(list(csv.reader(file))) - 1
        with rejects.open(encoding="utf-8", newline="") as file:
            rejected = [int(row["row"]) for row in csv.DictReader(file)]
        assert scored + len(rejected) == tally.rows, f"damage {number} lost a row"
        assert len(set(rejected)) == len(rejected)
        assert all(1 <= row <= tally.rows for row in rejected)
        if ending == ".parquet":
            assert tally.rows == ROWS
        if kind == "csv":
            assert tally.rows >= _least_rows(source.read_bytes())
        scored_some += scored > 0
        out.unlink()
    # gzip finds nearly all damage by its checksum, and then nothing can be trusted
    assert scored_some >= (1 if kind != "gzip" else 0)


def _least_rows(data: bytes) -> int:
    """Lines below the header that hold anything, less those that a pair of quotes may join."""
    lines = sum(bool(line.strip(b"\r")) for line in data.split(b"\n")[1:])
    return lines - 100 * (data.count(b'"') // 2)


def test_without_quotes_every_line_below_the_header_is_a_row(tmp_path: Path) -> None:
    whole, rng = _csv(), np.random.default_rng(7)
    header, body = whole.split(b"\n", 1)
    source, out = tmp_path / "damaged.csv", tmp_path / "scored.csv"
    for _ in range(60):
        damaged = _damaged(body, rng).replace(b'"', b"x")
        source.write_bytes(header + b"\n" + damaged)
        lines = sum(bool(line.strip(b"\r")) for line in damaged.split(b"\n"))
        assert score(source, out, knowledge=SMALL, part_rows=16, overwrite=True).tally.rows == lines


def test_one_stray_quote_costs_one_row(tmp_path: Path) -> None:
    lines = csv_text(invented_rows(ROWS, 1)).splitlines()
    for number in (1, 17, ROWS):
        spoilt = [*lines[:number], f'"{lines[number]}', *lines[number + 1 :]]
        source = tmp_path / "spoilt.csv"
        source.write_text("\n".join([*spoilt, ""]), encoding="utf-8")
        summary = score(
            source, tmp_path / "scored.csv", knowledge=SMALL, part_rows=16, overwrite=True
        )
        assert (summary.tally.rows, summary.tally.rejected) == (ROWS, 1)
        rejects = (tmp_path / "scored.rejects.csv").read_text(encoding="utf-8").splitlines()
        assert rejects[1].startswith(f"{number},,")
