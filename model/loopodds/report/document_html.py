"""One self-contained HTML file: styles and pictures inside, no script, nothing fetched."""

from __future__ import annotations

import base64
from html import escape
from importlib import resources

from loopodds.base.phrases import percent
from loopodds.report.document import (
    Block,
    Chances,
    Document,
    Drawing,
    Heading,
    Items,
    Paragraph,
    Part,
    Table,
)

# a browser that honours this fetches nothing, whatever the text of a case may say
POLICY = "default-src 'none'; style-src 'unsafe-inline'; img-src data:"


class Html(str):
    """Text that is already HTML."""

    __slots__ = ()


def element(name: str, *children: str, **attributes: str) -> Html:
    """An element; children that are not :class:`Html` are escaped, and so are attributes.

    Attribute names may end in an underscore (``class_``).

    Examples
    --------
    >>> element("p", "a < b", class_="faint")
    '<p class="faint">a &lt; b</p>'
    """
    told = "".join(f' {key.rstrip("_")}="{escape(text)}"' for key, text in attributes.items())
    inside = "".join(child if isinstance(child, Html) else escape(child) for child in children)
    return Html(f"<{name}{told}>{inside}</{name}>")


def to_html(document: Document) -> str:
    """The document as one HTML file.

    Parameters
    ----------
    document : Document
    """
    style = resources.files("loopodds.report").joinpath("report.css").read_text(encoding="utf-8")
    head = "".join(
        (
            '<meta charset="utf-8">',
            '<meta name="viewport" content="width=device-width, initial-scale=1">',
            f'<meta http-equiv="Content-Security-Policy" content="{escape(POLICY)}">',
            element("title", document.title),
            f"<style>{style}</style>",
        )
    )
    parts = Html("".join(_part(part) for part in document.parts))
    body = element("main", parts) + element("footer", element("p", document.end))
    return f'<!doctype html>\n<html lang="en">\n<head>{head}</head>\n<body>{body}</body>\n</html>\n'


def _part(part: Part) -> Html:
    blocks = Html("\n".join(_block(block) for block in part.blocks))
    return element("article", blocks, class_=part.name)


def _block(block: Block) -> Html:
    if isinstance(block, Heading):
        return element(f"h{block.level}", block.text)
    if isinstance(block, Paragraph):
        return element("p", block.text, **_role(block.role))
    if isinstance(block, Items):
        items = Html("".join(element("li", item) for item in block.items))
        return element("ul", items, **_role(block.role))
    if isinstance(block, Table):
        return _table(block)
    if isinstance(block, Chances):
        return _chances(block)
    return _drawing(block)


def _role(role: str) -> dict[str, str]:
    return {"class_": role} if role else {}


def _table(table: Table) -> Html:
    def cells(kind: str, row: tuple[str, ...]) -> Html:
        return Html(
            "".join(
                element(
                    kind,
                    text,
                    **({"class_": "number"} if i in table.numbers else {}),
                    **({"scope": "col"} if kind == "th" else {}),
                )
                for i, text in enumerate(row)
            )
        )

    head = element("thead", element("tr", cells("th", table.head))) if any(table.head) else ""
    rows = Html("".join(element("tr", cells("td", row)) for row in table.rows))
    whole = element("table", element("caption", table.caption), Html(head), element("tbody", rows))
    return element("div", whole, class_="wide")


def _chances(block: Chances) -> Html:
    rows = []
    for row in block.rows:
        said = f"{percent(row.now)}, before looking {percent(row.before)}"
        bar = element(
            "span",
            element("span", style=f"width:{100 * row.now:.1f}%", class_="now"),
            element("span", style=f"left:{100 * row.before:.1f}%", class_="before"),
            class_="bar",
            aria_hidden="true",
        )
        bar = Html(bar.replace("aria_hidden", "aria-hidden"))
        rows.append(
            element("dt", row.label) + element("dd", bar, element("span", said, class_="said"))
        )
    caption = element("p", block.caption, class_="faint")
    return Html(caption + element("dl", Html("".join(rows)), class_="chances"))


def _drawing(block: Drawing) -> Html:
    data = base64.b64encode(block.picture.svg.encode()).decode()
    image = Html(f'<img alt="{escape(block.picture.alt)}" src="data:image/svg+xml;base64,{data}">')
    return element("figure", image, element("figcaption", block.caption))
