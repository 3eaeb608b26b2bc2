"""Checks of the knowledge files beyond what reading them needs: does everything fit together?

Reading stops at the first error; these checks go on and list every problem they find, each with
its file and the node or entry it is about.
"""

from __future__ import annotations

import itertools
import tomllib
from collections.abc import Iterator, Mapping
from graphlib import CycleError, TopologicalSorter
from importlib import resources
from pathlib import Path
from typing import Any

from loopodds.base.errors import LoopoddsError, unknown_name
from loopodds.inference.junction import JunctionTree
from loopodds.knowledge.assembly import build_network
from loopodds.knowledge.guards import Slip, order_slips
from loopodds.knowledge.nodes import parents_of, read_node
from loopodds.knowledge.records import NODE_FILES, OTHER_FILES, Knowledge, read_one
from loopodds.upkeep.lint_nodes import HIDDEN, node_problems
from loopodds.upkeep.lint_work import work_problems

Files = Mapping[str, Mapping[str, Any]]


def lint(folder: str | Path | None = None) -> list[Slip]:
    """Every problem of a set of knowledge files.

    Args:
        folder: Folder with the files; the shipped knowledge when left out.

    Returns:
        Empty when the knowledge is sound. If the files cannot be read as knowledge at all, only
            what stands in the way of that.
    """
    files: dict[str, Mapping[str, Any]] = {}
    problems = list(_unread(folder, files))
    if not problems:
        problems = list(_unparsed(files))
    if problems:
        return problems
    try:
        knowledge = Knowledge(folder)
    except LoopoddsError as error:
        return [_of_error(error)]
    problems = [p for node in knowledge.nodes.values() for p in node_problems(node, knowledge)]
    problems += work_problems(knowledge)
    problems += order_slips(knowledge)
    problems += _source_problems(files)
    problems += _cycles(knowledge)
    if not any(not problem.warning for problem in problems):
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
    for file, entries in files.items():
        if file == "sources.toml":
            continue
        for name, entry in entries.items():
            found = set(_values_of("source", entry))
            used |= found
            for source in sorted(found - set(known)):
                yield Slip(file, name, str(unknown_name("source", source, known)))
            if not found and "source" not in entries and _has_numbers(entry):
                yield Slip(file, name, "numbers without a source")
    for name in known:
        if name not in used:
            yield Slip("sources.toml", name, "nothing names it", warning=True)


def _values_of(key: str, entry: Any) -> Iterator[str]:
    if isinstance(entry, Mapping):
        if isinstance(entry.get(key), str):
            yield entry[key]
        entry = list(entry.values())
    if isinstance(entry, list):
        for part in entry:
            yield from _values_of(key, part)


def _has_numbers(entry: Any) -> bool:
    if isinstance(entry, Mapping):
        return any(_has_numbers(value) for value in entry.values())
    if isinstance(entry, list):
        return any(_has_numbers(value) for value in entry)
    return isinstance(entry, int | float) and not isinstance(entry, bool)


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
    choices = [
        [(name, value) for value in context.values] + [("", "")] * bool(context.shares)
        for name, context in knowledge.contexts.items()
        if context.values
    ]
    found: dict[str, Slip] = {}
    networks = []
    for combination in itertools.product(*choices):
        context = {name: value for name, value in combination if name}
        try:
            networks.append(build_network(knowledge, context))
        except LoopoddsError as error:
            found.setdefault(str(error), _of_error(error))
    yield from found.values()
    if found:
        return
    try:
        JunctionTree(networks[0])
    except LoopoddsError as error:
        yield _of_error(error)
