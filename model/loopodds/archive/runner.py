"""An archive scored from file to file, or from folder to folder: in parts, in order.

Every part is a fixed run of rows, so the numbers do not depend on who shares the work: to the last
bit. Other parts can change the last digits (1e-12).
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from concurrent.futures import Executor
from contextlib import closing
from dataclasses import dataclass
from hashlib import sha256
from pathlib import Path
from typing import TYPE_CHECKING, Any

from loopodds.archive.chunks import CHUNK_ROWS
from loopodds.archive.csv_rows import CsvRows
from loopodds.archive.journal import JOURNAL, PARTS, UNFINISHED, Journal, partial_folder
from loopodds.archive.outputs import (
    REJECTS_HEADER,
    OutputKind,
    finished_output,
    header_bytes,
    output_format,
)
from loopodds.archive.review import reopen_list
from loopodds.archive.scoring import empty_scored
from loopodds.archive.sources import (
    PARTITION_ROWS,
    DataSet,
    ParquetSource,
    found_archive,
    open_source,
    parquet_files,
)
from loopodds.archive.summary import RunProgress, Summary, Tally
from loopodds.archive.workers import Job, Room, executor_for, in_order, job_for, score_part
from loopodds.base.errors import FileError, InspectionError, LoopoddsError
from loopodds.base.files import check_outputs, content_digest, naming, real_path, sync_folder
from loopodds.base.spreadsheets import safe_cell
from loopodds.casebook.sources import MARK
from loopodds.inspection.column_map import ColumnMap
from loopodds.inspection.columns import INTERVALS, NEXT, PLAN, added_columns

if TYPE_CHECKING:
    import pandas as pd

INVENTED = (
    "demo archive: its inspections are invented, drawn from the program's own knowledge, and so "
    "no evidence of its accuracy"
)

DAMAGED = (
    "part of what an earlier run had done was no longer as it was written; it has been done again"
)
REVIEW_ENDINGS = (".csv", ".json")

Source = CsvRows | ParquetSource | DataSet


def score(
    archive: str | Path | pd.DataFrame,
    out: str | Path | None = None,
    *,
    columns: str | Path | None = None,
    knowledge: str | Path | None = None,
    rejects: str | Path | None = None,
    review_out: str | Path | None = None,
    workers: int = 1,
    cluster: str | None = None,
    resume: bool = False,
    overwrite: bool = False,
    review: int = 0,
    spreadsheet_safe: bool = False,
    intervals: bool = False,
    plan: bool = False,
    next: bool = False,
    prices: str | Path | None = None,
    part_rows: int | None = None,
    progress: Callable[[RunProgress], None] | None = None,
) -> Summary | pd.DataFrame:
    """Score every inspection of an archive.

    Args:
        archive: CSV (``.csv``, ``.csv.gz``), Parquet, a folder of Parquet files, ``@name`` for a
            shipped archive, or a frame.
        out: Where the scored rows go, CSV or Parquet in any combination; a folder for a folder and
            for what a cluster scores. Left out for a frame.
        columns: Column map.
        knowledge: Folder of knowledge files; the shipped ones when left out.
        rejects: CSV of the rows set aside; beside the output when left out.
        review_out: Where the list of those worth reopening goes, ``.csv`` or ``.json``.
        workers: Processes; the numbers do not depend on it.
        cluster: Address of a Dask scheduler in their place; Parquet only.
        resume: Go on where a killed run of the same job stopped.
        overwrite: Replace outputs that are there already.
        review: How many inspections worth reopening to list.
        spreadsheet_safe: Of a CSV output, write cells that pass through and that a spreadsheet
            would run as formulas behind an apostrophe; what scoring adds is always written so.
        intervals: Add a ``low_`` and a ``high_`` column for every probability: nine tenths of what
            it could be for the weights of the numbers behind it. Takes a hundred times as long.
        plan: Add the plan of least expected cost (``plan``, services in order) and that cost
            (``plan_cost``), as ``loopodds plan`` finds them.
        next: Add the test to do next (``next_test``), empty where testing is to stop, as ``loopodds
            next`` chooses it. Takes a thousand times as long.
        prices: Price file of the workshop for both; the shipped, invented ones when left out.
        part_rows: Rows that each process is given at a time; of a folder, as whole row groups.
        progress: Told after every part.

    Returns:
        What came of it, scored and rejected rows together exactly those read; for a frame, a frame
        as :func:`loopodds.archive.frames.score_frame` describes.

    Raises:
        InspectionError: if the archive cannot be read or holds nothing known, or a resumed run is
            another one. No output is left then.
        FileError: if an output would destroy what is read or another output, before anything is
            done; or if it cannot be written. What is done by then can be resumed.
        KnowledgeError: if the knowledge is inconsistent.
        LoopoddsError: if workers die or there is no cluster; what is done can be resumed.
    """
    if workers < 1 or (part_rows or 1) < 1 or review < 0:
        raise InspectionError("workers and part rows must be at least 1, review at least 0")
    asked = {INTERVALS: intervals, PLAN: plan, NEXT: next}
    also = [name for name, wanted in asked.items() if wanted]
    tell = progress or (lambda _: None)
    if not isinstance(archive, str | Path):
        from loopodds.archive.frames import score_frame

        if out is not None or rejects is not None or review_out is not None or resume:
            raise InspectionError(
                "a frame is scored into a frame: no out, rejects, review_out or resume"
            )
        return score_frame(
            archive, columns, knowledge, workers, cluster, review, part_rows or CHUNK_ROWS,
            also, prices, tell,
        )  # fmt: skip
    if out is None:
        raise InspectionError(f"{archive}: name the file that the scored rows go to")
    if review_out is not None and Path(review_out).suffix not in REVIEW_ENDINGS:
        raise InspectionError(f"{review_out}: end the name of the review list in .csv or .json")
    out = Path(out)
    with found_archive(archive, columns) as (path, mapping):
        spread = cluster is not None or path.is_dir()
        kind: OutputKind = "folder" if spread else output_format(out)
        rejects = Path(rejects) if rejects is not None else default_rejects(out)
        outputs = {"the scored rows": out, "the rejects": rejects}
        if review_out is not None:
            outputs["the review list"] = Path(review_out)
        inside = (path.parent,) if str(archive).startswith(MARK) else ()
        read = [path, *inside, *(Path(given) for given in (columns, knowledge, prices) if given)]
        place = real_path(out) if out.is_symlink() else out
        check_outputs(outputs, read, [partial_folder(place)], [out] if kind == "folder" else [])
        if not overwrite:
            refuse_replacing(outputs.values(), place, resume)
        rows = part_rows or (PARTITION_ROWS if spread else CHUNK_ROWS)
        files = parquet_files(path) if spread else (path,)
        with closing(DataSet(files) if spread else open_source(path, mapping)) as source:
            folder = str(partial_folder(place).resolve())
            job = job_for(
                source.name, source.schema, mapping, knowledge, kind, review, folder,
                spreadsheet_safe, also, prices, archive,
            )  # fmt: skip
            run = _Run(source, job, rows, workers, cluster, tell)
            about = identity_of(files, mapping, job, rows)
            with closing(Journal(place, rejects, about, resume)) as journal:
                tally, resumed = run.whole(journal, out)
                reopen = tuple(reopen_list(tally.review, job.plan, job.model, review))
                said = [INVENTED] * str(archive).startswith(MARK) + [DAMAGED] * journal.damaged
                warnings = (*said, *job.plan.warnings)
                summary = Summary(
                    out, rejects, tally, reopen, warnings, resumed, spreadsheet_safe,
                    tuple(job.plan.used), tuple(job.plan.unused), job.plan.alike,
                )  # fmt: skip
                if review_out is not None:
                    summary.write_review(Path(review_out))
                journal.publish()
    return summary


@dataclass(frozen=True, slots=True, eq=False)
class _Run:
    """One run over one archive, from the first part that is not done yet to the last."""

    source: Source
    job: Job
    rows: int
    workers: int
    cluster: str | None
    progress: Callable[[RunProgress], None]

    def whole(self, journal: Journal, out: Path) -> tuple[Tally, int]:
        """Score what is left; the count of all rows, and how many an earlier run had done."""
        tally, position = Tally(), 0
        for record in journal.records:
            tally, position = tally.plus(Tally.from_json(record["tally"])), record["position"]
        resumed = tally.rows
        if journal.complete:
            return tally, resumed
        try:
            if self.job.kind == "folder" and out.exists():
                raise InspectionError(f"{out}: is there already; remove it or choose another name")
            if self.job.kind == "folder":
                with naming(journal.folder):
                    for name in (PARTS, UNFINISHED):
                        (journal.folder / name).mkdir(exist_ok=True)
                    sync_folder(journal.folder)
            with executor_for(self.workers, self.cluster) as (executor, room):
                tally = self._score(journal, tally, position, executor, room)
            empty = empty_scored(self.source.schema, self.job.model, self.job.also)
            journal.finish(finished_output(journal.folder, self.job.kind, empty))
        except LoopoddsError as error:
            # what workers had done by the time they died is kept; the header is no loss
            if isinstance(error, InspectionError) or journal.commits <= 1:
                journal.discard()
            raise
        return tally, resumed

    def _score(
        self, journal: Journal, tally: Tally, position: int, executor: Executor, room: Room
    ) -> Tally:
        resumed = tally.rows
        if not journal.records:
            passed: Sequence[str] = self.job.plan.columns
            if self.job.safe:
                passed = [safe_cell(name) for name in passed]
            columns = [*passed, *added_columns(self.job.model.knowledge, self.job.also)]
            header = header_bytes(columns, self.job.kind, self.job.delimiter)
            start = {"position": 0, "tally": tally.as_json()}
            journal.commit(start, header, REJECTS_HEADER)
        parts = self.source.parts(self.rows, position, tally.rows + 1, self.job.plan.word_columns)
        for part, done in in_order(self.job, parts, executor, room, score_part):
            record = {"position": part.position, "tally": done.tally.as_json()}
            if done.written:
                record["part"] = done.written
            journal.commit(record, done.scored, done.rejects)
            tally = tally.plus(done.tally)
            told = RunProgress(tally.rows, tally.scored, tally.rejected, resumed, part.share)
            self.progress(told)
        return tally


def refuse_replacing(outputs: Iterable[Path], out: Path, resume: bool) -> None:
    """Refuse outputs that are there already, unless a run that is taken up put them there."""
    if resume and (partial_folder(out) / JOURNAL).exists():
        return
    for path in outputs:
        if path.is_file():
            raise FileError(f"{path}: is there already").helped_by("overwrite")


def default_rejects(out: Path) -> Path:
    """Where the rejects go unless told: ``scored.csv.gz`` has ``scored.rejects.csv``."""
    stem = out.name
    for suffix in (".gz", ".csv", ".parquet", ".txt", ".tsv", ".pq"):
        stem = stem.removesuffix(suffix)
    return out.with_name(f"{stem}.rejects.csv")


def identity_of(files: Sequence[Path], mapping: ColumnMap, job: Job, rows: int) -> dict[str, Any]:
    """Everything that the output depends on, the archive by its whole content."""
    content = [content_digest(path) for path in files]
    style = (mapping.delimiter, mapping.decimal, sorted(mapping.not_observed))
    columns = [
        (c.name, c.column, c.unit, sorted(c.values.items()), c.others) for c in mapping.columns
    ]
    size = sum(path.stat().st_size for path in files)
    return {
        "archive": f"{size} bytes, {_short_digest(content)}",
        "column_map": _short_digest((style, columns)),
        "knowledge": job.digest,
        "output_format": job.kind,
        "review": job.review,
        "part_rows": rows,
        "spreadsheet_safe": job.safe,
        "additions": " ".join(job.also),
        "prices": content_digest(Path(job.prices)) if job.prices else "",
        "version_of_loopodds": job.version,
    }


def _short_digest(content: object) -> str:
    return sha256(repr(content).encode()).hexdigest()[:32]
