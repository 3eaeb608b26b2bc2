"""The README tells the truth: its outputs are today's, its commands and links exist."""

from __future__ import annotations

import importlib.util
import re
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
TEXT = (ROOT / "README.md").read_text(encoding="utf-8")


def _refresher():
    spec = importlib.util.spec_from_file_location(
        "refresh_readme", ROOT / "tools" / "refresh_readme.py"
    )
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


_BLOCKS = re.findall(r"```console\n.*?```", TEXT, re.DOTALL)


@pytest.mark.parametrize("block", _BLOCKS, ids=lambda block: block.splitlines()[1][2:])
def test_every_shown_output_is_what_the_command_prints(block):
    assert _refresher().refreshed(block) == block


def test_the_tour_shows_real_commands():
    assert len(_BLOCKS) >= 3


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
