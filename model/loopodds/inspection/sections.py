"""Sections of a case as plain data, checked at the door and made into an inspection.

The same checks serve case files, the case book and notebooks. Every message says where the value
stands, what is wrong with it and what could stand there instead.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace
from typing import Any

from loopodds.base.errors import InspectionError, nearest
from loopodds.base.units import Dimension
from loopodds.inspection.entries import Entry, Place, Refused, show, suggestion
from loopodds.inspection.inspection import (
    AUXILIARY,
    CHOICES,
    Inspection,
    Quantity,
    RepairDone,
    batch_of,
    reading_dimension,
)
from loopodds.inspection.remarks import LIMITS, NOTHING_OBSERVED, impossible_readings, notes
from loopodds.knowledge.records import Knowledge, load_knowledge

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
REPAIRED = "repaired"
"""Section of what was done to the car: a list, each with what had been recorded before it."""
BEFORE = ("conditions", "findings", "readings")
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
        a mapping of names to text (or, where the observer was not sure, to likelihoods); and
        ``repaired``, a list of repairs: their ``services``, and ``conditions``, ``findings`` and
        ``readings`` recorded since the repair before.
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
    """Inspection from plain data whose lines in a file may be known, with what was done since.

    Conditions hold until others are told: before the first repair those of the case where that
    repair has none of its own, from then on those of the round before.

    Raises
    ------
    InspectionError
        Naming file, line, section, key, value and the nearest valid spelling; one line for each
        value that cannot be used, in the order of the file, then for each that cannot be.
    """
    if REPAIRED not in sections:
        return _one_round(sections, knowledge, place)
    now = {key: content for key, content in sections.items() if key != REPAIRED}
    stated = _one_round(now, knowledge, place).conditions
    entries = sections[REPAIRED]
    if not isinstance(entries, Sequence) or isinstance(entries, str):
        raise place.error(REPAIRED, "", "write [[repaired]], once for each repair")
    repairs: list[RepairDone] = []
    conditions = now.get("conditions", {})
    for number, one in enumerate(entries, start=1):
        here = Place(f"{place.name}: {REPAIRED} {number}")
        services = _services(one, knowledge, here)
        if "conditions" in one:
            standing = conditions if repairs else _setting(conditions)
            conditions = {**standing, **one["conditions"]}
        told: dict[str, Any] = {key: now[key] for key in ("vehicle", "history") if key in now}
        seen = {key: one[key] for key in BEFORE if key in one}
        before = _one_round({**told, **seen, "conditions": conditions}, knowledge, here)
        repairs.append(RepairDone(services, replace(before, name=f"repair {number}")))
    conditions = {**conditions, **{key: now["conditions"][key] for key in stated}}
    last = _one_round({**now, "conditions": conditions}, knowledge, place)
    rounds = [("", last), *((f"before {r.before.name}: ", r.before) for r in repairs)]
    warnings = [
        f"{when}{text}" for when, one in rounds for text in one.warnings if text != NOTHING_OBSERVED
    ]
    return replace(last, warnings=tuple(warnings), repairs=tuple(repairs))


def _setting(conditions: Mapping[str, Any]) -> dict[str, Any]:
    """Of the conditions what does not change while the car is there."""
    return {key: conditions[key] for key in ("setting", "altitude") if key in conditions}


def _services(one: Any, knowledge: Knowledge, here: Place) -> tuple[str, ...]:
    """Services of one repair, once its form is right."""
    if not isinstance(one, Mapping):
        raise here.error("", "", f"services and sections are needed, not {show(one)}")
    for key, content in one.items():
        if key not in ("services", *BEFORE):
            raise here.error("", key, f"unknown; {suggestion(key, ('services', *BEFORE))}")
        if key in BEFORE and not isinstance(content, Mapping):
            problem = f"a section with names below it is needed, not {show(content)}"
            raise here.error(key, "", problem)
    services = one.get("services")
    if not isinstance(services, Sequence) or isinstance(services, str):
        example = f'services = ["{next(iter(knowledge.services))}"]'
        raise here.error("", "services", f"a list of services is needed, as {example}")
    for name in services:
        if not isinstance(name, str) or name not in knowledge.services:
            hint = suggestion(str(name), list(knowledge.services))
            raise here.error("", "services", f"unknown service {show(name)}; {hint}")
    return tuple(dict.fromkeys(services))


def _one_round(sections: Mapping[str, Any], knowledge: Knowledge, place: Place) -> Inspection:
    """What was recorded between two repairs, checked."""
    refused = Refused()
    found: dict[str, dict[str, Any]] = {section: {} for section in SECTIONS}
    entries: dict[str, Entry] = {}
    altitude = _altitude(sections, place)
    for entry in _entries(sections, knowledge, place, refused):
        with refused:
            _take_in(entry, found[entry.section], altitude, knowledge)
            entries[entry.key] = entry
    vehicle, conditions, history, findings, readings, confirmed = found.values()
    inspection = Inspection(place.name, vehicle, conditions, history, findings, readings, confirmed)
    batch = batch_of([inspection], knowledge)
    partial = bool(refused.errors)
    for bad in impossible_readings(batch, knowledge):
        entry = entries[bad.column]
        if not (partial and _leans_on_others(entry, knowledge)):
            refused.note(entry.error(f"{show(entry.value)}: {bad.reason}"))
    refused.tell()
    return replace(inspection, warnings=notes(batch, knowledge))


def _take_in(entry: Entry, found: dict[str, Any], altitude_m: float, knowledge: Knowledge) -> None:
    """Add what an entry says to what its section says."""
    if entry.section == "confirmed":
        variable, states = _confirmed(entry, found, knowledge)
        found[variable] = states
    elif entry.section in STATED:
        found[entry.key] = _stated(entry)
    elif entry.section == "readings":
        found[entry.key] = _reading(entry, altitude_m, knowledge)
    else:
        found[entry.key] = _word(entry, knowledge)


def _leans_on_others(entry: Entry, knowledge: Knowledge) -> bool:
    """Whether what an entry can be depends on others, which may be among those refused."""
    if entry.section != "readings":
        return False
    return reading_dimension(entry.key, knowledge) in ("pressure", "mass")


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


def _entries(
    sections: Mapping[str, Any], knowledge: Knowledge, place: Place, refused: Refused
) -> Iterator[Entry]:
    """Entries with names that belong where they stand; what else there is, is refused."""
    for section, content in sections.items():
        if section not in SECTIONS:
            refused.note(_no_section(section, knowledge, place))
        elif not isinstance(content, Mapping):
            problem = f"a section with names below it is needed, not {show(content)}"
            refused.note(place.error(section, "", problem))
        else:
            names = names_in(section, knowledge)
            for key, value in content.items():
                entry = Entry(section, key, value, place)
                if key in names:
                    yield entry
                else:
                    refused.note(_no_name(entry, names, knowledge))


def _no_section(key: str, knowledge: Knowledge, place: Place) -> InspectionError:
    home = next((s for s in SECTIONS if key in names_in(s, knowledge)), None)
    if home:
        return place.error("", key, f"stands outside its section; write it below [{home}]")
    known = (*SECTIONS, REPAIRED)
    close = nearest(key, known)
    hint = f"did you mean [{close}]?" if close else f"known: {', '.join(known)}"
    return place.error(key, "", f"unknown section; {hint}")


def _no_name(entry: Entry, names: Sequence[str], knowledge: Knowledge) -> InspectionError:
    home = next((s for s in SECTIONS if entry.key in names_in(s, knowledge)), None)
    hint = f"it belongs in [{home}]" if home else suggestion(entry.key, names)
    return entry.error(f"unknown {KINDS[entry.section]}; {hint}")


def _altitude(sections: Mapping[str, Any], place: Place) -> float:
    """Altitude [m], needed first because gauge pressures count from the atmosphere there.

    Sea level where it is not given, or not in a way that can be used: that is told in its turn.
    """
    conditions = sections.get("conditions")
    if not isinstance(conditions, Mapping) or "altitude" not in conditions:
        return 0.0
    try:
        return _metres(Entry("conditions", "altitude", conditions["altitude"], place)).value
    except InspectionError:
        return 0.0


def _metres(entry: Entry) -> Quantity:
    metres = entry.quantity("length")
    low, high, reason = LIMITS["altitude_m"]
    if not low <= metres.value <= high:
        raise entry.error(f"{show(entry.value)}: {reason}")
    return metres


def _stated(entry: Entry) -> str | Quantity:
    if entry.key == "altitude":
        return _metres(entry)
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
    if isinstance(entry.value, list):
        raise entry.error(f"{show(entry.value)} is a list; {_as_likelihoods(entry, node.states)}")
    if node.kind == "gauge" and _looks_measured(entry.value):
        words = ", ".join(node.states)
        problem = f"{show(entry.value)} is a measurement, which belongs in [readings]"
        raise entry.error(f"{problem}; the words are {words}")
    return entry.word(node.states)


def _as_likelihoods(entry: Entry, states: Sequence[str]) -> str:
    """How to write that an observer hesitated between the states of a list."""
    meant = [state for state in states if state in entry.value] or states[:2]
    shares = ", ".join(f"{state} = {1 / len(meant):.2g}" for state in meant)
    return f"where not sure, write how likely each is, as {{ {shares} }}"


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


def _confirmed(
    entry: Entry, found: Mapping[str, tuple[str, ...]], knowledge: Knowledge
) -> tuple[str, tuple[str, ...]]:
    """Fault variable meant by an entry, with the states that remain possible of it."""
    variable, states = _outcome(entry, knowledge)
    before = found.get(variable, knowledge.node(variable).states)
    both = tuple(state for state in before if state in states)
    if not both:
        raise entry.error(f"{show(entry.value)} contradicts what else is confirmed of {variable}")
    return variable, both


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
