"""Sections of a case as plain data, checked at the door and made into an inspection.

The same checks serve case files, the case book and notebooks. Every message says where the value
stands, what is wrong with it and what could stand there instead.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from typing import Any

from loopodds.entries import Entry, Place, show, suggestion
from loopodds.errors import nearest
from loopodds.inspection import (
    AUXILIARY,
    CHOICES,
    Inspection,
    Quantity,
    batch_of,
    reading_dimension,
)
from loopodds.knowledge import Knowledge, load_knowledge
from loopodds.plausibility import LIMITS, impossible_readings
from loopodds.remarks import notes
from loopodds.units import Dimension

# a key with a dimension is a quantity, one without is a choice
STATED: Mapping[str, Mapping[str, Dimension | None]] = {
    "vehicle": {
        "refrigerant": None,
        "nameplate_charge": "mass",
        "nameplate_oil": "mass",
        "expansion": None,
        "compressor": None,
    },
    "conditions": {
        "altitude": "length",
        "setting": None,
        "ambient": "temperature",
        "humidity": "share",
        "recovery_machine": None,
    },
}
SECTIONS = ("vehicle", "conditions", "history", "findings", "readings", "confirmed")
KINDS = {
    "vehicle": "key",
    "conditions": "key",
    "history": "history item",
    "findings": "finding",
    "readings": "reading",
    "confirmed": "fault",
}


def inspection_from(
    sections: Mapping[str, Any], knowledge: Knowledge | None = None, name: str = "inspection"
) -> Inspection:
    """Inspection from the sections of a case as plain data.

    Parameters
    ----------
    sections : mapping
        ``vehicle``, ``conditions``, ``history``, ``findings``, ``readings``, ``confirmed``, each
        a mapping of names to text (or, where the observer was not sure, to likelihoods).
    knowledge : Knowledge, optional
        The shipped knowledge when left out.
    name : str
        Begins every message.

    Raises
    ------
    InspectionError
        Naming section, key, value and the nearest valid spelling.

    Examples
    --------
    >>> one = inspection_from({"readings": {"vent": "57.2 degF"}})
    >>> round(one.readings["vent"].value, 3)
    14.0
    """
    return check_sections(sections, knowledge or load_knowledge(), Place(name))


def check_sections(sections: Mapping[str, Any], knowledge: Knowledge, place: Place) -> Inspection:
    """Inspection from plain data whose lines in a file may be known.

    Raises
    ------
    InspectionError
        Naming file, line, section, key, value and the nearest valid spelling.
    """
    _only_sections(sections, knowledge, place)
    entries = {section: _entries(section, sections, knowledge, place) for section in SECTIONS}
    altitude = _altitude(entries["conditions"])
    inspection = Inspection(
        place.name,
        {key: _stated(entry) for key, entry in entries["vehicle"].items()},
        {key: _stated(entry) for key, entry in entries["conditions"].items()},
        {key: _word(entry, knowledge) for key, entry in entries["history"].items()},
        {key: _word(entry, knowledge) for key, entry in entries["findings"].items()},
        {key: _reading(entry, altitude, knowledge) for key, entry in entries["readings"].items()},
        _confirmed(entries["confirmed"], knowledge),
    )
    batch = batch_of([inspection], knowledge)
    numbers = {**entries["vehicle"], **entries["conditions"], **entries["readings"]}
    for bad in impossible_readings(batch, knowledge):
        entry = numbers[bad.column]
        raise entry.error(f"{show(entry.value)}: {bad.reason}")
    return replace(inspection, warnings=notes(batch, knowledge))


def names_in(section: str, knowledge: Knowledge) -> list[str]:
    """Names that a section of a case may hold."""
    if section in STATED:
        return list(STATED[section])
    if section == "history":
        return list(knowledge.of_kind("history"))
    if section == "findings":
        return list(knowledge.of_kind("finding", "gauge"))
    if section == "readings":
        return [*knowledge.of_kind("gauge"), *AUXILIARY]
    return list(dict.fromkeys((*knowledge.of_kind("fault"), *knowledge.conditions)))


def _only_sections(sections: Mapping[str, Any], knowledge: Knowledge, place: Place) -> None:
    for key, content in sections.items():
        if key in SECTIONS:
            if not isinstance(content, Mapping):
                problem = f"a section with names below it is needed, not {show(content)}"
                raise place.error(key, "", problem)
            continue
        home = next((s for s in SECTIONS if key in names_in(s, knowledge)), None)
        if home:
            raise place.error("", key, f"stands outside its section; write it below [{home}]")
        close = nearest(key, SECTIONS)
        hint = f"did you mean [{close}]?" if close else f"known: {', '.join(SECTIONS)}"
        raise place.error(key, "", f"unknown section; {hint}")


def _entries(
    section: str, sections: Mapping[str, Any], knowledge: Knowledge, place: Place
) -> dict[str, Entry]:
    """Entries of a section, all with names that belong there."""
    names = names_in(section, knowledge)
    entries = {k: Entry(section, k, v, place) for k, v in sections.get(section, {}).items()}
    for key, entry in entries.items():
        if key in names:
            continue
        home = next((s for s in SECTIONS if key in names_in(s, knowledge)), None)
        hint = f"it belongs in [{home}]" if home else suggestion(key, names)
        raise entry.error(f"unknown {KINDS[section]}; {hint}")
    return entries


def _altitude(conditions: Mapping[str, Entry]) -> float:
    """Altitude [m], needed first because gauge pressures count from the atmosphere there."""
    if "altitude" not in conditions:
        return 0.0
    entry = conditions["altitude"]
    metres = entry.quantity("length").value
    low, high, reason = LIMITS["altitude_m"]
    if not low <= metres <= high:
        raise entry.error(f"{show(entry.value)}: {reason}")
    return metres


def _stated(entry: Entry) -> str | Quantity:
    dimension = STATED[entry.section][entry.key]
    if dimension is not None:
        return entry.quantity(dimension)
    options = CHOICES[entry.key]
    if entry.key == "refrigerant":
        return entry.refrigerant(options)
    return entry.word(options, entry.key.replace("_", " "))


def _word(entry: Entry, knowledge: Knowledge) -> str | dict[str, float]:
    """State of a history item or finding, or likelihoods of its states."""
    node = knowledge.node(entry.key)
    if isinstance(entry.value, Mapping):
        return entry.likelihoods(node.states)
    if node.kind == "gauge" and _looks_measured(entry.value):
        words = ", ".join(node.states)
        problem = f"{show(entry.value)} is a measurement, which belongs in [readings]"
        raise entry.error(f"{problem}; the words are {words}")
    return entry.word(node.states)


def _reading(entry: Entry, altitude_m: float, knowledge: Knowledge) -> Quantity:
    node = knowledge.nodes.get(entry.key)
    if node is not None and entry.value in node.states:
        problem = f"{show(entry.value)} is a word, which belongs in [findings]"
        raise entry.error(f"{problem}; a reading is a number with its unit")
    return entry.quantity(reading_dimension(entry.key, knowledge), altitude_m)


def _looks_measured(value: object) -> bool:
    if isinstance(value, str):
        return value.strip()[:1] in tuple("0123456789+-.")
    return isinstance(value, int | float) and not isinstance(value, bool)


def _confirmed(entries: Mapping[str, Entry], knowledge: Knowledge) -> dict[str, tuple[str, ...]]:
    """Fault variables with the states that remain possible."""
    found: dict[str, tuple[str, ...]] = {}
    for entry in entries.values():
        variable, states = _outcome(entry, knowledge)
        before = found.get(variable, knowledge.node(variable).states)
        both = tuple(state for state in before if state in states)
        if not both:
            raise entry.error(
                f"{show(entry.value)} contradicts what else is confirmed of {variable}"
            )
        found[variable] = both
    return found


def _outcome(entry: Entry, knowledge: Knowledge) -> tuple[str, tuple[str, ...]]:
    """Fault variable meant by an entry, and the states it leaves possible."""
    faults = knowledge.of_kind("fault")
    if entry.key in faults:
        states = faults[entry.key].states
        word = entry.word(list(dict.fromkeys((*states, "absent", "present"))))
        if word in states:
            return entry.key, (word,)
        return entry.key, states[1:] if word == "present" else states[:1]
    condition = knowledge.condition(entry.key)
    states = faults[condition.variable].states
    if entry.word(("absent", "present")) == "present":
        return condition.variable, condition.states
    return condition.variable, tuple(s for s in states if s not in condition.states)
