"""May this car be coupled to the workshop's machine? One question, one answer, with its reasons."""

from collections.abc import Sequence
from typing import Any, NamedTuple

from loopodds.base.phrases import lowered, percent, spaced
from loopodds.decision.gates import Gates
from loopodds.decision.moves import Progress
from loopodds.diagnosis.belief import Belief
from loopodds.knowledge.nodes import parents_of
from loopodds.safety.stops import StopInForce

YES, FILTERED, NO = "yes", "filtered", "no"


class Connection(NamedTuple):
    """Whether a car may be coupled to the machine."""

    answer: str  # yes, filtered (through a filter that is thrown away) or no
    reasons: tuple[str, ...]
    to_do: tuple[str, ...]  # tests that would settle it, in order; empty where none would
    lifted_by: tuple[str, ...]  # what lifts the stops that stand in the way

    def as_json(self) -> dict[str, Any]:
        """Plain data."""
        return {k: list(v) if isinstance(v, tuple) else v for k, v in self._asdict().items()}


def may_connect(
    gates: Gates, progress: Progress, stops: Sequence[StopInForce], belief: Belief
) -> Connection:
    """The answer for one car: no as long as a stop or a guard is in the way.

    Args:
        gates: Of the car and the workshop.
        progress: How far the inspection has come.
        stops: In force, worded.
    """
    tests = gates.knowledge.tests
    shutting = [stop for stop in stops if stop.machine_off]
    filtering = [stop for stop in stops if stop.filtered]
    missed = [name for name in gates.guards if name not in progress.done]
    open_guards = [name for name in missed if name not in progress.waived]
    answer = NO if shutting or open_guards else FILTERED if filtering or missed else YES
    reasons = [f"{s.title} ({'; '.join(s.because)})" for s in (*shutting, *filtering)]
    if not shutting:
        reasons += [
            f"{'not done yet' if n in open_guards else 'cannot be done'}: {lowered(tests[n].title)}"
            for n in missed
        ]
    if answer == YES:
        reasons = [_passed(gates, progress, name, belief) for name in gates.guards]
    lifted = tuple(stop.lifted_by for stop in (*shutting, *filtering))
    settling = dict.fromkeys(test for stop in shutting for test in stop.settled_by)
    return Connection(answer, tuple(reasons), tuple(settling if shutting else open_guards), lifted)


def _passed(gates: Gates, progress: Progress, guard: str, belief: Belief) -> str:
    """A guard that was passed, and what it leaves of that for which it is there."""
    shown = dict(progress.results)
    said = ", ".join(
        f"{lowered(gates.knowledge.node(finding).title)} {spaced(shown[finding])}"
        for finding in gates.guards[guard]
    )
    causes = [
        name
        for name, condition in gates.knowledge.conditions.items()
        if any(
            condition.variable in parents_of(gates.knowledge.node(finding))
            for finding in gates.guards[guard]
        )
    ]
    left = "; ".join(
        f"{lowered(gates.knowledge.conditions[name].title)} {percent(belief.condition(name))}"
        for name in causes
    )
    return f"{said} ({left})" if left else said
