"""Words of the pages about tests and services: amounts, durations, titles in a line."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

from loopodds import lowered

if TYPE_CHECKING:
    from loopodds import Knowledge, RankedTest


def money(amount: float, currency: str) -> str:
    """An amount without decimals.

    Examples:
    >>> money(1454.4, "unit"), money(1.0, "unit"), money(38.2, "EUR")
    ('1,454 units', '1 unit', '38 EUR')
    """
    word = f"{currency}s" if currency == "unit" and round(amount) != 1 else currency
    return f"{round(amount):,d} {word}"


def signed(amount: float) -> str:
    """A gain or loss without decimals; what rounds to nothing has no sign.

    Examples:
    >>> signed(1454.4), signed(-2.6), signed(0.3), signed(-0.3)
    ('+1,454', '-3', '0', '0')
    """
    return f"{round(amount):+,d}" if round(amount) else "0"


def duration(minutes: float) -> str:
    """Minutes, or hours and minutes from two hours on.

    Examples:
    >>> duration(35), duration(475)
    ('35 min', '7 h 55 min')
    """
    hours, rest = divmod(round(minutes), 60)
    return f"{hours} h {rest:02d} min" if hours >= 2 else f"{round(minutes)} min"


def services_text(services: Sequence[str], knowledge: Knowledge) -> str:
    """Titles of services in one line."""
    if not services:
        return "leave it as it is"
    return " + ".join(lowered(knowledge.services[name].title) for name in services)


def changed_plan(services: Sequence[str], now: Sequence[str], knowledge: Knowledge) -> str:
    """A plan by how it differs from the present one."""
    more = [name for name in services if name not in now]
    less = [name for name in now if name not in services]
    if len(services) == len(more):
        return services_text(services, knowledge)
    parts = ["the plan as now"]
    parts += [f"with {services_text(more, knowledge)}"] * bool(more)
    parts += [f"without {services_text(less, knowledge)}"] * bool(less)
    return "; ".join(parts)


def rest_text(unread: Sequence[str], knowledge: Knowledge) -> str:
    """What is still to be read of a test that was begun; empty where it was not."""
    if not unread:
        return ""
    more = f" and {len(unread) - 1} more" if len(unread) > 1 else ""
    return f"rest of it: {lowered(knowledge.node(unread[0]).title)}{more}"


def test_title(test: RankedTest, knowledge: Knowledge) -> str:
    """What a ranked test is called, what it opens and what is left of it."""
    title = knowledge.tests[test.test].title
    if test.opens != test.test:
        title += f", which opens: {lowered(knowledge.tests[test.opens].title)}"
    rest = rest_text(test.unread, knowledge)
    return f"{title} ({rest})" if rest else title
