"""What can hurt on one car: which entries of ``cautions.toml`` go with it."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from fnmatch import fnmatchcase

from loopodds.belief import RankedCondition
from loopodds.knowledge import Knowledge, Record

CAUTIOUS_FROM = 0.05
CAUTIOUS_ANYWAY_FROM = 0.5


def cautions_for(
    context: Mapping[str, str],
    ranking: Sequence[RankedCondition],
    recorded: Iterable[str],
    knowledge: Knowledge,
) -> tuple[str, ...]:
    """Cautions that hold on this car, in the order of ``cautions.toml``.

    A caution may name contexts (``when``), ``conditions`` and ``findings``, and holds where all
    that it names hold. A context holds unless the car is stated to be otherwise: what is not
    stated may be there. Conditions hold where one of them is likely, or from one in twenty if the
    evidence has at least doubled it. Findings, with ``*`` for any letters, hold where one of them
    was recorded. A caution that names nothing goes with the tests and services that ask for it.

    Parameters
    ----------
    context : mapping of str to str
        What is stated of the car.
    ranking : sequence of RankedCondition
    recorded : iterable of str
        Names of what was recorded.
    knowledge : Knowledge
    """
    suspected = {
        c.name
        for c in ranking
        if c.probability >= CAUTIOUS_ANYWAY_FROM or c.probability >= max(CAUTIOUS_FROM, 2 * c.prior)
    }
    names = tuple(recorded)
    return tuple(
        _unstated(caution, context, knowledge) + str(caution["text"])
        for caution in knowledge.cautions.values()
        if _may_hold(caution, context, suspected, names)
    )


def _unstated(caution: Record, context: Mapping[str, str], knowledge: Knowledge) -> str:
    """Words before a caution that holds only because something about the car was not stated."""
    return "".join(
        f"{knowledge.contexts[name].title} not stated; if {value}: "
        for name, value in caution.get("when", {}).items()
        if name not in context
    )


def _may_hold(
    caution: Record, context: Mapping[str, str], suspected: set[str], recorded: Sequence[str]
) -> bool:
    when, named = caution.get("when", {}), caution.get("conditions", ())
    seen = caution.get("findings", ())
    if not (when or named or seen):
        return False
    fits = all(context.get(key, value) == value for key, value in when.items())
    fits &= not named or not suspected.isdisjoint(named)
    return fits and (not seen or any(fnmatchcase(n, p) for n in recorded for p in seen))
