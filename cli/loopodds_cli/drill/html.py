"""Pieces of HTML that the sheets of practice cars are made of; every text is escaped."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from html import escape
from importlib import resources

Row = Sequence[str]


def table(
    head: Row,
    rows: Iterable[Row],
    style: str = "",
    numbers: Sequence[int] = (),
    widths: Sequence[int] = (),
) -> str:
    """A table; columns that hold numbers are flush right, widths are in per cent."""

    def line(cells: Row, tag: str) -> str:
        kinds = [' class="number"' if i in numbers else "" for i in range(len(cells))]
        made = [
            f"<{tag}{kind}>{escape(cell)}</{tag}>" for cell, kind in zip(cells, kinds, strict=True)
        ]
        return f"<tr>{''.join(made)}</tr>"

    columns = "".join(f'<col style="width: {width}%">' for width in widths)
    top = f"<thead>{line(head, 'th')}</thead>" if any(head) else ""
    kind = f' class="{style}"' if style else ""
    body = "".join(line(row, "td") for row in rows)
    return f"<table{kind}>{columns}{top}<tbody>{body}</tbody></table>"


def listing(items: Iterable[str]) -> str:
    """A bulleted list."""
    return f"<ul>{''.join(f'<li>{escape(item)}</li>' for item in items)}</ul>"


def paragraph(text: str) -> str:
    """A paragraph of plain text."""
    return f"<p>{escape(text)}</p>"


def document(title: str, parts: Iterable[str]) -> str:
    """A whole document with the style of the sheets."""
    style = resources.files("loopodds_cli").joinpath("assets", "sheet.css").read_text("utf-8")
    body = "\n".join(parts)
    return (
        '<!doctype html>\n<html lang="en">\n<head>\n<meta charset="utf-8">\n'
        '<meta name="viewport" content="width=device-width, initial-scale=1">\n'
        f"<title>{escape(title)}</title>\n<style>\n{style}</style>\n</head>\n"
        f"<body>\n{body}\n</body>\n</html>\n"
    )
