"""What a call on a case answers: the case as it stands, and which faults it moved by how much."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import NamedTuple

from loopodds.assessment import believe
from loopodds.belief import Belief
from loopodds.casebelief import chances
from loopodds.casebook import Event, Posterior
from loopodds.engine import Model
from loopodds.inspection import Inspection
from loopodds.repaired import shown_by
from loopodds.replay import CaseState
from loopodds.skipped import skipped
from loopodds.visits import left_out

SEEN_TO_MOVE = 0.01
"""Least change of a probability that is told."""


class Move(NamedTuple):
    """A condition, or ``sound``, whose probability changed."""

    name: str
    before: float
    after: float


class Before(NamedTuple):
    """A case as it stood before a call: belief under the present knowledge, and its warnings.

    ``posterior`` is None if the case as it stood cannot be read under the present knowledge.
    """

    posterior: Posterior | None
    warnings: tuple[str, ...]


@dataclass(frozen=True, eq=False)
class Answer:
    """What a call did to a case and what is believed now.

    Attributes
    ----------
    events : tuple of Event
        What the call added; empty if it only looked.
    state : CaseState
    inspection : Inspection
        The case as it stands, checked against the present knowledge.
    before : Before
    after : Posterior
        Belief after the call.
    older : str
        Digest of the knowledge in which the case was last recorded where that is not the present
        one, else empty: ``before`` was worked out anew then and differs from what was stored.
    model : Model
    """

    events: tuple[Event, ...]
    state: CaseState
    inspection: Inspection
    before: Before
    after: Posterior
    older: str
    model: Model

    @cached_property
    def belief(self) -> Belief:
        """Exact posterior of the case as it stands, for further questions."""
        return believe(self.inspection, self.model)

    def moved(self, least: float = SEEN_TO_MOVE) -> list[Move]:
        """Conditions, and ``sound``, that changed by at least so much; furthest first."""
        if self.before.posterior is None:
            return []
        now = chances(self.after)
        moves = [Move(name, p, now[name]) for name, p in chances(self.before.posterior).items()]
        told = [move for move in moves if abs(move.after - move.before) >= least]
        return sorted(told, key=lambda move: -abs(move.after - move.before))

    def warnings(self) -> tuple[str, ...]:
        """What is odd about the case, and what could not be used."""
        told = self.inspection.warnings
        if not self.inspection.repairs:
            return told
        return (*told, *left_out(self.inspection, self.belief.model))

    def new_warnings(self) -> list[str]:
        """Guards that the call went past, and warnings that the case did not have before it."""
        told = self.before.warnings
        return [*self.skipped(), *(text for text in self.warnings() if text not in told)]

    def skipped(self) -> list[str]:
        """Guards that should have been passed before what the call recorded."""
        return skipped(self.events, self.state, self.model.knowledge)

    def shown(self) -> tuple[str, ...]:
        """What was to be seen during the last repair, if the call recorded it, not yet noted."""
        done = [e.content["services"] for e in self.events if e.kind == "repaired"]
        names = shown_by(done[-1], self.model.knowledge) if done else ()
        return tuple(name for name in names if name not in self.state.noted)

    def ranking(self) -> list[tuple[str, float]]:
        """Conditions by probability, highest first."""
        return sorted(self.after.conditions.items(), key=lambda pair: -pair[1])
