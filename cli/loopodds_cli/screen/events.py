"""What an event of a case says, in the words of a screen: titles in place of names."""

from __future__ import annotations

from typing import TYPE_CHECKING

from loopodds import described, printable, spaced, value_words

from loopodds_cli.screen.shown import shown

if TYPE_CHECKING:
    from loopodds import Event, Knowledge, Value

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


def entry_text(name: str, value: Value, knowledge: Knowledge) -> str:
    """An observation with what was seen, safe to print."""
    return f"{knowledge.title(name)}: {shown(printable(value_words(value)))}"


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
        titles = ", ".join(knowledge.title(name) for name in content["services"])
        agreed = in_titles(about.removeprefix(named), knowledge)
        about = f"{titles or 'nothing'}{agreed.removeprefix('none')}"
    elif "names" in content:
        about = ", ".join(knowledge.title(name) for name in content["names"])
    elif "test" in content:
        about = knowledge.title(content["test"])
    elif event.kind == "doubted":
        value = content.get("value")
        name = content["name"]
        about = entry_text(name, value, knowledge) if value else knowledge.title(name)
    else:
        kind = content.get("kind", "")  # of what was undone or redone
        _, is_of, rest = about.partition(f"{spaced(kind)}: ")
        told = in_titles(rest if is_of else about, knowledge)
        about = f"{WHAT.get(kind, spaced(kind))}: {told}" if is_of and kind else told
    word = WHAT.get(event.kind, spaced(event.kind))
    return f"{word}: {spaced(printable(about))}" if about else word


def plain(text: str, knowledge: Knowledge) -> str:
    """A remark with titles in place of names, its readings as the workshop reads them."""
    return shown(knowledge.told(text))


def in_titles(text: str, knowledge: Knowledge) -> str:
    """A text of ``name = value``, or of refused services, with titles in place of the names."""
    parts = []
    for part in text.split(", "):
        head, colon, entry = part.rpartition(": ")
        name, sign, value = entry.partition(" = ")
        if sign:
            entry = f"{knowledge.title(name)}: {value}"
        elif (first := entry.partition(" ")[0]) in knowledge.services:
            entry = knowledge.title(first) + entry.removeprefix(first)
        parts.append(f"{head}{colon}{entry}")
    return ", ".join(parts)
