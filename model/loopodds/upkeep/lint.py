"""Checks of the knowledge files beyond what reading them needs: does everything fit together?

Reading stops at the first error; these checks list every problem, with its file and its entry.
"""

import itertools
import tomllib
from collections.abc import Iterator, Mapping
from graphlib import CycleError, TopologicalSorter
from importlib import resources
from pathlib import Path
from typing import Any

import numpy as np

from loopodds.base.errors import KnowledgeError, LoopoddsError, unknown_name
from loopodds.inference.junction import JunctionTree
from loopodds.inspection.encoding import encode
from loopodds.inspection.inspection import InspectionBatch
from loopodds.inspection.vocabulary import AUXILIARY, CHOICES, reading_dimension
from loopodds.knowledge.assembly import build_network
from loopodds.knowledge.cures import cured_states
from loopodds.knowledge.guards import (
    Slip,
    context_texts,
    earlier,
    order_slips,
    reference_texts,
    unknown_texts,
)
from loopodds.knowledge.nodes import (
    Gauge,
    Graded,
    Node,
    Tabular,
    matches,
    mentions,
    parents_of,
    read_node,
)
from loopodds.knowledge.records import NODE_FILES, OTHER_FILES, Knowledge, read_one
from loopodds.knowledge.work import Service, Test
from loopodds.safety.checks import stop_slips

Files = Mapping[str, Mapping[str, Any]]
HIDDEN = ("fault", "mechanism", "history")
PROBE = 300.0
"""A reading that can be turned into any scale: a pressure [kPa] within both saturation curves."""


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
    problems += _work_problems(knowledge)
    problems += order_slips(knowledge)
    problems += _source_problems(files)
    problems += _cycles(knowledge)
    if all(problem.warning for problem in problems):
        problems += _uncompiled(knowledge)
    return problems


def _unread(folder: str | Path | None, files: dict[str, Mapping[str, Any]]) -> Iterator[Slip]:
    """Fill ``files`` with every file that is TOML; yield the others."""
    root = Path(folder) if folder is not None else resources.files("loopodds_data")
    for name in (*NODE_FILES.values(), *OTHER_FILES):
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
    """Everything below an entry that is no table and no list, with the key next above it."""
    if isinstance(entry, Mapping):
        for inner, value in entry.items():
            yield from _leaves(inner, value)
    elif isinstance(entry, list):
        for value in entry:
            yield from _leaves(key, value)
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


def _uncompiled(knowledge: Knowledge) -> Iterator[Slip]:
    """Contexts in which the network cannot be built; those not stated are tried as well."""
    bearing = {key for node in knowledge.nodes.values() for key in node.context_keys()}
    choices = [
        [(name, value) for value in context.values] + [("", "")] * bool(context.shares)
        for name, context in knowledge.contexts.items()
        if context.values and name in bearing
    ]
    slips: dict[str, Slip] = {}
    for combination in itertools.product(*choices):
        context = {name: value for name, value in combination if name}
        try:
            network = build_network(knowledge, context)
        except LoopoddsError as error:
            slips.setdefault(str(error), _of_error(error))
    yield from slips.values()
    if not slips:
        try:
            JunctionTree(network)
        except LoopoddsError as error:
            yield _of_error(error)


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


def _work_problems(knowledge: Knowledge) -> Iterator[Slip]:
    """Problems of everything that is not a node."""
    for name in knowledge.scope.conditions:
        if name not in knowledge.conditions:
            yield Slip("faults.toml", name, "no fault variable has this condition")
    for test in knowledge.tests.values():
        yield from (Slip("tests.toml", test.name, text) for text in _test_texts(test, knowledge))
    yield from _unreachable(knowledge)
    yielded = {name for test in knowledge.tests.values() for name in test.yields}
    for name, node in knowledge.of_kind("finding", "gauge").items():
        if name not in yielded:
            yield Slip(node.file, name, "no test yields it")
    for service in knowledge.services.values():
        for text in _service_texts(service, knowledge):
            yield Slip("services.toml", service.name, text)
    yield from stop_slips(knowledge)
    yield from _uncured(knowledge)
    yield from _harm_problems(knowledge)
    yield from _caution_problems(knowledge)


def _test_texts(test: Test, knowledge: Knowledge) -> Iterator[str]:
    seen = [*knowledge.of_kind("finding", "gauge", "history"), *AUXILIARY]
    if not test.yields:
        yield "yields nothing"
    yield from unknown_texts("yields", "finding or reading", test.yields, seen)
    yield from unknown_texts("after", "test", test.after, knowledge.tests)
    yield from unknown_texts("destroys", "test", test.destroys, knowledge.tests)
    yield from unknown_texts("cautions", "caution", test.cautions, knowledge.cautions)
    if test.name in test.destroys:
        yield "destroys itself"


def _service_texts(service: Service, knowledge: Knowledge) -> Iterator[str]:
    before = {**knowledge.tests, **knowledge.services}
    targets = {**knowledge.conditions, **knowledge.of_kind("fault")}
    yield from unknown_texts("after", "test or service", service.after, before)
    yield from unknown_texts("not_with", "service", service.not_with, knowledge.services)
    yield from unknown_texts("cautions", "caution", service.cautions, knowledge.cautions)
    yield from unknown_texts("assumes_no", "condition", service.assumes_no, knowledge.conditions)
    named = {"in_vain": service.in_vain, "cures": service.cures, "eases": service.eases}
    for key, targeted in named.items():
        for target in targeted:
            if not cured_states(target, knowledge):
                yield f"{key}: {unknown_name('condition', target, targets)}"


def _uncured(knowledge: Knowledge) -> Iterator[Slip]:
    cured = {
        pair
        for service in knowledge.services.values()
        for target in service.cures
        for pair in cured_states(target, knowledge)
    }
    for name, fault in knowledge.of_kind("fault").items():
        left = [state for state in fault.states[1:] if (name, state) not in cured]
        if left:
            yield Slip("services.toml", name, f"no service cures {', '.join(left)}")


def _unreachable(knowledge: Knowledge) -> Iterator[Slip]:
    """Tests that wait for each other, or for a test that makes them impossible."""
    waits = {name: test.after for name, test in knowledge.tests.items()}
    try:
        order = list(TopologicalSorter(waits).static_order())
    except CycleError as error:
        ring = error.args[1]
        text = f"unreachable: tests wait for each other: {' after '.join(ring)}"
        yield Slip("tests.toml", ring[0], text)
        return
    for name in [name for name in order if name in knowledge.tests]:
        for other in sorted(earlier(knowledge.tests[name], knowledge)):
            if name in knowledge.tests[other].destroys:
                text = f"unreachable: {other} must come first and makes it impossible"
                yield Slip("tests.toml", name, text)


def _harm_problems(knowledge: Knowledge) -> Iterator[Slip]:
    faults = knowledge.of_kind("fault")
    for name in [name for name in knowledge.harms if name not in faults]:
        yield Slip("harms.toml", name, f"harms: {unknown_name('fault', name, faults)}")
    for name, fault in faults.items():
        harms = knowledge.harms[name].states if name in knowledge.harms else {}
        texts = list(unknown_texts("states", f"state of {name}", harms, fault.states[1:]))
        texts += [f"no harm given for {state}" for state in fault.states[1:] if state not in harms]
        yield from (Slip("harms.toml", name, text) for text in texts)


def _caution_problems(knowledge: Knowledge) -> Iterator[Slip]:
    tasks = (*knowledge.tests.values(), *knowledge.services.values())
    asked = {caution for task in tasks for caution in task.cautions}
    asked.update(caution for stop in knowledge.stops.values() for caution in stop.cautions)
    for name, caution in knowledge.cautions.items():
        texts = [*context_texts(caution.when, "when", knowledge)]
        texts += unknown_texts("conditions", "condition", caution.conditions, knowledge.conditions)
        yield from (Slip("cautions.toml", name, text) for text in texts)
        if not (caution.when or caution.conditions or caution.findings or name in asked):
            yield Slip("cautions.toml", name, "nothing ever shows it", warning=True)
