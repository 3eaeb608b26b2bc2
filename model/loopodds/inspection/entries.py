"""Single entries of a case: text, words, quantities and likelihoods, checked at the door.

Every message says where the value stands, what is wrong with it and what could stand there instead.
"""

import datetime
import math
import reprlib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

from loopodds.base.errors import InspectionError, OutOfRange, UnitError
from loopodds.base.units import Dimension, parse_quantity
from loopodds.inspection.inspection import Quantity
from loopodds.inspection.vocabulary import (
    CHOICES,
    LIMITS,
    STATED,
    outcome_words,
    reading_dimension,
    refused_word,
    unknown_word,
)
from loopodds.knowledge.records import Knowledge

SHOWN = 60
"""Longer values and names are cut in messages."""
MOST_ERRORS = 50
"""So many in one case, and no more are looked for."""

_short = reprlib.Repr()
_short.maxstring = _short.maxother = _short.maxlong = SHOWN
_short.maxlevel = 2


def show(value: object) -> str:
    """A value for a message: as TOML would have it, and cut where it is long."""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, datetime.date | datetime.time):
        return value.isoformat()
    return _short.repr(value)


def plain_name(name: str) -> str:
    """A name for a message: cut where it is long, quoted where it cannot be printed."""
    cut = name if len(name) <= SHOWN else f"{name[:SHOWN]}..."
    return cut if cut.isprintable() else repr(cut)


@dataclass(frozen=True, slots=True)
class Place:
    """Where a case came from: its name and, for a file, the lines of sections and keys.

    ``within``: the repair that sections and keys belong to, as ``repaired 2``.
    """

    name: str
    lines: Mapping[tuple[str, str], int] = field(default_factory=dict)
    within: str = ""

    def inside(self, name: str, number: int) -> "Place":
        """The place of one table of a list, with the lines of its own sections and keys."""
        within = f"{name} {number}"
        start = f"{within} "
        own = {
            (section[len(start) :], key): line
            for (section, key), line in self.lines.items()
            if f"{section} ".startswith(start)
        }
        return Place(self.name, own, within)

    def error(self, section: str, key: str, problem: str) -> InspectionError:
        """Error that starts with file, line, section and key, as far as they are known."""
        places = [(section, key), (section, ""), *([("", "")] if self.within else [])]
        line = next((self.lines[at] for at in places if at in self.lines), None)
        at = f"{self.name}:{line}" if line else self.name
        at = f"{at}: {self.within}" if self.within else at
        section, key = plain_name(section), plain_name(key)
        where = " ".join(part for part in (f"[{section}]" if section else "", key) if part)
        return InspectionError(f"{at}: {where}: {problem}").about_entries([(key, problem)])


@dataclass(frozen=True, slots=True)
class Entry:
    """One value of a case and where it stands."""

    section: str
    key: str
    value: Any
    place: Place

    def error(self, problem: str) -> InspectionError:
        """Error about this entry."""
        return self.place.error(self.section, self.key or '""', problem)

    def text(self, example: str) -> str:
        """The value as text.

        Raises:
            InspectionError: if it is no text or blank.
        """
        if not isinstance(self.value, str):
            raise self.error(f'{show(self.value)} is not text; write it in quotes, as "{example}"')
        if not self.value.strip():
            raise self.error("blank; leave the line out if it was not looked at or is not known")
        return self.value.strip()

    def word(self, words: Sequence[str], kind: str = "state") -> str:
        """The value as one of some words.

        Raises:
            InspectionError: with the nearest spelling.
        """
        word = self.text(words[-1])
        if word not in words:
            hint = unknown_word(word, self.key, words)
            raise self.error(f"unknown {kind} {show(word)}; {hint}")
        return word

    def quantity(self, dimension: Dimension, altitude_m: float = 0.0) -> Quantity:
        """The value as a quantity with its unit, in the internal unit.

        Raises:
            InspectionError: if it is no quantity of that dimension.
        """
        if isinstance(self.value, bool) or not isinstance(self.value, str | int | float):
            raise self.error(f"{show(self.value)} is no quantity; write it in quotes with its unit")
        if len(str(self.value)) > SHOWN:
            raise self.error(f"{show(self.value)} is too long for a number with its unit")
        try:
            value = parse_quantity(self.value, dimension, altitude_m)
        except (UnitError, OutOfRange) as error:
            raise self.error(str(error)) from error
        return Quantity(value, str(self.value))

    def likelihoods(self, states: Sequence[str]) -> dict[str, float]:
        """The value as relative likelihoods of states; a state left out has none.

        Raises:
            InspectionError: if a state is unknown, a likelihood is no number of zero or more, or
                all are zero.
        """
        weights = {}
        for state, weight in self.value.items():
            if state not in states:
                hint = unknown_word(state, self.key, states)
                raise self.error(f"unknown state {show(state)} among the likelihoods; {hint}")
            if isinstance(weight, bool) or not isinstance(weight, int | float):
                raise self.error(f"likelihood of {state!r} is {show(weight)}, not a number")
            if not _is_likelihood(weight):
                problem = f"likelihood of {state!r} is {show(weight)}"
                raise self.error(f"{problem}; write a finite number of zero or more")
            weights[state] = float(weight)
        if not any(weights.values()):
            raise self.error("no state has a likelihood above zero; leave the line out instead")
        return weights


class Refused:
    """What is wrong with the entries of a case, gathered so that all of it is told at once.

    In a ``with`` block an error is noted and the work goes on behind the block.
    """

    def __init__(self) -> None:
        self.errors: list[InspectionError] = []

    def __enter__(self) -> None:
        """Begin to note."""

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: object
    ) -> bool:
        """Note an error of the case; any other goes on its way."""
        if not isinstance(error, InspectionError):
            return False
        self.note(error)
        return True

    def note(self, error: InspectionError) -> None:
        """Add an error; at fifty it is taken for another kind of file.

        Raises:
            InspectionError: with all that was noted.
        """
        self.errors.append(error)
        if len(self.errors) >= MOST_ERRORS:
            self.errors.append(InspectionError(f"stopped here, after {MOST_ERRORS} errors"))
            self.tell()

    def tell(self) -> None:
        """Raise what was noted, a line for each; nothing if nothing was."""
        if len(self.errors) == 1:
            raise self.errors[0]
        if self.errors:
            told = InspectionError("\n".join(dict.fromkeys(map(str, self.errors))))
            raise told.about_entries(one for error in self.errors for one in error.entries)


def meaning(
    entry: Entry, altitude_m: float, knowledge: Knowledge
) -> str | Quantity | dict[str, float]:
    """What an entry of any section but the confirmed ones says."""
    if entry.section == "readings":
        return _reading(entry, altitude_m, knowledge)
    if entry.section not in STATED:
        return _word(entry, knowledge)
    dimension = STATED[entry.section][entry.key]
    if entry.key == "altitude":
        return metres(entry)
    if dimension is not None:
        return entry.quantity(dimension)
    if isinstance(entry.value, str) and (why := refused_word(entry.value, entry.key, knowledge)):
        raise entry.error(f"{show(entry.value)} {why}")
    return entry.word(CHOICES[entry.key], entry.key.replace("_", " "))


def metres(entry: Entry) -> Quantity:
    """An altitude at which there are roads."""
    height = entry.quantity("length")
    low, high, reason = LIMITS["altitude_m"]
    if not low <= height.value <= high:
        raise entry.error(f"{show(entry.value)}: {reason}")
    return height


def _word(entry: Entry, knowledge: Knowledge) -> str | dict[str, float]:
    """State of a history item or finding, or likelihoods of its states."""
    node = knowledge.node(entry.key)
    if isinstance(entry.value, Mapping):
        weights = entry.likelihoods(node.states)
        left = [state for state, weight in weights.items() if weight]
        # with one state left there is no doubt: that is the word
        return left[0] if len(left) == 1 else weights
    if isinstance(entry.value, list):
        raise entry.error(f"{show(entry.value)} is a list; {_as_likelihoods(entry, node.states)}")
    if node.kind == "gauge" and _looks_measured(entry.value):
        words = ", ".join(node.states)
        problem = f"{show(entry.value)} is a measurement, which belongs in [readings]"
        raise entry.error(f"{problem}; the words are {words}")
    if node.amounts and _looks_measured(entry.value):
        names = " or ".join(node.amounts)
        problem = f"{show(entry.value)} is a measurement, which belongs in [readings] as {names}"
        raise entry.error(f"{problem}; the words are {', '.join(node.states)}")
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


def outcome(entry: Entry, knowledge: Knowledge) -> tuple[str, tuple[str, ...]]:
    """Fault variable meant by a confirmed entry, and the states it leaves possible."""
    word = entry.word(outcome_words(entry.key, knowledge))
    faults = knowledge.of_kind("fault")
    if entry.key in faults:
        states = faults[entry.key].states
        if word in states:
            return entry.key, (word,)
        return entry.key, states[1:] if word == "present" else states[:1]
    condition = knowledge.condition(entry.key)
    if word == "present":
        return condition.variable, condition.states
    states = faults[condition.variable].states
    return condition.variable, tuple(s for s in states if s not in condition.states)


def _is_likelihood(weight: float) -> bool:
    try:
        return math.isfinite(weight) and weight >= 0
    except OverflowError:  # a whole number too large for floating point
        return False
