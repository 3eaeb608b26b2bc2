"""Whatever ends a write, no entry the book has acknowledged is lost and the book stays whole."""

from __future__ import annotations

import contextlib
import json
import os
import shutil
import subprocess
import sys
import tempfile
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from loopodds.casebook.believed import check_book
from loopodds.casebook.book import CaseBook
from loopodds.casebook.work import Casework
from loopodds.diagnosis.model import Model
from loopodds.knowledge.records import Knowledge

HERE = Path(__file__).parents[1]
WRITERS = HERE / "book_writers.py"
ROUNDS = 100

pytestmark = pytest.mark.skipif(os.name != "posix", reason="needs fork, SIGKILL and file limits")


@pytest.fixture(scope="module")
def model() -> Model:
    """The knowledge that the writers use."""
    return Model(Knowledge(HERE / "small_knowledge"))


def run(*arguments: object) -> list[Any]:
    """Lines of JSON that a helper process wrote."""
    command = [sys.executable, WRITERS, *map(str, arguments)]
    done = subprocess.run(command, capture_output=True, check=False)
    assert done.returncode == 0, done.stderr.decode()
    return [json.loads(line) for line in done.stdout.splitlines()]


def held(path: Path) -> list[list[Any]]:
    with CaseBook(path, write=False) as book:
        events = [event for number in book.numbers() for event in book.events(number)]
    return [[e.case, e.position, e.who, e.kind, dict(e.content), e.time] for e in events]


def assert_whole(path: Path, model: Model) -> None:
    """The file is sound and every stored belief comes out again."""
    with CaseBook(path, write=False) as book:
        assert book.damage() == []
        for checked in check_book(book, model):
            assert checked.problem == ""
            assert checked.compared == checked.events


@pytest.mark.slow
def test_writers_killed_at_random_moments_lose_nothing_they_acknowledged(
    tmp_path: Path, model: Model
) -> None:
    path = tmp_path / "book.db"
    (report,) = run("kill", path, ROUNDS, 20261125)
    assert report["lost"] == []
    assert report["damaged"] == []
    # the test is worth something only if writers got to write and died at different moments
    assert report["acknowledged"] >= ROUNDS
    assert report["died before acknowledging"] >= 5
    for book in [path, *tmp_path.glob("own-*.db")]:
        assert_whole(book, model)


@pytest.mark.slow
def test_four_writers_of_whom_one_is_killed_again_and_again_lose_nothing(
    tmp_path: Path, model: Model
) -> None:
    """A short run; two hundred kills: ``python tests/book_writers.py storm BOOK 200 1``."""
    path = tmp_path / "book.db"
    (report,) = run("storm", path, 25, 20261128)
    assert (report["lost"], report["damaged"], report["broken"]) == ([], [], [])
    assert report["held"] >= report["acknowledged"] >= 25
    assert_whole(path, model)


def test_two_processes_write_to_one_case_and_every_entry_of_both_is_there(
    tmp_path: Path, model: Model
) -> None:
    path = tmp_path / "book.db"
    with CaseBook(path) as book:
        Casework(book, model).open("shared car")
    command = [sys.executable, str(WRITERS), "write", str(path)]
    both = [
        subprocess.Popen([*command, who, "40"], stdout=subprocess.PIPE) for who in ("Ann", "Ben")
    ]
    said = [
        json.loads(line) for one in both for line in one.communicate()[0].splitlines()
    ]  # fmt: skip
    assert [one.returncode for one in both] == [0, 0]
    entries = held(path)
    assert len(said) == 80
    assert sorted(said, key=lambda entry: entry[1]) == entries[1:]
    assert [entry[1] for entry in entries] == list(range(1, 82))
    assert_whole(path, model)


def test_two_processes_begin_one_book_at_once(tmp_path: Path, model: Model) -> None:
    path = tmp_path / "folder" / "book.db"
    command = [sys.executable, str(WRITERS), "write", str(path)]
    both = [
        subprocess.Popen([*command, who, "3"], stdout=subprocess.PIPE) for who in ("Ann", "Ben")
    ]
    said = [
        json.loads(line) for one in both for line in one.communicate()[0].splitlines()
    ]  # fmt: skip
    assert [one.returncode for one in both] == [0, 0]
    entries = held(path)
    assert all(entry in entries for entry in said)
    assert_whole(path, model)


def test_a_book_that_may_not_grow_says_so_and_keeps_what_it_has(
    tmp_path: Path, model: Model
) -> None:
    path = tmp_path / "book.db"
    *said, refusal = run("fill", path, 150_000)
    assert refusal.startswith(f"case book {path}: the disk reports an error, or a limit")
    assert len(said) > 5
    assert held(path) == said
    assert_whole(path, model)
    with CaseBook(path) as book:  # and it goes on once there is room
        Casework(book, model).record(1, [("sample_specks", "metal")])


@pytest.fixture
def small_disk(tmp_path: Path) -> Iterator[Path]:
    """A disk of 120 kB; only the superuser can make one."""
    folder = tmp_path / "disk"
    folder.mkdir()
    mount = shutil.which("mount")
    command = [str(mount), "-t", "tmpfs", "-o", "size=120k", "tmpfs", str(folder)]
    if mount is None or subprocess.run(command, capture_output=True, check=False).returncode:
        pytest.skip("a small disk cannot be mounted here")
    yield folder
    subprocess.run(["umount", str(folder)], check=True)


def test_a_full_disk_is_named_and_nothing_acknowledged_is_lost(
    small_disk: Path, model: Model
) -> None:
    path = small_disk / "book.db"
    *said, refusal = run("fill", path)
    full = "the disk is full; free some space and repeat (database or disk is full)"
    assert refusal == f"case book {path}: {full}"
    assert len(said) > 5
    assert held(path) == said
    assert_whole(path, model)
    with contextlib.suppress(OSError), (small_disk / "rest").open("wb", buffering=0) as rest:
        while True:
            rest.write(bytes(512))
    second = small_disk / "second.db"
    assert run("fill", second) == [f"case book {second}: {full}"]
    assert not second.exists()


@pytest.fixture
def open_folder() -> Iterator[Path]:
    """A folder that others can reach, unlike those of pytest."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        folder.chmod(0o755)
        yield folder
        folder.chmod(0o755)


def test_where_nothing_can_be_written_the_book_is_still_read(
    open_folder: Path, model: Model
) -> None:
    path = open_folder / "book.db"
    with CaseBook(path) as book:
        Casework(book, model).open("car", [("sample_bubbles", "persisting")])
    path.chmod(0o444)
    open_folder.chmod(0o555)
    # permissions do not bind the superuser: let somebody else try
    refusals = run("nobody", "fill", path) + run("nobody", "fill", open_folder / "new.db")
    (listed,) = run("nobody", "list", path)
    advice = "check the permissions of the file and its folder"
    assert refusals[0].startswith(f"case book {path}: ")
    assert refusals[1].startswith(f"case book {open_folder / 'new.db'}: ")
    assert all(advice in refusal for refusal in refusals)
    assert listed == held(path)
    assert list(open_folder.iterdir()) == [path]
    path.chmod(0o000)
    (hidden,) = run("nobody", "fill", path)
    assert hidden == f"case book {path}: cannot be read: Permission denied"
    open_folder.chmod(0o000)
    (hidden,) = run("nobody", "fill", path)
    assert hidden == f"case book {path}: cannot be read: Permission denied"
