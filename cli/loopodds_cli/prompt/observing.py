"""What a line at the prompt says of the car: which name, which state or number, or what to ask."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from contextlib import suppress
from functools import cached_property
from typing import TYPE_CHECKING, Protocol

import click
from loopodds import (
    CaseError,
    LoopoddsError,
    Value,
    dimension_of,
    names_in,
    observable_names,
    parse_quantity,
    printable,
    spaced,
    usual_units,
    words_of,
)

from loopodds_cli.book.options import who_looks
from loopodds_cli.prompt.asking import Asking, Question, Step, nothing
from loopodds_cli.prompt.words import (
    Meaning,
    Told,
    are_shares,
    begins_number,
    by_part_of_state,
    by_state,
    is_bare,
    meaning,
    told_of,
)
from loopodds_cli.screen.events import name_text
from loopodds_cli.screen.page import wrapped

if TYPE_CHECKING:
    from loopodds import Answer, Casework, Knowledge

WORDS_IN_A_NAME = 4
MOST_MEANT = 9
"""Names that a state alone may belong to and still be asked about."""
REFRIGERANT = "refrigerant"


class Bench(Protocol):
    """What the dialogue offers to those who read its lines."""

    work: Casework
    asking: Asking
    instrument: str  # what readings are taken with; empty where nobody said

    @property
    def number(self) -> int:
        """The case at hand."""

    def step(self, do: Callable[[Casework, int], Answer]) -> Answer:
        """Record something and tell it."""


class Observing:
    """Entries of one dialogue: what was seen and measured.

    Args:
        units: Unit of a bare number by dimension, as the workshop has it.
    """

    def __init__(self, bench: Bench, units: Mapping[str, str]) -> None:
        self._bench, self._asking, self._units = bench, bench.asking, units
        self._knowledge: Knowledge = bench.work.knowledge
        self.names = tuple(observable_names(self._knowledge))
        self.titles = {name: name_text(name, self._knowledge) for name in self.names}
        self._faults = names_in("confirmed", self._knowledge)

    def entry(self, words: list[str], verbs: Mapping[str, Callable[[list[str]], None]]) -> None:
        """Something seen or measured, or the beginning of one of the ``verbs``."""

        def start(word: str) -> None:
            if word in verbs:
                verbs[word](rest)
            else:
                self.observe(word, rest)

        name, rest = self._longest_name(words)
        commands = () if "_" in name else tuple(sorted(verbs))
        meant = meaning(name, (*self.names, *commands))
        if rest and begins_number(rest[0]) and not are_shares(words):
            meant = self._measurable(meant, " ".join(rest)) or meant
        # a fault cannot be seen: its name may be meant, though it begins a finding's
        sure = meant.sure and (name.lower() in meant.options or name not in self._faults)
        whole = sure and name.lower() in (*self.names, *commands)
        if not whole and self._by_state(words, sure, bool(meant.options)):
            return
        hint = "is no name here; ? for help, names WORD to search"
        self._asking.settle(name, meant._replace(sure=sure), start, hint, self.titles)

    def _by_state(self, words: list[str], sure: bool, known: bool) -> bool:
        """Whether the words tell a state, and record it or ask of what.

        ``sure``: the first of them begins one name; only what fits no state of it is looked for
        elsewhere. ``known``: it is like some name.
        """
        if sure and not (len(words) == 1 or self._unfit(words)):
            return False
        hits = by_state(words, self._vocabulary)
        if not hits and len(words) == 1 and (not known or begins_number(words[0])):
            hits = by_part_of_state(words[0], self._vocabulary)
        if not 0 < len(hits) <= MOST_MEANT:
            return False
        states = dict(hits)

        def record(name: str) -> None:
            self.record(name, states[name])

        # a fault cannot be seen: who names one may mean that, and is asked
        alone = len(hits) == 1 and words[0].lower() not in self._faults
        meant = Meaning(alone, tuple(states))
        titles = {n: f"{self.titles[n]}: {spaced(state)}" for n, state in states.items()}
        self._asking.settle(" ".join(words), meant, record, "", titles)
        return True

    def _measurable(self, meant: Meaning, text: str) -> Meaning | None:
        """Of several names those that a quantity may belong to; None where it decides nothing."""
        fitting = tuple(name for name in meant.options if self._takes(name, text))
        # of the high side, and the same with water on the condenser, the plain one is meant
        plain = [n for n in fitting if all(other.startswith(n) for other in fitting)]
        if meant.sure or not fitting:
            return None
        return Meaning(True, tuple(plain)) if plain else Meaning(False, fitting)

    def _takes(self, name: str, text: str) -> bool:
        """Whether a name is measured in the unit of a quantity, or in any where it has none."""
        dimension = dimension_of(name, self._knowledge) if name in self.titles else None
        if dimension is None:
            return False
        with suppress(LoopoddsError):
            parse_quantity(text, dimension)
            return True
        return is_bare(text)

    def _unfit(self, words: list[str]) -> bool:
        """Whether what stands behind a name is no state of it."""
        name, rest = self._longest_name(words)
        (only, *_) = meaning(name, self.names).options or ("",)
        states = words_of(only, self._knowledge) if only else ()
        if not rest or begins_number(rest[0]) or are_shares(rest):
            return False
        return not meaning("_".join(rest), states).options

    @cached_property
    def _vocabulary(self) -> dict[str, Told]:
        told = {}
        for name in self.names:
            node = self._knowledge.nodes.get(name)
            texts = (node.title, node.question) if node else (self.titles[name],)
            told[name] = told_of(name, words_of(name, self._knowledge), *texts)
        return told

    def _longest_name(self, words: list[str]) -> tuple[str, list[str]]:
        """As many words as begin the parts of a name, joined; and what is left of the line."""
        for count in range(min(WORDS_IN_A_NAME, len(words)), 1, -1):
            joined = "_".join(words[:count])
            if meaning(joined, self.names).sure:
                return joined, words[count:]
        return words[0], words[1:]

    def observe(self, name: str, words: list[str], dropped: Step = nothing) -> None:
        """Record something of a name, or ask what."""
        states = words_of(name, self._knowledge)
        if not words:
            self._ask_value(name, states, dropped)
        elif not states or (self._measured(name) and begins_number(words[0])):
            self._quantity(name, " ".join(words))
        elif are_shares(words):
            self.record(name, self._shares(name, states, words))
        else:
            otherwise = f"is no state of {self.titles[name]}: {', '.join(map(spaced, states))}"
            meant = meaning("_".join(words), states, parts=True)
            self._asking.settle(
                "_".join(words), meant, lambda state: self.record(name, state), otherwise
            )

    def _ask_value(self, name: str, states: tuple[str, ...], dropped: Step) -> None:
        node, amount = self._knowledge.nodes.get(name), self._knowledge.amounts.get(name)
        asked = amount.amount.question if amount else node.question if node else ""
        wrapped(asked or self.titles[name], "  ")
        for measured, by in node.amounts.items() if node else ():
            wrapped(f"measured: {self.titles[measured]} and the number, in {by.unit}", "  ")
        if self._measured(name) or not states:
            words = f", or {' / '.join(map(spaced, states))}" if states else ""
            unit = self._unit(name)
            unit_said = f"a number, in {unit} where no unit stands" if unit else ""
            wrapped(f"{unit_said or 'a number with its unit'}{words}", "  ")

            def observe(text: str) -> None:
                self.observe(name, text.split())

            prompt = spaced(name)
            self._asking.ask(Question(prompt, states, observe, "quantity", dropped=dropped))
        else:
            prompt = spaced(name)
            self._asking.ask(
                Question(prompt, states, lambda state: self.record(name, state), dropped=dropped)
            )

    def _unit(self, name: str) -> str:
        """The workshop's unit of a reading; empty where it has none."""
        return self._units.get(dimension_of(name, self._knowledge) or "", "")

    def _quantity(self, name: str, text: str) -> None:
        """Record a number; a bare one in the unit of the workshop, which is said, or asked for."""
        unit = self._unit(name)
        if not is_bare(text):
            self.record(name, text)
        elif unit:
            click.echo(f"  taken as {text} {unit}, the workshop's unit")
            self.record(name, f"{text} {unit}")
        else:
            self._unit_asked(name, text)

    def _unit_asked(self, name: str, number: str) -> None:
        """Ask what a bare number counts; another number is read anew."""
        units = usual_units(name, self._knowledge)
        wrapped(f"{self.titles[name]}: {number} of what?  {' / '.join(units)}", "  ")

        def told(answer: str) -> None:
            text = f"{number} {answer}" if answer in units else answer
            self._quantity(name, text)

        self._asking.ask(Question("unit", units, told, "quantity"))

    def record(self, name: str, value: Value) -> None:
        """Record something; a pressure that lacks the refrigerant asks for it first."""
        if self._lacks_refrigerant(name, value):
            wrapped("a pressure says nothing without the refrigerant:", "  ")
            self._asking.first(lambda: self._once_told(name, value))
            self.observe(REFRIGERANT, [])
            return
        self._recorded(name, value)

    def _recorded(self, name: str, value: Value) -> None:
        entry = name, value, who_looks(), self._bench.instrument
        self._bench.step(lambda work, number: work.record(number, [entry]))

    def _once_told(self, name: str, value: Value) -> None:
        """Record what waited for the refrigerant."""
        if self._lacks_refrigerant(name, value):
            wrapped(f"! not recorded: {self.titles[name]} {printable(str(value))}", "  ")
        else:
            self._recorded(name, value)

    def _lacks_refrigerant(self, name: str, value: Value) -> bool:
        measured = isinstance(value, str) and begins_number(value)
        if not measured or REFRIGERANT in self._bench.work.show(self._bench.number).state.noted:
            return False
        return dimension_of(name, self._knowledge) == "pressure"

    def _measured(self, name: str) -> bool:
        return name in self._knowledge.of_kind("gauge")

    def _shares(self, name: str, states: tuple[str, ...], words: list[str]) -> dict[str, float]:
        shares = {}
        for typed, number in zip(words[::2], words[1::2], strict=True):
            meant = meaning(typed, states)
            if not meant.sure:
                problem = f"{typed!r} is no clear state of {self.titles[name]}"
                raise CaseError(f"{problem}; its states are {', '.join(map(spaced, states))}")
            shares[meant.options[0]] = float(number)
        return shares
