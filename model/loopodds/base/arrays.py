"""Names of array types used everywhere."""

from typing import Any

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.integer[Any]]
BoolArray = NDArray[np.bool_]
Query = tuple[str, ...]
