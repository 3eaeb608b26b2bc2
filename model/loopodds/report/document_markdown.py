"""The document as Markdown: pictures give way to the words that describe them."""

from __future__ import annotations

import re

from loopodds.base.phrases import percent
from loopodds.report.document import (
    Block,
    Chances,
    Document,
    Drawing,
    Heading,
    Items,
    Paragraph,
    Table,
)

_SPECIAL = re.compile(r"([\\`*_\[\]|<>~&]|^[#+-])")


def to_markdown(document: Document) -> str:
    """The document as Markdown with tables.

    Parameters
    ----------
    document : Document
    """
    blocks = [_block(block) for part in document.parts for block in part.blocks]
    return "\n\n".join([*blocks, "---", escaped(document.end)]) + "\n"


def escaped(text: str) -> str:
    """Text in which no character has a meaning of its own.

    Examples
    --------
    >>> print(escaped("a|b <i>"))
    a\\|b \\<i\\>
    """
    return _SPECIAL.sub(r"\\\1", " ".join(text.split()))


def _block(block: Block) -> str:
    if isinstance(block, Heading):
        return f"{'#' * block.level} {escaped(block.text)}"
    if isinstance(block, Paragraph):
        text = escaped(block.text)
        return f"**{text}**" if block.role == "answer" else text
    if isinstance(block, Items):
        return "\n".join(f"- {escaped(item)}" for item in block.items)
    if isinstance(block, Table):
        return _table(block.head, block.rows, block.numbers)
    if isinstance(block, Chances):
        rows = tuple((row.label, percent(row.now), percent(row.before)) for row in block.rows)
        return _table(("", "now", "before looking"), rows, (1, 2))
    return _drawing(block)


def _drawing(block: Drawing) -> str:
    return f"{escaped(block.caption)}\n\n> {escaped(block.picture.alt)}"


def _table(
    head: tuple[str, ...], rows: tuple[tuple[str, ...], ...], numbers: tuple[int, ...]
) -> str:
    lines = [head, *rows]
    rule = "|".join("--:" if i in numbers else "---" for i in range(len(head)))
    told = ["| " + " | ".join(escaped(cell) for cell in line) + " |" for line in lines]
    return "\n".join([told[0], f"|{rule}|", *told[1:]])
