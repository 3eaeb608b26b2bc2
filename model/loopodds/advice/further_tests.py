"""What all further testing could still change: the same decision, or a saving.

Same-decision probability (Chen, Choi & Darwiche 2014): how likely the plan stands once everything
that can still be seen has been seen. Exact where the outcomes can be listed, otherwise from draws
of the posterior, each of them judged exactly.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from math import prod

import numpy as np
from numpy.typing import ArrayLike

from loopodds.base.arrays import FloatArray, IntArray
from loopodds.decision.expected_cost import Decision
from loopodds.decision.outcomes import Batch, Cells
from loopodds.diagnosis.simulation import draw_reading, draw_state
from loopodds.inference.information import Look, Masks
from loopodds.inference.joints import Calibrated
from loopodds.inference.network import Evidence

LISTED = 4096
DRAWS = 2000
"""Where the joint states of the faults are too many to list."""


@dataclass(frozen=True, slots=True, eq=False)
class Outlook:
    """What seeing everything would do."""

    same: float  # probability that the plan would stay the same
    keeps: Mapping[str, float]  # probability that each action of it would stay in it
    # fall of the expected cost if everything could be seen for nothing: no tests can save more
    saving: float
    draws: int  # draws that this rests on; 0 where it is exact
    saving_error: float  # standard error of the saving

    def saving_json(self) -> dict[str, float]:
        """What testing can save, and how well that is known, as plain data."""
        return {"testing_can_save": self.saving, "testing_can_save_error": self.saving_error}


def look_ahead(
    calibrated: Calibrated,
    decision: Decision,
    names: Sequence[str],
    to_do: FloatArray,
    rng: np.random.Generator,
    draws: int = 400,
    masks: Masks | None = None,
    extra: Mapping[str, float] | None = None,
) -> Outlook:
    """Outlook on everything among ``names`` that is not known yet.

    What plans still need done, ``to_do`` of shape (certain,), is held fixed: only what is seen is
    to change the plan. ``draws`` is used where outcomes cannot be listed; ``masks`` and ``extra``
    are those of :class:`loopodds.inference.information.Look`.
    """
    open_names = Look(calibrated, names, masks, step=0).names
    network = calibrated.network
    count = prod(len(network.states(name)) for name in open_names)
    listed = count <= LISTED and not set(open_names).intersection(network.gauges)
    evidence = (
        _listed(calibrated, open_names)
        if listed
        else _drawn(calibrated, open_names, rng, draws, masks or {}, extra or {})
    )
    posterior = calibrated.tree.propagate(evidence, decision.queries)
    marginals = decision.of_joints(posterior.joints, to_do)
    weight = (
        np.exp(posterior.log_evidence - calibrated.log_evidence)
        if listed
        else np.full(evidence.rows, 1 / evidence.rows)
    )
    # the mean of the draws stands for the posterior, so that the saving is never below zero
    present = decision.best(weight @ marginals / weight.sum())
    saved = decision.cost_of(present, marginals) - decision.cost(marginals)
    plans = decision.chosen(marginals)
    same = np.array([set(plan) == set(present.actions) for plan in plans])
    keeps = {a: _share(weight, [a in plan for plan in plans]) for a in present.actions}
    error = 0.0 if listed else float(saved.std(ddof=1) / np.sqrt(len(saved)))
    return Outlook(
        _share(weight, same), keeps, float(weight @ saved), 0 if listed else draws, error
    )


def _share(weight: FloatArray, rows: ArrayLike) -> float:
    """Share of the weight that lies on some rows."""
    return min(1.0, float(weight @ np.asarray(rows, float) / weight.sum()))


def _listed(calibrated: Calibrated, names: Sequence[str]) -> Evidence:
    """Every joint outcome, one row each."""
    cards = [len(calibrated.network.states(name)) for name in names]
    index = np.indices(cards).reshape(len(cards), -1).T
    batch = Batch(calibrated.evidence)
    batch.add({}, Cells(tuple(names), index, tuple(None for _ in names)))
    evidence, which = batch.evidence()
    return evidence.take(which)


def _drawn(
    calibrated: Calibrated,
    names: Sequence[str],
    rng: np.random.Generator,
    draws: int,
    masks: Masks,
    extra: Mapping[str, float],
) -> Evidence:
    """What would be seen on cars drawn from the posterior, one row each."""
    network = calibrated.network
    states = calibrated.draw(draws, rng)
    codes: dict[str, IntArray] = {}
    numbers: dict[str, tuple[FloatArray, FloatArray]] = {}
    for name in names:
        if name in network.hidden:
            codes[name] = states[name]
        elif name in network.observables:
            codes[name] = draw_state(network.observables[name], states, rng.random(draws))
    for name in names:
        if name in network.gauges:
            wider = extra.get(name, 0.0)
            value = draw_reading(network.gauges[name], states, rng) + rng.normal(0, wider, draws)
            for finding, hiding in masks.get(name, {}).items():
                if finding in codes:
                    value[np.isin(codes[finding], list(hiding))] = np.nan
            numbers[name] = value, np.full(draws, wider)
    base = calibrated.evidence.repeat(draws)
    return Evidence(draws, {**base.codes, **codes}, base.soft, {**base.numbers, **numbers})


def informed_saving(
    calibrated: Calibrated, decision: Decision, to_do: FloatArray, rng: np.random.Generator
) -> tuple[float, float]:
    """Value of perfect information: what knowing every fault exactly would save, and its error.

    Exact, with an error of zero, where the joint states of the variables can be listed.
    """
    names = tuple(name for name, _ in decision.variables)
    cards = [count for _, count in decision.variables]
    if prod(cards) <= LISTED:
        index = np.indices(cards).reshape(len(cards), -1)
        weight = calibrated.joint(names).ravel()
    else:
        states = calibrated.draw(DRAWS, rng)
        index = np.array([states[name] for name in names])
        weight = np.full(DRAWS, 1 / DRAWS)
    posteriors = {
        name: np.eye(card)[codes] for name, card, codes in zip(names, cards, index, strict=True)
    }
    rows = decision.marginals(posteriors, to_do)
    uninformed = decision.best(weight @ rows)
    saved = decision.cost_of(uninformed, rows) - decision.cost(rows)
    error = 0.0 if prod(cards) <= LISTED else float(saved.std(ddof=1) / np.sqrt(DRAWS))
    return float(weight @ saved), error
