"""``loopodds`` itself: the names a program needs, none of them loaded before it is used."""

from __future__ import annotations

import ast
import subprocess
import sys
from importlib import import_module
from importlib.metadata import version
from pathlib import Path

import loopodds
import pytest

NAMES = sorted({*loopodds.__all__} - {"__version__"})


def promised() -> dict[str, str]:
    """Module by name, as a type checker reads them."""
    stub = Path(loopodds.__file__ or "").with_suffix(".pyi")
    tree = ast.parse(stub.read_text(encoding="utf-8"))
    return {
        alias.name: node.module or ""
        for node in tree.body
        if isinstance(node, ast.ImportFrom)
        for alias in node.names
    }


def test_importing_the_package_loads_none_of_its_modules_and_no_library():
    code = "import sys, loopodds; print(*sorted(sys.modules))"
    run = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    loaded = run.stdout.split()
    assert [name for name in loaded if name.startswith("loopodds")] == ["loopodds"]
    assert "numpy" not in loaded


def test_a_type_checker_knows_the_same_names_as_a_running_program():
    assert sorted(promised()) == NAMES


@pytest.mark.parametrize("name", NAMES)
def test_a_name_is_that_of_its_module_and_says_what_it_is(name: str):
    found = getattr(loopodds, name)
    assert found is getattr(import_module(promised()[name]), name)
    assert found.__doc__


def test_the_names_are_listed_beside_those_already_loaded():
    assert set(NAMES) <= set(dir(loopodds))


def test_the_version_is_that_of_the_installed_package():
    assert loopodds.__version__ == version("loopodds")


def test_a_misspelt_name_is_refused():
    with pytest.raises(AttributeError, match=r"^module 'loopodds' has no attribute 'asess'$"):
        getattr(loopodds, "asess")  # noqa: B009
