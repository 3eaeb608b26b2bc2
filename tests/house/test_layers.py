"""The rooms of the house and their order: a room imports only what stands below it."""

from __future__ import annotations

import ast
import json
import re
from graphlib import CycleError, TopologicalSorter
from pathlib import Path

import loopodds
import pytest

ROOT = Path(__file__).parents[2]
MODEL = ROOT / "model" / "loopodds"

ROOMS = (
    "base",
    "physics",
    "machine",
    "vectors",
    "inference",
    "accelerator",
    "knowledge",
    "inspection",
    "diagnosis",
    "exchange",
    "doubt",
    "safety",
    "decision",
    "advice",
    "casebook",
    "archive",
    "upkeep",
    "calibration",
    "drift",
    "training",
    "report",
    "papers",
    "fleets",
    "photo",
    "bay",
)
"""The architecture, lowest first. DEVELOPERS.md says what each room holds."""

KNOW_NO_CARS, CARS = ("base", "vectors", "inference", "accelerator"), ("physics", "machine")
MOST_MODULES, MOST_LINES, LEAST_LINES = 12, 400, 40
SHORT = {
    "base/arrays.py": "array types that every room names",
    "bay/carried.py": "puts together what the other modules of its room make",
    "base/phrases.py": "wording shared by pages and reports",
    "vectors/compiling.py": "how every loop is compiled, below all of them",
}
"""Modules under forty lines, and why each stands alone."""

EVERY_ROOM = pytest.mark.parametrize("room", ROOMS)


def imports_of(path: Path) -> set[str]:
    """Modules and names of loopodds that a file imports, at any depth of its code."""
    return imported(path.read_text(encoding="utf-8"))


def imported(text: str) -> set[str]:
    found: set[str] = set()
    for node in ast.walk(ast.parse(text)):
        if isinstance(node, ast.ImportFrom) and node.module and not node.level:
            found.update(f"{node.module}.{alias.name}" for alias in node.names)
        elif isinstance(node, ast.Import):
            found.update(alias.name for alias in node.names)
    return {name for name in found if name.split(".")[0] in {"loopodds", "loopodds_cli"}}


def modules(room: str) -> list[Path]:
    return sorted(path for path in (MODEL / room).glob("*.py") if path.stem != "__init__")


def test_every_folder_of_the_library_is_a_room_of_the_order():
    folders = {path.name for path in MODEL.iterdir() if path.is_dir()} - {"__pycache__"}
    assert folders == set(ROOMS)
    assert [path.name for path in MODEL.glob("*.py")] == ["__init__.py"]


@EVERY_ROOM
def test_a_room_imports_only_what_stands_below_it(room: str):
    below = ROOMS[: ROOMS.index(room) + 1]
    allowed = set(below) - set(CARS if room in KNOW_NO_CARS else ())
    for path in modules(room):
        rooms = {name.split(".")[1] for name in imports_of(path)}
        assert rooms <= allowed, f"{path.relative_to(MODEL)} reaches up to {rooms - allowed}"


@EVERY_ROOM
def test_no_module_of_a_room_is_above_and_below_another(room: str):
    arcs = {
        path.stem: {n.split(".")[2] for n in imports_of(path) if n.startswith(f"loopodds.{room}.")}
        for path in modules(room)
    }
    try:
        TopologicalSorter(arcs).prepare()
    except CycleError as ring:
        pytest.fail(f"these import each other in a ring: {ring.args[1]}")


@EVERY_ROOM
def test_a_room_can_be_taken_in_at_a_glance(room: str):
    assert len(modules(room)) <= MOST_MODULES


def test_no_module_is_too_long_to_read_or_too_short_to_stand_alone():
    for path in [*MODEL.rglob("*.py"), *(ROOT / "cli").rglob("*.py")]:
        if path.stem == "__init__":
            continue
        lines = len(path.read_text(encoding="utf-8").splitlines())
        assert lines <= MOST_LINES, f"{path}: {lines} lines"
        short = path.is_relative_to(MODEL) and str(path.relative_to(MODEL)) not in SHORT
        assert lines >= LEAST_LINES or not short, f"{path}: {lines} lines"


def users() -> dict[str, str]:
    """Text of everything that uses the library from outside: commands, notebooks, README."""
    texts = {str(path): path.read_text("utf-8") for path in (ROOT / "cli").rglob("*.py")}
    for path in (ROOT / "notebooks").glob("*.ipynb"):
        cells = json.loads(path.read_text(encoding="utf-8"))["cells"]
        code = ["".join(cell["source"]) for cell in cells if cell["cell_type"] == "code"]
        texts[path.name] = "\n".join(code)
    readme = (ROOT / "README.md").read_text(encoding="utf-8")
    texts["README.md"] = "\n".join(re.findall(r"```python\n(.*?)```", readme, re.DOTALL))
    return texts


def test_commands_notebooks_and_readme_use_only_public_names():
    public = {"loopodds", *(f"loopodds.{name}" for name in loopodds.__all__)}
    for place, text in users().items():
        inside = {name for name in imported(text) if name.split(".")[0] == "loopodds"} - public
        assert not inside, f"{place} goes past the door: {sorted(inside)}"


def test_the_library_never_imports_the_commands():
    for path in MODEL.rglob("*.py"):
        assert not any(name.startswith("loopodds_cli") for name in imports_of(path)), path


def test_the_data_package_has_no_code():
    data = ROOT / "data" / "loopodds_data"
    for path in data.rglob("*.py"):
        body = ast.parse(path.read_text(encoding="utf-8")).body
        assert all(isinstance(node, ast.Expr) for node in body), path
