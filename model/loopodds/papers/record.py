"""The record for the workshop: what was read and seen, what it moved and why, on few full pages."""

from collections.abc import Iterator, Sequence
from importlib.metadata import version
from itertools import pairwise

from loopodds.base.phrases import UNSAFE_NOTE, amounts_in, lowered, percent, sentence, spaced
from loopodds.diagnosis.belief import condition_title, groups_of, title_of
from loopodds.knowledge.records import SOUND
from loopodds.papers.content import Report
from loopodds.papers.measured import reading_rows
from loopodds.report.document import (
    Block,
    Drawing,
    Drawings,
    Facts,
    Heading,
    Items,
    Paragraph,
    Shot,
    Table,
)
from loopodds.report.figures import Moment, bars_of, course_picture, explanation_picture

DRAWN, DRAWN_FROM = 4, 0.1
LISTED_FROM, LISTED = 0.05, 10
STEPS, PICTURED, BARS, TURNING, TESTS, COMBINED, TABLED = 14, 9, 7, 5, 5, 3, 3
LARGEST_PHOTOS = 12_000_000
"""Bytes of photos that a record holds; what goes beyond is named, and lies beside the book."""


def record_blocks(report: Report) -> Iterator[Block]:
    """The second part of a report, block by block."""
    if report.sender.name:
        yield Paragraph(report.sender.name, "sender")
    yield Heading(1, "Record for the workshop")
    yield Facts(_facts(report))
    if report.knowledge.unsafe:
        yield Paragraph(UNSAFE_NOTE, "please")
    yield from _stops(report)
    yield from _believed(report)
    yield from _course(report)
    yield from _readings(report)
    yield from _entries(report)
    yield from _photos(report)
    yield from _turning_points(report)
    yield from _tests(report)
    yield from _plan(report)
    yield from _cautions(report)
    yield from _unseen(report)
    yield from _knowledge(report)


def _facts(report: Report) -> list[tuple[str, str]]:
    facts = [("plate", report.plate), ("case", report.result.case)]
    if report.events:
        first, last = report.events[0], report.events[-1]
        facts += [("opened", _time(report, first.time)), ("last entry", _time(report, last.time))]
        people = dict.fromkeys(event.who for event in report.events if event.who)
        facts.append(("by", ", ".join(people) or "nobody named"))
    facts.append(("written", f"{report.written:%Y-%m-%d %H:%M %Z}"))
    return facts + report.car


def _time(report: Report, time: str) -> str:
    return f"{report.here(time):%Y-%m-%d %H:%M}"


def _stops(report: Report) -> Iterator[Block]:
    for stop in report.result.stops:
        yield Heading(2, f"Stop in force: {stop.title}")
        yield Paragraph(stop.reason, "stop")
        yield Paragraph(f"Because: {'; '.join(stop.because)}. Lifted by: {stop.lifting}.")
        work = {**report.knowledge.tests, **report.knowledge.services}
        shut = [lowered(work[name].title) for name in (*stop.shut_tests, *stop.shut_services)]
        filtered = [lowered(work[name].title) for name in stop.filtered]
        lists = (("Shut", shut), ("Through a filter only", filtered))
        told = [f"{intro}: {', '.join(names)}." for intro, names in lists if names]
        if told:
            yield Paragraph(" ".join(told), "faint")
    if report.lifted:
        rows = [
            (lifted.stop.title, "; ".join(lifted.stop.because), lifted.since, lifted.by)
            for lifted in report.lifted
        ]
        yield Heading(2, "Stops met and lifted")
        yield Table("", ("stop", "because", "in force after", "lifted after"), rows)


def _believed(report: Report) -> Iterator[Block]:
    """The verdict with how far it could lie, and what else was considered."""
    found, knowledge = report.result, report.knowledge
    yield Heading(2, "What is believed")
    if report.confirmed:
        words = (
            f"{lowered(knowledge.title(name))}: {spaced(word)}"
            for name, word in report.confirmed.items()
        )
        who, time = report.closing
        by = f", by {who}" * bool(who) + (f", {_time(report, time)}" if time else "")
        yield Paragraph(f"Outcome written down{by}: {', '.join(words)}.", "answer")
    intervals = found.doubts.intervals if found.doubts else {}

    def row(name: str, title: str, now: float, before: float) -> tuple[str, ...]:
        ends = (_between(intervals[name].low, intervals[name].high),) if intervals else ()
        return (title, percent(now), *ends, percent(before))

    rows = [row(SOUND, "Nothing wrong at all", found.p_sound, found.p_sound_before)]
    listed = [c for c in found.conditions if c.probability >= LISTED_FROM][:LISTED]
    rows += [row(c.name, title_of(c.name, knowledge), c.probability, c.prior) for c in listed]
    middle = ("nine in ten between",) if intervals else ()
    head = ("", "now", *middle, "before looking")
    yield Table("", head, rows, tuple(range(1, len(head))))
    told = []
    for present, probability in found.combinations[:COMBINED]:
        title = " + ".join(lowered(title_of(name, knowledge)) for name in present)
        told.append(f"{title or 'nothing wrong'} {percent(probability)}")
    lines = [f"Whole cars, every other fault absent: {'; '.join(told)}."]
    if found.ruled_out:
        names = ", ".join(lowered(condition_title(n, knowledge)) for n in found.ruled_out)
        lines.append(f"Considered and as good as ruled out, each below 1 %: {names}.")
    told_of = {*(c.name for c in listed), *found.ruled_out}
    rest = [condition_title(c.name, knowledge) for c in found.conditions if c.name not in told_of]
    if rest:
        lines.append(f"Considered besides: {', '.join(map(lowered, rest))}.")
    yield Paragraph(" ".join(lines), "faint")


def _between(low: float, high: float) -> str:
    """The ends of an interval; nothing where they read alike."""
    ends = percent(low), percent(high)
    return f"{ends[0]} to {ends[1]}" if ends[0] != ends[1] else ""


def _readings(report: Report) -> Iterator[Block]:
    rows, timed = reading_rows(report)
    if not rows:
        return
    yield Heading(2, "Readings")
    timing = ("when", "by; remark") if timed else ()
    head = ("reading", "read", "with", "sound car, nine in ten", "", *timing)
    widths = (22, 11, 16, 18, 7, 13, 13) if timed else (34, 16, 16, 26, 8)
    yield Table("", head, rows, widths=widths)


def _entries(report: Report) -> Iterator[Block]:
    yield Heading(2, "Everything recorded")
    if not report.entries:
        yield Paragraph("Nothing was recorded.")
    elif report.events:
        rows = [
            (_time(report, e.time), sentence(e.what), "; ".join(filter(None, (e.who, e.note))))
            for e in report.entries
        ]
        yield Table("", ("when", "what", "who; remark"), rows, widths=(18, 56, 26))
    else:
        yield Paragraph("In the order of the case file, which keeps no times.", "faint")
        yield Items([sentence(entry.what) for entry in report.entries], "two")


def _photos(report: Report) -> Iterator[Block]:
    photos = [*report.photos_before, *report.photos_after]
    if not photos:
        return
    yield Heading(2, "Photos")
    drawn, left, room = [], [], LARGEST_PHOTOS
    for photo in photos:
        what = title_of_photo(photo.about, report)
        caption = f"{what}, {photo.taken_in.astimezone(report.written.tzinfo):%Y-%m-%d %H:%M}"
        room -= photo.path.stat().st_size
        if room >= 0:
            drawn.append(Drawing(Shot(caption, photo.data_uri()), caption))
        else:
            left.append(photo.name)
    yield Drawings(drawn, "small")
    if left:
        yield Paragraph(
            f"Kept beside the book, too large for this page: {', '.join(left)}.", "faint"
        )


def title_of_photo(about: str, report: Report) -> str:
    """What a photo shows, as the knowledge calls it."""
    return sentence(report.knowledge.title(about))


def _course(report: Report) -> Iterator[Block]:
    """How the leading probabilities moved, drawn beside what moved them, and in numbers."""
    found, knowledge = report.explanation, report.knowledge
    yield Heading(2, "How the probabilities moved, and why")
    drawings = []
    told = _drawn(report)
    steps = _telling(report.course, STEPS)
    moments = report.with_ranges(steps, [*told])
    if len(moments) > 1:
        pictured = _telling(report.course, PICTURED)
        shown = [moment for step, moment in zip(steps, moments, strict=True) if step in pictured]
        caption = "After each step; the broad bands hold nine in ten of what it could be."
        if len(shown) < len(report.course):
            caption += f" The {len(shown)} steps of {len(report.course)} that moved most."
        drawings.append(Drawing(course_picture(shown, told), caption))
    picture = explanation_picture(found, report.result.recorded, knowledge, BARS)
    title = lowered(condition_title(found.condition, knowledge))
    caption = f"Weight of evidence for {title}: the share of each, whatever the order."
    drawings.append(Drawing(picture, caption + _sampled(report)))
    yield Drawings(drawings)
    yield from _why(report)
    if len(moments) > 1:
        yield _course_table(moments, list(told)[:TABLED], told)
    if report.older:
        older = ", ".join(report.older)
        yield Paragraph(f"Some were worked out under earlier knowledge ({older}).", "faint")


def _sampled(report: Report) -> str:
    shares = report.explanation.shares
    if not shares.orders:
        return ""
    error = max(share.standard_error for share in shares.shares)
    return f" From {shares.orders} sampled orders, standard error {error:.2f} at most."


def _course_table(moments: Sequence[Moment], names: Sequence[str], titles: dict[str, str]) -> Table:
    """The same in numbers, with intervals where there are any."""

    def cell(moment: Moment, name: str) -> str:
        now, between = (
            percent(moment.probabilities[name]),
            _between(*moment.ranges.get(name, (0, 0))),
        )
        return f"{now} ({between})" if between else now

    rows = [(m.label, *(cell(m, name) for name in names)) for m in moments]
    numbers = tuple(range(1, len(names) + 1))
    return Table("", ("after", *(titles[name] for name in names)), rows, numbers)


def _drawn(report: Report) -> dict[str, str]:
    """What leads now, what rose highest, and the sound car if it was ever near."""
    ranking = report.result.conditions
    peaks = {c.name: max(m.probabilities[c.name] for m in report.course) for c in ranking}
    others = sorted((c.name for c in ranking[1:]), key=lambda name: -peaks[name])
    names = [ranking[0].name, *(n for n in others if peaks[n] >= DRAWN_FROM)][:DRAWN]
    if max(moment.probabilities[SOUND] for moment in report.course) >= DRAWN_FROM:
        names.append(SOUND)
    return {name: title_of(name, report.knowledge) for name in names}


def _telling(course: Sequence[Moment], at_most: int) -> list[int]:
    """First and last step, and of a long course those between that moved anything most."""
    moved = [
        max(abs(p - before.probabilities[name]) for name, p in after.probabilities.items())
        for before, after in pairwise(course)
    ]
    ends = {0, len(course) - 1}
    order = sorted(range(1, len(course)), key=lambda i: -moved[i - 1])
    return sorted(ends | set(order[: at_most - len(ends)]))


def _why(report: Report) -> Iterator[Block]:
    """What tells the leading condition from its rival, and whether all fits together."""
    found, knowledge = report.explanation, report.knowledge
    rival = lowered(condition_title(found.rival, knowledge))
    bars = bars_of(found.contrast, report.result.recorded, knowledge, BARS)
    apart = [f"{bar.label} ({bar.decibans:+.1f})" for bar in bars[:4]]
    yield Paragraph(
        f"Why not {rival} ({percent(found.rival_now)})? What tells the two apart, in decibans: "
        f"{'; '.join(apart) or 'nothing that was recorded'}. {_fit(report)}"
    )


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


def _turning_points(report: Report) -> Iterator[Block]:
    knowledge, rows = report.knowledge, []
    for point in report.explanation.turning_points[:TURNING]:
        supposed = spaced(f"{knowledge.node(point.name).title}: {point.state}")
        recorded = spaced(point.recorded) or "not looked at"
        then = f"{lowered(condition_title(point.verdict, knowledge))}, {percent(point.probability)}"
        rows.append((supposed, recorded, percent(point.chance), then))
    if rows:
        yield Heading(2, "What would change the verdict, each alone")
        yield Table("", ("if it were", "instead of", "chance", "then"), rows, (2,))
    else:
        yield Paragraph("No single further look, and no single other reading, would change it.")


def _tests(report: Report) -> Iterator[Block]:
    tests = report.result.tests[:TESTS] if report.knowledge.services else ()
    if not tests:
        return
    known = report.knowledge.tests
    rows = [
        (known[t.test].title, f"{t.minutes:.0f}", f"{t.bits:.2f}", f"{t.net_value:.0f}",
         ", ".join(lowered(known[name].title) for name in t.blocked_by))
        for t in tests
    ]  # fmt: skip
    yield Heading(2, "What to test next")
    yield Table("", ("test", "minutes", "bits", "worth", "after"), rows, (1, 2, 3))


def _plan(report: Report) -> Iterator[Block]:
    """The best plan and what comes closest to it."""
    plan = report.plan
    if plan is None:
        return
    yield Heading(2, "What to do to the car")
    if plan["test_first"]:
        title = lowered(report.knowledge.tests[plan["test_first"]].title)
        yield Paragraph(f"A test comes first: {title}. Without it, the first plan below.")
    rows = []
    for option in (plan["best"], *plan["others"]):
        services = (report.knowledge.services[name].title for name in option["services"])
        first = (lowered(report.knowledge.tests[name].title) for name in option["first"])
        money = (
            f"{option[key]:.0f}" for key in ("minutes", "outlay", "harm_left", "expected_cost")
        )
        rows.append((" + ".join(services) or "leave it as it is", ", ".join(first), *money))
    head = ("services", "before", "minutes", "outlay", "harm left", "all")
    yield Table(f"By expected cost, in {amounts_in(plan['currency'])}", head, rows, (2, 3, 4, 5))
    same = plan["same_decision"]["probability"]
    shipped = report.knowledge.prices.get("source") == "invented"
    yield Paragraph(
        f"If everything were known, the same plan would be best with probability {percent(same)}; "
        f"being wrong costs {plan['cost_of_being_wrong']:.0f} on average."
        + " Shipped prices are invented; a price file replaces them."
        * shipped,
        "faint",
    )


def _cautions(report: Report) -> Iterator[Block]:
    result = report.result
    said = [text for stop in result.stops for text in stop.cautions]
    best = result.advice.best if report.plan is not None else None
    named = (*best.first, *best.services) if best is not None else ()
    work = result.beware_of(named, said)
    cautions = [text for text in result.cautions if text not in said]
    told = list(dict.fromkeys([*said, *cautions, *work.here]))
    if told or work.always:
        yield Heading(2, "Beware")
        yield Items(told, "caution")
    if work.always:
        yield Paragraph(f"As always: {'; '.join(work.always)}.", "faint")


def _unseen(report: Report) -> Iterator[Block]:
    nodes, unseen = report.knowledge.nodes, set(report.result.unseen)
    whole, lines = [], []
    for group, names in groups_of(report.knowledge).items():
        missing = [lowered(nodes[name].title) for name in names if name in unseen]
        if len(missing) == len(names):
            whole.append(group)
        elif missing:
            lines.append(f"{group}: {', '.join(missing)}")
    told = [f"nothing of {', '.join(whole)}"] * bool(whole) + lines
    yield Heading(2, "Not looked at")
    yield Paragraph(sentence("; ".join(told) or "nothing") + ".", "small")


def _knowledge(report: Report) -> Iterator[Block]:
    yield Heading(2, "How this was worked out")
    if report.result.warnings:
        yield Items([report.knowledge.told(text) for text in report.result.warnings])
    yield Paragraph(
        "Exact probabilities from a network of faults, findings and readings; every number of it "
        f"names its source and grade. loopodds {version('loopodds')}, knowledge "
        f"{report.knowledge.digest}, log evidence {report.result.log_evidence:.3f}. They replace "
        "neither licensed work nor the law of the place.",
        "small",
    )
