"""What was seen, for the customer: results in plain words, and pictures of before and after."""

from collections.abc import Mapping, Sequence
from typing import NamedTuple

import numpy as np

from loopodds.base.phrases import sentence
from loopodds.inference.likelihoods import interval_codes
from loopodds.inspection.encoding import encoding_of
from loopodds.inspection.inspection import Inspection
from loopodds.knowledge.records import Knowledge
from loopodds.papers.content import Report
from loopodds.papers.glass import Mark, glass, look_of, scale
from loopodds.papers.photos import Photo
from loopodds.papers.wording import Wording
from loopodds.report.document import Drawing, Shot
from loopodds.report.gauge_sheet import GaugeLine, gauge_sheet

CAPTIONED = 3
VENT, SAMPLE = "vent", "sample_"


class Result(NamedTuple):
    """What was seen or read under a name: its word, and a number as it was written."""

    state: str
    amount: str


def results_of(inspection: Inspection, knowledge: Knowledge) -> dict[str, Result]:
    """Findings and readings of one round, each with its word; of a doubtful one the likeliest."""
    encoding = encoding_of(inspection, knowledge)
    results = {}
    for name, node in knowledge.of_kind("finding", "gauge").items():
        code = encoding.batch.word(name)
        if code >= 0:
            amounts = (
                inspection.readings[n].text for n in node.amounts if n in inspection.readings
            )
            results[name] = Result(node.states[code], " / ".join(amounts))
    for name, reading in encoding.readings.items():
        residual = reading.residual[:1]
        if not np.isnan(residual[0]):
            node = knowledge.gauges[name]
            word = node.states[int(interval_codes(residual, node.cuts)[0])]
            text = inspection.readings[name].text if name in inspection.readings else ""
            results[name] = Result(word, text)
    return results


def sign_text(name: str, result: Result, say: Wording) -> tuple[str, bool] | None:
    """What a result means to the customer with its number, and whether that is good."""
    found = say.sign(name, result.state)
    if found is None:
        return None
    amount = f" ({say.amount(result.amount)})" if result.amount else ""
    return sentence(found.text) + amount, found.good


def before_and_after(report: Report, say: Wording) -> list[Drawing]:
    """The sample before and after, as photos where there are any, else drawn; and the vents.

    Before a repair stands beside the car what is in order; without a sample any photo will do.
    """
    repairs = report.result.inspection.repairs
    rounds = [*(repair.before for repair in repairs), report.result.inspection]
    came = rounds[: len(repairs)] or rounds
    early = _looked(came, report.photos_before, "then" if repairs else "before", say)
    late = _looked(rounds[-1:], report.photos_after, "since", say) if repairs else None
    drawn = [one for one in (early, late) if one is not None]
    if early and not repairs:
        caption = say.page("after")
        drawn.append(Drawing(glass({"sample_greenness": "none"}, caption), caption))
    vents = _vents(rounds, report, say)
    if vents and (repairs or not drawn):
        drawn.append(vents)
    if not drawn and report.photos_before:
        drawn.append(_photo(report.photos_before[-1], "photo_of", say))
    return drawn


def _looked(
    rounds: Sequence[Inspection], photos: Sequence[Photo], key: str, say: Wording
) -> Drawing | None:
    """The last look at a sample in some rounds, or the photo of it."""
    taken = [photo for photo in photos if photo.about.startswith(SAMPLE)]
    if taken:
        return _photo(taken[-1], key, say)
    seen = [(look, one) for one in rounds if (look := look_of(one.findings))]
    return _sample(*seen[-1], key, say) if seen else None


def _photo(photo: Photo, key: str, say: Wording) -> Drawing:
    node = say.knowledge.nodes.get(photo.about)
    what = (
        say.page("sample")
        if photo.about.startswith(SAMPLE)
        else say.check(node.group if node else "")
    )
    caption = say.page(key, caption=what, what=what)
    return Drawing(Shot(caption, photo.data_uri()), caption)


def _sample(look: Mapping[str, str], seen: Inspection, key: str, say: Wording) -> Drawing:
    """The glass of one round with what is to be seen in it."""
    results = results_of(seen, say.knowledge)
    signs = [say.sign(name, results[name].state) for name in look if name in results]
    told = [sign.text for sign in signs if sign is not None and not sign.good][:CAPTIONED]
    caption = say.page(key, caption="; ".join(told) or say.page("clear"))
    return Drawing(glass(look, caption), caption)


def _vents(rounds: Sequence[Inspection], report: Report, say: Wording) -> Drawing | None:
    """The air from the vents, before and after, beside what would be right; None where unknown."""
    lines = [_vent_line(seen, report) for seen in rounds]
    read = [(number, line) for number, line in enumerate(lines) if line and line.read is not None]
    if not read:
        return None
    last = read[-1][1]
    read = [(number, line) for number, line in read if line.unit == last.unit]
    marks = []
    for number, line in dict(read[:1] + read[-1:]).items():
        late = number == len(rounds) - 1
        key = "vent_read" if len(rounds) == 1 else "vent_after" if late else "vent_before"
        shown = say.amount(f"{line.read:g} {line.unit}")
        marks.append(Mark(say.page(key), line.read or 0.0, shown))
    low, high = round(last.sound.low), round(last.sound.high)
    right = f"{say.page('vent_right')}\n{low} – {say.amount(f'{high} {last.unit}')}"
    caption = say.page("vent")
    told = "; ".join(f"{mark.label} {mark.text}" for mark in marks)
    words = f"{caption}: {told}; {right}".replace("\n", " ")
    return Drawing(scale(marks, low, high, right, words), caption)


def _vent_line(seen: Inspection, report: Report) -> GaugeLine | None:
    """The reading at the vents, where what it should be can be told."""
    if VENT not in seen.readings or "refrigerant" not in seen.vehicle:
        return None
    sheet = gauge_sheet(seen, report.result.model)
    return next((line for line in sheet.lines if line.name == VENT), None)
