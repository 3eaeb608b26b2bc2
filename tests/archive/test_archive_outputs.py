"""No run destroys what it reads or what another output holds, whatever its paths are called."""

from __future__ import annotations

import os
import stat
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from invented_archives import SMALL, changed_knowledge, invented_rows, table_of, write_archive
from loopodds.archive.runner import score
from loopodds.base.errors import FileError, LoopoddsError

MAP = "[format]\n"


@pytest.fixture
def source(tmp_path: Path) -> Path:
    (tmp_path / "map.toml").write_text(MAP, encoding="utf-8")
    return write_archive(invented_rows(8, 51), tmp_path / "in.csv")


def contents(folder: Path) -> dict[str, bytes]:
    """Every file below a folder."""
    return {
        str(path.relative_to(folder)): path.read_bytes()
        for path in sorted(folder.rglob("*"))
        if path.is_file()
    }


@contextmanager
def refused(folder: Path, message: str) -> Iterator[None]:
    """A run that is refused with a message and leaves everything as it was."""
    before = contents(folder)
    with pytest.raises(FileError, match=message):
        yield
    assert contents(folder) == before


def run(source: Path, **paths: Any) -> None:
    score(source, knowledge=SMALL, **{"out": source.with_name("out.csv"), **paths})


def test_the_review_list_overwrites_neither_the_archive_nor_the_scored_rows(source: Path) -> None:
    with refused(source.parent, r"in\.csv: would overwrite what is read"):
        run(source, review_out=source)
    with refused(source.parent, "cannot hold both the scored rows and the review list"):
        run(source, review_out=source.with_name("out.csv"))
    with refused(source.parent, "cannot hold both the rejects and the review list"):
        run(source, review_out=source.with_name("out.rejects.csv"))


@pytest.mark.parametrize("link", [os.symlink, os.link])
@pytest.mark.parametrize("role", ["out", "rejects", "review_out"])
@pytest.mark.parametrize("read", ["in.csv", "map.toml"])
def test_a_link_to_what_is_read_is_what_is_read(
    link: Any, role: str, read: str, source: Path
) -> None:
    link(source.with_name(read), source.with_name("link.csv"))
    with refused(source.parent, r"link\.csv: would overwrite what is read"):
        run(source, columns=source.with_name("map.toml"), **{role: source.with_name("link.csv")})


def test_two_outputs_are_one_file_also_where_it_is_not_there_yet(source: Path) -> None:
    here = source.parent
    (here / "same").symlink_to(here)
    with refused(here, "cannot hold both the scored rows and the rejects"):
        run(source, rejects=here / "same" / "out.csv")
    (here / "later.csv").symlink_to(here / "out.csv")
    with refused(here, "cannot hold both the scored rows and the rejects"):
        run(source, rejects=here / "later.csv")


def test_a_folder_that_is_not_there_is_named_before_anything_is_done(source: Path) -> None:
    for role in ("out", "rejects", "review_out"):
        with refused(source.parent, r"there is no folder .*missing; make it first"):
            run(source, **{role: source.parent / "missing" / "x.csv"})


def test_nothing_else_is_written_into_the_folder_of_an_unfinished_run(source: Path) -> None:
    partial = source.with_name("out.csv.partial")
    partial.mkdir()
    for role in ("rejects", "review_out"):
        with refused(source.parent, r"lies in .*out\.csv\.partial, which this run writes"):
            run(source, **{role: partial / "rejects.csv"})
    inside = write_archive(invented_rows(3, 1), partial / "scored")
    with refused(source.parent, r"lies in .*out\.csv\.partial, which this run writes; move it"):
        score(inside, source.with_name("out.csv"), knowledge=SMALL)


def test_knowledge_and_data_sets_are_read_with_all_that_they_hold(
    source: Path, tmp_path: Path
) -> None:
    knowledge = changed_knowledge(tmp_path / "knowledge")
    with refused(tmp_path, "which is read; choose another folder"):
        score(source, tmp_path / "o.csv", knowledge=knowledge, rejects=knowledge / "faults.toml")
    import pyarrow.parquet as pq

    (tmp_path / "set").mkdir()
    pq.write_table(table_of(invented_rows(5, 2)), tmp_path / "set" / "a.parquet")
    with refused(tmp_path, "which is read; choose another folder"):
        score(tmp_path / "set", tmp_path / "set" / "out", knowledge=SMALL)


def test_what_is_no_place_for_a_file_is_refused(source: Path, tmp_path: Path) -> None:
    (tmp_path / "folder.csv").mkdir()
    os.mkfifo(tmp_path / "pipe.csv")
    for role in ("out", "rejects", "review_out"):
        with refused(tmp_path, r"folder\.csv: is a folder; give the name of a file"):
            run(source, **{role: tmp_path / "folder.csv"})
        with pytest.raises(FileError, match=r"pipe\.csv: is a device, not a file"):
            run(source, **{role: tmp_path / "pipe.csv"})
    with pytest.raises(LoopoddsError, match=r"pipe\.csv: is a device, not a file"):
        run(tmp_path / "pipe.csv")


def test_a_read_only_place_is_named_before_anything_is_done(
    source: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Whoever runs as root may write everywhere, so what the system says is put in its mouth."""
    locked = tmp_path / "locked"
    locked.mkdir()
    access = os.access
    monkeypatch.setattr(
        os, "access", lambda path, mode: Path(path) != locked and access(path, mode)
    )
    for role in ("out", "rejects", "review_out"):
        with refused(tmp_path, r"nothing can be written in .*locked: read-only"):
            run(source, **{role: locked / "x.csv"})


def test_through_a_link_the_file_it_leads_to_is_written(source: Path, tmp_path: Path) -> None:
    (tmp_path / "disk").mkdir()
    for name in ("out.csv", "aside.csv", "list.csv"):
        (tmp_path / name).symlink_to(tmp_path / "disk" / name)
    run(source, rejects=tmp_path / "aside.csv", review_out=tmp_path / "list.csv", review=2)
    for name in ("out.csv", "aside.csv", "list.csv"):
        assert (tmp_path / name).is_symlink()
        assert stat.S_ISREG((tmp_path / "disk" / name).stat().st_mode)


PLACES = (
    "in.csv", "map.toml", "a.csv", "b.csv", "sub/a.csv", "sub/../a.csv", "up/in.csv", "up/a.csv",
    "soft.csv", "hard.csv", "soon.csv", "gone/a.csv", "a.csv.partial/b.csv", "sub", "faults.csv",
)  # fmt: skip


@pytest.mark.slow
@settings(max_examples=60, deadline=None, suppress_health_check=list(HealthCheck))
@given(st.tuples(*[st.sampled_from(PLACES)] * 3))
def test_of_any_paths_all_are_written_or_nothing_is_touched(paths: tuple[str, str, str]) -> None:
    with TemporaryDirectory() as folder:
        here = Path(folder)
        source = write_archive(invented_rows(6, 52), here / "in.csv")
        (here / "map.toml").write_text(MAP, encoding="utf-8")
        (here / "sub").mkdir()
        (here / "up").symlink_to(here)
        (here / "soft.csv").symlink_to("map.toml")
        (here / "soon.csv").symlink_to("a.csv")
        os.link(source, here / "hard.csv")
        before = contents(here)
        out, rejects, review = (here / path for path in paths)
        try:
            score(
                source, out, rejects=rejects, review_out=review, review=3,
                columns=here / "map.toml", knowledge=SMALL,
            )  # fmt: skip
        except LoopoddsError:
            assert contents(here) == before
            return
        after = contents(here)
        assert {name: after[name] for name in ("in.csv", "map.toml", "hard.csv")} == {
            name: before[name] for name in ("in.csv", "map.toml", "hard.csv")
        }
        assert len({os.stat(path).st_ino for path in (out, rejects, review)}) == 3
        assert rejects.read_text("utf-8").startswith("row,column,value,reason\n")
        assert review.read_text("utf-8").startswith("row,reason,")
        assert len(out.read_text("utf-8").splitlines()) == 7
        assert not list(here.rglob("*.new")) + list(here.rglob("*.partial"))
