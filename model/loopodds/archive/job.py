"""The scoring of one archive as something that can be sent to another process and done there."""

from __future__ import annotations

import hashlib
from dataclasses import dataclass
from pathlib import Path

from loopodds.archive.outputs import check_writable, chunk_bytes, output_format
from loopodds.archive.scoring import score_chunk
from loopodds.archive.sources import Chunk, Format, Source
from loopodds.archive.summary import Tally
from loopodds.base.errors import InspectionError
from loopodds.diagnosis.model import Model
from loopodds.inspection.column_map import ColumnMap
from loopodds.inspection.columns import ColumnPlan, plan_columns
from loopodds.inspection.rejects import rejects_bytes
from loopodds.knowledge.records import Knowledge


@dataclass(frozen=True, slots=True, eq=False)
class Job:
    """Everything a process needs to score a chunk of one archive; it can be sent to another."""

    plan: ColumnPlan
    knowledge: str | None
    digest: str
    kind: Format
    delimiter: str
    review: int


@dataclass(frozen=True, slots=True, eq=False)
class Done:
    """A scored chunk as bytes to be added to the files, with its count."""

    scored: bytes
    rejects: bytes
    tally: Tally


def job_for(
    reader: Source,
    out: Path,
    known: Knowledge,
    knowledge: str | Path | None,
    mapping: ColumnMap,
    review: int,
) -> Job:
    """The job of scoring one archive into one file.

    Raises
    ------
    InspectionError
        If its columns cannot be understood or not be written.
    """
    try:
        plan = plan_columns(reader.schema.names, known, mapping)
    except InspectionError as error:
        raise InspectionError(f"{reader.name}: {error}") from error
    reader.expect_words(feed.column for feed in plan.feeds if feed.options)
    kind = output_format(out)
    check_writable(reader.schema, kind)
    folder = str(Path(knowledge).resolve()) if knowledge is not None else None
    return Job(plan, folder, known.digest, kind, mapping.delimiter, review)


def do_chunk(job: Job, model: Model, chunk: Chunk) -> Done:
    """Score one chunk into bytes."""
    done = score_chunk(chunk, job.plan, model, job.review)
    return Done(
        chunk_bytes(done.table, job.kind, job.delimiter),
        rejects_bytes(done.rejects),
        done.tally,
    )


def map_digest(mapping: ColumnMap) -> str:
    """The same for column maps that say the same."""
    style = (mapping.delimiter, mapping.decimal, sorted(mapping.not_observed))
    columns = [
        (c.name, c.column, c.unit, sorted(c.values.items()), c.others) for c in mapping.columns
    ]
    return short_digest(repr((style, columns)).encode())


def short_digest(data: bytes) -> str:
    """Sixteen hexadecimal digits that stand for some bytes."""
    return hashlib.blake2b(data, digest_size=8).hexdigest()
