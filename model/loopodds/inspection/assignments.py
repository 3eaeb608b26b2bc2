"""Single observations as a person writes them down: ``name=state``, ``name=2.1 bar``, shares.

The name alone decides in which section of a case an observation belongs, except that a gauge
may be given as a number (a reading) or as one of its words (a finding).
"""

from collections.abc import Iterable, Mapping
from typing import Any, NamedTuple

from loopodds.base.errors import InspectionError, UnknownName, unknown_name
from loopodds.inspection.inspection import Inspection, Quantity
from loopodds.inspection.vocabulary import (
    BEFORE,
    LOOKS,
    OBSERVED,
    REPAIRED,
    STATED,
    names_in,
    observables,
    sections_of_name,
)
from loopodds.knowledge.records import SOUND, Knowledge

Value = str | Mapping[str, float]


class Observation(NamedTuple):
    """Something recorded of a car, as written."""

    section: str
    name: str
    value: Value
    by: str = ""  # who looked, where that is told
    instrument: str = ""  # what it was read with, where that is told


def observation(
    name: str, value: Value, knowledge: Knowledge, by: str = "", instrument: str = ""
) -> Observation:
    """An observation in the section where it belongs.

    A word for what is judged by eye is a look of the person ``by``, where that is told; a reading
    keeps the ``instrument``.

    Raises:
        UnknownName: with the nearest name; or saying that a fault is not observed but confirmed.
    """
    section = _section(name, value, knowledge)
    by_eye = section == "findings" and knowledge.node(name).by_eye
    if by and by_eye and isinstance(value, str):
        section = LOOKS
    return Observation(section, name, value, by, instrument if section == "readings" else "")


def in_order(observations: Iterable[Observation]) -> list[Observation]:
    """Vehicle and conditions first: readings mean something only once those are known."""
    order = (*OBSERVED, LOOKS)
    return sorted(observations, key=lambda observed: order.index(observed.section))


def is_number(observed: Observation) -> bool:
    """Whether an observation is a quantity with a unit rather than a word."""
    if observed.section == "readings":
        return True
    return STATED.get(observed.section, {}).get(observed.name) is not None


def clean(text: str) -> str:
    """Text that can be stored and sent anywhere: what is no valid character becomes a ``?``."""
    return text.encode("utf-8", "replace").decode("utf-8")


def parse_assignment(text: str) -> tuple[str, Value]:
    """Name and value from ``name=state``, ``name=12 degC`` or ``name=grey:0.3,brown:0.7``.

    Raises:
        InspectionError: if it is none of these.

    >>> parse_assignment("low_side=2.1 bar")
    ('low_side', '2.1 bar')
    >>> parse_assignment("sample_specks=none:0.3,metal:0.7")
    ('sample_specks', {'none': 0.3, 'metal': 0.7})
    """
    name, sign, value = (part.strip() for part in text.partition("="))
    if not (name and sign and value):
        raise InspectionError(
            f"{text!r}: write name=value, as sample_bubbles=persisting or low_side='2.1 bar'"
        )
    return name, _shares(text, value) if ":" in value else value


def parse_outcomes(texts: Iterable[str]) -> dict[str, str]:
    """What turned out to be true, from ``moisture=wet``, ``air=absent`` or ``sound``.

    Raises:
        InspectionError: if one is none of these.

    >>> parse_outcomes(["moisture=wet", "sound"])
    {'moisture': 'wet', 'sound': 'present'}
    """
    outcomes = {}
    for text in map(str.strip, texts):
        name, value = (SOUND, "present") if text == SOUND else parse_assignment(text)
        if not isinstance(value, str):
            raise InspectionError(f"{text!r}: an outcome is one state; leave it out if not certain")
        outcomes[name] = value
    return outcomes


def spelled_out(outcomes: Mapping[str, str], knowledge: Knowledge) -> dict[str, str]:
    """Outcomes with ``sound`` written out: every fault that is not named is in its sound state."""
    spelled = {name: word for name, word in outcomes.items() if name != SOUND}
    if SOUND in outcomes:
        conditions = knowledge.conditions
        named = {conditions[n].variable if n in conditions else n for n in spelled}
        faults = knowledge.of_kind("fault")
        spelled |= {name: fault.states[0] for name, fault in faults.items() if name not in named}
    return spelled


def observations_of(inspection: Inspection) -> list[Observation]:
    """Everything an inspection says, as it was written; outcomes are no observations."""
    return [
        Observation(section, name, value.text if isinstance(value, Quantity) else value)
        for section in OBSERVED
        for name, value in getattr(inspection, section).items()
    ]


def told_by_people(inspection: Inspection) -> list[tuple[str, Value, str, str]]:
    """The same as name, value, who said it and with what; looks one by one."""
    looked = {name for words in inspection.looks.values() for name in words}
    tools = inspection.instruments
    said = [
        (o.name, o.value, "", tools.get(o.name, ""))
        for o in observations_of(inspection)
        if o.name not in looked
    ]
    for person, words in inspection.looks.items():
        said += [(name, word, person, "") for name, word in words.items()]
    return said


def sections_of(inspection: Inspection) -> dict[str, Any]:
    """An inspection as the sections of a case, without what was confirmed.

    Every section is there, and ``repaired`` where anything was done to the car.
    """
    sections: dict[str, Any] = {name: {} for name in OBSERVED}
    for observed in observations_of(inspection):
        sections[observed.section][observed.name] = observed.value
    if inspection.repairs:
        sections[REPAIRED] = [
            {"services": list(repair.services)}
            | {name: sections_of(repair.before)[name] for name in BEFORE}
            for repair in inspection.repairs
        ]
    return sections


def outcomes_of(confirmed: Mapping[str, tuple[str, ...]], knowledge: Knowledge) -> dict[str, str]:
    """What was confirmed, in the words of a case: a state, ``present`` or ``absent``.

    Args:
        confirmed: Fault variable to the states that remain possible.
    """
    words: dict[str, str] = {}
    for variable, remaining in confirmed.items():
        states = knowledge.node(variable).states
        if len(remaining) == 1:
            words[variable] = remaining[0]
        elif remaining == states[1:]:
            words[variable] = "present"
        else:
            words |= _by_conditions(variable, remaining, knowledge)
    return words


def _by_conditions(
    variable: str, remaining: tuple[str, ...], knowledge: Knowledge
) -> dict[str, str]:
    """A condition that is exactly the states that remain, or those that are wholly gone."""
    conditions = [c for c in knowledge.conditions.values() if c.variable == variable]
    for condition in conditions:
        if set(condition.states) == set(remaining):
            return {condition.name: "present"}
    return {c.name: "absent" for c in conditions if not set(c.states) & set(remaining)}


def _section(name: str, value: Value, knowledge: Knowledge) -> str:
    homes = [home for home in sections_of_name(name, knowledge) if home in OBSERVED]
    if not homes:
        raise _unobservable(name, knowledge)
    if homes == ["findings", "readings"] and not _is_word(value, knowledge.node(name).states):
        return "readings"
    return homes[0]


def _is_word(value: Value, states: tuple[str, ...]) -> bool:
    """Whether a gauge is given in words; a misspelt word counts, so that it is corrected."""
    return isinstance(value, Mapping) or value in states or value.strip()[:1].isalpha()


def _unobservable(name: str, knowledge: Knowledge) -> UnknownName:
    if name in names_in("confirmed", knowledge):
        problem = f"{name!r} is what is looked for and cannot be seen"
        return UnknownName(problem).helped_by("confirm", name=name)
    return unknown_name("finding, reading or history item", name, observables(knowledge))


def _shares(text: str, value: str) -> dict[str, float]:
    shares = {}
    for part in value.split(","):
        state, _, number = (piece.strip() for piece in part.partition(":"))
        try:
            shares[state] = float(number)
        except ValueError as error:
            problem = f"{number!r} is no number; write shares as none:0.3,metal:0.7"
            raise InspectionError(f"{text!r}: {problem}") from error
    return shares
