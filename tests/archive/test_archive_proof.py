"""A run taken up again believes nothing that is not proved, and no failing disk makes a half file.

The power cut is that of POSIX: what was not synchronised, file or name in a folder, is gone.
"""

from __future__ import annotations

import errno
import os
import shutil
import subprocess
from collections.abc import Callable, Iterator
from contextlib import closing
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

import loopodds.archive.journal as journal_module
import pyarrow.parquet as pq
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from invented_archives import changed_knowledge, invented_rows, table_of, write_archive
from loopodds.archive.journal import Journal
from loopodds.archive.runner import score
from loopodds.archive.summary import Summary
from loopodds.base.errors import FileError, InspectionError, LoopoddsError

ROWS, CHUNK = 80, 20
KINDS = {"csv": "out.csv", "gzip": "out.csv.gz", "parquet": "out.parquet", "folder": "out"}
EVERY_KIND = pytest.mark.parametrize("kind", KINDS)


class Cut(BaseException):
    """The power goes: nothing below catches it."""


def world(folder: Path, kind: str) -> Path:
    """An archive of a kind, knowledge of its own, and a place for the output, in a new folder."""
    folder.mkdir(exist_ok=True)
    rows = invented_rows(ROWS, 61)
    for number in range(3, ROWS, 17):
        rows[number]["sample_bubbles"] = "yes"
    if kind == "folder":
        (folder / "in").mkdir()
        for number in range(2):
            part = table_of(rows).slice(number * ROWS // 2, ROWS // 2)
            pq.write_table(part, folder / "in" / f"{number}.parquet", row_group_size=CHUNK)
    else:
        endings = {"csv": "in.csv", "gzip": "in.csv.gz", "parquet": "in.parquet"}
        write_archive(rows, folder / endings[kind])
    changed_knowledge(folder / "knowledge")
    return folder


def scored(folder: Path, kind: str, **how: Any) -> Summary:
    (source,) = folder.glob("in*")
    summary = score(
        source, folder / KINDS[kind], knowledge=folder / "knowledge", part_rows=CHUNK, **how
    )
    assert isinstance(summary, Summary)
    return summary


def result(folder: Path, kind: str) -> dict[str, bytes]:
    """Every file that a run leaves behind."""
    out = folder / KINDS[kind]
    files = sorted(out.iterdir()) if kind == "folder" else [out]
    return {path.name: path.read_bytes() for path in (*files, folder / "out.rejects.csv")}


def stop_after(parts: int) -> Callable[[object], None]:
    left = iter(range(parts - 1))

    def told(_: object) -> None:
        if next(left, None) is None:
            raise Cut

    return told


@pytest.fixture(scope="module")
def stopped(tmp_path_factory: pytest.TempPathFactory) -> dict[str, tuple[Path, dict[str, bytes]]]:
    """For each kind a world with a run that stopped after three parts, and the whole result."""
    made = {}
    for kind in KINDS:
        folder = world(tmp_path_factory.mktemp(kind) / "world", kind)
        scored(folder, kind)
        whole = result(folder, kind)
        shutil.rmtree(folder)
        with pytest.raises(Cut):
            scored(world(folder, kind), kind, progress=stop_after(3))
        made[kind] = folder, whole
    return made


def refusal(run: Callable[[], object]) -> str:
    """What a run says that cannot write; empty if it can."""
    try:
        run()
    except FileError as error:
        return str(error)
    return ""


def flip(path: Path, place: float, bit: int = 0) -> None:
    data = bytearray(path.read_bytes())
    data[int(place * (len(data) - 1))] ^= 1 << bit
    times = path.stat().st_mtime_ns
    path.write_bytes(data)
    os.utime(path, ns=(times, times))


def test_a_byte_changed_in_the_middle_of_a_large_archive_is_noticed(tmp_path: Path) -> None:
    rows = invented_rows(400, 62)
    for row in rows:
        row["remark"] = "x" * 8000
    source, out = write_archive(rows, tmp_path / "in.csv"), tmp_path / "out.csv"
    knowledge = changed_knowledge(tmp_path / "knowledge")
    assert source.stat().st_size > 3 << 20
    with pytest.raises(Cut):
        score(source, out, knowledge=knowledge, part_rows=100, progress=stop_after(2))
    flip(source, 0.5)
    with pytest.raises(InspectionError, match="the archive changed"):
        score(source, out, knowledge=knowledge, part_rows=100, resume=True)
    assert not out.exists()


@EVERY_KIND
@pytest.mark.parametrize("file", ["scored", "rejects", "parts/part-000001.parquet"])
def test_a_bit_flipped_in_a_partial_result_never_reaches_the_output(
    kind: str, file: str, stopped: Any, tmp_path: Path
) -> None:
    origin, whole = stopped[kind]
    folder = tmp_path / "world"
    shutil.copytree(origin, folder)
    partial = folder / f"{KINDS[kind]}.partial" / file
    if not partial.is_file() or not partial.stat().st_size:
        return  # each kind has its own files
    flip(partial, 0.6)
    summary = scored(folder, kind, resume=True)
    assert result(folder, kind) == whole
    assert summary.resumed < 3 * CHUNK
    assert any("no longer as it was written" in warning for warning in summary.warnings)


@pytest.mark.slow
@settings(max_examples=60, deadline=None, suppress_health_check=list(HealthCheck))
@given(data=st.data())
def test_whatever_byte_changes_before_it_is_taken_up_the_result_is_the_same_or_none(
    data: st.DataObject, stopped: Any
) -> None:
    kind = data.draw(st.sampled_from(sorted(KINDS)))
    origin, whole = stopped[kind]
    with TemporaryDirectory() as place:
        folder = Path(place) / "world"
        shutil.copytree(origin, folder)
        files = sorted(p for p in folder.rglob("*") if p.is_file() and p.stat().st_size)
        changed = data.draw(st.sampled_from(files))
        flip(changed, data.draw(st.floats(0, 1)), data.draw(st.integers(0, 7)))
        inside = ".partial" in str(changed.relative_to(folder))
        try:
            scored(folder, kind, resume=True)
        except LoopoddsError:
            assert not inside, "what a run wrote itself is done again, not refused"
            assert not (folder / KINDS[kind]).exists()
            return
        assert inside, f"{changed} changed and nobody noticed"
        assert result(folder, kind) == whole


def test_an_option_changed_is_refused_by_its_name(stopped: Any, tmp_path: Path) -> None:
    folder = tmp_path / "world"
    shutil.copytree(stopped["csv"][0], folder)
    with pytest.raises(InspectionError, match="the spreadsheet safe changed"):
        scored(folder, "csv", resume=True, spreadsheet_safe=True)


class Disk:
    """Remembers what of a folder has been synchronised, and goes down at the n-th time."""

    def __init__(self, root: Path, last: int) -> None:
        self.root, self.left = root, last
        self.content: dict[int, bytes] = {}
        self.names: dict[int, dict[str, tuple[int, bool]]] = {}  # number, and whether a folder
        self.whole(root)

    def whole(self, path: Path) -> None:
        """What stood there before the run is safe."""
        for each in (path, *path.rglob("*")):
            self.note(each)

    def note(self, path: Path) -> None:
        number = path.stat().st_ino
        if path.is_dir():
            self.names[number] = {p.name: (p.stat().st_ino, p.is_dir()) for p in path.iterdir()}
        else:
            self.content[number] = path.read_bytes()

    def fsync(self, handle: int) -> None:
        if self.left == 0:
            raise Cut
        self.left -= 1
        self.note(Path(os.readlink(f"/proc/self/fd/{handle}")))

    def after_the_cut(self, into: Path) -> Path:
        """The folder as it is found when the power is back."""
        self._put(self.root.stat().st_ino, into)
        return into

    def _put(self, number: int, path: Path) -> None:
        path.mkdir()
        for name, (inside, is_folder) in self.names.get(number, {}).items():
            if is_folder:
                self._put(inside, path / name)
            else:
                (path / name).write_bytes(self.content.get(inside, b""))


@pytest.mark.slow
@EVERY_KIND
def test_after_a_power_cut_at_any_moment_nothing_is_lost_and_nothing_half_is_there(
    kind: str, stopped: Any, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    whole, cuts = stopped[kind][1], 0
    while True:
        folder = world(tmp_path / "before", kind)
        disk, safe = Disk(folder, cuts), [0]
        with monkeypatch.context() as patched:
            patched.setattr(os, "fsync", disk.fsync)
            try:
                scored(folder, kind, progress=lambda run, safe=safe: safe.append(run.rows))
            except Cut:
                pass
            else:
                break
        found = disk.after_the_cut(tmp_path / "after")
        out = found / KINDS[kind]
        if out.exists() and kind != "folder":
            assert out.read_bytes() == whole[out.name], f"half an output after {cuts} writes"
        resumed = scored(found, kind, resume=True).resumed
        assert resumed >= safe[-1], f"rows told to be done are lost after {cuts} writes"
        assert result(found, kind) == whole, f"after {cuts} writes"
        for used in (folder, found):
            shutil.rmtree(used)
        cuts += 1 if kind == "csv" else 3
    assert cuts > 15


@pytest.mark.slow
@EVERY_KIND
def test_a_full_disk_at_any_write_is_named_and_the_run_goes_on_later(
    kind: str, stopped: Any, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    whole, done = stopped[kind][1], False
    write, writes = journal_module.write_synced, 0
    while not done:
        folder, left = world(tmp_path / str(writes), kind), iter(range(writes))

        def full(file: Any, data: bytes, left: Iterator[int] = left) -> None:
            if next(left, None) is None:
                file.write(data[: len(data) // 2])
                raise OSError(errno.ENOSPC, "No space left on device")
            write(file, data)

        with monkeypatch.context() as patched:
            patched.setattr(journal_module, "write_synced", full)
            said = refusal(lambda folder=folder: scored(folder, kind))
        done = not said
        if said:
            assert "cannot be written: No space left on device" in said
            assert ".partial" in said
            assert not (folder / KINDS[kind]).exists()
            scored(folder, kind, resume=True)
        assert result(folder, kind) == whole
        writes += 1 if kind == "csv" else 3
    assert writes > 8


@pytest.fixture
def small_disk(tmp_path: Path) -> Iterator[Callable[[int], Path]]:
    """A file system of its own, of a size that can be changed [kB]."""
    place = tmp_path / "disk"
    place.mkdir()
    mount = ["mount", "-t", "tmpfs", "-o", "size=400k", "none", str(place)]
    try:
        made = subprocess.run(mount, capture_output=True, check=False).returncode == 0
    except OSError:
        made = False
    if not made:
        pytest.skip("no file system can be mounted here")

    def resized(size: int) -> Path:
        subprocess.run(
            ["mount", "-o", f"remount,size={size}k", str(place)], capture_output=True, check=True
        )
        return place

    yield resized
    subprocess.run(["umount", "-l", str(place)], capture_output=True, check=True)


@pytest.mark.slow
@EVERY_KIND
def test_a_file_system_that_is_really_full_leaves_no_half_output(
    kind: str, stopped: Any, tmp_path: Path, small_disk: Callable[[int], Path]
) -> None:
    folder, whole = world(tmp_path / "world", kind), stopped[kind][1]
    (source,) = folder.glob("in*")
    how: dict[str, Any] = {"knowledge": folder / "knowledge", "part_rows": CHUNK}
    refused = 0
    for size in range(8, 200, 8):
        place = small_disk(size)
        out = place / KINDS[kind]
        said = refusal(lambda out=out: score(source, out, **how, resume=True))
        if not said:
            assert result(place, kind) == whole
            break
        refused += 1
        assert "No space left on device" in said
        assert str(place) in said
        assert not out.exists()
    assert refused
    assert (place / KINDS[kind]).exists()


def test_of_two_runs_on_one_output_the_second_is_refused(stopped: Any, tmp_path: Path) -> None:
    folder = tmp_path / "world"
    shutil.copytree(stopped["csv"][0], folder)
    (folder / "link.csv").symlink_to("out.csv")
    with closing(Journal(folder / "out.csv", folder / "rejects", {"run": 1}, resume=False)):
        for out in ("out.csv", "link.csv"):
            with pytest.raises(InspectionError, match="another run is writing it just now"):
                score(folder / "in.csv", folder / out, knowledge=folder / "knowledge")


def test_a_run_that_takes_up_what_another_is_just_removing_is_refused(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    fcntl = pytest.importorskip("fcntl")
    first = Journal(tmp_path / "out.csv", tmp_path / "rejects", {"run": 1}, resume=False)

    def flock(*_: object) -> None:
        """The other run ends between the opening and the locking of its journal."""
        first.discard()

    monkeypatch.setattr(fcntl, "flock", flock)
    with pytest.raises(InspectionError, match="another run is writing it just now"):
        Journal(tmp_path / "out.csv", tmp_path / "rejects", {"run": 1}, resume=False)
