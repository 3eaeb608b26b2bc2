"""Knowledge broken at random: changed numbers, words, keys and whole tables of the shipped files.

From the command line, for as long as is wanted, every folder that ends in a traceback is kept:

    python tests/broken_knowledge.py --minutes 10
"""

from __future__ import annotations

import argparse
import copy
import json
import math
import random
import shutil
import sys
import tempfile
import time
import tomllib
from collections.abc import Iterator, Mapping
from functools import cache
from importlib import resources
from pathlib import Path
from typing import Any

from loopodds.knowledge.records import Knowledge
from loopodds.upkeep.lint import lint

Table = dict[str, Any]
HOSTILE: list[Any] = [
    -1, 0, 1e308, -1e308, 10**400, 0.5, math.inf, math.nan, True, "", "\0", "leak", [], {}, [{}],
    ["leak"], [["leak"]], {"leak": 1}, {"leak": {"slow": [1, 0]}}, [1e308, 1e308], [-1, 2],
    "x" * 5000,
]  # fmt: skip


@cache
def shipped() -> Mapping[str, Table]:
    """The shipped files as they parse."""
    folder = resources.files("loopodds_data")
    return {
        file.name: tomllib.loads(file.read_text(encoding="utf-8"))
        for file in folder.iterdir()
        if file.name.endswith(".toml") and file.name != "drills.toml"
    }


def toml_value(value: Any) -> str:
    """A value as TOML has it within a line."""
    if isinstance(value, Mapping):
        pairs = (f"{json.dumps(key)} = {toml_value(inner)}" for key, inner in value.items())
        return f"{{ {', '.join(pairs)} }}"
    if isinstance(value, list):
        return f"[{', '.join(map(toml_value, value))}]"
    if isinstance(value, float) and not math.isfinite(value):
        return "nan" if math.isnan(value) else ("inf" if value > 0 else "-inf")
    return json.dumps(value) if isinstance(value, str | bool) else repr(value)


def write(files: Mapping[str, Table], folder: Path) -> None:
    """The files as TOML into a folder."""
    for name, tables in files.items():
        lines = [f"{json.dumps(key)} = {toml_value(value)}\n" for key, value in tables.items()]
        (folder / name).write_text("".join(lines), encoding="utf-8", errors="replace")


def places(entry: Any, path: tuple[Any, ...] = ()) -> Iterator[tuple[Any, ...]]:
    """The way to everything below an entry."""
    steps = entry.items() if isinstance(entry, dict) else enumerate(entry)
    for step, inner in steps:
        yield (*path, step)
        if isinstance(inner, dict | list):
            yield from places(inner, (*path, step))


def broken(rng: random.Random, times: int) -> tuple[dict[str, Table], list[str]]:
    """The shipped files with so many things changed at random, and what was changed."""
    files, told = dict(shipped()), []
    for _ in range(times):
        name = rng.choice(sorted(files))
        files[name] = tables = copy.deepcopy(files[name])
        everywhere = list(places(tables))
        if not everywhere:
            continue
        *way, last = rng.choice(everywhere)
        holder: Any = tables
        for step in way:
            holder = holder[step]
        told.append(f"{name}: {'.'.join(map(str, (*way, last)))}: {_break(holder, last, rng)}")
    return files, told


def _break(holder: Any, last: Any, rng: random.Random) -> str:
    """Change one thing in a table or list; what was done."""
    kind = rng.choice(["replace", "replace", "drop", "rename", "twist"])
    if kind == "drop":
        del holder[last]
    elif kind == "rename" and isinstance(holder, dict):
        holder[f"{last}s"] = holder.pop(last)
    elif kind == "twist" and type(holder[last]) in (int, float):
        holder[last] = -holder[last]
    else:
        kind, holder[last] = "replace", copy.deepcopy(rng.choice(HOSTILE))
        return f"{kind} by {str(holder[last])[:40]}"
    return kind


def main() -> int:
    """Break knowledge until the time is up; the exit code."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--minutes", type=float, default=1.0)
    parser.add_argument("--seed", type=int, default=1)
    given = parser.parse_args()
    until, seed, failures = time.monotonic() + 60 * given.minutes, given.seed, 0
    while time.monotonic() < until:
        seed += 1
        rng = random.Random(seed)
        files, told = broken(rng, rng.choice([1, 1, 2, 5]))
        folder = Path(tempfile.mkdtemp())
        write(files, folder)
        try:
            problems = lint(folder)
            if not any(not problem.warning for problem in problems):
                Knowledge(folder)
        except Exception as error:  # noqa: BLE001  (what must not happen, whatever it is)
            failures += 1
            what = f"{type(error).__name__}: {error}; {folder}: {'; '.join(told)}"
            sys.stdout.write(f"seed {seed}: {what}\n")
            continue
        shutil.rmtree(folder)
    sys.stdout.write(f"{seed - given.seed} broken folders, {failures} tracebacks\n")
    return 1 if failures else 0


if __name__ == "__main__":
    sys.exit(main())
