"""A watch on an archive: whether it is what the knowledge foretells, if not since when and where.

Every look is foretold from the looks before it in its row; bets on every finding and gauge go on
from row to row in the order of time, and those that win are named.
"""

from __future__ import annotations

import json
import shutil
import tempfile
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from contextlib import ExitStack, closing, contextmanager
from hashlib import sha256
from itertools import islice
from math import exp
from pathlib import Path
from time import monotonic
from typing import Any, NamedTuple

import numpy as np

from loopodds.archive.encoded import EncodedArchive, Piece, encode_archive
from loopodds.archive.runner import INVENTED
from loopodds.archive.sources import found_archive, open_source
from loopodds.archive.summary import RunProgress
from loopodds.base.errors import InspectionError, unknown_name
from loopodds.base.files import content_digest, naming, write_whole
from loopodds.casebook.book import CaseBook
from loopodds.casebook.export import ABOUT, write_archive
from loopodds.casebook.file import is_book
from loopodds.casebook.sources import MARK
from loopodds.diagnosis.model import Model
from loopodds.drift.alarms import Teller
from loopodds.drift.bets import threshold
from loopodds.drift.judging import Judge
from loopodds.drift.kept import LookFiles
from loopodds.drift.looks import Looks, looks_of, not_judged, order_of_looks
from loopodds.drift.results import Watch
from loopodds.drift.times import Times
from loopodds.inspection.columns import ColumnPlan, plan_columns
from loopodds.knowledge.records import Knowledge
from loopodds.upkeep.estimation import in_turn

DATE = "date"
"""Column that orders the rows where none is named; without one they stand in order."""
BOOK_DATE = ABOUT[1]
STATE, ROWS, LOOKS, REJECTS = "state.json", "rows", "looks", "rejects.csv"
PIECE_ROWS = 2048
NOTED_EVERY_S = 10.0
SEED = 20261128


class WatchProgress(NamedTuple):
    """How far the watch is: what it does, rows done, and the share of all (nan: not known)."""

    stage: str
    rows: int
    share: float


def watch(
    archive: str | Path,
    *,
    columns: str | Path | None = None,
    knowledge: str | Path | None = None,
    by: Sequence[str] = (),
    date: str | None = None,
    keep: str | Path | None = None,
    rejects: str | Path | None = None,
    workers: int = 2,
    progress: Callable[[WatchProgress], None] | None = None,
) -> Watch:
    """Watch an archive, or a case book, for drift away from the knowledge.

    Args:
        archive: CSV, gzipped CSV or Parquet, ``@name`` for a shipped archive, or the file of a case
            book, of which the closed cases are taken.
        columns: Column map.
        knowledge: Folder of knowledge files; the shipped ones when left out.
        by: Columns (workshop, technician, gauge) whose words are also judged apart.
        date: Column of dates or times (ISO 8601) that orders the rows; `DATE` if there is one,
            else they stand in order.
        keep: Folder for what is worked out, in which a killed run of the same job goes on.
        rejects: CSV of the rows that cannot be used, with the reason of each.
        workers: Threads.
        progress: Told after every part.

    Raises:
        InspectionError: if the archive cannot be read or holds nothing known, lacks a column that
            is named, or ``keep`` is of another job.
        KnowledgeError: if the knowledge is inconsistent.
    """
    known, by = Knowledge(knowledge), tuple(dict.fromkeys(by))
    with ExitStack() as stack:
        path, left_out = stack.enter_context(_archive_of(archive, known))
        booked = path != archive
        plan = _plan_of(path, columns, known)
        chosen = date or (BOOK_DATE if booked else DATE if DATE in plan.columns else "")
        for name in (*by, *((chosen,) if chosen else ())):
            if name not in plan.columns:
                raise unknown_name("column", name, plan.columns)
        folder = Path(keep) if keep else Path(stack.enter_context(tempfile.TemporaryDirectory()))
        run = _Run(known, plan, folder, by, chosen, workers, progress or (lambda _: None))
        run.begin(_identity(path, columns, known, by, chosen))
        data = run.encoded(path, columns)
        if rejects is not None:
            write_whole(Path(rejects), (folder / ROWS / REJECTS).read_text(encoding="utf-8"))
        files = stack.enter_context(closing(run.files()))
        run.look(data, files)
        said = [INVENTED] * str(archive).startswith(MARK) + list(left_out)
        return run.judged(data, files, said)


@contextmanager
def _archive_of(
    archive: str | Path, knowledge: Knowledge
) -> Iterator[tuple[str | Path, tuple[str, ...]]]:
    """Path of an archive; of a case book that of one made of its closed cases, and what is not."""
    if str(archive).startswith(MARK) or not is_book(Path(archive)):
        yield archive, ()
        return
    with tempfile.TemporaryDirectory() as folder, CaseBook(archive, write=False) as book:
        path = Path(folder, f"{Path(archive).stem}.csv")
        with path.open("w", encoding="utf-8", newline="") as file:
            archived = write_archive(book, knowledge, file)
        if not archived.rows:
            raise InspectionError(f"{archive}: no case of the book is closed")
        yield path, archived.left_out


def _plan_of(archive: str | Path, columns: str | Path | None, knowledge: Knowledge) -> ColumnPlan:
    with (
        found_archive(archive, columns) as (path, mapping),
        closing(open_source(path, mapping)) as source,
    ):
        return plan_columns(source.schema.names, knowledge, mapping)


def _identity(
    path: str | Path, columns: str | Path | None, knowledge: Knowledge, *more: Any
) -> str:
    content = [
        content_digest(Path(one)) if Path(one).is_file() else str(one)
        for one in (path, columns)
        if one
    ]
    return sha256(repr((content, knowledge.digest, more, SEED)).encode()).hexdigest()[:32]


def _noted(path: Path) -> dict[str, Any]:
    """What an earlier run has noted."""
    try:
        noted = json.loads(path.read_text(encoding="utf-8"))
    except ValueError:
        noted = None
    if not isinstance(noted, dict):
        raise InspectionError(f"{path}: is damaged; remove {path.parent} and begin anew")
    return noted


class _Run:
    """One run, its working folder."""

    def __init__(
        self,
        knowledge: Knowledge,
        plan: ColumnPlan,
        folder: Path,
        by: tuple[str, ...],
        date: str,
        workers: int,
        tell: Callable[[WatchProgress], None],
    ) -> None:
        self.knowledge, self.plan, self.folder = knowledge, plan, folder
        self.by, self.date, self.workers, self.tell = by, date, workers, tell
        self.model = Model(knowledge, compiled=True)
        self.saved: dict[str, Any] = {}

    def begin(self, identity: str) -> None:
        """Take up what an earlier run of the same job has done, or begin."""
        path = self.folder / STATE
        with naming(self.folder):
            self.folder.mkdir(parents=True, exist_ok=True)
            if path.is_file():
                self.saved = _noted(path)
            elif any(self.folder.iterdir()):
                raise InspectionError(f"{self.folder}: is in the way, and no watch made it")
        if self.saved.setdefault("identity", identity) != identity:
            raise InspectionError(
                f"{self.folder}: is of another archive, knowledge or choice; choose another folder"
            )
        self.save()

    def save(self, **more: Any) -> None:
        """Note how far the run is."""
        self.saved |= more
        write_whole(self.folder / STATE, json.dumps(self.saved))

    def encoded(self, archive: str | Path, columns: str | Path | None) -> EncodedArchive:
        """The rows of the archive, from an earlier run where that had read them all."""
        rows = self.folder / ROWS
        if "data" in self.saved:
            return EncodedArchive(rows, **self.saved["data"])
        shutil.rmtree(rows, ignore_errors=True)

        def watch(run: RunProgress) -> None:
            self.tell(WatchProgress("reading", run.rows, run.share))

        tags = dict.fromkeys((*self.by, *((self.date,) if self.date else ())))
        data = encode_archive(archive, self.model, rows, columns, tags, watch)
        fields = {name: getattr(data, name) for name in data.__dataclass_fields__}
        del fields["folder"]
        self.save(data=fields)
        return data

    def files(self) -> LookFiles:
        """Files of looks, as far as an earlier run has noted them."""
        return LookFiles(self.folder / LOOKS, self.by, self.saved.get("sizes", {}))

    def look(self, data: EncodedArchive, files: LookFiles) -> None:
        """Every look, foretold; taken up where an earlier run has noted it."""
        done = int(self.saved.get("pieces", 0))
        order = order_of_looks(self.plan, self.knowledge)
        judged = set(order) - set(not_judged(self.plan, self.knowledge))
        rows, noted = int(self.saved.get("row_count", 0)), monotonic()

        def work(piece: Piece) -> list[Looks]:
            rng = np.random.default_rng([SEED, int(piece.numbers[0])])
            tree = self.model.tree(piece.context)
            return [*looks_of(piece, tree, self.knowledge, order, judged, rng)]

        with ThreadPoolExecutor(self.workers) as executor:
            to_do = islice(data.pieces(PIECE_ROWS), done, None)
            for piece, found in in_turn(executor, work, to_do, self.workers + 1):
                for looks in found:
                    files.add(looks, piece)
                done, rows = done + 1, rows + len(piece.numbers)
                self.tell(WatchProgress("foretelling", rows, rows / data.rows))
                if monotonic() - noted > NOTED_EVERY_S:
                    self.save(pieces=done, row_count=rows, sizes=files.sizes())
                    noted = monotonic()
        self.save(pieces=done, row_count=rows, sizes=files.sizes())

    def judged(self, data: EncodedArchive, files: LookFiles, said: Sequence[str]) -> Watch:
        """All streams against what it takes, and what the alarms come to."""
        self.tell(WatchProgress("judging", data.rows, float("nan")))
        times = Times(data, self.by, self.date)
        columns = {name: (len(data.words[name]), times.codes[name]) for name in self.by}
        judge = Judge(files, times.ranks, columns)
        streams = sorted(judge.streams(), key=lambda stream: -stream.highest)
        needed = threshold([stream.highest for stream in streams])
        teller = Teller(self.knowledge, self.plan, data, times, judge, needed)
        over = [stream for stream in streams if stream.highest >= needed]
        if over:
            self.tell(WatchProgress("looking for causes", data.rows, float("nan")))
        return Watch(
            len(times.numbers), data.rejected, sum(len(files.read(key)) for key in files.keys),
            len(streams), self.date, times.moment(0), times.moment(len(times.numbers) - 1),
            exp(-needed), exp(-streams[0].highest) if streams else 1.0,
            tuple(teller.alarms(over)), teller.together(over), tuple(teller.courses(streams)),
            self.unjudged(), (*said, *times.warnings, *data.warnings),
        )  # fmt: skip

    def unjudged(self) -> dict[str, str]:
        """What of the archive is believed but not judged, and why."""
        held = {feed.name for feed in self.plan.feeds}
        held |= {self.knowledge.amounts[n][0].name for n in held & set(self.knowledge.amounts)}
        every = not_judged(self.plan, self.knowledge).items()
        return {name: reason for name, reason in every if name in held}
