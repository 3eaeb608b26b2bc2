"""Which single finding, if misread, would make everything else fit.

For each finding the rest of the evidence predicts what should have been seen. A word is misread
when another state was there: with k states each wrong one is equally likely to be written down,
so the evidence speaks for a misreading by the factor (1 - p) / ((k - 1) p), p being the
predicted probability of what was recorded. A number is misread when it comes from the wide
distribution that the knowledge gives its gauge, against the near one.
"""

from collections.abc import Sequence
from dataclasses import replace
from typing import NamedTuple

import numpy as np

from loopodds.base.arrays import FloatArray
from loopodds.inference.junction import JunctionTree
from loopodds.inference.likelihoods import interval_codes, normal_density
from loopodds.inference.network import Discrete, Evidence, GaugeNode

MISREAD_SHARE = 0.02
"""How often a finding in words is misread: engineering estimate, as for the shipped gauges."""

DOUBTED_FROM = 0.5
"""Probability of a misreading from which it is named: more likely than not."""

_LEAST = 1e-300


class Suspect(NamedTuple):
    """One finding under suspicion."""

    name: str
    factor: float  # how much more probable all evidence is if this was misread than if not
    probability: float  # that it is the one misread, given that at most one is
    rather: str  # what the rest of the evidence predicts instead
    rather_probability: float  # with this probability


def suspects(
    tree: JunctionTree, evidence: Evidence, names: Sequence[str], share: float = MISREAD_SHARE
) -> tuple[Suspect, ...]:
    """Findings by how well a misreading of each explains the evidence, most telling first.

    Args:
        evidence: One row.
        names: Observed findings and gauges, all of them observables of the network.
        share: Prior probability that a finding in words is misread. Gauges have their own.
    """
    if not names:
        return ()
    without = evidence.subsets(names, ~np.eye(len(names), dtype=bool))
    variables = [tree.network.variable(name) for name in names]
    posterior = tree.propagate(without, {v.parents for v in variables})
    found = []
    for row, variable in enumerate(variables):
        believed = posterior[variable.parents][row]
        factor = _factor(variable, believed, evidence)
        prior = variable.share if isinstance(variable, GaugeNode) else share
        odds = factor * prior / (1 - prior)
        found.append(Suspect(names[row], factor, odds, *_rather(variable, believed, evidence)))
    all_odds = 1 + sum(suspect.probability for suspect in found)
    found = [suspect._replace(probability=suspect.probability / all_odds) for suspect in found]
    return tuple(sorted(found, key=lambda suspect: (-suspect.factor, suspect.name)))


def named_suspect(found: Sequence[Suspect]) -> Suspect | None:
    """The suspect worth naming: some misreading is more likely than not, and this fits best."""
    return found[0] if sum(s.probability for s in found) >= DOUBTED_FROM else None


def recorded_weights(variable: Discrete | GaugeNode, evidence: Evidence) -> FloatArray:
    """What was recorded in words, as weights over states that sum to one."""
    weights = np.eye(len(variable.states))[int(evidence.codes.get(variable.name, [0])[0])]
    if variable.name in evidence.soft and np.ptp(evidence.soft[variable.name][0]) > 0:
        weights = evidence.soft[variable.name][0]
    result: FloatArray = weights / weights.sum()
    return result


def _number(name: str, evidence: Evidence) -> tuple[float, float] | None:
    """Residual and extra spread of a gauge, where a number was read."""
    value, extra = evidence.numbers.get(name, (np.full(1, np.nan), np.zeros(1)))
    return None if np.isnan(value[0]) else (float(value[0]), float(extra[0]))


def _factor(variable: Discrete | GaugeNode, believed: FloatArray, evidence: Evidence) -> float:
    """P(everything | misread) over P(everything | read as it was)."""
    if isinstance(variable, Discrete):
        predicted = _mean(believed, variable.table)
        recorded = recorded_weights(variable, evidence)
        wrong = (1 - recorded) @ predicted / (len(recorded) - 1)
        return float(wrong / max(float(recorded @ predicted), _LEAST))
    number = _number(variable.name, evidence)
    if number is None:
        recorded = recorded_weights(variable, evidence)
        near, wide = replace(variable, share=0.0), np.asarray(variable.wide)
        far = replace(near, parents=(), mean=np.zeros(()), spread=wide, wide=1.0)
        expected = float(recorded @ _mean(believed, near.word_table))
        return float(recorded @ far.word_table / max(expected, _LEAST))
    value, extra = number
    spread = np.hypot(variable.spread, extra)
    likely = float(_mean(believed, normal_density(value - variable.mean, spread)[..., None])[0])
    return float(normal_density(value, np.hypot(variable.wide, extra)) / max(likely, _LEAST))


def _mean(believed: FloatArray, table: FloatArray) -> FloatArray:
    """Average over the parents of what a table says of each of its columns."""
    result: FloatArray = believed.ravel() @ table.reshape(-1, table.shape[-1])
    return result


def _rather(
    variable: Discrete | GaugeNode, believed: FloatArray, evidence: Evidence
) -> tuple[str, float]:
    """Likeliest state (or word) other than the one recorded, with its probability."""
    table = variable.table if isinstance(variable, Discrete) else variable.word_table
    predicted = _mean(believed, table)
    number = _number(variable.name, evidence)
    if number is not None and isinstance(variable, GaugeNode):
        recorded = int(interval_codes(np.array([number[0]]), variable.cuts)[0])
    else:
        recorded = int(recorded_weights(variable, evidence).argmax())
    best = int(np.where(np.arange(len(predicted)) == recorded, -1.0, predicted).argmax())
    return variable.states[best], float(predicted[best])
