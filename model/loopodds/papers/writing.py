"""A report as one file: the page for the customer, the record for the workshop, or both."""

import json

from loopodds.papers.content import Report
from loopodds.papers.customer import customer_blocks
from loopodds.papers.record import record_blocks
from loopodds.papers.wording import ENGLISH, Wording, read_wording
from loopodds.report.document import Document, Part, render

CUSTOMER, RECORD = "customer", "record"
PARTS = (CUSTOMER, RECORD)
ROOMY = 2240
"""Letters up to which the customer's page is set in larger type, and still is one sheet."""


def document_of(
    report: Report, say: Wording | None = None, parts: tuple[str, ...] = PARTS
) -> Document:
    """The pages as blocks; the customer's in a language, the record in English.

    Args:
        say: Words of the customer's page; English ones when left out.
        parts: Which of :data:`PARTS`; each begins on a page of its own.
    """
    say = say or read_wording(ENGLISH, report.knowledge)
    made = []
    if CUSTOMER in parts:
        blocks = [*customer_blocks(report, say)]
        role = CUSTOMER if _letters(blocks) > ROOMY else f"{CUSTOMER} roomy"
        made.append(Part(role, blocks, say.code))
    if RECORD in parts:
        made.append(Part(RECORD, [*record_blocks(report)]))
    kind = "title_repaired" if report.result.repairs else "title"
    title = say.page(kind) if CUSTOMER in parts else "Record for the workshop"
    name = report.plate or report.result.case
    return Document(f"{title}: {name}", made, language=made[0].language)


def _letters(said: object) -> int:
    """How much there is to read in some blocks."""
    if isinstance(said, str):
        return 0 if said.startswith("data:") else len(said)
    return sum(map(_letters, said)) if isinstance(said, list | tuple) else 0


def report_text(
    report: Report, form: str, say: Wording | None = None, parts: tuple[str, ...] = PARTS
) -> str:
    """The report as ``html``, ``md`` or ``json``, the last with everything whatever the parts."""
    if form == "json":
        return json.dumps(report.as_json(), indent=2, ensure_ascii=False, allow_nan=False) + "\n"
    return render(document_of(report, say, parts), form)
