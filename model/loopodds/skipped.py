"""Guards that an entry of the case book went past: recorded all the same, but said."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence

from loopodds.casebook import Event
from loopodds.knowledge import Knowledge
from loopodds.lint_gates import earlier
from loopodds.observations import Value
from loopodds.phrases import lowered, sentence
from loopodds.repaired import changed_by, shown_by
from loopodds.replay import CaseState

Open = tuple[tuple[str, ...], tuple[str, ...]]
"""Guards of which no result is recorded, and guards that were not passed."""


def skipped(events: Iterable[Event], state: CaseState, knowledge: Knowledge) -> list[str]:
    """A sentence for every guard that should have been passed before what was recorded.

    Parameters
    ----------
    events : iterable of Event
        What was just recorded.
    state : CaseState
        The case after it: a guard recorded in the same call counts.
    knowledge : Knowledge
    """
    found: dict[Open, list[str]] = {}
    for ways in _ways(events, state, knowledge):
        opened = {test: _open_guards(test, state, knowledge) for test in ways}
        if all(any(guards) for guards in opened.values()):
            found.setdefault(opened[ways[0]], []).append(knowledge.tests[ways[0]].title)
    sentences = []
    for (unrecorded, failed), titles in found.items():
        done = sentence(", ".join(map(lowered, dict.fromkeys(titles))))
        for guards, flaw in ((unrecorded, "not recorded"), (failed, "not passed")):
            if guards:
                named = " and ".join(lowered(knowledge.tests[name].title) for name in guards)
                comes, is_ = ("comes", "is") if len(guards) == 1 else ("come", "are")
                sentences.append(f"{done}: {named} {comes} before, and {is_} {flaw}")
    return sentences


def _said(state: CaseState, knowledge: Knowledge) -> dict[str, Value]:
    """What is recorded and still so: a repair makes some of it out of date."""
    said: dict[str, Value] = {}
    for repair in state.repairs:
        said |= {name: one.value for name, one in repair.noted.items() if one.used}
        changed = changed_by(repair.known(knowledge), knowledge)
        said = {name: value for name, value in said.items() if name not in changed}
    return said | {name: one.value for name, one in state.noted.items() if one.used}


def _ways(
    events: Iterable[Event], state: CaseState, knowledge: Knowledge
) -> Iterator[Sequence[str]]:
    """For each entry the tests that it may come from; none for what work has shown by the way."""
    last = state.repairs[-1].known(knowledge) if state.repairs else ()
    shown = shown_by(last, knowledge)
    for event in events:
        if event.kind == "test_done":
            yield [event.content["test"]]
        elif event.kind in ("seen", "read"):
            name = event.content["name"]
            ways = [test.name for test in knowledge.tests.values() if name in test.yields]
            if ways and name not in shown:
                yield ways


def _open_guards(test: str, state: CaseState, knowledge: Knowledge) -> Open:
    """Guards before a test that stand open."""
    before = earlier(knowledge.tests[test], knowledge)
    passes = {
        name: guard.extra["passes"]
        for name, guard in knowledge.tests.items()
        if name in before and "passes" in guard.extra
    }
    said = _said(state, knowledge)
    unrecorded = tuple(
        name for name, findings in passes.items() if not said.keys() >= set(findings)
    )
    failed = tuple(
        name
        for name, findings in passes.items()
        if any(finding in said and said[finding] not in ok for finding, ok in findings.items())
    )
    return unrecorded, failed
