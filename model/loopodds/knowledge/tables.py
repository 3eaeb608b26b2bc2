"""What is worked out for the gauges by a model of the machine: ``gauges.jsonl``.

One JSON object a line: first ``{"about": {...}}`` with where the numbers come from, then for each
gauge its ``sound`` expectations over the conditions, its ``shifts`` and what pairs of states add
(``together``), in the words of ``readings.toml``. What that file says of a gauge itself comes first
and so outranks these.
"""

from collections.abc import Iterator
from typing import Any

import msgspec

from loopodds.base.errors import KnowledgeError
from loopodds.knowledge.blocks import Shift, Sound, Tables, Together, table_texts
from loopodds.knowledge.nodes import Gauge, Node
from loopodds.knowledge.shapes import Grounds

TABLES = "gauges.jsonl"
"""The file; a folder need not have it."""


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
