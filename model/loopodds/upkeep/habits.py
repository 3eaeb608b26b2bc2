"""What habits could do to what is learnt: tests driven by something unrecorded, and who looks.

A dependence that cannot be measured is supposed, over a stated range, to show what hangs on it. One
workshop's cars are shown beside those of all, drawn towards them as far as chance alone asks for.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterable, Iterator, Mapping, Sequence, Set
from dataclasses import replace
from typing import NamedTuple

import numpy as np

from loopodds.archive.encoded import Piece
from loopodds.base.arrays import BoolArray, FloatArray, IntArray
from loopodds.diagnosis.simulation import hide
from loopodds.doubt.chain import SlopeSums
from loopodds.doubt.numbers import place_words
from loopodds.doubt.rewriting import NumberChange
from loopodds.inference.junction import JunctionTree
from loopodds.inference.likelihoods import interval_codes
from loopodds.inference.network import Discrete, Evidence, GaugeNode
from loopodds.knowledge.assembly import build_network
from loopodds.knowledge.records import Knowledge
from loopodds.upkeep.estimation import Found, Key, Learner, State

ASKED_BY = "asked_by"
REASONS = ("tool", "complaint", "routine", "other")
OPEN_REASONS = ("other", "")
"""Reasons that leave open what drove a test; the others are on record."""
TILTS = (-1.0, -0.5, 0.0, 0.5, 1.0)
"""Log-odds by which a test may be likelier done on a car that has the fault."""
TILT_ROWS, TILT_CONTEXTS, TILT_PASSES = 2000, 16, 6
GROUPS_SHOWN, LISTS_SHOWN = 12, 10
LEAST_STRENGTH, MOST_STRENGTH = 5.0, 1e4
"""Cars that all the others count as beside one's own."""

Pieces = Callable[[], Iterable[Piece]]


class Tilt(NamedTuple):
    """How far an answer moves with what drove a test: share of cars with a fault, as learnt."""

    test: str
    fault: str
    left_out: float
    shares: Mapping[str, float]  # by the log-odds of dependence; "0" takes the test at its word


class OwnShare(NamedTuple):
    """What one workshop, technician or year shows of a number, and how much of it counts."""

    place: str
    state: str
    group: str
    cars: float
    own: float
    shrunk: float
    learnt: float


def tested_tags(knowledge: Knowledge) -> dict[str, Sequence[str] | None]:
    """Columns of an archive that say why tests were done, with the words that they may hold."""
    columns = [ASKED_BY, *(f"{ASKED_BY}_{test}" for test in knowledge.tests)]
    return dict.fromkeys(columns, REASONS)


def is_explained(piece: Piece, test: str) -> BoolArray:
    """Rows whose record says why a test was done, shape (rows,)."""
    code = piece.tags.get(ASKED_BY, np.full(len(piece.numbers), -1))
    own = piece.tags.get(f"{ASKED_BY}_{test}")
    if own is not None:
        code = np.where(own >= 0, own, code)
    known = [i for i, reason in enumerate(REASONS) if reason not in OPEN_REASONS]
    return np.isin(code, known)


def yields_of(knowledge: Knowledge) -> dict[str, tuple[str, ...]]:
    """Findings and gauges of each test that the network has.

    Not complaints: what brings a car in is recorded, as its setting.
    """
    every_node = knowledge.of_kind("finding", "gauge")
    seen = {name for name, node in every_node.items() if not node.brings_in}
    every = {name: tuple(y for y in t.yields if y in seen) for name, t in knowledge.tests.items()}
    return {name: yields for name, yields in every.items() if yields}


def told_of(learner: Learner, yields: Mapping[str, Sequence[str]]) -> dict[str, str]:
    """The fault of each test that a result of it speaks for most."""
    tree = JunctionTree(build_network(learner.knowledge, {}))
    names = [name for every in yields.values() for name in every]
    faults = list(learner.knowledge.of_kind("fault"))
    soft = {name: np.ones((len(names) + 1, len(tree.network.states(name)))) for name in names}
    for row, name in enumerate(names):
        soft[name][row, sound_state(tree.network.variable(name))] = 0.0
    posterior = tree.propagate(Evidence(len(names) + 1, {}, soft), [(fault,) for fault in faults])
    sound = np.stack([posterior[fault][:, 0] for fault in faults], axis=1)
    moved = dict(zip(names, sound[-1] - sound[:-1], strict=True))
    best = {test: np.max([moved[name] for name in every], axis=0) for test, every in yields.items()}
    return {test: faults[int(gain.argmax())] for test, gain in best.items()}


def sound_state(node: Discrete | GaugeNode) -> int:
    """The state, or the word, of a sound car."""
    return int(interval_codes(np.zeros(1), node.cuts)[0]) if isinstance(node, GaugeNode) else 0


def without_driven(piece: Piece, tests: Collection[str], knowledge: Knowledge) -> Piece:
    """The rows with the results of some tests not observed where their reason is left open."""
    yields, keep = yields_of(knowledge), {}
    for test in tests:
        for name in yields.get(test, ()):
            keep[name] = is_explained(piece, test)
    return replace(piece, evidence=hide(piece.evidence, keep)) if keep else piece


def tilted_answers(
    learner: Learner, test: str, without: Pieces, pieces: Pieces, state: State
) -> Tilt:
    """The fault that a test tells of most, as often as it is learnt for each dependence.

    From some rows spread over the archive, so that the shares compare with each other.

    Args:
        without: Rows in which the test is left out where its reason is open.
        pieces: The same rows with it.
    """
    yields = yields_of(learner.knowledge)
    fault, names = told_of(learner, yields)[test], yields[test]
    bare, some = spread_rows(without), spread_rows(pieces)
    share = float(np.concatenate([done_in(piece, names) for piece in some]).mean())
    top, _ = learner.climb(lambda: bare, state, passes=TILT_PASSES)
    left_out, shares = _share(learner, top, fault), {}
    states = len(learner.knowledge.node(fault).states)
    for tilt in TILTS:
        told = [tilted_rows(piece, test, names, (fault, states), tilt, share) for piece in some]
        top, _ = learner.climb(lambda told=told: told, state, passes=TILT_PASSES)  # type: ignore[misc]
        shares[f"{tilt:g}"] = _share(learner, top, fault)
    return Tilt(test, fault, left_out, shares)


def _share(learner: Learner, state: State, fault: str) -> float:
    """Share of cars of which a fault is not sound, over all contexts, before any look."""
    tree = JunctionTree(build_network(learner.knowledge_at(state), {}))
    return 1.0 - float(tree.propagate(Evidence(1), [(fault,)])[fault][0, 0])


def spread_rows(pieces: Pieces) -> list[Piece]:
    """Rows spread evenly over the pieces with most of them, about so many."""
    sizes = [len(piece.numbers) for piece in pieces()]
    most = sorted(range(len(sizes)), key=lambda place: -sizes[place])[:TILT_CONTEXTS]
    step = max(1, -(-sum(sizes[place] for place in most) // TILT_ROWS))
    every = enumerate(pieces())
    return [piece.take(np.arange(0, sizes[i], step)) for i, piece in every if i in most]


def done_in(piece: Piece, names: Sequence[str]) -> BoolArray:
    """Rows that show at least one of some findings or gauges, shape (rows,)."""
    done = np.zeros(len(piece.numbers), bool)
    for name in names:
        if name in piece.evidence.codes:
            done |= piece.evidence.codes[name] >= 0
        if name in piece.evidence.numbers:
            done |= ~np.isnan(piece.evidence.numbers[name][0])
    return done


def tilted_rows(
    piece: Piece, test: str, names: Sequence[str], fault: tuple[str, int], tilt: float, share: float
) -> Piece:
    """Whether the test was done as evidence of the fault, where its reason is open."""
    done, odds = done_in(piece, names), share / max(1 - share, 1e-9) * np.exp(tilt)
    sick = odds / (1 + odds)
    ratio = np.where(done, sick / max(share, 1e-9), (1 - sick) / max(1 - share, 1e-9))
    ratio = np.where(is_explained(piece, test), 1.0, ratio)[:, None]
    weights = np.hstack([np.ones_like(ratio), np.repeat(ratio, fault[1] - 1, axis=1)])
    return replace(piece, evidence=piece.evidence.with_soft({fault[0]: weights}))


def own_shares(
    learner: Learner,
    pieces: Pieces,
    state: State,
    changes: Sequence[NumberChange],
    column: str,
    words: Sequence[str],
) -> Iterator[OwnShare]:
    """For the chances that moved most, those of the rows of each word, shrunk towards all.

    How strongly all others count follows from how far the words lie apart beyond chance (moments of
    the beta-binomial). The words with most rows are shown.
    """
    counts = np.zeros(len(words))
    for piece in pieces():
        counts += np.bincount(piece.tags[column] + 1, minlength=len(words) + 1)[1:]
    shown = np.argsort(-counts, kind="stable")[:GROUPS_SHOWN]
    shown = shown[counts[shown] > 0]
    chances = [c for c in changes if c.before.kind == "levels"][:LISTS_SHOWN]
    nodes = {change.before.node for change in chances}
    tallies, away = _by_group(learner, pieces, state, (column, shown), nodes)
    for change in chances:
        if change.before.key not in tallies:
            continue
        now, told = state.values[change.before.key], tallies[change.before.key]
        most = int(np.abs(change.after - change.before.values).argmax())
        cars, whole = (now * told).sum(axis=1), now * (told + away.get(change.before.key, 0.0))
        all_cars = whole.sum(axis=1)
        own = np.divide(whole[:, most], all_cars, out=np.zeros_like(cars), where=all_cars > 0)
        hits = own * cars
        strength = _strength(hits, cars, float(now[most]))
        shrunk = (hits + strength * now[most]) / (cars + strength)
        states = learner.knowledge.node(change.before.node).states
        for i, word in enumerate(shown.tolist()):
            yield OwnShare(
                place_words(*change.before.key), states[most], words[word], float(cars[i]),
                float(own[i]), float(shrunk[i]), float(now[most]),
            )  # fmt: skip


def _by_group(
    learner: Learner, pieces: Pieces, state: State, groups: tuple[str, IntArray], nodes: Set[str]
) -> tuple[dict[Key, FloatArray], dict[Key, FloatArray]]:
    """Tallies of some nodes by words of a column, shape (words, numbers).

    Of the rows, and of the cars that stayed away.
    """
    knowledge = learner.knowledge_at(state)
    seen, away = SlopeSums(knowledge), SlopeSums(knowledge)

    def found_in(piece: Piece) -> Found:
        weights = (piece.tags[groups[0]][None] == groups[1][:, None]).astype(np.float64)
        return learner.piece_slopes(piece, knowledge, state.rates, weights)

    for piece, found in learner.each(found_in, pieces):
        for sums, tables in ((seen, found.seen.tables), (away, found.away)):
            sums.add(piece.context, {name: tables[name] for name in nodes & tables.keys()})
    return seen.tallies(), away.tallies()


def _strength(hits: FloatArray, cars: FloatArray, share: float) -> float:
    """Cars that all others count as: the fewer, the further the groups lie apart beyond chance."""
    told = cars > 0
    chance = share * (1 - share)
    apart = float(((hits[told] - cars[told] * share) ** 2).sum())
    expected, room = float(cars.sum() * chance), float((cars**2 - cars)[told].sum() * chance)
    between = (apart - expected) / room if room > 0 else 0.0
    return float(np.clip(1 / max(between, 1e-9) - 1, LEAST_STRENGTH, MOST_STRENGTH))
