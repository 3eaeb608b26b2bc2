"""Cells that a spreadsheet would run as a formula, and how they are written so that it cannot.

Rule and remedy (a leading apostrophe) are those of OWASP's page "CSV Injection". What holds a
separator of another country is not covered: a file is to be opened with the one it has.
"""

from __future__ import annotations

import re
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    import pyarrow as pa

# in the syntax that Python's and Arrow's expressions share
FORMULA = r"^(?:[ ]*[=+\-@＝＋－＠][^\n]|[\t\r\n])"
NUMBER = r"^[ ]*[+-]?(?:[0-9]+(?:[.,][0-9]+)*|[.,][0-9]+)(?:[eE][+-]?[0-9]+)?[ ]*%?[ ]*$"
APOSTROPHE = "'"

_formula, _number = re.compile(FORMULA), re.compile(NUMBER)


def safe_cell(cell: Any) -> Any:
    """A cell as it is written: text that is a formula behind an apostrophe, all else as it is.

    >>> safe_cell("=1+1"), safe_cell("-0.5"), safe_cell("none")
    ("'=1+1", '-0.5', 'none')
    """
    is_formula = isinstance(cell, str) and _formula.match(cell) and not _number.match(cell)
    return APOSTROPHE + cell if is_formula else cell


def formulas_in(column: pa.ChunkedArray) -> pa.ChunkedArray:
    """Which cells of a text column are formulas; null where the cell is."""
    import pyarrow.compute as pc

    begun = pc.match_substring_regex(column, FORMULA)
    if not pc.any(begun).as_py():  # nearly always
        return begun
    return pc.and_not(begun, pc.match_substring_regex(column, NUMBER))


def safe_column(column: pa.ChunkedArray) -> pa.ChunkedArray:
    """A text column as :func:`safe_cell` writes its cells."""
    import pyarrow.compute as pc

    behind = pc.binary_join_element_wise(APOSTROPHE, column, "")
    return pc.if_else(formulas_in(column), behind, column)
