"""The page of ``loopodds explain``: the weights first, then what could turn them."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import TYPE_CHECKING, TypeVar

from loopodds import (
    BITS_PER_DECIBAN,
    bits_text,
    chance_word,
    condition_title,
    evidence_word,
    spaced,
)
from rich.text import Text

from loopodds_cli.screen.head import put_title
from loopodds_cli.screen.page import (
    AGAINST,
    FAINT,
    FOR,
    STRONG,
    Cell,
    Page,
    changed_plan,
    factor,
    fault_text,
    observed,
    percent,
    services_text,
)
from loopodds_cli.screen.stops import put_stops_further

if TYPE_CHECKING:
    from loopodds import Assessment, Explanation, Knowledge, PlanTurn, Shares, Turn, TurningPoint

Point = TypeVar("Point", "TurningPoint", "PlanTurn")

HALF_BAR = 5
SHARES = 9
CONTRAST = 5
AUDIBLE_DECIBANS = 0.5
SUSPICIOUS_FACTOR = 3.0
UNSEEN, SEEN = 6, 4
NOT_SEEN, SEEN_OTHERWISE = "any of these, not looked at so far,", "any of these, seen otherwise,"


def print_explanation(
    result: Assessment,
    found: Explanation,
    numbers: Sequence[Turn] | None = None,
    brief: bool = False,
) -> None:
    """Write the page about one condition to standard output; ``brief``: for and against alone.

    Numbers of the knowledge that could turn the verdict have a section only where given.
    """
    page, knowledge = Page(), result.knowledge
    put_title(page, result)
    page.line("")
    before = f"(before looking: {percent(found.before)})"
    page.headline(
        condition_title(found.condition, knowledge),
        f"{chance_word(found.now)}, {percent(found.now)}  {before}",
    )
    if not brief:
        put_stops_further(page, result.stops, knowledge)
    _weights(page, found.shares, result)
    if brief:
        return
    page.heading(
        f"Why not {fault_text(found.rival, knowledge)}",
        f"{percent(found.rival_now)}; what tells the two apart",
    )
    contrast = _share_rows(page, found.contrast, CONTRAST, result)
    nothing = [("Nothing recorded tells them apart.",)]
    page.rows(contrast or nothing, right=[0] if contrast else [])
    _misreading(page, found, result)
    page.heading("What would change the mind", "any one of these alone")
    _by_consequence(
        page, found.turning_points, knowledge,
        lambda point: f"would put {fault_text(point.verdict, knowledge)} first:",
    )  # fmt: skip
    if result.plan is not None:
        plan = result.shop.best.actions
        page.heading("What would change the plan", f"now: {services_text(plan, knowledge)}")
        _by_consequence(
            page, result.plan_turns, knowledge,
            lambda turn: f"would call for: {changed_plan(turn.services, plan, knowledge)}",
        )  # fmt: skip
    if numbers is not None:
        _numbers(page, numbers, knowledge)


def _weights(page: Page, shares: Shares, result: Assessment) -> None:
    page.heading(
        "For and against", "averaged over all orders; 1 bit doubles the odds or halves them"
    )
    start = (bits_text(shares.before), "", "", Text("before anything was seen", FAINT))
    end = (Text(bits_text(shares.after), STRONG), "", "", Text("now", STRONG))
    page.rows([start, *_share_rows(page, shares, SHARES, result), end], right=[0])
    if shares.orders:
        error = max(share.standard_error for share in shares.shares)
        page.aside(
            f"Shares from {shares.orders} sampled orders, standard error "
            f"{error * BITS_PER_DECIBAN:.2f} bit at most."
        )


def _share_rows(page: Page, shares: Shares, most: int, result: Assessment) -> list[Sequence[Cell]]:
    """The strongest shares with their bars, the rest as one line."""
    told = [s for s in shares.shares if abs(s.decibans) >= AUDIBLE_DECIBANS][:most]
    rest = [share for share in shares.shares if share not in told]
    largest = max((abs(share.decibans) for share in told), default=1.0)
    rows: list[Sequence[Cell]] = []
    for share in told:
        style = FOR if share.decibans > 0 else AGAINST
        said = observed(share.name, result.recorded[share.name], result.knowledge)
        bar = signed_bar(share.decibans / largest, page.plain)
        word = Text(evidence_word(share.decibans), style)
        rows.append((Text(bits_text(share.decibans), style), Text(bar, style), word, said))
    if rest:
        total = sum(share.decibans for share in rest)
        count = f"{len(rest)} more together" if told else f"all {len(rest)} together"
        rows.append((bits_text(total), "", "", Text(count, FAINT)))
    return rows


def signed_bar(share: float, plain: bool) -> str:
    """A bar to the right of the middle for what speaks for, to the left for what speaks against.

    >>> signed_bar(-0.5, True)
    '   ##|     '
    """
    full, middle = "#|" if plain else "█│"
    bar = full * max(1, round(abs(share) * HALF_BAR))
    left, right = (bar if share < 0 else ""), (bar if share > 0 else "")
    return f"{left:>{HALF_BAR}}{middle}{right:<{HALF_BAR}}"


def _misreading(page: Page, found: Explanation, result: Assessment) -> None:
    """The finding whose misreading would let everything else fit, if one stands out."""
    if not found.suspects or found.suspects[0].factor < SUSPICIOUS_FACTOR:
        return
    suspect = found.suspects[0]
    page.heading("Does it fit together", "if one thing was misread")
    said = observed(suspect.name, result.recorded[suspect.name], result.knowledge)
    rather = f"{spaced(suspect.rather)} ({percent(suspect.rather_probability)})"
    text = f"{said}. The rest would lead one to expect: {rather}."
    misread = f"misread: {percent(suspect.probability)}"
    if found.culprit is not None:
        page.marked("!", f"{text} If it was misread, everything else fits: look again.")
    else:
        page.marked("?", text)
        better = f"{factor(suspect.factor)} times better explained by a misreading, which is rare"
        misread = f"{better}; {misread}"
    page.line(misread, indent=5)


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
            page.aside(f"{about} {consequence}")
            page.rows(
                [_point_row(p, knowledge) for p in group if then(p) == consequence], right=[0]
            )


def _point_row(point: TurningPoint | PlanTurn, knowledge: Knowledge) -> Sequence[Cell]:
    was = f" (seen: {spaced(point.recorded)})" if point.recorded else ""
    said = observed(point.name, point.state, knowledge)
    return Text(f"chance {percent(point.chance)}", FAINT), f"{said}{was}"


def _numbers(page: Page, turns: Sequence[Turn], knowledge: Knowledge) -> None:
    """Numbers of the knowledge that could turn the verdict."""
    page.heading("Numbers it hangs on", "the least far off first, each turn recomputed in full")
    if not turns:
        page.line("No single number of the knowledge is near enough to turn the verdict.", indent=2)
    for turn in turns:
        dial, grounds = turn.dial, turn.dial.grounds
        page.line(f"{knowledge.node(dial.node).title}: {dial.about}", indent=2)
        then = fault_text(turn.rival, knowledge)
        told = f"now {dial.value:.3g}, at {turn.value:.3g} {then} leads"
        page.line(told, Text(f" {grounds.grade}, {grounds.source}", FAINT), indent=5)
