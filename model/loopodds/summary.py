"""What a scoring run tells while it goes on and when it is over."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Any

from loopodds.reopening import Reopen
from loopodds.tally import Tally


@dataclass(frozen=True, slots=True)
class Progress:
    """How far a run is: rows so far, those of an earlier run among them, and the share done."""

    rows: int
    scored: int
    rejected: int
    resumed: int
    share: float


@dataclass(frozen=True, slots=True)
class Summary:
    """What came of a run.

    Attributes
    ----------
    out, rejects : Path
    tally : Tally
    reopen : tuple of Reopen
        Inspections most worth reopening; empty unless asked for.
    warnings : tuple of str
        Columns that were not understood.
    resumed : int
        Rows that an earlier, unfinished run had already done.
    """

    out: Path
    rejects: Path
    tally: Tally
    reopen: tuple[Reopen, ...]
    warnings: tuple[str, ...]
    resumed: int

    def as_json(self) -> dict[str, Any]:
        """Plain data for ``json.dumps``."""
        counted = self.tally.as_json()
        del counted["review"], counted["review_size"]
        least = [{"row": row, "log_evidence": value} for value, row in counted.pop("least")]
        return {
            "out": str(self.out),
            "rejects": str(self.rejects),
            **counted,
            "least_likely": least,
            "review": [entry.as_json() for entry in self.reopen],
            "warnings": list(self.warnings),
            "resumed": self.resumed,
        }


def default_rejects(out: Path) -> Path:
    """Where the rejects go unless told: ``scored.csv.gz`` has ``scored.rejects.csv``."""
    stem = out.name
    for suffix in (".gz", ".csv", ".parquet", ".txt", ".tsv", ".pq"):
        stem = stem.removesuffix(suffix)
    return out.with_name(f"{stem}.rejects.csv")
