"""Rows of an archive in the order of time."""

from __future__ import annotations

from collections.abc import Collection
from datetime import UTC, datetime

import numpy as np

from loopodds.archive.encoded import EncodedArchive
from loopodds.base.arrays import IntArray
from loopodds.base.errors import InspectionError
from loopodds.drift.judging import Found, Stream
from loopodds.drift.results import Moment


class Times:
    """Rows in the order of time: by date, then as they stand."""

    def __init__(self, data: EncodedArchive, by: Collection[str], date: str) -> None:
        numbers: list[IntArray] = []
        codes: dict[str, list[IntArray]] = {n: [] for n in (*by, *((date,) if date else ()))}
        for piece in data.pieces():
            numbers.append(piece.numbers)
            for name, parts in codes.items():
                parts.append(piece.tags[name])
        every = np.concatenate(numbers)
        self.codes = {name: _by_number(every, np.concatenate(c)) for name, c in codes.items()}
        self._date, self._words = date, data.words.get(date, ())
        self.warnings: tuple[str, ...] = ()
        order = np.sort(every)
        if date:
            order = self._dated(order)
        self.numbers = order
        self.ranks = np.full(int(every.max()) + 1, -1, np.int64)
        self.ranks[order] = np.arange(len(order))

    def _dated(self, numbers: IntArray) -> IntArray:
        """Rows that have a date, first ones first; the others are told of."""
        times = np.array([*map(_seconds, self._words), np.nan])
        when = times[self.codes[self._date][numbers]]
        lacking = numbers[np.isnan(when)]
        if len(lacking) == len(numbers):
            raise InspectionError(
                f"column {self._date!r}: no row has a date such as 2026-03-17 "
                f"(row {lacking[0]}: {self._cell(int(lacking[0]))})"
            )
        if len(lacking):
            self.warnings = (
                f"{len(lacking)} rows without a date such as 2026-03-17 in column {self._date!r} "
                f"are left out (first: row {lacking[0]}, {self._cell(int(lacking[0]))})",
            )
        known = ~np.isnan(when)
        ordered: IntArray = numbers[known][np.argsort(when[known], kind="stable")]
        return ordered

    def _cell(self, number: int) -> str:
        code = int(self.codes[self._date][number])
        return repr(self._words[code]) if code >= 0 else "empty"

    def moment(self, rank: int) -> Moment:
        """Row and date at a place in time."""
        number = int(self.numbers[rank])
        date = self._words[int(self.codes[self._date][number])] if self._date else ""
        return Moment(number, date, rank)

    def within(self, found: Found, stream: Stream) -> IntArray:
        """Numbers of the rows of a stretch, of one word only where it is a stream of that."""
        numbers = self.numbers[found.since : found.until + 1]
        if stream.column:
            numbers = numbers[self.codes[stream.column][numbers] == stream.word]
        return numbers


def _by_number(numbers: IntArray, codes: IntArray) -> IntArray:
    """Codes by the number of their row; -1 where no row has it."""
    found = np.full(int(numbers.max()) + 1, -1, np.int64)
    found[numbers] = codes
    return found


def _seconds(text: str) -> float:
    """Seconds of a date or a time; without a zone it counts as UTC; nan where it is none."""
    try:
        moment = datetime.fromisoformat(text)
    except ValueError:
        return float("nan")
    zoned = moment if moment.tzinfo else moment.replace(tzinfo=UTC)
    return zoned.timestamp()
