"""The knowledge files as typed records: nodes, contexts, tests, services, sources.

The files are the only place that knows about air-conditioning. This module reads them, checks
that every number block names its source, grade and weight, and hands out immutable records.
What a record means as arrays is the business of :mod:`loopodds.knowledge.distributions`.
"""

from __future__ import annotations

import hashlib
import math
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import lru_cache
from importlib import resources
from pathlib import Path
from typing import Any

from loopodds.base.errors import KnowledgeError, unknown_name
from loopodds.knowledge.nodes import Grounds, Node
from loopodds.knowledge.parsing import parse_node, take_grounds

NODE_FILES = {
    "fault": "faults.toml",
    "mechanism": "mechanisms.toml",
    "history": "history.toml",
    "finding": "findings.toml",
    "gauge": "readings.toml",
}
OTHER_FILES = (
    "contexts.toml",
    "tests.toml",
    "services.toml",
    "harms.toml",
    "prices.toml",
    "cautions.toml",
    "sources.toml",
)

Record = Mapping[str, Any]


@dataclass(frozen=True, slots=True)
class Context:
    """Something known with the inspection: a choice among values, or a number with a typical one.

    ``shares`` weigh the values when the inspection does not say; ``typical`` and
    ``unknown_spread`` (standard deviation) do the same for a number.
    """

    name: str
    title: str
    about: str
    values: tuple[str, ...]
    shares: tuple[float, ...]
    typical: float
    unknown_spread: float
    grounds: Grounds


@dataclass(frozen=True, slots=True)
class Test:
    """Something the technician does that yields findings or readings."""

    name: str
    title: str
    about: str
    yields: tuple[str, ...]
    minutes: float
    cost: float
    engine: str
    after: tuple[str, ...]
    destroys: tuple[str, ...]
    skill: tuple[str, ...]
    cautions: tuple[str, ...]
    grounds: Grounds
    extra: Record


@dataclass(frozen=True, slots=True)
class Service:
    """Something done to the car; ``cures`` maps a condition or ``variable.state`` to a chance."""

    name: str
    title: str
    about: str
    cures: Mapping[str, float]
    price: float
    minutes: float
    after: tuple[str, ...]
    not_with: tuple[str, ...]
    skill: tuple[str, ...]
    cautions: tuple[str, ...]
    grounds: Grounds
    extra: Record


SOUND = "sound"
"""Stands beside the conditions: every fault variable is in its sound state."""


@dataclass(frozen=True, slots=True)
class Condition:
    """A named diagnosis: a set of states of one fault variable."""

    name: str
    variable: str
    states: tuple[str, ...]


@dataclass(frozen=True, slots=True, eq=False)
class Knowledge:
    """Everything the files say, cross-referenced.

    Attributes
    ----------
    nodes : dict of str to Node
        Hidden and observable variables by name, in file order.
    conditions : dict of str to Condition
    digest : str
        Hash of the file contents: the version of the knowledge in force.
    harms_in_context : dict of str to tuple of records
        Harms that hold instead where the contexts in ``when`` do.
    """

    nodes: Mapping[str, Node]
    contexts: Mapping[str, Context]
    conditions: Mapping[str, Condition]
    tests: Mapping[str, Test]
    services: Mapping[str, Service]
    harms: Mapping[str, Mapping[str, float]]
    prices: Record
    cautions: Mapping[str, Record]
    sources: Mapping[str, Record]
    digest: str
    harms_in_context: Mapping[str, tuple[Record, ...]] = field(default_factory=dict)
    _by_kind: dict[str, dict[str, Node]] = field(default_factory=dict, repr=False)

    def of_kind(self, *kinds: str) -> dict[str, Node]:
        """Nodes of the given kinds, in file order (``fault``, ``finding``, ``gauge`` ...)."""
        key = "+".join(kinds)
        if key not in self._by_kind:
            chosen = {name: node for name, node in self.nodes.items() if node.kind in kinds}
            self._by_kind[key] = chosen
        return self._by_kind[key]

    def node(self, name: str) -> Node:
        """Node by name.

        Raises
        ------
        UnknownName
            With the nearest spelling.
        """
        if name not in self.nodes:
            raise unknown_name("node", name, self.nodes)
        return self.nodes[name]

    def condition(self, name: str) -> Condition:
        """Condition by name.

        Raises
        ------
        UnknownName
            With the nearest spelling.
        """
        if name not in self.conditions:
            raise unknown_name("condition", name, self.conditions)
        return self.conditions[name]


def load_knowledge(folder: str | Path | None = None) -> Knowledge:
    """Read the knowledge files.

    Parameters
    ----------
    folder : path, optional
        Folder with the TOML files; the shipped knowledge when left out.

    Raises
    ------
    KnowledgeError
        Naming the file, the node and what is wrong with it.
    """
    names = (*NODE_FILES.values(), *OTHER_FILES)
    return _parsed(tuple((name, _read(folder, name)) for name in names))


@lru_cache(maxsize=4)
def _parsed(texts: tuple[tuple[str, str], ...]) -> Knowledge:
    """Cached by content, so that an edited file is never answered from memory."""
    raw = {name: _toml(name, text) for name, text in texts}
    nodes: dict[str, Node] = {}
    for kind, file in NODE_FILES.items():
        for name, entry in raw[file].items():
            if name in nodes:
                raise KnowledgeError(f"{file}: {name} is already a {nodes[name].kind}")
            nodes[name] = parse_node(name, kind, entry, file)
    digest = hashlib.sha256("\0".join(text for _, text in sorted(texts)).encode()).hexdigest()
    return Knowledge(
        nodes=nodes,
        contexts={n: _context(n, e) for n, e in raw["contexts.toml"].items()},
        conditions=_conditions(nodes),
        tests={n: _test(n, e) for n, e in raw["tests.toml"].items()},
        services={n: _service(n, e) for n, e in raw["services.toml"].items()},
        harms={n: _numbers("harms.toml", n, e) for n, e in raw["harms.toml"].items()},
        prices=raw["prices.toml"],
        cautions=raw["cautions.toml"],
        sources=raw["sources.toml"],
        digest=digest[:16],
        harms_in_context={
            n: tuple(e["in_context"]) for n, e in raw["harms.toml"].items() if "in_context" in e
        },
    )


def _read(folder: str | Path | None, name: str) -> str:
    root = Path(folder) if folder else resources.files("loopodds_data")
    try:
        return root.joinpath(name).read_text(encoding="utf-8")
    except (OSError, UnicodeDecodeError) as error:
        raise KnowledgeError(f"{name}: cannot be read: {error}") from error


def _toml(name: str, text: str) -> dict[str, Any]:
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
            conditions[name] = Condition(name, node.name, states)
    return conditions


def _text(file: str, name: str, entry: Record, key: str) -> str:
    value = entry.get(key)
    if not isinstance(value, str):
        raise KnowledgeError(f"{file}: {name} needs a text {key!r}")
    return value


def _number(file: str, name: str, entry: Record, key: str, default: float | None = None) -> float:
    value = entry.get(key, default)
    if isinstance(value, bool) or not isinstance(value, int | float) or not math.isfinite(value):
        raise KnowledgeError(f"{file}: {name} needs a number {key!r}")
    return float(value)


def _numbers(file: str, name: str, entry: Any) -> dict[str, float]:
    skip = {"source", "grade", "weight", "in_context"}
    return {key: _number(file, name, entry, key) for key in entry if key not in skip}


def _context(name: str, entry: Record) -> Context:
    file = "contexts.toml"
    values = tuple(entry.get("values", ()))
    shares = tuple(float(s) for s in entry.get("shares", ()))
    if shares and (len(shares) != len(values) or abs(sum(shares) - 1) > 1e-9):
        raise KnowledgeError(f"{file}: {name}: shares must match values and sum to one")
    return Context(
        name,
        _text(file, name, entry, "title"),
        _text(file, name, entry, "about"),
        values,
        shares,
        math.nan if values else _number(file, name, entry, "typical"),
        _number(file, name, entry, "unknown_spread", 0.0),
        take_grounds(entry, file, name, None),
    )


_TEST_KEYS = {
    "title", "about", "yields", "minutes", "cost", "engine", "after", "destroys", "skill",
    "cautions", "source", "grade", "weight",
}  # fmt: skip


def _test(name: str, entry: Record) -> Test:
    file = "tests.toml"
    engine = entry.get("engine", "any")
    if engine not in ("off", "running", "any"):
        raise KnowledgeError(f"{file}: {name}: engine is off, running or any, not {engine!r}")
    return Test(
        name,
        _text(file, name, entry, "title"),
        _text(file, name, entry, "about"),
        tuple(entry.get("yields", ())),
        _number(file, name, entry, "minutes"),
        _number(file, name, entry, "cost", 0.0),
        engine,
        tuple(entry.get("after", ())),
        tuple(entry.get("destroys", ())),
        tuple(entry.get("skill", ())),
        tuple(entry.get("cautions", ())),
        take_grounds(entry, file, name, None),
        {key: value for key, value in entry.items() if key not in _TEST_KEYS},
    )


_SERVICE_KEYS = {
    "title", "about", "cures", "price", "minutes", "after", "not_with", "skill", "cautions",
    "source", "grade", "weight",
}  # fmt: skip


def _service(name: str, entry: Record) -> Service:
    file = "services.toml"
    return Service(
        name,
        _text(file, name, entry, "title"),
        _text(file, name, entry, "about"),
        _numbers(file, f"{name}.cures", entry.get("cures", {})),
        _number(file, name, entry, "price"),
        _number(file, name, entry, "minutes"),
        tuple(entry.get("after", ())),
        tuple(entry.get("not_with", ())),
        tuple(entry.get("skill", ())),
        tuple(entry.get("cautions", ())),
        take_grounds(entry, file, name, None),
        {key: value for key, value in entry.items() if key not in _SERVICE_KEYS},
    )
