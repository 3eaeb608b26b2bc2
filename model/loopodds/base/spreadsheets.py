"""Cells that a spreadsheet would run as a formula, and how they are written so that it cannot.

Rule and remedy (a leading apostrophe) are those of OWASP's page "CSV Injection". A program that
takes a file with the separator of another country cuts a cell in pieces, so that each piece behind
a semicolon, a tab or a line end is judged as a cell.
"""

from __future__ import annotations

import re
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    import pyarrow as pa

# in the syntax that Python's and Arrow's expressions share; before a formula spreadsheets pass over
# blanks, marks of byte order and quotes
_BLANK = (
    r"[ \"\x00-\x08\x0b\x0c\x0e-\x1f"
    "\u00a0\u2000-\u200b\u202f\u205f\u2060\u3000\ufeff]*"
)
_SIGN = "[=+\\-@＝＋－＠]"
_MAYBE = f"(?:^|[;\t\r\n]){_BLANK}{_SIGN}|^[\t\r\n]"
_NUMBER = r"[ ]*[+-]?(?:[0-9]+(?:[.,][0-9]+)*|[.,][0-9]+)(?:[eE][+-]?[0-9]+)?[ ]*%?[ ]*"
APOSTROPHE = "'"

_maybe, _number = re.compile(_MAYBE), re.compile(_NUMBER)
_piece = re.compile(f"(?P<before>^|[;\t\r\n])(?P<text>{_BLANK}{_SIGN}[^;\t\r\n]*)")


def safe_cell(cell: Any) -> Any:
    """A cell as it is written: text that is a formula behind an apostrophe, all else as it is.

    >>> safe_cell("=1+1"), safe_cell("-0.5"), safe_cell("none"), safe_cell("van;=1+1")
    ("'=1+1", '-0.5', 'none', "van;'=1+1")
    """
    if not isinstance(cell, str) or not _maybe.search(cell):
        return cell
    safe = _piece.sub(_quoted, cell)
    return APOSTROPHE + safe if safe.startswith(("\t", "\r", "\n")) else safe


def _quoted(piece: re.Match[str]) -> str:
    """A piece of a cell behind an apostrophe, unless it is a number or a sign alone.

    The first piece is the whole cell too, where the separator is the right one.
    """
    text, behind = piece["text"], piece.string[piece.end() : piece.end() + 1]
    alone = len(text.strip()) == 1 and behind in ("", ";", "\t")
    whole = piece.start("text") > 0 or not behind
    harmless = whole and (alone or _number.fullmatch(text))
    return piece[0] if harmless else piece["before"] + APOSTROPHE + text


def formulas_in(column: pa.ChunkedArray) -> pa.ChunkedArray:
    """Which cells of a text column are formulas; null where the cell is."""
    import pyarrow as pa
    import pyarrow.compute as pc

    begun = pc.match_substring_regex(column, _MAYBE)
    if not pc.any(begun).as_py():  # nearly always
        return begun
    begun = pc.and_not(begun, pc.match_substring_regex(column, f"^{_NUMBER}$"))
    cells = column.filter(begun).to_pylist()
    unsafe = pa.array([safe_cell(cell) != cell for cell in cells], pa.bool_())
    mask = begun.combine_chunks()
    return pa.chunked_array([pc.replace_with_mask(mask, mask, unsafe)])


def safe_column(column: pa.ChunkedArray) -> pa.ChunkedArray:
    """A text column as :func:`safe_cell` writes its cells."""
    import pyarrow as pa
    import pyarrow.compute as pc

    formulas = formulas_in(column)
    if not pc.any(formulas).as_py():
        return column
    safe = pa.array(map(safe_cell, column.filter(formulas).to_pylist()), column.type)
    mask = formulas.combine_chunks()
    return pa.chunked_array([pc.replace_with_mask(column.combine_chunks(), mask, safe)])
