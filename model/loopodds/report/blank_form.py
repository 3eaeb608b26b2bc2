"""The blank form of a case, and how each name of the knowledge is written in a case file."""

from collections.abc import Iterator, Mapping, Sequence
from typing import Any, NamedTuple

from loopodds.base.likeness import How, found
from loopodds.base.phrases import sentence, spaced
from loopodds.base.unit_table import USUAL_UNITS
from loopodds.inspection.vocabulary import (
    ASKED,
    BEFORE,
    CHOICES,
    INSTRUMENTS,
    LOOKS,
    OWN_UNITS,
    REPAIRED,
    SECTIONS,
    STATED,
    outcome_words,
    reading_dimension,
    told_in,
    words_of,
)
from loopodds.knowledge.records import Knowledge

HOW_TO = (
    "Blank form of a case, made from knowledge {digest}.",
    "Take the # off the line of what was looked at, and put one of the words behind it between the",
    "quotes, or a number before the unit. What was not looked at stays as it is. A pressure means",
    "something only where the refrigerant is stated.",
)
IN_WORDS = "Readings in words, where no number was read"


def blank_case(knowledge: Knowledge) -> str:
    """A case file in which every entry is a comment: sections, keys, words, units, questions.

    It reads as an empty case; a line that is uncommented and left blank is refused by name.
    """
    lines = [f"# {line.format(digest=knowledge.digest)}" for line in HOW_TO]
    for section in SECTIONS:
        lines += ["", f"[{section}]"]
        heading = ""
        for name, told in told_in(section, knowledge).items():
            heading, before = _group(section, told), heading
            if heading != before:
                lines += ["", f"# -- {heading} --"]
            lines += [f"# {_asked(name, told)}", f"#{_blank(section, name, knowledge)}"]
    lines += ["", *_looks(knowledge), "", *_instruments(), "", *_repair(knowledge)]
    return "\n".join([*lines, ""])


def _group(section: str, told: object) -> str:
    """Heading under which an entry stands."""
    in_words = section == "findings" and getattr(told, "kind", "") == "gauge"
    return IN_WORDS if in_words else str(getattr(told, "group", ""))


def _asked(name: str, told: object) -> str:
    """What is asked of a name: its question, else its title."""
    question = getattr(told, "question", "") or ASKED.get(name, "")
    return str(question or _title(name, told))


def _title(name: str, told: object) -> str:
    return str(getattr(told, "title", "") or sentence(spaced(name)))


def _blank(section: str, name: str, knowledge: Knowledge) -> str:
    """The entry without its value, and behind it the words or the units that it takes."""
    words, units = _words(section, name, knowledge), _units(section, name, knowledge)
    if words:
        return f'{name} = ""  # {", ".join(words)}'
    others = f"  # or {', '.join(units[1:])}" if units[1:] else ""
    return f'{name} = " {units[0]}"{others}'


def _words(section: str, name: str, knowledge: Knowledge) -> Sequence[str]:
    if section == "confirmed":
        return outcome_words(name, knowledge)
    if section == "readings":
        return ()
    return CHOICES.get(name, ()) if section in STATED else words_of(name, knowledge)


def _units(section: str, name: str, knowledge: Knowledge) -> Sequence[str]:
    """Units of a quantity, the usual one first; none of a word."""
    stated = STATED.get(section, {}).get(name)
    dimension = reading_dimension(name, knowledge) if section == "readings" else stated
    return OWN_UNITS.get(name, USUAL_UNITS[dimension]) if dimension else ()


def _looks(knowledge: Knowledge) -> Iterator[str]:
    yield "# What one person saw of the sample, by name, in place of the same lines of [findings]"
    yield f"#[{LOOKS}.NAME]"
    for name, node in knowledge.nodes.items():
        if node.by_eye:
            yield f"#{_blank('findings', name, knowledge)}"


def _instruments() -> Iterator[str]:
    yield "# What readings of [readings] were taken with, by their names; may be left out"
    yield f"#[{INSTRUMENTS}]"
    yield '#low_side = "gauge 3"'


def _repair(knowledge: Knowledge) -> Iterator[str]:
    sections = ", ".join(f"[{REPAIRED}.{section}]" for section in BEFORE)
    yield "# What was done to the car, once for each repair; what had been recorded before it goes"
    yield f"# below {sections}"
    yield f"#[[{REPAIRED}]]"
    yield '#services = [""]'
    for name, service in knowledge.services.items():
        yield f"#   {name}: {service.title}"


class Named(NamedTuple):
    """A name of the knowledge: what kind it is, its states, and how a case file says it."""

    name: str
    kind: str
    title: str
    states: tuple[str, ...]
    written: tuple[str, ...]  # none of what no case file says


def names_with(words: str, knowledge: Knowledge) -> list[Named]:
    """Everything in whose name, title, question, states or text all the words stand, best first.

    Whole words come before beginnings and parts of words; what is only spelt alike is given where
    nothing else is found.
    """
    hits = [
        (hit, kind, options[hit.name])
        for kind, options in _kinds(knowledge).items()
        for hit in found(words, options)
    ]
    sure = [one for one in hits if one[0].how < How.ALIKE]
    ordered = sorted(sure or hits, key=lambda one: one[0][:2])
    return [_named(hit.name, kind, told, knowledge) for hit, kind, told in ordered]


def _kinds(knowledge: Knowledge) -> dict[str, Mapping[str, Any]]:
    faults = knowledge.of_kind("fault")
    return {
        "finding": knowledge.of_kind("finding"),
        "reading": told_in("readings", knowledge),
        "history": knowledge.of_kind("history"),
        "fault": faults,
        "condition": {n: c for n, c in knowledge.conditions.items() if n not in faults},
        "effect": knowledge.of_kind("mechanism"),
        "test": knowledge.tests,
        "service": knowledge.services,
        "context": {n: told for s in STATED for n, told in told_in(s, knowledge).items()},
        "caution": knowledge.cautions,
    }


def _named(name: str, kind: str, told: Any, knowledge: Knowledge) -> Named:
    states = getattr(told, "states", ()) or CHOICES.get(name, ())
    return Named(name, kind, _title(name, told), states, tuple(_written(name, kind, knowledge)))


def _written(name: str, kind: str, knowledge: Knowledge) -> Iterator[str]:
    """Each line that a case file may have of a name, with its section."""
    if kind == "service":
        yield f'[[{REPAIRED}]] services = ["{name}"]'
    homes = {"fault": ("confirmed",), "condition": ("confirmed",), "finding": ("findings",),
             "reading": ("readings", "findings"), "history": ("history",),
             "context": tuple(STATED)}.get(kind, ())  # fmt: skip
    for section in homes:
        if name in told_in(section, knowledge):
            words, units = _words(section, name, knowledge), _units(section, name, knowledge)
            choice = " | ".join(f'"{word}"' for word in words)
            value = choice or f'"... {units[0]}"'
            yield f"[{section}] {name} = {value}"
