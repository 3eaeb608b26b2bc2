"""One belief explained: what speaks for and against, what does not fit, what would change it."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, NamedTuple

import numpy as np

from loopodds.base.arrays import FloatArray
from loopodds.diagnosis.belief import Belief, Conflict
from loopodds.diagnosis.misreading import Suspect, named_suspect, suspects
from loopodds.diagnosis.model import Beliefs
from loopodds.diagnosis.weights import (
    Odds,
    Shares,
    clamp_of,
    odds_of,
    overturned,
    share_out,
    table_of_hypotheses,
    verdicts,
)
from loopodds.inference.likelihoods import interval_codes
from loopodds.inference.network import Evidence

FEWEST_SEEN = 3
"""Below this a misreading is not looked for: there is too little that it could contradict."""


class TurningPoint(NamedTuple):
    """A finding whose other value would overturn the verdict."""

    name: str
    recorded: str  # what was seen; empty for what was not looked at
    state: str  # the other value
    chance: float  # how probable it is given all other evidence
    verdict: str  # what would then be the verdict
    probability: float  # of that


@dataclass(frozen=True, slots=True)
class Explanation:
    """Why a condition is believed as it is."""

    condition: str  # or ``sound``, as the next two
    rival: str  # the strongest other hypothesis
    verdict: str  # the leading hypothesis
    before: float  # probability of the condition without what was recorded
    now: float  # and with it
    rival_now: float
    shares: Shares  # weight of evidence for the condition against its absence [decibans]
    contrast: Shares  # the same against the rival
    conflict: Conflict  # how badly the findings go together
    suspects: tuple[Suspect, ...]  # the most telling misreading first; empty below three findings
    turning_points: tuple[TurningPoint, ...]  # unseen first, the probable before the improbable

    @property
    def culprit(self) -> Suspect | None:
        """The finding most likely misread, where some misreading is more likely than not."""
        return named_suspect(self.suspects)

    def as_json(self) -> dict[str, Any]:
        """Plain data for ``json.dumps``."""
        culprit = self.culprit
        return {
            "condition": self.condition,
            "probability": self.now,
            "prior": self.before,
            "verdict": self.verdict,
            "weight_of_evidence": _shares_json(self.shares),
            "contrast": {
                "rival": self.rival,
                "probability": self.rival_now,
                **_shares_json(self.contrast),
            },
            "conflict": {
                "bits": self.conflict.bits,
                "between": [[one, other] for one, other, _ in self.conflict.between],
                "misread": culprit.name if culprit else None,
                "suspects": [suspect._asdict() for suspect in self.suspects],
            },
            "turning_points": [point._asdict() for point in self.turning_points],
        }


def _shares_json(shares: Shares) -> dict[str, Any]:
    return {
        "before": shares.before,
        "after": shares.after,
        "unit": "decibans",
        "method": f"mean over {shares.orders} sampled orders" if shares.orders else "exact",
        "shares": [share._asdict() for share in shares.shares],
    }


def explain(belief: Belief, condition: str = "", rival: str = "") -> Explanation:
    """Why a condition, or ``sound``, is believed as it is; the leading one when left out.

    ``rival``: what to hold against it; the most probable other one when left out.

    Raises:
        UnknownName: with the nearest spelling.
    """
    model, evidence = belief.model, belief.evidence
    tree = model.tree(belief.context)
    (verdict,) = verdicts(model, belief.beliefs)
    condition = condition or verdict
    held = clamp_of(model, condition)
    seen = observed(belief)
    rival = rival or _alternative(belief, condition)
    hypotheses = [odds_of(held), Odds(held, clamp_of(model, rival))]
    shares, contrast = share_out(tree, evidence, belief.names, hypotheses)
    return Explanation(
        condition=condition,
        rival=rival,
        verdict=verdict,
        before=float(model.probability(belief.before, condition)[0]),
        now=float(model.probability(belief.beliefs, condition)[0]),
        rival_now=float(model.probability(belief.beliefs, rival)[0]),
        shares=shares,
        contrast=contrast,
        conflict=belief.conflict,
        suspects=suspects(tree, evidence, seen) if len(seen) >= FEWEST_SEEN else (),
        turning_points=turning_points(belief),
    )


def _alternative(belief: Belief, condition: str) -> str:
    """What it would be instead: the most probable other hypothesis if it were not that.

    Only what becomes more probable by its absence is an alternative: a leak beside a low charge
    is a companion, however probable.
    """
    model = belief.model
    names, now = table_of_hypotheses(model, belief.beliefs)
    absent = odds_of(clamp_of(model, condition)).against
    then = now
    if absent is not None:
        soft = {name: weight[None] for name, weight in absent.items()}
        then = table_of_hypotheses(model, belief.variations(belief.evidence.with_soft(soft)))[1]
    order = np.argsort(-np.where(then >= now, then, -1.0)[0], kind="stable")
    ordered = (names[int(i)] for i in order)
    return next(name for name in ordered if name != condition)


def observed(belief: Belief) -> list[str]:
    """Findings and gauges that were observed: what can be misread, unlike history."""
    observable = belief.model.knowledge.of_kind("finding", "gauge")
    return [name for name in belief.names if name in observable]


class ImaginedValue(NamedTuple):
    """One value of something that can be seen."""

    name: str
    state: str
    recorded: str  # what was seen of it; or empty
    chance: float  # of the value, given all other evidence


def imagine(belief: Belief) -> tuple[list[ImaginedValue], Beliefs]:
    """Each state of each history item, finding and gauge word in place of what was recorded of
    it, as one batch; a number gives way to a word. Beliefs stand row by row as the values do.
    """
    nodes = belief.model.knowledge.of_kind("history", "finding", "gauge")
    asked = [(name, state) for name, node in nodes.items() for state in node.states]
    beliefs = belief.variations(_one_changed(belief, asked))
    chances = _chances([name for name, _ in asked], beliefs.log_evidence)
    recorded = {name: recorded_state(belief, name) for name in nodes}
    pairs = zip(asked, chances.tolist(), strict=True)
    return [ImaginedValue(name, state, recorded[name], p) for (name, state), p in pairs], beliefs


def turning_points(belief: Belief) -> tuple[TurningPoint, ...]:
    """Every single value, seen or unseen, that would overturn the verdict."""
    model = belief.model
    values, beliefs = imagine(belief)
    names, table = table_of_hypotheses(model, beliefs)
    (now,) = verdicts(model, belief.beliefs)
    turned = overturned(table, names.index(now))
    points = [
        TurningPoint(name, recorded, state, chance, names[best], float(row[best]))
        for (name, state, recorded, chance), row, best, is_turned in zip(
            values, table, table.argmax(axis=1), turned, strict=True
        )
        if is_turned and state != recorded and chance > 0
    ]
    return tuple(sorted(points, key=lambda point: (bool(point.recorded), -point.chance)))


def _one_changed(belief: Belief, asked: Sequence[tuple[str, str]]) -> Evidence:
    """One row for each (name, state): the evidence with that name set to that state."""
    names = list(dict.fromkeys(name for name, _ in asked))
    changed = np.array([[name == other for other in names] for name, _ in asked])
    codes = np.array([belief.model.states(name).index(state) for name, state in asked])
    batch = belief.evidence.subsets(names, ~changed)
    unknown = np.full(batch.rows, -1)
    old = [batch.codes.get(name, unknown) for name in names]
    new = dict(zip(names, np.where(changed.T, codes, old), strict=True))
    return Evidence(batch.rows, new, batch.soft, batch.numbers)


def _chances(names: Sequence[str], log_evidence: FloatArray) -> FloatArray:
    """Probability of each state given all the other evidence: its share within its name."""
    chances = np.empty(len(names))
    for name in dict.fromkeys(names):
        rows = [row for row, other in enumerate(names) if other == name]
        weights = np.exp(log_evidence[rows] - log_evidence[rows].max())
        chances[rows] = weights / weights.sum()
    return chances


def recorded_state(belief: Belief, name: str) -> str:
    """State (or word) in which something was recorded, the likeliest one if doubtful; or empty."""
    if name not in belief.names:
        return ""
    evidence, states = belief.evidence, belief.model.states(name)
    if name in evidence.numbers and not np.isnan(evidence.numbers[name][0][0]):
        gauge = belief.model.tree(belief.context).network.gauges[name]
        return states[int(interval_codes(evidence.numbers[name][0], gauge.cuts)[0])]
    if name in evidence.codes and evidence.codes[name][0] >= 0:
        return states[int(evidence.codes[name][0])]
    return states[int(evidence.soft[name][0].argmax())]
