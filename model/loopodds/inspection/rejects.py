"""Rows that could not be scored: what is wrong with them, and the file that says so."""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Iterable, Sequence
from typing import NamedTuple

CONTROL = re.compile(r"[\x00-\x1f\x7f-\x9f\u2028\u2029\ud800-\udfff]")
LONGEST_SHOWN = 200
HEADER = b"row,column,value,reason\n"


class Problem(NamedTuple):
    """One cell that cannot be used.

    Attributes
    ----------
    row : int
        Row of the table, or of the chunk, that it was found in.
    column : str
        As the archive calls it; empty when the whole row is meant.
    value : str
        The cell, safe to print.
    kind : str
        In a few words, for counting.
    reason : str
        What is wrong and what could stand there.
    """

    row: int
    column: str
    value: str
    kind: str
    reason: str


class Reject(NamedTuple):
    """One row that was not scored, with everything wrong in it.

    Attributes
    ----------
    row : int
        Row of the archive; the first below the header is 1.
    column, value, kind : str
        Of the first problem.
    reason : str
        Of the first problem, then those of further columns.
    """

    row: int
    column: str
    value: str
    kind: str
    reason: str


def shown(text: str) -> str:
    """Text on one line, control characters written out, cut where it is long.

    Examples
    --------
    >>> shown("a\\tb")
    'a\\\\tb'
    """
    cut = text if len(text) <= LONGEST_SHOWN else f"{text[:LONGEST_SHOWN]}..."
    return CONTROL.sub(lambda match: repr(match[0])[1:-1], cut)


def rejects_of(problems: Iterable[Problem], first_row: int) -> list[Reject]:
    """One reject a bad row, sorted by row.

    Parameters
    ----------
    problems : iterable of Problem
        Rows counted from the first of a chunk, which is 0.
    first_row : int
        Number of that row in the archive.
    """
    by_row: dict[int, list[Problem]] = {}
    for problem in problems:
        by_row.setdefault(problem.row, []).append(problem)
    return [_reject(first_row + row, by_row[row]) for row in sorted(by_row)]


def _reject(row: int, problems: Sequence[Problem]) -> Reject:
    first, *others = problems
    more = [f"{other.column} {other.value!r}: {other.reason}" for other in others]
    return Reject(row, first.column, first.value, first.kind, "; also ".join([first.reason, *more]))


def rejects_bytes(rejects: Iterable[Reject]) -> bytes:
    """Lines of the rejects file, UTF-8, to be put below ``HEADER``."""
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\n")
    writer.writerows((r.row, r.column, r.value, r.reason) for r in rejects)
    return text.getvalue().encode("utf-8", "backslashreplace")
