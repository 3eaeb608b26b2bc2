"""Chunks scored by several processes, results in the order of the chunks."""

from __future__ import annotations

import multiprocessing
import os
import threading
from collections import deque
from collections.abc import Iterator
from concurrent.futures import Future, ProcessPoolExecutor
from concurrent.futures.process import BrokenProcessPool
from typing import TYPE_CHECKING, Any, TypeVar

from loopodds.archive.job import Done, Job, do_chunk
from loopodds.archive.sources import Chunk
from loopodds.base.errors import LoopoddsError
from loopodds.diagnosis.model import Model
from loopodds.knowledge.records import load_knowledge

if TYPE_CHECKING:
    import pyarrow as pa

T = TypeVar("T")
AHEAD = 2
"""Chunks waiting for each process: enough to keep it busy, few enough to keep memory bounded."""

_here: dict[str, Any] = {}


def in_processes(job: Job, chunks: Iterator[Chunk], workers: int) -> Iterator[tuple[Chunk, Done]]:
    """Every chunk with its result, in order.

    Raises
    ------
    LoopoddsError
        If a process dies; what is finished by then is kept.
    """
    pool = process_pool(job, workers)
    waiting: deque[tuple[Chunk, Future[Done]]] = deque()
    try:
        for chunk in chunks:
            waiting.append((chunk, pool.submit(_score, packed(chunk))))
            if len(waiting) >= AHEAD * workers:
                yield _first(waiting)
        while waiting:
            yield _first(waiting)
    finally:
        pool.shutdown(wait=True, cancel_futures=True)


def process_pool(job: Job, workers: int) -> ProcessPoolExecutor:
    """Processes ready to score parts of a job; they end with this one."""
    # spawned, not forked: a fork would copy locks that arrow's threads may be holding
    context = multiprocessing.get_context("spawn")
    return ProcessPoolExecutor(workers, context, _prepare, (job,))


def _first(waiting: deque[tuple[Chunk, Future[Done]]]) -> tuple[Chunk, Done]:
    chunk, future = waiting.popleft()
    return chunk, result_of(future)


def result_of(future: Future[T]) -> T:
    """Result of a task.

    Raises
    ------
    LoopoddsError
        If the process that had it died.
    """
    try:
        return future.result()
    except BrokenProcessPool as error:
        raise LoopoddsError(
            "a worker process died (out of memory?); --resume goes on from here, "
            "perhaps with fewer --workers"
        ) from error


def _prepare(job: Job) -> None:
    """Set up a worker; it ends itself when the process that started it is gone."""
    threading.Thread(target=_end_with_parent, daemon=True).start()
    _here["job"] = job
    _here["model"] = Model(load_knowledge(job.knowledge))


def _end_with_parent() -> None:
    parent = multiprocessing.parent_process()
    if parent is not None:
        parent.join()
        os._exit(1)


def _score(chunk: tuple[Any, ...]) -> Done:
    return do_chunk(_here["job"], _here["model"], unpacked(chunk))


def packed(chunk: Chunk) -> tuple[Any, ...]:
    """A chunk to be sent to another process; of a sliced table only the slice travels."""
    import pyarrow as pa

    sink = pa.BufferOutputStream()
    with pa.ipc.new_stream(sink, chunk.table.schema) as writer:
        writer.write_table(chunk.table)
    rest = (chunk.offsets, chunk.problems, chunk.position, chunk.share)
    return (chunk.first_row, chunk.count, sink.getvalue().to_pybytes(), *rest)


def unpacked(parts: tuple[Any, ...]) -> Chunk:
    """The inverse of :func:`packed`."""
    import pyarrow as pa

    first_row, count, stream, *rest = parts
    table: pa.Table = pa.ipc.open_stream(stream).read_all()
    return Chunk(first_row, count, table, *rest)
