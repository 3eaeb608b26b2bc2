"""A Parquet data set scored partition by partition, on this machine or on many.

A partition is some row groups of one file. Whoever scores it writes its part of the output, its
rejects and, last, its count; each appears in one step. So a partition is done or it is not, and a
process that dies costs only the partition it was at. All processes must see the same folders.
"""

from __future__ import annotations

import json
import os
import shutil
import threading
import uuid
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path
from typing import Any

from loopodds.archive.job import Job, job_for, map_digest
from loopodds.archive.journal import SUFFIX, move, refuse_other_run, sync_file
from loopodds.archive.reading import CHUNK_ROWS
from loopodds.archive.review import reopen_list
from loopodds.archive.scoring import empty_scored, score_chunk
from loopodds.archive.sources import ParquetSource, format_of
from loopodds.archive.summary import Progress, Summary, Tally, default_rejects
from loopodds.base.errors import InspectionError, LoopoddsError
from loopodds.diagnosis.model import Model
from loopodds.inspection.column_map import ColumnMap, load_column_map
from loopodds.inspection.rejects import HEADER, rejects_bytes
from loopodds.knowledge.records import load_knowledge

PARTITION_ROWS = 1 << 18
PARTS, RUN = "parts", "run.json"

_one_at_a_time = threading.Lock()


@dataclass(frozen=True, slots=True)
class Partition:
    """Consecutive row groups of one file of a data set.

    Attributes
    ----------
    number : int
        Place in the data set, from 0.
    path : str
    first_group, groups : int
    first_row : int
        Number of its first row in the data set; the first of all is 1.
    rows : int
    """

    number: int
    path: str
    first_group: int
    groups: int
    first_row: int
    rows: int


Scorer = Callable[[Job, Sequence[Partition], Path], Iterator[Tally]]
"""Scores partitions in any order and yields the count of each as it is done."""


def score_dataset(
    source: str | Path,
    out: str | Path,
    scorer: Scorer,
    *,
    rejects: str | Path | None = None,
    columns: str | Path | None = None,
    knowledge: str | Path | None = None,
    resume: bool = False,
    review: int = 0,
    partition_rows: int = PARTITION_ROWS,
    progress: Callable[[Progress], None] | None = None,
) -> Summary:
    """Score a Parquet data set into another.

    Parameters
    ----------
    source : path
        Parquet file, or folder of them in the order of their names.
    out : path
        Folder that will hold one file for each partition.
    scorer : callable
        Who does the work: :func:`loopodds.archive.cluster.partitions_here` or
        :func:`loopodds.archive.cluster.partitions_on`.
    rejects, columns, knowledge, resume, review, progress
        As for :func:`loopodds.archive.runner.score_archive`.
    partition_rows : int
        Row groups are put together up to so many rows.

    Raises
    ------
    InspectionError
        If the data set cannot be read or the output is there already.
    """
    source, out = Path(source), Path(out)
    target = Path(rejects) if rejects is not None else default_rejects(out)
    mapping = load_column_map(columns) if columns is not None else ColumnMap()
    known = load_knowledge(knowledge)
    partitions, job = _planned(source, mapping, knowledge, review, partition_rows)
    folder = out.with_name(out.name + SUFFIX)
    started = _started(folder, out, _identity(source, mapping, job, partition_rows), resume)
    tallies = {p.number: _tally_of(folder, p) for p in partitions}
    done = Tally()
    for tally in tallies.values():
        done = done if tally is None else done.plus(tally)
    resumed, total = done.rows, sum(p.rows for p in partitions)
    left = [p for p in partitions if started and tallies[p.number] is None]
    try:
        for tally in scorer(job, left, folder):
            done = done.plus(tally)
            share = done.rows / max(total, 1)
            if progress is not None:
                progress(Progress(done.rows, done.scored, done.rejected, resumed, share))
    except InspectionError:
        shutil.rmtree(folder)
        raise
    whole = _assembled(partitions, folder, out, target)
    reopen = reopen_list(whole.review, job.plan, Model(known), review)
    return Summary(out, target, whole, tuple(reopen), job.plan.warnings, resumed)


def score_partition(job: Job, partition: Partition, folder: str) -> dict[str, Any]:
    """Score one partition and put its files into the folder of the run.

    Returns
    -------
    dict
        Its :class:`Tally` as plain data.

    Raises
    ------
    LoopoddsError
        If this process holds other knowledge than the one that planned the run.
    """
    with _one_at_a_time:  # a cluster may hand several partitions to threads of one process
        model = _model(job.knowledge)
        if model.knowledge.digest != job.digest:
            raise LoopoddsError(
                f"this worker holds knowledge {model.knowledge.digest}, the run was planned with "
                f"{job.digest}; install the same on all"
            )
        return _scored_partition(job, partition, Path(folder), model).as_json()


@lru_cache(maxsize=1)
def _model(knowledge: str | None) -> Model:
    return Model(load_knowledge(knowledge))


def _scored_partition(job: Job, partition: Partition, folder: Path, model: Model) -> Tally:
    import pyarrow.parquet

    groups = range(partition.first_group, partition.first_group + partition.groups)
    reader = ParquetSource(Path(partition.path), groups)
    own = uuid.uuid4().hex
    part, bad, count = (folder / f"{own}.{kind}" for kind in ("part", "rejects", "tally"))
    tally = Tally()
    try:
        schema = empty_scored(reader.schema, model).schema
        reader.expect_words(feed.column for feed in job.plan.feeds if feed.options)
        with bad.open("wb") as rejects, pyarrow.parquet.ParquetWriter(part, schema) as writer:
            for chunk in reader.chunks(CHUNK_ROWS, 0, partition.first_row):
                done = score_chunk(chunk, job.plan, model, job.review)
                if done.table.num_rows:
                    writer.write_table(done.table.cast(schema))
                rejects.write(rejects_bytes(done.rejects))
                tally = tally.plus(done.tally)
        count.write_text(json.dumps(tally.as_json()), encoding="utf-8")
        for file, place in zip((part, bad, count), _places(folder, partition), strict=True):
            sync_file(file)
            os.replace(file, place)
    finally:
        reader.close()
        for file in (part, bad, count):
            file.unlink(missing_ok=True)
    return tally


def _places(folder: Path, partition: Partition) -> tuple[Path, Path, Path]:
    """Where a partition's part, rejects and count stand; the count is there only if all are."""
    number = f"{partition.number:06d}"
    return (
        folder / PARTS / f"part-{number}.parquet",
        folder / f"{number}.rejects.csv",
        folder / f"{number}.tally.json",
    )


def _planned(
    source: Path, mapping: ColumnMap, knowledge: str | Path | None, review: int, rows: int
) -> tuple[list[Partition], Job]:
    files = _files(source)
    partitions: list[Partition] = []
    job, first_row = None, 1
    for path in files:
        reader = ParquetSource(path)
        try:
            if job is None:
                out = Path("part.parquet")
                known = load_knowledge(knowledge)
                job = job_for(reader, out, known, knowledge, mapping, review)
            elif tuple(reader.schema.names) != job.plan.columns:
                raise InspectionError(f"{path}: other columns than {files[0].name}")
            for start, count, held in _runs(reader.group_rows, rows):
                number = len(partitions)
                where = str(path.resolve())
                partitions.append(Partition(number, where, start, count, first_row, held))
                first_row += held
        finally:
            reader.close()
    assert job is not None
    return partitions, job


def _files(source: Path) -> list[Path]:
    if source.is_file():
        if format_of(source) in ("csv", "csv.gz"):
            raise InspectionError(f"{source}: a data set is Parquet; score CSV without --cluster")
        return [source]
    files = sorted(p for p in source.glob("*.parquet") if p.is_file()) if source.is_dir() else []
    if not files:
        raise InspectionError(f"{source}: no Parquet file and no folder with any")
    return files


def _runs(group_rows: Iterable[int], most: int) -> Iterator[tuple[int, int, int]]:
    """First row group, number of row groups and rows of each partition of a file."""
    start = count = held = 0
    for rows in group_rows:
        if count and held + rows > most:
            yield start, count, held
            start, count, held = start + count, 0, 0
        count, held = count + 1, held + rows
    if count:
        yield start, count, held


def _identity(source: Path, mapping: ColumnMap, job: Job, rows: int) -> dict[str, Any]:
    stats = [(path.name, path.stat()) for path in _files(source)]
    return {
        "data_set": [f"{name}, {s.st_size} bytes, {s.st_mtime_ns}" for name, s in stats],
        "column_map": map_digest(mapping),
        "knowledge": job.digest,
        "review": job.review,
        "partition_rows": rows,
    }


def _started(folder: Path, out: Path, run: dict[str, Any], resume: bool) -> bool:
    """Set the folder of the run up; False if all that is left is to put its files in place."""
    file = folder / RUN
    earlier = json.loads(file.read_text(encoding="utf-8")) if resume and file.exists() else None
    if earlier is not None:
        refuse_other_run(earlier, run, folder)
        if out.exists() and not (folder / PARTS).exists():
            return False
    if out.exists():
        raise InspectionError(f"{out}: is there already; remove it or choose another name")
    if earlier is None:
        if folder.exists() and not file.exists() and any(folder.iterdir()):
            raise InspectionError(f"{folder}: is there already and holds no run of ours")
        shutil.rmtree(folder, ignore_errors=True)
        (folder / PARTS).mkdir(parents=True)
        file.write_text(json.dumps(run), encoding="utf-8")
    return True


def _tally_of(folder: Path, partition: Partition) -> Tally | None:
    place = _places(folder, partition)[2]
    if not place.exists():
        return None
    return Tally.from_json(json.loads(place.read_text(encoding="utf-8")))


def _assembled(partitions: Sequence[Partition], folder: Path, out: Path, rejects: Path) -> Tally:
    """Rejects of all partitions in one file, the parts in their place; the count of all."""
    whole = Tally()
    joined = folder / "rejects.csv"
    with joined.open("wb") as file:
        file.write(HEADER)
        for partition in partitions:
            _, bad, _ = _places(folder, partition)
            tally = _tally_of(folder, partition)
            if tally is None:
                raise LoopoddsError(f"partition {partition.number} was not scored; use --resume")
            whole = whole.plus(tally)
            with bad.open("rb") as part:
                shutil.copyfileobj(part, file)
    sync_file(joined)
    move(joined, rejects)
    if (folder / PARTS).exists():
        os.replace(folder / PARTS, out)
    shutil.rmtree(folder)
    return whole
