"""What can be done to a car: tests, services, harms, cautions; fields are the keys of the files."""

from collections.abc import Mapping
from typing import Annotated, Any, Literal

import msgspec

from loopodds.knowledge.blocks import When, matches
from loopodds.knowledge.shapes import GROUNDS, Grade, Grounds, Weight, read_record

Names = tuple[str, ...]
Amount = Annotated[float, msgspec.Meta(ge=0)]
Chance = Annotated[float, msgspec.Meta(gt=0, le=1)]
LONGEST_MINUTES = 10_000
"""No work on one car takes four weeks of days and nights less; more is a slip of the pen."""
Minutes = Annotated[float, msgspec.Meta(gt=0, le=LONGEST_MINUTES)]


class InContext(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """What a test or service needs besides where some contexts hold."""

    when: When
    after: Names = ()
    skill: Names = ()


class Task(Grounds, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """What tests and services have in common.

    ``after`` names what comes before it; ``only`` and ``never`` say on which cars it is done.
    What it does to the car (``connects_machine`` ... ``energises``) is what stops go by.
    """

    name: str
    title: str
    about: str
    minutes: Minutes
    after: Names = ()
    skill: Names = ()
    cautions: Names = ()
    only: Mapping[str, str] = {}
    never: Mapping[str, str] = {}
    in_context: tuple[InContext, ...] = ()
    connects_machine: bool = False
    draws_charge: bool = False
    opens_loop: bool = False
    energises: bool = False

    @property
    def coupled(self) -> bool:
        """Whether a machine or a hand gets into the loop."""
        return self.connects_machine or self.draws_charge or self.opens_loop

    def ruled_out_by(self, stated: When) -> str:
        """The first context by which it cannot be done on a car of which this much is stated."""
        wrong = [key for key, value in self.only.items() if stated.get(key, value) != value]
        wrong += [key for key, value in self.never.items() if stated.get(key) == value]
        return wrong[0] if wrong else ""

    @property
    def skills(self) -> set[str]:
        """Every skill that it asks for, on whatever car."""
        return {*self.skill, *(skill for block in self.in_context for skill in block.skill)}


class Test(Task, frozen=True, kw_only=True):
    """Something the technician does that yields findings or readings.

    A guard ``passes`` with some states of its findings. A sample ``fresh_from`` a test counts for
    ``fresh_minutes``. It needs every ``set_up``, whose minutes are not its own, some ``anew``
    though they stand, and ``upsets`` some. ``soak_minutes`` are those of a set-up of its own, which
    a car comes in with and which ends when the engine runs.
    """

    yields: Names = ()
    cost: Amount = 0.0
    engine: Literal["off", "running", "any"] = "any"
    destroys: Names = ()
    passes: Mapping[str, Names] = {}
    takes_sample: bool = False
    needs_pressure: bool = False
    set_up: Names = ()
    anew: Names = ()
    upsets: Names = ()
    soak_minutes: Annotated[float, msgspec.Meta(ge=0, le=LONGEST_MINUTES)] = 0.0
    fresh_from: str | None = None
    fresh_minutes: Minutes | None = None
    as_it_came: bool = False

    @property
    def runs(self) -> bool:
        """Whether the engine or the compressor runs for it."""
        return self.engine == "running"

    @property
    def needs_charge(self) -> bool:
        """Whether it can only be done while the charge is in."""
        return self.runs or self.takes_sample or self.needs_pressure or self.fresh_from is not None


class SetUp(Grounds, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """What several tests need and share: paid for once, as long as it stands.

    Its minutes are ``work`` of somebody's hands, or those the car needs: somebody stands by
    (``watch``), or it only takes up a place (``wait``). ``words`` say what they are for. It stands
    ``at_start`` where a car comes in with it; a test that needs the engine ``ended_by`` ends it.
    """

    name: str
    title: str
    about: str
    words: str
    minutes: Minutes
    takes: Literal["work", "watch", "wait"]
    at_start: bool = False
    ended_by: Literal["off", "running"] | None = None


def with_soaks(
    tests: Mapping[str, Test], set_ups: Mapping[str, SetUp]
) -> tuple[dict[str, Test], dict[str, SetUp]]:
    """Tests and set-ups, with a set-up for each test that has a soak of its own."""
    rested, more = dict(tests), dict(set_ups)
    for name, test in tests.items():
        if test.soak_minutes:
            soak = f"{name}_soak"
            more[soak] = SetUp(
                name=soak, title=f"{test.title}: the wait before it", about=test.about,
                words="until the loop has rested", minutes=test.soak_minutes, takes="wait",
                at_start=True, ended_by="running",
                source=test.source, grade=test.grade, weight=test.weight,
            )  # fmt: skip
            rested[name] = msgspec.structs.replace(test, set_up=(*test.set_up, soak))
    return rested, more


class Service(Task, frozen=True, kw_only=True):
    """Something done to the car; ``cures`` maps a condition or ``variable.state`` to a chance.

    It ``eases`` what it leaves: the share of its harm that is spared although it stays.
    ``filling`` is the service included because the loop is filled, ``in_vain`` the currency lost
    while a fault stays. Tests that it ``settles`` leave a debt of ``undone`` [currency]; it
    ``clears`` guards, ``shows`` findings and ``assumes_no`` condition to be there.
    """

    price: Amount
    cures: Mapping[str, Chance] = {}
    eases: Mapping[str, Chance] = {}
    not_with: Names = ()
    filling: str | None = None
    assumes_no: Names = ()
    in_vain: Mapping[str, Amount] = {}
    clears: Names = ()
    settles: Names = ()
    undone: Amount | None = None
    shows: Names = ()

    @property
    def curing(self) -> bool:
        """Whether it is of use: cures or eases a fault, or settles what a test left."""
        return bool(self.cures or self.eases or self.settles)


Kind = Literal["running", "sampling", "opening", "filling"]
"""Kinds of work that a caution may belong to."""

Shut = Literal[
    "running", "energising", "opening", "sampling", "pressure", "machine", "filling", "anything"
]
"""Kinds of work that a stop may shut."""


class Trigger(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """When a stop is in force: everything named here holds.

    ``seen`` and ``unseen`` name findings or history with states that were, or were not, recorded;
    ``at_least`` and ``at_most`` readings with a limit [bar]; ``believed`` and ``doubted``
    conditions, or ``variable.state``, with the probability from which on, or below which; ``done``
    tests of which one was done; ``in_bay`` one of which an archive of finished jobs says nothing.
    What it ``waives`` can no longer be done then and is not waited for.
    """

    context: When = {}
    seen: Mapping[str, Names] = {}
    unseen: Mapping[str, Names] = {}
    at_least: Mapping[str, float] = {}
    at_most: Mapping[str, float] = {}
    believed: Mapping[str, Chance] = {}
    doubted: Mapping[str, Chance] = {}
    done: Names = ()
    in_bay: bool = False
    waives: Names = ()


class Stop(Grounds, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """Something that no saving outweighs: it is in force when one of ``when`` holds.

    It ``shuts`` kinds of work, what it ``spares`` apart; kinds it ``filters`` go only through a
    filter that is thrown away; ``machine_off`` keeps the workshop's machine off the car. A plan
    without one of the services ``dealt_by`` it, or of those that cure what is believed where none
    is named, gets the service ``otherwise`` as well. A ``quiet`` one is a rule of the house: it
    shuts as others do, and is told beside the plan rather than before everything.
    """

    name: str
    title: str
    reason: str
    lifted: str
    who: str
    when: tuple[Trigger, ...]
    shuts: tuple[Shut, ...] = ()
    filters: tuple[Shut, ...] = ()
    machine_off: bool = False
    quiet: bool = False
    spares: Names = ()
    cautions: Names = ()
    dealt_by: Names = ()
    otherwise: str = ""


class Caution(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """What to beware of; what it names says when it holds (see ``cautions_for``).

    Every test and service that does work of the kinds that it ``belongs_to``, or asks for one of
    its ``skills``, has to name it.
    """

    text: str
    always: str = ""  # few words for it where it holds for all work of its kind
    belongs_to: tuple[Kind, ...] = ()
    skills: Names = ()
    when: When = {}
    conditions: Names = ()
    findings: Names = ()
    source: str | None = None
    grade: Grade | None = None
    weight: Weight | None = None


class HarmInContext(msgspec.Struct, frozen=True):
    """Harms that hold instead where some contexts do."""

    when: When
    states: Mapping[str, Amount]


class Harm(Grounds, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """Currency lost by leaving a fault alone for a season, by its state.

    From the probability ``tell_from`` on a plan says that it leaves a condition of the fault.
    """

    states: Mapping[str, Amount]
    in_context: tuple[HarmInContext, ...] = ()
    tell_from: Chance = 0.2

    def of(self, context: When) -> dict[str, float]:
        """Harm of each state on a car with these contexts [currency]."""
        harms = dict(self.states)
        for block in self.in_context:
            if matches(block.when, context):
                harms |= block.states
        return harms


class Scope(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """Conditions that every version of the knowledge must be able to diagnose."""

    conditions: Names = ()


def read_harm(name: str, entry: object) -> Harm:
    """Harms of a fault from its TOML table, whose keys are the states of the fault."""
    if isinstance(entry, Mapping):
        blocks = entry.get("in_context", [])
        if isinstance(blocks, list):
            blocks = [_by_state(block, ("when",)) for block in blocks]
        own = (*GROUNDS, "in_context", "tell_from")
        entry = _by_state({**entry, "in_context": blocks}, own)
    return read_record(Harm, entry, "harms.toml", name)


def _by_state(table: Any, own: Names) -> Any:
    if not isinstance(table, Mapping):
        return table
    states = dict(table)
    return {key: states.pop(key) for key in own if key in table} | {"states": states}
