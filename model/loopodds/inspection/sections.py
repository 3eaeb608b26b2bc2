"""Sections of a case as plain data, checked at the door and made into an inspection.

The same checks serve case files, the case book and notebooks.
"""

from collections.abc import Iterator, Mapping, Sequence
from typing import Any

import numpy as np

from loopodds.base.errors import InspectionError
from loopodds.base.likeness import meant, nearest
from loopodds.inspection.encoding import encode
from loopodds.inspection.entries import Entry, Place, Refused, meaning, metres, outcome, show
from loopodds.inspection.inspection import Inspection, RepairDone, batch_of
from loopodds.inspection.remarks import NOTHING_OBSERVED, impossible_readings, notes
from loopodds.inspection.vocabulary import (
    BEFORE,
    INSTRUMENTS,
    LOOKS,
    REPAIRED,
    SECTIONS,
    names_in,
    reading_dimension,
    sections_of_name,
    suggestion,
    told_in,
    unknown_word,
)
from loopodds.knowledge.records import Knowledge
from loopodds.knowledge.tables import eyes_of, seen_together

KINDS = {
    "vehicle": "key",
    "conditions": "key",
    "history": "history item",
    "findings": "finding",
    "readings": "reading",
    "confirmed": "fault",
}


def inspection_from(
    sections: Mapping[str, Any],
    knowledge: Knowledge | None = None,
    name: str = "inspection",
    place: Place | None = None,
) -> Inspection:
    """Inspection from the sections of a case as plain data, with what was done to the car since.

    Conditions hold until others are told: before the first repair those of the case where that
    repair has none of its own, from then on those of the round before.

    Args:
        sections: ``vehicle``, ``conditions``, ``history``, ``findings``, ``readings``,
            ``confirmed``, each a mapping of names to text (or, where the observer was not sure, to
            likelihoods); and ``repaired``, a list of repairs: their ``services``, and
            ``conditions``, ``findings`` and ``readings`` recorded since the repair before; and
            ``looks``, for each person who looked, what they saw of the findings judged by eye.
        knowledge: The shipped knowledge when left out.
        name: Of the case.
        place: Begins every message; the name when left out.

    Raises:
        InspectionError: naming file, line, section, key, value and the nearest valid spelling; one
            line for each value that cannot be used, in the order of the file, then for each that
            cannot be.

    >>> case = inspection_from({"readings": {"vent": "57.2 degF"}})
    >>> round(case.readings["vent"].value, 3)
    14.0
    """
    known, here = knowledge or Knowledge(), place or Place(name)
    if REPAIRED not in sections:
        return _one_round(sections, known, here, name)
    now = {key: content for key, content in sections.items() if key != REPAIRED}
    stated = _one_round(now, known, here, name).conditions
    entries = sections[REPAIRED]
    if not isinstance(entries, Sequence) or isinstance(entries, str):
        raise here.error(REPAIRED, "", "write [[repaired]], once for each repair")
    repairs, conditions = _repairs(entries, now, known, here)
    conditions = {**conditions, **{key: now["conditions"][key] for key in stated}}
    last = _one_round({**now, "conditions": conditions}, known, here, name, came=False)
    rounds = [("", last), *((f"before {r.before.name}: ", r.before) for r in repairs)]
    warnings = tuple(
        f"{when}{text}" for when, car in rounds for text in car.warnings if text != NOTHING_OBSERVED
    )
    empty = tuple(
        f"{REPAIRED} {number} names no service: taken as a look at which nothing was done"
        for number, repair in enumerate(repairs, start=1)
        if not repair.services
    )
    return last.with_remarks(warnings=(*empty, *warnings), repairs=tuple(repairs))


def _with_instruments(
    sections: Mapping[str, Any], place: Place
) -> tuple[Mapping[str, Any], dict[str, str]]:
    """The other sections, and what each reading was taken with."""
    if INSTRUMENTS not in sections:
        return sections, {}
    named, readings = sections[INSTRUMENTS], sections.get("readings", {})
    if not isinstance(named, Mapping):
        raise place.error(
            INSTRUMENTS, "", f"readings with a name each are needed, not {show(named)}"
        )
    for reading, instrument in named.items():
        if not isinstance(readings, Mapping) or reading not in readings:
            hint = suggestion(reading, readings if isinstance(readings, Mapping) else ())
            raise place.error(INSTRUMENTS, reading, f"not in [readings]; {hint}")
        if not isinstance(instrument, str) or not instrument.strip():
            problem = f'a name is needed, as "gauge 3", not {show(instrument)}'
            raise place.error(INSTRUMENTS, reading, problem)
    rest = {name: content for name, content in sections.items() if name != INSTRUMENTS}
    return rest, dict(named)


def _with_looks(
    sections: Mapping[str, Any], knowledge: Knowledge, place: Place
) -> tuple[dict[str, Any], dict[str, dict[str, str]]]:
    """The sections with what people saw as findings, and what each of them said.

    A finding is what all looks at the sample together say.
    """
    rest = {name: content for name, content in sections.items() if name != LOOKS}
    stated = rest.get("findings", {})
    if not isinstance(stated, Mapping):  # which is told in its turn
        return rest, {}
    seen: dict[str, dict[str, int]] = {}
    looks = sections[LOOKS]
    for person, words in looks.items() if isinstance(looks, Mapping) else (("", None),):
        if not isinstance(words, Mapping):
            example = f"[{LOOKS}.anna]"
            raise place.error(LOOKS, person, f"findings below a name are needed, as {example}")
        for finding, word in words.items():
            index = _word_seen(Entry(LOOKS, person, word, place), finding, knowledge)
            seen.setdefault(finding, {})[person] = index
    for finding in seen:
        if finding in stated:
            raise place.error("findings", finding, f"stands in [{LOOKS}] too; keep one of them")
    together = {n: _said_together(n, looks, knowledge) for n, looks in seen.items()}
    words = {
        str(person): {n: knowledge.node(n).states[seen[n][person]] for n in said}
        for person, said in looks.items()
    }
    return {**rest, "findings": {**stated, **together}}, words


def _said_together(
    finding: str, looks: Mapping[str, int], knowledge: Knowledge
) -> str | dict[str, float]:
    """What the words of people say of one sample: a word, or likelihoods."""
    states, people = knowledge.node(finding).states, list(knowledge.readers)
    eyes = eyes_of(knowledge.readers, people, finding, len(states))
    known = [people.index(p) if finding in knowledge.readers.get(p, {}) else -1 for p in looks]
    seen = seen_together(eyes, np.array([known]), np.array([[*looks.values()]]))
    if not seen.open[0]:
        return states[int(seen.word[0])]
    return dict(zip(states, seen.likelihood[0].tolist(), strict=True))


def _word_seen(entry: Entry, finding: str, knowledge: Knowledge) -> int:
    """Index of the word that a person used; ``entry`` has the person as its key."""
    by_eye = {name: node for name, node in knowledge.nodes.items() if node.by_eye}
    if finding not in by_eye:
        hint = suggestion(finding, by_eye)
        raise entry.error(f"{finding} is not a finding judged by eye; {hint}")
    states = knowledge.node(finding).states
    if entry.value not in states:
        hint = unknown_word(str(entry.value), finding, states)
        raise entry.error(f"{finding}: unknown state {show(entry.value)}; {hint}")
    return states.index(entry.value)


def _repairs(
    entries: Sequence[Any], now: Mapping[str, Any], knowledge: Knowledge, place: Place
) -> tuple[list[RepairDone], Mapping[str, Any]]:
    """Repairs with what was recorded before each, and the conditions after the last."""
    repairs: list[RepairDone] = []
    conditions = now.get("conditions", {})
    told = {key: now[key] for key in ("vehicle", "history") if key in now}
    for number, repair in enumerate(entries, start=1):
        here = place.inside(REPAIRED, number)
        services = _services(repair, knowledge, here)
        if "conditions" in repair:
            if not repairs:  # only these do not change while the car is there
                conditions = {k: conditions[k] for k in ("setting", "altitude") if k in conditions}
            conditions = {**conditions, **repair["conditions"]}
        seen = {key: repair[key] for key in (*BEFORE, LOOKS, INSTRUMENTS) if key in repair}
        sections = {**told, **seen, "conditions": conditions}
        seen_then = _one_round(sections, knowledge, here, f"repair {number}", came=number == 1)
        repairs.append(RepairDone(services, seen_then))
    return repairs, conditions


def _services(repair: Any, knowledge: Knowledge, here: Place) -> tuple[str, ...]:
    """Services of one repair, once its form is right."""
    if not isinstance(repair, Mapping):
        raise here.error("", "", f"services and sections are needed, not {show(repair)}")
    for key, content in repair.items():
        if key not in ("services", *BEFORE, LOOKS, INSTRUMENTS):
            raise here.error("", key, f"unknown; {_home_within(key, knowledge)}")
        if key in BEFORE and not isinstance(content, Mapping):
            problem = f"a section with names below it is needed, not {show(content)}"
            raise here.error(key, "", problem)
    services = repair.get("services")
    if not isinstance(services, Sequence) or isinstance(services, str):
        example = f'services = ["{next(iter(knowledge.services), "name")}"]'
        raise here.error("", "services", f"a list of services is needed, as {example}")
    for name in services:
        if not isinstance(name, str) or name not in knowledge.services:
            hint = suggestion(str(name), knowledge.services)
            raise here.error("", "services", f"unknown service {show(name)}; {hint}")
    return tuple(dict.fromkeys(services))


def _home_within(key: str, knowledge: Knowledge) -> str:
    """Where a key of a repair belongs that is none: what was seen before it, or the car itself."""
    if key in SECTIONS:
        return f"it is told once for the car, in [{key}]"
    homes = sections_of_name(key, knowledge)
    before = [home for home in homes if home in BEFORE]
    if before:
        return f"it belongs in [{REPAIRED}.{before[0]}]"
    if homes:
        return f"it belongs in [{homes[0]}]"
    return suggestion(key, ("services", *BEFORE))


def _one_round(
    sections: Mapping[str, Any], knowledge: Knowledge, place: Place, name: str, came: bool = True
) -> Inspection:
    """What was recorded between two repairs, checked and encoded.

    ``came``: whether it is of the car as it came, before any repair.
    """
    looks: Mapping[str, Mapping[str, str]] = {}
    sections, instruments = _with_instruments(sections, place)
    if LOOKS in sections:
        sections, looks = _with_looks(sections, knowledge, place)
    refused = Refused()
    content: dict[str, Any] = {section: {} for section in SECTIONS}
    entries: dict[str, Entry] = {}
    altitude = _altitude(sections, place)
    for entry in _entries(sections, knowledge, place, refused):
        with refused:
            _take_in(entry, content[entry.section], altitude, knowledge)
            entries[entry.key] = entry
    inspection = Inspection(name, **content, looks=looks, instruments=instruments)
    batch = batch_of([inspection], knowledge)
    partial = bool(refused.errors)
    for bad in impossible_readings(batch, knowledge):
        entry = entries[bad.column]
        # what a pressure or mass can be depends on other entries, which may be among those refused
        leans = entry.section == "readings" and (
            reading_dimension(entry.key, knowledge) in ("pressure", "mass")
        )
        if not (partial and leans):
            refused.note(entry.error(f"{show(entry.value)}: {bad.reason}"))
    refused.tell()
    encoding = encode(batch, knowledge)
    return inspection.with_remarks(encoding, warnings=notes(encoding, came))


def _take_in(entry: Entry, said: dict[str, Any], altitude_m: float, knowledge: Knowledge) -> None:
    """Add what an entry says to what its section says; outcomes of one fault narrow each other."""
    if entry.section != "confirmed":
        said[entry.key] = meaning(entry, altitude_m, knowledge)
        return
    variable, states = outcome(entry, knowledge)
    before = said.get(variable, knowledge.node(variable).states)
    both = tuple(state for state in before if state in states)
    if not both:
        raise entry.error(f"{show(entry.value)} contradicts what else is confirmed of {variable}")
    said[variable] = both


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
    for home in sections_of_name(key, knowledge):
        return place.error("", key, f"stands outside its section; write it below [{home}]")
    known = (*SECTIONS, REPAIRED, LOOKS, INSTRUMENTS)
    close = nearest(key, known)
    names = meant(key, _everywhere(knowledge)) if close is None else ()
    if names:
        homes = (f"{n!r}, below [{sections_of_name(n, knowledge)[0]}]" for n in names)
        return place.error("", key, f"did you mean {' or '.join(homes)}?")
    hint = f"did you mean [{close}]?" if close else f"known: {', '.join(known)}"
    return place.error(key, "", f"unknown section; {hint}")


def _no_name(entry: Entry, names: Sequence[str], knowledge: Knowledge) -> InspectionError:
    homes = sections_of_name(entry.key, knowledge)
    hint = f"it belongs in [{homes[0]}]" if homes else _meant(entry, names, knowledge)
    return entry.error(f"unknown {KINDS[entry.section]}; {hint}")


def _meant(entry: Entry, names: Sequence[str], knowledge: Knowledge) -> str:
    """The nearest name, with its section where that is another one."""
    like = meant(entry.key, _everywhere(knowledge))
    if not like or any(name in names for name in like):
        return suggestion(entry.key, told_in(entry.section, knowledge))
    homes = (f"{name!r} in [{sections_of_name(name, knowledge)[0]}]" for name in like)
    return f"did you mean {' or '.join(homes)}?"


def _everywhere(knowledge: Knowledge) -> dict[str, object]:
    return {n: told for section in SECTIONS for n, told in told_in(section, knowledge).items()}


def _altitude(sections: Mapping[str, Any], place: Place) -> float:
    """Altitude [m], needed first because gauge pressures count from the atmosphere there.

    Sea level where it is not given, or not in a way that can be used: that is told in its turn.
    """
    conditions = sections.get("conditions")
    if not isinstance(conditions, Mapping) or "altitude" not in conditions:
        return 0.0
    try:
        return metres(Entry("conditions", "altitude", conditions["altitude"], place)).value
    except InspectionError:
        return 0.0
