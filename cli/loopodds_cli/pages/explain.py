"""The page of ``loopodds explain``: the weights first, then what could turn them."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from typing import TYPE_CHECKING, TypeVar

from loopodds import condition_title, spaced
from rich.text import Text

from loopodds_cli.pages.page import (
    AGAINST,
    CAUTION,
    FAINT,
    FOR,
    STRONG,
    Cell,
    Page,
    chance_word,
    factor,
    percent,
)
from loopodds_cli.pages.wording import changed_plan, services_text

if TYPE_CHECKING:
    from loopodds import (
        Assessment,
        Explanation,
        Knowledge,
        PlanTurn,
        Shares,
        Turn,
        TurningPoint,
    )

Point = TypeVar("Point", "TurningPoint", "PlanTurn")

HALF_BAR = 9
SHARES = 9
CONTRAST = 5
AUDIBLE_DECIBANS = 0.5
SUSPICIOUS_FACTOR = 3.0
UNSEEN, SEEN = 6, 4
NOT_SEEN, SEEN_OTHERWISE = "any of these, not looked at so far,", "any of these, seen otherwise,"


def print_explanation(
    result: Assessment, found: Explanation, numbers: Sequence[Turn] | None = None
) -> None:
    """Write the whole page to standard output.

    Args:
        found: Of one condition.
        numbers: Numbers of the knowledge that could turn the verdict; a section only where given.
    """
    page, knowledge, recorded = Page(), result.knowledge, result.recorded
    title = condition_title(found.condition, knowledge)
    page.line(Text(result.case, STRONG))
    page.line("")
    before = f"(before looking: {percent(found.before)})"
    page.headline(title, f"{chance_word(found.now)}, {percent(found.now)}  {before}")
    _weights(page, found.shares, recorded, knowledge)
    _contrast(page, found, recorded, knowledge)
    _misreading(page, found, recorded, knowledge)
    _turning_points(page, found.turning_points, knowledge)
    if result.plan is not None:
        _plan_turns(page, result.shop.best.actions, result.plan_turns, knowledge)
    if numbers is not None:
        _numbers(page, numbers, knowledge)


def _weights(page: Page, shares: Shares, recorded: Mapping[str, str], knowledge: Knowledge) -> None:
    page.heading("For and against", "decibans, averaged over all orders; 3 double the odds")
    rows: list[Sequence[Cell]] = [
        (_decibans(shares.before), "", Text("before anything was seen", FAINT))
    ]
    rows += _share_rows(page, shares, SHARES, recorded, knowledge)
    rows.append((Text(_decibans(shares.after), STRONG), "", Text("now", STRONG)))
    page.rows(rows, right=[0])
    if shares.orders:
        error = max(share.standard_error for share in shares.shares)
        note = f"Shares from {shares.orders} sampled orders, standard error {error:.2f} at most."
        page.line(Text(note, FAINT), indent=2)


def _share_rows(
    page: Page,
    shares: Shares,
    most: int,
    recorded: Mapping[str, str],
    knowledge: Knowledge,
) -> list[Sequence[Cell]]:
    """The strongest shares with their bars, the rest as one line."""
    told = [s for s in shares.shares if abs(s.decibans) >= AUDIBLE_DECIBANS][:most]
    rest = [share for share in shares.shares if share not in told]
    largest = max((abs(share.decibans) for share in told), default=1.0)
    rows: list[Sequence[Cell]] = []
    for share in told:
        style = FOR if share.decibans > 0 else AGAINST
        said = f"{knowledge.node(share.name).title}: {spaced(recorded[share.name])}"
        bar = signed_bar(share.decibans / largest, page.plain)
        rows.append((Text(_decibans(share.decibans), style), Text(bar, style), said))
    if rest:
        total = sum(share.decibans for share in rest)
        count = f"{len(rest)} more together" if told else f"all {len(rest)} together"
        rows.append((_decibans(total), "", Text(count, FAINT)))
    return rows


def _decibans(amount: float) -> str:
    return f"{round(amount, 1) + 0.0:+.1f}"


def signed_bar(share: float, plain: bool) -> str:
    """A bar to the right of the middle for what speaks for, to the left for what speaks against.

    Examples:
    >>> signed_bar(-0.5, True)
    '     ####|         '
    """
    full, middle = ("#", "|") if plain else ("█", "│")
    cells = max(1, round(abs(share) * HALF_BAR))
    left = (full * cells).rjust(HALF_BAR) if share < 0 else " " * HALF_BAR
    right = (full * cells).ljust(HALF_BAR) if share > 0 else " " * HALF_BAR
    return f"{left}{middle}{right}"


def _contrast(
    page: Page, found: Explanation, recorded: Mapping[str, str], knowledge: Knowledge
) -> None:
    rival = condition_title(found.rival, knowledge).lower()
    page.heading(f"Why not {rival}", f"{percent(found.rival_now)}; what tells the two apart")
    rows = _share_rows(page, found.contrast, CONTRAST, recorded, knowledge)
    page.rows(rows or [("Nothing recorded tells them apart.",)], right=[0] if rows else [])


def _misreading(
    page: Page, found: Explanation, recorded: Mapping[str, str], knowledge: Knowledge
) -> None:
    """The finding whose misreading would let everything else fit, if one stands out."""
    if not found.suspects or found.suspects[0].factor < SUSPICIOUS_FACTOR:
        return
    suspect = found.suspects[0]
    node = knowledge.node(suspect.name)
    page.heading("Does it fit together", "if one thing was misread")
    said = f"{node.title}: {spaced(recorded[suspect.name])}"
    rather = f"{spaced(suspect.rather)} ({percent(suspect.rather_probability)})"
    text = f"{said}. The rest would lead one to expect: {rather}."
    if found.culprit is not None:
        page.marked("!", f"{text} If it was misread, everything else fits: look again.")
        page.line(f"misread: {percent(suspect.probability)}", indent=5)
        return
    page.marked("?", text, CAUTION)
    page.line(
        f"{factor(suspect.factor)} times better explained by a misreading, which is rare; "
        f"misread: {percent(suspect.probability)}",
        indent=5,
    )


def _turning_points(page: Page, points: Sequence[TurningPoint], knowledge: Knowledge) -> None:
    page.heading("What would change the mind", "any one of these alone")
    _by_consequence(
        page, points, knowledge,
        lambda p: f"would put {condition_title(p.verdict, knowledge).lower()} first:",
    )  # fmt: skip


def _by_consequence(
    page: Page, points: Sequence[Point], knowledge: Knowledge, then: Callable[[Point], str]
) -> None:
    """What is unseen, then what was seen otherwise, under what each would bring about."""
    if not points:
        page.line("No single further look and no single other reading.", indent=2)
    unseen = [point for point in points if not point.recorded][:UNSEEN]
    seen = [point for point in points if point.recorded][:SEEN]
    for about, group in ((NOT_SEEN, unseen), (SEEN_OTHERWISE, seen)):
        for consequence in dict.fromkeys(map(then, group)):
            page.line(Text(f"{about} {consequence}", FAINT), indent=2)
            page.rows(
                [_point_row(p, knowledge) for p in group if then(p) == consequence], right=[0]
            )


def _point_row(point: TurningPoint | PlanTurn, knowledge: Knowledge) -> Sequence[Cell]:
    said = f"{knowledge.node(point.name).title}: {spaced(point.state)}"
    if point.recorded:
        said += f" (seen: {spaced(point.recorded)})"
    return Text(f"chance {percent(point.chance)}", FAINT), said


def _plan_turns(
    page: Page, plan: Sequence[str], turns: Sequence[PlanTurn], knowledge: Knowledge
) -> None:
    """Findings, seen and unseen, that would change the plan."""
    page.heading("What would change the plan", f"now: {services_text(plan, knowledge)}")
    _by_consequence(
        page, turns, knowledge,
        lambda turn: f"would call for: {changed_plan(turn.services, plan, knowledge)}",
    )  # fmt: skip


def _numbers(page: Page, turns: Sequence[Turn], knowledge: Knowledge) -> None:
    """Numbers of the knowledge that could turn the verdict."""
    page.heading("Numbers it hangs on", "the least far off first, each turn recomputed in full")
    if not turns:
        page.line("No single number of the knowledge is near enough to turn the verdict.", indent=2)
        return
    for turn in turns:
        dial = turn.dial
        then = condition_title(turn.rival, knowledge).lower()
        page.line(Text(f"{knowledge.node(dial.node).title}: {dial.about}"), indent=2)
        told = f"now {dial.value:.3g}, at {turn.value:.3g} {then} leads"
        grounds = f"{dial.grounds.grade}, {dial.grounds.source}"
        page.line(Text(told), Text(f" {grounds}", FAINT), indent=5)
