"""What habits could do to what is learnt: tests driven by something unrecorded, and who looks.

A dependence that cannot be measured is supposed, over a stated range, to show what hangs on it. One
workshop's cars are shown beside those of all, drawn towards them as far as chance alone asks for.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import replace
from typing import NamedTuple

import numpy as np

from loopodds.archive.encoded import Piece
from loopodds.base.arrays import BoolArray, FloatArray
from loopodds.doubt.chain import tallies_of
from loopodds.doubt.numbers import place_words
from loopodds.doubt.rewriting import Change
from loopodds.inference.junction import JunctionTree
from loopodds.inference.network import Evidence
from loopodds.inference.slopes import GaugeSlopes
from loopodds.knowledge.assembly import build_network
from loopodds.upkeep.estimation import Key, Learner, State, bearing, by_name, plus
from loopodds.upkeep.selection import Look, is_explained, yields_of

TILTS = (-1.0, -0.5, 0.0, 0.5, 1.0)
"""Log-odds by which a test may be likelier done on a car that has the fault."""
TILT_ROWS, TILT_PASSES = 3000, 8
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


def tilted_answers(
    learner: Learner, look: Look, without: Pieces, pieces: Pieces, state: State
) -> Tilt:
    """The fault that a finding tells of most, as often as it is learnt for each dependence.

    From some rows spread over the archive, so that the shares compare with each other.

    Args:
        without: Rows in which the test is left out where its reason is open.
        pieces: The same rows with it.
    """
    fault, names = _told_of(learner, look.finding), yields_of(learner.knowledge)[look.test]
    bare, some = _spread_rows(without()), _spread_rows(pieces())
    share = float(np.concatenate([_done(piece, names) for piece in some]).mean())
    top, _ = learner.climb(lambda: bare, state, passes=TILT_PASSES)
    left_out, shares = _share(learner, top, fault), {}
    states = len(learner.knowledge.node(fault).states)
    for tilt in TILTS:
        told = [_tilted(piece, look.test, names, (fault, states), tilt, share) for piece in some]
        top, _ = learner.climb(lambda told=told: told, state, passes=TILT_PASSES)  # type: ignore[misc]
        shares[f"{tilt:g}"] = _share(learner, top, fault)
    return Tilt(look.test, fault, left_out, shares)


def _told_of(learner: Learner, finding: str) -> str:
    """The fault whose probability of not being sound moves most when the finding is not."""
    tree = JunctionTree(build_network(learner.knowledge, {}))
    states = len(tree.network.states(finding))
    seen = np.ones((2, states))
    seen[1, 0] = 0.0
    faults = list(learner.knowledge.of_kind("fault"))
    posterior = tree.propagate(Evidence(2, {}, {finding: seen}), [(fault,) for fault in faults])
    moved = {fault: abs(float(np.diff(posterior[fault][:, 0])[0])) for fault in faults}
    return max(moved, key=lambda fault: moved[fault])


def _share(learner: Learner, state: State, fault: str) -> float:
    """Share of cars of which a fault is not sound, over all contexts, before any look."""
    tree = JunctionTree(build_network(learner.knowledge_at(state), {}))
    return 1.0 - float(tree.propagate(Evidence(1), [(fault,)])[fault][0, 0])


def _spread_rows(pieces: Iterable[Piece]) -> list[Piece]:
    """Rows spread evenly over the pieces, about so many."""
    every = list(pieces)
    total = sum(len(piece.numbers) for piece in every)
    step = max(1, -(-total // TILT_ROWS))
    return [piece.take(np.arange(0, len(piece.numbers), step)) for piece in every]


def _done(piece: Piece, names: Sequence[str]) -> BoolArray:
    done = np.zeros(len(piece.numbers), bool)
    for name in names:
        if name in piece.evidence.codes:
            done |= piece.evidence.codes[name] >= 0
        if name in piece.evidence.numbers:
            done |= ~np.isnan(piece.evidence.numbers[name][0])
    return done


def _tilted(
    piece: Piece, test: str, names: Sequence[str], fault: tuple[str, int], tilt: float, share: float
) -> Piece:
    """Whether the test was done as evidence of the fault, where its reason is open."""
    done, odds = _done(piece, names), share / max(1 - share, 1e-9) * np.exp(tilt)
    sick = odds / (1 + odds)
    ratio = np.where(done, sick / max(share, 1e-9), (1 - sick) / max(1 - share, 1e-9))
    ratio = np.where(is_explained(piece, test), 1.0, ratio)[:, None]
    weights = np.hstack([np.ones_like(ratio), np.repeat(ratio, fault[1] - 1, axis=1)])
    return replace(piece, evidence=piece.evidence.with_soft({fault[0]: weights}))


def own_shares(
    learner: Learner,
    pieces: Pieces,
    state: State,
    changes: Sequence[Change],
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
    tallies = _by_group(learner, pieces, state, column, shown, {c.before.node for c in chances})
    for change in chances:
        if change.before.key not in tallies:
            continue
        now = state.values[change.before.key]
        most = int(np.abs(change.after - change.before.values).argmax())
        expected = now * tallies[change.before.key]
        cars, hits = expected.sum(axis=1), expected[:, most]
        strength = _strength(hits, cars, float(now[most]))
        own = np.divide(hits, cars, out=np.zeros_like(hits), where=cars > 0)
        shrunk = (hits + strength * now[most]) / (cars + strength)
        states = learner.knowledge.node(change.before.node).states
        for i, word in enumerate(shown.tolist()):
            yield OwnShare(
                place_words(*change.before.key), states[most], words[word], float(cars[i]),
                float(own[i]), float(shrunk[i]), float(now[most]),
            )  # fmt: skip


def _by_group(
    learner: Learner,
    pieces: Pieces,
    state: State,
    column: str,
    groups: np.ndarray[tuple[int], np.dtype[np.int64]],
    nodes: set[str],
) -> dict[Key, FloatArray]:
    """Tallies of some nodes, shape (groups, numbers)."""
    knowledge = learner.knowledge_at(state)
    sums: dict[tuple[str, tuple[tuple[str, str], ...]], FloatArray | GaugeSlopes] = {}
    for piece in pieces():
        weights = (piece.tags[column][None] == groups[:, None]).astype(np.float64)
        found, _ = learner.piece_slopes(piece, knowledge, state.rates, weights)
        for name, part in by_name(found).items():
            if name in nodes:
                key = name, bearing(knowledge, name, piece.context)
                sums[key] = plus(sums[key], part) if key in sums else part
    tallies: dict[Key, FloatArray] = {}
    for (name, context), part in sums.items():
        assert not isinstance(part, GaugeSlopes)
        node = knowledge.node(name)
        for path, tally in tallies_of(node, knowledge, dict(context), part).items():
            place: Key = (name, path)
            tallies[place] = tallies[place] + tally if place in tallies else tally
    return tallies


def _strength(hits: FloatArray, cars: FloatArray, share: float) -> float:
    """Cars that all others count as: the fewer, the further the groups lie apart beyond chance."""
    told = cars > 0
    chance = share * (1 - share)
    apart = float(((hits[told] - cars[told] * share) ** 2).sum())
    expected, room = float(cars.sum() * chance), float((cars**2 - cars)[told].sum() * chance)
    between = (apart - expected) / room if room > 0 else 0.0
    return float(np.clip(1 / max(between, 1e-9) - 1, LEAST_STRENGTH, MOST_STRENGTH))
