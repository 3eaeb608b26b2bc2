"""README and help topics tell the truth: their outputs are today's, commands and links exist."""

from __future__ import annotations

import importlib.util
import re
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
TEXT = (ROOT / "README.md").read_text(encoding="utf-8")


def _refresher():
    spec = importlib.util.spec_from_file_location(
        "refresh_docs", ROOT / "tools" / "refresh_docs.py"
    )
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


REFRESHER = _refresher()
_BLOCKS = [
    (page.stem, block)
    for page in REFRESHER.PAGES
    for block in re.findall(r"```console\n.*?```", page.read_text(encoding="utf-8"), re.DOTALL)
]


@pytest.mark.parametrize(
    ("page", "block"), _BLOCKS, ids=[block.splitlines()[1][2:] for _, block in _BLOCKS]
)
def test_every_shown_output_is_what_the_command_prints(page, block):
    assert REFRESHER.refreshed(block) == block, page


def test_the_readme_shows_a_screen_and_the_topics_the_others():
    pages = [page for page, _ in _BLOCKS]
    assert "README" in pages
    assert len(set(pages)) >= 5


def test_the_readme_is_short():
    assert len(TEXT.splitlines()) <= 250


def test_every_linked_file_exists():
    links = re.findall(r"\]\(([^)#]+)\)", TEXT)
    missing = [link for link in links if "://" not in link and not (ROOT / link).exists()]
    assert not missing


def test_python_examples_run():
    examples = re.findall(r"```python\n(.*?)```", TEXT, re.DOTALL)
    assert examples
    for example in examples:
        exec(compile(example, "README.md", "exec"), {})


def test_the_two_commands_are_what_ci_runs():
    commands = re.findall(r"```sh\n(.*?)```", TEXT, re.DOTALL)
    assert "loopodds assess" in commands[0]
    assert "pytest" in commands[1]
    assert "readme_command" in (ROOT / ".ci" / "run").read_text(encoding="utf-8")
