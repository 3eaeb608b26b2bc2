"""What comes of a watch: alarms, and what there is to tell of each."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from math import isfinite
from typing import Any, NamedTuple

from loopodds.drift.causes import Explaining, Offset


class Moment(NamedTuple):
    """A row of the archive, its date (empty where rows stand in order), its place in time."""

    row: int
    date: str
    place: int  # the first is 0


class Carrier(NamedTuple):
    """One word of a column by which rows are judged apart."""

    column: str
    word: str
    p_value: float
    alone: bool  # whether the rows without it are as foretold


@dataclass(frozen=True, slots=True, eq=False)
class Alarm:
    """One thing that is not as foretold any more."""

    name: str  # finding, history or gauge; "inspections" where all looks together are odd
    kind: str  # "word", "number" or "whole"
    group: Carrier | None  # whose looks it is told of; None is everybody's
    looks: int
    p_value: float  # may be looked at any time
    since: Moment
    earliest: Moment  # the likely range of since
    latest: Moment
    from_start: bool  # whether it may have been so from the first look on
    until: Moment | None  # None where it still goes on
    raised: Moment  # from here on it was sure enough
    state: str  # said oftener or more seldom
    expected: float  # of the looks since, with that state; of inspections odd looks
    seen: int
    looks_since: int
    offset: Offset | None
    scatter: float  # factor of the spread of a gauge; nan where it is no matter of that
    carried_by: tuple[Carrier, ...]
    explained: tuple[Explaining, ...]  # best first; empty where no number explains it
    follows: bool  # of inspections: without the looks that are named they are as foretold

    def as_json(self) -> dict[str, Any]:
        """Plain data for ``json.dumps``."""

        def plain(value: float) -> float | None:
            return value if isfinite(value) else None

        entry: dict[str, Any] = {
            "name": self.name,
            "kind": self.kind,
            "group": self.group._asdict() if self.group else None,
            "looks": self.looks,
            "p_value": self.p_value,
        }
        for key in ("since", "earliest", "latest", "until", "raised"):
            moment = getattr(self, key)
            entry[key] = moment._asdict() if moment else None
        return entry | {
            "from_start": self.from_start,
            "state": self.state,
            "looks_since": self.looks_since,
            "expected": plain(self.expected),
            "seen": self.seen,
            "offset": self.offset._asdict() if self.offset else None,
            "scatter": plain(self.scatter),
            "carried_by": [carrier._asdict() for carrier in self.carried_by],
            "follows": self.follows,
            "explained": [one._asdict() for one in self.explained],
        }


class Course(NamedTuple):
    """What a stake of one on a stream has become, at some moments of it."""

    name: str
    group: str  # word of the column it is judged apart by; empty for all rows
    points: tuple[tuple[Moment, float], ...]  # log10 of the stake


@dataclass(frozen=True, slots=True, eq=False)
class Watch:
    """What came of watching."""

    rows: int
    rejected: int
    looks: int
    streams: int  # things that were bet on, apart for each word of a column
    ordered_by: str  # column of dates; empty where rows stand in order
    first: Moment
    last: Moment
    needed: float  # p-value from which a stream alarms
    least_p: float  # the least of all
    alarms: tuple[Alarm, ...]  # surest first
    together: tuple[Explaining, ...]  # what explains most of several alarms
    courses: tuple[Course, ...]  # of the streams with the highest stakes
    not_judged: Mapping[str, str]  # what is believed only, and why
    warnings: tuple[str, ...]

    def as_json(self) -> dict[str, Any]:
        """Plain data for ``json.dumps``."""
        return {
            "rows": self.rows,
            "rejected": self.rejected,
            "looks": self.looks,
            "streams": self.streams,
            "ordered_by": self.ordered_by or None,
            "first": self.first._asdict(),
            "last": self.last._asdict(),
            "needed": self.needed,
            "least_p": self.least_p,
            "alarms": [alarm.as_json() for alarm in self.alarms],
            "together": [one._asdict() for one in self.together],
            "not_judged": dict(self.not_judged),
            "warnings": list(self.warnings),
        }
