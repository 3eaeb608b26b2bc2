"""A report in the form asked for, and what it takes from other commands."""

from __future__ import annotations

import json
from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from loopodds.engine import Model
    from loopodds.inspection import Inspection
    from loopodds.report import Report

TESTS = 6


def written(report: Report, form: str) -> str:
    """The report as ``html``, ``md`` or ``json``."""
    if form == "json":
        return json.dumps(report.as_json(), indent=2, ensure_ascii=False, allow_nan=False) + "\n"
    from loopodds.document_html import to_html
    from loopodds.document_markdown import to_markdown
    from loopodds.report_pages import document_of

    document = document_of(report)
    return to_html(document) if form == "html" else to_markdown(document)


def next_tests_of(inspection: Inspection, model: Model) -> list[Mapping[str, Any]]:
    """The best next tests as plain data."""
    from loopodds.assessment import believe, stated_context
    from loopodds.choice import json_rows, rank_tests

    context = stated_context(inspection, model.knowledge)
    return list(json_rows(rank_tests(believe(inspection, model), context=context), TESTS))
