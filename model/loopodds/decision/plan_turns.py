"""Which findings would change what is best done to the car."""

from __future__ import annotations

from typing import NamedTuple

from loopodds.decision.workshop import Workshop
from loopodds.diagnosis.explanation import imagine

WORTH = 0.02
"""Share of its expected cost by which another plan must be cheaper to count as another plan."""


class PlanTurn(NamedTuple):
    """A finding whose other value would make another plan the best.

    ``recorded`` is what was seen, empty for what was not looked at; ``chance`` how probable the
    other value is given all else; ``services`` what would then be done, and ``saves`` by how
    much less it would be expected to cost than the present plan [currency].
    """

    name: str
    recorded: str
    state: str
    chance: float
    services: tuple[str, ...]
    saves: float


def plan_turns(shop: Workshop) -> tuple[PlanTurn, ...]:
    """Every single value, seen or unseen, that would change the plan; unseen and probable first.

    What may be done, and what has to come before it, is taken as it now is.

    Parameters
    ----------
    shop : Workshop
    """
    decision = shop.decision
    imagined = imagine(shop.belief)
    to_do = decision.to_do(shop.progress.done)
    rows = decision.marginals(imagined.beliefs.faults, to_do)
    now = decision.best(shop.marginal)
    parts = decision.settings[now.setting].components
    kept = sum(
        part.constant[option] + rows @ part.loss[option]
        for part, option in zip(parts, now.options, strict=True)
    )
    cheapest = decision.cost(rows)
    turns = [
        PlanTurn(name, recorded, state, chance, services, float(old - new))
        for (name, state, recorded, chance), services, old, new in zip(
            imagined.values, decision.chosen(rows), kept, cheapest, strict=True
        )
        if set(services) != set(now.actions)
        and old - new > WORTH * old
        and state != recorded
        and chance > 0
    ]
    return tuple(sorted(turns, key=lambda turn: (bool(turn.recorded), -turn.chance)))
