"""A photo taken into a case: of this car, of a fresh sample, with its picture and its numbers."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from typing import Any

from loopodds.base.errors import LoopoddsError
from loopodds.casebook.answers import Answer
from loopodds.casebook.events import Event
from loopodds.casebook.replay import recorded_in, replay
from loopodds.casebook.work import Casework
from loopodds.knowledge.records import Knowledge
from loopodds.photo.beside import Shelf, digest_of
from loopodds.photo.links import links_of, photo_likelihoods
from loopodds.photo.reading import Reading, Refusal, refusal

ABOUT = "sample"
SLOW_CLOCKS = timedelta(minutes=10)
"""By how much the clocks of a phone and of this computer may differ."""


class PhotoRefused(LoopoddsError, ValueError):
    """A photo that is no evidence: every reason with its remedy."""


def photo_of_case(
    reading: Reading, content: bytes, case: int, work: Casework, now: datetime | None = None
) -> Reading:
    """The reading with what speaks against it as a photo of this case's sample."""
    events = work.book.events(case)
    found = [
        refusal("other_case", f"the same picture is kept with case {other}")
        for other in Shelf(work.book.path).others_with(case, digest_of(content))
    ][:1]
    found += _of_another_time(reading, events, work.knowledge, now or datetime.now(UTC))
    return replace(reading, refusals=(*reading.refusals, *found))


def _of_another_time(
    reading: Reading, events: Sequence[Event], knowledge: Knowledge, now: datetime
) -> Iterator[Refusal]:
    taken = reading.picture.taken
    fresh = fresh_time(knowledge)
    if taken is None or fresh is None:
        return
    # a time without its zone is that of this computer
    taken = taken.astimezone(UTC)
    steps = replay(events).steps
    repaired = [_time(step) for step in steps if step.kind == "repaired"]
    captured = _captured(steps, knowledge)
    told = f"taken at {taken:%Y-%m-%d %H:%M} UTC"
    if repaired and taken < repaired[-1] - SLOW_CLOCKS:
        yield refusal("old", f"{told}, before the last repair")
    elif taken < _time(events[0]) - fresh:
        yield refusal("other_case", f"{told}, long before this case was opened")
    elif captured is not None and taken > captured + fresh + SLOW_CLOCKS:
        stood = f"{fresh.total_seconds() / 60:.0f} min"
        yield refusal("old", f"{told}, more than {stood} after the sample was captured")
    elif captured is None and now - taken > fresh:
        yield refusal("old", f"{told}, and when the sample was captured is not recorded")


def fresh_time(knowledge: Knowledge) -> timedelta | None:
    """How long a sample stays fresh; None where the knowledge does not say."""
    times = [
        test.fresh_minutes
        for test in knowledge.tests.values()
        if test.fresh_minutes is not None and test.fresh_from in _looks(knowledge)
    ]
    return timedelta(minutes=max(times)) if times else None


def _looks(knowledge: Knowledge) -> list[str]:
    """Tests that yield what a photo tells."""
    told = {*links_of(knowledge)}
    return [test.name for test in knowledge.tests.values() if told & {*test.yields}]


def _captured(steps: Sequence[Event], knowledge: Knowledge) -> datetime | None:
    """When the sample that stands was captured, as far as it is recorded."""
    looks = _looks(knowledge)
    seen = {name for look in looks for name in knowledge.tests[look].yields}
    when = None
    for step in steps:
        if step.kind == "repaired":
            when = None
        elif (step.kind == "test_done" and step.content["test"] in looks) or (
            when is None and seen & {*recorded_in(step)}
        ):
            when = _time(step)
    return when


def _time(event: Event) -> datetime:
    moment = datetime.fromisoformat(event.time)
    return moment if moment.tzinfo else moment.replace(tzinfo=UTC)


def enter_photo(work: Casework, case: int, reading: Reading, content: bytes) -> Answer:
    """Keep the photo with a case and record what it says, as one step.

    Raises:
        PhotoRefused: if it is no evidence of this case.
    """
    reading = photo_of_case(reading, content, case, work)
    told = photo_likelihoods(reading, work.knowledge)
    if not told:
        raise PhotoRefused(refused_text(reading))
    photo = Shelf(work.book.path).keep(case, ABOUT, content)
    return work.photographed(case, told, {"picture": photo.name, **numbers_of(reading)})


def numbers_of(reading: Reading) -> dict[str, Any]:
    """What is kept of a reading beside its picture."""
    said = reading.as_json()
    return {key: said[key] for key in ("path_mm", "path_error_mm", "taken", "measured")}


def refused_text(reading: Reading) -> str:
    """Reasons and remedies, a line for each."""
    lines = [f"{r.problem}: {r.remedy}" for r in reading.refusals]
    return "\n".join(["the photo is no evidence", *lines])
