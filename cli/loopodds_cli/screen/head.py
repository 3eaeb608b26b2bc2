"""The first screen of a page about one car: stops, verdict, next step, plan.

It fits 24 lines of 80 columns; everything else of the page follows it, or is left out where a page
is asked to be brief.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING

from loopodds import ALSO_FROM, SETTLED_FROM, SOUND_FROM, chance_word, lowered, sentence, with_state
from rich.text import Text

from loopodds_cli.screen.page import (
    FAINT,
    Page,
    duration,
    money,
    percent,
    rest_text,
    services_text,
    shares,
    step_shares,
    tests_text,
)
from loopodds_cli.screen.stops import put_stops_short

if TYPE_CHECKING:
    from loopodds import Assessment

ALSO_AT_MOST = 3
WHY_HERE = {
    "complaint": "came with a complaint",
    "routine": "routine check",
    "": "not said why it is here",
}


def put_title(page: Page, result: Assessment) -> None:
    """Stops in one or two lines each, then which car this is."""
    put_stops_short(page, result.stops)
    page.title(result.case, f" {_about(result)}")
    services = result.knowledge.services
    done = [lowered(services[name].title) for repair in result.repairs for name in repair]
    if done:
        done_text = f" repaired since: {'; '.join(done)}. What was seen before counts for then."
        page.aside(done_text, indent=1)


def put_verdict(page: Page, result: Assessment) -> None:
    """What is believed, to be read from a distance."""
    heading, *lines = verdict(result)
    page.headline(heading, *lines)


def put_outlook(page: Page, result: Assessment, *shown: str) -> None:
    """Verdict, next step and plan in a few words each, but those that the page has ``shown``."""
    texts = {"verdict": _verdict_text, "next": _next_text, "plan": _plan_text}
    said = {name: text(result) for name, text in texts.items() if name not in shown}
    page.rows([(Text(sentence(name), FAINT), text) for name, text in said.items() if text])


def verdict(result: Assessment) -> list[str]:
    """The answer as a headline and further lines."""
    leader = result.conditions[0]
    if not _looked(result):
        return ["nothing looked at yet", *_before_looking(result)]
    title, now, before = with_state(leader, result.knowledge), leader.probability, leader.prior
    sound = result.p_sound >= leader.probability
    if sound:
        title, now, before = "nothing wrong found", result.p_sound, result.p_sound_before
    chance = f"{chance_word(now)}, {percent(now)}  (before looking: {percent(before)})"
    if now >= (SOUND_FROM if sound else SETTLED_FROM):
        return [title, chance, *_also_likely(result)]
    likeliest = "nothing wrong" if sound else lowered(title)
    return ["not settled yet", f"most likely so far: {likeliest}", chance, *_also_likely(result)]


def _looked(result: Assessment) -> bool:
    """Whether there is more than history, which is hearsay about the car."""
    history = result.knowledge.of_kind("history")
    return bool(result.repairs) or not set(result.recorded) <= set(history)


def _verdict_text(result: Assessment) -> str:
    heading, *lines = verdict(result)
    # how it stood before looking is for the page that is about it
    told = (line.partition("  (before")[0].removeprefix("+ ") for line in lines)
    return "; ".join([sentence(heading), *told])


def _next_text(result: Assessment) -> str:
    tests, knowledge = result.next_tests, result.knowledge
    if result.settling:
        first = result.shop.step(result.settling[0])
        time = ", ".join([duration(first.minutes), *step_shares([first], result)])
        return f"{knowledge.tests[first.test].title}, {time}; it may lift the stop"
    if not tests:
        return ""
    if not tests[0].pays:
        return "no single test pays for itself; loopodds next looks at pairs"
    best = tests[0]
    time = ", ".join([duration(best.minutes), *shares(best.set_ups, knowledge)])
    said = [f"{knowledge.tests[best.test].title}, {time}"]
    if best.opens != best.test:
        said.append(f"opens: {tests_text([best.opens], knowledge)}")
    if best.unread:
        said.append(rest_text(best.unread, knowledge))
    return "; ".join([*said, f"worth {money(best.net_value, result.currency)} after its cost"])


def _plan_text(result: Assessment) -> str:
    plan = result.plan
    if plan is None:
        return ""
    text = sentence(services_text(plan.services, result.knowledge))
    if plan.services:
        text += f": {money(plan.outlay, result.currency)}, {duration(plan.minutes)}"
    tests = result.next_tests
    return f"{text} (test first)" if result.settling or (tests and tests[0].pays) else text


def _about(result: Assessment) -> str:
    """Why the car is here and what kind of car it is."""
    context = result.context
    reason = WHY_HERE[context.get("setting", "")]
    stated = [context[key] for key in ("refrigerant", "expansion") if key in context]
    if "compressor" in context:
        stated.append(f"{context['compressor']} compressor")
    return ", ".join([reason, *stated])


def _before_looking(result: Assessment) -> Iterator[str]:
    """What can be said of a car that nobody has looked at."""
    leader = result.conditions[0]
    cars = "with such a history" if result.recorded else "like it"
    first = f"likeliest fault: {lowered(with_state(leader, result.knowledge))}"
    yield f"of cars {cars}, {percent(result.p_sound)} have nothing wrong"
    yield f"{first}, {percent(leader.probability)}"


def _also_likely(result: Assessment) -> list[str]:
    """Further lines for the answer: what is likely too, and what the evidence speaks for.

    The condition that rose most is named even where another was likelier all along.
    """
    leads = result.p_sound < result.conditions[0].probability
    lines: list[str] = []
    for c in result.conditions[leads:]:
        said = f"{lowered(with_state(c, result.knowledge))}, {percent(c.probability)}"
        if c.name == result.moved_most:
            lines.append(f"rose most: {said} (was {percent(c.prior)})")
        elif c.probability >= ALSO_FROM and len(lines) < ALSO_AT_MOST:
            lines.append(f"+ {said}")
    return lines
