"""Partitions of a data set scored by processes of this machine or workers of a Dask cluster.

The scheduler hands a partition to another worker when the one that had it dies. Nothing but plans
and counts travels: workers read and write the data themselves, in folders that all of them see.
"""

from __future__ import annotations

import concurrent.futures
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Any

from loopodds.archive.dataset import Partition, Scorer, score_partition
from loopodds.archive.job import Job
from loopodds.archive.summary import Tally
from loopodds.archive.workers import process_pool, result_of
from loopodds.base.errors import LoopoddsError

CONNECT_SECONDS = 10


def partitions_here(workers: int) -> Scorer:
    """Scorer for :func:`loopodds.archive.dataset.score_dataset` with processes of this machine."""

    def scorer(job: Job, partitions: Sequence[Partition], folder: Path) -> Iterator[Tally]:
        if workers == 1:
            for partition in partitions:
                yield Tally.from_json(score_partition(job, partition, str(folder)))
            return
        with process_pool(job, workers) as pool:
            futures = [pool.submit(score_partition, job, p, str(folder)) for p in partitions]
            for future in concurrent.futures.as_completed(futures):
                counted: dict[str, Any] = result_of(future)
                yield Tally.from_json(counted)

    return scorer


def partitions_on(address: str) -> Scorer:
    """Scorer for :func:`loopodds.archive.dataset.score_dataset` on the cluster at an address.

    Parameters
    ----------
    address : str
        Of the scheduler, such as ``tcp://10.0.0.5:8786``.
    """

    def scorer(job: Job, partitions: Sequence[Partition], folder: Path) -> Iterator[Tally]:
        return _scored(address, job, partitions, folder)

    return scorer


def _scored(
    address: str, job: Job, partitions: Sequence[Partition], folder: Path
) -> Iterator[Tally]:
    """Count of each partition as it is done, in any order.

    Raises
    ------
    LoopoddsError
        If there is no cluster, or a partition cannot be scored.
    """
    try:
        from distributed import Client, KilledWorker, as_completed
    except ImportError as error:
        raise LoopoddsError(
            "scoring on a cluster needs the extra 'cluster': pip install 'loopodds[cluster]'"
        ) from error
    try:
        client = Client(address, timeout=CONNECT_SECONDS, set_as_default=False)
    except (OSError, ValueError, TypeError) as error:
        raise LoopoddsError(f"no Dask scheduler answers at {address!r}: {error}") from error
    with client:
        try:
            client.wait_for_workers(1, timeout=CONNECT_SECONDS)
        except TimeoutError as error:
            raise LoopoddsError(f"the Dask cluster at {address!r} has no workers") from error
        where = str(folder.resolve())
        futures = [client.submit(score_partition, job, p, where, pure=False) for p in partitions]
        try:
            for future in as_completed(futures, loop=client.loop):
                yield Tally.from_json(future.result())
        except KilledWorker as error:
            raise LoopoddsError(
                "the workers kept dying on the same partition (out of memory?); "
                "--resume goes on from here"
            ) from error
        finally:
            client.cancel(futures)
