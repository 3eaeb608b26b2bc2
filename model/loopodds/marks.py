"""Marks for stated probabilities: a proper rule, and what cannot be meant."""

from __future__ import annotations

from collections.abc import Collection, Mapping

from loopodds.errors import OutOfRange, unknown_name
from loopodds.knowledge import SOUND, Knowledge


def squared_error(
    stated: Mapping[str, float], true: Collection[str], events: Collection[str]
) -> float:
    """Brier score summed over events: how far stated probabilities were from what is so.

    Strictly proper: its expectation is least where every event is given its own probability.

    Parameters
    ----------
    stated : mapping of str to float
        Probability by event; what is left out counts as zero.
    true : collection of str
        Events that are so.
    events : collection of str
        All that could have been named.
    """
    return sum((stated.get(event, 0.0) - (event in true)) ** 2 for event in events)


def check_stated(stated: Mapping[str, float], knowledge: Knowledge) -> None:
    """Refuse probabilities that cannot be meant.

    Raises
    ------
    UnknownName
        If an event is neither a condition nor ``sound``; with the nearest spelling.
    OutOfRange
        If a probability lies outside 0 to 1, or several that exclude each other exceed one.
    """
    for name, probability in stated.items():
        if name not in knowledge.conditions and name != SOUND:
            raise unknown_name("condition", name, [*knowledge.conditions, SOUND])
        if not 0 <= probability <= 1:
            raise OutOfRange(f"{name}: {100 * probability:g} % is no probability; 0 to 100 %")
    sound = stated.get(SOUND, 0.0)
    by_variable: dict[str, float] = {}
    for name in stated.keys() - {SOUND}:
        variable = knowledge.condition(name).variable
        by_variable[variable] = by_variable.get(variable, 0.0) + stated[name]
    for variable, together in by_variable.items():
        if together + sound > 1 + 1e-9:
            named = [
                n for n in stated if n != SOUND and knowledge.conditions[n].variable == variable
            ]
            listed = " and ".join([*named, *([SOUND] if sound else [])])
            raise OutOfRange(
                f"{listed} exclude each other but come to {100 * (together + sound):g} % together"
            )
