"""Who scores the parts of an archive: this process, several of this machine, a Dask cluster.

All three are executors of ``concurrent.futures``. A part is a chunk of rows, or a partition that
the worker reads and writes itself; what comes back is bytes and a count, in the order of the parts.
"""

from __future__ import annotations

import os
import threading
from collections import deque
from collections.abc import Callable, Collection, Iterable, Iterator, Mapping, Sequence
from concurrent.futures import Executor, Future, ThreadPoolExecutor
from contextlib import AbstractContextManager, contextmanager
from dataclasses import dataclass, field, replace
from functools import lru_cache
from hashlib import sha256
from pathlib import Path
from shlex import quote
from socket import gethostname
from typing import TYPE_CHECKING, Any, TypeVar

from loopodds.accelerator.passes import PROCESSOR, NoAccelerator, accelerator
from loopodds.archive.chunks import Chunk
from loopodds.archive.outputs import (
    TEXT,
    OutputKind,
    as_text,
    check_writable,
    chunk_bytes,
    formula_count,
    rejects_bytes,
    without_formulas,
)
from loopodds.archive.scoring import score_chunk, score_partition
from loopodds.archive.sources import Partition
from loopodds.archive.summary import Tally
from loopodds.base.errors import InspectionError, LoopoddsError
from loopodds.base.files import content_digest
from loopodds.decision.prices import Prices, load_prices
from loopodds.diagnosis.model import Model
from loopodds.inspection.column_map import ColumnMap
from loopodds.inspection.columns import ColumnPlan, plan_columns
from loopodds.knowledge.records import Knowledge, absolute

if TYPE_CHECKING:
    import pyarrow as pa

# parts waiting for each process: enough to keep it busy, few enough to keep memory bounded
AHEAD = 2
# that share this process: compiled code, half of the work, lets the others go on; three would wait
THREADS = 2
CONNECT_SECONDS = 10

Part = Chunk | Partition
J = TypeVar("J")
R = TypeVar("R")
Room = Callable[[], int]  # how many parts may be under way at a time

_making = threading.Lock()  # threads that need the same model wait for one to compile it


@dataclass(frozen=True, slots=True, eq=False)
class Job:
    """The scoring of one archive, as it is sent to whoever scores a part of it."""

    plan: ColumnPlan
    knowledge: str | None  # its folder; none for the shipped one
    digest: str  # of the knowledge that the run was planned with
    kind: OutputKind
    delimiter: str  # of CSV
    review: int  # candidates for reopening to look for
    folder: str = ""  # where partitions put their files
    safe: bool = False  # whether formulas in columns that pass through are made harmless in CSV
    version: str = ""  # of the program that planned the run
    also: tuple[str, ...] = ()  # what is added besides: intervals, plan, next
    prices: str | None = None  # file; none for the shipped ones
    looked_at: frozenset[str] = frozenset()  # what of the network its rows can be about
    device: str = PROCESSOR  # that runs the passes
    fallen_back: str = ""  # why not the one that was asked for

    @property
    def model(self) -> Model:
        """The knowledge, compiled once a process for what the archive has columns for; an error if
        this one holds another.
        """
        with _making:
            return _model(self.knowledge, self.digest, self.looked_at, self.device)

    @property
    def warnings(self) -> tuple[str, ...]:
        """What to know of the columns, and of the device."""
        return (*self.plan.warnings, *([self.fallen_back] if self.fallen_back else []))

    def require_same_version(self) -> None:
        """An error where this process runs another version than the one that planned the run."""
        if self.version != own_version():
            here = f"process {os.getpid()} of {gethostname()}"
            raise LoopoddsError(_other_version(here, own_version(), self.version))

    @property
    def ran_on(self) -> dict[str, Any]:
        """The device, as plain data: its name, and of a card how far its answers were off."""
        card = accelerator(self.device)
        more = (
            {"name": card.name, "precision": card.precision, "off_by": card.apart} if card else {}
        )
        return {"device": self.device, **more}

    @property
    def price_list(self) -> Prices | None:
        """The prices, read once a process; None for the shipped ones."""
        return None if self.prices is None else _prices(self.prices, self.model.knowledge)


def job_for(
    name: str,
    schema: pa.Schema,
    mapping: ColumnMap,
    knowledge: str | Path | None,
    kind: OutputKind,
    review: int,
    folder: str = "",
    safe: bool = False,
    also: Collection[str] = (),
    prices: str | Path | None = None,
    archive: str | Path = "ARCHIVE",
    device: str = PROCESSOR,
) -> Job:
    """The job of scoring the archive of a name and schema.

    ``archive``: what to call it in advice; ``device``: the processor takes over where it is not.

    Raises:
        InspectionError: if its columns cannot be understood or not be written.
        UnknownName: if there is no such device.
    """
    known = Knowledge(knowledge)
    try:
        plan = plan_columns(schema.names, known, mapping, also)
    except InspectionError as error:
        told = InspectionError(f"{name}: {error}")
        raise told.helped_by(
            "starter map" if error.remedy else "", archive=quote(str(archive))
        ) from error
    check_writable(schema, kind)
    where = absolute(knowledge) if knowledge is not None else None
    if prices is not None:
        load_prices(prices, known)
        prices = os.path.abspath(prices)
    try:
        accelerator(device)
        why = ""
    except NoAccelerator as error:
        device, why = PROCESSOR, str(error)
    return Job(
        plan, where, known.digest, kind, mapping.delimiter, review, folder, safe, own_version(),
        tuple(sorted(also)), prices, plan.looked_at(known), device, why,
    )  # fmt: skip


def identity_of(files: Sequence[Path], mapping: ColumnMap, job: Job, rows: int) -> dict[str, Any]:
    """Everything that the output depends on, the archive by its whole content."""
    content = [content_digest(path) for path in files]
    always = sorted(mapping.always.items())
    style = (mapping.delimiter, mapping.decimal, sorted(mapping.not_observed), always)
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
        "device": job.device,
        "version_of_loopodds": job.version,
    }


def _short_digest(content: object) -> str:
    return sha256(repr(content).encode()).hexdigest()[:32]


def own_version() -> str:
    """Version of the program in this process."""
    from importlib.metadata import version

    return version("loopodds")


@dataclass(frozen=True, slots=True, eq=False)
class ScoredPart:
    """What came of a part: its count and the bytes to be added to the files of the run."""

    scored: bytes
    rejects: bytes
    tally: Tally
    written: Mapping[str, str] = field(default_factory=dict)  # file of a partition: name, digest


@lru_cache(maxsize=1)
def _model(folder: str | None, digest: str, looked_at: frozenset[str], device: str) -> Model:
    knowledge = Knowledge(folder)
    if knowledge.digest != digest:
        raise LoopoddsError(
            f"this worker holds knowledge {knowledge.digest}, the run was planned with "
            f"{digest}; install the same on all"
        )
    return Model(knowledge, compiled=True, passes=accelerator(device), looked_at=looked_at)


@lru_cache(maxsize=1)
def _prices(path: str, knowledge: Knowledge) -> Prices:
    return load_prices(path, knowledge)


def score_part(job: Job, part: Part) -> ScoredPart:
    """Score one part, in whatever process this is."""
    job.require_same_version()
    if isinstance(part, Partition):
        done = score_partition(
            part, job.plan, job.model, job.review, job.folder, job.also, job.price_list
        )
    else:
        done = score_chunk(part, job.plan, job.model, job.review, job.also, job.price_list)
    table, tally = done.table, done.tally
    if job.kind in TEXT:
        passed = job.plan.unread_columns
        tally = replace(tally, formulas=formula_count(table, passed))
        table = as_text(table, job.model.knowledge, job.also)
        ours = set(table.column_names) - set(job.plan.columns)
        table = without_formulas(table, ours.union(passed if job.safe else ()))
    scored = chunk_bytes(table, job.kind, job.delimiter)
    rejects = rejects_bytes(done.rejects, safe=job.kind != "frame")
    return ScoredPart(scored, rejects, tally, done.written)


def _other_version(worker: str, theirs: object, ours: str) -> str:
    return (
        f"worker {worker} runs loopodds {theirs}, this run is of loopodds {ours}; "
        "install the same on all"
    )


def in_order(
    job: J, parts: Iterable[Part], executor: Executor, room: Room, work: Callable[[J, Part], R]
) -> Iterator[tuple[Part, R]]:
    """Every part with its result, in order, no more under way than there is room for."""
    waiting: deque[tuple[Part, Future[R]]] = deque()
    try:
        for part in parts:
            waiting.append((part, executor.submit(work, job, part)))
            while len(waiting) >= room():
                first, future = waiting.popleft()
                yield first, future.result()
        while waiting:
            first, future = waiting.popleft()
            yield first, future.result()
    finally:
        for _, future in waiting:
            future.cancel()


def executor_for(
    workers: int, cluster: str | None = None
) -> AbstractContextManager[tuple[Executor, Room]]:
    """Whoever does the work, and how much of it at a time.

    With one worker, two threads of this process; ``cluster`` is the address of a Dask scheduler.

    Raises:
        LoopoddsError: if there is no cluster, or workers die; what is finished by then is kept.
    """
    if cluster is not None:
        return _cluster(cluster)
    return _processes(workers) if workers > 1 else _threads()


@contextmanager
def _threads() -> Iterator[tuple[Executor, Room]]:
    count = min(THREADS, os.cpu_count() or 1)
    with ThreadPoolExecutor(count) as executor:
        yield executor, lambda: count + 1


@contextmanager
def _processes(workers: int) -> Iterator[tuple[Executor, Room]]:
    from concurrent.futures.process import BrokenProcessPool, ProcessPoolExecutor
    from multiprocessing import get_context

    # spawned, not forked: a fork would copy locks that arrow's threads may be holding
    pool = ProcessPoolExecutor(workers, get_context("spawn"), _end_with_parent)
    try:
        yield pool, lambda: AHEAD * workers
    except BrokenProcessPool as error:
        died = LoopoddsError("a worker process died (out of memory?)")
        raise died.helped_by("fewer workers") from error
    finally:
        pool.shutdown(wait=True, cancel_futures=True)


def _end_with_parent() -> None:
    """Let a worker end itself when the process that started it is gone."""
    from multiprocessing import parent_process

    parent = parent_process()
    assert parent is not None

    def watch() -> None:
        parent.join()
        os._exit(1)

    threading.Thread(target=watch, daemon=True).start()


def _knock(address: str) -> None:
    """Refuse an address where nothing speaks as Dask does; a client would try it for ever."""
    import asyncio

    from distributed.comm import connect, get_address_host_port
    from distributed.security import Security
    from tornado.websocket import WebSocketError

    async def answers() -> None:
        how = Security().get_connection_args("client")
        comm = await asyncio.wait_for(connect(address, CONNECT_SECONDS, **how), CONNECT_SECONDS)
        await comm.close()

    try:
        get_address_host_port(address)
        asyncio.run(answers())
    except (OSError, ValueError, TypeError, WebSocketError) as error:
        reason = error if str(error) else f"silent for {CONNECT_SECONDS} s"
        raise LoopoddsError(
            f"no Dask scheduler answers at {address!r}: {reason}; write it as tcp://host:8786"
        ) from error


@contextmanager
def _cluster(address: str) -> Iterator[tuple[Executor, Room]]:
    """The scheduler hands a part to another worker when the one that had it dies."""
    try:
        from distributed import Client, KilledWorker
    except ImportError as error:
        raise LoopoddsError(
            "scoring on a cluster needs the extra 'cluster': pip install 'loopodds[cluster]'"
        ) from error
    _knock(address)
    client = Client(address, timeout=CONNECT_SECONDS, set_as_default=False)
    with client:
        try:
            client.wait_for_workers(1, timeout=CONNECT_SECONDS)
        except TimeoutError as error:
            raise LoopoddsError(f"the Dask cluster at {address!r} has no workers") from error
        for worker, theirs in client.run(own_version, on_error="return").items():
            if theirs != own_version():
                raise LoopoddsError(_other_version(worker, theirs, own_version()))
        executor = client.get_executor(pure=False)
        try:
            yield executor, lambda: AHEAD * sum(client.nthreads().values())
        except KilledWorker as error:
            died = LoopoddsError("the workers kept dying on the same partition (out of memory?)")
            raise died.helped_by("resume") from error
        finally:
            executor.shutdown(wait=False)
