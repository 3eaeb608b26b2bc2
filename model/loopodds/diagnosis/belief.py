"""What is believed of one car: ranked conditions, combinations, conflict, and what moved them."""

import heapq
from collections.abc import Iterator, Mapping, Sequence
from functools import cached_property
from typing import NamedTuple

import numpy as np

from loopodds.base.arrays import FloatArray
from loopodds.base.errors import LoopoddsError
from loopodds.base.phrases import sentence, spaced
from loopodds.diagnosis.model import Beliefs, Context, Model
from loopodds.inference.network import Evidence
from loopodds.knowledge.records import SOUND, Knowledge

ABSENT = ""
_WAVE = 8
_ROUNDING = 1e-9
"""Share, or bits of conflict, that is nothing but sums in another order."""


class RankedCondition(NamedTuple):
    """One condition: now, before any evidence, and the states of its variable."""

    name: str
    probability: float
    prior: float
    variable: str
    states: Mapping[str, float]


class Combination(NamedTuple):
    """Conditions present together with every other fault variable sound."""

    conditions: tuple[str, ...]
    probability: float


class Conflict(NamedTuple):
    """How much less likely the findings are together than each alone, in bits.

    ``between`` lists pairs that contradict each other, strongest first, each with its bits.
    """

    bits: float
    between: tuple[tuple[str, str, float], ...]


class Weight(NamedTuple):
    """Change of the log-odds of a condition by one finding, all others held, in decibans."""

    name: str
    decibans: float


class Belief:
    """Exact posterior for one row of evidence.

    Attributes:
        names: What was told and seen of the car as it is. What was seen before a repair and is not
            so any more is evidence all the same, but stands by itself.

    Raises:
        LoopoddsError: if the evidence has more than one row.
        ImpossibleEvidence: if the findings cannot hold together; it names the smallest such set.
    """

    def __init__(self, model: Model, context: Context, evidence: Evidence) -> None:
        if evidence.rows != 1:
            raise LoopoddsError(f"one inspection expected, got {evidence.rows} rows")
        self.model = model
        self.context = dict(context)
        self.evidence = evidence
        self.names = tuple(n for n in evidence.names() if n in model.knowledge.nodes)
        self.beliefs = model.believe(context, evidence)
        if np.isneginf(self.beliefs.log_evidence[0]):
            model.require_possible(context, evidence)

    @property
    def log_evidence(self) -> float:
        """Natural log of P(words) times density(numbers)."""
        return float(self.beliefs.log_evidence[0])

    @property
    def p_sound(self) -> float:
        """Probability that nothing is wrong."""
        return float(self.beliefs.p_sound[0])

    @cached_property
    def before(self) -> Beliefs:
        """Beliefs about such a car before it is looked at; after repairs, as they left it."""
        return self.model.believe(self.context, self.evidence.without(self.names))

    def fault(self, name: str) -> dict[str, float]:
        """Posterior over the states of a fault variable; sums to one."""
        states = self.model.states(name)
        return dict(zip(states, map(float, self.beliefs.faults[name][0]), strict=True))

    def condition(self, name: str) -> float:
        """Posterior probability of a condition."""
        return float(self.model.probability(self.beliefs, name)[0])

    def ranking(self) -> list[RankedCondition]:
        """Every condition, most probable first."""
        ranked = []
        for name, condition in self.model.conditions.items():
            prior = float(self.model.probability(self.before, name)[0])
            variable, now = condition.variable, self.condition(name)
            ranked.append(RankedCondition(name, now, prior, variable, self.fault(variable)))
        return sorted(ranked, key=lambda condition: -condition.probability)

    def variations(self, batch: Evidence) -> Beliefs:
        """Beliefs for imagined variations of this car (same context)."""
        return self.model.believe(self.context, batch)

    def weights(self, hypotheses: Sequence[str]) -> dict[str, tuple[Weight, ...]]:
        """For each condition or ``sound``, what each finding adds to its log-odds, all others held.

        Weight of evidence (Good 1950): 10 log10 of the odds with the finding over the odds
        without it. One batch, a row for each finding left out. Strongest first.
        """
        if not self.names:
            return dict.fromkeys(hypotheses, ())
        without = self.evidence.subsets(self.names, ~np.eye(len(self.names), dtype=bool))
        beliefs = self.variations(without)
        weights = {}
        for name in hypotheses:
            now = log_odds(self.model.probability(self.beliefs, name))
            gone = log_odds(self.model.probability(beliefs, name))
            decibans = 10 * (now - gone) / np.log(10)
            pairs = map(Weight, self.names, decibans.tolist())
            weights[name] = tuple(sorted(pairs, key=lambda weight: -abs(weight.decibans)))
        return weights

    @cached_property
    def conflict(self) -> Conflict:
        """Conflict between findings and readings, given the history (Jensen et al. 1990).

        log2 of the product of single probabilities over their joint: above zero the findings
        support each other less than chance would, a sign of a misreading or of a rare case.
        """
        history = self.model.knowledge.of_kind("history", "fault", "mechanism")
        seen = [name for name in self.names if name not in history]
        if len(seen) < 2:
            return Conflict(0.0, ())
        pairs = [(i, j) for i in range(len(seen)) for j in range(i)]
        each = np.eye(len(seen), dtype=bool)
        masks = np.vstack([np.zeros_like(each[:1]), each, [each[i] | each[j] for i, j in pairs]])
        tree = self.model.tree(self.context)
        logs = tree.propagate(self.evidence.subsets(seen, masks)).log_evidence / np.log(2)
        none, single, double = logs[0], logs[1 : 1 + len(seen)] - logs[0], logs[1 + len(seen) :]
        together = self.log_evidence / np.log(2) - none
        between = [
            (seen[j], seen[i], float(single[i] + single[j] - (joint - none)))
            for (i, j), joint in zip(pairs, double, strict=True)
        ]
        telling = sorted((p for p in between if p[2] > _ROUNDING), key=lambda p: -p[2])
        return Conflict(float(single.sum() - together), tuple(telling[:5]))

    def combinations(self, count: int = 5) -> list[Combination]:
        """The most probable exact sets of conditions, all other faults sound; best first.

        Best-first search (Lawler 1972): what begins with some conditions splits into the set of
        just these and those that add one of each later variable. None of the latter is likelier
        than all that begins so less the set itself and those of them that are worked out, nor than
        the condition that it adds, nor than that what it passes over is sound: most are ruled out
        by that alone, and the sets come out in exact order.
        """
        options = self._options()
        order = sorted(options, key=lambda v: float(self.beliefs.faults[v][0, 0]))
        # whether no two conditions share a state, so that what they make likely adds up
        apart = all(np.sum([*masks.values()], axis=0).max() <= 1 for masks in options.values())
        # a bound, whether it is the probability of just this set, the conditions by depth, and of
        # which family: of the children of one beginning
        heap: list[tuple[float, bool, tuple[str, ...], int]] = [(-1.0, False, (), 0)]
        left = [1.0]  # for each family what those of it that are not worked out can have together
        found: list[Combination] = []
        while heap and len(found) < count:
            wave: list[tuple[tuple[str, ...], int]] = []
            while heap and not heap[0][1] and len(wave) < _WAVE:
                bound, _, begun, family = heapq.heappop(heap)
                if left[family] < -bound:
                    heapq.heappush(heap, (-left[family], False, begun, family))
                else:
                    wave.append((begun, family))
            if not wave:
                bound, _, chosen, _ = heapq.heappop(heap)
                found.append(Combination(tuple(n for n in chosen if n != ABSENT), -bound))
                continue
            whole = [(*c, *[ABSENT] * (len(order) - len(c))) for c, _ in wave]
            p = self._probability(order, options, [*(c for c, _ in wave), *whole]).tolist()
            for (begun, family), alone, all_such, just_this in zip(
                wave, whole, p[: len(wave)], p[len(wave) :], strict=True
            ):
                if apart:
                    left[family] = max(left[family] - all_such, _ROUNDING * left[family])
                if just_this > 0:
                    heapq.heappush(heap, (-just_this, True, alone, family))
                # what is left is a difference: rounding takes nothing out of the search
                more = max(all_such - just_this, _ROUNDING * all_such)
                left.append(more)
                for bound, then in self._adding(begun, order, options, more):
                    heapq.heappush(heap, (-bound, False, then, len(left) - 1))
        return found

    def _adding(
        self,
        begun: tuple[str, ...],
        order: Sequence[str],
        options: Mapping[str, Mapping[str, FloatArray]],
        more: float,
    ) -> Iterator[tuple[float, tuple[str, ...]]]:
        """What adds a condition to a beginning, those between sound, with what it can have at most.

        ``more``: probability of all that begins so but for the set itself.
        """
        for depth in range(len(begun), len(order)):
            passed = [ABSENT] * (depth - len(begun))
            for name in options[order[depth]]:
                if name != ABSENT and (bound := min(more, self.condition(name))) > 0:
                    yield bound, (*begun, *passed, name)
            more = min(more, float(self.beliefs.faults[order[depth]][0, 0]))

    def _options(self) -> dict[str, dict[str, FloatArray]]:
        """For each fault variable: sound or one of its conditions, as 0/1 masks of states."""
        sizes = {fault: len(self.model.states(fault)) for fault in self.model.faults}
        options = {fault: {ABSENT: np.eye(size)[0]} for fault, size in sizes.items()}
        for name, condition in self.model.conditions.items():
            options[condition.variable][name] = self.model.members(name)
        return options

    def _probability(
        self,
        order: Sequence[str],
        options: Mapping[str, Mapping[str, FloatArray]],
        partial: Sequence[tuple[str, ...]],
    ) -> FloatArray:
        """P(partial assignment | evidence) for a batch of partial assignments."""
        soft = {}
        for depth, variable in enumerate(order[: max(map(len, partial))]):
            free = np.ones(len(options[variable][ABSENT]))
            soft[variable] = np.array(
                [options[variable][c[depth]] if depth < len(c) else free for c in partial]
            )
        batch = self.evidence.repeat(len(partial)).with_soft(soft)
        logs = self.model.tree(self.context).propagate(batch).log_evidence
        result: FloatArray = np.exp(logs - self.log_evidence)
        return result


def log_odds(p: FloatArray) -> FloatArray:
    """Natural log-odds, finite for p of zero or one (clipped at 1e-300 and the last ulp)."""
    p = np.clip(p, 1e-300, 1 - 2**-53)
    result: FloatArray = np.log(p) - np.log1p(-p)
    return result


def condition_title(name: str, knowledge: Knowledge) -> str:
    """Plain title of a condition, or of ``sound``."""
    return "Nothing wrong" if name == SOUND else knowledge.condition(name).title


def title_of(name: str, knowledge: Knowledge) -> str:
    """The same with a capital; the words of what the knowledge does not have any more."""
    known = name == SOUND or name in knowledge.conditions
    return sentence(condition_title(name, knowledge) if known else spaced(name))


def with_state(ranked: RankedCondition, knowledge: Knowledge, between: str = ": ") -> str:
    """Title of a condition with its likeliest state, where it has more than one."""
    title = condition_title(ranked.name, knowledge)
    states = knowledge.condition(ranked.name).states
    if len(states) < 2:
        return title
    return f"{title}{between}{spaced(max(states, key=lambda state: ranked.states[state]))}"


def groups_of(knowledge: Knowledge) -> dict[str, list[str]]:
    """Findings and readings under the group they are shown in, in the order of the files."""
    groups: dict[str, list[str]] = {}
    for name, node in knowledge.of_kind("finding", "gauge").items():
        groups.setdefault(node.group, []).append(name)
    return groups
