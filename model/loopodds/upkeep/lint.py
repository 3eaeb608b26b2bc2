"""Checks of the knowledge files beyond what reading them needs: does everything fit together?

Reading stops at the first error; these checks list every problem, with its file and its entry.
"""

import itertools
import tomllib
from collections.abc import Collection, Iterator, Mapping
from graphlib import CycleError, TopologicalSorter
from importlib import resources
from pathlib import Path
from typing import Any, NamedTuple

import msgspec
import numpy as np

from loopodds.base.errors import KnowledgeError, LoopoddsError, unknown_name
from loopodds.inference.junction import JunctionTree, plan_of
from loopodds.inspection.encoding import encode
from loopodds.inspection.inspection import InspectionBatch
from loopodds.inspection.vocabulary import CHOICES, reading_dimension
from loopodds.knowledge.assembly import build_network, node_arrays
from loopodds.knowledge.blocks import matches
from loopodds.knowledge.guards import (
    Slip,
    context_texts,
    order_slips,
    reference_texts,
    unknown_texts,
)
from loopodds.knowledge.nodes import Gauge, Graded, Node, Tabular, mentions, parents_of, read_node
from loopodds.knowledge.records import NODE_FILES, OTHER_FILES, PHOTO, SET_UPS, Knowledge, read_one
from loopodds.knowledge.safeguards import safety_slips
from loopodds.knowledge.tables import TABLES
from loopodds.upkeep.work_lint import work_slips

Files = Mapping[str, Mapping[str, Any]]
HIDDEN = ("fault", "mechanism", "history")
PROBE = 300.0
"""A reading that can be turned into any scale: a pressure [kPa] within both saturation curves."""


class Size(NamedTuple):
    """How large the knowledge is: nodes, and configurations of the cliques of its tree."""

    nodes: int
    configurations: int  # the same in every context: variants do not change what depends on what


def size_of(knowledge: Knowledge) -> Size:
    """Size of a knowledge that has no problems, by which the time of every answer goes.

    Raises:
        KnowledgeError: if the network cannot be made.
        TooLarge: if exact inference in it would not fit in memory.
    """
    network = build_network(knowledge, _first_context(knowledge))
    return Size(len(knowledge.nodes), plan_of(network).space)


def lint(folder: str | Path | None = None) -> list[Slip]:
    """Every problem of the knowledge in a folder, of the shipped one when that is left out.

    If the files cannot be read as knowledge at all, only what stands in the way of that.
    """
    files: dict[str, Mapping[str, Any]] = {}
    problems = list(_unread(folder, files)) or list(_unparsed(files))
    if problems:
        return problems
    try:
        knowledge = Knowledge(folder)
    except LoopoddsError as error:
        return [_of_error(error)]
    problems = [p for node in knowledge.nodes.values() for p in _node_problems(node, knowledge)]
    problems += work_slips(knowledge)
    problems += order_slips(knowledge)
    problems += safety_slips(knowledge)
    problems += _source_problems({**files, TABLES: _worked_out(knowledge), **_of_photos(folder)})
    problems += _cycles(knowledge)
    problems += _unobserved(knowledge)
    if all(problem.warning for problem in problems):
        problems += _uncompiled(knowledge)
    return problems


def _unread(folder: str | Path | None, files: dict[str, Mapping[str, Any]]) -> Iterator[Slip]:
    """Fill ``files`` with every file that is TOML; yield the others."""
    root = Path(folder) if folder is not None else resources.files("loopodds_data")
    own = (SET_UPS,) if root.joinpath(SET_UPS).is_file() else ()
    for name in (*NODE_FILES.values(), *OTHER_FILES, *own):
        try:
            files[name] = tomllib.loads(root.joinpath(name).read_text(encoding="utf-8"))
        except OSError as error:
            yield Slip(name, "file", f"cannot be read: {error.strerror}")
        except (UnicodeDecodeError, tomllib.TOMLDecodeError) as error:
            yield Slip(name, "file", f"not valid TOML: {error}")


def _unparsed(files: Files) -> Iterator[Slip]:
    """Tables that cannot be read, each with the first thing wrong with it."""
    kinds = {file: kind for kind, file in NODE_FILES.items()}
    for file, tables in files.items():
        for name, table in tables.items() if file != "prices.toml" else ():
            try:
                if file in kinds:
                    read_node(name, kinds[file], table, file)
                else:
                    read_one(file.removesuffix(".toml"), name, table)
            except LoopoddsError as error:
                yield _of_error(error, file, name)


def _of_error(error: LoopoddsError, file: str = "knowledge", name: str = "files") -> Slip:
    """An error of the reader, which says ``file: node...: text`` in its own message."""
    text = str(error)
    if text.partition(":")[0].endswith(".toml"):
        file, _, text = text.partition(": ")
    for mark in (": ", ".", " "):
        text = text.removeprefix(f"{name}{mark}")
    return Slip(file, name, text)


def _worked_out(knowledge: Knowledge) -> Mapping[str, Any]:
    """The tables of gauges as plain data, as the other files are."""
    gauges = knowledge.gauges.values()
    return {gauge.name: msgspec.to_builtins(gauge.tables) for gauge in gauges if gauge.tables}


def _of_photos(folder: str | Path | None) -> dict[str, Mapping[str, Any]]:
    """What is said of photos, where the folder says anything; it was read with the knowledge."""
    path = (Path(folder) if folder is not None else resources.files("loopodds_data")) / PHOTO
    return {PHOTO: tomllib.loads(path.read_text(encoding="utf-8"))} if path.is_file() else {}


def _source_problems(files: Files) -> Iterator[Slip]:
    """Sources that are named and missing, numbers without one, and sources nobody names."""
    known = files["sources.toml"]
    used: set[str] = set()
    for file in [file for file in files if file != "sources.toml"]:
        for name, entry in files[file].items():
            leaves = list(_leaves("", entry))
            named = {value for key, value in leaves if key == "source" and isinstance(value, str)}
            used |= named
            for source in sorted(named - set(known)):
                yield Slip(file, name, str(unknown_name("source", source, known)))
            number = any(type(value) in (int, float) for _, value in leaves)
            if number and not named and "source" not in files[file]:
                yield Slip(file, name, "numbers without a source")
    for name in known:
        if name not in used:
            yield Slip("sources.toml", name, "nothing names it", warning=True)


def _leaves(key: str, entry: Any) -> Iterator[tuple[str, Any]]:
    """Everything below an entry that is no table and no list, with the key next above it.

    In no order, with a stack of its own: tables of gauges hold a hundred thousand numbers.
    """
    waiting = [(key, entry)]
    while waiting:
        key, entry = waiting.pop()
        if isinstance(entry, dict):
            waiting.extend(entry.items())
        elif isinstance(entry, list | tuple):
            waiting.extend((key, value) for value in entry)
        else:
            yield key, entry


def _cycles(knowledge: Knowledge) -> Iterator[Slip]:
    hidden = knowledge.of_kind(*HIDDEN)
    parents = {
        name: [parent for parent in parents_of(node) if parent in hidden]
        for name, node in hidden.items()
    }
    try:
        TopologicalSorter(parents).prepare()
    except CycleError as error:
        ring = error.args[1]
        yield Slip(hidden[ring[0]].file, ring[0], f"causes run in a ring: {' -> '.join(ring)}")


def _unobserved(knowledge: Knowledge) -> Iterator[Slip]:
    """Faults on which no finding and no reading depends, directly or through others."""
    waiting = list(knowledge.of_kind("finding", "gauge"))
    bearing: set[str] = set()
    while waiting:
        node = knowledge.nodes.get(waiting.pop())
        parents = set(parents_of(node)) - bearing if node else set()
        bearing |= parents
        waiting.extend(parents)
    for name, fault in knowledge.of_kind("fault").items():
        if name not in bearing:
            yield Slip(fault.file, name, "nothing observes it: no finding or reading depends on it")


def _uncompiled(knowledge: Knowledge) -> Iterator[Slip]:
    """Nodes that cannot be made in some context, else a network that cannot be compiled.

    What is stated in part is an average of what is stated in full, so that those contexts and the
    one with the least stated are all there is to try; parents are the same in every context.
    """
    slips: dict[str, Slip] = {}
    for node in knowledge.nodes.values():
        for context in _contexts(knowledge, node.context_keys()):
            try:
                node_arrays(node, knowledge, context)
            except LoopoddsError as error:
                slips.setdefault(str(error), _of_error(error))
    yield from slips.values()
    if not slips:
        try:
            JunctionTree(build_network(knowledge, _first_context(knowledge)))
        except LoopoddsError as error:
            yield _of_error(error)


def _first_context(knowledge: Knowledge) -> dict[str, str]:
    """A context in which all is stated that bears on a node."""
    keys = {key for node in knowledge.nodes.values() for key in node.context_keys()}
    return next(_contexts(knowledge, keys))


def _contexts(knowledge: Knowledge, keys: Collection[str]) -> Iterator[dict[str, str]]:
    """Every combination of some contexts, and what has to be stated where nothing is."""
    own = [c for name, c in knowledge.contexts.items() if c.values and name in keys]
    for combination in itertools.product(*(context.values for context in own)):
        yield {context.name: value for context, value in zip(own, combination, strict=True)}
    yield {context.name: context.values[0] for context in own if not context.shares}


def _node_problems(node: Node, knowledge: Knowledge) -> Iterator[Slip]:
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
    yield from (*_brought_in_texts(node), *reference_texts(node, knowledge))
    seen = knowledge.of_kind("finding")
    for key, others in (("masked_by", node.masked_by), ("veiled_by", node.veiled_by)):
        yield from unknown_texts(key, "finding", others, seen)
        for name in others.keys() & seen.keys():
            yield from unknown_texts(f"{key}.{name}", "state", others[name], seen[name].states)
    if node.kind == "gauge" and node.masked_by.keys() <= seen.keys():
        yield from _gauge_texts(node, knowledge)


def _brought_in_texts(node: Node) -> Iterator[str]:
    """Of what brings a car in: complaints of the driver, all of them, likelier than the rest."""
    chances = node.brings_in
    yield from unknown_texts("brings_in", "state", chances, node.states)
    if (node.complaint or chances) and node.kind != "finding":
        yield "only a finding is a complaint"
    lacking = [state for state in node.complaint if state not in chances]
    if lacking:
        yield f"brings_in: how often a car is brought in for {lacking[0]!r} is needed"
    background = max((p for s, p in chances.items() if s not in node.complaint), default=0.0)
    if any(chances.get(state, 1.0) <= background for state in node.complaint):
        yield "brings_in: a complaint has to bring in oftener than what is none"


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
    if isinstance(node, Gauge):
        for sound in node.sounds():
            yield from context_texts(sound.when, "sound", knowledge)
            yield from unknown_texts("sound.over", "condition", sound.over, knowledge.contexts)
        for shift in node.moves():
            yield from context_texts(shift.when, f"shifts.{shift.parent}", knowledge)
        for pair in node.pairs():
            yield from context_texts(pair.when, "together", knowledge)
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
    used = set()
    for combination in itertools.product(*(knowledge.nodes[p].states for p in node.parents)):
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
