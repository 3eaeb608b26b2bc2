"""What is wrong with a cell of an archive."""

from __future__ import annotations

import re
from typing import NamedTuple

CONTROL = re.compile(r"[\x00-\x1f\x7f-\x9f\u2028\u2029\ud800-\udfff]")
LONGEST_SHOWN = 200


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


def shown(text: str) -> str:
    """Text on one line, control characters written out, cut where it is long.

    Examples
    --------
    >>> shown("a\\tb")
    'a\\\\tb'
    """
    cut = text if len(text) <= LONGEST_SHOWN else f"{text[:LONGEST_SHOWN]}..."
    return CONTROL.sub(lambda match: repr(match[0])[1:-1], cut)
