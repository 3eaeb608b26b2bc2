"""Small invented archives for tests, over the small knowledge that can be reckoned by hand."""

from __future__ import annotations

import csv
import gzip
import io
import shutil
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq

SMALL = Path(__file__).parent / "small_knowledge"
SAMPLE_WORDS: Mapping[str, Sequence[str]] = {
    "sample_bubbles": ("none", "persisting", ""),
    "sample_specks": ("none", "grit", "metal", ""),
    "cooling": ("good", "weak", "", ""),
    "opened_without_new_drier": ("no", "yes", ""),
    "refrigerant": ("R134a",),
    "expansion": ("TXV", "orifice", ""),
}
NUMBERS: Mapping[str, tuple[float, float, int]] = {
    "ambient_degC": (25.0, 5.0, 1),
    "low_side_bar": (2.0, 0.2, 2),
    "high_side_psi": (230.0, 15.0, 0),
    "vent_degC": (9.0, 4.0, 1),
}
OUTCOMES = ("", "", "absent", "wet", "damp")
REMARKS = ("", "invented", "grüße", "a 5 % remark")


def invented_rows(count: int, seed: int) -> list[dict[str, str]]:
    """Inspections as text cells, one in three of them empty; every row can be scored."""
    rng = np.random.default_rng(seed)
    rows = []
    for number in range(1, count + 1):
        row = {"order": f"T{number:06d}"}
        row |= {name: str(rng.choice(words)) for name, words in SAMPLE_WORDS.items()}
        for name, (mean, spread, digits) in NUMBERS.items():
            row[name] = f"{rng.normal(mean, spread):.{digits}f}" if rng.random() < 0.7 else ""
        row["confirmed_moisture"] = str(rng.choice(OUTCOMES))
        row["remark"] = str(rng.choice(REMARKS))
        rows.append(row)
    return rows


def csv_text(rows: Sequence[Mapping[str, str]]) -> str:
    """The rows as a CSV file."""
    text = io.StringIO()
    writer = csv.DictWriter(text, list(rows[0]), lineterminator="\n")
    writer.writeheader()
    writer.writerows(rows)
    return text.getvalue()


def table_of(rows: Sequence[Mapping[str, str]]) -> pa.Table:
    """The rows as a typed table: numbers as numbers, empty cells as null."""
    columns = {}
    for name in rows[0]:
        cells = [row[name] or None for row in rows]
        typed = (
            [None if cell is None else float(cell) for cell in cells] if name in NUMBERS else cells
        )
        columns[name] = pa.array(typed, pa.float64() if name in NUMBERS else pa.string())
    return pa.table(columns)


def write_archive(rows: Sequence[Mapping[str, str]], path: Path, group_rows: int = 50) -> Path:
    """The rows as a file in the format that its name asks for."""
    if path.suffix == ".parquet":
        pq.write_table(table_of(rows), path, row_group_size=group_rows)
    elif path.suffix == ".gz":
        path.write_bytes(gzip.compress(csv_text(rows).encode(), mtime=0))
    else:
        path.write_text(csv_text(rows), encoding="utf-8")
    return path


def read_rows(path: Path) -> list[dict[str, str]]:
    """A CSV file, plain or gzipped, as text cells, read by other means than the library's."""
    opened: Callable[..., io.TextIOBase] = gzip.open if path.suffix == ".gz" else open  # type: ignore[assignment]
    with opened(path, "rt", encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


def changed_knowledge(folder: Path, **files: Callable[[str], str]) -> Path:
    """A copy of the small knowledge with some of its files rewritten."""
    shutil.copytree(SMALL, folder)
    for name, rewrite in files.items():
        path = folder / f"{name}.toml"
        path.write_text(rewrite(path.read_text(encoding="utf-8")), encoding="utf-8")
    return folder
