"""A run killed at any moment and taken up again ends as if nothing had happened."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import time
from contextlib import closing
from pathlib import Path
from typing import Any

import loopodds.archive.journal
import psutil
import pytest
from invented_archives import SMALL, changed_knowledge, invented_rows, write_archive
from loopodds.archive.journal import Journal
from loopodds.archive.runner import score
from loopodds.base.errors import InspectionError

ROWS, CHUNK = 3000, 30
LONGEST_SECONDS = 60.0

RUN = """
import sys
from loopodds.archive.runner import score
if __name__ == "__main__":
    source, out, knowledge, workers = sys.argv[1:]
    score(source, out, knowledge=knowledge, workers=int(workers), resume=True,
                  part_rows={chunk})
"""


def started(script: Path, source: Path, out: Path, workers: int = 1) -> subprocess.Popen[bytes]:
    """A real process that scores, taking up whatever is there."""
    command = [sys.executable, str(script), str(source), str(out), str(SMALL), str(workers)]
    return subprocess.Popen(command, stderr=subprocess.DEVNULL)


def lines_of(journal: Path) -> int:
    return journal.read_bytes().count(b"\n") if journal.exists() else 0


def test_workers_end_with_the_run_that_started_them(tmp_path: Path) -> None:
    script = tmp_path / "run.py"
    script.write_text(RUN.format(chunk=CHUNK), encoding="utf-8")
    source = write_archive(invented_rows(ROWS, 23), tmp_path / "in.csv")
    process = started(script, source, tmp_path / "out.csv", workers=2)
    journal = tmp_path / "out.csv.partial" / "journal.jsonl"
    deadline = time.monotonic() + LONGEST_SECONDS
    while process.poll() is None and lines_of(journal) < 4:
        assert time.monotonic() < deadline, "the run hangs"
        time.sleep(0.01)
    workers = psutil.Process(process.pid).children(recursive=True)
    assert workers
    os.kill(process.pid, signal.SIGKILL)
    process.wait()
    _, alive = psutil.wait_procs(workers, timeout=LONGEST_SECONDS)
    assert not alive
    score(source, tmp_path / "whole.csv", knowledge=SMALL, part_rows=CHUNK)
    score(source, tmp_path / "out.csv", knowledge=SMALL, part_rows=CHUNK, resume=True)
    assert (tmp_path / "out.csv").read_bytes() == (tmp_path / "whole.csv").read_bytes()


class Stopped(BaseException):
    """Stands for a power cut: nothing below catches it."""


def stopped_run(source: Path, out: Path, chunks: int, **how: Any) -> None:
    """A run that ends after some chunks, its folder left as it was at that moment."""
    done = 0

    def stop(_: object) -> None:
        nonlocal done
        done += 1
        if done == chunks:
            raise Stopped

    settings: dict[str, Any] = {"knowledge": SMALL, "part_rows": CHUNK, **how}
    with pytest.raises(Stopped):
        score(source, out, progress=stop, **settings)


@pytest.fixture
def source(tmp_path: Path) -> Path:
    return write_archive(invented_rows(200, 24), tmp_path / "in.csv")


def test_what_is_done_is_not_done_again(source: Path, tmp_path: Path) -> None:
    stopped_run(source, tmp_path / "out.csv", 3)
    told: list[int] = []
    summary = score(
        source,
        tmp_path / "out.csv",
        knowledge=SMALL,
        part_rows=CHUNK,
        resume=True,
        progress=lambda progress: told.append(progress.rows),
    )
    assert summary.resumed == 90
    assert told == [120, 150, 180, 200]


def test_without_resume_an_unfinished_run_is_started_over(source: Path, tmp_path: Path) -> None:
    stopped_run(source, tmp_path / "out.csv", 3)
    summary = score(source, tmp_path / "out.csv", knowledge=SMALL, part_rows=CHUNK)
    assert (summary.resumed, summary.tally.rows) == (0, 200)


def test_intervals_of_a_resumed_run_are_those_of_an_undisturbed_one(
    source: Path, tmp_path: Path
) -> None:
    how: dict[str, Any] = {"knowledge": SMALL, "part_rows": CHUNK, "intervals": True}
    stopped_run(source, tmp_path / "out.csv", 3, intervals=True)
    assert score(source, tmp_path / "out.csv", resume=True, **how).resumed == 90
    score(source, tmp_path / "whole.csv", **how)
    assert (tmp_path / "out.csv").read_bytes() == (tmp_path / "whole.csv").read_bytes()


def test_a_resumed_run_must_be_about_the_same_thing(source: Path, tmp_path: Path) -> None:
    out = tmp_path / "out.csv"
    stopped_run(source, out, 2)
    other = changed_knowledge(tmp_path / "other", faults=lambda text: text.replace("0.7,", "0.70,"))
    changes: list[tuple[dict[str, Any], str]] = [
        ({"part_rows": 31}, "part rows changed (then 30, now 31)"),
        ({"review": 3}, "review changed (then 0, now 3)"),
        ({"intervals": True}, "additions changed (then '', now 'intervals')"),
        ({"knowledge": other}, "knowledge changed"),
    ]
    for change, message in changes:
        settings: dict[str, Any] = {"knowledge": SMALL, "part_rows": CHUNK, **change}
        with pytest.raises(InspectionError) as caught:
            score(source, out, resume=True, **settings)
        assert message in str(caught.value)
        assert caught.value.remedy == "start over"
    source.write_text(source.read_text(encoding="utf-8").replace("weak", "good"), encoding="utf-8")
    with pytest.raises(InspectionError, match="the archive changed"):
        score(source, out, knowledge=SMALL, part_rows=CHUNK, resume=True)


@pytest.mark.parametrize("damage", ["torn line", "rows not on disk", "rows without a line"])
def test_what_was_not_finished_when_the_power_went_is_done_again(
    damage: str, source: Path, tmp_path: Path
) -> None:
    out, folder = tmp_path / "out.csv", tmp_path / "out.csv.partial"
    score(source, tmp_path / "whole.csv", knowledge=SMALL, part_rows=CHUNK)
    stopped_run(source, out, 4)
    if damage == "torn line":
        journal = folder / "journal.jsonl"
        journal.write_bytes(journal.read_bytes()[:-40])
    elif damage == "rows not on disk":
        scored = folder / "scored"
        scored.write_bytes(scored.read_bytes()[:-500])
    else:
        with (folder / "scored").open("ab") as file:
            file.write(b"half a row, then ni")
    score(source, out, knowledge=SMALL, part_rows=CHUNK, resume=True)
    assert out.read_bytes() == (tmp_path / "whole.csv").read_bytes()


@pytest.mark.parametrize("ending", ["csv", "parquet"])
@pytest.mark.parametrize("moves", [0, 1, 2])
def test_killed_while_putting_files_in_place_the_run_only_finishes_that(
    moves: int, ending: str, source: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    out, moved = tmp_path / f"out.{ending}", 0
    move = loopodds.archive.journal.move

    def stopping(start: Path, target: Path) -> None:
        nonlocal moved
        if moved == moves:
            raise Stopped
        moved += 1
        move(start, target)

    whole = tmp_path / f"whole.{ending}"
    score(source, whole, knowledge=SMALL, part_rows=CHUNK)
    with monkeypatch.context() as patched:
        patched.setattr(loopodds.archive.journal, "move", stopping)
        if moves == 2:
            patched.setattr(Journal, "discard", lambda self: stopping(out, out))
        with pytest.raises(Stopped):
            score(source, out, knowledge=SMALL, part_rows=CHUNK)
    told: list[object] = []
    summary = score(
        source, out, knowledge=SMALL, part_rows=CHUNK, resume=True, progress=told.append
    )
    assert not told, "rows were scored a second time"
    assert (summary.resumed, summary.tally.rows) == (200, 200)
    assert out.read_bytes() == whole.read_bytes()
    assert (tmp_path / "out.rejects.csv").exists()
    assert not (tmp_path / f"out.{ending}.partial").exists()


def test_two_runs_do_not_write_one_output(source: Path, tmp_path: Path) -> None:
    out = tmp_path / "out.csv"
    with (
        closing(Journal(out, out.with_name("rejects"), {"run": 1}, resume=False)),
        pytest.raises(InspectionError, match="another run is writing it just now"),
    ):
        score(source, out, knowledge=SMALL)


def test_a_folder_of_someone_else_is_left_alone(source: Path, tmp_path: Path) -> None:
    folder = tmp_path / "out.csv.partial"
    folder.mkdir()
    (folder / "thesis.doc").write_text("years of work", encoding="utf-8")
    with pytest.raises(InspectionError, match=r"holds 'thesis\.doc', which no run put there"):
        score(source, tmp_path / "out.csv", knowledge=SMALL)
    assert (folder / "thesis.doc").read_text(encoding="utf-8") == "years of work"


def test_the_journal_keeps_numbers_to_the_last_bit(source: Path, tmp_path: Path) -> None:
    stopped_run(source, tmp_path / "out.csv", 2)
    journal = (tmp_path / "out.csv.partial" / "journal.jsonl").read_text(encoding="utf-8")
    expected = json.loads(journal.splitlines()[-1])["tally"]["expected"]["moisture"]
    assert float(repr(expected)) == expected
    assert not expected.is_integer()
