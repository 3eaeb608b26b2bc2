"""Knowledge that breaks a safety rule is refused, unless it is asked for, and then all says so."""

from __future__ import annotations

import json
import shutil
from importlib import resources
from pathlib import Path

import pytest
from click.testing import CliRunner, Result
from loopodds.base.phrases import UNSAFE_NOTE
from loopodds.knowledge.records import Knowledge, UnsafeFolder
from loopodds_cli.bay.classroom import class_page
from loopodds_cli.main import main


def run(*words: object) -> Result:
    return CliRunner().invoke(main, [str(word) for word in words])


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The shipped knowledge, but that a test which couples the machine no longer says so."""
    made = tmp_path_factory.mktemp("unsafe")
    for file in resources.files("loopodds_data").iterdir():
        if file.name.endswith((".toml", ".jsonl")):
            shutil.copy(str(file), made / file.name)
    tests = (made / "tests.toml").read_text(encoding="utf-8")
    head, mark, rest = tests.partition("[static_test]")
    (made / "tests.toml").write_text(
        head + mark + rest.replace("connects_machine = true\n", "", 1), encoding="utf-8"
    )
    return made


BREACH = "tests.toml: static_test: connects_machine: it does, and the mark is gone"
TELLING = (
    ("assess", "@wet_loop"),
    ("next", "@wet_loop"),
    ("connect", "@wet_loop"),
    ("whatif", "@wet_loop", "sample_bubbles=none"),
)


@pytest.mark.slow
@pytest.mark.parametrize("words", TELLING, ids=lambda words: words[0])
def test_every_screen_refuses_it_or_says_so(words: tuple[str, ...], folder: Path) -> None:
    refused = run(*words, "--knowledge", folder)
    assert refused.exit_code == 1
    assert BREACH in refused.stderr
    told = run(*words, "--knowledge", folder, "--unsafe")
    assert told.exit_code in (0, 3)
    shown = " ".join(told.stdout.replace("┃", " ").replace("#", " ").split())
    assert shown.startswith(UNSAFE_NOTE.upper())
    data = json.loads(run(*words, "--knowledge", folder, "--unsafe", "--json").stdout)
    assert data["unsafe"] == UNSAFE_NOTE


@pytest.mark.slow
def test_a_report_says_so_to_the_customer_and_names_the_version(folder: Path) -> None:
    told = run("report", "@wet_loop", "--out", "-", "--knowledge", folder, "--unsafe")
    assert UNSAFE_NOTE in told.stdout
    assert f"{Knowledge(UnsafeFolder(folder)).digest}" in told.stdout
    assert Knowledge(UnsafeFolder(folder)).digest == f"{Knowledge(folder).digest}-unsafe"


@pytest.mark.slow
def test_an_archive_is_not_scored_with_it(folder: Path, tmp_path: Path) -> None:
    archive, out = tmp_path / "a.csv", tmp_path / "z.csv"
    archive.write_text("id,refrigerant,sample_bubbles\n1,R134a,none\n", encoding="utf-8")
    refused = run("score", archive, "--out", out, "--knowledge", folder)
    assert refused.exit_code == 1
    assert BREACH in refused.stderr
    told = run("score", archive, "--out", tmp_path / "y.csv", "--knowledge", folder, "--unsafe")
    assert told.exit_code == 0, told.stderr
    assert "UNSAFE KNOWLEDGE" in told.stdout


def test_the_page_of_a_class_says_so(folder: Path) -> None:
    from loopodds.diagnosis.model import Model

    text = class_page(Model(Knowledge(UnsafeFolder(folder))))
    assert f'"name": "a car nobody has looked at - {UNSAFE_NOTE}"' in text


def test_a_case_of_the_book_says_so(folder: Path, tmp_path: Path) -> None:
    book = ("--book", tmp_path / "b.db", "--knowledge", folder, "--unsafe")
    told = run("case", "open", "sample_bubbles=none", *book)
    assert told.exit_code == 0, told.stderr
    assert "UNSAFE KNOWLEDGE" in told.stdout


def test_the_check_names_it_and_unsafe_wants_a_folder(folder: Path) -> None:
    checked = run("network", "--check", "--knowledge", folder)
    assert checked.exit_code == 1
    assert checked.stdout.splitlines() == [BREACH]
    assert "--unsafe goes with --knowledge" in run("next", "@wet_loop", "--unsafe").stderr


def test_the_check_prints_the_size_and_what_a_change_did_to_it(tmp_path: Path) -> None:
    for file in resources.files("loopodds_data").iterdir():
        if file.name.endswith((".toml", ".jsonl")):
            shutil.copy(str(file), tmp_path / file.name)
    with (tmp_path / "history.toml").open("a", encoding="utf-8") as stream:
        stream.write(
            '\n[planted]\ntitle = "Planted"\nabout = "Only here."\ngroup = "planted"\n'
            'distribution = "table"\nparents = []\nrows = [{ p = [0.9, 0.1] }]\n'
            'source = "estimate"\ngrade = "estimate"\nweight = 5\n'
        )
    shipped = json.loads(run("network", "--check", "--json").stdout)["size"]
    told = run("network", "--check", "--knowledge", tmp_path)
    assert told.exit_code == 0, told.stdout
    expected = f"{shipped['nodes'] + 1} nodes, a tree of {shipped['configurations'] + 2:,} config"
    assert told.stdout.splitlines()[-1] == f"{expected}urations; against the shipped +1 and +2"
