"""How likely a complaint is gone once a plan has been carried out.

A complaint is the largest of what its causes bring about, and of a background that comes and goes.
What a cause brought about stays as long as the cause stays as it is; where the plan changes it, or
a running state behind it, it is drawn anew, and so is the background. So a car that is left alone
keeps the complaint but for the share of it that came from nothing in particular.
"""

from __future__ import annotations

from collections.abc import Mapping
from functools import cached_property, lru_cache
from typing import Any, NamedTuple

import numpy as np

from loopodds.base.arrays import FloatArray, IntArray, Query
from loopodds.decision.workshop import Workshop
from loopodds.diagnosis.simulation import draw_state
from loopodds.inference.network import Discrete, Network
from loopodds.knowledge.cures import cure_chances
from loopodds.knowledge.records import Knowledge

DRAWS = 2000
"""Of the car's state: the standard error of a chance is then 1.1 percentage points at most."""


class Chance(NamedTuple):
    """A probability estimated from draws."""

    probability: float
    error: float  # standard error

    def as_json(self) -> dict[str, Any]:
        """Plain data."""
        return self._asdict()


class Promise:
    """The complaints of one car, and draws of its state to try plans on.

    Args:
        rng: The same draws serve every plan, so that plans differ only by what they do.

    Attributes:
        complaints: Findings that the customer complains of; true where it was said of the car as
            it is now, false where it was said before a repair.
    """

    def __init__(self, shop: Workshop, rng: np.random.Generator) -> None:
        self._shop = shop
        self._rng = rng
        self.complaints = shop.complaints

    @cached_property
    def _network(self) -> Network:
        """Of the car as it is now, every variable under its plain name."""
        return self._shop.belief.model.plain.network(self._shop.belief.context)

    @cached_property
    def _draws(self) -> dict[str, IntArray]:
        return self._shop.calibrated.draw(DRAWS, self._rng)

    @cached_property
    def _luck(self) -> dict[str, FloatArray]:
        """Points between zero and one that settle each cure and each running state."""
        knowledge = self._shop.knowledge
        names = knowledge.of_kind("fault", "mechanism")
        return {name: self._rng.random(DRAWS) for name in names}

    def gone(self, services: Query) -> Chance | None:
        """Chance that nothing is left of the complaints; None where there was none."""
        if not self.complaints:
            return None
        chances = self.each(services)
        return Chance(float(chances.mean()), float(chances.std() / np.sqrt(DRAWS)))

    def each(self, services: Query) -> FloatArray:
        """The same chance for every drawn car, shape (draws,)."""
        after = self.after(services)
        chances = np.ones(DRAWS)
        for name, standing in self.complaints.items():
            finding = self._network.observables[name]
            right = _right(finding, self._shop.knowledge)
            if standing:
                chances *= _goes(finding, right, self._draws, after)
            else:
                chances *= right[_at(finding, after)]
        return chances

    def after(self, services: Query) -> dict[str, IntArray]:
        """States of the drawn cars after services, shape (draws,): damage done stays done."""
        knowledge = self._shop.knowledge
        states = dict(self._draws)
        for name, chance in cure_chances(services, knowledge).items():
            cured = self._luck[name] < chance[states[name]]
            states[name] = np.where(cured, 0, states[name])
        for name in self._network.hidden:
            if name in knowledge.of_kind("mechanism"):
                variable = self._network.hidden[name]
                changed = _changed(variable, self._draws, states)
                anew = draw_state(variable, states, self._luck[name])
                states[name] = np.where(changed, anew, states[name])
        return states


@lru_cache(maxsize=256)
def _right_table(finding: Discrete, complaint: frozenset[int]) -> FloatArray:
    keep = [i for i in range(len(finding.states)) if i not in complaint]
    total: FloatArray = finding.table[..., keep].sum(axis=-1)
    return total


def _right(finding: Discrete, knowledge: Knowledge) -> FloatArray:
    """Chance that nothing is complained of, shape (*parent cards,)."""
    said = knowledge.node(finding.name).complaint
    return _right_table(finding, frozenset(finding.states.index(state) for state in said))


def _goes(
    finding: Discrete, right: FloatArray, now: Mapping[str, IntArray], after: Mapping[str, IntArray]
) -> FloatArray:
    """Chance in every drawn car that a complaint which is there goes, shape (draws,).

    Causes act independently, so the chance that all is right is a product over them (noisy-max:
    Henrion 1989; Diez 1993). With `kept` that of the causes that stay as they are, it is there
    now without their doing with probability kept - old, of 1 - old in all.
    """
    old, new = right[_at(finding, now)], right[_at(finding, after)]
    same = {n: np.where(now[n] == after[n], now[n], 0) for n in finding.parents}
    sound = right[(0,) * right.ndim]
    kept = np.minimum(right[_at(finding, same)] / sound, 1.0)
    share = np.divide(kept - old, 1 - old, out=np.zeros_like(old), where=old < 1)
    fresh = np.divide(new, kept, out=np.zeros_like(new), where=kept > 0)
    chance: FloatArray = np.clip(share, 0.0, 1.0) * np.minimum(fresh, 1.0)
    return chance


def _at(finding: Discrete, states: Mapping[str, IntArray]) -> tuple[IntArray, ...]:
    return tuple(states[parent] for parent in finding.parents)


def _changed(
    variable: Discrete, now: Mapping[str, IntArray], after: Mapping[str, IntArray]
) -> IntArray:
    """Cars in which a parent is not what it was, shape (draws,)."""
    differ = [now[parent] != after[parent] for parent in variable.parents]
    return np.any(differ, axis=0) if differ else np.zeros(DRAWS, dtype=bool)
