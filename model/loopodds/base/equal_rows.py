"""Rows of a table that are equal, and what was worked out for rows met before.

A row is whole numbers of 32 bits, floats being taken as their bits. Rows are found by a hash of all
of it and compared in full.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from threading import Lock
from typing import Any

import numpy as np

from loopodds.base.arrays import FloatArray, IntArray

FIRST_ROWS = 1024


def words_of(arrays: Sequence[Any]) -> IntArray:
    """Arrays whose first axis are rows as one table of words, shape (rows, words)."""
    rows = arrays[0].shape[0]
    parts = [array.reshape(rows, -1) for array in arrays if array.size]
    whole = [np.ascontiguousarray(part).view(np.int32) for part in parts]
    return np.concatenate([*whole, np.empty((rows, 0), np.int32)], axis=1)


def distinct(words: IntArray) -> tuple[IntArray, IntArray]:
    """The first of all rows that are equal, and for each row which of those it is."""
    from loopodds.base.row_loops import number

    place, first = np.empty((2, len(words)), np.int64)
    count = number(_slots(len(words)), words, place, first)
    return first[:count], place


def _slots(rows: int) -> IntArray:
    return np.full(1 << max(4, (2 * rows - 1).bit_length()), -1, np.int64)


class Room:
    """Bytes that several memories may take together."""

    def __init__(self, most: int) -> None:
        self.left = most
        self._lock = Lock()

    def take(self, count: int) -> bool:
        """Whether there were so many bytes left."""
        with self._lock:
            fits = count <= self.left
            self.left -= count if fits else 0
            return fits


class Answers:
    """What was worked out for rows met before; threads may share it.

    Once the room is used up no further rows are kept: those that are frequent came early.

    Args:
        width: Words of a row.
        columns: Numbers of an answer.
    """

    def __init__(self, room: Room, width: int, columns: int) -> None:
        self._room, self._lock, self._count = room, Lock(), 0
        self._slots, self._at = _slots(0), np.empty(0, np.int64)
        self._kept, self._found = np.empty((0, width), np.int32), np.empty((0, columns))

    def of(self, words: IntArray, work: Callable[[IntArray], FloatArray]) -> FloatArray:
        """Answers of distinct rows, shape (rows, columns); ``work`` finds those of some places."""
        from loopodds.base.row_loops import look_up

        place, found = np.empty(len(words), np.int64), np.empty((len(words), self._found.shape[1]))
        with self._lock:
            look_up(self._slots, self._at, self._kept, words, place)
            known = np.flatnonzero(place >= 0)
            found[known] = self._found[place[known]]
        new = np.flatnonzero(place < 0)
        if len(new):
            found[new] = work(new)
            self._keep(words[new], found[new])
        return found

    def _keep(self, words: IntArray, found: FloatArray) -> None:
        from loopodds.base.row_loops import enter

        with self._lock:
            if not self._fits(len(words)):
                return
            new = np.empty(len(self._kept), np.int64)
            count = enter(self._slots, self._at, self._kept, self._count, words, new)
            self._found[self._count : count] = found[new[self._count : count]]
            self._count = count

    def _fits(self, more: int) -> bool:
        """Whether there is place for so many more, made where there is room."""
        rows = len(self._kept)
        if self._count + more <= rows:
            return True
        wanted = max(FIRST_ROWS, 2 * rows, self._count + more)
        each = self._kept.itemsize * self._kept.shape[1] + 8 * self._found.shape[1] + 48
        if not self._room.take((wanted - rows) * each):
            return False
        from loopodds.base.row_loops import enter

        kept, self._kept = self._kept, np.empty((wanted, self._kept.shape[1]), np.int32)
        found, self._found = self._found, np.empty((wanted, self._found.shape[1]))
        self._slots, self._at = _slots(wanted), np.empty(wanted, np.int64)
        new = np.empty(wanted, np.int64)
        enter(self._slots, self._at, self._kept, 0, kept[: self._count], new)
        self._found[: self._count] = found[: self._count]
        return True
