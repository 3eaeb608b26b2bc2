"""What is asked of every screen about one car, by tests and by the look at all of them."""

from __future__ import annotations

import re
from collections.abc import Iterator
from functools import cache

from loopodds import SOUND, Knowledge

HEAD = {"assess": ("Next", "Plan"), "next": ("Verdict", "Plan"), "plan": ("Verdict",)}
"""Lines that stand in the first screen beside the headlines, which come before them."""
SCREEN = 24
RIBBON_LINES, RIBBON_WIDTH, RIBBON_INDENT = 3, 21, 24
_NAME = re.compile(r"\b[a-z0-9]+(?:_[a-z0-9]+)+\b")
_ONE_WORD = re.compile(r"(?:[:;,\-] | for )([a-z]+)(?=[,:;]| (?:is|was) not | = |: )")
_SECTION = re.compile(r"\[(?:readings|findings|conditions|history)\]")


def faults_of(command: str, case: str, text: str, width: int = 80) -> list[str]:
    """What is wrong with a page of ``assess``, ``next`` or ``plan``; nothing where it is in order.

    The answer has to stand in the first screen where that has 80 columns.
    """
    lines = text.splitlines()
    found = [f"too wide: {line}" for line in lines if len(line) > width]
    found += [f"a ribbon: {line.strip()}" for line in ribbons(lines)]
    found += [f"a raw name: {name}" for name in raw_names(text, case)]
    if width == 80:
        first = "\n".join(lines[:SCREEN])
        for word in HEAD[command]:
            # where no test is left there is nothing to do next
            if f"\n  {word} " in text and f"\n  {word} " not in first:
                found.append(f"not on the first screen: {word}")
        if not re.search("^ [┃#] (?!STOP)", first, re.MULTILINE):
            found.append("no answer on the first screen")
    return found


def ribbons(lines: list[str]) -> Iterator[str]:
    """Lines of a column so narrow that it runs down the page."""
    run = 0
    for line in lines:
        text, indent = line.strip(), len(line) - len(line.lstrip())
        run = run + 1 if text and indent >= RIBBON_INDENT and len(text) <= RIBBON_WIDTH else 0
        if run >= RIBBON_LINES:
            yield line


def raw_names(text: str, case: str) -> set[str]:
    """Names of the knowledge as they stand in its files; the case's own and commands aside.

    A name of one word counts where it stands as a name: in a list, or before what is said of it.
    """
    shown = re.sub(r"`?loopodds [^`;\n]*|write \w+ = .*", "", text)
    told = " ".join(shown.split())
    found = set(_NAME.findall(shown)) | (set(_ONE_WORD.findall(told)) & _one_word_names())
    return (found | set(_SECTION.findall(told))) - {case.removeprefix("@")}


@cache
def _one_word_names() -> set[str]:
    """Of the shipped knowledge, those that are called otherwise on a screen."""
    known = Knowledge()
    names = {**known.nodes, **known.contexts, **known.conditions}
    return {
        name for name in (*names, SOUND) if "_" not in name and known.title(name).lower() != name
    } | {SOUND}
