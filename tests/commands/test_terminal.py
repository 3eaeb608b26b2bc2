"""What people are used to at a terminal: quiet, colours, a pager, a manual page."""

from __future__ import annotations

import os
import re
import shutil
import subprocess
import sys
from pathlib import Path

import pytest
from click.testing import CliRunner, Result
from loopodds_cli.main import COMMANDS, main

MANUAL = Path(__file__).parents[2] / "cli" / "loopodds_cli" / "loopodds.1"
CASE = "[vehicle]\nrefrigerant = 'R134a'\n"


def run(*words: str) -> Result:
    return CliRunner().invoke(main, list(words), input=CASE, prog_name="loopodds")


@pytest.mark.parametrize(
    "words", [("-q", "connect", "-"), ("connect", "-", "-q"), ("connect", "--quiet", "-")]
)
def test_quiet_leaves_the_exit_code_and_the_errors(words: tuple[str, ...]) -> None:
    result = run(*words)
    assert (result.stdout, result.exit_code) == ("", 3)
    assert run("-q", "cases", "--json").stdout.startswith("{")
    assert run("assess", "none.toml", "-q").stderr.startswith("loopodds: none.toml")
    assert run("case", "template", "-q").stdout.startswith("#")


def test_colours_are_asked_for_or_refused(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("NO_COLOR", "1")
    assert "\x1b[" not in run("connect", "-").stdout
    assert re.search(r"\x1b\[[0-9;]*m", run("connect", "-", "--color", "always").stdout)
    monkeypatch.delenv("NO_COLOR")
    monkeypatch.setenv("FORCE_COLOR", "1")
    assert "\x1b[" not in run("--color", "never", "connect", "-").stdout
    assert run("connect", "-", "--color", "blue").exit_code == 2


@pytest.mark.slow
@pytest.mark.skipif(os.name != "posix", reason="needs a terminal of the POSIX kind")
@pytest.mark.parametrize(
    ("words", "paged", "said"),
    [
        (("help",), True, "Commands"),
        (("help", "--no-pager"), False, "Commands"),
        (("-V",), False, "version"),
    ],
)
def test_what_is_longer_than_the_terminal_goes_through_the_pager(
    words: tuple[str, ...], paged: bool, said: str, tmp_path: Path
) -> None:
    pager = tmp_path / "pager"
    pager.write_text("#!/bin/sh\necho paged; cat\n", encoding="utf-8")
    pager.chmod(0o755)
    program = (
        "import pty, sys; pty.spawn([sys.executable, '-c', "
        "'from loopodds_cli.main import main; main()', *sys.argv[1:]])"
    )
    shown = subprocess.run(
        [sys.executable, "-c", program, *words],
        capture_output=True, check=True, stdin=subprocess.DEVNULL,
        env={**os.environ, "PAGER": str(pager), "LINES": "24", "COLUMNS": "80", "NO_COLOR": "1"},
    ).stdout.decode()  # fmt: skip
    assert ("paged" in shown) == paged
    assert said in shown


def test_the_manual_page_is_that_of_the_commands() -> None:
    page = run("help", "--man").stdout
    assert MANUAL.read_text(encoding="utf-8") == page
    flat = page.replace("\\-", "-")
    for name in COMMANDS:
        assert f".SS loopodds {name} " in flat
    assert "loopodds case work" in flat
    assert not [line for line in page.splitlines() if line.startswith("'")]


@pytest.mark.skipif(shutil.which("groff") is None, reason="no groff here")
def test_the_manual_page_is_set_without_a_complaint() -> None:
    done = subprocess.run(
        ["groff", "-man", "-ww", "-Tutf8", str(MANUAL)], capture_output=True, check=True
    )
    assert done.stderr == b""
    assert b"assess" in done.stdout
