"""A closing that is in doubt: what a person may say of it, and what then is closed with."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from loopodds import Against, Casework

AS_IT_CAME = "it was so all the same, as the car came"
SINCE = "it is true since the repair; of the car as it came it is not known"
LEAVE_OUT = "leave out what goes against it"
ANEW = "say it anew"
KEEP_OPEN = "do not close"


def choices(against: Sequence[Against]) -> tuple[str, ...]:
    """What can be said of outcomes that are in doubt."""
    return (AS_IT_CAME, SINCE, *([LEAVE_OUT] * bool(against)), ANEW, KEEP_OPEN)


def settled(
    choice: str, work: Casework, outcomes: Mapping[str, str], against: Sequence[Against]
) -> Mapping[str, str]:
    """What to close with, for sure, after one of the first three choices."""
    if choice == LEAVE_OUT:
        return work.without(outcomes, against)
    return {AS_IT_CAME: outcomes, SINCE: {}}[choice]
