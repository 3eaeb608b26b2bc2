"""Nodes of the knowledge files from their TOML tables, every slip named by file, node and block."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any

from loopodds.base.errors import KnowledgeError
from loopodds.knowledge.nodes import (
    Cause,
    Graded,
    Grounds,
    Levels,
    Node,
    Override,
    Record,
    Row,
    Shape,
    Shift,
    Sound,
    Table,
    When,
    matches,
)

GRADES = ("standard", "handbook", "measured", "common-practice", "estimate")


def in_context(node: Node, context: When) -> Node:
    """A node with every variant applied whose contexts hold, in file order."""
    matching = [override for when, override in node.variants if matches(when, context)]
    if not matching:
        return node
    raw = dict(node.raw)
    for override in matching:
        raw.update(override)
    return parse_node(node.name, node.kind, raw, node.file)


def take_grounds(entry: Record, file: str, where: str, inherited: Grounds | None) -> Grounds:
    """Source, grade and weight of a block, or those of its node.

    Raises
    ------
    KnowledgeError
        If neither says where the numbers come from.
    """
    keys = ("source", "grade", "weight")
    if inherited is not None and not any(key in entry for key in keys):
        return inherited
    base = (
        {"source": inherited.source, "grade": inherited.grade, "weight": inherited.weight}
        if inherited
        else {}
    )
    merged = {**base, **{key: entry[key] for key in keys if key in entry}}
    for key in keys:
        if key not in merged:
            raise KnowledgeError(f"{file}: {where} does not say its {key}")
    if merged["grade"] not in GRADES:
        raise KnowledgeError(f"{file}: {where}: grade {merged['grade']!r} is none of {GRADES}")
    weight = _number(merged["weight"], file, f"{where}.weight")
    if weight <= 0:
        raise KnowledgeError(f"{file}: {where}: weight must be above zero")
    return Grounds(str(merged["source"]), str(merged["grade"]), weight)


def parse_node(name: str, kind: str, entry: Record, file: str) -> Node:
    """Typed node from its TOML table.

    Raises
    ------
    KnowledgeError
        Naming file, node and block.
    """
    if not isinstance(entry, Mapping):
        raise KnowledgeError(f"{file}: {name} must be a table")
    _only_known_keys(entry, file, name)
    grounds = take_grounds(entry, file, name, None)
    states = _states(name, kind, entry, file)
    distribution = _distribution(entry, states, file, name, grounds)
    conditions = entry.get("conditions")
    if conditions is None:
        conditions = {name: states[1:]} if kind == "fault" else {}
    misspelt = [s for c in conditions.values() for s in c if s not in states]
    if misspelt:
        raise KnowledgeError(f"{file}: {name}.conditions: no state {misspelt[0]!r}")
    variants = entry.get("variants", ())
    return Node(
        name=name,
        kind=kind,
        title=str(entry.get("title", name.replace("_", " "))),
        about=str(entry.get("about", "")),
        group=str(entry.get("group", kind)),
        states=states,
        distribution=distribution,
        grounds=grounds,
        conditions={key: tuple(value) for key, value in conditions.items()},
        complaint=tuple(entry.get("complaint", ())),
        question=str(entry.get("question", "")),
        quantity=str(entry.get("quantity", "")),
        transform=str(entry.get("transform", "plain")),
        scale=str(entry.get("scale", "")),
        masked_by={k: tuple(v) for k, v in entry.get("masked_by", {}).items()},
        file=file,
        variants=tuple((v["when"], {k: x for k, x in v.items() if k != "when"}) for v in variants),
        raw={key: value for key, value in entry.items() if key != "variants"},
    )


_KNOWN = {
    "title", "about", "group", "states", "distribution", "convention", "parents", "rows", "leak",
    "causes", "conditions", "complaint", "question", "quantity", "transform", "scale", "spread",
    "misreading", "possible", "words", "cuts", "masked_by", "sound", "shifts", "overrides",
    "variants", "source", "grade", "weight",
}  # fmt: skip


def _only_known_keys(entry: Record, file: str, name: str) -> None:
    for key in entry:
        if key not in _KNOWN:
            raise KnowledgeError(f"{file}: {name}: unknown key {key!r}")


def _states(name: str, kind: str, entry: Record, file: str) -> tuple[str, ...]:
    states = entry.get("states", entry.get("words"))
    if kind == "history":
        states = ["no", "yes"] if states is None else states
    if not isinstance(states, list) or len(states) < 2 or len(set(states)) != len(states):
        raise KnowledgeError(f"{file}: {name} needs at least two different states")
    return tuple(str(state) for state in states)


def _distribution(
    entry: Record, states: tuple[str, ...], file: str, name: str, grounds: Grounds
) -> Table | Graded | Shape:
    kind = entry.get("distribution")
    if kind == "table":
        return _table(entry, states, file, name, grounds)
    if kind == "graded":
        return _graded(entry, states, file, name, grounds)
    if kind == "gauge":
        return _shape(entry, states, file, name, grounds)
    raise KnowledgeError(f"{file}: {name}: distribution is table, graded or gauge, not {kind!r}")


def _table(entry: Record, states: tuple[str, ...], file: str, name: str, grounds: Grounds) -> Table:
    rows = tuple(
        Row(
            row.get("when", {}),
            _levels(row.get("p"), len(states), file, f"{name}.rows[{i}]"),
            take_grounds(row, file, f"{name}.rows[{i}]", grounds),
        )
        for i, row in enumerate(entry.get("rows", ()), start=1)
    )
    if not rows:
        raise KnowledgeError(f"{file}: {name}: a table needs rows")
    return Table(tuple(entry.get("parents", ())), rows)


def _graded(
    entry: Record, states: tuple[str, ...], file: str, name: str, grounds: Grounds
) -> Graded:
    if entry.get("convention") != "net":
        raise KnowledgeError(f'{file}: {name}: a graded node must state convention = "net"')
    leak = entry.get("leak", {})
    causes = []
    for i, cause in enumerate(entry.get("causes", ()), start=1):
        where = f"{name}.causes[{i}]"
        effects = {
            state: _levels(p, len(states), file, f"{where}.{state}")
            for state, p in cause.get("effects", {}).items()
        }
        causes.append(
            Cause(
                str(cause.get("parent")),
                effects,
                cause.get("weakened_by", {}),
                take_grounds(cause, file, where, grounds),
            )
        )
    return Graded(
        _levels(leak.get("p"), len(states), file, f"{name}.leak"),
        take_grounds(leak, file, f"{name}.leak", grounds),
        tuple(causes),
    )


def _shape(entry: Record, states: tuple[str, ...], file: str, name: str, grounds: Grounds) -> Shape:
    cuts = tuple(_number(c, file, f"{name}.cuts") for c in entry.get("cuts", ()))
    if len(cuts) != len(states) - 1 or list(cuts) != sorted(cuts):
        raise KnowledgeError(f"{file}: {name}: {len(states)} words need that many cuts less one")
    misreading = entry.get("misreading", {})
    return Shape(
        _number(entry.get("spread"), file, f"{name}.spread"),
        _number(misreading.get("share"), file, f"{name}.misreading.share"),
        _number(misreading.get("spread"), file, f"{name}.misreading.spread"),
        cuts,
        tuple(_sound(s, file, name, grounds) for s in entry.get("sound", ())),
        tuple(_shift(s, file, name, grounds) for s in entry.get("shifts", ())),
        tuple(_override(o, file, name, grounds) for o in entry.get("overrides", ())),
    )


def _sound(entry: Record, file: str, name: str, grounds: Grounds) -> Sound:
    def number(key: str, default: float | None = 0.0) -> float:
        return _number(entry.get(key, default), file, f"{name}.sound.{key}")

    return Sound(
        entry.get("when", {}),
        number("expected", None),
        number("per_ambient"),
        number("per_humidity"),
        number("spread"),
        take_grounds(entry, file, f"{name}.sound", grounds),
    )


def _pair(value: Any, file: str, where: str) -> tuple[float, float]:
    if not isinstance(value, list) or len(value) != 2:
        raise KnowledgeError(f"{file}: {where} must be [mean, standard deviation]")
    return _number(value[0], file, where), _number(value[1], file, where)


def _shift(entry: Record, file: str, name: str, grounds: Grounds) -> Shift:
    parent = str(entry.get("parent"))
    where = f"{name}.shifts.{parent}"
    return Shift(
        parent,
        {state: _pair(v, file, f"{where}.{state}") for state, v in entry["shift"].items()},
        entry.get("when", {}),
        take_grounds(entry, file, where, grounds),
    )


def _override(entry: Record, file: str, name: str, grounds: Grounds) -> Override:
    where = f"{name}.overrides"
    mean, spread = _pair(entry.get("shift"), file, where)
    return Override(entry.get("when", {}), mean, spread, take_grounds(entry, file, where, grounds))


def _levels(value: Any, count: int, file: str, where: str) -> Levels:
    lists = value if isinstance(value, Mapping) else {"": value}
    checked = {}
    for setting, numbers in lists.items():
        if not isinstance(numbers, list) or len(numbers) != count:
            raise KnowledgeError(f"{file}: {where}: {count} probabilities expected, got {numbers}")
        levels = tuple(_number(x, file, where) for x in numbers)
        if min(levels) < 0 or abs(sum(levels) - 1) > 1e-9:
            raise KnowledgeError(f"{file}: {where}: {numbers} sums to {sum(levels):.12g}, not 1")
        checked[setting] = levels
    return Levels(checked)


def _number(value: Any, file: str, where: str) -> float:
    if isinstance(value, bool) or not isinstance(value, int | float) or not math.isfinite(value):
        raise KnowledgeError(f"{file}: {where}: a number is needed, not {value!r}")
    return float(value)
