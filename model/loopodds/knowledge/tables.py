"""Tables in files of their own, which a folder need not have.

``gauges.jsonl`` holds what is worked out for the gauges by a model of the machine: one JSON object
a line, first ``{"about": {...}}`` with where the numbers come from, then for each gauge its
``sound`` expectations over the conditions, its ``shifts`` and what pairs of states add
(``together``), in the words of ``readings.toml``. What that file says of a gauge itself comes first
and so outranks these.

``readers.toml`` holds how people see shades and tints: a table for each person and finding, with a
list for each word that the trade would use, the chances of what this person then says.
"""

import math
from collections.abc import Iterator, Mapping, Sequence
from typing import Any, NamedTuple

import msgspec
import numpy as np

from loopodds.base.arrays import BoolArray, FloatArray, IntArray
from loopodds.base.errors import KnowledgeError
from loopodds.base.likeness import nearest
from loopodds.knowledge.blocks import Shift, Sound, Tables, Together, table_texts
from loopodds.knowledge.nodes import Gauge, Node
from loopodds.knowledge.shapes import Grounds

TABLES = "gauges.jsonl"
READERS = "readers.toml"
OWN_WORD, NEXT = 0.97, 0.25
"""How often one person's word is the trade's, and how much rarer each further word is than the one
before. From memory: two trained people seldom differ by more than one step (estimate, weight 30).
"""


class About(Grounds, frozen=True, kw_only=True):
    """Where all numbers of the file come from, and what made them."""

    note: str = ""
    made_by: str = ""


class Line(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """One line of the file: of the whole, or a block of one gauge."""

    about: About | None = None
    gauge: str = ""
    sound: Sound | None = None
    shifts: Shift | None = None
    together: Together | None = None


def read_tables(text: str) -> dict[str, Tables]:
    """The tables of each gauge, from the text of the file; none from an empty one.

    Raises:
        KnowledgeError: naming file and line.
    """
    lines = list(_lines(text))
    if not lines:
        return {}
    about = lines[0].about
    if about is None:
        raise KnowledgeError(f"{TABLES}: line 1: needs 'about' with source, grade and weight")
    grounds = {"source": about.source, "grade": about.grade, "weight": about.weight}
    found: dict[str, dict[str, list[Any]]] = {}
    for line in lines[1:]:
        kinds = found.setdefault(line.gauge, {"sound": [], "shifts": [], "together": []})
        for kind, blocks in kinds.items():
            if (block := getattr(line, kind)) is not None:
                blocks.append(block if block.source else msgspec.structs.replace(block, **grounds))
    return {name: msgspec.convert(kinds, Tables) for name, kinds in found.items()}


def _lines(text: str) -> Iterator[Line]:
    decoder = msgspec.json.Decoder(Line)
    for number, line in enumerate(text.splitlines(), start=1):
        try:
            read = decoder.decode(line)
        except msgspec.MsgspecError as error:
            raise KnowledgeError(f"{TABLES}: line {number}: {error}") from None
        for problem in table_texts(read.sound) if read.sound else ():
            raise KnowledgeError(f"{TABLES}: line {number}: sound{problem}")
        yield read


def with_tables(node: Node, tables: Tables) -> Node:
    """A gauge with what is worked out for it.

    Raises:
        KnowledgeError: if the node is no gauge.
    """
    if not isinstance(node, Gauge):
        raise KnowledgeError(f"{TABLES}: {node.name} is a {node.kind}, no gauge")
    return msgspec.structs.replace(node, tables=tables)


class Eye(NamedTuple):
    """How one person sees a finding."""

    looks: float  # that the table rests on
    chances: tuple[tuple[float, ...], ...]  # of each word, by the word of the trade


Readers = Mapping[str, Mapping[str, Eye]]
"""By person and finding."""


def as_the_trade(states: int) -> FloatArray:
    """P(word | word of the trade) of somebody of whom nothing is known, shape (states, states).

    >>> as_the_trade(2).round(2).tolist()
    [[0.97, 0.03], [0.03, 0.97]]
    """
    steps = np.abs(np.subtract.outer(np.arange(states), np.arange(states)))
    far = np.where(steps > 0, NEXT**steps, 0.0)
    table: FloatArray = (1 - OWN_WORD) * far / far.sum(axis=1, keepdims=True)
    np.fill_diagonal(table, OWN_WORD)
    return table


def read_readers(tables: Mapping[str, Any], nodes: Mapping[str, Node]) -> Readers:
    """Everybody's tables, from the tables of the file.

    Raises:
        KnowledgeError: naming file, person, finding and word.
    """
    return {
        str(person): {
            finding: _eye(f"{READERS}: [{person}.{finding}]", finding, entry, nodes)
            for finding, entry in findings.items()
        }
        for person, findings in tables.items()
    }


def _eye(where: str, finding: str, entry: Any, nodes: Mapping[str, Node]) -> Eye:
    seen = [name for name, node in nodes.items() if node.by_eye]
    if finding not in seen:
        close = nearest(finding, seen)
        hint = f"did you mean {close!r}?" if close else f"known: {', '.join(seen)}"
        raise KnowledgeError(f"{where}: is not a finding judged by eye; {hint}")
    states = nodes[finding].states
    if not isinstance(entry, Mapping) or {*entry} != {"looks", *states}:
        raise KnowledgeError(f"{where}: needs looks and a list for each of {', '.join(states)}")
    rows = []
    for state in states:
        row = entry[state]
        numbers = isinstance(row, list) and all(isinstance(p, int | float) for p in row)
        if not numbers or len(row) != len(states) or min(row) <= 0 or abs(sum(row) - 1) > 1e-6:
            raise KnowledgeError(
                f"{where} {state}: needs {len(states)} chances above 0 that add up to one"
            )
        rows.append(tuple(map(float, row)))
    looks = entry["looks"]
    if not isinstance(looks, int | float) or not math.isfinite(looks) or looks < 0:
        raise KnowledgeError(f"{where} looks: needs a number of looks, 0 or more")
    return Eye(float(looks), tuple(rows))


def eyes_of(readers: Readers, people: Sequence[str], finding: str, states: int) -> FloatArray:
    """P(word | word of the trade) of people, the trade last, shape (people + 1, states, states)."""
    known = [readers.get(person, {}).get(finding) for person in people]
    trade = as_the_trade(states)
    return np.array([*(np.array(eye.chances) if eye else trade for eye in known), trade])


class Seen(NamedTuple):
    """What looks at samples come to, of shape (samples,) or (samples, states)."""

    word: IntArray  # where it is plain, -1 where it is not or nobody looked
    open: BoolArray  # where it is a likelihood
    likelihood: FloatArray  # of the word of the trade, the largest is one


def seen_together(eyes: FloatArray, who: IntArray, word: IntArray) -> Seen:
    """What the words of several people say together of one sample each.

    Their words are independent given the sample, which is one: however many look, no more is told
    than by the word of the trade itself. Where nothing is known of anybody and all say the same, it
    is that word.

    Args:
        eyes: Of the people and last the trade.
        who: Place of each person, -1 of one of whom nothing is known, shape (samples, looks).
        word: What each said, -1 is nothing, likewise.
    """
    said = word >= 0
    told = np.where(said[..., None], eyes[who, :, word], 1.0).prod(axis=1)
    differ = (said & (word != word.max(axis=1, keepdims=True))).any(axis=1)
    is_open = (said & (who >= 0)).any(axis=1) | differ
    plain = np.where(is_open, -1, word.max(axis=1, initial=-1))
    return Seen(plain, is_open, told / told.max(axis=1, keepdims=True))


def readers_text(readers: Readers, nodes: Mapping[str, Node]) -> str:
    """The file."""
    import tomlkit

    document = tomlkit.document()
    document.add(tomlkit.comment("How people see shades and tints, as an archive told it."))
    document.add(tomlkit.comment("By the word of the trade, the chances of what each then says."))
    for person, findings in readers.items():
        own = tomlkit.table(is_super_table=True)
        for finding, eye in findings.items():
            table = tomlkit.table()
            table["looks"] = float(f"{eye.looks:.6g}")
            for state, row in zip(nodes[finding].states, eye.chances, strict=True):
                table[state] = [round(p, 8) for p in row]
            own[finding] = table
        document[person] = own
    return tomlkit.dumps(document)
