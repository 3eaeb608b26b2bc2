"""A plan of tests as a small tree: do this; if you see that, do this next."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, NamedTuple

from loopodds import lowered, plan_at, seen_at, sentence
from rich.text import Text

from loopodds_cli.pages.page import FAINT, STRONG, Page, percent
from loopodds_cli.pages.wording import changed_plan, duration, money

if TYPE_CHECKING:
    from loopodds import Assessment, Branch, Knowledge, State

WAYS = 4
DEPTH = 3
"""Columns that each step is set in."""


class Way(NamedTuple):
    """Outcomes with the same consequence: a further test, or a plan (words against the present)."""

    chance: float
    rows: list[int]
    plan: str
    after: State | None


def print_sequence(page: Page, result: Assessment) -> None:
    """Write the tree of the plan."""
    policy, currency = result.policy, result.currency
    saves = money(policy.saves, currency)
    note = f"{policy.depth} tests ahead, saves {saves}; plans as they would then stand"
    page.heading("In turn", note)
    _step(page, result, policy.root, 0)
    if policy.gap >= 0.5:
        missing = money(min(policy.gap, _ceiling(result)), currency)
        said = f"the best sequence of {policy.depth} tests could save {missing} more, at most"
        page.line(Text(said, FAINT), indent=2)


def _ceiling(result: Assessment) -> float:
    """What any testing at all could save beyond this plan, two standard errors included."""
    outlook = result.advice.outlook
    return max(0.0, outlook.saving + 2 * outlook.saving_error - result.policy.saves)


def _step(page: Page, result: Assessment, state: State, indent: int) -> None:
    branch = state.best
    if branch is None:
        return
    tests, time = result.knowledge.tests, duration(branch.move.minutes)
    titles = ", ".join(lowered(tests[step.test].title) for step in branch.move.steps)
    title = Text(sentence(titles), STRONG) + Text(f"  {time}", FAINT)
    page.rows([(" " * indent + ">", title)])
    ways = _ways(result, branch)
    for number, way in enumerate(ways):
        last = number == len(ways) - 1 and number > 0
        seen = "otherwise" if last else _seen(result, branch, way.rows)
        text = Text(f"{seen}: ") + Text(way.plan, STRONG) if way.after is None else Text(seen)
        page.rows([(f"{' ' * indent}  {percent(way.chance):>4}", text)])
        if way.after is not None:
            _step(page, result, way.after, indent + DEPTH)


def _ways(result: Assessment, branch: Branch) -> list[Way]:
    """Outcomes with the same consequence together; the most probable group last."""
    knowledge, now = result.knowledge, result.advice.best.services
    groups: dict[tuple[str, ...], list[int]] = {}
    for row in range(len(branch.chance)):
        groups.setdefault(_consequence(result, branch, row), []).append(row)
    found = []
    for key, rows in groups.items():
        rows.sort(key=lambda row: -branch.chance[row])
        after = branch.states.get(rows[0]) if key[0] == "test" else None
        plan = "" if after is not None else changed_plan(key[1:], now, knowledge)
        found.append(Way(float(branch.chance[rows].sum()), rows, plan, after))
    found.sort(key=lambda way: way.chance)
    rare, kept = found[:-WAYS], found[-WAYS:]
    if len(rare) > 1:
        merged = [row for way in rare for row in way.rows]
        chance = sum(way.chance for way in rare)
        return [Way(chance, merged, f"one of {len(rare)} other ways on", None), *kept]
    return [*rare, *kept]


def _consequence(result: Assessment, branch: Branch, row: int) -> tuple[str, ...]:
    after = branch.states.get(row)
    follow = after.best if after is not None else None
    if follow is not None:
        return ("test", *(step.test for step in follow.move.steps))
    return ("plan", *sorted(plan_at(result.shop, branch, row)))


def _seen(result: Assessment, branch: Branch, rows: Sequence[int]) -> str:
    """What the most probable outcomes of a group have in sight."""
    told = list(dict.fromkeys(_odd(result, branch, row) for row in rows))
    more = f"; or {len(told) - 2} more" if len(told) > 2 else ""
    return "; or ".join(told[:2]) + more


def _odd(result: Assessment, branch: Branch, row: int) -> str:
    """What is unusual in one outcome."""
    knowledge = result.knowledge
    states = seen_at(result.shop, branch, row)
    odd = [
        f"{lowered(knowledge.node(name).title)} {state.replace('_', ' ')}"
        for name, state in states.items()
        if state != _usual(name, knowledge)
    ]
    return ", ".join(odd[:3]) if odd else "nothing unusual"


def _usual(name: str, knowledge: Knowledge) -> str:
    """The state that is no news: the first, or the middle word of a gauge."""
    states = knowledge.node(name).states
    return "normal" if "normal" in states else states[0]
