"""The page of ``loopodds next``: what to do, why, how long, what to be careful of, what then."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import TYPE_CHECKING, NamedTuple

from loopodds import lowered, seen_at, sentence, spaced, title_of
from rich.text import Text

from loopodds_cli.screen.head import put_outlook, put_title
from loopodds_cli.screen.page import (
    FAINT,
    STRONG,
    Cell,
    Page,
    changed_plan,
    duration,
    fault_text,
    money,
    net,
    percent,
    put_shares,
    rest_text,
    signed,
    step_shares,
    tests_text,
    unit_of,
)
from loopodds_cli.screen.stops import put_cautions, put_stops_further

if TYPE_CHECKING:
    from loopodds import Assessment, Branch, Knowledge, RankedTest, State, Untold

WAYS = 4
DEPTH = 3
"""Columns that each step of a sequence is set in."""
ALSO = 5
ENGINE = {"off": "engine off", "running": "engine running", "any": ""}


def print_next(result: Assessment, brief: bool = False) -> None:
    """Write the page to standard output; ``brief`` leaves out all but the step and its dangers."""
    page = Page()
    put_title(page, result)
    page.line("")
    worth = [one for one in result.untold if round(one.worth) > 0]
    before = bool(worth) and worth[0].worth > result.policy.saves
    if before:
        _tell(page, result, worth, "first")
    best = result.policy.best
    if result.settling:
        _settle(page, result)
    elif best is None:
        _stop(page, result)
    else:
        _do(page, result, best)
    page.line("")
    put_outlook(page, result, "next")
    if worth and not before:
        page.line("")
        _tell(page, result, worth, "too")
    _beware(page, result)
    if brief:
        return
    put_stops_further(page, result.stops, result.knowledge)
    if best is not None and not result.settling:
        _later(page, result)
    _others(page, result)
    _in_range(page, result)
    _waiting(page, result)
    if best is not None and not result.settling and result.policy.depth > 1:
        _sequence(page, result)
    _left_out(page, result)
    _closed(page, result)


def _tell(page: Page, result: Assessment, worth: Sequence[Untold], when: str) -> None:
    """Conditions that were not stated and are worth a look."""
    titles = [f"{lowered(o.title)} ({money(o.worth, result.currency)})" for o in worth]
    page.marked("?", f"Tell {when}: {', '.join(titles)}.")
    if when == "first":
        page.line("")


def _settle(page: Page, result: Assessment) -> None:
    """What comes before every other test: to find out whether a stop can be lifted."""
    first, *more = result.settling
    test, step = result.knowledge.tests[first], result.shop.step(first)
    rest = [f"then: {tests_text(more, result.knowledge)}"] if more else []
    time = [duration(step.minutes), ENGINE[test.engine], *step_shares([step], result)]
    why = "why: it may lift the stop"
    page.headline(test.title, ", ".join(filter(None, time)), why, *rest)


def _beware(page: Page, result: Assessment) -> None:
    """Cautions of the step to do now, in full beside it."""
    beware = result.beware_of(result.to_test[:1], page.said)
    if any(beware):
        page.line("")
        put_cautions(page, beware)


def _later(page: Page, result: Assessment) -> None:
    """Cautions of what the step opens on the way, less those said already."""
    steps = result.policy.steps
    later = result.beware_of(steps, [*page.said, *result.cautions_of(steps[:1])])
    if any(later):
        page.heading("Then")
        put_cautions(page, later)


def _do(page: Page, result: Assessment, best: Branch) -> None:
    knowledge = result.knowledge
    first, rest = best.move.steps[0], best.move.steps[1:]
    test = knowledge.tests[first.test]
    time = [duration(first.minutes), ENGINE[test.engine], *step_shares([first], result)]
    unread = next((r.unread for r in result.tests if r.test == first.test), ())
    left = rest_text(unread, knowledge)
    lines: list[Cell] = [", ".join(part for part in (*time, left) if part)]
    if rest:
        titles = tests_text((step.test for step in rest), knowledge)
        whole = ", ".join([f"{duration(best.move.minutes)} in all", *step_shares(rest, result)])
        lines.append(f"then, if all is well: {titles}; {whole}")
    saves, cost = result.policy.saves, "their cost" if rest else "its cost"
    if round(best.debt) > 0:
        cost += f" and {money(best.debt, result.currency)} to fill the loop again"
    lines += [*_why(result, best), f"worth {money(saves, result.currency)} after {cost}"]
    page.headline(test.title, *lines)


def _why(result: Assessment, best: Branch) -> Iterator[str]:
    knowledge = result.knowledge
    target = next(test for test in result.tests if test.test == best.move.test)
    told = " and ".join(fault_text(name, knowledge) for name in target.about)
    opens = len(best.move.steps) > 1
    reasons = [f"opens {tests_text([target.test], knowledge)}"] if opens else []
    reasons += [f"tells most about {told}"] if told else []
    if reasons:
        yield f"why: {', which '.join(reasons)}"
    if result.changes_plan > 0:
        yield f"would change the plan: estimated {percent(result.changes_plan)}"


def _stop(page: Page, result: Assessment) -> None:
    outlook, currency = result.advice.outlook, result.currency
    page.headline(
        "Stop testing",
        "no test that is left, and no two of them, would save more than they cost",
        f"all of them together, for nothing, would save {money(outlook.saving, currency)} on "
        f"average and leave the plan as it is: estimated {percent(outlook.same)}",
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
    note = f"each alone, after its cost, {unit_of(result.currency)}"
    page.heading("Also worth it" if paying else "Not worth it now", note)
    page.rows([_row(test, result.knowledge) for test in shown], right=[1, 2, 3])
    put_shares(page, shown, result.knowledge)
    _standing(page, result)
    more, idle = len(paying) - len(shown), len(rest) - len(paying)
    said = [f"{more} more {'pays' if more == 1 else 'pay'} less"] * (more > 0)
    said += [f"{idle} {'does' if idle == 1 else 'do'} not pay now"] * (idle > 0)
    if paying and said:
        page.aside("; ".join(said))


def _standing(page: Page, result: Assessment) -> None:
    """What is taken to stand, so that no minutes are told for it: somebody may have ended it."""
    stands, known = result.shop.progress.standing, result.knowledge.set_ups.items()
    titles = [lowered(one.title) for name, one in known if name in stands and not one.at_start]
    if titles:
        page.aside(f"taken to stand, as the tests were entered: {', '.join(titles)}")


def _in_range(page: Page, result: Assessment) -> None:
    """Whether the best single test is the same for all that the fault in doubt could be."""
    found = result.next_in_range
    if found is None:
        return
    title = title_of(found.condition, result.knowledge).lower()
    if found.same:
        test = "the best single test is the same" if found.low else "no single test pays"
        page.aside(f"{test} anywhere in the range of {title}")
        return
    ends = [
        f"{tests_text(tests[-1:], result.knowledge) or 'none'} at the {word} end of {title}"
        for word, tests in (("low", found.low), ("high", found.high))
    ]
    page.aside(f"the best single test: {', '.join(ends)}")


def _left_out(page: Page, result: Assessment) -> None:
    """What was not worked out, to bound the work."""
    knowledge = result.knowledge
    if result.policy.left_out:
        page.aside(
            f"{result.policy.left_out:,} outcomes that may pay were not looked into: on this car "
            "that is more than is worked out"
        )
    for test in result.tests:
        if test.unjudged:
            title = sentence(tests_text([test.test], knowledge))
            first, *more = (lowered(knowledge.node(name).title) for name in test.unjudged)
            rest = f" and {len(more)} more" if more else ""
            page.aside(f"{title} is judged without {first}{rest}: together it is too much")


def _waiting(page: Page, result: Assessment) -> None:
    """What pays too but would make other paying tests impossible."""
    knowledge = result.knowledge
    waiting = {test.test for test in result.tests if test.waits_for} - {*result.policy.steps}
    for test in result.tests:
        behind = waiting.intersection(test.blocked_by)
        if test.test in waiting and not behind and round(test.net_value) > 0:
            last = f"Last: {tests_text([test.test], knowledge)} ({signed(test.net_value)})"
            page.aside(f"{last}; it makes impossible: {_first_of(test.waits_for, knowledge)}.")


def _row(test: RankedTest, knowledge: Knowledge) -> list[Cell]:
    title = knowledge.tests[test.test].title
    if test.blocked_by:
        title += f" (after {_first_of(test.blocked_by, knowledge)})"
    if test.unread:
        title += f" ({rest_text(test.unread, knowledge)})"
    return [title, duration(test.minutes), f"{test.bits:.2f} bit", net(test)]


def _first_of(tests: Sequence[str], knowledge: Knowledge) -> str:
    more = f" and {len(tests) - 1} more" if len(tests) > 1 else ""
    return tests_text(tests[:1], knowledge) + more


def _closed(page: Page, result: Assessment) -> None:
    reasons: dict[str, list[str]] = {}
    said = {lowered(stop.title) for stop in result.stops}
    for test, why in (closed for closed in result.shop.closed if closed.why not in said):
        reasons.setdefault(why, []).append(test)
    if reasons:
        page.heading("Shut", "and why")
    for why, tests in reasons.items():
        titles = Text(tests_text(tests, result.knowledge), FAINT)
        page.line(f"{sentence(why)}:", titles, indent=2)


class _Way(NamedTuple):
    """Outcomes with the same consequence: a further test, or a plan (words against the present)."""

    chance: float
    rows: list[int]
    plan: str
    after: State | None


def _sequence(page: Page, result: Assessment) -> None:
    """The tests ahead as a small tree: do this; if you see that, do this next."""
    policy, currency = result.policy, result.currency
    saves = money(policy.saves, currency)
    note = f"{policy.depth} tests ahead, saves {saves}; plans as they would then stand"
    page.heading("In turn", note)
    _step(page, result, policy.root, 0)
    if policy.gap >= 0.5:
        outlook = result.advice.outlook
        # what any testing at all could save beyond this plan, two standard errors included
        ceiling = max(0.0, outlook.saving + 2 * outlook.saving_error - policy.saves)
        missing = money(min(policy.gap, ceiling), currency)
        page.aside(f"the best sequence of {policy.depth} tests could save {missing} more, at most")


def _step(page: Page, result: Assessment, state: State, indent: int) -> None:
    branch = state.best
    if branch is None:
        return
    titles = tests_text((step.test for step in branch.move.steps), result.knowledge)
    time = Text(f"  {duration(branch.move.minutes)}", FAINT)
    page.rows([(" " * indent + ">", Text(sentence(titles), STRONG) + time)])
    ways = _ways(result, branch)
    for number, way in enumerate(ways):
        last = number == len(ways) - 1 and number > 0
        seen = "otherwise" if last else _seen(result, branch, way.rows)
        text = Text(f"{seen}: ") + Text(way.plan, STRONG) if way.after is None else Text(seen)
        page.rows([(f"{' ' * indent}  {percent(way.chance):>4}", text)])
        if way.after is not None:
            _step(page, result, way.after, indent + DEPTH)


def _ways(result: Assessment, branch: Branch) -> list[_Way]:
    """Outcomes with the same consequence together; the most probable group last."""
    knowledge, now = result.knowledge, result.advice.best.services
    groups: dict[tuple[str, ...], list[int]] = {}
    for row in range(len(branch.chance)):
        groups.setdefault(_consequence(result, branch, row), []).append(row)
    ways = []
    for key, rows in groups.items():
        rows.sort(key=lambda row: -branch.chance[row])
        after = branch.states.get(rows[0]) if key[0] == "test" else None
        plan = "" if after is not None else changed_plan(key[1:], now, knowledge)
        ways.append(_Way(float(branch.chance[rows].sum()), rows, plan, after))
    ways.sort(key=lambda way: way.chance)
    rare, kept = ways[:-WAYS], ways[-WAYS:]
    if len(rare) > 1:
        merged = [row for way in rare for row in way.rows]
        chance = sum(way.chance for way in rare)
        return [_Way(chance, merged, f"one of {len(rare)} other ways on", None), *kept]
    return [*rare, *kept]


def _consequence(result: Assessment, branch: Branch, row: int) -> tuple[str, ...]:
    after = branch.states.get(row)
    follow = after.best if after is not None else None
    if follow is not None:
        return ("test", *(step.test for step in follow.move.steps))
    return ("plan", *sorted(result.shop.plan_at(branch, row)))


def _seen(result: Assessment, branch: Branch, rows: Sequence[int]) -> str:
    """What the most probable outcomes of a group have in sight."""
    told = list(dict.fromkeys(_odd(result, branch, row) for row in rows))
    more = f"; or {len(told) - 2} more" if len(told) > 2 else ""
    return "; or ".join(told[:2]) + more


def _odd(result: Assessment, branch: Branch, row: int) -> str:
    """What is unusual in one outcome."""
    odd = []
    for name, state in seen_at(result.shop, branch, row).items():
        node = result.knowledge.node(name)
        # no news is the first state, or the middle word of a gauge
        if state != ("normal" if "normal" in node.states else node.states[0]):
            odd.append(f"{lowered(node.title)} {spaced(state)}")
    return ", ".join(odd[:3]) or "nothing unusual"
