"""Single entries of a case: text, words, quantities and likelihoods, checked at the door."""

from __future__ import annotations

import datetime
import math
import re
import reprlib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

from loopodds.base.errors import InspectionError, OutOfRange, UnitError, nearest
from loopodds.base.units import Dimension, parse_quantity
from loopodds.inspection.inspection import Quantity

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


def listed(names: Sequence[str]) -> str:
    """The first twelve of some names."""
    return ", ".join(names[:12]) + (", ..." if len(names) > 12 else "")


def suggestion(word: str, options: Sequence[str], known: str = "known") -> str:
    """The nearest option, or all of them, as the end of a message.

    Where several options begin with the first part of the word, only what follows it counts:
    what is merely of the same family is no misspelling.

    Examples
    --------
    >>> suggestion("oil_sme", ["oil_smell", "oil_colour", "dye"])
    "did you mean 'oil_smell'?"
    >>> suggestion("oil_weight", ["oil_smell", "oil_colour", "dye"])
    'known with oil_: oil_smell, oil_colour'
    """
    head, joint, rest = word.lower().partition("_")
    family = {o.lower().removeprefix(head + joint): o for o in options if _head(o) == head}
    if not rest or len(family) < 2:
        close = nearest(word, options)
        return f"did you mean {close!r}?" if close else f"{known}: {listed(options)}"
    close = nearest(rest, family)
    if close is not None:
        return f"did you mean {family[close]!r}?"
    return f"{known} with {head}_: {listed(list(family.values()))}"


def _head(name: str) -> str:
    return name.lower().partition("_")[0]


@dataclass(frozen=True, slots=True)
class Place:
    """Where a case came from: its name and, for a file, the lines of sections and keys."""

    name: str
    lines: Mapping[tuple[str, str], int] = field(default_factory=dict)

    def error(self, section: str, key: str, problem: str) -> InspectionError:
        """Error that starts with file, line, section and key, as far as they are known."""
        line = self.lines.get((section, key)) or self.lines.get((section, ""))
        at = f"{self.name}:{line}" if line else self.name
        section, key = plain_name(section), plain_name(key)
        where = " ".join(part for part in (f"[{section}]" if section else "", key) if part)
        return InspectionError(f"{at}: {where}: {problem}")


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

        Raises
        ------
        InspectionError
            If it is no text or blank.
        """
        if not isinstance(self.value, str):
            raise self.error(f'{show(self.value)} is not text; write it in quotes, as "{example}"')
        if not self.value.strip():
            raise self.error("blank; leave the line out if it was not looked at or is not known")
        return self.value.strip()

    def word(self, options: Sequence[str], kind: str = "state") -> str:
        """The value as one of some words.

        Raises
        ------
        InspectionError
            With the nearest spelling.
        """
        word = self.text(options[-1])
        if word not in options:
            raise self.error(f"unknown {kind} {show(word)}; {suggestion(word, options)}")
        return word

    def refrigerant(self, supported: Sequence[str]) -> str:
        """The value as a supported refrigerant.

        One digit apart is another refrigerant, so only spellings of the same name are suggested:
        those with a dash, without the R, or with the name of the class of substance for it.

        Raises
        ------
        InspectionError
            Saying what is supported.
        """
        word = self.text(supported[0])
        if word in supported:
            return word
        plain = re.sub(r"^(r|hfc|hfo)?(?=\d)", "r", re.sub(r"[-\s]", "", word.lower()))
        same = next((name for name in supported if name.lower() == plain), None)
        hint = f"did you mean {same!r}?" if same else f"supported: {', '.join(supported)}"
        raise self.error(f"unknown refrigerant {show(word)}; {hint}")

    def quantity(self, dimension: Dimension, altitude_m: float = 0.0) -> Quantity:
        """The value as a quantity with its unit, in the internal unit.

        Raises
        ------
        InspectionError
            If it is no quantity of that dimension.
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

        Raises
        ------
        InspectionError
            If a state is unknown, a likelihood is no number of zero or more, or all are zero.
        """
        weights = {}
        for state, weight in self.value.items():
            if state not in states:
                hint = suggestion(state, states)
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

        Raises
        ------
        InspectionError
            With all that was noted.
        """
        self.errors.append(error)
        if len(self.errors) >= MOST_ERRORS:
            self.errors.append(InspectionError(f"stopped here, after {MOST_ERRORS} errors"))
            self.tell()

    def tell(self) -> None:
        """Raise what was noted, a line for each; nothing if nothing was.

        Raises
        ------
        InspectionError
        """
        if len(self.errors) == 1:
            raise self.errors[0]
        if self.errors:
            raise InspectionError("\n".join(dict.fromkeys(map(str, self.errors))))


def _is_likelihood(weight: float) -> bool:
    try:
        return math.isfinite(weight) and weight >= 0
    except OverflowError:  # a whole number too large for floating point
        return False
