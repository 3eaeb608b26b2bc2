"""What an explanation is about: a condition against its absence, or against another one."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from loopodds.aliases import BoolArray, FloatArray
from loopodds.engine import Beliefs, Model
from loopodds.errors import UnknownName, unknown_name
from loopodds.knowledge import SOUND
from loopodds.subsets import Clamp

EVEN = 0.5


class Question(NamedTuple):
    """A ratio of probabilities whose logarithm findings move.

    ``holds`` and ``against`` hold hidden variables to some of their states; without ``against``
    the ratio is to everything else than ``holds``.
    """

    holds: Clamp
    against: Clamp | None = None


def clamp_of(model: Model, name: str) -> Clamp:
    """States of the fault variables that make up a condition, or ``sound``.

    Raises
    ------
    UnknownName
        With the nearest spelling; for a fault variable with several conditions, with those.
    """
    if name == SOUND:
        return {fault: np.eye(len(model.states(fault)))[0] for fault in model.faults}
    if name in model.conditions:
        condition = model.conditions[name]
        inside = np.isin(model.states(condition.variable), condition.states)
        return {condition.variable: inside.astype(np.float64)}
    if name in model.faults:
        named = " and ".join(c.name for c in model.conditions.values() if c.variable == name)
        raise UnknownName(f"{name!r} is a fault variable; its conditions are {named}")
    raise unknown_name("condition", name, [*model.conditions, SOUND])


def odds(clamp: Clamp) -> Question:
    """The odds of a hypothesis: its probability over that of the contrary.

    For one variable the contrary is summed on its own, so the odds stay exact near certainty.
    """
    if len(clamp) > 1:
        return Question(clamp)
    return Question(clamp, {name: 1.0 - weight for name, weight in clamp.items()})


def probability(model: Model, beliefs: Beliefs, name: str) -> FloatArray:
    """Probability of a condition or of ``sound`` in every row, shape (rows,)."""
    return beliefs.p_sound if name == SOUND else model.condition(beliefs, name)


def table_of_hypotheses(model: Model, beliefs: Beliefs) -> tuple[tuple[str, ...], FloatArray]:
    """``sound`` and every condition, with their probabilities, shape (rows, hypotheses)."""
    names = (SOUND, *model.conditions)
    return names, np.column_stack([probability(model, beliefs, name) for name in names])


def verdicts(model: Model, beliefs: Beliefs) -> list[str]:
    """The leading hypothesis of every row: the most probable condition, or ``sound``."""
    names, table = table_of_hypotheses(model, beliefs)
    return [names[i] for i in table.argmax(axis=1)]


def overturned(probabilities: FloatArray, leader: int) -> BoolArray:
    """Rows in which a verdict no longer stands, shape (rows,).

    Another hypothesis is more probable, and the old leader no longer more likely than not: two
    faults that are both all but certain do not overturn each other by a hair.

    Parameters
    ----------
    probabilities : float array, shape (rows, hypotheses)
    leader : int
        Index of the hypothesis that led.
    """
    then = probabilities[:, leader]
    result: BoolArray = (then < probabilities.max(axis=1)) & (then < EVEN)
    return result
