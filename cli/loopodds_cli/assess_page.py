"""The page of ``loopodds assess``: the answer first, then why, then what could still change it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

from loopodds.assessment import condition_title
from rich.text import Text

from loopodds_cli.page import (
    AGAINST,
    FAINT,
    FOR,
    STRONG,
    Cell,
    Page,
    chance_word,
    factor,
    percent,
    times,
)

if TYPE_CHECKING:
    from loopodds.assessment import Assessment
    from loopodds.belief import RankedCondition, Weight
    from loopodds.knowledge import Knowledge

SETTLED_FROM = 0.40
SOUND_FROM = 0.60
ALSO_FROM = 0.60
SHOWN_FROM = 0.05
SHOWN_AT_MOST = 8
SECOND_FAULT_FROM = 0.30
COMBINATIONS = 4
REASONS = 4
AUDIBLE_DECIBANS = 1.0
CONFLICT_BITS = 0.5
ABSENT_STATES = {"absent", "right"}


def print_assessment(result: Assessment, knowledge: Knowledge) -> None:
    """Write the whole page to standard output.

    Parameters
    ----------
    result : Assessment
    knowledge : Knowledge
        For titles: the result itself holds names.
    """
    page = Page()
    _answer(page, result, knowledge)
    _cautions(page, result)
    _ranking(page, result, knowledge)
    _ruled_out(page, result, knowledge)
    _combinations(page, result, knowledge)
    _reasons(page, result, knowledge)
    _conflict(page, result, knowledge)
    _next_tests(page, result.next_tests, knowledge)
    _unseen(page, result, knowledge)
    _warnings(page, result)


def _answer(page: Page, result: Assessment, knowledge: Knowledge) -> None:
    context = result.context
    stated = [context[key] for key in ("refrigerant", "expansion") if key in context]
    if "compressor" in context:
        stated.append(f"{context['compressor']} compressor")
    reason = "came with a complaint" if context.get("setting") == "complaint" else "routine check"
    about = ", ".join([reason, *stated])
    page.line(Text(result.case, STRONG), Text(f" {about}", FAINT))
    page.line("")
    leader = result.conditions[0]
    title, now, before = _with_state(leader, knowledge), leader.probability, leader.prior
    settled = now >= SETTLED_FROM
    if result.p_sound >= leader.probability:
        title, now, before = "nothing wrong found", result.p_sound, result.p_sound_before
        settled = now >= SOUND_FROM
    chance = f"{chance_word(now)}, {percent(now)}  (before looking: {percent(before)})"
    if settled:
        page.headline(title, chance, *_also_likely(result, knowledge))
    else:
        page.headline("not settled yet", f"first among several: {title.lower()}", chance)


def _also_likely(result: Assessment, knowledge: Knowledge) -> list[str]:
    """Further lines for the answer, where one fault is not all of it."""
    others = [c for c in result.conditions[1:] if c.probability >= ALSO_FROM]
    return [f"+ {_with_state(c, knowledge).lower()}, {percent(c.probability)}" for c in others[:3]]


def _with_state(ranked: RankedCondition, knowledge: Knowledge) -> str:
    """Title of a condition with its likeliest state, where it has more than one."""
    title = condition_title(ranked.name, knowledge)
    states = knowledge.condition(ranked.name).states
    if len(states) < 2:
        return title
    return f"{title}: {_words(max(states, key=lambda state: ranked.states[state]))}"


def _ranking(page: Page, result: Assessment, knowledge: Knowledge) -> None:
    """Conditions and the sound car in one order, each with its bar and its mark of before."""
    page.heading("How likely", f"{_stroke(page)} is where it stood before looking")
    entries = [(result.p_sound, result.p_sound_before, "Nothing wrong at all")]
    likely = [c for c in result.conditions if c.probability >= SHOWN_FROM] or [result.conditions[0]]
    entries += [(c.probability, c.prior, _sentence(_with_state(c, knowledge))) for c in likely]
    entries.sort(key=lambda entry: -entry[0])
    rows: list[Sequence[Cell]] = [
        (percent(now), page.bar(now, before), title, Text(f"was {percent(before)}", FAINT))
        for now, before, title in entries[:SHOWN_AT_MOST]
    ]
    page.rows(rows, right=[0, 3])


def _stroke(page: Page) -> str:
    return page.bar(0.0, 0.0).plain[0]


def _ruled_out(page: Page, result: Assessment, knowledge: Knowledge) -> None:
    """One line: what the evidence has made negligible, as many as fit."""
    titles = [condition_title(name, knowledge).lower() for name in result.ruled_out]
    if not titles:
        return
    page.heading("As good as ruled out", "each below 1 %")
    page.line(_as_many_as_fit(titles, page.width - 2), indent=2)


def _as_many_as_fit(words: Sequence[str], width: int) -> str:
    """Words joined by commas in one line; the rest as a count."""
    for shown in range(len(words), 0, -1):
        rest = len(words) - shown
        line = ", ".join(words[:shown]) + (f" and {rest} more" if rest else "")
        if len(line) <= width:
            return line
    return f"{len(words)} of them"


def _combinations(page: Page, result: Assessment, knowledge: Knowledge) -> None:
    """Whole explanations, when one fault alone may not be all of it."""
    several = sum(c.probability >= SECOND_FAULT_FROM for c in result.conditions) > 1
    if not several and len(result.combinations[0].conditions) < 2:
        return
    page.heading("Taken together", "every other fault absent")
    rows: list[Sequence[Cell]] = []
    for combination in result.combinations[:COMBINATIONS]:
        titles = [condition_title(name, knowledge).lower() for name in combination.conditions]
        rows.append((percent(combination.probability), " + ".join(titles) or "nothing wrong"))
    page.rows(rows, right=[0])


def _reasons(page: Page, result: Assessment, knowledge: Knowledge) -> None:
    """For each leading condition what speaks for and against it, in words and as a factor."""
    if not any(result.moved_by.values()):
        page.heading("Why")
        page.line("Nothing was recorded: these are the odds before looking.")
        return
    page.heading("Why", "how each observation changes the odds, given all the others")
    for name, weights in result.moved_by.items():
        told = [w for w in weights if abs(w.decibans) >= AUDIBLE_DECIBANS][:REASONS]
        rest = f"({len(weights) - len(told)} more move it less)"
        title = _sentence(condition_title(name, knowledge))
        page.line(Text(title, STRONG), Text(rest if told else "(nothing moves it much)", FAINT))
        page.rows([_reason(weight, result, knowledge) for weight in told])


def _reason(weight: Weight, result: Assessment, knowledge: Knowledge) -> Sequence[Cell]:
    word, style = ("for", FOR) if weight.decibans > 0 else ("against", AGAINST)
    said = _observation(weight.name, result.recorded, knowledge)
    return Text(word, style), Text(times(weight.decibans), style), said


def _observation(name: str, recorded: Mapping[str, str], knowledge: Knowledge) -> str:
    return f"{knowledge.node(name).title}: {_words(recorded[name])}"


def _conflict(page: Page, result: Assessment, knowledge: Knowledge) -> None:
    """Pairs that hardly go together, when all of it taken together does not either."""
    if result.conflict.bits < CONFLICT_BITS:
        return
    page.heading("Does not fit together", "look again, or think of a rarer cause")
    pairs = [pair for pair in result.conflict.between if pair[2] >= CONFLICT_BITS]
    for one, other, bits in pairs[:3]:
        said = [_observation(name, result.recorded, knowledge) for name in (one, other)]
        page.marked("?", f"{said[0]}  but  {said[1]}")
        page.line(f"together {factor(2**bits)} times rarer than by chance", indent=5)
    if not pairs:
        rarer = factor(2**result.conflict.bits)
        page.line(
            f"No two clash, but all together are {rarer} times rarer than by chance.", indent=2
        )


def _next_tests(page: Page, tests: Sequence[Mapping[str, Any]], knowledge: Knowledge) -> None:
    if not tests:
        return
    page.heading("What to do next", "best first")
    rows: list[Sequence[Cell]] = []
    for test in tests[:3]:
        first = ", ".join(knowledge.tests[name].title for name in test["blocked_by"])
        title = knowledge.tests[test["test"]].title
        rows.append((title, f"{test['minutes']:.0f} min", f"after: {first}" if first else ""))
    page.rows(rows, right=[1])


def _unseen(page: Page, result: Assessment, knowledge: Knowledge) -> None:
    """What was not looked at: groups begun, with what is left of each, then groups untouched."""
    if not result.unseen:
        return
    page.heading("Not looked at", "which is not the same as absent")
    begun: list[tuple[str, list[str]]] = []
    untouched: list[str] = []
    for group, names in _by_group(knowledge).items():
        left = [knowledge.node(name).title.lower() for name in names if name in result.unseen]
        if len(left) == len(names):
            untouched.append(f"{group} ({len(names)})")
        elif left:
            begun.append((f"{_sentence(group)}:", left))
    margin = max((len(group) for group, _ in begun), default=0) + 4
    page.rows([(group, _as_many_as_fit(left, page.width - margin)) for group, left in begun])
    if untouched:
        page.line(f"Nothing yet of: {', '.join(untouched)}", indent=2)


def _by_group(knowledge: Knowledge) -> dict[str, list[str]]:
    """Findings and readings under the group they are shown in, in the order of the files."""
    groups: dict[str, list[str]] = {}
    for name, node in knowledge.of_kind("finding", "gauge").items():
        groups.setdefault(node.group, []).append(name)
    return groups


def _cautions(page: Page, result: Assessment) -> None:
    if not result.cautions:
        return
    page.heading("Beware")
    for text in result.cautions:
        page.marked("!", text)


def _warnings(page: Page, result: Assessment) -> None:
    if not result.warnings:
        return
    page.heading("About this inspection")
    for text in result.warnings:
        page.marked("-", text)


def _words(name: str) -> str:
    return name.replace("_", " ")


def _sentence(text: str) -> str:
    return text[:1].upper() + text[1:]
