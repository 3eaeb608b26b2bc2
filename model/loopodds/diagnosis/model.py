"""The knowledge compiled for use: one junction tree a context, and beliefs for whole batches."""

from __future__ import annotations

from collections.abc import Collection, Mapping
from dataclasses import dataclass, replace
from functools import cached_property, lru_cache
from itertools import combinations, pairwise
from math import comb
from threading import Lock
from typing import TYPE_CHECKING

import numpy as np

from loopodds.base.arrays import FloatArray, IntArray, Query
from loopodds.base.equal_rows import Answers, Room, distinct, words_of
from loopodds.base.errors import ImpossibleEvidence, TooLarge
from loopodds.diagnosis.repaired_car import Origin, Repair, origins, repaired_network
from loopodds.inference.junction import JunctionTree, Posterior, plan_of
from loopodds.inference.network import Evidence, Network
from loopodds.knowledge.assembly import build_network
from loopodds.knowledge.records import SOUND, Knowledge

if TYPE_CHECKING:
    from loopodds.inference.flat_tree import Passes

Context = Mapping[str, str]
Key = frozenset[tuple[str, str]]

SoundTree = tuple[JunctionTree, float]
"""Tree, and what its log evidence leaves out."""

MOST_TREES = 256
"""Contexts of which trees are kept in a process, whichever models ask. The demo archive meets 75;
both trees of one take 1.1 MB, with what the compiled loops need 1.7 MB."""
MOST_REMEMBERED = 2**26
"""Bytes of answers that are kept for rows of an archive that come again."""


@dataclass(frozen=True, slots=True, eq=False)
class Beliefs:
    """Exact posteriors of a batch."""

    log_evidence: FloatArray  # shape (rows,): natural; minus infinity where it cannot be
    p_sound: FloatArray  # shape (rows,): that every fault variable is in its sound state
    faults: dict[str, FloatArray]  # shape (rows, states): marginals; each row sums to one
    distinct: int = 0  # rows that differ in their evidence

    def table(self) -> FloatArray:
        """All of it side by side, shape (rows, 2 + states of all faults)."""
        return np.column_stack([self.log_evidence, self.p_sound, *self.faults.values()])

    @classmethod
    def of_table(cls, table: FloatArray, cards: Mapping[str, int], distinct: int) -> Beliefs:
        """The same back again, given the states of each fault."""
        ends = np.cumsum([2, *cards.values()])
        faults = {n: table[:, a:b] for n, (a, b) in zip(cards, pairwise(ends), strict=True)}
        return cls(table[:, 0], table[:, 1], faults, distinct)


class Model:
    """Knowledge compiled on demand, one tree for each context met.

    Args:
        knowledge: The shipped knowledge when left out.
        repairs: What was done to the cars it is about, in order.
        compiled: Always the compiled loops of the engine, which take half a second to load: for a
            long process with many small batches. Otherwise only large batches take them.
        passes: What runs large batches instead, such as a
            :class:`loopodds.accelerator.passes.Accelerator`.
        looked_at: What batches will be about, where that is known beforehand: beliefs then come
            from trees without what has no bearing on it, and rows of words that were met before are
            not worked out again. About anything else the whole is asked.
    """

    def __init__(
        self,
        knowledge: Knowledge | None = None,
        repairs: tuple[Repair, ...] = (),
        compiled: bool = False,
        passes: Passes | None = None,
        looked_at: Collection[str] | None = None,
    ) -> None:
        self.repairs = repairs
        self.compiled = compiled
        self.passes = passes
        self._looked_at = None if looked_at is None else frozenset(looked_at)
        # not for a card, whose last bit hangs on what other rows of a batch saw: a run that is
        # taken up again would differ
        self._room = Room(MOST_REMEMBERED) if passes is None else None
        self._answers: dict[tuple[JunctionTree, tuple[Query, ...]], Answers] = {}
        self._making = Lock()  # threads that need the same trees wait for one to make them
        self.knowledge = knowledge if knowledge is not None else Knowledge()
        self.faults = tuple(self.knowledge.of_kind("fault"))
        self.conditions = self.knowledge.conditions
        self._plain: Model | None = None
        # of repaired cars only: what others need is shared, and can be large here
        self._networks: dict[Key, Network] = {}
        self._trees: dict[Key, JunctionTree] = {}
        self._sound: dict[Key, SoundTree] = {}

    def after(self, repairs: tuple[Repair, ...]) -> Model:
        """A model of the same knowledge for cars to which this was done."""
        other = Model(self.knowledge, repairs, self.compiled, self.passes)
        other._plain = self.plain if repairs else None
        return other

    @property
    def plain(self) -> Model:
        """A model of the same knowledge for cars to which nothing was done."""
        if self.repairs and self._plain is None:
            self._plain = Model(self.knowledge, (), self.compiled, self.passes)
        return self._plain or self

    def tree(self, context: Context) -> JunctionTree:
        """Junction tree of a context; what the context leaves out is averaged over."""
        network = self.network(context)
        if not self.repairs:
            return _tree_of(network, self.compiled, self.passes)
        key = frozenset(context.items())
        if key not in self._trees:
            self._trees[key] = JunctionTree(network, self.compiled, self.passes)
        return self._trees[key]

    def fits(self, context: Context, most: int) -> bool:
        """Whether the cliques of a context have at most so many configurations together."""
        try:
            return plan_of(self.network(context), searched=False).space <= most
        except TooLarge:
            return False

    def network(self, context: Context) -> Network:
        """The network of a context, with the repairs in it."""
        if not self.repairs:
            return build_network(self.knowledge, context)
        key = frozenset(context.items())
        if key not in self._networks:
            networks = [build_network(self.knowledge, one) for one in self.contexts(context)]
            self._networks[key] = repaired_network(networks, self.repairs, self.knowledge, context)
        return self._networks[key]

    def contexts(self, context: Context) -> list[Context]:
        """The context before each repair, and that of the present."""
        earlier = [context if r.context is None else dict(r.context) for r in self.repairs]
        return [*earlier, context]

    def origins(self, context: Context) -> dict[str, Origin]:
        """Whose numbers the variables of the network of a repaired car have."""
        networks = [build_network(self.knowledge, one) for one in self.contexts(context)]
        return dict(origins(networks, self.repairs, self.knowledge, context))

    def _sound_tree(self, context: Context) -> SoundTree:
        """Tree with every fault fixed to its sound state: log P(evidence, sound) in one pass."""
        network = self.network(context)
        if not self.repairs:
            return _sound_tree_of(network, self.faults, self.compiled, self.passes)
        key = frozenset(context.items())
        if key not in self._sound:
            self._sound[key] = _fixed(network, self.faults, self.compiled, self.passes)
        return self._sound[key]

    @property
    def services_done(self) -> Query:
        """Services of all repairs, in order."""
        return tuple(name for repair in self.repairs for name in repair.services)

    def states(self, name: str) -> tuple[str, ...]:
        """States of a node of the knowledge."""
        return self.knowledge.node(name).states

    def believe(self, context: Context, evidence: Evidence) -> Beliefs:
        """Posteriors of every fault, and p_sound, for a batch in one context."""
        part = self._part(context, evidence)
        if part is None:
            return self._believed(self.tree(context), self._sound_tree(context), evidence)
        tree, sound, evidence = part
        # two readings are never the same
        if self._room is None or any(not np.isnan(v).all() for v, _ in evidence.numbers.values()):
            return self._believed(tree, sound, evidence)
        words = _words(evidence)
        first, place = distinct(words)
        names = tuple(map(tuple, (evidence.codes, evidence.soft, evidence.implied)))
        answers = self._met((tree, names), words.shape[1])
        found = answers.of(
            words[first], lambda new: self._believed(tree, sound, evidence.take(first[new])).table()
        )
        found = found if len(first) == len(words) else found.take(place, axis=0)
        return Beliefs.of_table(found, self._cards, len(first))

    def _believed(self, tree: JunctionTree, sound: SoundTree, evidence: Evidence) -> Beliefs:
        posterior = tree.propagate(evidence, [(name,) for name in self.faults])
        return Beliefs(
            posterior.log_evidence,
            self._p_sound(sound, evidence, posterior),
            {name: posterior[name] for name in self.faults},
            posterior.distinct,
        )

    @cached_property
    def _cards(self) -> dict[str, int]:
        return {name: len(self.states(name)) for name in self.faults}

    def _met(self, key: tuple[JunctionTree, tuple[Query, ...]], width: int) -> Answers:
        """What was worked out for rows of an archive with these columns, so wide in words."""
        assert self._room is not None
        with self._making:
            if key not in self._answers:
                columns = 2 + sum(self._cards.values())
                self._answers[key] = Answers(self._room, width, columns)
            return self._answers[key]

    def _part(
        self, context: Context, evidence: Evidence
    ) -> tuple[JunctionTree, SoundTree, Evidence] | None:
        """The trees of what an archive is about that answer some evidence, and it as they take it;
        none where they do not."""
        if self._looked_at is None or self.repairs:
            return None
        with self._making:
            tree, sound = _trees_of_part(
                self.network(context), self._looked_at, self.faults, self.compiled, self.passes
            )
        part = tree.network
        if not part.holds({*evidence.names_held, *evidence.implied}):
            return None
        kinds = part.hidden, part.observables, part.gauges
        held = [[name for name in kind if name in self._looked_at] for kind in kinds]
        return tree, sound, evidence.in_full([*held[0], *held[1]], held[2])

    def _p_sound(
        self, sound_tree: SoundTree, evidence: Evidence, posterior: Posterior
    ) -> FloatArray:
        tree, constant = sound_tree
        fits = np.ones(evidence.rows)
        for name in self.faults:
            if name in evidence.codes:
                fits *= evidence.codes[name] <= 0
            for likelihoods in (evidence.soft, evidence.implied):
                if name in likelihoods:
                    fits *= likelihoods[name][:, 0]
        told = {n: weight for n, weight in evidence.implied.items() if n not in self.faults}
        rest = replace(evidence.without(self.faults), implied=told)
        sound = tree.propagate(rest).log_evidence + constant
        possible = np.isfinite(posterior.log_evidence)
        log_share = np.where(possible, sound - np.where(possible, posterior.log_evidence, 0), 0)
        return np.where(possible, np.minimum(np.exp(log_share) * fits, 1.0), 0.0)

    def probability(self, beliefs: Beliefs, name: str) -> FloatArray:
        """Probability of a condition, or of ``sound``, in every row, shape (rows,)."""
        if name == SOUND:
            return beliefs.p_sound
        variable = self.knowledge.condition(name).variable
        total: FloatArray = beliefs.faults[variable][:, self.members(name) > 0].sum(axis=1)
        return total

    def members(self, condition: str) -> FloatArray:
        """One for each state of its fault variable that makes up a condition, shape (states,)."""
        named = self.knowledge.condition(condition)
        return np.isin(self.states(named.variable), named.states).astype(np.float64)

    def require_possible(self, context: Context, evidence: Evidence) -> None:
        """Raise when a row of the batch cannot be.

        Raises:
            ImpossibleEvidence: naming the smallest set of findings of the first such row that
                cannot hold together.
        """
        tree = self.tree(context)
        bad = np.flatnonzero(np.isneginf(tree.propagate(evidence).log_evidence))
        if not len(bad):
            return
        row = int(bad[0])
        names = smallest_impossible(tree, evidence.take(slice(row, row + 1)))
        listed = ", ".join(names)
        raise ImpossibleEvidence(f"these cannot hold together: {listed}", row, names)


@lru_cache(maxsize=MOST_TREES)
def _tree_of(network: Network, compiled: bool, passes: Passes | None) -> JunctionTree:
    return JunctionTree(network, compiled, passes)


@lru_cache(maxsize=MOST_TREES)
def _sound_tree_of(
    network: Network, faults: Query, compiled: bool, passes: Passes | None
) -> SoundTree:
    return _fixed(network, faults, compiled, passes)


def _fixed(network: Network, faults: Query, compiled: bool, passes: Passes | None) -> SoundTree:
    rest, constant = network.given(dict.fromkeys(faults, 0))
    return JunctionTree(rest, compiled, passes), constant


@lru_cache(maxsize=MOST_TREES)
def _trees_of_part(
    network: Network, names: frozenset[str], faults: Query, compiled: bool, passes: Passes | None
) -> tuple[JunctionTree, SoundTree]:
    part = network.relevant([*faults, *names])
    if part.hidden.keys() <= {*faults}:  # with the faults fixed there would be no tree left
        part = network
    return JunctionTree(part, compiled, passes), _fixed(part, faults, compiled, passes)


def _words(evidence: Evidence) -> IntArray:
    """All that a batch says but for readings, shape (rows, words of 32 bits)."""
    codes = np.empty((evidence.rows, len(evidence.codes)), np.int32)
    for i, code in enumerate(evidence.codes.values()):
        codes[:, i] = code
    return words_of([codes, *evidence.soft.values(), *evidence.implied.values()])


def smallest_impossible(tree: JunctionTree, evidence: Evidence) -> tuple[str, ...]:
    """Smallest set of observed names whose joint probability is zero.

    All sets of one size are tried as one batch, smallest size first; beyond 20 000 sets of a
    size, names are dropped one by one as long as the rest stays impossible, which gives a set
    of which no name can be spared.
    """
    names = evidence.names()
    for size in range(1, len(names) + 1):
        if comb(len(names), size) > 20_000:
            break
        sets = list(combinations(names, size))
        masks = np.array([[name in chosen for name in names] for chosen in sets])
        logs = tree.propagate(evidence.subsets(names, masks)).log_evidence
        impossible = np.flatnonzero(np.isneginf(logs))
        if len(impossible):
            return sets[int(impossible[0])]
    kept = list(names)
    for name in names:
        fewer = [other for other in kept if other != name]
        if np.isneginf(tree.propagate(evidence.only(fewer)).log_evidence[0]):
            kept = fewer
    return tuple(kept)
