"""A module imports only what lies below it: the order here is the architecture."""

from __future__ import annotations

import ast
from pathlib import Path

ROOT = Path(__file__).parents[1]
MODEL = ROOT / "model" / "loopodds"


def imports_of(path: Path) -> set[str]:
    """Modules of loopodds that a file imports, at any depth of its code."""
    found: set[str] = set()
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.ImportFrom) and node.module and not node.level:
            found.add(node.module)
            found.update(f"{node.module}.{alias.name}" for alias in node.names)
        elif isinstance(node, ast.Import):
            found.update(alias.name for alias in node.names)
    return found


def graph() -> dict[str, set[str]]:
    """Arcs between the modules of the model."""
    names = {path.stem for path in MODEL.glob("*.py")} - {"__init__"}
    return {
        name: {
            other.split(".")[1]
            for other in imports_of(MODEL / f"{name}.py")
            if other.startswith("loopodds.") and other.split(".")[1] in names
        }
        - {name}
        for name in names
    }


def test_no_module_is_above_and_below_another():
    waiting = graph()
    while waiting:
        free = [name for name, below in waiting.items() if not below & set(waiting)]
        assert free, f"these import each other in a ring: {sorted(waiting)}"
        for name in free:
            del waiting[name]


def below(name: str, arcs: dict[str, set[str]]) -> set[str]:
    """Everything a module rests on."""
    found: set[str] = set()
    waiting = [name]
    while waiting:
        for other in arcs[waiting.pop()] - found:
            found.add(other)
            waiting.append(other)
    return found


def test_the_engine_knows_nothing_about_air_conditioning():
    trade = {"refrigerants", "inspection", "gauges", "casefile", "saturation", "units"}
    arcs = graph()
    for engine in ("distributions", "network", "triangulation", "junction", "kernels", "engine"):
        assert not below(engine, arcs) & trade


def test_inference_does_not_know_what_is_built_on_it():
    arcs = graph()
    above = {"belief", "assessment", "choice", "service", "explanation", "casebook", "archive"}
    for name in ("knowledge", "network", "junction", "engine", "evidence"):
        assert not below(name, arcs) & above


def test_the_model_never_imports_the_commands():
    for path in MODEL.glob("*.py"):
        assert not any(name.startswith("loopodds_cli") for name in imports_of(path)), path


def test_the_data_package_has_no_code():
    data = ROOT / "data" / "loopodds_data"
    for path in data.rglob("*.py"):
        body = ast.parse(path.read_text(encoding="utf-8")).body
        assert all(isinstance(node, ast.Expr) for node in body), path
