"""The developers' page tells the truth: what it names is there, and its map shows every room."""

from __future__ import annotations

import re
from pathlib import Path

ROOT = Path(__file__).parents[2]
TEXT = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
MODULES = {path.stem for root in ("model", "cli") for path in (ROOT / root).rglob("*.py")}


def section(title: str) -> str:
    return TEXT.split(f"## {title}\n")[1].split("\n## ")[0]


def test_every_module_that_the_table_of_purposes_names_exists():
    cells = re.findall(r"\| ([^|]*) \|$", section("Where to look"), re.MULTILINE)
    named = {name for cell in cells for name in re.findall(r"`([a-z_]+)`", cell)}
    assert len(named) > 30
    assert named <= MODULES


def test_every_file_named_on_the_page_exists():
    files = re.findall(r"`((?:[a-z_]+/)*[a-z_]+\.(?:py|toml|pyi|css))`", TEXT)
    folders = ("model", "cli", "data", "tests", "tools")
    there = [f"/{p.relative_to(ROOT).as_posix()}" for f in folders for p in (ROOT / f).rglob("*.*")]
    there += [f"/{path.name}" for path in ROOT.glob("*.*")]
    missing = [name for name in files if not any(path.endswith(f"/{name}") for path in there)]
    assert files
    assert not missing


def test_the_map_shows_every_room():
    rooms = {path.name for path in (ROOT / "model" / "loopodds").iterdir() if path.is_dir()}
    assert all(re.search(rf"\b{room}\b", section("The map")) for room in rooms - {"__pycache__"})
