"""Knowledge files with other numbers in them: comments, order and everything else stay.

What differs between two knowledges, list by list, is found the same way for a folder just learnt
and for any two folders.
"""

from __future__ import annotations

import json
import math
import re
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from loopodds.base.arrays import FloatArray
from loopodds.base.errors import FileError, KnowledgeError
from loopodds.base.files import naming, write_whole
from loopodds.doubt.numbers import Numbers, number_words, numbers_of, place_words
from loopodds.knowledge.records import NODE_FILES, Knowledge
from loopodds.knowledge.tables import TABLES

LEARNT = "learnt"
"""Source of every number that was learnt."""
DIGITS = 6
SHOWN_CHANGE = 1e-6


@dataclass(frozen=True, slots=True, eq=False)
class NumberChange:
    """One list before and after."""

    before: Numbers
    after: FloatArray
    weight: float  # afterwards, in cars
    rows: float  # cars of which everything is known that would have told as much
    cars: float  # expected to have had the situation that the list is about
    about: str

    @property
    def deviations(self) -> float:
        """Largest move of a number, in deviations that its weight left open before."""
        old, new = (_as_moments(self.before.kind, v) for v in (self.before.values, self.after))
        spread = np.sqrt(np.diag(self.before.covariance))
        some = spread > 0
        return float((np.abs(new - old)[some] / spread[some]).max(initial=0.0))

    def as_json(self) -> dict[str, Any]:
        """Plain data."""
        return {
            "node": self.before.node,
            "place": place_words(*self.before.key),
            "about": self.about,
            "before": self.before.values.tolist(),
            "after": self.after.tolist(),
            "weight_before": self.before.grounds.weight,
            "weight_after": self.weight,
            "rows": self.rows,
            "cars": self.cars,
            "deviations": self.deviations,
        }


def _as_moments(kind: str, values: FloatArray) -> FloatArray:
    """Numbers as their covariance counts them."""
    if kind in ("levels", "passing"):
        return values
    return values**2 if kind == "spread" else np.array([values[0], values[1] ** 2])


def changes_between(old: Knowledge, new: Knowledge) -> list[NumberChange]:
    """Every list that differs in numbers or weight, the one that moved furthest first.

    Raises:
        KnowledgeError: if a node or a list of one is not in the other.
    """
    found = []
    for name, node in old.nodes.items():
        if name not in new.nodes:
            raise KnowledgeError(f"{node.file}: {name} is not in the other folder")
        theirs = numbers_of(new.node(name))
        for path, numbers in numbers_of(node).items():
            other = theirs.get(path)
            if other is None or len(other.values) != len(numbers.values):
                where = place_words(name, path)
                raise KnowledgeError(f"{node.file}: {where} is not in the other folder")
            gained = other.grounds.weight - numbers.grounds.weight
            if gained or not np.array_equal(other.values, numbers.values):
                about = number_words(node, path)
                found.append(
                    NumberChange(numbers, other.values, other.grounds.weight, gained, gained, about)
                )
    added = [name for name in new.nodes if name not in old.nodes]
    if added:
        raise KnowledgeError(f"{new.node(added[0]).file}: {added[0]} is not in this knowledge")
    return sorted(found, key=lambda change: -change.deviations)


def rounded(numbers: Numbers, values: FloatArray) -> FloatArray:
    """Values as they are written: six digits, chances adding up to one, none that fell to zero."""
    if numbers.kind not in ("levels", "passing"):
        return np.array([float(f"{value:.{DIGITS}g}") for value in values])
    least = 10.0**-DIGITS
    result = np.where(values > 0, np.maximum(np.round(values, DIGITS), least), 0.0)
    largest = int(result.argmax())
    result[largest] = round(1.0 - math.fsum(np.delete(result, largest)), DIGITS)
    return result


def write_knowledge(
    knowledge: Knowledge,
    changes: Iterable[NumberChange],
    about: Mapping[str, Any],
    beside: Mapping[str, str],
    folder: Path,
) -> None:
    """The files of a knowledge with some lists changed, into a new folder.

    Args:
        about: The source ``learnt``: title, year, kind and note.
        beside: Texts of further files, by name.

    Raises:
        FileError: if the folder is there already or cannot be written.
    """
    import tomlkit

    texts = dict(knowledge.texts)
    by_file: dict[str, list[NumberChange]] = {}
    for change in changes:
        tabled = change.before.path[0] == "tables"
        file = TABLES if tabled else NODE_FILES[knowledge.node(change.before.node).kind]
        by_file.setdefault(file, []).append(change)
    if TABLES in by_file:
        texts[TABLES] = _retabled(texts[TABLES], by_file.pop(TABLES))
    for file, own in by_file.items():
        document: Any = tomlkit.parse(texts[file])
        for change in own:
            _put(document[change.before.node], change)
        for holder, weight in _weights(own).items():
            block = _at(document[holder[0]], holder[1:])
            block["source"], block["grade"] = LEARNT, "measured"
            block["weight"] = float(f"{weight:.4g}")
        # tomlkit puts what is new in a table on one line without blanks
        texts[file] = re.sub(r'",(grade|weight) = ([^,}]*)}?', _spaced, tomlkit.dumps(document))
    sources = tomlkit.parse(texts["sources.toml"])
    sources[LEARNT] = about
    texts["sources.toml"] = tomlkit.dumps(sources)
    Knowledge.of_texts(texts, knowledge.unsafe)
    with naming(folder):
        try:
            folder.mkdir()
        except FileExistsError:
            raise FileError(f"{folder}: is there already; choose another name") from None
    for name, text in {**texts, **beside}.items():
        write_whole(folder / name, text)


def _retabled(text: str, changes: Sequence[NumberChange]) -> str:
    """Lines of worked-out tables with some shifts exchanged; the others stay as they are."""
    lines = text.splitlines(keepends=True)
    places: dict[str, list[int]] = {}
    for number, line in enumerate(lines):
        if "shifts" in (entry := json.loads(line)):
            places.setdefault(entry["gauge"], []).append(number)
    weights = _weights(changes)
    for change in changes:
        numbers = change.before
        number = places[numbers.node][int(numbers.path[2])]
        entry = json.loads(lines[number])
        entry["shifts"]["shift"][numbers.path[4]] = change.after.tolist()
        weight = float(f"{weights[numbers.node, *numbers.block]:.4g}")
        entry["shifts"] |= {"source": LEARNT, "grade": "measured", "weight": weight}
        lines[number] = json.dumps(entry, separators=(",", ":")) + "\n"
    return "".join(lines)


def _spaced(found: re.Match[str]) -> str:
    """`"learnt",grade = "measured"` and `"measured",weight = 81.1}` as the files write them."""
    end = " }" if found[0].endswith("}") else ""
    return f'", {found[1]} = {found[2].rstrip()}{end}'


def _at(entry: Any, path: Iterable[str | int]) -> Any:
    for key in path:
        entry = entry[key]
    return entry


def _put(entry: Any, change: NumberChange) -> None:
    """Each number into its place; what surrounds it stays."""
    *way, last = change.before.path
    holder, values = _at(entry, way), change.after.tolist()
    kind = change.before.kind
    if kind == "slips":
        holder[last]["share"], holder[last]["spread"] = values
    elif kind in ("passing", "spread"):
        holder[last] = values[0]
    else:
        for index, value in enumerate(values):
            holder[last][index] = value


def _weights(changes: Iterable[NumberChange]) -> dict[tuple[str | int, ...], float]:
    """New weight of every block: where it holds several lists, that of the least told of.

    What a node holds beside its blocks keeps the weight of the node, which others rest on too.
    """
    found: dict[tuple[str | int, ...], float] = {}
    for change in changes:
        if change.before.block:
            key = (change.before.node, *change.before.block)
            found[key] = min(found.get(key, math.inf), change.weight)
    return found


def moved_lists(changes: Iterable[NumberChange]) -> Iterator[NumberChange]:
    """Those whose numbers are others, by more than rounding."""
    for change in changes:
        if np.abs(change.after - change.before.values).max() > SHOWN_CHANGE:
            yield change
