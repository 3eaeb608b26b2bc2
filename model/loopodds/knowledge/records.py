"""The knowledge: everything the files say, read once and cross-referenced.

The files are the only place that knows about air-conditioning. What a record means as arrays is
the business of :mod:`loopodds.knowledge.assembly`.
"""

from __future__ import annotations

import hashlib
import math
import re
from collections.abc import Mapping
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path
from typing import TYPE_CHECKING, Any, NamedTuple

import msgspec

from loopodds.base.errors import KnowledgeError, unknown_name
from loopodds.base.phrases import lowered, sentence, spaced
from loopodds.knowledge.blocks import Added, Amount, Factor
from loopodds.knowledge.nodes import Gauge, Node, parents_of, read_node
from loopodds.knowledge.shapes import Grounds, read_record
from loopodds.knowledge.tables import (
    READERS,
    TABLES,
    Readers,
    read_readers,
    read_tables,
    with_tables,
)
from loopodds.knowledge.work import (
    Caution,
    Harm,
    Scope,
    Service,
    SetUp,
    Stop,
    Test,
    read_harm,
    with_soaks,
)

if TYPE_CHECKING:
    from importlib.resources.abc import Traversable

NODE_FILES = {
    "fault": "faults.toml",
    "mechanism": "mechanisms.toml",
    "history": "history.toml",
    "finding": "findings.toml",
    "gauge": "readings.toml",
}
OTHER_FILES = tuple(
    f"{stem}.toml"
    for stem in ("contexts", "tests", "services", "harms", "prices", "cautions", "stops", "sources")
)
SHIPPED_UNLESS_GIVEN = ("scope.toml",)
"""Files that a folder need not have; the shipped ones then stand in."""

PHOTO = "photo.toml"
"""What a number read from a photo says of the words for it; a folder need not have it."""

SET_UPS = "set_ups.toml"
"""What tests share; a folder need not have it: the minutes of its tests are then all there is."""

SOUND = "sound"
"""Stands beside the conditions: every fault variable is in its sound state."""


class Context(Grounds, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """Something known with the inspection: a choice among values, or a number.

    ``shares``, or ``typical`` and ``unknown_spread`` (standard deviation), stand in for it when
    the inspection does not say.
    """

    name: str
    title: str
    about: str
    values: tuple[str, ...] = ()
    shares: tuple[Factor, ...] = ()
    typical: float = math.nan
    unknown_spread: Added = 0.0
    # of the setting: the finding that a complaint is about when nothing is said of it
    usual_complaint: str = ""
    # of a context that follows from a number: where its values part, rising, in internal units
    edges: tuple[float, ...] = ()
    # part of the measuring condition: where nothing is said of it, no remark is made
    measuring: bool = False
    # values that are well known and not covered, with what they are
    refused: Mapping[str, str] = {}


class Source(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """Where numbers come from: ``note`` says what was taken and how far it can be trusted."""

    title: str
    year: int
    kind: str
    note: str = ""


_NAME = re.compile(
    r"\b[a-z][a-z0-9]*(?:_[a-z0-9]+)+\b"
    r"|(?:^|(?<=[:;,] )|(?<= (?:for|not) )|(?<= (?:at|to) )|(?<= needs )|(?<= about ))[a-z]+"
    r"(?=$|[,:;]| (?:is|was|has|cannot) | = )"
)
"""A name in a remark; one of a single word, an English word as well, only where a name may be."""


class UnsafeFolder(str):
    """A folder whose knowledge may break the safety rules: all that comes of it says so."""

    __slots__ = ()


def absolute(folder: str | Path) -> str:
    """A folder of knowledge as another process finds it, unsafe where it was."""
    kind = UnsafeFolder if isinstance(folder, UnsafeFolder) else str
    return kind(Path(folder).resolve())


@dataclass(frozen=True, slots=True)
class Condition:
    """A named diagnosis: states of one fault variable."""

    name: str
    title: str
    variable: str
    states: tuple[str, ...]


class Measured(NamedTuple):
    """A finding, and one of the amounts that say the same in numbers."""

    finding: Node
    amount: Amount


@dataclass(frozen=True, eq=False, init=False)
class Knowledge:
    """Everything that the knowledge files of a folder say, by name and in file order.

    Read once in a process for the same content, so that an edited file is never answered from
    memory; the shipped knowledge when no folder is named. ``digest`` is a hash of that content:
    the version of the knowledge in force. What is read from an :class:`UnsafeFolder` is ``unsafe``
    and has it in its digest, so that no result of it can be taken for one of safe knowledge.

    Raises:
        KnowledgeError: naming file, table and key, and the nearest valid spelling.
    """

    nodes: Mapping[str, Node]
    contexts: Mapping[str, Context]
    conditions: Mapping[str, Condition]
    tests: Mapping[str, Test]
    set_ups: Mapping[str, SetUp]
    services: Mapping[str, Service]
    harms: Mapping[str, Harm]
    prices: Mapping[str, Any]
    cautions: Mapping[str, Caution]
    stops: Mapping[str, Stop]
    sources: Mapping[str, Source]
    scope: Scope
    readers: Readers
    digest: str
    unsafe: bool
    texts: Mapping[str, str]  # of the files, by name

    def __new__(cls, folder: str | Path | None = None) -> Knowledge:
        """The knowledge of a folder, from memory where nothing in it has changed."""
        names = (*NODE_FILES.values(), *OTHER_FILES, *SHIPPED_UNLESS_GIVEN)
        texts = [(name, _text(folder, name)) for name in names]
        own = (n for n in (TABLES, READERS, PHOTO, SET_UPS) if _root(folder).joinpath(n).is_file())
        texts += [(name, _text(folder, name)) for name in own]
        return _parsed(tuple(texts), isinstance(folder, UnsafeFolder))

    @classmethod
    def of_texts(cls, texts: Mapping[str, str], unsafe: bool = False) -> Knowledge:
        """The knowledge that files of these names and texts hold; ``unsafe`` as it was then."""
        for name in (*NODE_FILES.values(), *OTHER_FILES, *SHIPPED_UNLESS_GIVEN):
            if name not in texts:
                raise KnowledgeError(f"{name}: there is no such file in this version")
        return _parsed(tuple(texts.items()), unsafe)

    def __reduce__(self) -> tuple[Any, ...]:
        return _made, (dict(vars(self)),)

    def changed(self, **parts: object) -> Knowledge:
        """The knowledge with some of its attributes exchanged."""
        return _made({**vars(self), **parts})

    def of_kind(self, *kinds: str) -> dict[str, Node]:
        """Nodes of the given kinds, in file order (``fault``, ``finding``, ``gauge`` ...)."""
        return _of_kind(self, kinds)

    def title(self, name: str) -> str:
        """What a name is called: whatever may be recorded, decided or done; else its words."""
        of_work = (self.tests, self.set_ups, self.services)
        for known in (self.nodes, self.contexts, *of_work, self.conditions):
            if name in known and (title := getattr(known[name], "title", "")):
                return str(title)
        measured = self.amounts.get(name)
        return measured.amount.title if measured else sentence(spaced(name))

    def told(self, text: str) -> str:
        """A remark with titles in place of the names that stand in it."""

        def titled(match: re.Match[str]) -> str:
            name = match[0]
            is_name = "_" in name or name in self.nodes or name in self.contexts
            return lowered(self.title(name)) if is_name else name

        return _NAME.sub(titled, text)

    @property
    def gauges(self) -> dict[str, Gauge]:
        """The readings, in file order."""
        return _gauges(self)

    @property
    def amounts(self) -> dict[str, Measured]:
        """Readings that say in numbers what a finding says in words, in file order."""
        return _amounts(self)

    def children_of(self, name: str) -> tuple[str, ...]:
        """Nodes that depend on a node, in file order."""
        return tuple(child.name for child in self.nodes.values() if name in parents_of(child))

    def node(self, name: str) -> Node:
        """Node by name; :class:`UnknownName` says the nearest spelling."""
        if name not in self.nodes:
            raise unknown_name("node", name, self.nodes)
        return self.nodes[name]

    def condition(self, name: str) -> Condition:
        """Condition by name; :class:`UnknownName` says the nearest spelling."""
        if name not in self.conditions:
            raise unknown_name("condition", name, self.conditions)
        return self.conditions[name]


def _made(parts: Mapping[str, object]) -> Knowledge:
    knowledge = object.__new__(Knowledge)
    vars(knowledge).update(parts)
    return knowledge


@lru_cache(maxsize=64)
def _of_kind(knowledge: Knowledge, kinds: tuple[str, ...]) -> dict[str, Node]:
    return {name: node for name, node in knowledge.nodes.items() if node.kind in kinds}


@lru_cache(maxsize=16)
def _gauges(knowledge: Knowledge) -> dict[str, Gauge]:
    return {name: node for name, node in knowledge.nodes.items() if isinstance(node, Gauge)}


@lru_cache(maxsize=16)
def _amounts(knowledge: Knowledge) -> dict[str, Measured]:
    return {
        name: Measured(node, amount)
        for node in knowledge.nodes.values()
        for name, amount in node.amounts.items()
    }


@lru_cache(maxsize=4)
def _parsed(texts: tuple[tuple[str, str], ...], unsafe: bool) -> Knowledge:
    tables = {name: _toml(name, text) for name, text in texts if name != TABLES}
    worked_out = read_tables(dict(texts).get(TABLES, ""))
    nodes: dict[str, Node] = {}
    for sort, file in NODE_FILES.items():
        for name, entry in tables[file].items():
            if name in nodes:
                raise KnowledgeError(f"{file}: {name} is already a {nodes[name].kind}")
            nodes[name] = read_node(name, sort, entry, file)
            if name in worked_out:
                nodes[name] = with_tables(nodes[name], worked_out.pop(name))
    if worked_out:
        raise KnowledgeError(f"{TABLES}: {next(iter(worked_out))} is no gauge of readings.toml")
    for node in nodes.values():
        for name in node.amounts.keys() & nodes.keys():
            raise KnowledgeError(
                f"{node.file}: {node.name}.amounts: {name} is a {nodes[name].kind}"
            )
    parts: dict[str, Any] = {
        stem: {n: read_one(stem, n, table) for n, table in tables.get(f"{stem}.toml", {}).items()}
        for stem in RECORDS
    }
    parts["tests"], parts["set_ups"] = with_soaks(parts["tests"], parts["set_ups"])
    return _made(
        parts
        | {
            "nodes": nodes,
            "conditions": _conditions(nodes),
            "scope": read_record(Scope, tables["scope.toml"], "scope.toml", "scope"),
            "prices": tables["prices.toml"],
            "readers": read_readers(tables.get(READERS, {}), nodes),
            "digest": digest_of(dict(texts), unsafe),
            "unsafe": unsafe,
            "texts": dict(texts),
        }
    )


UNSAFE_MARK = "-unsafe"
"""End of the digest of knowledge that was let through though it breaks a safety rule."""


def digest_of(texts: Mapping[str, str], unsafe: bool) -> str:
    """Version of the knowledge that files of these names and texts hold."""
    content = "\0".join(text for _, text in sorted(texts.items()))
    return hashlib.sha256(content.encode()).hexdigest()[:16] + UNSAFE_MARK * unsafe


RECORDS: Mapping[str, type[msgspec.Struct]] = {
    "contexts": Context,
    "tests": Test,
    "set_ups": SetUp,
    "services": Service,
    "cautions": Caution,
    "stops": Stop,
    "sources": Source,
    "harms": Harm,
}
"""What stands in the files that hold no nodes."""


def read_one(stem: str, name: str, entry: object) -> msgspec.Struct:
    """One record of a file that holds no nodes.

    Raises:
        KnowledgeError: naming file, table and key.
    """
    kind = RECORDS[stem]
    if kind is Harm:
        return read_harm(name, entry)
    given = {"name": name} if "name" in kind.__struct_fields__ else {}
    record = read_record(kind, entry, f"{stem}.toml", name, given)
    if isinstance(record, Context):
        values, shares, where = record.values, record.shares, f"contexts.toml: {name}"
        if shares and (len(shares) != len(values) or abs(sum(shares) - 1) > 1e-9):
            raise KnowledgeError(f"{where}: shares must match values and sum to one")
        if not values and math.isnan(record.typical):
            raise KnowledgeError(f"{where} needs 'values', or a number 'typical'")
        rising = list(record.edges) == sorted(set(record.edges))
        if record.edges and not (rising and len(record.edges) == len(values) - 1):
            problem = f"{len(values)} values need that many edges less one, rising"
            raise KnowledgeError(f"{where}: {problem}")
    return record


def _root(folder: str | Path | None) -> Traversable | Path:
    """The folder, or that of the shipped knowledge."""
    from importlib import resources

    return Path(folder) if folder else resources.files("loopodds_data")


def _text(folder: str | Path | None, name: str) -> str:
    root = _root(folder)
    if name in SHIPPED_UNLESS_GIVEN and not root.joinpath(name).is_file():
        root = _root(None)
    try:
        return root.joinpath(name).read_text(encoding="utf-8")
    except (OSError, UnicodeDecodeError) as error:
        raise KnowledgeError(f"{name}: cannot be read: {error}") from error


def _toml(name: str, text: str) -> dict[str, Any]:
    import tomllib

    try:
        return tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise KnowledgeError(f"{name}: not valid TOML: {error}") from error


def _conditions(nodes: Mapping[str, Node]) -> dict[str, Condition]:
    conditions: dict[str, Condition] = {}
    for node in nodes.values():
        for name, states in node.conditions.items():
            if name in conditions:
                raise KnowledgeError(f"faults.toml: condition {name} is defined twice")
            own = node.title if len(node.conditions) == 1 else spaced(name).capitalize()
            title = node.titles.get(name, own)
            conditions[name] = Condition(name, title, node.name, states)
    return conditions
