"""How each person who looks sees shades and tints, beside how the trade sees them.

What somebody says of a sample is a report on the word that the trade would use, as an outcome is on
a fault (Dawid & Skene 1979, with the network and the rest of the record in place of their class
prior). Everybody's table starts as the trade's, which counts for so many looks, and moves by what
the looks of that person tell: few looks stay the trade's.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from math import erfc, sqrt
from typing import Any, NamedTuple

import msgspec
import numpy as np

from loopodds.archive.encoded import Piece
from loopodds.base.arrays import BoolArray, FloatArray, IntArray
from loopodds.inference.junction import JunctionTree
from loopodds.inference.network import Discrete
from loopodds.inspection.vocabulary import SECOND
from loopodds.knowledge.assembly import build_network
from loopodds.knowledge.records import Knowledge
from loopodds.knowledge.tables import Eye, Readers, as_the_trade, eyes_of, seen_together
from loopodds.upkeep.confirmation import reports_of
from loopodds.upkeep.estimation import Learner, Pieces, State
from loopodds.upkeep.selection import FALSE_DISCOVERIES

AS_MANY_LOOKS = 30.0
"""For how many looks at each word the trade counts beside one's own."""
LEAST_LOOKS = 20
"""Of one person at one finding, below which nothing is said of them."""
PASSES, ENOUGH = 500, 1e-6


class Looker(NamedTuple):
    """How one person sees a finding: by how many steps darker, or more, than all others do."""

    person: str
    finding: str
    looks: int
    steps: float  # mean difference from what is foretold, less that of all others
    doubt: float  # standard deviation of it by chance
    p_value: float
    off: bool  # beyond chance, among all people and findings
    chances: tuple[tuple[float, ...], ...]  # of each word, by that of the trade

    def as_json(self) -> dict[str, Any]:
        """Plain data."""
        return {**self._asdict(), "chances": [list(row) for row in self.chances]}


@dataclass(slots=True, eq=False)
class _Looks:
    """All samples of which one finding was looked at, and what the rest of the record foretells."""

    who: IntArray  # shape (samples, looks), -1 where it is not said
    word: IntArray  # likewise, -1 where there was no such look
    foretold: FloatArray  # shape (samples, states): of the word of the trade

    def of(self, person: int) -> tuple[IntArray, IntArray]:
        """Samples that a person looked at, and the word said of each."""
        there = (self.who == person) & (self.word >= 0)
        return np.nonzero(there)[0], self.word[there]


class Seats(NamedTuple):
    """Columns of an archive that say who looked, first and second, with all the people in them."""

    columns: tuple[str, ...]
    people: tuple[str, ...]
    places: tuple[IntArray, ...]  # of each column: place of its words among the people, last -1

    def looks(self, piece: Piece, name: str) -> tuple[IntArray, IntArray]:
        """Who looked at a finding and the words said, shape (rows, looks)."""
        none = np.full(len(piece.numbers), -1)
        who = [
            place[piece.tags.get(column, none)]
            for column, place in zip(self.columns, self.places, strict=True)
        ]
        words = piece.evidence.codes.get(name, none), piece.tags.get(SECOND + name, none)
        return np.stack(who, axis=1), np.stack(words, axis=1)


def seats_of(column: str, words: Mapping[str, Sequence[str]]) -> Seats:
    """The columns of the first look and, where there is one, of the second."""
    columns = column, SECOND + column
    people = tuple(dict.fromkeys(word for name in columns for word in words.get(name, ())))
    places = [[*(people.index(word) for word in words.get(name, ())), -1] for name in columns]
    return Seats(columns, people, tuple(np.array(place) for place in places))


def reader_tags(column: str | None, knowledge: Knowledge) -> dict[str, Sequence[str] | None]:
    """Columns to keep of an archive where one says who looked, with the words they may hold."""
    if column is None:
        return {}
    by_eye = {name: node.states for name, node in knowledge.nodes.items() if node.by_eye}
    second = {SECOND + name: states for name, states in by_eye.items()}
    return {column: None, SECOND + column: None, **second}


def as_said(knowledge: Knowledge) -> Knowledge:
    """Knowledge that takes every word as it was said: to learn what words mean."""
    nodes = {n: msgspec.structs.replace(node, by_eye=False) for n, node in knowledge.nodes.items()}
    return knowledge.changed(nodes=nodes, readers={})


def learnt_readers(
    learner: Learner, pieces: Pieces, state: State, seats: Seats | None
) -> tuple[tuple[Looker, ...], Readers]:
    """Everybody's table of every finding judged by eye, and what stands out.

    Args:
        pieces: With the words as they were said.
        state: Numbers that foretell what the trade would say.
        seats: Nothing is learnt where it is not said who looked.
    """
    knowledge = learner.knowledge_at(state)
    before = readers = knowledge.readers
    if seats is None:
        return (), before
    for _ in range(2):  # what one sees of one finding tells of the others
        seen = _all_looks(knowledge, pieces, state, seats, readers)
        tables = {name: _tables(looks, seats.people, before, name) for name, looks in seen.items()}
        readers = _with_tables(before, tables, seen, seats.people)
    level = FALSE_DISCOVERIES / max(len(seen), 1)
    lookers = [
        looker
        for name, looks in seen.items()
        for looker in _judged(looks, (seats.people, level), name, readers)
    ]
    return tuple(sorted(lookers, key=lambda looker: looker.p_value)), readers


def through_eyes(piece: Piece, knowledge: Knowledge, readers: Readers, seats: Seats) -> Piece:
    """The rows with what people said as words of the trade, or likelihoods of them."""
    evidence = piece.evidence
    for name, node in knowledge.of_kind("finding").items():
        if not node.by_eye:
            continue
        who, word = seats.looks(piece, name)
        eyes = eyes_of(readers, seats.people, name, len(node.states))
        seen = seen_together(eyes, who, word)
        if (word >= 0).any():
            soft = np.where(seen.open[:, None], seen.likelihood, 1.0)
            evidence = replace(evidence, codes={**evidence.codes, name: seen.word})
            evidence = evidence.with_soft({name: soft})
    return replace(piece, evidence=evidence)


def as_seen_by_the_trade(
    learner: Learner,
    pieces: Pieces,
    state: State,
    seats: Seats,
    teaches: Callable[[Piece], BoolArray],
) -> Pieces:
    """All rows so, by tables learnt from those of them that teach."""

    def teaching() -> Iterator[Piece]:
        for piece in pieces():
            yield piece.take(np.flatnonzero(teaches(piece)))

    _, eyes = learnt_readers(learner, teaching, state, seats)

    def seen() -> Iterator[Piece]:
        for piece in pieces():
            yield through_eyes(piece, learner.knowledge, eyes, seats)

    return seen


def _all_looks(
    knowledge: Knowledge, pieces: Pieces, state: State, seats: Seats, readers: Readers
) -> dict[str, _Looks]:
    """Looks at every finding, each foretold from all else in its row."""
    found: dict[str, list[_Looks]] = {}
    for piece in pieces():
        tree = JunctionTree(build_network(knowledge, piece.context), True)
        seen = through_eyes(piece, knowledge, readers, seats)
        told = seen.evidence.with_soft(reports_of(piece, state.rates).soft)
        for name, node in knowledge.of_kind("finding").items():
            who, word = seats.looks(piece, name)
            rows = np.flatnonzero(((word >= 0) & (who >= 0)).any(axis=1))
            if node.by_eye and len(rows):
                variable = tree.network.variable(name)
                assert isinstance(variable, Discrete)
                rest = told.take(rows).without([name])
                believed = tree.propagate(rest, [variable.parents])[variable.parents]
                table = variable.table.reshape(-1, len(variable.states))
                foretold = believed.reshape(len(rows), -1) @ table
                found.setdefault(name, []).append(_Looks(who[rows], word[rows], foretold))
    return {
        name: _Looks(
            np.concatenate([p.who for p in parts]),
            np.concatenate([p.word for p in parts]),
            np.concatenate([p.foretold for p in parts]),
        )
        for name, parts in found.items()
    }


def _tables(looks: _Looks, people: Sequence[str], readers: Readers, name: str) -> FloatArray:
    """The likeliest tables with what was known before, shape (people, states, states)."""
    states = looks.foretold.shape[1]
    prior = np.repeat(as_the_trade(states)[None] * AS_MANY_LOOKS, len(people), axis=0)
    for number, person in enumerate(people):
        known = readers.get(person, {}).get(name)
        if known is not None:
            prior[number] = np.array(known.chances) * (AS_MANY_LOOKS + known.looks / states)
    table: FloatArray = prior / prior.sum(axis=2, keepdims=True)
    said, trade = looks.word >= 0, as_the_trade(states)[None]
    for _ in range(PASSES):
        each = np.concatenate([table, trade])[looks.who, :, looks.word]
        joint = looks.foretold * np.where(said[..., None], each, 1.0).prod(axis=1)
        share = joint / joint.sum(axis=1, keepdims=True)
        counts = np.zeros((len(people) + 1, states, states))
        for seat in range(looks.who.shape[1]):
            there = said[:, seat]
            at = looks.who[there, seat], looks.word[there, seat]
            np.add.at(counts.transpose(0, 2, 1), at, share[there])
        now = (prior + counts[:-1]) / (prior + counts[:-1]).sum(axis=2, keepdims=True)
        moved, table = float(np.abs(now - table).max()), now
        if moved < ENOUGH:
            break
    return table


def _with_tables(
    readers: Readers, tables: Mapping[str, FloatArray], seen: Mapping[str, _Looks],
    people: Sequence[str],
) -> Readers:  # fmt: skip
    """What was known of everybody with what is known now."""
    found = {person: dict(eyes) for person, eyes in readers.items()}
    for name, table in tables.items():
        for number, person in enumerate(people):
            looks = len(seen[name].of(number)[0])
            if looks:
                chances = tuple(tuple(row) for row in table[number].tolist())
                found.setdefault(person, {})[name] = Eye(
                    _looks_before(readers, person, name) + looks, chances
                )
    return found


def _looks_before(readers: Readers, person: str, name: str) -> float:
    known = readers.get(person, {}).get(name)
    return known.looks if known else 0.0


def _judged(
    looks: _Looks, among: tuple[Sequence[str], float], name: str, readers: Readers
) -> Iterator[Looker]:
    """How far everybody's words lie from those foretold, beside how far the words of others do.

    What is amiss with the numbers is so for all. Who stands out most is no measure of the others:
    one after another is taken out of it, as long as there is one beyond chance.
    """
    people, level = among
    told = [n for n in range(len(people)) if len(looks.of(n)[0]) >= LEAST_LOOKS]
    measure = list(told)
    while measure:
        apart = {n: _apart(looks, n, measure) for n in measure}
        first = min(measure, key=lambda n: (apart[n].p_value, -abs(apart[n].own)))
        if apart[first].p_value > level / len(told):
            break
        measure.remove(first)
    for number in told:
        far, person = _apart(looks, number, measure), people[number]
        chances = readers[person][name].chances
        count = len(looks.of(number)[0])
        off = number not in measure
        yield Looker(person, name, count, far.steps, far.doubt, far.p_value, off, chances)


class _Apart(NamedTuple):
    own: float  # steps above what is foretold
    steps: float  # the same less that of others
    doubt: float
    p_value: float


def _apart(looks: _Looks, number: int, measure: Sequence[int]) -> _Apart:
    """One person beside some others; with nobody else, beside what is foretold."""
    own, variance = _off(looks, [number])
    apart, others = own, [n for n in measure if n != number]
    if others:
        theirs, more = _off(looks, others)
        apart, variance = own - theirs, variance + more
    doubt = sqrt(max(variance, 1e-12))
    return _Apart(own, apart, doubt, erfc(abs(apart) / doubt / sqrt(2)))


def _off(looks: _Looks, people: Sequence[int]) -> tuple[float, float]:
    """Mean distance of the words of some people from those foretold, and its variance.

    That is as foretold, or as the words vary, whichever is more: of a tint that is hardly ever seen
    a few words more are chance, which what is foretold alone puts too low.
    """
    steps = np.arange(looks.foretold.shape[1])
    at, words = (np.concatenate(part) for part in zip(*map(looks.of, people), strict=True))
    mean = looks.foretold[at] @ steps
    chance, off = looks.foretold[at] @ steps**2 - mean**2, words - mean
    return float(off.mean()), max(float(chance.sum()), float((off**2).sum())) / len(off) ** 2
