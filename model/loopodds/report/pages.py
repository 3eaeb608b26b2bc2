"""The two parts of a report: a page for the customer, then the record for the workshop."""

import json
from collections.abc import Iterator, Sequence
from typing import Any

from loopodds.base.phrases import UNSAFE_NOTE, lowered, percent, sentence, spaced
from loopodds.diagnosis.belief import RankedCondition, condition_title, groups_of, with_state
from loopodds.diagnosis.diagnose import ALSO_FROM, SETTLED_FROM, SOUND_FROM
from loopodds.knowledge.records import SOUND, Knowledge
from loopodds.report.content import Report
from loopodds.report.document import (
    Block,
    Chance,
    Chances,
    Document,
    Heading,
    Items,
    Paragraph,
    Part,
    render,
)
from loopodds.report.record import plural, record_blocks

TITLE = "Air-conditioning report"
FINDINGS, OPEN = 6, 3
# lowest probability that still deserves the words, for people who do not read numbers
SURENESS = (
    (0.95, "We are almost certain of this."),
    (0.80, "This is very likely."),
    (0.60, "This is likely, but not certain."),
    (0.0, "This is the best explanation so far, but others are still possible."),
)


def document_of(report: Report) -> Document:
    name = f"{report.result.case}, {report.name}" if report.name else report.result.case
    end = (
        f"{name}. Written {report.written:%Y-%m-%d %H:%M}, knowledge {report.knowledge.digest}. "
        "Probabilities are worked out from what is recorded above and from the knowledge of the "
        "program, much of it engineering estimate; they replace neither licensed work nor the law "
        "of the place."
    )
    parts = Part("customer", [*_customer(report, name)]), Part("record", [*record_blocks(report)])
    return Document(f"{TITLE}: {name}", parts, end)


def report_text(report: Report, form: str) -> str:
    """The report as ``html``, ``md`` or ``json``."""
    if form == "json":
        return json.dumps(report.as_json(), indent=2, ensure_ascii=False, allow_nan=False) + "\n"
    return render(document_of(report), form)


def _customer(report: Report, name: str) -> Iterator[Block]:
    yield Heading(1, f"{TITLE}: {name}")
    if report.knowledge.unsafe:
        yield Paragraph(UNSAFE_NOTE)
    yield from _stops(report)
    yield Heading(2, "What we found")
    yield from _answer(report)
    yield from _done(report)
    yield from _seen(report)
    yield from _recommended(report)
    yield from _not_checked(report)


def _stops(report: Report) -> Iterator[Block]:
    """What must not be done to the car, while it is open, and what is no longer forbidden."""
    if report.confirmed:
        return
    for stop in report.result.stops:
        yield Heading(2, f"Stop: {stop.title}")
        yield Paragraph(stop.reason, "stop")
        yield Paragraph(f"Lifted by: {stop.lifting}.", "stop")
    for lifted in report.lifted:
        title, by = lowered(lifted.stop.title), lifted.by
        yield Paragraph(f"No longer in force: {title} (lifted after {by}).", "faint")


def _answer(report: Report) -> Iterator[Block]:
    """The answer in one line, its estimated chance, and a sentence on what it is."""
    if report.confirmed:
        yield from _confirmed(report)
        return
    found, knowledge = report.result, report.knowledge
    leader = found.conditions[0]
    if found.p_sound >= max(leader.probability, SOUND_FROM):
        yield Paragraph("We found nothing wrong with the air conditioning.", "answer")
        yield Paragraph(
            f"Estimated chance that nothing is wrong: {percent(found.p_sound)}.", "lead"
        )
        yield Paragraph(sureness(found.p_sound))
        return
    if leader.probability < SETTLED_FROM or found.p_sound > leader.probability:
        yield Paragraph("It is not settled yet what is wrong, or whether anything is.", "answer")
        caption = "Estimated chance of each, from what was found"
        yield _chances(caption, found.conditions[:OPEN], knowledge)
        return
    yield Paragraph(sentence(with_state(leader, knowledge, ", ")), "answer")
    yield Paragraph(f"Estimated chance: {percent(leader.probability)}.", "lead")
    yield Paragraph(sureness(leader.probability))
    variable = knowledge.node(leader.variable)
    if len(variable.conditions) == 1:
        yield Paragraph(variable.about)
    also = [c for c in found.conditions[1:] if c.probability >= ALSO_FROM][:OPEN]
    if also:
        caption = "There may be more than one thing wrong. Estimated chances of others:"
        yield _chances(caption, also, knowledge)


def _done(report: Report) -> Iterator[Block]:
    """Repairs since the car came, if there were any."""
    if repairs := report.result.repairs:
        services = report.knowledge.services
        yield Heading(3, "What was done")
        yield Items([services[name].title for done in repairs for name in done])
        yield Paragraph(
            "The chances above are those of the car after this work. What was seen before it "
            "counts as what the car was then.",
            "faint",
        )


def _confirmed(report: Report) -> Iterator[Block]:
    titles = [
        sentence(_outcome_title(name, word, report.knowledge))
        for name, word in report.confirmed.items()
        if word not in ("absent", "right")
    ]
    yield Paragraph("; ".join(titles) or "Nothing was wrong.", "answer")
    yield Paragraph("This was confirmed when the car was put right.", "lead")


def _outcome_title(name: str, word: str, knowledge: Knowledge) -> str:
    """The condition that a confirmed state of a fault is, or the fault itself."""
    for condition in knowledge.conditions.values():
        if name == condition.name or (name == condition.variable and word in condition.states):
            return condition_title(condition.name, knowledge)
    return knowledge.node(name).title


def _chances(caption: str, ranked: Sequence[RankedCondition], knowledge: Knowledge) -> Chances:
    titles = (sentence(with_state(condition, knowledge, ", ")) for condition in ranked)
    rows = [Chance(t, c.probability, c.prior) for t, c in zip(titles, ranked, strict=True)]
    return Chances(caption, rows)


def _seen(report: Report) -> Iterator[Block]:
    """The observations that count most, the rest as a number."""
    recorded = report.result.recorded
    yield Heading(3, "What was seen")
    if not recorded:
        yield Paragraph("Nothing was recorded yet; these are the odds before looking.")
        return
    strongest = [share.name for share in report.explanation.shares.shares][:FINDINGS]
    told = [spaced(f"{report.knowledge.node(n).title}: {recorded[n]}") for n in strongest]
    yield Items(told)
    rest = len(recorded) - len(told)
    if rest > 0:
        yield Paragraph(f"And {rest} more, all listed in the record that follows.", "faint")


def _recommended(report: Report) -> Iterator[Block]:
    """What comes next: the chosen work, or the next look."""
    if report.confirmed:
        return
    yield Heading(3, "What we recommend")
    plan = report.plan
    if plan is not None and plan["test_first"]:
        test = report.knowledge.tests[plan["test_first"]]
        yield Paragraph(
            f"Before any repair, one more check: {test.title.lower()}. It takes about "
            f"{test.minutes:.0f} minutes and may change what is best done."
        )
    if plan is None:
        yield Paragraph("The workshop will advise what to do, and what it costs.")
    elif plan["best"]["services"]:
        best, known = plan["best"], report.knowledge.services
        yield Paragraph(
            f"{'As things stand, this' if plan['test_first'] else 'This'} is best done:"
        )
        yield Items([f"{known[n].title}: {lowered(known[n].about)}" for n in best["services"]])
        hours, outlay = best["minutes"] / 60, f"{best['outlay']:.0f} {plural(plan['currency'])}"
        yield Paragraph(f"About {hours:.1f} hours of work; {outlay} with material.")
        if report.knowledge.prices.get("source") == "invented":
            note = "Prices come from the workshop's price file; those shipped are invented."
            yield Paragraph(note, "faint")
    elif report.explanation.condition == SOUND:
        yield Paragraph("Nothing needs to be done now.")
    else:
        yield Paragraph("Nothing should be repaired on what is known so far.")
    if plan is not None:
        yield from _promised(plan, report.knowledge)


def _promised(plan: dict[str, Any], knowledge: Knowledge) -> Iterator[Block]:
    """How likely the complaint is gone after the plan, what else could be done, what is left."""
    gone = plan["complaint_gone"]
    if gone is not None:
        chance = percent(gone["probability"])
        yield Paragraph(f"Estimated chance that the complaint is gone after it: {chance}.")
    others = [offer for offer in plan["offers"] if "best" not in offer["kinds"]]
    if others:
        yield Paragraph("Or instead:")
        yield Items([_offered(offer, plan["currency"], knowledge) for offer in others])
    for rule in plan["held_back"]:
        yield Paragraph(f"{rule['title']}: {lowered(rule['reason'])}")
    if plan["leaves"]:
        yield Paragraph(f"It may leave: {', '.join(_left(o, knowledge) for o in plan['leaves'])}.")


def _offered(offer: dict[str, Any], currency: str, knowledge: Knowledge) -> str:
    titles = [lowered(knowledge.services[name].title) for name in offer["services"]]
    words = {"least": "the least that cures it", "thorough": "the most thorough"}
    kinds = " and ".join(words[kind] for kind in offer["kinds"])
    told = f"{sentence(kinds)}: {' + '.join(titles) or 'leave it as it is'}; "
    told += f"{offer['outlay']:.0f} {plural(currency)}, {offer['minutes'] / 60:.1f} hours"
    gone = offer["complaint_gone"]
    return told + (f"; complaint gone: {percent(gone['probability'])}" if gone else "")


def _left(left: dict[str, Any], knowledge: Knowledge) -> str:
    title = lowered(condition_title(left["condition"], knowledge))
    return f"{title} ({percent(left['probability'])})"


def _not_checked(report: Report) -> Iterator[Block]:
    yield Heading(3, "What was not checked")
    unseen = set(report.result.unseen)
    groups = groups_of(report.knowledge)
    sections: dict[str, list[str]] = {"Not at all": [], "Only in part": []}
    for group, names in groups.items():
        if unseen.intersection(names):
            sections["Not at all" if unseen.issuperset(names) else "Only in part"].append(group)
    said = [f"{intro}: {', '.join(names)}." for intro, names in sections.items() if names]
    yield Paragraph(" ".join(said) or "Nothing was left out.")
    if said:
        yield Paragraph("What was not looked at is not known to be in order.", "faint")


def sureness(probability: float) -> str:
    """How sure one may be, in a sentence.

    >>> sureness(0.7)
    'This is likely, but not certain.'
    """
    return next(words for lowest, words in SURENESS if probability >= lowest)
