"""Record what every command answers on everything that ships, and compare two such records.

python tools/record_answers.py record FILE          run all commands, keep their answers
python tools/record_answers.py record FILE --quick  a sample of them, in half a minute
python tools/record_answers.py compare OLD NEW      exit 1 where an answer differs

For changes that must not change an answer: record before, record after, compare. Numbers are
equal within 1e-12, absolute where below one, relative above; times of day and digests of the
knowledge are left out. Answers printed as pages are recorded too; ``--pages`` compares them.
"""

from __future__ import annotations

import csv
import json
import os
import re
import sys
import tempfile
from collections.abc import Iterator, Sequence
from importlib import import_module
from pathlib import Path

from click.testing import CliRunner

TOLERANCE = 1e-12
TOLERANCE_DECIBANS = 1e-10
"""Logarithms of odds near certainty carry the rounding of probabilities a hundredfold."""
WHEN = re.compile(r"\d{4}-\d\d-\d\d[T ]\d\d:\d\d(:\d\d)?(\.\d+)?([+-]\d\d:?\d\d|Z)?")
# with a letter and not behind a point: the decimals of a number are no digest
DIGEST = re.compile(r"(?<![.\w])(?=[0-9]*[a-f])[0-9a-f]{12,64}\b")
SEEN = ("sample_bubbles=persisting", "or", "moisture=wet", "-low_side", "or", "vent=7 degC")
QUICK = ("@wet_loop", "@leak_repaired")
CASE_STEPS = (
    "open --name van refrigerant=R134a expansion=TXV",
    "open --name bare",
    "saw 1 sample_bubbles=persisting sample_specks=none:0.3,metal:0.7",
    "read 1 'low_side=2.1 bar' 'high_side=255 psi' 'ambient=31 degC'",
    "doubt 1 low_side",
    "withdraw 1 sample_specks",
    "undo 1",
    "redo 1",
    "done 1 interview",
    "decide 1 dry_the_loop",
    "repaired 1 dry_the_loop",
    "saw 1 moisture_indicator=dry",
    "close 2 --unconfirmed",
    "show 1",
    "show 2",
    "history 1",
    "list --all",
    "export 1",
    "close 1 --confirmed moisture=wet",
    "import @leak_repaired",
    "import @wet_loop",
    "check",
)


def demo_cases() -> list[str]:
    """Names of the shipped cases as the command line takes them."""
    import loopodds_data

    folder = Path(loopodds_data.__file__ or "").parent / "cases"
    return ["@" + path.stem for path in sorted(folder.glob("*.toml"))]


def nodes() -> list[str]:
    """Names of all nodes of the knowledge, as the program lists them."""
    listed = json.loads(_run(["network", "--json"])["out"])
    return [node["name"] for node in listed["nodes"]]


def calls(quick: bool) -> Iterator[list[str]]:
    """Every call whose answer is recorded; the quick ones leave most nodes and cases out."""
    yield ["cases"]
    yield ["network"]
    yield ["network", "--check"]
    for node in nodes()[:: 10 if quick else 1]:
        yield ["network", node]
    for setting in ("complaint", "routine"):
        yield ["network", "--export", "-", "--context", f"setting={setting}"]
    for case in QUICK if quick else demo_cases():
        yield ["assess", case]
        yield ["next", case]
        yield ["next", case, "--lookahead", "2"]
        yield ["plan", case]
        yield ["explain", case]
        yield ["explain", case, "moisture", "--rival", "air"]
        yield ["whatif", case, *SEEN]
        if quick:
            continue
        yield ["explain", case, "--sensitivity"]
        for form in ("json", "html", "md"):
            yield ["report", case, "--out", "-", "--format", form]
    for level in ("single", "masked", "two", "sound", "workshop", "mixed"):
        yield ["drill", "--level", level, "--seed", "7", "--cars", "3"]


def scored(quick: bool) -> Iterator[list[str]]:
    """Every scoring of a shipped archive."""
    yield ["score", "@metric", "--out", "m.csv", "--rejects", "m.bad.csv", "--review", "20"]
    yield ["score", "@metric", "--out", "m2.parquet", "--review-out", "r.json", "--workers", "2"]
    if quick:
        return
    yield ["score", "@us", "--out", "u.csv", "--rejects", "u.bad.csv", "--review-out", "u.r.csv"]


def _run(words: Sequence[str]) -> dict[str, object]:
    main = import_module("loopodds_cli.main").main
    done = CliRunner().invoke(main, list(words), standalone_mode=True)
    if done.exception is not None and not isinstance(done.exception, SystemExit):
        raise done.exception
    return {"exit": done.exit_code, "out": done.stdout, "err": done.stderr}


def record(quick: bool) -> dict[str, object]:
    """Answers by the call that gave them, as text; files that a call wrote by their name."""
    # One way through the engine for all calls, since its last digits order what hardly moves.
    import_module("loopodds.inference.junction").COMPILED_FROM = 0  # type: ignore[attr-defined]
    answers: dict[str, object] = {}
    work = tempfile.mkdtemp()
    os.chdir(work)
    os.environ["LOOPODDS_CASEBOOK"] = os.environ["LOOPODDS_BOOK"] = f"{work}/book.db"
    os.environ["COLUMNS"] = "80"
    for words in calls(quick):
        page = {"drill"} & {*words} or "--out" in words or "--export" in words
        forms = (["--json"],) if quick else ([], ["--json"])
        for form in ([],) if "--format" in words or "--export" in words else forms:
            if page and not form and words[0] == "drill":
                continue
            answers[" ".join([*words, *form])] = _run([*words, *form])
            print(".", end="", flush=True)
    import shlex

    for number, step in enumerate(CASE_STEPS):
        words = ["case", *shlex.split(step)]
        if "export" not in words:
            words.append("--json")
        answers[f"case {number} {step}"] = _run(words)
    for words in scored(quick):
        answers[" ".join(words)] = _run([*words, "--json"])
    for path in sorted(Path(work).iterdir()):
        if path.suffix in {".csv", ".json"}:
            answers[f"file {path.name}"] = {"out": path.read_text(errors="replace")}
    return answers


def plain(text: str) -> object:
    """An answer as data: JSON or CSV where it is that, else its lines."""
    try:
        return _lasting(json.loads(text))
    except ValueError:
        return [[_cell(cell) for cell in row] for row in csv.reader(text.splitlines())]


def _lasting(data: object) -> object:
    """Data with the texts in it rid of times and digests; numbers stay as they are.

    Findings that move nothing stand in any order: rounding decides it.
    """
    if isinstance(data, dict):
        if abs(data.get("decibans", 1.0)) < TOLERANCE_DECIBANS:
            data = {**data, "decibans": 0.0, "name": "any", "finding": "any"}
        return {key: _lasting(value) for key, value in data.items()}
    if isinstance(data, list):
        return [_lasting(value) for value in data]
    return DIGEST.sub("DIGEST", WHEN.sub("WHEN", data)) if isinstance(data, str) else data


def _cell(cell: str) -> object:
    try:
        return float(cell)
    except ValueError:
        return _lasting(cell)


def differences(old: object, new: object, place: str = "") -> Iterator[str]:
    """Places where two answers differ; what is new in a mapping is no difference."""
    if isinstance(old, dict) and isinstance(new, dict):
        for key, value in old.items():
            if key not in new:
                yield f"{place}/{key}: gone"
            else:
                yield from differences(value, new[key], f"{place}/{key}")
    elif isinstance(old, list) and isinstance(new, list):
        if len(old) != len(new):
            yield f"{place}: {len(old)} entries, now {len(new)}"
        for number, (a, b) in enumerate(zip(old, new, strict=False)):
            yield from differences(a, b, f"{place}/{number}")
    elif isinstance(old, float | int) and isinstance(new, float | int):
        tolerance = TOLERANCE_DECIBANS if place.endswith("/decibans") else TOLERANCE
        if not abs(old - new) <= tolerance * max(1.0, abs(old)) and not (old != old and new != new):
            yield f"{place}: {old!r}, now {new!r}"
    elif old != new:
        yield f"{place}: {old!r}, now {new!r}"


def compare(old: dict[str, dict[str, str]], new: dict[str, dict[str, str]], pages: bool) -> int:
    """Print every difference; how many calls differ."""
    count = missing = 0
    for call, before in old.items():
        if call not in new:
            missing += 1
            continue
        data = "json" in call or call.startswith(("file", "case", "network --export"))
        if not data and not pages:
            continue
        after = new[call]
        found = list(differences(plain(before["out"]), plain(after["out"])))
        found += [f"exit {before.get('exit')}, now {after.get('exit')}"] * (
            before.get("exit") != after.get("exit")
        )
        if found:
            count += 1
            print(call, *found[:6], f"({len(found)} differences)", sep="\n    ")
    print(f"{count} of {len(old) - missing} answers differ, {missing} not recorded again")
    return count


def main() -> None:
    """Record or compare."""
    verb, *files = [word for word in sys.argv[1:] if not word.startswith("--")]
    if verb == "record":
        target = Path(files[0]).absolute()
        target.write_text(json.dumps(record("--quick" in sys.argv), indent=1), encoding="utf-8")
    else:
        old, new = (json.loads(Path(file).read_text(encoding="utf-8")) for file in files)
        sys.exit(compare(old, new, "--pages" in sys.argv) > 0)


if __name__ == "__main__":
    main()
