"""Checks of one node of the knowledge: all it names exists, its numbers cover what they must."""

from __future__ import annotations

import itertools
from collections.abc import Iterator, Mapping

import numpy as np

from loopodds.base.errors import KnowledgeError, unknown_name
from loopodds.inspection.encoding import encode
from loopodds.inspection.inspection import InspectionBatch
from loopodds.inspection.vocabulary import CHOICES, reading_dimension
from loopodds.knowledge.guards import Slip, context_texts, unknown_texts
from loopodds.knowledge.nodes import Gauge, Graded, Node, Tabular, lists_of, matches, mentions
from loopodds.knowledge.records import Knowledge

HIDDEN = ("fault", "mechanism", "history")
PROBE = 300.0
"""A reading that can be turned into any scale: a pressure [kPa] within both saturation curves."""


def node_problems(node: Node, knowledge: Knowledge) -> Iterator[Slip]:
    """Everything wrong with a node and with each of its variants, each text once."""
    texts = dict.fromkeys(_own_texts(node, knowledge))
    try:
        for version in node.versions():
            texts.update(dict.fromkeys(_distribution_texts(version, knowledge)))
    except KnowledgeError as error:
        texts[str(error).removeprefix(f"{node.file}: ")] = None
    yield from (Slip(node.file, node.name, text) for text in texts)
    if isinstance(node, Tabular) and not texts:
        yield from _shadowed(node, knowledge)


def _own_texts(node: Node, knowledge: Knowledge) -> Iterator[str]:
    """Labels, and references outside the distribution: contexts, masks, complaints, units."""
    if not node.about:
        yield "needs a text 'about'"
    if node.group == node.kind:
        yield "needs a text 'group'"
    for variant in node.variants:
        yield from context_texts(variant.when, "variants", knowledge)
    yield from unknown_texts("titles", "condition", node.titles, node.conditions)
    yield from unknown_texts("complaint", "state", node.complaint, node.states)
    seen = knowledge.of_kind("finding")
    yield from unknown_texts("masked_by", "finding", node.masked_by, seen)
    for name in [name for name in node.masked_by if name in seen]:
        known = seen[name].states
        yield from unknown_texts(f"masked_by.{name}", "state", node.masked_by[name], known)
    if node.kind == "gauge" and set(node.masked_by) <= set(seen):
        yield from _gauge_texts(node, knowledge)


def _gauge_texts(node: Node, knowledge: Knowledge) -> Iterator[str]:
    if not isinstance(node, Gauge):
        yield 'a reading needs distribution = "gauge"'
        return
    if node.possible and not node.possible[0] < node.possible[1]:
        yield "possible: two numbers, the lower one first"
    try:
        reading_dimension(node.name, knowledge)
        encode(_every_car(node.name), knowledge)
    except KnowledgeError as error:
        yield str(error).removeprefix(f"{node.file}: {node.name}: ")


def _every_car(reading: str) -> InspectionBatch:
    """One reading taken on every kind of car, in the warm and in the cold."""
    cars = np.array(list(itertools.product(*(range(len(v)) for v in CHOICES.values()), [10, 30])))
    return InspectionBatch(
        len(cars),
        readings={reading: np.full(len(cars), PROBE)},
        choices={name: cars[:, i] for i, name in enumerate(CHOICES)},
        numbers={"ambient_c": cars[:, -1].astype(float)},
    )


def _distribution_texts(node: Node, knowledge: Knowledge) -> Iterator[str]:
    if node.kind == "history" and not (isinstance(node, Tabular) and not node.parents):
        yield "history has no parents"
    for where, parent, states in mentions(node):
        yield from _parent_texts(where, parent, states, knowledge)
    for where, levels in lists_of(node):
        settings = knowledge.contexts["setting"].values if "setting" in knowledge.contexts else ()
        if isinstance(levels, Mapping) and set(levels) != set(settings):
            yield f"{where}: one list for each of {', '.join(settings)} is needed"
    if isinstance(node, Gauge):
        for sound in node.sound:
            yield from context_texts(sound.when, "sound", knowledge)
        for shift in node.shifts:
            yield from context_texts(shift.when, f"shifts.{shift.parent}", knowledge)
    if isinstance(node, Graded):
        yield from _effect_texts(node, knowledge)


def _parent_texts(
    where: str, parent: str, states: tuple[str, ...], knowledge: Knowledge
) -> Iterator[str]:
    if parent not in knowledge.nodes:
        yield f"{where}: {unknown_name('node', parent, knowledge.of_kind(*HIDDEN))}"
        return
    node = knowledge.nodes[parent]
    if node.kind not in HIDDEN:
        yield f"{where}: {parent} is a {node.kind}; only faults, mechanisms and history are causes"
    yield from unknown_texts(where, f"state of {parent}", states, node.states)


def _effect_texts(node: Graded, knowledge: Knowledge) -> Iterator[str]:
    """A cause named twice, and effects of the state in which the cause is not there."""
    parents = [cause.parent for cause in node.causes]
    for parent in dict.fromkeys(p for p in parents if parents.count(p) > 1):
        yield f"causes: {parent} is named twice"
    for cause in node.causes:
        named = knowledge.nodes.get(cause.parent)
        if named is not None and named.states[0] in cause.effects:
            yield f"causes.{cause.parent}: {named.states[0]} is the state without an effect"


def _shadowed(node: Tabular, knowledge: Knowledge) -> Iterator[Slip]:
    """Rows that never hold because earlier ones cover all they cover."""
    states = [knowledge.nodes[parent].states for parent in node.parents]
    used = set()
    for combination in itertools.product(*states):
        config = dict(zip(node.parents, combination, strict=True))
        hit = next((i for i, row in enumerate(node.rows) if matches(row.when, config)), None)
        if hit is None:
            yield Slip(node.file, node.name, f"rows: none covers {_shown(config)}")
        used.add(hit)
    for i, row in enumerate(node.rows):
        if i not in used:
            text = f"rows[{i + 1}] ({_shown(row.when)}) never holds: earlier rows cover it"
            yield Slip(node.file, node.name, text)


def _shown(when: Mapping[str, str]) -> str:
    return ", ".join(f"{key} {value}" for key, value in when.items())
