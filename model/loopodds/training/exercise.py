"""An exercise on a practice car: tests asked for, minutes, what was seen.

An exercise obeys the gates of the workshop. What it has revealed is an ordinary inspection, so
everything else that can be computed of a car can be computed at any moment of it.
"""

from collections.abc import Mapping
from typing import NamedTuple

from loopodds.base.errors import InspectionError, unknown_name
from loopodds.decision.gates import Gates
from loopodds.decision.moves import Closed, Move, Progress
from loopodds.decision.prices import Prices, shipped_prices
from loopodds.decision.workshop import Workshop
from loopodds.diagnosis.diagnose import believe, stated_context
from loopodds.diagnosis.model import Model
from loopodds.inspection.inspection import Inspection
from loopodds.inspection.sections import inspection_from
from loopodds.training.cars import PracticeCar
from loopodds.training.decks import INTERVIEW, told


class Done(NamedTuple):
    """A test done in an exercise: what it showed, and when it was asked for.

    ``minutes`` include waiting, ``cost`` is in currency; ``shown`` has the text of what can be
    seen, empty for a gauge that showed nothing usable.
    """

    test: str
    minutes: float
    cost: float
    shown: Mapping[str, str]


class Exercise:
    """One trainee at one practice car.

    Args:
        minutes: Budget; the interview has been done and costs nothing of it.
        prices: Of the workshop; the shipped ones when left out.

    Attributes:
        done: Tests so far, in order, without the interview.
    """

    def __init__(
        self, model: Model, car: PracticeCar, minutes: float, prices: Prices | None = None
    ) -> None:
        self.model = model
        self.car = car
        self.minutes = minutes
        self.prices = prices or shipped_prices(model.knowledge)
        self.done: list[Done] = []
        self._progress: dict[tuple[str, ...], Progress] = {}
        stated = stated_context(self.inspection(), model.knowledge)
        self.gates = Gates(model.knowledge, stated, self.prices)

    @property
    def minutes_left(self) -> float:
        """What remains of the budget."""
        return self.minutes - sum(done.minutes for done in self.done)

    def tests_done(self, steps: int | None = None) -> tuple[str, ...]:
        """Tests done before a step (all when left out), the interview first."""
        known = self.model.knowledge.tests
        first = (INTERVIEW,) if INTERVIEW in known else ()
        return (*first, *(done.test for done in self.done[:steps]))

    def inspection(self, steps: int | None = None) -> Inspection:
        """What was known before a step (all that is known when left out)."""
        seen = [name for done in self.done[:steps] for name in done.shown]
        if "static_pressure" in seen:
            seen.append("static_temperature")
        sections = self.car.seen(*told(self.model), *seen)
        return inspection_from(sections, self.model.knowledge, f"car {self.car.number}")

    def shop(self, steps: int | None = None) -> Workshop:
        """The car among the rules of the workshop, as it was before a step."""
        inspection = self.inspection(steps)
        belief = believe(inspection, self.model)
        done = self.tests_done(steps)
        return Workshop(belief, done, self.prices, self.gates.context, inspection)

    def progress(self, steps: int | None = None) -> Progress:
        """How far the gates take the exercise to have come before a step."""
        done = self.tests_done(steps)
        if done not in self._progress:
            self._progress[done] = self.shop(steps).progress
        return self._progress[done]

    def way(self, test: str) -> Move | Closed:
        """What has to be done for a test, or why it cannot be done.

        Raises:
            UnknownName: if there is no such test; with the nearest spelling.
            InspectionError: if it has been done already.
        """
        if test not in self.model.knowledge.tests:
            raise unknown_name("test", test, self.model.knowledge.tests)
        progress = self.progress()
        if test in progress.done:
            raise InspectionError(f"{test}: what it shows is known already")
        return self.gates.way(test, progress)

    def do(self, test: str) -> list[Done]:
        """Do a test, after everything that has to come before it.

        Returns:
            The tests done, the one asked for last; fewer if what one showed closes the way.

        Raises:
            UnknownName, InspectionError: as for ``way``; if it cannot be done or takes too long.
        """
        way = self.way(test)
        if isinstance(way, Closed):
            raise InspectionError(f"{test}: {way.why}")
        if way.minutes > self.minutes_left:
            raise InspectionError(
                f"{test} takes {way.minutes:.0f} minutes with what has to come before it; "
                f"{self.minutes_left:.0f} are left"
            )
        shown: list[Done] = []
        for step in way.steps:
            revealed = self.car.shown(self.model.knowledge.tests[step.test].yields)
            shown.append(Done(step.test, step.minutes, step.cost, revealed))
            self.done.append(shown[-1])
            if isinstance(self.gates.way(test, self.progress()), Closed) and step.test != test:
                break
        return shown
