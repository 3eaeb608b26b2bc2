"""Names of array types used everywhere, and lists joined to one array."""

from collections.abc import Sequence, Sized
from typing import Any

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.integer[Any]]
BoolArray = NDArray[np.bool_]
Query = tuple[str, ...]


def joined(parts: Sequence[Sequence[int]]) -> IntArray:
    """One after the other."""
    return np.array([number for part in parts for number in part], np.int64)


def starts(parts: Sequence[Sized]) -> IntArray:
    """Where each of several lists begins once they are joined, and the end of the last."""
    return np.cumsum([0, *map(len, parts)]).astype(np.int64)
