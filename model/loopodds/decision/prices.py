"""What a workshop charges and what it can do: the shipped figures, or a price file of its own.

A price file is TOML. What it gives replaces the shipped figure, what it leaves out stays; names
are checked, and a misspelt one is answered with the nearest.
"""

from __future__ import annotations

import tomllib
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from functools import lru_cache
from pathlib import Path
from typing import Any

from loopodds.base.errors import InspectionError, KnowledgeError, LoopoddsError
from loopodds.inspection.case_file import line_numbers
from loopodds.inspection.entries import Place, show
from loopodds.inspection.vocabulary import suggestion
from loopodds.knowledge.records import Knowledge
from loopodds.knowledge.work import SetUp

_FILE = "prices.toml"
_MOST = 1e6
_GROUNDS = ("source", "grade", "weight")
_SECTIONS = ("filling", "opening", "refrigerant", "minutes", "cost")
_RATES = ("labour_rate", "waiting_rate", "expensive", "unsolved")
_SINGLE = ("currency", *_RATES, "skills", "cannot")

Fault = Callable[[str, str, str], LoopoddsError]


@dataclass(frozen=True, slots=True, eq=False)
class Prices:
    """Money and minutes of one workshop."""

    currency: str
    labour_rate: float  # currency an hour of work
    waiting_rate: float  # currency an hour in which the car only blocks a place
    expensive: float  # currency from which on a service wants a second kind of evidence
    unsolved: float  # currency that it costs to send a customer away with the complaint
    # evacuating and charging by mass: counted once, however many services need it
    filling_minutes: float
    filling_cost: float
    # opening the loop, sealing it again and proving it tight: likewise
    opening_minutes: float
    opening_cost: float
    refrigerant: Mapping[str, float]  # currency for the refrigerant of one filling
    minutes: Mapping[str, float]  # of every test and service by itself, and of every set-up
    cost: Mapping[str, float]  # likewise: material, in currency
    skills: frozenset[str]  # of the people there
    cannot: frozenset[str]  # tests and services that this workshop does not do

    def of_work(self, name: str) -> float:
        """Currency for a test or service, refrigerant apart: labour and material."""
        return self.cost[name] + self.labour(self.minutes[name])

    def labour(self, minutes: float) -> float:
        """Currency for minutes of work."""
        return minutes * self.labour_rate / 60

    def preparing(self, set_up: SetUp) -> float:
        """Currency for bringing a set-up about."""
        minutes = self.minutes[set_up.name]
        return self.waiting(minutes) if set_up.takes == "wait" else self.labour(minutes)

    def waiting(self, minutes: float) -> float:
        """Currency for minutes of waiting."""
        return minutes * self.waiting_rate / 60

    def with_everything(self, knowledge: Knowledge) -> Prices:
        """The same prices in a workshop that has every skill and does everything."""
        return replace(self, skills=frozenset(_skills(knowledge)), cannot=frozenset())

    def filling(self, refrigerant: str | None) -> float:
        """Currency for evacuating and charging once; the dearest where it is not stated."""
        dearest = max(self.refrigerant.values(), default=0.0)
        gas = self.refrigerant.get(refrigerant or "", dearest)
        return gas + self.filling_cost + self.labour(self.filling_minutes)

    @property
    def opening(self) -> float:
        """Currency for opening the loop, sealing it and proving it tight once."""
        return self.opening_cost + self.labour(self.opening_minutes)


@lru_cache(maxsize=8)
def shipped_prices(knowledge: Knowledge) -> Prices:
    """Prices of the knowledge itself.

    Raises:
        KnowledgeError: if ``prices.toml`` lacks a figure or names what does not exist.
    """

    def fault(section: str, key: str, problem: str) -> KnowledgeError:
        where = f"[{section}] {key}" if section else key
        return KnowledgeError(f"{_FILE}: {where}: {problem}")

    for key in ("currency", *_RATES, "filling", "opening"):
        if key not in knowledge.prices:
            raise KnowledgeError(f"{_FILE}: needs {key!r}")
    kinds = (knowledge.tests, knowledge.services, knowledge.set_ups)
    minutes = {name: work.minutes for kind in kinds for name, work in kind.items()}
    cost = {name: test.cost for name, test in knowledge.tests.items()}
    cost |= {name: service.price for name, service in knowledge.services.items()}
    nobody = frozenset[str]()
    none = dict.fromkeys(_RATES, 0.0)
    parts = ("filling_minutes", "filling_cost", "opening_minutes", "opening_cost")
    once = dict.fromkeys(parts, 0.0)
    empty = Prices(
        currency="",
        **none,
        **once,
        refrigerant={},
        minutes=minutes,
        cost=cost,
        skills=nobody,
        cannot=nobody,
    )
    return _apply(empty, knowledge.prices, knowledge, fault)


def load_prices(path: str | Path | None, knowledge: Knowledge) -> Prices:
    """Prices of a workshop; the shipped ones where there is no file.

    Raises:
        InspectionError: naming file, line and key of what cannot be used, with the nearest valid
            spelling.
    """
    shipped = shipped_prices(knowledge)
    if path is None:
        return shipped
    name = str(path)
    try:
        text = Path(path).read_text(encoding="utf-8")
        content = tomllib.loads(text)
    except OSError as error:
        raise InspectionError(f"{name}: cannot be read: {error.strerror or error}") from error
    except ValueError as error:  # not UTF-8, or not TOML
        raise InspectionError(f"{name}: not valid TOML in UTF-8: {error}") from error
    return _apply(shipped, content, knowledge, Place(name, line_numbers(text)).error)


def _apply(base: Prices, content: Mapping[str, Any], knowledge: Knowledge, fault: Fault) -> Prices:
    """Base prices with everything in ``content`` put in their place."""
    known = (*_SINGLE, *_SECTIONS, *_GROUNDS)
    for key in content:
        if key not in known:
            raise fault("", key, f"unknown key; {suggestion(key, (*_SINGLE, *_SECTIONS))}")
    work = [*knowledge.tests, *knowledge.services]
    # what a car needs of time is no workshop's to say
    by_hand = [name for name, one in knowledge.set_ups.items() if one.takes == "work"]
    filling, opening = (
        _numbers(content, section, ("minutes", "cost"), fault) for section in ("filling", "opening")
    )
    fluids = knowledge.contexts["refrigerant"].values if "refrigerant" in knowledge.contexts else ()
    return replace(
        base,
        currency=_currency(content, base.currency, fault),
        **{key: _amount(content[key], "", key, fault) for key in _RATES if key in content},
        filling_minutes=filling.get("minutes", base.filling_minutes),
        filling_cost=filling.get("cost", base.filling_cost),
        opening_minutes=opening.get("minutes", base.opening_minutes),
        opening_cost=opening.get("cost", base.opening_cost),
        refrigerant={**base.refrigerant, **_numbers(content, "refrigerant", fluids, fault)},
        minutes={**base.minutes, **_numbers(content, "minutes", [*work, *by_hand], fault)},
        cost={**base.cost, **_numbers(content, "cost", work, fault)},
        skills=_names(content, "skills", _skills(knowledge), base.skills, fault),
        cannot=_names(content, "cannot", work, base.cannot, fault),
    )


def _skills(knowledge: Knowledge) -> list[str]:
    """Every skill that a test or service asks for."""
    tasks = [*knowledge.tests.values(), *knowledge.services.values()]
    asked = {skill for task in tasks for skill in task.skill}
    return sorted(asked | {s for task in tasks for block in task.in_context for s in block.skill})


def _currency(content: Mapping[str, Any], default: str, fault: Fault) -> str:
    value = content.get("currency", default)
    if not isinstance(value, str) or not value.strip():
        raise fault("", "currency", f'{show(value)} is not a text; write currency = "EUR"')
    return value


def _amount(value: object, section: str, key: str, fault: Fault) -> float:
    if isinstance(value, bool) or not isinstance(value, int | float) or value != value:
        raise fault(section, key, f"{show(value)} is not a number")
    if not 0 <= value <= _MOST:
        raise fault(section, key, f"{show(value)} does not lie between 0 and {_MOST:,.0f}")
    return float(value)


def _numbers(
    content: Mapping[str, Any], section: str, names: tuple[str, ...] | list[str], fault: Fault
) -> dict[str, float]:
    entries = content.get(section, {})
    if not isinstance(entries, Mapping):
        raise fault("", section, f"write a section [{section}] with one line for each name")
    for key in entries:
        if key not in names:
            raise fault(section, key, f"unknown name; {suggestion(key, names)}")
    return {key: _amount(value, section, key, fault) for key, value in entries.items()}


def _names(
    content: Mapping[str, Any], key: str, names: list[str], default: frozenset[str], fault: Fault
) -> frozenset[str]:
    if key not in content:
        return default
    value = content[key]
    if not isinstance(value, list) or not all(isinstance(name, str) for name in value):
        raise fault("", key, f'{show(value)} is not a list of names; write {key} = ["name"]')
    for name in value:
        if name not in names:
            raise fault("", key, f"{show(name)} is unknown; {suggestion(name, names)}")
    return frozenset(value)
