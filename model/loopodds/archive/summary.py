"""What a scoring run tells while it goes on and when it is over."""

from __future__ import annotations

import csv
import heapq
import io
import json
from collections import Counter
from collections.abc import Mapping
from dataclasses import asdict, dataclass, field
from pathlib import Path
from typing import Any

from loopodds.archive.review import Reopen, best_entries
from loopodds.base.files import write_whole
from loopodds.base.spreadsheets import safe_cell

LEAST_SHOWN = 10
REVIEW_COLUMNS = ("row", "reason", "expected_cost", "missed", "recorded", "conflict_bits", "stops")


@dataclass(frozen=True, slots=True)
class Tally:
    """Counts over some rows; those of two parts add up to those of the whole."""

    rows: int = 0  # scored and rejected together
    scored: int = 0
    rejected: int = 0
    # kind of the first problem, with the column, to rows
    rejected_by: Mapping[str, int] = field(default_factory=dict)
    # sum of the probabilities of each condition, and of "sound": cars that really have it, if the
    # probabilities are right
    expected: Mapping[str, float] = field(default_factory=dict)
    # rows in which each condition is the most probable, more so than a sound car; else "sound"
    top: Mapping[str, int] = field(default_factory=dict)
    least: tuple[tuple[float, int], ...] = ()  # log evidence and row number, lowest first
    review: tuple[Mapping[str, Any], ...] = ()  # candidates for reopening
    review_size: int = 0  # how many of them are kept for each reason
    blank: int = 0  # scored rows in which nothing was observed: what is known before looking
    stopped: int = 0  # scored rows with a stop in force
    stops: Mapping[str, int] = field(default_factory=dict)  # rows of each stop
    formulas: int = 0  # cells that pass into CSV and that a spreadsheet would run
    distinct: int = 0  # scored rows that differ in what is read, each part by itself

    def plus(self, other: Tally) -> Tally:
        """Both together."""
        names = dict.fromkeys((*self.expected, *other.expected))
        size = max(self.review_size, other.review_size)
        return Tally(
            self.rows + other.rows,
            self.scored + other.scored,
            self.rejected + other.rejected,
            dict(Counter(self.rejected_by) + Counter(other.rejected_by)),
            {n: self.expected.get(n, 0.0) + other.expected.get(n, 0.0) for n in names},
            dict(Counter(self.top) + Counter(other.top)),
            tuple(heapq.nsmallest(LEAST_SHOWN, (*self.least, *other.least))),
            best_entries((*self.review, *other.review), size),
            size,
            self.blank + other.blank,
            self.stopped + other.stopped,
            dict(Counter(self.stops) + Counter(other.stops)),
            self.formulas + other.formulas,
            self.distinct + other.distinct,
        )

    def as_json(self) -> dict[str, Any]:
        """Plain data for ``json.dumps``."""
        return asdict(self)

    @classmethod
    def from_json(cls, content: Mapping[str, Any]) -> Tally:
        """The inverse of :meth:`as_json`; numbers come back to the last bit."""
        least = tuple((float(value), int(row)) for value, row in content["least"])
        return cls(**{**content, "least": least, "review": tuple(content["review"])})


@dataclass(frozen=True, slots=True)
class RunProgress:
    """How far a run is: rows so far, those of an earlier run among them, and the share done."""

    rows: int
    scored: int
    rejected: int
    resumed: int
    share: float


@dataclass(frozen=True, slots=True)
class Summary:
    """What came of a run."""

    out: Path
    rejects: Path
    tally: Tally
    reopen: tuple[Reopen, ...]  # inspections most worth reopening; empty unless asked for
    warnings: tuple[str, ...]  # columns that were not understood
    resumed: int  # rows that an earlier, unfinished run had already done
    safe: bool = False  # whether formulas that pass through were made harmless
    kept: int = 0  # rows that were scored before and taken over
    used: tuple[str, ...] = ()  # columns that were read, in order
    unused: tuple[str, ...] = ()  # those that only pass through
    alike: tuple[str, ...] = ()  # of these, what looks like a name that is known
    # the device that ran the passes; of a card also its precision and how far it was off
    ran_on: Mapping[str, Any] = field(default_factory=lambda: {"device": "processor"})

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
            "columns_used": list(self.used),
            "columns_unused": list(self.unused),
            "columns_alike": list(self.alike),
            "resumed": self.resumed,
            "kept": self.kept,
            "ran_on": dict(self.ran_on),
        }

    def write_review(self, path: Path) -> None:
        """The inspections worth reopening as a file, JSON or CSV by the end of its name."""
        if path.suffix == ".json":
            entries = [entry.as_json() for entry in self.reopen]
            write_whole(path, json.dumps(entries, indent=2, ensure_ascii=False))
        else:
            write_whole(path, self._review_csv())

    def _review_csv(self) -> str:
        passed = list(dict.fromkeys(name for entry in self.reopen for name in entry.passed))
        own = safe_cell if self.safe else str
        text = io.StringIO()
        writer = csv.writer(text, lineterminator="\n")
        writer.writerow([*REVIEW_COLUMNS, *map(own, passed)])
        for entry in self.reopen:
            missed = "; ".join(f"{m.condition} {m.probability:.2f}" for m in entry.missed)
            recorded = "; ".join(f"{name} {value}" for name, value in entry.recorded.items())
            cells = [entry.row, entry.reason, f"{entry.cost:.2f}", missed, recorded]
            cells += [f"{entry.conflict.bits:.2f}", " ".join(entry.stops)]
            writer.writerow(
                [*map(safe_cell, cells), *(own(entry.passed.get(name, "")) for name in passed)]
            )
        return text.getvalue()
