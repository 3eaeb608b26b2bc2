"""The page of ``loopodds assess``: the answer first, then why, then what could still change it."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

from loopodds import SOUND, groups_of, sentence, title_of, with_state
from rich.text import Text

from loopodds_cli.screen.events import plain
from loopodds_cli.screen.head import put_outlook, put_title, put_verdict
from loopodds_cli.screen.page import (
    FAINT,
    STRONG,
    Cell,
    Page,
    duration,
    evidence,
    factor,
    fault_text,
    net,
    observed,
    percent,
    plan_texts,
    put_shares,
    services_text,
    test_title,
    tests_text,
    unit_of,
)
from loopodds_cli.screen.stops import put_stops_further

if TYPE_CHECKING:
    from loopodds import Assessment, CountNext, PlanInRange

SHOWN_FROM = 0.05
DOUBTS_SHOWN = 4
SHOWN_AT_MOST = 8
SECOND_FAULT_FROM = 0.30
COMBINATIONS = 4
REASONS = 4
AUDIBLE_DECIBANS = 1.0
CONFLICT_BITS = 0.5


def print_assessment(result: Assessment, brief: bool = False) -> None:
    """Write the page to standard output; ``brief``: the answer and its dangers alone."""
    page = Page()
    put_title(page, result)
    page.line("")
    put_verdict(page, result)
    page.line("")
    put_outlook(page, result, "verdict")
    if result.cautions:
        page.heading("Beware")
    page.warn(result.cautions)
    if brief:
        return
    put_stops_further(page, result.stops, result.knowledge)
    _ranking(page, result)
    _ruled_out(page, result)
    _doubt(page, result)
    _combinations(page, result)
    _reasons(page, result)
    _conflict(page, result)
    _tests(page, result)
    _unseen(page, result)
    told = [plain(text, result.knowledge) for text in result.warnings]
    page.listed("About this inspection", "-", told)


def _ranking(page: Page, result: Assessment) -> None:
    """Conditions and the sound car in one order, each with its bar and its mark of before."""
    note = f"{page.stroke} is where it stood before looking"
    page.heading("How likely", f"{note}, * rose most" if result.moved_most else note)
    entries = [("", result.p_sound, result.p_sound_before, "Nothing wrong at all")]
    likely = [c for c in result.conditions if c.probability >= SHOWN_FROM] or [result.conditions[0]]
    for c in likely:
        mark = "*" if c.name == result.moved_most else ""
        entries.append((mark, c.probability, c.prior, sentence(with_state(c, result.knowledge))))
    entries.sort(key=lambda entry: -entry[1])
    shown = entries[:SHOWN_AT_MOST] + [entry for entry in entries[SHOWN_AT_MOST:] if entry[0]]
    rows: list[Sequence[Cell]] = [
        (percent(now), mark, page.bar(now, before), title, Text(f"was {percent(before)}", FAINT))
        for mark, now, before, title in shown
    ]
    page.rows(rows if result.moved_most else [(row[0], *row[2:]) for row in rows], right=[0])


def _ruled_out(page: Page, result: Assessment) -> None:
    """One line: what the evidence has made negligible, as many as fit."""
    titles = [fault_text(name, result.knowledge) for name in result.ruled_out]
    if titles:
        page.heading("As good as ruled out", "each below 1 %")
        page.line(_as_many_as_fit(titles, page.width - 2), indent=2)


def _doubt(page: Page, result: Assessment) -> None:
    """How far the leading probabilities could lie, what that does to the plan, what to count."""
    page.heading("How sure", "for the weights of the numbers behind it; a wrong network it misses")
    for name, interval in list(result.leading_doubts.intervals.items())[:DOUBTS_SHOWN]:
        now = result.p_sound if name == SOUND else result.belief.condition(name)
        low, high = percent(interval.low), percent(interval.high)
        ends = f", could be {low} to {high}" if low != high else ""
        page.line(f"{title_of(name, result.knowledge)} {percent(now)}{ends}", indent=2)
    plan = result.plan_in_range
    if plan is not None:
        page.line(in_range(plan, result), indent=2)
    count = result.leading_doubts.count_next(result.most_open)
    if count is not None:
        node = result.knowledge.nodes[count.node].title
        page.line(f"to be surer: count {node.lower()} {count.about}", indent=2)
        page.aside(_counted(count), indent=4)


def in_range(plan: PlanInRange, result: Assessment) -> str:
    """Whether the plan is the same anywhere in a range, or at which end it changes."""
    title = title_of(plan.condition, result.knowledge)
    if plan.same:
        return f"the advice is the same anywhere in the range of {title.lower()}"
    now = set(result.shop.best.actions)
    ends = []
    for word, services in (("low", plan.low), ("high", plan.high)):
        if set(services) != now:
            text = services_text(services, result.knowledge) if services else "nothing"
            ends.append(f"at the {word} end of {title.lower()}: {text}")
    return f"the advice changes {'; '.join(ends)}"


def _counted(count: CountNext) -> str:
    share = f"{percent(count.share)} of the doubt, weight {count.weight:.4g} cars"
    if count.lists == 1:
        return f"{share}; {count.cars:,.0f} cars would halve it"
    more = f"{count.lists} such lists, this first, on {count.cars:,.0f} cars each"
    return f"{share}; counting {more} would halve it"


def _as_many_as_fit(words: Sequence[str], width: int) -> str:
    """Words joined by commas in one line; the rest as a count."""
    for shown in range(len(words), 0, -1):
        rest = len(words) - shown
        line = ", ".join(words[:shown]) + (f" and {rest} more" if rest else "")
        if len(line) <= width:
            return line
    return f"{len(words)} of them"


def _combinations(page: Page, result: Assessment) -> None:
    """Whole explanations, when one fault alone may not be all of it."""
    several = sum(c.probability >= SECOND_FAULT_FROM for c in result.conditions) > 1
    if not several and len(result.combinations[0].conditions) < 2:
        return
    page.heading("Taken together", "exactly these and nothing else")
    rows = []
    for combination in result.combinations[:COMBINATIONS]:
        titles = [fault_text(name, result.knowledge) for name in combination.conditions]
        rows.append((percent(combination.probability), " + ".join(titles) or "nothing wrong"))
    page.rows(rows, right=[0])


def _reasons(page: Page, result: Assessment) -> None:
    """For each leading condition what speaks for and against it, in words and in bits."""
    if not any(result.moved_by.values()):
        return
    page.heading("Why", "1 bit doubles the odds or halves them; all others being known")
    odds = {c.name: (c.probability, c.prior) for c in result.conditions}
    odds[SOUND] = (result.p_sound, result.p_sound_before)
    for name, weights in result.moved_by.items():
        told = [w for w in weights if abs(w.decibans) >= AUDIBLE_DECIBANS][:REASONS]
        course = _course(*odds[name], len(told), len(weights))
        page.title(title_of(name, result.knowledge), course)
        rows: list[Sequence[Cell]] = []
        for weight in told:
            said = observed(weight.name, result.recorded[weight.name], result.knowledge)
            rows.append((*evidence(weight.decibans), said))
        page.rows(rows, right=[1])


def _course(now: float, before: float, told: int, weights: int) -> str:
    """From where to where the evidence took something, and how much of it is not listed."""
    course = f"{percent(before)} to {percent(now)}"
    if not told:
        return f"({course}; no single observation moves it much)"
    rest = weights - told
    return f"({course}; {rest} more move it less)" if rest else f"({course})"


def _conflict(page: Page, result: Assessment) -> None:
    """Pairs that hardly go together, when all of it taken together does not either."""
    if result.conflict.bits < CONFLICT_BITS:
        return
    page.heading("Does not fit together", "look again, or think of a rarer cause")
    pairs = [pair for pair in result.conflict.between if pair[2] >= CONFLICT_BITS]
    for *names, bits in pairs[:3]:
        said = [observed(name, result.recorded[name], result.knowledge) for name in names]
        page.marked("?", "  but  ".join(said))
        page.line(f"together {factor(2**bits)} times rarer than by chance", indent=5)
    if not pairs:
        rarer = f"{factor(2**result.conflict.bits)} times rarer than by chance."
        page.line(f"No two clash, but all together are {rarer}", indent=2)


def _tests(page: Page, result: Assessment) -> None:
    """The best tests, and what would be done to the car if nothing more were tested."""
    tests, knowledge = result.next_tests, result.knowledge
    pays = any(test.pays for test in tests)
    rows: list[Sequence[Cell]] = []
    if pays:
        saves = f"what each saves, less its cost, {unit_of(result.currency)}"
        page.heading("What to test next", saves)
    elif tests:
        page.heading("Further tests", "none pays for itself alone; these tell most for their time")
    for test in tests:
        row: Sequence[Cell] = (test_title(test, knowledge), duration(test.minutes))
        rows.append((*row, net(test)) if pays else row)
    page.rows(rows, right=[1, 2])
    put_shares(page, tests, knowledge)
    for test in tests:
        if test.blocked_by:
            first = tests_text(test.blocked_by, knowledge)
            page.line(f"{knowledge.tests[test.test].title} only after: {first}", indent=2)
    if result.plan is not None:
        page.heading("Plan as things stand", "test first" if pays else "")
        page.line(Text(sentence(services_text(result.plan.services, knowledge)), STRONG), indent=2)
        page.line("; ".join(plan_texts(result.plan, result.currency)), indent=2)


def _unseen(page: Page, result: Assessment) -> None:
    """What was not looked at: groups begun, with what is left of each, then groups untouched."""
    if not result.unseen:
        return
    page.heading("Not looked at", "which is not the same as absent")
    begun, untouched = [], []
    for group, names in groups_of(result.knowledge).items():
        unseen = [result.knowledge.node(name) for name in names if name in result.unseen]
        left = [node.title.lower() for node in unseen]
        if len(left) == len(names):
            untouched.append(f"{group} ({len(names)})")
        elif left:
            begun.append((f"{sentence(group)}:", left))
    margin = max((len(group) for group, _ in begun), default=0) + 4
    page.rows([(group, _as_many_as_fit(left, page.width - margin)) for group, left in begun])
    if untouched:
        page.line(f"Nothing yet of: {', '.join(untouched)}", indent=2)
