"""Nodes of the knowledge files: three kinds of distribution, and what changes with the context.

A tabular node lists rows by parent states, a graded one is a noisy-MAX with an explicit leak in
the *net* convention (an effect is what the cause does alone, the leak shut off: Díez 1993,
Henrion 1989), a gauge shifts a measured number (conditional Gaussian with a heavy-tailed share).
The fields are the keys of the files.
"""

from __future__ import annotations

import itertools
from collections.abc import Iterator, Mapping
from functools import cached_property
from typing import Annotated, Any, Literal, NamedTuple, TypeVar, cast

import msgspec

from loopodds.base.arrays import FloatArray
from loopodds.base.errors import KnowledgeError, unknown_name
from loopodds.base.phrases import spaced
from loopodds.knowledge.blocks import (
    Added,
    Amount,
    Cause,
    Factor,
    Leak,
    Levels,
    Misreading,
    Override,
    Row,
    Settling,
    Shift,
    Sound,
    Spread,
    Tables,
    Together,
    When,
    matches,
    table_texts,
)  # fmt: skip
from loopodds.knowledge.shapes import Grade, Grounds, Weight, read_record

AnyNode = TypeVar("AnyNode", bound="Node")


class Variant(msgspec.Struct, frozen=True):
    """Fields of a node that are otherwise where some contexts hold."""

    when: When
    changes: Mapping[str, Any]


class Node(
    msgspec.Struct,
    frozen=True,
    kw_only=True,
    forbid_unknown_fields=True,
    tag_field="distribution",
    dict=True,
):
    """One variable of the network; ``titles`` are those of its conditions, if it has several.

    ``brings_in``: for each state of a complaint the chance that a car of which it is so is brought
    in for it; that of the other states is the background, a car brought in though it is not so.
    ``masked_by``: states of other findings under which a reading says nothing. ``veiled_by``: for
    each the chance that what is there is not seen, so that the first state says so much less.
    ``dangerous``: states that no guard passes and that a guard or a stop answers.
    ``by_eye``: a shade or tint, on which two people who look may differ.
    ``told_by``: states between which another reading, where it was taken, has told already.
    ``amounts``: readings that say the same in numbers. ``yes_if``: of a history item, the chance
    of its last state by the state of a fault to which it is not tied, used where it is told.
    """

    name: str
    kind: str
    file: str
    title: str
    about: str = ""
    question: str = ""
    group: str
    states: tuple[str, ...]
    conditions: Mapping[str, tuple[str, ...]] = {}
    titles: Mapping[str, str] = {}
    complaint: tuple[str, ...] = ()
    brings_in: Mapping[str, Factor] = {}
    masked_by: Mapping[str, tuple[str, ...]] = {}
    veiled_by: Mapping[str, Mapping[str, Factor]] = {}
    dangerous: tuple[str, ...] = ()
    by_eye: bool = False
    told_by: Mapping[str, tuple[str, ...]] = {}
    amounts: Mapping[str, Amount] = {}
    yes_if: Mapping[str, Mapping[str, Factor]] = {}
    source: str
    grade: Grade
    weight: Weight
    variants: tuple[Variant, ...] = ()

    @property
    def grounds(self) -> Grounds:
        """Where its numbers come from where a block says nothing else."""
        return Grounds(self.source, self.grade, self.weight)

    def in_context(self: AnyNode, context: When) -> AnyNode:
        """The node with every variant applied whose contexts hold, in file order."""
        holding = tuple(i for i, v in enumerate(self.variants) if matches(v.when, context))
        if not holding:
            return self
        if holding not in self._varied:
            changes: dict[str, Any] = {}
            for i in holding:
                changes |= self.variants[i].changes
            self._varied[holding] = msgspec.structs.replace(self, **changes)
        return self._varied[holding]

    @cached_property
    def _varied(self: AnyNode) -> dict[tuple[int, ...], AnyNode]:
        """The node with the variants of these places, as far as it was asked for."""
        return {}

    def versions(self: AnyNode) -> Iterator[AnyNode]:
        """The node, then with each of its variants."""
        yield self
        yield from (self.in_context(variant.when) for variant in self.variants)

    def context_keys(self) -> frozenset[str]:
        """Contexts on which the distribution depends, besides ambient and humidity."""
        return self._context_keys

    @cached_property
    def mentioned(self) -> tuple[str, ...]:
        """Other nodes that the distribution names, each once, in file order."""
        return tuple(dict.fromkeys(parent for _, parent, _ in mentions(self)))

    @cached_property
    def _context_keys(self) -> frozenset[str]:
        keys = {key for variant in self.variants for key in variant.when}
        for node in self.versions():
            if isinstance(node, Gauge):
                for blocks in (node.sound, node.shifts, node.together):
                    keys.update(*(block.when for block in blocks))
        tables = self.tables if isinstance(self, Gauge) else None
        return frozenset(keys | tables.keys if tables else keys)

    def as_json(self) -> dict[str, Any]:
        """What the file says of it, as plain data."""
        bare = msgspec.structs.replace(self, tables=None) if isinstance(self, Gauge) else self
        entry: dict[str, Any] = msgspec.to_builtins(bare)
        for key in ("name", "kind", "file", "tables"):
            entry.pop(key, None)
        variants = [{"when": v["when"], **v["changes"]} for v in entry["variants"]]
        return {**entry, "variants": variants}


class Tabular(Node, frozen=True, kw_only=True, tag="table"):
    """Rows by parent states; the first matching row holds."""

    parents: tuple[str, ...] = ()
    rows: Annotated[tuple[Row, ...], msgspec.Meta(min_length=1)]


class Graded(Node, frozen=True, kw_only=True, tag="graded"):
    """Noisy-MAX with leak, net convention."""

    convention: Literal["net"]
    leak: Leak
    causes: tuple[Cause, ...] = ()


class Moved(NamedTuple):
    """How far one state of a parent moves a gauge [scale], and the block that says so."""

    mean: float
    spread: float
    place: tuple[str | int, ...]


class Gauge(Node, frozen=True, kw_only=True, tag="gauge"):
    """A number: sound expectation, shifts by hidden states, spread, misreadings, words.

    ``quantity`` is the dimension of what is read; ``transform`` makes of it what is compared, in
    the unit ``scale``; words compare with what one expects by eye, ``word_doubt`` off [standard
    deviation]; ``possible`` bounds what can be read at all.
    """

    states: tuple[str, ...] = msgspec.field(name="words")
    quantity: str = ""
    transform: str = "plain"
    scale: str = ""
    possible: tuple[float, float] | None = None
    spread: Spread
    misreading: Misreading
    settling: Settling | None = None
    cuts: tuple[float, ...] = ()
    word_doubt: Added = 0.0
    sound: tuple[Sound, ...] = ()
    shifts: tuple[Shift, ...] = ()
    together: tuple[Together, ...] = ()
    overrides: tuple[Override, ...] = ()
    tables: Tables | None = None

    @cached_property
    def arrays(self) -> dict[tuple[object, ...], tuple[FloatArray, FloatArray]]:
        """Mean and spread worked out of it so far, by what they were asked for."""
        return {}

    def sounds(self) -> tuple[Sound, ...]:
        """Its own expectations, then those of its tables: the first that holds counts."""
        return self.sound + (self.tables.sound if self.tables else ())

    def moves(self) -> tuple[Shift, ...]:
        """Its own shifts, then those of its tables."""
        return self.shifts + (self.tables.shifts if self.tables else ())

    def moved(self, context: When) -> dict[str, dict[str, Moved]]:
        """How far states of each parent move it; of its own shifts, and likewise of those of its
        tables, the first that holds for a parent counts; tables say what it leaves unsaid.
        """
        found: dict[str, dict[str, Moved]] = {}
        own = [i for i, shift in enumerate(self.shifts) if matches(shift.when, context)]
        tabled = self.tables or Tables()
        for place, shifts, holding in (
            (("shifts",), self.shifts, own),
            (("tables", "shifts"), tabled.shifts, tabled.holding(context)[0]),
        ):
            held: dict[str, int] = {}
            for i in holding:
                held.setdefault(shifts[i].parent, i)
            for parent, i in held.items():
                states = found.setdefault(parent, {})
                for state, pair in shifts[i].shift.items():
                    states.setdefault(state, Moved(*pair, (*place, i)))
        return found

    def pairs(self) -> tuple[Together, ...]:
        """What pairs of states add, its own and those of its tables."""
        return self.together + (self.tables.together if self.tables else ())

    def pairs_in(self, context: When) -> list[Together]:
        """Those of the pairs that hold in a context."""
        own = [pair for pair in self.together if matches(pair.when, context)]
        return own + (self.tables.holding(context)[1] if self.tables else [])


DISTRIBUTIONS: Mapping[str, type[Node]] = {"table": Tabular, "graded": Graded, "gauge": Gauge}


def lists_of(node: Node) -> Iterator[tuple[str, Levels]]:
    """Probabilities over the states of a node, with where they stand in the words of the file."""
    if isinstance(node, Tabular):
        yield from ((f"rows[{i}]", row.p) for i, row in enumerate(node.rows, start=1))
    elif isinstance(node, Graded):
        yield "leak", node.leak.p
        for cause in node.causes:
            for state, levels in cause.effects.items():
                yield f"causes.{cause.parent}.{state}", levels


def mentions(node: Node) -> Iterator[tuple[str, str, tuple[str, ...]]]:
    """Where a distribution names other nodes, as ``rows[2]``; each with its states named there."""
    if isinstance(node, Tabular):
        yield from (("parents", parent, ()) for parent in node.parents)
        for i, row in enumerate(node.rows, start=1):
            yield from ((f"rows[{i}]", parent, (state,)) for parent, state in row.when.items())
    elif isinstance(node, Graded):
        for cause in node.causes:
            yield "causes", cause.parent, tuple(cause.effects)
            for parent, factors in cause.weakened_by.items():
                yield f"causes.{cause.parent}.weakened_by", parent, tuple(factors)
    elif isinstance(node, Gauge):
        yield from (("shifts", shift.parent, tuple(shift.shift)) for shift in node.shifts)
        yield from node.tables.mentions if node.tables else ()
        for pair in node.together:
            yield from (("together", parent, (state,)) for parent, state in pair.states.items())
        for override in node.overrides:
            yield from (("overrides", p, (state,)) for p, state in override.when.items())


def parents_of(node: Node) -> tuple[str, ...]:
    """Nodes that a node depends on, each once, in file order; variants may not add any."""
    return node.mentioned


def read_node(name: str, kind: str, entry: object, file: str) -> Node:
    """A node from its TOML table, with its variants.

    Raises:
        KnowledgeError: naming file, node and key.
    """
    table = dict(entry) if isinstance(entry, Mapping) else {}
    variants = table.pop("variants", [])
    if kind == "history":
        table.setdefault("states", ["no", "yes"])
    table.setdefault("title", spaced(name))
    table.setdefault("group", kind)
    node = _read(name, kind, table if isinstance(entry, Mapping) else entry, file)
    if kind == "fault" and "conditions" not in table:
        node = msgspec.structs.replace(node, conditions={name: node.states[1:]})
    if not isinstance(variants, list):
        raise KnowledgeError(f"{file}: {name}.variants: expected a list, not {variants!r}")
    made = tuple(_variant(variant, table, node) for variant in variants)
    return msgspec.structs.replace(node, variants=made)


def _read(name: str, kind: str, table: Any, file: str) -> Node:
    word = str(table.get("distribution")) if isinstance(table, Mapping) else "table"
    if word not in DISTRIBUTIONS:
        unknown = unknown_name("distribution", word, DISTRIBUTIONS)
        raise KnowledgeError(f"{file}: {name}: {unknown}")
    given = {"name": name, "kind": kind, "file": file}
    node = read_record(DISTRIBUTIONS[word], table, file, name, given)
    for problem in _meant(node):
        raise KnowledgeError(f"{file}: {name}{problem}")
    return node


def rewritten(node: AnyNode, entry: Mapping[str, Any]) -> AnyNode:
    """The node that another entry makes of it; tables worked out for it stay.

    Raises:
        KnowledgeError: naming file, node and key.
    """
    made = read_node(node.name, node.kind, entry, node.file)
    tables = node.tables if isinstance(node, Gauge) else None
    return cast("AnyNode", msgspec.structs.replace(made, tables=tables) if tables else made)


def _variant(variant: Any, table: Mapping[str, Any], node: Node) -> Variant:
    """A variant read as the whole node that it makes, of which only what it changes is kept."""
    when = variant.get("when") if isinstance(variant, Mapping) else None
    if not isinstance(when, Mapping) or not all(isinstance(word, str) for word in when.values()):
        problem = "each needs a table 'when' with a word for each context"
        raise KnowledgeError(f"{node.file}: {node.name}.variants: {problem}")
    changed = {key: value for key, value in variant.items() if key != "when"}
    there = _read(node.name, node.kind, {**table, **changed}, node.file)
    return Variant(variant["when"], {key: getattr(there, key) for key in changed})


def _meant(node: Node) -> Iterator[str]:
    """What is wrong with a node in itself, though its table has the right shape."""
    if len(node.states) < 2 or len(set(node.states)) != len(node.states):
        yield " needs at least two different states"
    for state in itertools.chain.from_iterable(node.conditions.values()):
        if state not in node.states:
            yield f".conditions: {unknown_name('state', state, node.states)}"
    for name, amount in node.amounts.items():
        yield from (f".amounts.{name}: {text}" for text in _amount_texts(amount, node))
    for where, levels in lists_of(node):
        if len(levels) != len(node.states):
            yield f".{where}: {len(node.states)} probabilities expected, got {list(levels)}"
        if min(levels, default=0.0) < 0 or abs(sum(levels) - 1) > 1e-9:
            yield f".{where}: {list(levels)} sums to {sum(levels):.12g}, not 1"
    if isinstance(node, Gauge):
        yield from (f".sound[{i}]{text}" for i, sound in enumerate(node.sound, start=1)
                    for text in table_texts(sound))  # fmt: skip
    if isinstance(node, Gauge) and (
        len(node.cuts) != len(node.states) - 1 or list(node.cuts) != sorted(node.cuts)
    ):
        yield f": {len(node.states)} words need that many cuts less one"


def _amount_texts(amount: Amount, node: Node) -> Iterator[str]:
    if amount.accuracy <= 0 and amount.accuracy_share <= 0:
        yield "'accuracy' or 'accuracy_share' above zero is needed"
    for band in amount.bands:
        if list(band.cuts) != sorted(band.cuts) or len(band.says) != len(band.cuts) + 1:
            yield f"cuts {list(band.cuts)} must rise and 'says' have one entry more"
        for levels in band.says:
            if len(levels) != len(node.states) or min(levels) < 0 or max(levels) <= 0:
                yield f"says {list(levels)}: a likelihood for each of {', '.join(node.states)}"
