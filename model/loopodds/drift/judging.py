"""Streams of looks judged in time, and what an alarm says of one of them."""

from __future__ import annotations

from collections.abc import Collection, Iterator, Sequence
from typing import Any, NamedTuple

import numpy as np

from loopodds.base.arrays import FloatArray, IntArray
from loopodds.drift.bets import (
    Stake,
    best_stretch,
    fitted_offset,
    oddity_ratios,
    word_bets,
    word_ratios,
)
from loopodds.drift.kept import Key, LookFiles
from loopodds.drift.looks import FACTORS, OFFSETS, WORD

INSPECTIONS: Key = ("inspections", "whole")
"""All looks of an inspection together."""
LEAST_LOOKS = 30
ODD = 0.05
CHUNK = 20_000
ENDED = 4.6
"""Log of what a bet has to lose afterwards for a stretch to be over: a hundred to one."""
MOST_POINTS = 200
"""Points of a curve that are kept."""


class Stream(NamedTuple):
    """Looks at one thing, of all rows or of those with one word in a further column."""

    key: Key
    column: str  # empty for all rows
    word: int
    looks: int
    highest: float  # log of what the stake was worth at best


class Found(NamedTuple):
    """What the stretch of looks on which a bet pays best is like; places count ranks of rows."""

    since: int
    earliest: int
    latest: int
    from_start: bool  # whether it may have been so from the first look on
    until: int  # the last rank of it
    ended: bool  # whether looks after it were as foretold again
    raised: int  # rank at which the stake reached what it takes
    looks: int  # of the stretch
    gain: float  # log-likelihood that the best bet won on them
    state: int  # said oftener or more seldom; -1 for numbers and inspections
    expected: float  # looks with that state; of inspections odd looks
    seen: int
    offset: float  # of a gauge, in spreads of one car; nan where it scatters or it is no gauge
    error: float  # its standard error
    scatter: float  # factor of the spread; nan where it is an offset


class Judge:
    """Everything that was looked at, in the order of time.

    Args:
        ranks: Place in time of each row by its number; -1 where the row is left out.
        columns: Further columns that rows are also judged apart by, with the count of words of each
            and the code of each row by its number.
    """

    def __init__(
        self, files: LookFiles, ranks: IntArray, columns: dict[str, tuple[int, IntArray]]
    ) -> None:
        self.files, self.ranks, self.columns = files, ranks, columns
        self.rows = int(ranks.max(initial=-1)) + 1
        self._oddity = np.zeros((self.rows, oddity_ratios(np.ones(1)).shape[1]))
        self._odd = np.zeros(self.rows, np.int32)
        self._looks = np.zeros(self.rows, np.int32)
        self._row_codes = {
            name: codes[np.argsort(ranks, kind="stable")][len(ranks) - self.rows :]
            for name, (_, codes) in columns.items()
        }

    def streams(self) -> Iterator[Stream]:
        """Every stream with enough looks, those of whole inspections last."""
        for key in self.files.keys:
            rows = self._sorted(key)
            rank = self.ranks[rows["number"]]
            # no row holds two looks of one kind at one thing
            self._oddity[rank] += oddity_ratios(rows["p_value"].astype(float))
            self._odd[rank] += rows["p_value"] < ODD
            self._looks[rank] += 1
            for column, word, chosen in self._parts([*rows["tags"].T], len(rows)):
                part = rows[chosen]
                stake = Stake(len(part), _ratios(key, part[:1]).shape[1])
                for start in range(0, len(part), CHUNK):
                    stake.follow(_ratios(key, part[start : start + CHUNK]))
                yield Stream(key, column, word, len(part), stake.highest)
        for column, word, chosen in self._parts([*self._row_codes.values()], self.rows):
            stake = Stake(len(chosen), self._oddity.shape[1])
            stake.follow(self._oddity[chosen])
            yield Stream(INSPECTIONS, column, word, len(chosen), stake.highest)

    def _sorted(self, key: Key) -> np.ndarray[Any, Any]:
        rows = self.files.read(key)
        rank = self.ranks[rows["number"]]
        return rows[np.argsort(rank, kind="stable")][int((rank < 0).sum()) :]

    def _parts(self, codes: Sequence[IntArray], count: int) -> Iterator[tuple[str, int, IntArray]]:
        """All rows, then those of each word of each column; only what is long enough."""
        if count >= LEAST_LOOKS:
            yield "", -1, np.arange(count)
        for (column, (words, _)), code in zip(self.columns.items(), codes, strict=True):
            order = np.argsort(code, kind="stable")
            ends = np.searchsorted(code[order], np.arange(words + 1))
            for word in range(words):
                chosen = order[ends[word] : ends[word + 1]]
                if len(chosen) >= LEAST_LOOKS:
                    yield column, word, np.sort(chosen)

    def others(self, stream: Stream) -> float:
        """Log of the highest stake on the rows that a stream of one word leaves."""
        ratios, _, place = self._of(stream, rest=True)
        if len(place) < LEAST_LOOKS:
            return 0.0
        stake = Stake(len(ratios), ratios.shape[1])
        stake.follow(ratios)
        return stake.highest

    def without(self, stream: Stream, named: Collection[Key]) -> float:
        """Log of the highest stake on whole inspections without the looks at some things."""
        ratios, _, chosen = self._of(stream)
        gone = np.zeros_like(self._oddity)
        for key in named:
            rows = self._sorted(key)
            gone[self.ranks[rows["number"]]] += oddity_ratios(rows["p_value"].astype(float))
        stake = Stake(len(ratios), ratios.shape[1])
        stake.follow(ratios - gone[chosen])
        return stake.highest

    def _of(self, stream: Stream, rest: bool = False) -> tuple[FloatArray, Any, IntArray]:
        """Log ratios of a stream (or of all the others), its looks, and the rank of each."""
        if stream.key == INSPECTIONS:
            code = self._row_codes.get(stream.column, np.full(self.rows, -1))
            chosen = np.flatnonzero((code == stream.word) != rest)
            return self._oddity[chosen], None, chosen
        rows = self._sorted(stream.key)
        if stream.column:
            place = list(self.columns).index(stream.column)
            rows = rows[(rows["tags"][:, place] == stream.word) != rest]
        return _ratios(stream.key, rows), rows, self.ranks[rows["number"]]

    def course(self, stream: Stream) -> tuple[tuple[int, float], ...]:
        """Rank and log of the stake of a stream, at some points of it."""
        ratios, _, rank = self._of(stream)
        path = Stake(len(ratios), ratios.shape[1]).follow(ratios)
        points = np.unique(np.linspace(0, len(path) - 1, MOST_POINTS).astype(int))
        return tuple(zip(rank[points].tolist(), path[points].tolist(), strict=True))

    def found(self, stream: Stream, needed: float) -> Found:
        """What an alarm says of a stream, once its stake has reached what was needed."""
        ratios, rows, rank = self._of(stream)
        path = Stake(len(ratios), ratios.shape[1]).follow(ratios)
        over = np.flatnonzero(path >= needed)
        best = best_stretch(ratios)
        inside = np.zeros(len(ratios), bool)
        inside[best.first : best.end] = True
        ended = float(ratios[best.end :, best.bet].sum()) < -ENDED
        state, expected, seen = -1, float("nan"), 0
        offset, error, scatter = float("nan"), float("nan"), float("nan")
        if stream.key == INSPECTIONS:
            expected = ODD * float(self._looks[rank[inside]].sum())
            seen = int(self._odd[rank[inside]].sum())
        elif stream.key[1] == WORD:
            state = word_bets(rows["foretold"].shape[1])[best.bet].state
            expected = float(rows["foretold"][inside, state].sum())
            seen = int((rows["seen"][inside] == state).sum())
        elif best.bet < len(OFFSETS):
            gains = ratios[inside, : len(OFFSETS)].sum(axis=0)
            offset, error = fitted_offset(OFFSETS, gains)
        else:
            scatter = float(FACTORS[best.bet - len(OFFSETS)])
        raised = int(over[0] if len(over) else path.argmax())
        return Found(
            int(rank[best.first]), int(rank[best.earliest]), int(rank[best.latest]),
            best.earliest == 0,
            int(rank[best.end - 1]), ended, int(rank[raised]), int(inside.sum()), best.gain,
            state, expected, seen,
            offset, error, scatter,
        )  # fmt: skip


def _ratios(key: Key, rows: np.ndarray[Any, Any]) -> FloatArray:
    foretold = rows["foretold"].astype(float)
    if key[1] != WORD:
        return foretold
    return word_ratios(foretold, rows["seen"].astype(np.int64), word_bets(foretold.shape[1]))
