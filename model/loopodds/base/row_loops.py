"""Rows of words found in a hash table, as compiled loops (numba).

Importing this module loads numba. A table is slots, a power of two with -1 in those that are empty,
and the rows that they lead to.
"""

import numpy as np
from numba import njit


@njit(cache=True, nogil=True)
def _slot(slots, kept, words, row):  # type: ignore[no-untyped-def]
    """Where a row is in the hash table, or the empty slot where it would be."""
    mark = np.uint64(14695981039346656037)
    for word in words[row]:
        mark = (mark ^ np.uint64(np.uint32(word))) * np.uint64(0x9E3779B97F4A7C15)
        mark ^= mark >> np.uint64(29)
    slot = np.int64(mark & np.uint64(slots.shape[0] - 1))
    while slots[slot] >= 0:
        other, same = slots[slot], True
        for i in range(words.shape[1]):
            if kept[other, i] != words[row, i]:
                same = False
                break
        if same:
            break
        slot = (slot + 1) & (slots.shape[0] - 1)
    return slot


@njit(cache=True, nogil=True)
def look_up(slots, kept, words, place):  # type: ignore[no-untyped-def]
    """Places of rows; -1 of those that are not there."""
    for row in range(words.shape[0]):
        place[row] = slots[_slot(slots, kept, words, row)]


@njit(cache=True, nogil=True)
def enter(slots, kept, count, words, place, first):  # type: ignore[no-untyped-def]
    """Places of rows, those that are not there entered behind the others; how many there are."""
    for row in range(words.shape[0]):
        slot = _slot(slots, kept, words, row)
        if slots[slot] < 0:
            kept[count] = words[row]
            slots[slot] = count
            first[count] = row
            count += 1
        place[row] = slots[slot]
    return count
