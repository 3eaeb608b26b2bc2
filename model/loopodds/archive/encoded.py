"""An archive encoded once, for work that passes over it many times in bounded memory.

Rows stand in files by context, so that one tree serves all of a file; of each row beside its
evidence the outcome that was confirmed and what some further columns say of it.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import closing
from dataclasses import dataclass, field
from pathlib import Path
from typing import IO, TYPE_CHECKING, Any

import numpy as np

from loopodds.archive.chunks import CHUNK_ROWS, Chunk
from loopodds.archive.outputs import REJECTS_HEADER, rejects_bytes
from loopodds.archive.scoring import CANNOT_HOLD, rejects_in, usable_rows
from loopodds.archive.sources import found_archive, open_source
from loopodds.archive.summary import RunProgress
from loopodds.base.arrays import BoolArray, IntArray
from loopodds.base.errors import InspectionError, unknown_name
from loopodds.diagnosis.model import Model, smallest_impossible
from loopodds.inference.network import Evidence
from loopodds.inspection.cells import UNKNOWN_WORD, Defect
from loopodds.inspection.columns import ColumnPlan, plan_columns
from loopodds.inspection.encoding import encode, ways_in
from loopodds.inspection.inspection import InspectionBatch

if TYPE_CHECKING:
    import pyarrow as pa

PARTS = ("rows", "codes", "soft", "implied", "value", "extra", "confirmed", "tags")
REJECTS = "rejects.csv"
"""Of the folder: rows that cannot be used, with the reason."""
PIECE_ROWS = 4096
"""Rows of one context that are handed out together."""


@dataclass(frozen=True, slots=True, eq=False)
class Piece:
    """Rows of an archive that share a context."""

    context: Mapping[str, str]
    numbers: IntArray  # in the archive, the first below the header is 1
    evidence: Evidence  # without the outcomes
    # states that a confirmed outcome leaves possible, by fault, shape (rows, states)
    confirmed: Mapping[str, BoolArray]
    tags: Mapping[str, IntArray]  # index into the words of a further column; -1 is empty
    came: IntArray | None = None  # index into ``WAYS_IN``, -1 is not stated; None states nothing
    weight: float = 1.0  # cars that each row stands for

    @property
    def came_in(self) -> IntArray:
        """How each car came in, an index into ``WAYS_IN``; -1 is not stated, shape (rows,)."""
        return np.full(len(self.numbers), -1, np.int8) if self.came is None else self.came

    def take(self, rows: IntArray) -> Piece:
        """The same of some rows."""
        return Piece(
            self.context,
            self.numbers[rows],
            self.evidence.take(rows),
            {name: mask[rows] for name, mask in self.confirmed.items()},
            {name: codes[rows] for name, codes in self.tags.items()},
            self.came_in[rows],
            self.weight,
        )


@dataclass(frozen=True, slots=True, eq=False)
class EncodedArchive:
    """The files of an encoded archive, and what was set aside."""

    folder: Path
    contexts: Sequence[Mapping[str, str]]
    words: Mapping[str, Sequence[str]]  # of each further column that the archive has
    rows: int  # usable
    rejected: int
    warnings: Sequence[str] = field(default_factory=tuple)
    stated: int = 0  # rows that say how the car came in

    def pieces(self, rows: int = PIECE_ROWS) -> Iterator[Piece]:
        """All rows, those of one context one after another, contexts that are alike together."""
        order = sorted(enumerate(self.contexts), key=lambda pair: sorted(pair[1].items()))
        for number, context in order:
            waiting: list[Piece] = []
            for piece in _stored(self.folder / f"{number:05d}.rows", context):
                waiting.append(piece)
                while sum(len(p.numbers) for p in waiting) >= rows:
                    whole = _joined(waiting)
                    yield whole.take(np.arange(rows))
                    waiting = [whole.take(np.arange(rows, len(whole.numbers)))]
            whole = _joined(waiting)
            if len(whole.numbers):
                yield whole


def encode_archive(
    archive: str | Path,
    model: Model,
    folder: Path,
    columns: str | Path | None = None,
    tags: Mapping[str, Sequence[str] | None] | None = None,
    progress: Callable[[RunProgress], None] | None = None,
) -> EncodedArchive:
    """Encode every row that can be used; the others go to ``rejects.csv`` in the folder.

    Args:
        tags: Further columns to keep, each with the words it may hold, or None for any.

    Raises:
        InspectionError: if the archive cannot be read or holds nothing known.
    """
    with (
        found_archive(archive, columns) as (path, mapping),
        closing(open_source(path, mapping)) as source,
        _Writer(folder) as writer,
    ):
        plan = plan_columns(source.schema.names, model.knowledge, mapping)
        kept = {name: words for name, words in (tags or {}).items() if name in plan.columns}
        words: dict[str, list[str]] = {name: list(known or ()) for name, known in kept.items()}
        wanted = [*plan.word_columns, *kept]
        read = rejected = rows = stated = 0
        for chunk in source.parts(CHUNK_ROWS, words=wanted):
            found, numbers, batch, problems = _tagged(chunk, plan, model, words, kept)
            numbering = chunk.first_row + chunk.offsets
            for piece in _possible(found, numbers, numbering, batch, model, problems):
                writer.add(piece)
                rows, stated = rows + len(piece.numbers), stated + int((piece.came_in >= 0).sum())
            rejects = rejects_in(chunk, problems)
            writer.reject(rejects)
            read, rejected = read + chunk.count, rejected + len(rejects)
            if progress is not None:
                progress(RunProgress(read, rows, rejected, 0, chunk.share))
        if not rows:
            raise InspectionError(f"{path.name}: no row of it can be used")
        return EncodedArchive(folder, writer.contexts, words, rows, rejected, plan.warnings, stated)


def _tagged(
    chunk: Chunk,
    plan: ColumnPlan,
    model: Model,
    words: dict[str, list[str]],
    kept: Mapping[str, Sequence[str] | None],
) -> tuple[dict[str, IntArray], IntArray, InspectionBatch, list[Defect]]:
    """Codes of the further columns, places in the table, the batch, and what is wrong."""
    batch, rows, problems = usable_rows(chunk, plan, model.knowledge)
    tags = {}
    for name, known in kept.items():
        cells = _texts(chunk.table, name)
        if known is None:
            place = {word: i for i, word in enumerate(words[name])}
            for cell in dict.fromkeys(cells):
                if cell and cell not in place:
                    place[cell] = len(place)
                    words[name].append(cell)
        else:
            cells = [cell.lower().replace(" ", "_") for cell in cells]
            place = {word: i for i, word in enumerate(words[name])}
            for row, cell in enumerate(cells):
                if cell and cell not in place:
                    reason = str(unknown_name(f"word in {name}", cell, place))
                    problems.append(Defect(row, name, cell, UNKNOWN_WORD, reason))
        tags[name] = np.array([place.get(cell, -1) for cell in cells], np.int64)
    bad = {problem.row for problem in problems}
    good = np.array([i for i, row in enumerate(rows.tolist()) if row not in bad], np.int64)
    rows = rows[good]
    return {name: code[rows] for name, code in tags.items()}, rows, batch.take(good), problems


def _texts(table: pa.Table, name: str) -> list[str]:
    import pyarrow as pa

    cells = table.column(name).cast(pa.string()).to_pylist()
    return [cell.strip() if cell else "" for cell in cells]


def _possible(
    tags: Mapping[str, IntArray],
    rows: IntArray,
    numbering: IntArray,
    batch: InspectionBatch,
    model: Model,
    problems: list[Defect],
) -> Iterator[Piece]:
    """Pieces of the rows that can be, those that cannot added to the problems."""
    groups = encode(batch, model.knowledge).groups if batch.rows else ()
    came = ways_in(batch, model.knowledge)
    for group in groups:
        tree = model.tree(group.context)
        logs = tree.propagate(group.evidence).log_evidence
        for index in np.flatnonzero(~np.isfinite(logs)).tolist():
            names = smallest_impossible(tree, group.evidence.take(slice(index, index + 1)))
            reason = f"these cannot hold together: {', '.join(names)}"
            row = int(rows[group.rows[index]])
            problems.append(Defect(row, " + ".join(names), "", CANNOT_HOLD, reason))
        good = np.flatnonzero(np.isfinite(logs))
        if len(good):
            own = group.rows[good]
            confirmed = {name: mask[own] for name, mask in batch.confirmed.items()}
            chosen = {name: code[own] for name, code in tags.items()}
            yield Piece(
                group.context, numbering[rows[own]], group.evidence.take(good), confirmed, chosen,
                came[own],
            )  # fmt: skip


class _Writer:
    """Appends pieces to the file of their context."""

    def __init__(self, folder: Path) -> None:
        self._folder = folder
        self._numbers: dict[tuple[tuple[str, str], ...], int] = {}
        self.contexts: list[dict[str, str]] = []

    def __enter__(self) -> _Writer:
        self._folder.mkdir(parents=True, exist_ok=True)
        self._rejects: IO[bytes] = (self._folder / REJECTS).open("wb")
        self._rejects.write(REJECTS_HEADER)
        return self

    def __exit__(self, *_: object) -> None:
        self._rejects.close()

    def add(self, piece: Piece) -> None:
        key = tuple(sorted(piece.context.items()))
        if key not in self._numbers:
            self._numbers[key] = len(self.contexts)
            self.contexts.append(dict(piece.context))
        with (self._folder / f"{self._numbers[key]:05d}.rows").open("ab") as file:
            _store(file, piece)

    def reject(self, rejects: Sequence[Defect]) -> None:
        self._rejects.write(rejects_bytes(rejects))


def _store(file: IO[bytes], piece: Piece) -> None:
    """One piece: what each array is as a line of JSON, then the arrays one after another."""
    told = piece.evidence
    parts: dict[str, Mapping[str, Any]] = {
        "codes": told.codes,
        "soft": told.soft,
        "implied": told.implied,
        "value": {name: pair[0] for name, pair in told.numbers.items()},
        "extra": {name: pair[1] for name, pair in told.numbers.items()},
        "confirmed": piece.confirmed,
        "tags": piece.tags,
        "rows": {"numbers": piece.numbers, "came": piece.came_in},
    }
    arrays = [(part, name, array) for part in PARTS for name, array in parts[part].items()]
    kinds = [(part, name, array.dtype.str, array.shape) for part, name, array in arrays]
    file.write(json.dumps(kinds).encode() + b"\n")
    for _, _, array in arrays:
        file.write(array.tobytes())


def _stored(path: Path, context: Mapping[str, str]) -> Iterator[Piece]:
    with path.open("rb") as file:
        while line := file.readline():
            found: dict[str, dict[str, Any]] = {part: {} for part in PARTS}
            for part, name, kind, shape in json.loads(line):
                array = np.empty(shape, np.dtype(kind))
                file.readinto(array.data)
                found[part][name] = array
            readings = {n: (v, found["extra"][n]) for n, v in found["value"].items()}
            numbers, came = found["rows"]["numbers"], found["rows"]["came"]
            evidence = Evidence(
                len(numbers), found["codes"], found["soft"], readings, found["implied"]
            )
            yield Piece(context, numbers, evidence, found["confirmed"], found["tags"], came)


def _joined(pieces: Sequence[Piece]) -> Piece:
    """Several pieces of one context as one; what one does not hold is not observed in it."""
    if len(pieces) <= 1:
        return pieces[0] if pieces else Piece({}, np.empty(0, np.int64), Evidence(0), {}, {})
    told = [piece.evidence for piece in pieces]
    rows = [piece.evidence.rows for piece in pieces]

    def column(parts: Sequence[Mapping[str, Any]], fill: Any) -> dict[str, Any]:
        found = {}
        for name in dict.fromkeys(n for part in parts for n in part):
            shape = next(part[name].shape[1:] for part in parts if name in part)
            blank = [np.full((count, *shape), fill) for count in rows]
            held = [p.get(name, b) for p, b in zip(parts, blank, strict=True)]
            found[name] = np.concatenate(held)
        return found

    value = column([{n: v for n, (v, _) in e.numbers.items()} for e in told], np.nan)
    extra = column([{n: s for n, (_, s) in e.numbers.items()} for e in told], 0.0)
    evidence = Evidence(
        sum(rows),
        column([e.codes for e in told], -1),
        column([e.soft for e in told], 1.0),
        {name: (value[name], extra[name]) for name in value},
        column([e.implied for e in told], 1.0),
    )
    return Piece(
        pieces[0].context,
        np.concatenate([piece.numbers for piece in pieces]),
        evidence,
        column([piece.confirmed for piece in pieces], True),
        column([piece.tags for piece in pieces], -1),
        np.concatenate([piece.came_in for piece in pieces]),
    )
