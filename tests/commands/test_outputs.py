"""No command overwrites what it reads, and each says before it works that it cannot write."""

from __future__ import annotations

from pathlib import Path

import pytest
from click.testing import CliRunner, Result
from invented_archives import SMALL, changed_knowledge
from loopodds_cli.main import main

CASE = '[vehicle]\nrefrigerant = "R134a"\n[findings]\nsample_bubbles = "persisting"\n'


def run(*words: object) -> Result:
    return CliRunner().invoke(main, [*map(str, words)])


@pytest.fixture
def here(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A case file, knowledge and a book with one case; also a link to each of the files."""
    monkeypatch.setenv("LOOPODDS_BOOK", str(tmp_path / "book.db"))
    (tmp_path / "case.toml").write_text(CASE, encoding="utf-8")
    changed_knowledge(tmp_path / "knowledge")
    done = run("case", "open", "sample_bubbles=none", "--knowledge", tmp_path / "knowledge")
    assert done.exit_code == 0, done.output
    for name in ("case.toml", "book.db"):
        (tmp_path / f"link_{name}").symlink_to(tmp_path / name)
    return tmp_path


CALLS = {
    "report": ("report", "case.toml", "--out"),
    "report of the book": ("report", "1", "--out"),
    "explain": ("explain", "case.toml", "moisture", "--picture"),
    "whatif": ("whatif", "case.toml", "sample_bubbles=none", "--picture"),
    "network drawn": ("network", "moisture", "--draw"),
    "network": ("network", "--context", "setting=routine", "--export"),
    "case export": ("case", "export", "1", "--out"),
    "case archive": ("case", "export", "--archive"),
    "worksheet": ("drill", "--sheet", "1", "--seed", "1", "--out"),
    "results": ("drill", "--seed", "1", "--results"),
}


def called(name: str, out: object, here: Path) -> Result:
    words = [here / word if word == "case.toml" else word for word in CALLS[name]]
    return run(*words, out, "--knowledge", here / "knowledge")


@pytest.mark.parametrize("name", CALLS)
@pytest.mark.parametrize("target", ["case.toml", "book.db", "knowledge/faults.toml"])
def test_what_a_command_reads_is_not_overwritten(name: str, target: str, here: Path) -> None:
    reads_case = "case.toml" in CALLS[name]
    if target == "case.toml" and not reads_case:
        return
    before = (here / target).read_bytes()
    link = here / f"link_{target}"
    for out in (here / target, link if link.exists() else here / "knowledge/../" / target):
        done = called(name, out, here)
        assert done.exit_code == 1, done.output
        assert "would overwrite what is read" in done.stderr or "which is read" in done.stderr
        assert done.stderr.count("\n") == 1
        assert (here / target).read_bytes() == before


@pytest.mark.parametrize("name", CALLS)
def test_a_missing_folder_is_said_before_any_work(name: str, here: Path) -> None:
    done = called(name, here / "missing" / "file.html", here)
    assert done.exit_code == 1
    assert f"{here}/missing/file.html: there is no folder {here}/missing" in done.stderr


def test_the_answers_do_not_overwrite_the_worksheet(here: Path) -> None:
    (here / "lesson.html").symlink_to("lesson-answers.html")
    done = run(*CALLS["worksheet"], here / "lesson.html")
    assert done.exit_code == 1
    assert "cannot hold both the worksheet and the answers" in done.stderr


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="no device that is always full")
@pytest.mark.parametrize("name", CALLS)
def test_a_device_is_refused_by_name(name: str, here: Path) -> None:
    done = called(name, "/dev/full", here)
    assert (done.exit_code, done.stderr) == (1, "loopodds: /dev/full: is a device, not a file\n")


def test_scoring_says_how_many_cells_a_spreadsheet_would_run(tmp_path: Path) -> None:
    source = tmp_path / "in.csv"
    source.write_text("sample_bubbles,remark\nnone,=1+1\nnone,+2+x\n", encoding="utf-8")
    words = ("score", source, "--out", tmp_path / "out.csv", "--knowledge", SMALL)
    page = " ".join(run(*words).stdout.split())
    assert "2 cells read as a formula that a spreadsheet would run" in page
    assert "--spreadsheet-safe prevents it" in page
    page = " ".join(run(*words, "--spreadsheet-safe", "--overwrite").stdout.split())
    assert "2 cells read as a formula; written behind an apostrophe" in page


def test_the_archive_is_not_overwritten_by_the_review_list(tmp_path: Path) -> None:
    source = tmp_path / "in.csv"
    source.write_text("sample_bubbles\nnone\n", encoding="utf-8")
    before = source.read_bytes()
    for target in (source, tmp_path / "out.csv"):
        words = ("--out", tmp_path / "out.csv", "--review-out", target, "--knowledge", SMALL)
        done = run("score", source, *words)
        assert done.exit_code == 1
        assert done.stderr.startswith(f"loopodds: {target}: ")
        assert source.read_bytes() == before
        assert not (tmp_path / "out.csv").exists()
