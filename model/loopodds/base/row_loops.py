"""Rows of words found in a hash table, as compiled loops (numba).

Importing this module loads numba. A table is slots, a power of two with -1 in those that are empty,
else with the number of a row, and for each number where that row is kept.
"""

import numpy as np
from numba import njit

_loop = njit(cache=True, nogil=True, _nrt=False)  # makes no memory: nobody counts users
_ODD = np.uint64(0x9E3779B97F4A7C15)


@_loop
def _mixed(words, row):  # type: ignore[no-untyped-def]
    """A mark of a row; four words at a time, because each step waits for the one before it."""
    a = b = c = d = np.uint64(14695981039346656037)
    count = words.shape[1]
    fours = count // 4 * 4
    for i in range(0, fours, 4):
        a, b = _step(a, words[row, i]), _step(b, words[row, i + 1])
        c, d = _step(c, words[row, i + 2]), _step(d, words[row, i + 3])
    for i in range(fours, count):
        a = _step(a, words[row, i])
    for part in (b, c, d):
        a = (a ^ part) * _ODD
        a ^= a >> np.uint64(29)
    return a


@njit(inline="always")
def _step(mark, word):  # type: ignore[no-untyped-def]
    mark = (mark ^ np.uint64(np.uint32(word))) * _ODD
    return mark ^ (mark >> np.uint64(29))


@_loop
def _slot(slots, at, kept, words, row):  # type: ignore[no-untyped-def]
    """Where a row is in the hash table, or the empty slot where it would be."""
    mark = _mixed(words, row)
    slot = np.int64(mark & np.uint64(slots.shape[0] - 1))
    while slots[slot] >= 0:
        other, same = at[slots[slot]], True
        for i in range(words.shape[1]):
            if kept[other, i] != words[row, i]:
                same = False
                break
        if same:
            break
        slot = (slot + 1) & (slots.shape[0] - 1)
    return slot


@_loop
def look_up(slots, at, kept, words, place):  # type: ignore[no-untyped-def]
    """Numbers of rows; -1 of those that are not there."""
    for row in range(words.shape[0]):
        place[row] = slots[_slot(slots, at, kept, words, row)]


@_loop
def number(slots, words, place, first):  # type: ignore[no-untyped-def]
    """Number rows from none on, equal ones alike; how many numbers there are, and where each row
    of a number is first."""
    count = 0
    for row in range(words.shape[0]):
        slot = _slot(slots, first, words, words, row)
        if slots[slot] < 0:
            slots[slot] = count
            first[count] = row
            count += 1
        place[row] = slots[slot]
    return count


@_loop
def enter(slots, at, kept, count, words, new):  # type: ignore[no-untyped-def]
    """Keep rows that are not there behind the others; how many there are, and which are new."""
    for row in range(words.shape[0]):
        slot = _slot(slots, at, kept, words, row)
        if slots[slot] < 0:
            for i in range(words.shape[1]):
                kept[count, i] = words[row, i]
            slots[slot] = at[count] = count
            new[count] = row
            count += 1
    return count
