"""An archive scored from file to file, or from folder to folder: in parts, in order.

Every part is a fixed run of rows, so the numbers do not depend on who shares the work: to the last
bit. Other parts can change the last digits (1e-12).
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from concurrent.futures import Executor
from contextlib import closing
from dataclasses import dataclass
from itertools import groupby, tee
from pathlib import Path
from typing import TYPE_CHECKING, Any

from loopodds.accelerator.passes import PROCESSOR
from loopodds.archive.chunks import CHUNK_ROWS, Chunk, row_digests
from loopodds.archive.csv_rows import CsvRows
from loopodds.archive.journal import (
    PARTS,
    REJECTS,
    SCORED,
    UNFINISHED,
    Journal,
    Kept,
    partial_folder,
)
from loopodds.archive.outputs import (
    REJECTS_HEADER,
    OutputKind,
    default_rejects,
    finished_output,
    header_bytes,
    output_format,
    parquet_rows,
    refuse_replacing,
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
from loopodds.archive.workers import (
    Job,
    Part,
    Room,
    ScoredPart,
    executor_for,
    identity_of,
    in_order,
    job_for,
    score_part,
)
from loopodds.base.errors import InspectionError, LoopoddsError
from loopodds.base.files import check_outputs, naming, real_path, sync_folder
from loopodds.base.spreadsheets import safe_cell
from loopodds.casebook.sources import MARK
from loopodds.inspection.columns import INTERVALS, NEXT, PLAN, added_columns

if TYPE_CHECKING:
    import pandas as pd

INVENTED = (
    "demo archive: its inspections are invented, drawn from the program's own knowledge, and so "
    "no evidence of its accuracy"
)

APPENDED_ROWS, NEXT_ROWS, MOST_TOLD = 4096, 64, 10
"""Rows of a part of an archive that grows, which are scored again at most; and with next tests."""
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
    append: bool = False,
    review: int = 0,
    spreadsheet_safe: bool = False,
    intervals: bool = False,
    plan: bool = False,
    next: bool = False,
    prices: str | Path | None = None,
    device: str = PROCESSOR,
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
        workers: Processes; a single one has two threads. The numbers do not depend on it.
        cluster: Address of a Dask scheduler in their place; Parquet only.
        resume: Go on where a killed run of the same job stopped.
        overwrite: Replace outputs that are there already.
        append: Add the rows that the archive has more than when the output was written, so, the
            last time; a part in which an old row has changed is scored again, and that is told.
            The output is as if all were scored anew. A file beside it says what it is made of.
        review: How many inspections worth reopening to list.
        spreadsheet_safe: Of a CSV output, write cells that pass through and that a spreadsheet
            would run as formulas behind an apostrophe; what scoring adds is always written so.
        intervals: Add a ``low_`` and a ``high_`` column for every probability: nine tenths of what
            it could be for the weights of the numbers behind it. Takes a hundred times as long.
        plan: Add the plan of least expected cost (``plan``, services in order) and that cost
            (``plan_cost``), as in a single case.
        next: Add the test to do next (``next_test``), empty where testing is to stop, as in a
            single case. Takes a thousand times as long.
        prices: Price file of the workshop for both; the shipped, invented ones when left out.
        device: ``gpu`` or ``gpu-float32`` runs large batches there, in one process; where there is
            none the processor does it, with a warning. Give it many rows at a time.
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
    if device != PROCESSOR and (workers > 1 or cluster is not None):
        raise InspectionError("one process feeds a graphics processor: leave out other workers")
    if workers < 1 or (part_rows or 1) < 1 or review < 0:
        raise InspectionError("workers and part rows must be at least 1, review at least 0")
    asked = {INTERVALS: intervals, PLAN: plan, NEXT: next}
    also = [name for name, wanted in asked.items() if wanted]
    tell = progress or (lambda _: None)
    if not isinstance(archive, str | Path):
        from loopodds.archive.frames import score_frame

        if out is not None or rejects is not None or review_out is not None or resume or append:
            raise InspectionError(
                "a frame is scored into a frame: no out, rejects, review_out, resume or append"
            )
        return score_frame(
            archive, columns, knowledge, workers, cluster, review, part_rows or CHUNK_ROWS,
            also, prices, device, tell,
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
        if append and spread:
            raise InspectionError(f"{out}: a folder cannot be added to; score to one file")
        if not (overwrite or (append and place.exists())):
            refuse_replacing(outputs.values(), place, resume)
        most = PARTITION_ROWS if spread else APPENDED_ROWS if append else CHUNK_ROWS
        rows = part_rows or (min(most, NEXT_ROWS) if next else most)
        files = parquet_files(path) if spread else (path,)
        with closing(DataSet(files) if spread else open_source(path, mapping)) as source:
            folder = str(partial_folder(place).resolve())
            job = job_for(
                source.name, source.schema, mapping, knowledge, kind, review, folder,
                spreadsheet_safe, also, prices, archive, device,
            )  # fmt: skip
            about = identity_of(files, mapping, job, rows)
            with closing(Journal(place, rejects, about, resume or append)) as journal:
                growth = _Growth(place, rejects, about, job) if append else None
                if growth is not None and not (journal.complete or overwrite):
                    try:
                        growth.kept.read(growth.about)
                    except InspectionError:
                        journal.discard()
                        raise
                run = _Run(source, job, rows, workers, cluster, tell, growth)
                tally, resumed = run.whole(journal, out)
                reopen = tuple(reopen_list(tally.review, job.plan, job.model, review))
                said = [INVENTED] * str(archive).startswith(MARK) + [DAMAGED] * journal.damaged
                if growth is not None:
                    said += growth.told()
                    growth.write(journal)
                summary = Summary(
                    out, rejects, tally, reopen, (*said, *job.warnings), resumed,
                    spreadsheet_safe, growth.rows_kept if growth else 0,
                    tuple(job.plan.used), tuple(job.plan.unused), job.plan.alike, job.ran_on,
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
    growth: _Growth | None = None

    def whole(self, journal: Journal, out: Path) -> tuple[Tally, int]:
        """Score what is left; the count of all rows, and how many an earlier run had done."""
        tally, position = Tally(), 0
        if self.growth is not None:
            self.growth.parts += journal.records
            self.growth.position = max(1, len(journal.records))
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
            line = journal.commit(start, header, REJECTS_HEADER)
            if self.growth is not None:
                self.growth.parts.append(line)
        parts = self.source.parts(self.rows, position, tally.rows + 1, self.job.plan.word_columns)
        for part, done, more in self._done(parts, executor, room):
            record = {"position": part.position, "tally": done.tally.as_json(), **more}
            if done.written:
                record["part"] = done.written
            line = journal.commit(record, done.scored, done.rejects)
            if self.growth is not None:
                self.growth.parts.append(line)
            tally = tally.plus(done.tally)
            told = RunProgress(tally.rows, tally.scored, tally.rejected, resumed, part.share)
            self.progress(told)
        return tally

    def _done(
        self, parts: Iterable[Part], executor: Executor, room: Room
    ) -> Iterator[tuple[Part, ScoredPart, dict[str, Any]]]:
        """Every part with its result, and what its line of the journal says besides."""
        growth = self.growth
        if growth is None:
            for part, done in in_order(self.job, parts, executor, room, score_part):
                yield part, done, {}
            return
        known = ((*growth.look(part), part) for part in parts if isinstance(part, Chunk))
        for kept, some in groupby(known, key=lambda one: one[0] is not None):
            if kept:
                for before, more, part in some:
                    assert before is not None
                    yield part, before, more
                continue
            ahead, noted = tee(some)
            fresh = in_order(self.job, (one[2] for one in ahead), executor, room, score_part)
            for (part, scored), (_, more, _) in zip(fresh, noted, strict=True):
                yield part, scored, more


class _Growth:
    """An output that grows: which of its parts are as they were, and what it is made of."""

    def __init__(self, out: Path, rejects: Path, about: Mapping[str, Any], job: Job) -> None:
        self.kept = Kept(out, rejects)
        self.about = {key: value for key, value in about.items() if key != "archive"}
        self.parts: list[Mapping[str, Any]] = []  # of the new output; the first is the header
        self.rows_kept = 0
        self._out, self._job = out, job
        self.position = 1  # of the next part; the header is at 0

    def look(self, part: Chunk) -> tuple[ScoredPart | None, dict[str, Any]]:
        """The part as it was scored before, None where it was not so, and what to note of it:
        hashes of its rows, and which of these have changed.
        """
        digests, changed = row_digests(part), []
        said = " ".join(digests)
        number, done = self.position, None
        self.position += 1
        if number < len(self.kept.parts):
            before = self.kept.parts[number]["rows"]
            if before == said:
                done = self._taken(number)
                self.rows_kept += len(digests)
            else:
                pairs = zip(digests, before.split(" "), strict=False)
                places = [i for i, (now, then) in enumerate(pairs) if now != then]
                changed = [part.first_row + i for i in places]
        return done, {"rows": said, "changed": changed}

    def _taken(self, number: int) -> ScoredPart:
        tally = Tally.from_json(self.kept.parts[number]["tally"])
        if self._job.kind == "parquet":
            before = sum(line["tally"]["scored"] for line in self.kept.parts[:number])
            scored = parquet_rows(self._out, before, tally.scored)
        else:
            scored = self.kept.bytes_of(number, SCORED)
        return ScoredPart(scored, self.kept.bytes_of(number, REJECTS), tally)

    def told(self) -> list[str]:
        """What is no longer as it was when it was scored."""
        said = []
        if changed := [row for line in self.parts for row in line.get("changed", ())]:
            rows = ", ".join(f"{row:,}" for row in changed[:MOST_TOLD])
            count, more = len(changed), ", ..." if len(changed) > MOST_TOLD else ""
            said.append(
                f"{count:,} row{' is' if count == 1 else 's are'} not as when scored before, and "
                f"scored again with those around: row{'' if count == 1 else 's'} {rows}{more}"
            )
        old, now = (
            sum(p["tally"]["rows"] for p in parts) for parts in (self.kept.parts, self.parts)
        )
        if old > now:
            said.append(f"{old - now:,} rows that were scored before are gone from the archive")
        return said

    def write(self, journal: Journal) -> None:
        """Note what the output is made of, before it is put in its place."""
        made = {SCORED: journal.folder / journal.complete, REJECTS: journal.folder / REJECTS}
        if all(path.exists() for path in made.values()):  # else put there by a run that was killed
            self.kept.write(self.about, self.parts, made)
