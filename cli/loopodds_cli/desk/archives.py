"""Archives as named on the command line, and the run that scores one, watched on a terminal."""

from __future__ import annotations

import csv
import json
import sys
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass, replace
from importlib import resources
from pathlib import Path
from typing import TYPE_CHECKING

from loopodds import InspectionError, unknown_name

if TYPE_CHECKING:
    from loopodds import Progress, Summary

ENDING, MAP_ENDING = ".csv.gz", ".columns.toml"
REVIEW_FILE_ROWS = 100
INVENTED = (
    "demo archive: its inspections are invented, drawn from the program's own knowledge, and so "
    "no evidence of its accuracy"
)


@dataclass(frozen=True, slots=True)
class Wishes:
    """What was asked for on the command line."""

    archive: str
    out: str
    rejects: str | None
    columns: str | None
    workers: int
    cluster: str | None
    resume: bool
    review: int
    review_out: str | None
    knowledge: str | None


def score(wishes: Wishes) -> Summary:
    """Score an archive, with a bar on a terminal and in silence elsewhere.

    Raises
    ------
    LoopoddsError
        If the archive, the column map or an option cannot be used.
    """
    if wishes.review_out is not None and Path(wishes.review_out).suffix not in (".csv", ".json"):
        raise InspectionError(
            f"{wishes.review_out}: end the name of the review list in .csv or .json"
        )
    review = wishes.review or (REVIEW_FILE_ROWS if wishes.review_out else 0)
    with ExitStack() as stack:
        source, columns = stack.enter_context(_opened(wishes.archive, wishes.columns))
        watch = stack.enter_context(_watched())
        summary = _run(wishes, source, columns, review, watch)
    if wishes.review_out is not None:
        write_review(summary, Path(wishes.review_out))
    demo = (INVENTED,) if wishes.archive.startswith("@") else ()
    return replace(summary, warnings=(*demo, *summary.warnings))


def _run(
    wishes: Wishes,
    source: Path,
    columns: Path | None,
    review: int,
    watch: Callable[[Progress], None] | None,
) -> Summary:
    if wishes.cluster is None and not source.is_dir():
        from loopodds import score_archive

        return score_archive(
            source,
            wishes.out,
            rejects=wishes.rejects,
            columns=columns,
            knowledge=wishes.knowledge,
            workers=wishes.workers,
            resume=wishes.resume,
            review=review,
            progress=watch,
        )
    from loopodds import partitions_here, partitions_on, score_dataset

    here = wishes.cluster is None
    return score_dataset(
        source,
        wishes.out,
        partitions_here(wishes.workers) if here else partitions_on(str(wishes.cluster)),
        rejects=wishes.rejects,
        columns=columns,
        knowledge=wishes.knowledge,
        resume=wishes.resume,
        review=review,
        progress=watch,
    )


@contextmanager
def _opened(archive: str, columns: str | None) -> Iterator[tuple[Path, Path | None]]:
    """Paths of an archive and its column map; a demo archive brings its own map."""
    given = Path(columns) if columns is not None else None
    if not archive.startswith("@"):
        yield Path(archive), given
        return
    folder = resources.files("loopodds_data").joinpath("archive")
    files = {entry.name: entry for entry in folder.iterdir()}
    names = [name.removesuffix(ENDING) for name in sorted(files) if name.endswith(ENDING)]
    name = archive.removeprefix("@")
    if name not in names:
        raise unknown_name("demo archive", name, names)
    with ExitStack() as stack:
        source = stack.enter_context(resources.as_file(files[name + ENDING]))
        if given is None and name + MAP_ENDING in files:
            given = stack.enter_context(resources.as_file(files[name + MAP_ENDING]))
        yield source, given


@contextmanager
def _watched() -> Iterator[Callable[[Progress], None] | None]:
    """A bar with rate and time left, if standard error is a terminal."""
    if not sys.stderr.isatty():
        yield None
        return
    from rich import progress as bars
    from rich.console import Console

    columns = (
        bars.BarColumn(bar_width=24),
        bars.TaskProgressColumn(),
        bars.TextColumn("{task.fields[rows]:,} rows, {task.fields[rate]:,.0f} a second, left"),
        bars.TimeRemainingColumn(),
    )
    with bars.Progress(*columns, console=Console(stderr=True), transient=True) as bar:
        task = bar.add_task("", total=1.0, rows=0, rate=0.0)

        def watch(progress: Progress) -> None:
            seconds = max(bar.tasks[0].elapsed or 0.0, 1e-3)
            rate = (progress.rows - progress.resumed) / seconds
            bar.update(task, completed=progress.share, rows=progress.rows, rate=rate)

        yield watch


def write_review(summary: Summary, path: Path) -> None:
    """The inspections worth reopening as a file, JSON or CSV by the end of its name."""
    if path.suffix == ".json":
        entries = [entry.as_json() for entry in summary.reopen]
        path.write_text(json.dumps(entries, indent=2, ensure_ascii=False), encoding="utf-8")
        return
    passed = list(dict.fromkeys(name for entry in summary.reopen for name in entry.passed))
    with path.open("w", encoding="utf-8", newline="") as file:
        writer = csv.writer(file, lineterminator="\n")
        writer.writerow(
            ["row", "reason", "expected_cost", "missed", "recorded", "conflict_bits", *passed]
        )
        for entry in summary.reopen:
            missed = "; ".join(f"{m.condition} {m.probability:.2f}" for m in entry.missed)
            recorded = "; ".join(f"{name} {value}" for name, value in entry.recorded.items())
            cells = [entry.row, entry.reason, f"{entry.cost:.2f}", missed, recorded]
            own = [entry.passed.get(name, "") for name in passed]
            writer.writerow([*cells, f"{entry.conflict.bits:.2f}", *own])
