"""Alarms told in words of the knowledge and moments of the archive."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from math import exp, isfinite, log

import numpy as np

from loopodds.archive.encoded import EncodedArchive, Piece
from loopodds.base.arrays import IntArray
from loopodds.drift.causes import Explaining, explaining, instrument_offset
from loopodds.drift.judging import INSPECTIONS, Found, Judge, Stream
from loopodds.drift.kept import Key
from loopodds.drift.looks import NUMBER, order_of_looks
from loopodds.drift.results import Alarm, Carrier, Course
from loopodds.drift.times import Times
from loopodds.inspection.columns import ColumnPlan
from loopodds.knowledge.records import Knowledge

EXPLAINED = 5
"""Alarms of which the number that explains most is looked for, apart and together."""
EXPLAINS = 0.2
"""Share of what speaks for an alarm from which on a number is said to explain it."""
OTHERS_QUIET = 0.01
COURSES = 5


class Teller:
    """What there is to tell of streams that have won.

    Args:
        needed: Log of the stake from which a stream is named.
    """

    def __init__(
        self,
        knowledge: Knowledge,
        plan: ColumnPlan,
        data: EncodedArchive,
        times: Times,
        judge: Judge,
        needed: float,
    ) -> None:
        self._knowledge, self._data, self._times = knowledge, data, times
        self._judge, self._needed = judge, needed
        self._order = order_of_looks(plan, knowledge)
        self._named: set[Key] = set()

    def alarms(self, over: Sequence[Stream]) -> Iterator[Alarm]:
        """One for each thing, told of the stream of it that won most.

        Args:
            over: Streams that are named, the highest stake first.
        """
        told: set[Key] = set()
        self._named = {stream.key for stream in over} - {INSPECTIONS}
        for stream in over:
            if stream.key not in told:
                told.add(stream.key)
                same = [s for s in over if s.key == stream.key and s.column]
                yield self._alarm(stream, same, len(told) <= EXPLAINED)

    def _alarm(self, stream: Stream, same: Sequence[Stream], explain: bool) -> Alarm:
        name, kind = stream.key
        times, found = self._times, self._judge.found(stream, self._needed)
        rows = times.within(found, stream)
        context = next(_some(self._data, rows)).context
        offset = None
        if kind == NUMBER and isfinite(found.offset):
            offset = instrument_offset(name, found.offset, found.error, context, self._knowledge)
        state = self._knowledge.node(name).states[found.state] if found.state >= 0 else ""
        carriers = {s: self._carrier(s) for s in same}
        follows = kind == INSPECTIONS[1] and bool(self._named)
        follows = follows and self._judge.without(stream, self._named) < self._needed
        return Alarm(
            name, kind, carriers.pop(stream, None), stream.looks, exp(-stream.highest),
            times.moment(found.since), times.moment(found.earliest), times.moment(found.latest),
            found.from_start,
            times.moment(found.until) if found.ended else None, times.moment(found.raised),
            state, found.expected, found.seen, found.looks, offset, found.scatter,
            tuple(carriers.values()), self._explained(stream, found, rows) if explain else (),
            follows,
        )  # fmt: skip

    def _explained(self, stream: Stream, found: Found, rows: IntArray) -> tuple[Explaining, ...]:
        name = "" if stream.key == INSPECTIONS else stream.key[0]
        return self._explaining([name], found.gain / found.looks, rows)

    def _explaining(
        self, names: Sequence[str], gain: float, rows: IntArray
    ) -> tuple[Explaining, ...]:
        """The lists of numbers that gain enough of what was won a look."""
        best = explaining(self._knowledge, names, self._order, lambda: _some(self._data, rows))
        return tuple(one for one in best if one.gain >= EXPLAINS * gain)

    def together(self, over: Sequence[Stream]) -> tuple[Explaining, ...]:
        """What explains most of all findings and gauges that are named for everybody.

        Nothing where there is but one of them.
        """
        streams = [s for s in over if not s.column and s.key != INSPECTIONS][:EXPLAINED]
        names = tuple(dict.fromkeys(stream.key[0] for stream in streams))
        if len(names) < 2:
            return ()
        founds = [self._judge.found(stream, self._needed) for stream in streams]
        rows = np.unique(
            np.concatenate([self._times.within(f, s) for f, s in zip(founds, streams, strict=True)])
        )
        gain = sum(found.gain for found in founds) / sum(found.looks for found in founds)
        return self._explaining(names, gain, rows)

    def _carrier(self, stream: Stream) -> Carrier:
        word = self._data.words[stream.column][stream.word]
        alone = exp(-self._judge.others(stream)) > OTHERS_QUIET
        return Carrier(stream.column, word, exp(-stream.highest), alone)

    def courses(self, streams: Sequence[Stream]) -> Iterator[Course]:
        """Of the streams with the highest stakes, one for each thing."""
        told: set[Key] = set()
        for stream in streams:
            if stream.key in told or len(told) == COURSES:
                continue
            told.add(stream.key)
            group = self._data.words[stream.column][stream.word] if stream.column else ""
            points = self._judge.course(stream)
            moments = ((self._times.moment(rank), height / log(10)) for rank, height in points)
            yield Course(stream.key[0], group, tuple(moments))


def _some(data: EncodedArchive, numbers: IntArray) -> Iterator[Piece]:
    """The pieces of some rows."""
    wanted = np.zeros(int(numbers.max(initial=0)) + 1, bool)
    wanted[numbers] = True
    for piece in data.pieces():
        inside = piece.numbers < len(wanted)
        inside[inside] = wanted[piece.numbers[inside]]
        if inside.any():
            yield piece.take(np.flatnonzero(inside))
