"""A fleet's archive gone through once, in parts, so that a killed run goes on where it stopped."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from loopodds.archive.chunks import CHUNK_ROWS, Chunk
from loopodds.archive.journal import FINISHED, Journal, partial_folder
from loopodds.archive.outputs import REJECTS_HEADER, refuse_replacing
from loopodds.archive.runner import DAMAGED, INVENTED, Source
from loopodds.archive.sources import (
    PARTITION_ROWS,
    DataSet,
    found_archive,
    open_source,
    parquet_files,
)
from loopodds.archive.summary import RunProgress
from loopodds.archive.workers import executor_for, identity_of, in_order, job_for
from loopodds.base.errors import InspectionError, LoopoddsError, unknown_name
from loopodds.base.files import check_outputs, naming, real_path, write_synced
from loopodds.casebook.sources import MARK
from loopodds.fleets.gathering import FleetJob, Gathered, gather_part, month_of
from loopodds.fleets.page import page_text
from loopodds.fleets.tables import Fleet
from loopodds.inspection.column_map import ColumnMap, load_column_map
from loopodds.inspection.columns import PLAN
from loopodds.inspection.vocabulary import grouping

if TYPE_CHECKING:
    import pandas as pd

MOST_BY = 12
DATED = 0.8
"""Share of the cells of a column that have to be dates for it to be one of dates."""

Told = Callable[[RunProgress], None]


def fleet(
    archive: str | Path | pd.DataFrame,
    out: str | Path | None = None,
    *,
    by: Sequence[str] = (),
    columns: str | Path | None = None,
    knowledge: str | Path | None = None,
    prices: str | Path | None = None,
    rejects: str | Path | None = None,
    workers: int = 1,
    resume: bool = False,
    overwrite: bool = False,
    part_rows: int | None = None,
    progress: Told | None = None,
) -> Fleet:
    """What an owner reads of an archive: how many cars have what, what was done, what it cost.

    Args:
        archive: As :func:`loopodds.score` takes it; a frame needs no ``out``.
        out: The page, one HTML file.
        by: Columns to compare by: workshop, technician, vehicle type; one of dates by month. Those
            that look like such columns when left out.
        prices: Price file of the workshop; the shipped, invented ones when left out.
        rejects: CSV of the rows that cannot be used; beside the page when left out.
        resume: Go on where a killed run of the same job stopped.
        overwrite: Replace outputs that are there already.

    Raises:
        UnknownName: if there is no such column.
        InspectionError: if the archive cannot be read or holds nothing known.
        FileError: if an output is there already or would destroy what is read.
        KnowledgeError: if the knowledge is inconsistent or has no prices.
    """
    if workers < 1 or (part_rows or 1) < 1:
        raise InspectionError("workers and part rows must be at least 1")
    tell = progress or (lambda _: None)
    if not isinstance(archive, str | Path):
        return _of_frame(archive, by, columns, knowledge, prices, workers, part_rows, tell)
    if out is None:
        raise InspectionError(f"{archive}: name the file that the page goes to")
    out = Path(out)
    with found_archive(archive, columns) as (path, mapping):
        files = parquet_files(path) if path.is_dir() else (path,)
        place = real_path(out) if out.is_symlink() else out
        aside = Path(rejects) if rejects is not None else out.with_name(f"{out.stem}.rejects.csv")
        outputs = {"the page": out, "the rejects": aside}
        inside = (path.parent,) if str(archive).startswith(MARK) else ()
        read = [path, *inside, *(Path(given) for given in (columns, knowledge, prices) if given)]
        check_outputs(outputs, read, [partial_folder(place)])
        if not overwrite:
            refuse_replacing(outputs.values(), place, resume)
        rows = part_rows or (PARTITION_ROWS if path.is_dir() else CHUNK_ROWS)
        with closing(DataSet(files) if path.is_dir() else open_source(path, mapping)) as source:
            work = _work(source, mapping, by, knowledge, prices, archive, path)
            about = identity_of(files, mapping, work.job, rows) | {"compared_by": list(work.by)}
            with closing(Journal(place, aside, about, resume)) as journal:
                run = _Run(source, work, rows, workers, tell)
                gathered, resumed = run.whole(journal)
                said = [INVENTED] * str(archive).startswith(MARK) + [DAMAGED] * journal.damaged
                warnings = (*said, *work.job.plan.warnings)
                made = Fleet(str(archive), gathered, work, warnings, resumed, str(out), str(aside))
                if not journal.complete:
                    with naming(journal.folder), (journal.folder / FINISHED).open("wb", 0) as file:
                        write_synced(file, page_text(made).encode())
                    journal.finish(FINISHED)
                journal.publish()
    return made


def _work(
    source: Source,
    mapping: ColumnMap,
    by: Sequence[str],
    knowledge: str | Path | None,
    prices: str | Path | None,
    archive: object,
    path: Path | None,
) -> FleetJob:
    job = job_for(
        source.name, source.schema, mapping, knowledge, "frame", 0, also=(PLAN,), prices=prices,
        archive=str(archive),
    )  # fmt: skip
    names = source.schema.names
    wanted = []
    for name in by:
        # a name of ours stands for the column that it is read from
        fed = [name] if name in names else job.plan.columns_of(name)
        if not fed:
            raise unknown_name("column", name, names)
        wanted += fed[:1]
    chosen = tuple(dict.fromkeys(wanted or _usual(names, job.plan.columns_of("refrigerant"))))
    if len(chosen) > MOST_BY:
        raise InspectionError(f"{len(chosen)} columns to compare by; a page holds {MOST_BY}")
    return FleetJob(job, chosen, _dated(path, mapping, chosen))


def _usual(names: Sequence[str], refrigerant: Sequence[str]) -> list[str]:
    """Columns that look like those by which fleets are compared."""
    kinds = {name: grouping(name) for name in names}
    first: dict[str, str] = {}
    for name, kind in kinds.items():
        if kind:
            first.setdefault(kind, name)
    return [*first.values(), *refrigerant[:1]]


def _dated(path: Path | None, mapping: ColumnMap, names: Sequence[str]) -> frozenset[str]:
    """Columns that hold dates, by the first rows."""
    if path is None or not names:
        return frozenset()
    if path.is_dir():
        path = parquet_files(path)[0]
    with closing(open_source(path, mapping)) as source:
        first = next(iter(source.parts(1000)), None)
    return frozenset() if first is None else dated_columns(first, names)


def dated_columns(chunk: Chunk, names: Sequence[str]) -> frozenset[str]:
    """Those of some columns of which nearly all cells are dates."""
    import pyarrow as pa
    import pyarrow.compute as pc

    found = set()
    for name in names:
        cells = [c for c in pc.cast(chunk.table.column(name), pa.string()).to_pylist() if c]
        dates = sum(bool(month_of(cell.strip())) for cell in cells)
        if cells and dates >= DATED * len(cells):
            found.add(name)
    return frozenset(found)


@dataclass(frozen=True, slots=True, eq=False)
class _Run:
    """One run over one archive, from the first part that is not done yet to the last."""

    source: Any
    work: FleetJob
    rows: int
    workers: int
    progress: Told

    def whole(self, journal: Journal) -> tuple[Gathered, int]:
        """What all rows amount to, and how many an earlier run had gathered."""
        gathered: Gathered | None = None
        position = resumed = 0
        for record in journal.records:
            if "gathered" in record:
                one = Gathered.from_json(record["gathered"])
                gathered = one if gathered is None else gathered.plus(one)
                position, resumed = record["position"], gathered.tally.rows
        try:
            if not journal.complete:
                if not journal.records:
                    journal.commit({"position": 0}, b"", REJECTS_HEADER)
                for part, one in self._parts(position, resumed + 1):
                    record = {"position": part.position, "gathered": one.as_json()}
                    journal.commit(record, b"", one.rejects)
                    gathered = one if gathered is None else gathered.plus(one)
                    done = gathered.tally
                    told = RunProgress(done.rows, done.scored, done.rejected, resumed, part.share)
                    self.progress(told)
            if gathered is None:
                raise InspectionError(f"{self.source.name}: no row below the header")
        except LoopoddsError as error:
            if isinstance(error, InspectionError) or journal.commits <= 1:
                journal.discard()
            raise
        return gathered, resumed

    def _parts(self, position: int, first: int) -> Iterator[tuple[Any, Gathered]]:
        parts = self.source.parts(self.rows, position, first, self.work.job.plan.word_columns)
        with executor_for(self.workers) as (executor, room):
            yield from in_order(self.work, parts, executor, room, gather_part)


def _of_frame(
    frame: pd.DataFrame,
    by: Sequence[str],
    columns: str | Path | None,
    knowledge: str | Path | None,
    prices: str | Path | None,
    workers: int,
    part_rows: int | None,
    tell: Told,
) -> Fleet:
    from loopodds.archive.frames import FrameSource

    mapping = load_column_map(columns)
    source = FrameSource(frame)
    work = _work(source, mapping, by, knowledge, prices, "frame", None)  # type: ignore[arg-type]
    first = next(iter(source.parts(1000)), None)
    if first is None:
        raise InspectionError("frame: it has no rows")
    work = FleetJob(work.job, work.by, dated_columns(first, work.by))
    gathered: Gathered | None = None
    with executor_for(workers) as (executor, room):
        parts = source.parts(part_rows or CHUNK_ROWS)
        for part, one in in_order(work, parts, executor, room, gather_part):
            gathered = one if gathered is None else gathered.plus(one)
            done = gathered.tally
            tell(RunProgress(done.rows, done.scored, done.rejected, 0, part.share))
    assert gathered is not None
    return Fleet("frame", gathered, work, work.job.plan.warnings, 0)
