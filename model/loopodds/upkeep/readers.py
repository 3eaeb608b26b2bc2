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

import numpy as np

from loopodds.archive.encoded import Piece
from loopodds.base.arrays import BoolArray, FloatArray, IntArray
from loopodds.diagnosis.simulation import hide
from loopodds.inference.junction import JunctionTree
from loopodds.inference.network import Discrete
from loopodds.knowledge.assembly import build_network
from loopodds.knowledge.records import Knowledge
from loopodds.knowledge.tables import Eye, Readers, as_the_trade, eye_of
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
    """All looks at one finding: who, the word said, and what the rest of the record foretells."""

    who: IntArray
    word: IntArray
    foretold: FloatArray  # shape (looks, states): of the word of the trade


def learnt_readers(
    learner: Learner, pieces: Pieces, state: State, column: str, people: Sequence[str]
) -> tuple[tuple[Looker, ...], Readers]:
    """Everybody's table of every finding judged by eye, and what stands out.

    Args:
        pieces: With the words as they were said; the column among their tags.
        state: Numbers that foretell what the trade would say.
    """
    knowledge = learner.knowledge_at(state)
    before = readers = knowledge.readers
    for _ in range(2):  # what one sees of one finding tells of the others
        seen = _all_looks(knowledge, pieces, state, column, (people, readers))
        tables = {name: _tables(looks, people, before, name) for name, looks in seen.items()}
        readers = _with_tables(before, tables, seen, people)
    level = FALSE_DISCOVERIES / max(len(seen), 1)
    lookers = [
        looker
        for name, looks in seen.items()
        for looker in _judged(looks, (people, level), name, readers)
    ]
    return tuple(sorted(lookers, key=lambda looker: looker.p_value)), readers


def through_eyes(
    piece: Piece, knowledge: Knowledge, readers: Readers, column: str, people: Sequence[str]
) -> Piece:
    """The rows with the words of known people as likelihoods of the words of the trade."""
    evidence = piece.evidence
    for name, node in knowledge.of_kind("finding").items():
        if not node.by_eye or name not in evidence.codes:
            continue
        code, who = evidence.codes[name], piece.tags[column]
        told = _eyes(readers, people, name, len(node.states))[who, :, code]
        rows = (code >= 0) & (who >= 0)
        soft = np.where(rows[:, None], told, 1.0)
        evidence = hide(evidence, {name: ~rows}).with_soft({name: soft})
    return replace(piece, evidence=evidence)


def as_seen_by_the_trade(
    learner: Learner,
    pieces: Pieces,
    state: State,
    column: str,
    people: Sequence[str],
    teaches: Callable[[Piece], BoolArray],
) -> Pieces:
    """All rows so, by tables learnt from those of them that teach."""

    def teaching() -> Iterator[Piece]:
        for piece in pieces():
            yield piece.take(np.flatnonzero(teaches(piece)))

    _, eyes = learnt_readers(learner, teaching, state, column, people)

    def seen() -> Iterator[Piece]:
        for piece in pieces():
            yield through_eyes(piece, learner.knowledge, eyes, column, people)

    return seen


def _eyes(readers: Readers, people: Sequence[str], name: str, states: int) -> FloatArray:
    """Tables of all people, shape (people, states, states)."""
    every: FloatArray = np.array([eye_of(readers, p, name, states) for p in people])
    return every


def _all_looks(
    knowledge: Knowledge,
    pieces: Pieces,
    state: State,
    column: str,
    known: tuple[Sequence[str], Readers],
) -> dict[str, _Looks]:
    """Looks at every finding, each foretold from all else in its row."""
    people, readers = known
    found: dict[str, list[_Looks]] = {}
    for piece in pieces():
        tree = JunctionTree(build_network(knowledge, piece.context), True)
        seen = through_eyes(piece, knowledge, readers, column, people)
        told = seen.evidence.with_soft(reports_of(piece, state.rates).soft)
        for name, node in knowledge.of_kind("finding").items():
            code = piece.evidence.codes.get(name)
            if not node.by_eye or code is None:
                continue
            rows = np.flatnonzero((code >= 0) & (piece.tags[column] >= 0))
            if len(rows):
                variable = tree.network.variable(name)
                assert isinstance(variable, Discrete)
                rest = told.take(rows).without([name])
                believed = tree.propagate(rest, [variable.parents])[variable.parents]
                table = variable.table.reshape(-1, len(variable.states))
                foretold = believed.reshape(len(rows), -1) @ table
                looks = _Looks(piece.tags[column][rows], code[rows], foretold)
                found.setdefault(name, []).append(looks)
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
    for _ in range(PASSES):
        joint = looks.foretold * table[looks.who, :, looks.word]
        share = joint / joint.sum(axis=1, keepdims=True)
        counts = np.zeros_like(table)
        np.add.at(counts.transpose(0, 2, 1), (looks.who, looks.word), share)
        now = (prior + counts) / (prior + counts).sum(axis=2, keepdims=True)
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
            looks = int((seen[name].who == number).sum())
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
    told = [n for n in range(len(people)) if (looks.who == n).sum() >= LEAST_LOOKS]
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
        count = int((looks.who == number).sum())
        off = number not in measure
        yield Looker(person, name, count, far.steps, far.doubt, far.p_value, off, chances)


class _Apart(NamedTuple):
    own: float  # steps above what is foretold
    steps: float  # the same less that of others
    doubt: float
    p_value: float


def _apart(looks: _Looks, number: int, measure: Sequence[int]) -> _Apart:
    """One person beside some others; with nobody else, beside what is foretold."""
    steps = np.arange(looks.foretold.shape[1])
    mean = looks.foretold @ steps
    chance = looks.foretold @ steps**2 - mean**2
    off, mine = looks.word - mean, looks.who == number
    others = np.isin(looks.who, [n for n in measure if n != number])
    own = apart = float(off[mine].mean())
    variance = _variance(off[mine], chance[mine])
    if others.any():
        apart -= float(off[others].mean())
        variance += _variance(off[others], chance[others])
    doubt = sqrt(max(variance, 1e-12))
    return _Apart(own, apart, doubt, erfc(abs(apart) / doubt / sqrt(2)))


def _variance(off: FloatArray, chance: FloatArray) -> float:
    """Of a mean: as is foretold, or as the words vary, whichever is more.

    Of a tint that is hardly ever seen a few words more are no more than chance, which what is
    foretold alone puts too low.
    """
    return max(float(chance.sum()), float((off**2).sum())) / len(off) ** 2
