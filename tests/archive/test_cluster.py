"""Many machines give the numbers of one, also when one of them dies at its work."""

from __future__ import annotations

import os
import signal
import socket
import subprocess
import sys
from collections.abc import Iterator
from concurrent.futures import Executor, Future
from contextlib import contextmanager, nullcontext
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow.parquet as pq
import pytest
from invented_archives import SMALL, changed_knowledge, invented_rows, read_rows, table_of
from loopodds.archive import runner, workers
from loopodds.archive.runner import score
from loopodds.archive.summary import RunProgress, Summary
from loopodds.base.errors import InspectionError, LoopoddsError

ROWS = 900


@pytest.fixture
def data_set(tmp_path: Path) -> Path:
    """Three Parquet files of 300 rows in groups of 50, a few rows spoilt."""
    rows = invented_rows(ROWS, 31)
    for number in range(5, ROWS, 111):
        rows[number]["sample_bubbles"] = "yes"
    table = table_of(rows)
    folder = tmp_path / "in"
    folder.mkdir()
    for number in range(3):
        part = table.slice(300 * number, 300)
        pq.write_table(part, folder / f"year{number}.parquet", row_group_size=50)
    pq.write_table(table, tmp_path / "one.parquet")
    return folder


def counted(summary: Summary) -> dict[str, Any]:
    """What a run found, without where it put it."""
    return {**summary.as_json(), "out": "", "rejects": "", "resumed": 0}


@pytest.mark.slow
def test_a_cluster_gives_the_local_numbers_though_a_worker_is_killed(
    data_set: Path, tmp_path: Path
) -> None:
    from distributed import Client, LocalCluster

    local = score(data_set, tmp_path / "local", knowledge=SMALL, part_rows=50)
    with LocalCluster(
        n_workers=2, threads_per_worker=1, processes=True, dashboard_address=None
    ) as cluster:
        with Client(cluster) as client:
            workers = client.run(os.getpid)
        assert len(set(workers.values())) == 2
        victims = iter(list(workers.values())[:1])

        def kill_one(progress: RunProgress) -> None:
            assert progress.rows <= ROWS
            for victim in victims:
                os.kill(victim, signal.SIGKILL)

        spread = score(
            data_set,
            tmp_path / "spread",
            cluster=cluster.scheduler_address,
            knowledge=SMALL,
            part_rows=50,
            progress=kill_one,
        )
        with Client(cluster) as client:
            assert set(client.run(os.getpid).values()) != set(workers.values())
    assert counted(spread) == counted(local)
    assert spread.tally.rows == ROWS
    assert len(list((tmp_path / "spread").iterdir())) == 18
    assert pq.read_table(tmp_path / "spread").equals(pq.read_table(tmp_path / "local"))
    rejects = [read_rows(tmp_path / f"{name}.rejects.csv") for name in ("local", "spread")]
    assert rejects[0] == rejects[1]


def test_a_data_set_gives_the_numbers_of_a_single_file(data_set: Path, tmp_path: Path) -> None:
    summary = score(data_set, tmp_path / "out", knowledge=SMALL, part_rows=120)
    single = score(tmp_path / "one.parquet", tmp_path / "one_out.parquet", knowledge=SMALL)
    parts, whole = (pq.read_table(tmp_path / name) for name in ("out", "one_out.parquet"))
    assert parts.column_names == whole.column_names
    for name in whole.column_names:
        if name.startswith(("p_", "log_")):
            # chunks are cut elsewhere, so sums may run in another order
            assert np.allclose(parts[name].to_numpy(), whole[name].to_numpy(), rtol=0, atol=1e-12)
        else:
            assert parts[name].equals(whole[name])
    assert read_rows(tmp_path / "out.rejects.csv") == read_rows(tmp_path / "one_out.rejects.csv")
    assert summary.tally.rejected_by == single.tally.rejected_by
    assert summary.tally.top == single.tally.top


def test_processes_of_one_machine_share_the_partitions(data_set: Path, tmp_path: Path) -> None:
    one, two = (
        score(
            data_set,
            tmp_path / f"out{workers}",
            workers=workers,
            knowledge=SMALL,
            part_rows=300,
            review=3,
        )
        for workers in (1, 2)
    )
    assert counted(one) == counted(two)
    assert pq.read_table(tmp_path / "out1").equals(pq.read_table(tmp_path / "out2"))


class Stopped(BaseException):
    """Stands for a power cut: nothing below catches it."""


def test_a_resumed_run_scores_the_partitions_that_are_missing(
    data_set: Path, tmp_path: Path
) -> None:
    told: list[int] = []

    def stop_at_400(progress: RunProgress) -> None:
        told.append(progress.rows)
        if told == [100, 200, 300, 400]:
            raise Stopped

    out = tmp_path / "out"
    how: dict[str, Any] = {"knowledge": SMALL, "part_rows": 100}
    with pytest.raises(Stopped):
        score(data_set, out, progress=stop_at_400, **how)
    assert not out.exists()
    with pytest.raises(InspectionError, match=r"part rows changed \(then 100, now 50\)"):
        score(data_set, out, knowledge=SMALL, resume=True, part_rows=50)
    resumed = score(data_set, out, resume=True, progress=stop_at_400, **how)
    assert told == list(range(100, 1000, 100))
    assert resumed.resumed == 400
    whole = score(data_set, tmp_path / "whole", **how)
    assert counted(resumed) == counted(whole)
    assert pq.read_table(out).equals(pq.read_table(tmp_path / "whole"))
    assert read_rows(tmp_path / "out.rejects.csv") == read_rows(tmp_path / "whole.rejects.csv")


def test_killed_before_the_folder_is_in_place_the_run_only_finishes_that(
    data_set: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    out = tmp_path / "out"
    with monkeypatch.context() as patched:
        patched.setattr("loopodds.archive.journal.move", stopped)
        with pytest.raises(Stopped):
            score(data_set, out, knowledge=SMALL)
    told: list[object] = []
    resumed = score(data_set, out, knowledge=SMALL, resume=True, progress=told.append)
    assert not told, "rows were scored a second time"
    assert resumed.resumed == ROWS == pq.read_table(out).num_rows + resumed.tally.rejected
    assert not (tmp_path / "out.partial").exists()


def stopped(*_: object) -> None:
    raise Stopped


def test_a_damaged_file_of_a_data_set_is_named(data_set: Path, tmp_path: Path) -> None:
    path = data_set / "year1.parquet"
    data = bytearray(path.read_bytes())
    data[200:2000] = bytes(1800)
    path.write_bytes(data)
    where = r"year1\.parquet: row group 1, column 'order': is damaged"
    with pytest.raises(InspectionError, match=where):
        score(data_set, tmp_path / "out", knowledge=SMALL)
    assert not (tmp_path / "out").exists()
    assert not (tmp_path / "out.partial").exists()


def test_what_cannot_be_a_data_set_is_refused(data_set: Path, tmp_path: Path) -> None:
    (tmp_path / "empty").mkdir()
    with pytest.raises(InspectionError, match="no Parquet file and no folder with any"):
        score(tmp_path / "empty", tmp_path / "out", knowledge=SMALL)
    with pytest.raises(InspectionError, match="is there already; remove it or choose another"):
        score(data_set, tmp_path / "empty", knowledge=SMALL)
    (tmp_path / "in.csv").write_text("cooling\nweak\n", encoding="utf-8")
    with pytest.raises(InspectionError, match="a data set is Parquet"):
        score(tmp_path / "in.csv", tmp_path / "out", cluster="tcp://x:1", knowledge=SMALL)
    odd = table_of(invented_rows(5, 1)).drop_columns(["remark"])
    pq.write_table(odd, data_set / "year3.parquet")
    with pytest.raises(InspectionError, match=r"year3\.parquet: other columns than year0"):
        score(data_set, tmp_path / "out", knowledge=SMALL)


def test_a_cluster_that_is_not_there_is_reported(data_set: Path, tmp_path: Path) -> None:
    with pytest.raises(LoopoddsError, match="no Dask scheduler answers at 'nonsense://'"):
        score(data_set, tmp_path / "out", cluster="nonsense://", knowledge=SMALL)
    assert not (tmp_path / "out.partial").exists()


@pytest.mark.parametrize("workers", [1, 2])
def test_a_worker_with_other_knowledge_refuses(
    workers: int, data_set: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    folder = changed_knowledge(tmp_path / "knowledge")
    executor_for = runner.executor_for

    @contextmanager
    def late(*how: Any) -> Iterator[Any]:
        faults = folder / "faults.toml"
        faults.write_text(faults.read_text(encoding="utf-8") + "\n# revised\n", encoding="utf-8")
        with executor_for(*how) as given:
            yield given

    monkeypatch.setattr(runner, "executor_for", late)
    with pytest.raises(LoopoddsError, match=r"this worker holds knowledge .* install the same"):
        score(data_set, tmp_path / "out", workers=workers, knowledge=folder)


def test_what_was_done_when_workers_died_is_kept(
    data_set: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    class Dying(Executor):
        """Scores four parts and breaks as a pool does whose process was killed."""

        parts = 0

        def submit(self, task: Any, /, *words: Any, **named: Any) -> Future[Any]:
            self.parts += 1
            if self.parts > 4:
                raise LoopoddsError("a worker process died")
            done: Future[Any] = Future()
            done.set_result(task(*words, **named))
            return done

    how: dict[str, Any] = {"knowledge": SMALL, "part_rows": 100}
    with monkeypatch.context() as patched:
        patched.setattr(runner, "executor_for", lambda *_: nullcontext((Dying(), lambda: 1)))
        with pytest.raises(LoopoddsError, match="a worker process died"):
            score(data_set, tmp_path / "out", **how)
    assert score(data_set, tmp_path / "out", resume=True, **how).resumed == 400


def test_where_something_else_answers_there_is_no_cluster(
    data_set: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("loopodds.archive.workers.CONNECT_SECONDS", 1)
    with socket.create_server(("127.0.0.1", 0)) as silent:
        silent_address = f"tcp://127.0.0.1:{silent.getsockname()[1]}"
        for address in (silent_address, "127.0.0.1", "", "tcp://127.0.0.1:x", "ucx://127.0.0.1:5"):
            with pytest.raises(LoopoddsError, match="no Dask scheduler answers at") as caught:
                score(data_set, tmp_path / "out", cluster=address, knowledge=SMALL)
            assert repr(address) in str(caught.value)
            assert "\n" not in str(caught.value)
    assert not (tmp_path / "out.partial").exists()


@pytest.mark.slow
def test_a_worker_of_another_version_is_refused_by_name(data_set: Path, tmp_path: Path) -> None:
    """A worker process that finds other metadata of the package before those of this one."""
    from distributed import LocalCluster

    other = tmp_path / "elsewhere" / "loopodds-9.9.9.dist-info"
    other.mkdir(parents=True)
    (other / "METADATA").write_text("Metadata-Version: 2.1\nName: loopodds\nVersion: 9.9.9\n")
    paths = [str(other.parent), *filter(None, sys.path)]
    with LocalCluster(n_workers=0, processes=True, dashboard_address=None) as cluster:
        address = cluster.scheduler_address
        worker = subprocess.Popen(
            [sys.executable, "-m", "distributed.cli.dask_worker", address, "--no-dashboard"],
            env={**os.environ, "PYTHONPATH": os.pathsep.join(paths)},
            cwd=tmp_path,
            stderr=subprocess.DEVNULL,
        )
        try:
            with pytest.raises(
                LoopoddsError, match=r"worker tcp://\S+ runs loopodds 9\.9\.9, this run is of"
            ):
                score(data_set, tmp_path / "out", cluster=address, knowledge=SMALL)
        finally:
            worker.kill()
            worker.wait()
    assert not (tmp_path / "out.partial").exists()


def test_a_worker_that_joins_late_refuses_the_part_of_another_version(
    data_set: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    versions = iter(["0.0.1"])
    own = workers.own_version
    monkeypatch.setattr(workers, "own_version", lambda: next(versions, own()))
    with pytest.raises(
        LoopoddsError, match=r"worker process \d+ of \S+ runs loopodds .*, this run"
    ):
        score(data_set, tmp_path / "out", knowledge=SMALL)
