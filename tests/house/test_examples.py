"""Examples in docstrings are run: what they show is what the code gives."""

from __future__ import annotations

import doctest
from importlib import import_module
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
LIBRARY = [ROOT / "model" / "loopodds", ROOT / "cli" / "loopodds_cli"]
SHOWN = [
    ".".join(path.relative_to(package.parent).with_suffix("").parts).removesuffix(".__init__")
    for package in LIBRARY
    for path in sorted(package.rglob("*.py"))
    if ">>>" in path.read_text(encoding="utf-8")
]


@pytest.mark.parametrize("module", SHOWN)
def test_the_examples_of_a_module_give_what_they_show(
    module: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    options = doctest.NORMALIZE_WHITESPACE | doctest.ELLIPSIS
    done = doctest.testmod(import_module(module), optionflags=options)
    assert done.attempted > 0
    assert done.failed == 0


def test_many_modules_show_an_example() -> None:
    assert len(SHOWN) >= 20
