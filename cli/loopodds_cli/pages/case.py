"""Pages and JSON of ``loopodds case``: what a call recorded, what it moved, how the case stands."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

from loopodds import SOUND, TELLING, described, lowered, printable, spaced, title_of
from rich.text import Text

from loopodds_cli.book.list_page import likeliest
from loopodds_cli.cases import Next, none_pays
from loopodds_cli.screen.events import event_text, in_titles, plain
from loopodds_cli.screen.page import (
    FAINT,
    Cell,
    Page,
    arrow,
    local_time,
    percent,
    shares,
    test_title,
)
from loopodds_cli.screen.shown import shown
from loopodds_cli.screen.stops import put_stops

if TYPE_CHECKING:
    from loopodds import Answer, CaseState, Event, Knowledge, Noted

LEADING = 4
MOVED_AT_MOST = 6
WORTH_SHOWING = 0.03


def answer_json(answer: Answer, next_up: Next) -> dict[str, Any]:
    """What a call answers, as plain data."""
    state = answer.state
    return {
        "case": state.number,
        "name": state.name,
        "closed": state.closed,
        "repairs": [list(repair.services) for repair in state.repairs],
        "plan": list(state.plan),
        "agreed": state.agreed.as_json(),
        "recorded": [
            {"position": e.position, "time": e.time, "kind": e.kind, "what": described(e)}
            for e in answer.events
        ],
        "moved": [move._asdict() for move in answer.moved()],
        "p_sound": answer.after.p_sound,
        "log_evidence": answer.after.log_evidence,
        "conditions": [{"name": n, "probability": p} for n, p in answer.ranking()],
        "stops": [stop.as_json() for stop in next_up.stops],
        "next_tests": [test.as_json() for test in next_up.tests],
        "knowledge": answer.model.knowledge.digest,
        "knowledge_before": answer.older or answer.model.knowledge.digest,
        "warnings": [*answer.skipped(), *answer.warnings(), *filter(None, [next_up.problem])],
    }


def print_answer(answer: Answer, next_up: Next) -> None:
    """What was recorded, what it moved, what is likeliest now and what to do next."""
    page = _begun(answer, next_up)
    knowledge = answer.model.knowledge
    page.rows([(f"{e.position}", event_text(e, knowledge)) for e in answer.events], right=[0])
    _work(page, answer)
    _changed_knowledge(page, answer)
    _moved(page, answer)
    _outcome(page, answer, next_up, answer.new_warnings())


def print_case(answer: Answer, next_up: Next) -> None:
    """Everything that stands in a case, then as :func:`print_answer`."""
    state, knowledge = answer.state, answer.model.knowledge
    page = _begun(answer, next_up)
    _changed_knowledge(page, answer)
    for number, repair in enumerate(state.repairs, start=1):
        page.heading(f"Before repair {number}", _titles(repair.services, knowledge))
        page.rows(_noted_rows(repair.noted, knowledge))
    page.heading("Recorded since" if state.repairs else "Recorded")
    page.rows(_noted_rows(state.noted, knowledge))
    if not state.noted:
        page.line("Nothing yet.")
    for title, names in (("Tests done", state.tests_done), ("Plan chosen", state.plan)):
        if names:
            page.heading(title)
            page.line(_titles(names, knowledge))
    if state.agreed.texts:
        page.heading("Agreed with the customer")
        for text in state.agreed.texts:
            page.line(printable(in_titles(text, knowledge)))
    if state.confirmed:
        page.heading("Turned out to be true")
        said = state.confirmed.items()
        page.rows([(knowledge.title(name), spaced(word)) for name, word in said])
    _outcome(page, answer, next_up, answer.warnings())


def _titles(names: Sequence[str], knowledge: Knowledge) -> str:
    return ", ".join(lowered(knowledge.title(name)) for name in names)


def _noted_rows(noted: Mapping[str, Noted], knowledge: Knowledge) -> list[Sequence[Cell]]:
    return [
        (
            knowledge.title(name),
            shown(spaced(printable(entry.text))),
            Text(("doubted" if entry.used else "doubted, not used") * entry.doubted, FAINT),
        )
        for name, entry in noted.items()
    ]


def case_title(state: CaseState) -> str:
    """Number and name of a case, safe to print."""
    return f"Case {state.number}" + (f": {printable(state.name)}" if state.name else "")


def print_history(events: Sequence[Event], knowledge: Knowledge) -> None:
    """Every event with its time, its author and what was likeliest after it."""
    page = Page()
    page.title(
        f"Case {events[0].case}, every event", "with what was likeliest after it; local time"
    )
    rows: list[Sequence[Cell]] = []
    digest = events[0].knowledge
    for event in events:
        if event.knowledge != digest:
            digest = event.knowledge
            rows.append(("", "", Text(f"from here on knowledge {digest}", FAINT)))
        name, p = likeliest(event)
        who, note = f"({event.who})" * bool(event.who), f'"{event.note}"' * bool(event.note)
        told = event_text(event, knowledge)
        what = "  ".join(filter(None, [told, printable(who), printable(note)]))
        then = Text(f"\n{title_of(name, knowledge)} {percent(p)}", FAINT)
        rows.append((str(event.position), local_time(event.time), Text(what) + then))
    page.rows(rows, right=[0])
    if events[-1].knowledge != knowledge.digest:
        page.marked("!", _changed(events[-1].knowledge, knowledge.digest))


def _changed(older: str, digest: str) -> str:
    """Plain words for a change of the knowledge."""
    return (
        f"The knowledge has changed since this was last recorded ({older} then, {digest} now): "
        "probabilities stored earlier stand as they were; what is shown now is worked out anew."
    )


def _begun(answer: Answer, next_up: Next) -> Page:
    page, state = Page(), answer.state
    put_stops(page, next_up.stops, answer.model.knowledge)
    page.title(case_title(state), "closed" if state.closed else "")
    return page


def _changed_knowledge(page: Page, answer: Answer) -> None:
    if answer.older:
        page.marked("!", _changed(answer.older, answer.model.knowledge.digest))


def _work(page: Page, answer: Answer) -> None:
    """How to go on once the plan is carried out; what work that was recorded has shown."""
    services = answer.model.knowledge.services
    chosen = [n for e in answer.events if e.kind == "plan_chosen" for n in e.content["services"]]
    if any(services[name].cures for name in chosen):
        page.marked("-", f"once it is done: loopodds case repaired {answer.state.number}")
    for name in answer.shown():
        node = answer.model.knowledge.node(name)
        call = f"loopodds case saw {answer.state.number} {name}={'|'.join(node.states)}"
        page.marked("-", f"{node.title}, seen while the work was done: record it with {call}")


def _moved(page: Page, answer: Answer) -> None:
    moves = answer.moved()
    if not moves and not any(event.kind in TELLING for event in answer.events):
        return
    page.heading("What it moved")
    rows = []
    for move in moves[:MOVED_AT_MOST]:
        course = f"{percent(move.before)} to {percent(move.after)}"
        title = title_of(move.name, answer.model.knowledge)
        rows.append((arrow(move.before, move.after), course, title))
    page.rows(rows)
    if len(moves) > MOVED_AT_MOST:
        page.aside(f"and {len(moves) - MOVED_AT_MOST} more, less", indent=1)
    if not moves:
        unknown = "cannot be said: the case as it stood cannot be read any more"
        page.line("nothing by as much as one per cent" if answer.before.posterior else unknown)


def _outcome(page: Page, answer: Answer, next_up: Next, warnings: Sequence[str]) -> None:
    """What is likeliest now, what to do next, and what to think of."""
    page.heading("Likeliest now")
    ranked = [(p, name) for name, p in answer.ranking()[:LEADING] if p >= WORTH_SHOWING]
    ranked = sorted([*ranked, (answer.after.p_sound, SOUND)], reverse=True)
    titles = [(p, title_of(name, answer.model.knowledge)) for p, name in ranked]
    page.rows([(percent(p), page.bar(p), title) for p, title in titles], right=[0])
    _next(page, answer, next_up)
    told = [plain(printable(text), answer.model.knowledge) for text in warnings]
    page.listed("About this case", "-", told)


def _next(page: Page, answer: Answer, next_up: Next) -> None:
    if next_up.problem:
        page.heading("Next test")
        page.marked("!", f"cannot be told: {printable(next_up.problem)}")
    if not next_up.tests:
        return
    paying = next_up.paying
    page.heading("Next test", "" if paying else none_pays(answer.state.number))
    knowledge = answer.model.knowledge
    rows = []
    for test in paying[:2] or next_up.tests[:1]:
        first = ", ".join(knowledge.tests[name].title for name in test.blocked_by)
        notes = [*shares(test.set_ups, knowledge), *[f"after: {first}"] * bool(first)]
        notes += ["tells most for its time"] * (not paying)
        title = test_title(test, knowledge)
        rows.append((title, f"{test.minutes:.0f} min", "; ".join(notes)))
    page.rows(rows, right=[1])
