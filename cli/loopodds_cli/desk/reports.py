"""A report as text in the form asked for."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from loopodds import Report


def written(report: Report, form: str) -> str:
    """The report as ``html``, ``md`` or ``json``."""
    if form == "json":
        return json.dumps(report.as_json(), indent=2, ensure_ascii=False, allow_nan=False) + "\n"
    from loopodds import document_of, to_html, to_markdown

    document = document_of(report)
    return to_html(document) if form == "html" else to_markdown(document)
