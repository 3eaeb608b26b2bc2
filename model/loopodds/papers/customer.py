"""The page for the customer: what is wrong in plain words, what it means, what can be chosen.

One sheet of A4 or Letter. Before a repair: complaint, finding, what it means if left, offers. After
one: first diagnosis, what was done, how it was proved, how the car stands now. Nothing stands on it
that nobody recorded, and every probability is told once.
"""

from collections.abc import Iterator, Mapping, Sequence

from loopodds.advice.proposals import BEST, LEAST, THOROUGH, Proposal
from loopodds.base.phrases import sentence
from loopodds.decision.prices import shipped_prices
from loopodds.diagnosis.belief import groups_of
from loopodds.inspection.inspection import Quantity
from loopodds.inspection.vocabulary import ROUTINE
from loopodds.knowledge.records import SOUND
from loopodds.papers.content import Report
from loopodds.papers.pictures import Result, before_and_after, results_of, sign_text
from loopodds.papers.wording import Wording
from loopodds.report.document import (
    Block,
    Columns,
    Dotted,
    Drawings,
    Facts,
    Heading,
    Items,
    Offer,
    Offers,
    Paragraph,
    Signatures,
)

SIGNS, PROOFS, OTHERS = 4, 6, 2
LIKELY, OTHERS_FROM, HARDLY = 0.60, 0.15, 0.20
"""From where on something is said to be so, is named as possible; up to where it is hardly so."""
HELPS = 0.4
"""Chance that the complaint is gone from which an offer may be called one that helps."""
SPEAKS_FROM = 0.3
"""Decibans from which a result is named as speaking for what was found."""


def customer_blocks(report: Report, say: Wording) -> Iterator[Block]:
    """The page, block by block."""
    repaired = bool(report.result.repairs)
    yield Paragraph(report.sender.name or say.page("workshop") + ": ", "sender")
    if report.sender.address:
        yield Paragraph(" · ".join(report.sender.address.splitlines()), "address")
    yield Heading(1, say.page("title_repaired" if repaired else "title"))
    yield Facts(_facts(report, say))
    if report.knowledge.unsafe:
        yield Paragraph(say.page("unsafe"), "please")
    asked = [text for stop in report.result.stops if (text := say.stop(stop.name))]
    if asked:
        yield Paragraph(f"{say.page('please')}: {' '.join(dict.fromkeys(asked))}", "please")
    drawings = before_and_after(report, say)
    main = [*_complaint(report, say), *(_after(report, say) if repaired else _before(report, say))]
    yield Columns(main, [Drawings(drawings)]) if drawings else Columns(main, [])
    offers = _offers(report, say)
    if not report.confirmed and report.knowledge.services:
        yield from _choice(offers, report, say)
    yield from _not_checked(report, say)
    yield from _end(offers, report, say)


def _facts(report: Report, say: Wording) -> list[tuple[str, str]]:
    mileage = report.result.inspection.vehicle.get("mileage", "")
    driven = _driven(mileage, say) if isinstance(mileage, Quantity) else ""
    facts = [
        (say.page("car"), report.plate),
        (say.page("mileage"), driven),
        (say.page("date"), say.day(report.written.date())),
    ]
    if report.events:
        facts.append((say.page("number"), str(report.events[0].case)))
    return facts


def _driven(mileage: Quantity, say: Wording) -> str:
    number, _, unit = mileage.text.partition(" ")
    try:
        return f"{say.number(float(number), 0)} {unit}"
    except ValueError:
        return mileage.text


def _complaint(report: Report, say: Wording) -> Iterator[Block]:
    came = report.result.inspection.as_it_came
    results = results_of(came, report.knowledge)
    told = [say.complaint(name, result.state) for name, result in results.items()]
    said = " ".join(filter(None, told))
    if not said:
        routine = came.conditions.get("setting") == ROUTINE
        said = say.page("no_complaint" if routine else "complaint_unknown")
    yield Heading(2, say.page("complaint"))
    yield Paragraph(said)


def _before(report: Report, say: Wording) -> Iterator[Block]:
    """What was found on a car that nothing was done to."""
    if report.confirmed:
        yield from _turned_out(report, say)
        return
    yield Heading(2, say.page("found"))
    found = report.result
    leader = found.conditions[0]
    results = results_of(found.inspection, report.knowledge)
    if not found.recorded:
        yield Paragraph(say.page("open"), "answer")
        yield Paragraph(say.page("nothing_seen"))
    elif found.p_sound >= LIKELY:
        yield Paragraph(say.page("sound"), "answer")
        yield _sure(say.page("sound_is"), SOUND, found.p_sound, report, say)
        yield from _signs(say.page("in_order"), results, results, say, good=True)
    elif found.p_sound > leader.probability:
        yield Paragraph(say.page("sound_so_far"), "answer")
        yield Paragraph(say.page("sound_so_far_is"))
        yield from _signs(say.page("in_order"), results, results, say, good=True)
        others = [c.name for c in found.conditions if c.probability >= OTHERS_FROM][:OTHERS]
        if others:
            names = "; ".join(say.condition(name).title for name in others)
            yield Paragraph(say.page("other_possible", names=names), "faint")
    elif leader.probability < LIKELY:
        yield Paragraph(say.page("open"), "answer")
        yield Paragraph(say.page("open_is"))
        yield _possible(report, say)
    else:
        yield from _settled(report, results, say)


def _possible(report: Report, say: Wording) -> Items:
    """What it may be, likeliest first."""
    ranked = report.result.conditions
    named = [c for c in ranked if c.probability >= OTHERS_FROM][:SIGNS] or ranked[:1]
    return Items([f"{say.condition(c.name).title}: {say.chance(c.probability)}" for c in named])


def _settled(report: Report, results: Mapping[str, Result], say: Wording) -> Iterator[Block]:
    """One thing or several that are likely, what speaks for them, and what they lead to."""
    found = report.result
    leader = found.conditions[0]
    plain = say.condition(leader.name)
    yield Paragraph(plain.title, "answer")
    yield _sure(plain.is_, leader.name, leader.probability, report, say)
    also = [c for c in found.conditions[1:] if c.probability >= LIKELY][:OTHERS]
    if also:
        yield Paragraph(say.page("also"))
        yield Items([f"{say.condition(c.name).title}. {say.condition(c.name).is_}" for c in also])
    others = [c for c in found.conditions if OTHERS_FROM <= c.probability < LIKELY]
    named = [say.condition(c.name).title for c in others if c is not leader][:OTHERS]
    if named:
        yield Paragraph(say.page("other_possible", names="; ".join(named)), "faint")
    shares = [share for share in report.explanation.shares.shares if share.decibans >= SPEAKS_FROM]
    telling = [share.name for share in sorted(shares, key=lambda share: -share.decibans)]
    yield from _signs(say.page("seen"), telling, results, say, good=False)
    yield from _left([c.name for c in (leader, *also)][:OTHERS], say)


def _sure(text: str, name: str, probability: float, report: Report, say: Wording) -> Dotted:
    """What is believed and how surely, in words and dots."""
    doubts = report.result.leading_doubts
    interval = doubts.intervals.get(name) if doubts else None
    low, high = (interval.low, interval.high) if interval else (None, None)
    return Dotted(f"{text} {say.sure(probability)}", probability, low, high, say.dots)


def _left(names: Sequence[str], say: Wording) -> Iterator[Block]:
    """What becomes of the car if nothing is done."""
    told = [(say.condition(name).title, say.condition(name).left) for name in names]
    told = [(title, text) for title, text in told if text]
    if told:
        yield Heading(2, say.page("left"))
    if len(told) == 1:
        yield Paragraph(told[0][1])
    else:
        yield Items([f"{title}: {text}" for title, text in told])


def _signs(
    heading: str, names: Sequence[str] | Mapping[str, Result], results: Mapping[str, Result],
    say: Wording, good: bool,
) -> Iterator[Block]:  # fmt: skip
    """Results in plain words, the good ones or the bad, if there are any."""
    texts = [sign_text(name, results[name], say) for name in names if name in results]
    told = [text for text, is_good in filter(None, texts) if is_good is good]
    if told:
        yield Heading(3, heading)
        yield Items(list(dict.fromkeys(told))[:SIGNS], "signs")


def _turned_out(report: Report, say: Wording) -> Iterator[Block]:
    """The outcome that somebody wrote down; nothing else is called certain."""
    yield Heading(2, say.page("turned_out"))
    names = _outcomes(report)
    titles = [say.condition(name).title for name in names]
    yield Paragraph(". ".join(titles) or say.page("nothing_wrong"), "answer")
    for name in names[:OTHERS]:
        yield Paragraph(say.condition(name).is_)
    who, time = report.closing
    if who and time:
        yield Paragraph(say.page("written_by", who=who, date=say.day(report.here(time).date())))
    else:
        yield Paragraph(say.page("written"))
    if not report.result.repairs:
        yield from _left(names[:OTHERS], say)


def _outcomes(report: Report) -> list[str]:
    """Conditions that an outcome says were there."""
    names = []
    for fault, word in report.confirmed.items():
        for condition in report.knowledge.conditions.values():
            named = word not in ("absent", "right") and fault == condition.name
            if named or (fault == condition.variable and word in condition.states):
                names.append(condition.name)
        if word == "present" and fault in report.knowledge.nodes:
            own = [c.name for c in report.knowledge.conditions.values() if c.variable == fault]
            names += own[:1]
    return list(dict.fromkeys(names))


def _after(report: Report, say: Wording) -> Iterator[Block]:
    """A repaired car: first diagnosis, work, proof, and how it stands now."""
    yield Heading(2, say.page("first"))
    first = report.at_first()
    names = sorted((n for n in first if n != SOUND), key=lambda name: -first[name])
    likely = [name for name in names if first[name] >= LIKELY][: OTHERS + 1] or names[:1]
    if first[likely[0]] < LIKELY:
        yield Paragraph(say.page("first_open"))
    else:
        titles = ". ".join(say.condition(name).title for name in likely)
        yield Paragraph(f"{titles}. {say.condition(likely[0]).is_} {say.sure(first[likely[0]])}")
    yield Heading(2, say.page("done"))
    yield Items([_work(report, number, say) for number in range(len(report.result.repairs))])
    yield Heading(2, say.page("proof"))
    yield from _proof(report, say)
    if report.confirmed:
        yield from _turned_out(report, say)
        return
    yield Heading(2, say.page("now"))
    yield from _now(report, say)


def _work(report: Report, number: int, say: Wording) -> str:
    works = "; ".join(say.service(name) for name in report.result.repairs[number])
    if number < len(report.repaired_at):
        return f"{say.day(report.here(report.repaired_at[number]).date())}: {works}"
    return works


def _proof(report: Report, say: Wording) -> Iterator[Block]:
    results = results_of(report.result.inspection, report.knowledge)
    told = [found for name, one in results.items() if (found := sign_text(name, one, say))]
    if not told:
        yield Paragraph(say.page("no_proof"))
    for good in (True, False):
        texts = [text for text, is_good in told if is_good is good][:PROOFS]
        if texts:
            yield Items(texts, "good" if good else "bad")


def _now(report: Report, say: Wording) -> Iterator[Block]:
    found = report.result
    leader = found.conditions[0]
    if found.p_sound >= LIKELY:
        yield Paragraph(say.page("now_sound"), "answer")
        yield Dotted(say.sure(found.p_sound), found.p_sound, words=say.dots)
    elif found.p_sound < HARDLY and leader.probability < LIKELY:
        yield Paragraph(say.page("now_left"), "answer")
        yield Paragraph(say.page("now_unsettled_is"))
        yield _possible(report, say)
    elif leader.probability >= LIKELY:
        plain = say.condition(leader.name)
        yield Paragraph(say.page("now_left"), "answer")
        yield Paragraph(say.page("now_left_is"))
        yield Items([f"{plain.title}. {plain.is_} {say.sure(leader.probability)}"])
        yield Paragraph(f"{say.page('left')}: {plain.left}", "faint")
    else:
        yield Paragraph(say.page("now_open"), "answer")
        yield Paragraph(say.page("now_open_is"))


def _offers(report: Report, say: Wording) -> list[Offer]:
    """What can be done, up to three ways; nothing on a car that is sound or done with."""
    result = report.result
    if report.confirmed or not report.knowledge.services:
        return []
    offers = [(kinds, offer) for offer in result.offers if (kinds := _kinds(offer))]
    works = [offer.plan.services for _, offer in offers]
    is_sound = result.p_sound >= LIKELY and result.plan is not None and not result.plan.services
    if is_sound or not any(works):
        return []
    if len(offers) == 1:
        offers = [(offers[0][0][:1], offers[0][1])]
    return [_offer(kinds, offer, result.currency, say) for kinds, offer in offers]


def _choice(offers: Sequence[Offer], report: Report, say: Wording) -> Iterator[Block]:
    """What the customer can choose, and the check that comes first."""
    result = report.result
    yield Heading(2, say.page("choose"))
    if result.to_test and (offers or result.p_sound < LIKELY):
        test = result.to_test[0]
        minutes = say.number(result.shop.step(test).minutes, 0)
        first = say.page("check_first", test=say.test(test), minutes=minutes)
        yield Paragraph(f"{say.page('prices_now')} {first}" if offers else first)
    if not offers:
        yield Paragraph(say.page("nothing_to_do"))
        return
    yield Offers(offers)
    shipped = result.shop.gates.prices is shipped_prices(report.knowledge)
    invented = shipped and report.knowledge.prices.get("source") == "invented"
    yield Paragraph(say.page("invented" if invented else "estimate"), "faint")


def _kinds(offer: Proposal) -> list[str]:
    """What an offer may be called: one after which the complaint is hardly gone does not help."""
    helps = offer.gone is None or offer.gone.probability >= HELPS
    kinds = (BEST, LEAST, THOROUGH) if helps else (BEST, THOROUGH)
    return [kind for kind in kinds if kind in offer.kinds]


def _offer(kinds: Sequence[str], offer: Proposal, currency: str, say: Wording) -> Offer:
    title = sentence(" · ".join(say.page(kind) for kind in kinds))
    works = [say.service(name) for name in offer.plan.services] or [say.page("leave_it")]
    price = ""
    if offer.plan.minutes or offer.plan.outlay:
        amount, time = say.money(offer.plan.outlay, currency), say.work(offer.plan.minutes)
        price = say.page("price", amount=amount, time=time)
    lines = []
    if offer.gone is not None:
        lines.append(say.page("gone", chance=say.chance(offer.gone.probability)))
    if offer.leaves:
        names = ", ".join(say.condition(left.condition).title for left in offer.leaves[:OTHERS])
        lines.append(say.page("may_leave", names=names))
    return Offer(title, works, price, lines)


def _not_checked(report: Report, say: Wording) -> Iterator[Block]:
    unseen = set(report.result.unseen)
    missing: list[str] = []
    part: list[str] = []
    for group, names in groups_of(report.knowledge).items():
        if unseen.issuperset(names):
            missing.append(say.check(group))
        elif unseen.intersection(names):
            part.append(say.check(group))
    told = [", ".join(missing)] if missing else []
    told += [say.page("in_part", names=", ".join(part))] if part else []
    said = sentence("; ".join(told)) + f". {say.page('not_known')}" if told else ""
    yield Paragraph(f"{say.page('not_checked')}: {said or say.page('checked_all')}", "unchecked")


def _end(offers: Sequence[Offer], report: Report, say: Wording) -> Iterator[Block]:
    yield Paragraph(say.page("order" if offers else "received"), "agreed")
    yield Signatures([say.page("signature"), say.page("for_workshop")])
    case = f"{report.result.case}." if report.result.case else ""
    written = f"{report.written:%Y-%m-%d %H:%M}"
    foot = say.page("foot", case=case, knowledge=report.knowledge.digest, written=written)
    yield Paragraph(foot, "foot")
