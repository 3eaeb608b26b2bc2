"""The record for the workshop: everything recorded, what it moved, and what could still move it."""

from collections.abc import Iterator, Sequence
from itertools import pairwise

from loopodds.base.phrases import lowered, percent, spaced
from loopodds.diagnosis.belief import condition_title, groups_of, title_of
from loopodds.knowledge.records import SOUND
from loopodds.papers.content import Report
from loopodds.report.document import Block, Drawing, Heading, Items, Paragraph, Table
from loopodds.report.figures import (
    Moment,
    NextTest,
    bars_of,
    course_picture,
    explanation_picture,
    next_tests_picture,
)

DRAWN, DRAWN_FROM = 4, 0.05
LISTED_FROM = 0.01
STEPS, BARS, TURNING, TESTS = 26, 10, 8, 6


def record_blocks(report: Report) -> Iterator[Block]:
    """The second part of a report, block by block."""
    yield Heading(2, "Record for the workshop")
    yield Table("The car and the conditions", ("", ""), report.car or (("nothing stated", ""),))
    yield from _stops(report)
    yield from _cautions(report)
    yield from _course(report)
    yield from _weights(report)
    yield from _conditions(report)
    yield from _tests(report)
    yield from _plan(report)
    yield from _turning_points(report)
    yield from _entries(report)
    yield from _unseen(report)
    yield from _knowledge(report)


def _stops(report: Report) -> Iterator[Block]:
    for stop in report.result.stops:
        yield Heading(3, f"Stop in force: {stop.title}")
        work = {**report.knowledge.tests, **report.knowledge.services}
        shut = [lowered(work[name].title) for name in (*stop.shut_tests, *stop.shut_services)]
        filtered = [lowered(work[name].title) for name in stop.filtered]
        yield Items(
            [
                f"because: {'; '.join(stop.because)}",
                *([f"shut: {', '.join(shut)}"] * bool(shut)),
                *([f"through a filter only: {', '.join(filtered)}"] * bool(filtered)),
                f"lifted by: {stop.lifting}",
            ]
        )
        yield Items(stop.cautions, "caution")
    if report.lifted:
        yield Heading(3, "Stops not in force any more")
        rows = [
            (lifted.stop.title, "; ".join(lifted.stop.because), lifted.since, lifted.by)
            for lifted in report.lifted
        ]
        yield Table("", ("stop", "because", "in force after", "lifted after"), rows)


def _cautions(report: Report) -> Iterator[Block]:
    result = report.result
    said = [text for stop in result.stops for text in stop.cautions]
    best = result.advice.best if report.plan is not None else None
    named = (*best.first, *best.services) if best is not None else ()
    work = result.beware_of(named, said)
    cautions = [text for text in result.cautions if text not in said]
    cautions = list(dict.fromkeys([*cautions, *work.here]))
    if cautions or work.always:
        yield Heading(3, "Beware")
        yield Items(cautions, "caution")
    if work.always:
        yield Paragraph(f"As always: {'; '.join(work.always)}.", "faint")


def _course(report: Report) -> Iterator[Block]:
    if len(report.course) < 2:
        return
    yield Heading(3, "How the probabilities moved")
    moments = _telling(report.course)
    caption = "Probability of the leading conditions before and after each step."
    if len(moments) < len(report.course):
        caption += f" The {len(moments)} steps of {len(report.course)} that moved most."
    yield Drawing(course_picture(moments, _drawn(report)), caption)
    if report.older:
        yield Paragraph(
            f"Some of these were worked out under earlier knowledge ({', '.join(report.older)}).",
            "faint",
        )


def _drawn(report: Report) -> dict[str, str]:
    """The leading conditions, and the sound car where it was or is a contender."""
    leading = [c for c in report.result.conditions[:DRAWN] if c.probability >= DRAWN_FROM]
    names = [c.name for c in leading] or [report.result.conditions[0].name]
    if max(moment.probabilities[SOUND] for moment in report.course) >= 2 * DRAWN_FROM:
        names.append(SOUND)
    return {name: title_of(name, report.knowledge) for name in names}


def _telling(course: Sequence[Moment]) -> list[Moment]:
    """First and last step, and of a long course those between that moved anything most."""
    moved = [
        max(abs(p - before.probabilities[name]) for name, p in after.probabilities.items())
        for before, after in pairwise(course)
    ]
    ends = {0, len(course) - 1}
    order = sorted(range(1, len(course)), key=lambda i: -moved[i - 1])
    kept = ends | set(order[: STEPS - len(ends)])
    return [moment for i, moment in enumerate(course) if i in kept]


def _weights(report: Report) -> Iterator[Block]:
    found, knowledge = report.explanation, report.knowledge
    yield Heading(3, f"What speaks for and against: {condition_title(found.condition, knowledge)}")
    recorded = report.result.recorded
    caption = "Each observation's share of the change in log-odds, whatever the order of entry."
    if found.shares.orders:
        error = max(share.standard_error for share in found.shares.shares)
        caption += (
            f" From {found.shares.orders} sampled orders, standard error {error:.2f} at most."
        )
    yield Drawing(explanation_picture(found, recorded, knowledge, BARS), caption)
    rival = condition_title(found.rival, knowledge).lower()
    bars = bars_of(found.contrast, recorded, knowledge, BARS)
    apart = [f"{bar.label} ({bar.decibans:+.1f})" for bar in bars[:4]]
    yield Paragraph(
        f"Why not {rival} ({percent(found.rival_now)})? What tells the two apart, in decibans: "
        f"{'; '.join(apart) or 'nothing that was recorded'}."
    )
    yield Paragraph(_fit(report))


def _fit(report: Report) -> str:
    """Whether everything fits together, and what to look at again if not."""
    found, knowledge = report.explanation, report.knowledge
    culprit = found.culprit
    if culprit is not None:
        node = knowledge.node(culprit.name)
        said = spaced(report.result.recorded[culprit.name])
        return (
            f"Look again: if \u201c{node.title}: {said}\u201d was misread, everything else fits. "
            f"The rest would lead one to expect {culprit.rather.replace('_', ' ')}."
        )
    if found.conflict.bits > 0:
        return (
            f"The observations go together {2**found.conflict.bits:.1f} times less often than by "
            "chance; no single one stands out as misread."
        )
    return "The observations support each other; none stands out as misread."


def _conditions(report: Report) -> Iterator[Block]:
    found, knowledge = report.result, report.knowledge
    yield Heading(3, "All conditions")
    rows = [("Nothing wrong at all", percent(found.p_sound), percent(found.p_sound_before))]
    rows += [
        (title_of(c.name, knowledge), percent(c.probability), percent(c.prior))
        for c in found.conditions
        if c.probability >= LISTED_FROM
    ]
    head = ("", "now", "before looking")
    yield Table("Those of at least one in a hundred", head, rows, (1, 2))
    combinations = []
    for present, probability in found.combinations:
        title = " + ".join(title_of(name, knowledge) for name in present)
        combinations.append((title or "nothing wrong", percent(probability)))
    yield Table("Taken together, every other fault absent", ("", "now"), combinations, (1,))
    if found.ruled_out:
        names = ", ".join(condition_title(n, knowledge).lower() for n in found.ruled_out)
        yield Paragraph(f"As good as ruled out, each below 1 %: {names}.")


def _turning_points(report: Report) -> Iterator[Block]:
    knowledge, rows = report.knowledge, []
    for point in report.explanation.turning_points[:TURNING]:
        supposed = spaced(f"{knowledge.node(point.name).title}: {point.state}")
        recorded = spaced(point.recorded) or "not looked at"
        then = f"{condition_title(point.verdict, knowledge).lower()}, {percent(point.probability)}"
        rows.append((supposed, recorded, percent(point.chance), then))
    yield Heading(3, "What would change the verdict")
    if rows:
        yield Table("Each alone", ("if it were", "instead of", "chance", "then"), rows, (2,))
    else:
        yield Paragraph("No single further look, and no single other reading.")


def _entries(report: Report) -> Iterator[Block]:
    yield Heading(3, "Everything recorded")
    if not report.entries:
        yield Paragraph("Nothing was recorded.")
        return
    if any(entry.time or entry.who or entry.note for entry in report.entries):
        rows = [
            (e.time[:16].replace("T", " "), e.what, ", ".join(filter(None, (e.who, e.note))))
            for e in report.entries
        ]
        yield Table("In order, times in UTC", ("when", "what", "who, remarks"), rows)
    else:
        yield Paragraph("In the order of the case file, which keeps no times.", "faint")
        yield Items([entry.what for entry in report.entries])
    if report.confirmed:
        words = (spaced(f"{name} {word}") for name, word in report.confirmed.items())
        yield Paragraph(f"Confirmed: {', '.join(words)}.")


def _unseen(report: Report) -> Iterator[Block]:
    yield Heading(3, "Not looked at")
    nodes, unseen = report.knowledge.nodes, set(report.result.unseen)
    lines = [
        f"{group}: {', '.join(nodes[name].title.lower() for name in names if name in unseen)}"
        for group, names in groups_of(report.knowledge).items()
        if unseen.intersection(names)
    ]
    yield Items(lines or ["nothing"])


def _knowledge(report: Report) -> Iterator[Block]:
    yield Heading(3, "How this was worked out")
    if report.result.warnings:
        yield Items(report.result.warnings)
    yield Paragraph(
        "Exact probabilities from a network of faults, findings and readings. Knowledge in force: "
        f"{report.knowledge.digest}. Log evidence {report.result.log_evidence:.3f}. Every "
        "number of the knowledge names its source and grade."
    )


def _tests(report: Report) -> Iterator[Block]:
    """The best next tests, as a picture and a table."""
    tests = report.result.tests[:TESTS] if report.knowledge.services else ()
    if not tests:
        return
    known = report.knowledge.tests
    yield Heading(3, "What to do next")
    points = [
        NextTest(known[t.test].title, t.minutes, t.net_value, not t.blocked_by) for t in tests
    ]
    yield Drawing(
        next_tests_picture(points),
        "What each test saves on average, its own cost taken off, against its minutes. A ring "
        "marks a test that others must precede.",
    )
    rows = [
        (known[t.test].title, f"{t.minutes:.0f}", f"{t.bits:.2f}", f"{t.net_value:.0f}",
         ", ".join(known[name].title.lower() for name in t.blocked_by))
        for t in tests
    ]  # fmt: skip
    yield Table("Best first", ("test", "minutes", "bits", "worth", "after"), rows, (1, 2, 3))


def _plan(report: Report) -> Iterator[Block]:
    """The best plan and what comes closest to it."""
    plan = report.plan
    if plan is None:
        return
    yield Heading(3, "What to do to the car")
    if plan["test_first"]:
        title = report.knowledge.tests[plan["test_first"]].title.lower()
        yield Paragraph(f"A test pays first: {title}. Without it, the best plan comes first below.")
    rows = []
    for option in (plan["best"], *plan["others"]):
        services = (report.knowledge.services[name].title for name in option["services"])
        first = (report.knowledge.tests[name].title.lower() for name in option["first"])
        money = (
            f"{option[key]:.0f}" for key in ("minutes", "outlay", "harm_left", "expected_cost")
        )
        rows.append((" + ".join(services) or "leave it as it is", ", ".join(first), *money))
    yield Table(
        f"By expected cost, in {plural(plan['currency'])}; evacuating and charging included",
        ("services", "before", "minutes", "outlay", "harm left", "all"),
        rows,
        (2, 3, 4, 5),
    )
    same = plan["same_decision"]["probability"]
    yield Paragraph(
        f"If everything were known, the same plan would be best with probability {percent(same)}; "
        f"being wrong costs {plan['cost_of_being_wrong']:.0f} on average. Shipped prices are "
        "invented; a price file replaces them."
    )


def plural(currency: str) -> str:
    """A word gets its s, a code of three capitals does not.

    >>> plural("unit"), plural("XTS")
    ('units', 'XTS')
    """
    return currency if currency.isupper() else f"{currency}s"
