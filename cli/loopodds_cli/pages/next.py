"""The page of ``loopodds next``: what to do, why, how long, what to be careful of."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING

from loopodds import condition_title, lowered, sentence
from rich.text import Text

from loopodds_cli.pages.page import AGAINST, FAINT, FOR, STRONG, Cell, Page, percent
from loopodds_cli.pages.sequence import print_sequence
from loopodds_cli.pages.wording import duration, money, rest_text, services_text, signed

if TYPE_CHECKING:
    from loopodds import Assessment, Branch, Knowledge, RankedTest

ALSO = 5
ENGINE = {"off": "engine off", "running": "engine running", "any": ""}


def print_next(result: Assessment) -> None:
    """Write the whole page to standard output."""
    page = Page()
    now = services_text(result.advice.best.services, result.knowledge)
    page.line(Text(result.case, STRONG), Text(f" best plan now: {now}", FAINT))
    page.line("")
    best = result.policy.best
    if best is None:
        _stop(page, result)
    else:
        _do(page, result, best)
        _cautions(page, result)
    _others(page, result)
    _waiting(page, result)
    if best is not None and result.policy.depth > 1:
        print_sequence(page, result)
    _closed(page, result)
    if best is not None:
        _in_full(page, result)


def _do(page: Page, result: Assessment, best: Branch) -> None:
    knowledge = result.knowledge
    first, rest = best.move.steps[0], best.move.steps[1:]
    test = knowledge.tests[first.test]
    time = [duration(first.minutes), ENGINE[test.engine]]
    if first.waiting:
        time.append(f"{duration(first.waiting)} of it waiting for one temperature")
    unread = next((r.unread for r in result.tests if r.test == first.test), ())
    left = rest_text(unread, knowledge)
    lines: list[Cell] = [", ".join(part for part in (*time, left) if part)]
    if rest:
        titles = ", ".join(lowered(knowledge.tests[step.test].title) for step in rest)
        lines.append(f"then, if all is well: {titles}; {duration(best.move.minutes)} in all")
    saves, cost = result.policy.saves, "their cost" if rest else "its cost"
    if round(best.debt) > 0:
        cost += f" and {money(best.debt, result.currency)} to fill the loop again"
    lines += [*_why(result, best), f"worth {money(saves, result.currency)} after {cost}"]
    page.headline(test.title, *lines)


def _why(result: Assessment, best: Branch) -> Iterator[str]:
    knowledge = result.knowledge
    target = next(test for test in result.tests if test.test == best.move.test)
    told = " and ".join(condition_title(name, knowledge).lower() for name in target.about)
    reasons = [f"tells most about {told}"] if told else []
    if len(best.move.steps) > 1:
        reasons.insert(0, f"opens {lowered(knowledge.tests[target.test].title)}")
    if reasons:
        yield f"why: {', which '.join(reasons)}"
    if result.changes_plan > 0:
        yield f"would change the plan in {percent(result.changes_plan)} of such cars"


def _cautions(page: Page, result: Assessment) -> None:
    """The first sentence of every caution, where it is seen at once."""
    first, then = result.cautions_in_turn
    page.line("")
    for text in first:
        page.marked("!", _first_sentence(text))
    if then:
        page.heading("Then")
        for text in then:
            page.marked("!", _first_sentence(text))


def _in_full(page: Page, result: Assessment) -> None:
    first, then = result.cautions_in_turn
    if any(_first_sentence(text) != text for text in (*first, *then)):
        page.heading("Beware", "in full")
        for text in (*first, *then):
            page.marked("!", text)


def _first_sentence(text: str) -> str:
    first, dot, _ = text.partition(". ")
    return first + "." if dot else text


def _stop(page: Page, result: Assessment) -> None:
    outlook, currency = result.advice.outlook, result.currency
    page.headline(
        "Stop testing",
        "no test that is left, and no two of them, would save more than they cost",
        f"all of them together, for nothing, would save {money(outlook.saving, currency)} on "
        f"average and leave the plan as it is in {percent(outlook.same)} of such cars",
        "what to do to the car: loopodds plan",
    )


def _others(page: Page, result: Assessment) -> None:
    """The other tests that pay, best first; how many do not."""
    # a gate is worth what it opens, which has its own line, as has what waits
    other = [test for test in result.tests if test.test not in result.policy.steps]
    rest = [test for test in other if test.opens == test.test and not test.waits_for]
    if not rest:
        return
    paying = [test for test in rest if round(test.net_value) > 0]
    shown = paying[:ALSO] if paying else rest[:2]
    page.heading("Also worth it" if paying else "Not worth it now", "each alone, after its cost")
    page.rows([_row(test, result.knowledge) for test in shown], right=[1, 2, 3])
    more, idle = len(paying) - len(shown), len(rest) - len(paying)
    said = [f"{more} more {'pays' if more == 1 else 'pay'} less"] * (more > 0)
    said += [f"{idle} {'does' if idle == 1 else 'do'} not pay now"] * (idle > 0)
    if paying and said:
        page.line(Text("; ".join(said), FAINT), indent=2)


def _waiting(page: Page, result: Assessment) -> None:
    """What pays too but would make other paying tests impossible."""
    tests = result.knowledge.tests
    waiting = {test.test for test in result.tests if test.waits_for} - {*result.policy.steps}
    for test in result.tests:
        behind = waiting.intersection(test.blocked_by)
        if test.test in waiting and not behind and round(test.net_value) > 0:
            named = lowered(tests[test.waits_for[0]].title)
            more = f" and {len(test.waits_for) - 1} more" if len(test.waits_for) > 1 else ""
            last = f"Last: {lowered(tests[test.test].title)} ({signed(test.net_value)})"
            page.line(Text(f"{last}; it makes impossible: {named}{more}.", FAINT), indent=2)


def _row(test: RankedTest, knowledge: Knowledge) -> list[Cell]:
    title = knowledge.tests[test.test].title
    if test.blocked_by:
        title += f" (after {lowered(knowledge.tests[test.blocked_by[0]].title)}"
        title += f" and {len(test.blocked_by) - 1} more)" if len(test.blocked_by) > 1 else ")"
    rest = rest_text(test.unread, knowledge)
    title += f" ({rest})" if rest else ""
    net = Text(signed(test.net_value), FOR if test.pays else AGAINST)
    return [title, duration(test.minutes), f"{test.bits:.2f} bit", net]


def _closed(page: Page, result: Assessment) -> None:
    reasons: dict[str, list[str]] = {}
    for test, why in result.shop.closed:
        reasons.setdefault(why, []).append(lowered(result.knowledge.tests[test].title))
    if reasons:
        page.heading("Shut", "and why")
    for why, titles in reasons.items():
        page.line(f"{sentence(why)}:", Text(", ".join(titles), FAINT), indent=2)
