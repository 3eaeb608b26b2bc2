"""Every notebook runs from a clean start, keeps no outputs and draws its picture for the README."""

from __future__ import annotations

import ast
from pathlib import Path

import nbformat
import pytest

FOLDER = Path(__file__).parents[2] / "notebooks"
NOTEBOOKS = sorted(FOLDER.glob("*.ipynb"))
LARGEST_PICTURE = 100_000
SECONDS = 120
"""A cell that takes longer hangs; the whole of each notebook takes a few seconds."""


def read(path):
    return nbformat.read(path, as_version=4)


def code(notebook):
    return [cell for cell in notebook.cells if cell.cell_type == "code"]


@pytest.mark.slow
@pytest.mark.parametrize("path", NOTEBOOKS, ids=lambda path: path.stem)
@pytest.mark.filterwarnings("ignore::DeprecationWarning", "ignore::PendingDeprecationWarning")
@pytest.mark.filterwarnings("ignore::RuntimeWarning:zmq", "ignore::ResourceWarning")
def test_it_runs_and_draws_its_picture(path):
    from nbclient import NotebookClient

    notebook = read(path)
    client = NotebookClient(
        notebook,
        timeout=SECONDS,
        kernel_name="python3",
        resources={"metadata": {"path": str(path.parent)}},
    )
    client.execute()
    (cell,) = [c for c in code(notebook) if "picture" in c.metadata.get("tags", [])]
    assert [out for out in cell.outputs if "image/png" in out.get("data", {})]


def test_there_are_seven_stories():
    assert [path.name[:2] for path in NOTEBOOKS] == ["1_", "2_", "3_", "4_", "5_", "6_", "7_"]


@pytest.mark.parametrize("path", NOTEBOOKS, ids=lambda path: path.stem)
def test_outputs_are_stripped_and_a_title_comes_first(path):
    notebook = read(path)
    nbformat.validate(notebook)
    assert all(not cell.outputs and cell.execution_count is None for cell in code(notebook))
    assert notebook.cells[0].source.startswith("# ")


@pytest.mark.parametrize("path", NOTEBOOKS, ids=lambda path: path.stem)
def test_only_public_names_are_used(path):
    for cell in code(read(path)):
        for node in ast.walk(ast.parse(cell.source)):
            if isinstance(node, ast.Attribute):
                assert not node.attr.startswith("_"), node.attr
            if isinstance(node, ast.ImportFrom) and node.module.startswith("loopodds"):
                assert not any(alias.name.startswith("_") for alias in node.names)


@pytest.mark.parametrize("path", NOTEBOOKS, ids=lambda path: path.stem)
def test_the_readmes_picture_is_there_and_small(path):
    picture = FOLDER / "pictures" / f"{path.stem}.png"
    assert picture.stat().st_size < LARGEST_PICTURE
