"""Change one thing at a time in the library and see whether the room's tests notice.

python tools/mutate.py inference diagnosis decision --each 50 --seed 1 --out mutants.jsonl

Draws changes at random (comparison, arithmetic, and/or, not, number, condition, returned value),
makes each in a copy of the library, and runs the tests of its room until one fails. Prints the
share noticed for each room; every change stands in the file of results with what became of it,
and a run that was stopped goes on from there. No plug-in of pytest and no other tool is used:
what is compiled (numba) and imported late (the door) stays as it is.
"""

from __future__ import annotations

import argparse
import ast
import json
import os
import random
import resource
import shutil
import sys
import tempfile
from collections import Counter
from collections.abc import Iterator
from importlib import import_module
from multiprocessing import Process
from pathlib import Path
from typing import NamedTuple

ROOT = Path(__file__).parents[1]
ROOMS = ROOT / "model" / "loopodds"
SECONDS = 300
"""Of processor time: a change that makes the tests run longer is taken as noticed, it hangs."""

LARGE = (
    "numba",
    "pandas",
    "pgmpy.models",
    "pgmpy.inference",
    "pyagrum",
    "scipy.stats",
    "hypothesis",
    "pyarrow",
    "rich.console",
    "click.testing",
)
"""Libraries that are loaded once for all changes."""  # fmt: skip

COMPARED = {
    ast.Lt: ast.LtE, ast.LtE: ast.Lt, ast.Gt: ast.GtE, ast.GtE: ast.Gt, ast.Eq: ast.NotEq,
    ast.NotEq: ast.Eq, ast.Is: ast.IsNot, ast.IsNot: ast.Is, ast.In: ast.NotIn, ast.NotIn: ast.In,
}  # fmt: skip
REVERSED = {ast.Lt: ast.Gt, ast.LtE: ast.GtE, ast.Gt: ast.Lt, ast.GtE: ast.LtE}
COMPUTED = {
    ast.Add: ast.Sub, ast.Sub: ast.Add, ast.Mult: ast.Div, ast.Div: ast.Mult, ast.BitAnd: ast.BitOr,
    ast.BitOr: ast.BitAnd, ast.Pow: ast.Mult, ast.FloorDiv: ast.Mult,
}  # fmt: skip


class Mutant(NamedTuple):
    """One change: where, and the text before and after."""

    file: str
    line: int
    kind: str
    start: int
    before: str
    after: str


def changes(node: ast.AST) -> Iterator[tuple[str, ast.expr, ast.expr]]:
    """Kind, expression and what takes its place, for one node of the syntax tree."""
    match node:
        case ast.Compare(ops=[op]):
            for kind, table in (("comparison", COMPARED), ("reversed", REVERSED)):
                if type(op) in table:
                    other = ast.Compare(node.left, [table[type(op)]()], node.comparators)
                    yield kind, node, other
        case ast.BinOp(op=op) if type(op) in COMPUTED:
            yield "arithmetic", node, ast.BinOp(node.left, COMPUTED[type(op)](), node.right)
        case ast.BoolOp(op=op):
            swapped = ast.Or() if isinstance(op, ast.And) else ast.And()
            yield "and/or", node, ast.BoolOp(swapped, node.values)
        case ast.UnaryOp(op=ast.Not()):
            yield "not", node, node.operand
        case ast.UnaryOp(op=ast.USub()):
            yield "sign", node, node.operand
        case ast.Constant(value=bool() as value):
            yield "truth", node, ast.Constant(not value)
        case ast.Constant(value=int() as value):
            yield "number", node, ast.Constant(value + 1)
        case ast.Constant(value=float() as value):
            yield "number", node, ast.Constant(value * 1.1 if value else 0.1)
        case ast.If(test=test) | ast.IfExp(test=test) if not isinstance(test, ast.Compare):
            yield "condition", test, ast.UnaryOp(ast.Not(), test)
        case ast.Return(value=ast.expr() as value) if not isinstance(value, ast.Constant):
            yield "returned", value, ast.Constant(None)


def code_of(node: ast.AST) -> Iterator[ast.AST]:
    """Nodes below a node, but for annotations, type aliases and what only type checkers read."""
    yield node
    for name, value in ast.iter_fields(node):
        if name in {"annotation", "returns"}:
            continue
        if (
            name == "body"
            and isinstance(node, ast.If)
            and "TYPE_CHECKING" in ast.unparse(node.test)
        ):
            continue
        for child in value if isinstance(value, list) else [value]:
            if isinstance(child, ast.AST):
                yield from code_of(child)


def mutants(path: Path) -> Iterator[Mutant]:
    """Every change that can be made in a file."""
    text = path.read_text(encoding="utf-8")
    starts = [0]
    for line in text.splitlines(keepends=True):
        starts.append(starts[-1] + len(line.encode()))
    for node in code_of(ast.parse(text)):
        for kind, old, new in changes(node):
            before = ast.get_source_segment(text, old) or ""
            after = f"({ast.unparse(ast.fix_missing_locations(new))})"
            start = starts[old.lineno - 1] + old.col_offset
            place = str(path.relative_to(ROOT))
            yield Mutant(place, old.lineno, kind, start, before, after)


def drawn(room: str, count: int, seed: int) -> list[Mutant]:
    """So many changes of a room, at random."""
    every = [m for path in sorted((ROOMS / room).glob("*.py")) for m in mutants(path)]
    return random.Random(f"{seed} {room}").sample(every, min(count, len(every)))


def tests_pass(copy: Path, tests: list[str]) -> tuple[bool, float]:
    """Whether tests pass on a copy of the library, and the processor time they took.

    They run in a fork of this process, which has the large libraries loaded, and stop at the
    first that fails.
    """
    child = os.fork()
    if not child:
        code = 1
        try:
            code = _tested(copy, tests)
        finally:
            sys.stdout.flush()
            os._exit(code)
    _, status, used = os.wait4(child, 0)
    return status == 0, used.ru_utime + used.ru_stime


def _tested(copy: Path, tests: list[str]) -> int:
    """Exit code of pytest on a copy of the library."""
    import pytest

    sys.stdout.flush()
    log = os.open(copy / "tests.log", os.O_WRONLY | os.O_CREAT | os.O_TRUNC)
    os.dup2(log, 1)
    os.dup2(log, 2)
    resource.setrlimit(resource.RLIMIT_CPU, (SECONDS, SECONDS))
    paths = [str(copy / "model"), str(ROOT / "cli"), str(ROOT / "data")]
    os.environ["PYTHONPATH"] = os.pathsep.join(paths)  # of processes that a test starts
    sys.path[:0] = paths
    os.chdir(ROOT)
    loaded = "ignore::pytest.PytestAssertRewriteWarning"
    options = ["-x", "-q", "-p", "no:cacheprovider", "-m", "not slow", "-W", loaded]
    return int(pytest.main([*options, *tests]))


def quickest_first(copy: Path, room: str) -> list[str]:
    """Files of tests of a room, which pass without any change, by the time that they take."""
    took = {}
    for file in sorted((ROOT / "tests" / room).glob("test_*.py")):
        passed, took[str(file)] = tests_pass(copy, [str(file)])
        if not passed:
            said = (copy / "tests.log").read_text(encoding="utf-8", errors="replace")
            raise SystemExit(f"{said}\n{file} fails without any change")
    return sorted(took, key=took.__getitem__)


def noticed(mutant: Mutant, copy: Path, tests: list[str]) -> bool:
    """Whether a test fails once the change is made in a copy; the copy is put right again."""
    file = copy / mutant.file
    whole = file.read_bytes()
    stat = file.stat()
    end = mutant.start + len(mutant.before.encode())
    file.write_bytes(whole[: mutant.start] + mutant.after.encode() + whole[end:])
    try:
        return not tests_pass(copy, tests)[0]
    finally:
        file.write_bytes(whole)
        os.utime(file, ns=(stat.st_atime_ns, stat.st_mtime_ns))  # compiled loops stay valid


def try_all(
    plan: list[tuple[str, Mutant]], copy: Path, files: dict[str, list[str]], results: Path
) -> None:
    """Make one change after the other in a copy; a line of the results for each."""
    for room, mutant in plan:
        seen = noticed(mutant, copy, files[room])
        with results.open("a", encoding="utf-8") as out:
            out.write(json.dumps({"room": room, "mutant": mutant, "noticed": seen}) + "\n")
        said = "noticed" if seen else "SURVIVED"
        print(
            f"{said} {mutant.file}:{mutant.line} {mutant.before!r} -> {mutant.after!r}", flush=True
        )


def main() -> None:
    """Draw, try, count."""
    options = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else "")
    options.add_argument("rooms", nargs="+")
    options.add_argument("--each", type=int, default=50)
    options.add_argument("--seed", type=int, default=1)
    options.add_argument("--at-once", type=int, default=2)
    options.add_argument("--out", type=Path, default=Path("mutants.jsonl"))
    asked = options.parse_args()
    known = asked.out.read_text(encoding="utf-8").splitlines() if asked.out.exists() else []
    tried = {Mutant(*line["mutant"]) for line in map(json.loads, known)}
    plan = [(r, m) for r in asked.rooms for m in drawn(r, asked.each, asked.seed)]
    random.Random(asked.seed).shuffle(plan)
    left = [(room, mutant) for room, mutant in plan if mutant not in tried]
    for library in LARGE:
        import_module(library)
    with tempfile.TemporaryDirectory() as folder:
        copies = [Path(folder) / str(number) for number in range(asked.at_once)]
        for copy in copies:
            shutil.copytree(ROOT / "model", copy / "model")
        files = {room: quickest_first(copies[0], room) for room in asked.rooms if left}
        workers = [
            Process(target=try_all, args=(left[number :: len(copies)], copy, files, asked.out))
            for number, copy in enumerate(copies)
        ]
        for worker in workers:
            worker.start()
        for worker in workers:
            worker.join()
    lines = [json.loads(line) for line in asked.out.read_text(encoding="utf-8").splitlines()]
    for room in asked.rooms:
        counted = Counter(line["noticed"] for line in lines if line["room"] == room)
        print(f"{room}: {counted[True]} of {counted.total()} noticed")


if __name__ == "__main__":
    main()
