"""Pages and JSON of what looks after the case book: its chain, its beliefs, what was saved."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

from loopodds import printable

from loopodds_cli.screen.page import Page

if TYPE_CHECKING:
    from loopodds import Checked, Recomputed, Salvaged, Walked


def checked_json(
    damage: Sequence[str], walked: Walked, results: Sequence[Checked], saved: Salvaged | None
) -> dict[str, Any]:
    """What :func:`print_checked` and :func:`print_salvaged` show, as plain data."""
    return {
        "damage": [*damage, *walked.findings],
        "last_link": walked.last,
        "noted_link_stands": walked.noted,
        "cases": [checked._asdict() for checked in results],
        "salvaged": saved and saved._asdict(),
    }


def print_checked(
    damage: Sequence[str], walked: Walked, results: Sequence[Checked], digest: str
) -> None:
    """Whether file and chain are sound and every stored belief comes out again."""
    page = Page()
    page.title("Case book checked", f"knowledge in force: {digest}")
    page.line(f"File: {printable('; '.join(damage)) or 'sound'}")
    broken = bool(walked.findings or walked.problems)
    page.line(f"Chain: {'broken' if broken else 'sound'}, {walked.events} events, last link")
    page.line(printable(walked.last) or "none")
    compared = sum(checked.compared for checked in results)
    events = sum(checked.events for checked in results)
    largest = max((checked.difference for checked in results), default=0.0)
    page.line(f"{len(results)} cases, {events} events; {compared} stored beliefs worked out anew,")
    page.line(f"largest difference {largest:.1e}")
    older = dict.fromkeys(digest for checked in results for digest in checked.older)
    if older:
        others = sum(c.events - c.compared for c in results if c.older)
        page.marked("!", f"{others} events were recorded with other knowledge "
                    f"({', '.join(older)}): their beliefs stand as stored; "
                    "`loopodds case verify N` works them out with that knowledge")  # fmt: skip
    if not walked.noted:
        page.marked("!", "the link that was noted does not stand in the book: something before it "
                    "was changed, or it is of another book")  # fmt: skip
    for finding in walked.findings:
        page.marked("!", printable(finding))
    for checked in results:
        if checked.problem:
            page.marked("!", f"case {checked.case}: {printable(checked.problem)}")


def print_salvaged(saved: Salvaged, out: str) -> None:
    """What was saved, and what was left behind."""
    page = Page()
    page.line(f"Saved to {printable(out)}: {saved.events} events of {saved.cases} cases.")
    page.listed("Left behind", "!", [printable(text) for text in saved.left])


def verified_json(number: int, last: str, found: Sequence[Recomputed]) -> dict[str, Any]:
    """What :func:`print_verified` shows, as plain data; a difference that is none is null."""
    return {
        "case": number,
        "last_link": last,
        "verified": not any(version.problem for version in found),
        "knowledge": [version._asdict() for version in found],
    }


def print_verified(number: int, last: str, found: Sequence[Recomputed]) -> None:
    """For each version of the knowledge whether its beliefs come out again, or what is missing."""
    page = Page()
    sound = not any(version.problem for version in found)
    page.title(f"Case {number}", "verified" if sound else "not verified")
    page.line(f"last link {last}")
    for version in found:
        about = f"knowledge {version.knowledge}: {version.events} beliefs"
        if version.problem:
            page.marked("!", f"{about}: {printable(version.problem)}")
        else:
            page.line(f"{about} worked out anew, largest difference {version.difference:.1e}")
