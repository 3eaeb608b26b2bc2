"""What an event of a case says, in the words of a screen: titles in place of names."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING

from loopodds import described, lowered, printable, spaced, value_text

from loopodds_cli.screen.shown import shown

if TYPE_CHECKING:
    from loopodds import Event, Knowledge, Value

_NAME = re.compile(r"\b[a-z][a-z0-9]*(?:_[a-z0-9]+)+\b")
WHAT = {
    "opened": "opened",
    "doubted": "doubted",
    "withdrawn": "withdrawn",
    "test_done": "test done",
    "plan_chosen": "decided on",
    "repaired": "repaired",
    "confirmed": "turned out",
    "closed": "closed",
    "undone": "undone",
    "redone": "redone",
}
"""How the kinds of event are called that do not speak for themselves."""


def name_text(name: str, knowledge: Knowledge) -> str:
    """What a name is called: an observation, a test, a service, a condition; else its words."""
    for known in (
        knowledge.nodes,
        knowledge.contexts,
        knowledge.tests,
        knowledge.services,
        knowledge.conditions,
    ):
        if name in known and (title := getattr(known[name], "title", "")):
            return str(title)
    amount = knowledge.amounts.get(name)
    return amount.amount.title if amount else spaced(name).capitalize()


def entry_text(name: str, value: Value, knowledge: Knowledge) -> str:
    """An observation with what was seen, safe to print."""
    return f"{name_text(name, knowledge)}: {shown(spaced(printable(value_text(value))))}"


def event_text(event: Event, knowledge: Knowledge) -> str:
    """What happened, safe to print.

    What undoing and redoing point at, and what was agreed, stands in the book as it was recorded.
    """
    content = event.content
    if event.kind in ("seen", "read"):
        return entry_text(content["name"], content["value"], knowledge)
    about = described(event).partition(": ")[2]
    if "services" in content:
        named = ", ".join(content["services"])
        titles = ", ".join(name_text(name, knowledge) for name in content["services"])
        agreed = in_titles(about.removeprefix(named), knowledge)
        about = f"{titles or 'nothing'}{agreed.removeprefix('none')}"
    elif "names" in content:
        about = ", ".join(name_text(name, knowledge) for name in content["names"])
    elif "test" in content:
        about = name_text(content["test"], knowledge)
    elif event.kind == "doubted":
        value = content.get("value")
        name = content["name"]
        about = entry_text(name, value, knowledge) if value else name_text(name, knowledge)
    else:
        about = in_titles(about, knowledge)
    word = WHAT.get(event.kind, spaced(event.kind))
    return f"{word}: {spaced(printable(about))}" if about else word


def plain(text: str, knowledge: Knowledge) -> str:
    """A remark with titles in place of the names that stand in it."""
    return shown(_NAME.sub(lambda match: lowered(name_text(match[0], knowledge)), text))


def in_titles(text: str, knowledge: Knowledge) -> str:
    """A text of ``name = value``, or of refused services, with titles in place of the names."""
    parts = []
    for part in text.split(", "):
        head, colon, entry = part.rpartition(": ")
        name, sign, value = entry.partition(" = ")
        if sign:
            entry = f"{name_text(name, knowledge)}: {value}"
        elif (first := entry.partition(" ")[0]) in knowledge.services:
            entry = name_text(first, knowledge) + entry.removeprefix(first)
        parts.append(f"{head}{colon}{entry}")
    return ", ".join(parts)
