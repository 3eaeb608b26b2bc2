"""An archive scored from file to file: in chunks, in order, by one process or several.

Every chunk is a fixed run of rows, so the numbers do not depend on how many processes share the
work: to the last bit. Another chunk size can change the last digits (1e-12).
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

from loopodds.archive.job import Done, Job, do_chunk, job_for, map_digest, short_digest
from loopodds.archive.journal import FINISHED, SCORED, Journal, sync_file
from loopodds.archive.outputs import header_bytes, write_parquet
from loopodds.archive.reading import CHUNK_ROWS
from loopodds.archive.review import reopen_list
from loopodds.archive.scoring import empty_scored
from loopodds.archive.sources import Chunk, Source, open_source
from loopodds.archive.summary import Progress, Summary, Tally, default_rejects
from loopodds.base.errors import InspectionError
from loopodds.diagnosis.model import Model
from loopodds.inspection.column_map import ColumnMap, load_column_map
from loopodds.inspection.columns import added_columns
from loopodds.inspection.rejects import HEADER
from loopodds.knowledge.records import load_knowledge

EDGE_BYTES = 1 << 20


def score_archive(
    source: str | Path,
    out: str | Path,
    *,
    rejects: str | Path | None = None,
    columns: str | Path | None = None,
    knowledge: str | Path | None = None,
    workers: int = 1,
    resume: bool = False,
    review: int = 0,
    chunk_rows: int = CHUNK_ROWS,
    progress: Callable[[Progress], None] | None = None,
) -> Summary:
    """Score every inspection of an archive.

    Parameters
    ----------
    source, out : path
        CSV (``.csv``, ``.csv.gz``) or Parquet (``.parquet``), in any combination.
    rejects : path, optional
        CSV of the rows set aside; beside the output when left out.
    columns : path, optional
        Column map.
    knowledge : path, optional
        Folder of knowledge files; the shipped ones when left out.
    workers : int
        Processes; the numbers do not depend on it.
    resume : bool
        Go on where a killed run of the same job stopped.
    review : int
        How many inspections worth reopening to list.
    chunk_rows : int
        Rows held at a time, by each process.
    progress : callable, optional
        Told after every chunk.

    Returns
    -------
    Summary
        Scored and rejected rows together are exactly the rows read.

    Raises
    ------
    InspectionError
        If the archive cannot be read or holds nothing known, or a resumed run is another one. No
        output is left then.
    KnowledgeError
        If the knowledge is inconsistent.
    """
    source, out = Path(source), Path(out)
    rejects = Path(rejects) if rejects is not None else default_rejects(out)
    _check_paths(source, out, rejects, columns)
    if workers < 1 or chunk_rows < 1 or review < 0:
        raise InspectionError("workers and chunk rows must be at least 1, review at least 0")
    mapping = load_column_map(columns) if columns is not None else ColumnMap()
    known = load_knowledge(knowledge)
    reader = open_source(source, mapping)
    try:
        job = job_for(reader, out, known, knowledge, mapping, review)
        run = _identity(source, mapping, job, chunk_rows)
        with Journal(out, run, resume) as journal:
            return _Run(reader, job, journal, out, rejects, workers, chunk_rows, progress).whole()
    finally:
        reader.close()


class _Run:
    """One run over one archive, from the first chunk that is not done yet to the summary."""

    def __init__(
        self,
        reader: Source,
        job: Job,
        journal: Journal,
        out: Path,
        rejects: Path,
        workers: int,
        chunk_rows: int,
        progress: Callable[[Progress], None] | None,
    ) -> None:
        self._reader = reader
        self._job = job
        self._journal = journal
        self._out = out
        self._rejects = rejects
        self._workers = workers
        self._chunk_rows = chunk_rows
        self._progress = progress or (lambda progress: None)
        self._model = Model(load_knowledge(job.knowledge))

    def whole(self) -> Summary:
        """Score what is left, put the files in place, sum up."""
        journal = self._journal
        tally, position = Tally(), 0
        for record in journal.records:
            tally, position = tally.plus(Tally.from_json(record["tally"])), record["position"]
        resumed = tally.rows
        try:
            if not journal.complete:
                tally = self._score(tally, position, resumed)
                journal.finish(self._assembled())
        except InspectionError:
            journal.discard()
            raise
        reopen = reopen_list(tally.review, self._job.plan, self._model, self._job.review)
        journal.publish(self._rejects)
        return Summary(
            self._out, self._rejects, tally, tuple(reopen), self._job.plan.warnings, resumed
        )

    def _score(self, tally: Tally, position: int, resumed: int) -> Tally:
        if not self._journal.records:
            columns = [*self._job.plan.columns, *added_columns(self._model.knowledge)]
            header = header_bytes(columns, self._job.kind, self._job.delimiter)
            start = {"position": 0, "tally": tally.as_json()}
            self._journal.commit(start, header, HEADER)
        chunks = self._reader.chunks(self._chunk_rows, position, tally.rows + 1)
        for chunk, done in self._done(chunks):
            # the count goes through the journal's own form, so that a resumed run adds up the same
            record = {"position": chunk.position, "tally": done.tally.as_json()}
            self._journal.commit(record, done.scored, done.rejects)
            tally = tally.plus(done.tally)
            self._progress(Progress(tally.rows, tally.scored, tally.rejected, resumed, chunk.share))
        return tally

    def _done(self, chunks: Iterator[Chunk]) -> Iterator[tuple[Chunk, Done]]:
        if self._workers == 1:
            return ((chunk, do_chunk(self._job, self._model, chunk)) for chunk in chunks)
        from loopodds.archive.workers import in_processes

        return in_processes(self._job, chunks, self._workers)

    def _assembled(self) -> str:
        """File of the run's folder that is the output: Parquet takes another pass over the rows."""
        if self._job.kind != "parquet":
            return SCORED
        finished = self._journal.folder / FINISHED
        with self._journal.scored_file() as spool:
            empty = empty_scored(self._reader.schema, self._model)
            write_parquet(spool, self._journal.scored_end, finished, empty)
        sync_file(finished)
        return FINISHED


def _check_paths(source: Path, out: Path, rejects: Path, columns: str | Path | None) -> None:
    inputs = [source, *([Path(columns)] if columns is not None else [])]
    for written in (out, rejects):
        if any(written.resolve() == read.resolve() for read in inputs):
            raise InspectionError(f"{written}: would overwrite what is read; choose another name")
        if written.is_dir():
            raise InspectionError(f"{written}: is a folder; give the name of a file")
    if out.resolve() == rejects.resolve():
        raise InspectionError(f"{out}: cannot hold both the scored rows and the rejects")


def _identity(source: Path, mapping: ColumnMap, job: Job, chunk_rows: int) -> dict[str, Any]:
    """Everything that the output depends on."""
    from importlib.metadata import version

    where = source.stat()
    with source.open("rb") as file:
        edges = file.read(EDGE_BYTES)
        file.seek(max(where.st_size - EDGE_BYTES, 0))
        edges += file.read(EDGE_BYTES)
    return {
        "archive": f"{where.st_size} bytes, {where.st_mtime_ns}, {short_digest(edges)}",
        "column_map": map_digest(mapping),
        "knowledge": job.digest,
        "output_format": job.kind,
        "review": job.review,
        "chunk_rows": chunk_rows,
        "version_of_loopodds": version("loopodds"),
    }
