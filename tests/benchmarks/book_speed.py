"""Speed of a large case book: a long case, a long list, a long history.

Recording and undoing are timed within a process that has the case open, as the prompt has it: the
median of single calls, each of which reads the case, judges the entry and writes it to the disk.
The list and the history are timed as whole processes, wall time. The books lie in a temporary
folder; all cases in them are invented.

    python tests/benchmarks/book_speed.py --events 400 --cases 10000 --history 1000
"""

from __future__ import annotations

import argparse
import json
import os
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

from loopodds.casebook.book import CaseBook
from loopodds.casebook.events import NewEvent, Signature, StoredBelief
from loopodds.casebook.work import Casework
from loopodds.diagnosis.model import Model
from loopodds.knowledge.records import Knowledge

CAR = [
    ("refrigerant", "R134a"), ("expansion", "TXV"), ("compressor", "fixed"),
    ("ambient", "31 degC"), ("low_side", "2.1 bar"), ("sample_darkening", "brown"),
]  # fmt: skip
FINDINGS = {"sample_bubbles": ("none", "persisting"), "sample_specks": ("none", "metal")}
LIMITS = {"record": 0.05, "undo": 0.05, "list": 0.5, "history": 0.5}


def lengthened(work: Casework, events: int) -> int:
    """A case of so many events: findings looked at again and again."""
    opened = work.open("long", CAR)
    case, last = opened.state.number, opened.events[-1]
    signature = Signature("bench", "", work.knowledge.digest)
    more: list[NewEvent] = []
    while last.position + len(more) < events:
        name = list(FINDINGS)[len(more) % 2]
        value = FINDINGS[name][len(more) // 2 % 2]
        seen = {"section": "findings", "name": name, "value": value}
        more.append(NewEvent("seen", seen, last.posterior))
    work.book.append(case, last.position, more, signature)
    return case


def many(book: CaseBook, belief: StoredBelief, digest: str, cases: int, looks: int) -> None:
    """Cases of a few events each."""
    seen = {"section": "findings", "name": "sample_bubbles", "value": "none"}
    for number in range(cases):
        opened = NewEvent("opened", {"name": f"car {number}"}, belief)
        events = [opened, *[NewEvent("seen", seen, belief)] * looks]
        book.append(None, 0, events, Signature("bench", "", digest))


def median_of(repeats: int, do: Callable[[int], Any]) -> float:
    """Median wall time of a call that is given its number [s]."""
    times = []
    for turn in range(repeats):
        start = time.perf_counter()
        do(turn)
        times.append(time.perf_counter() - start)
    return statistics.median(times)


def long_case(path: Path, events: int, repeats: int) -> dict[str, float]:
    """Times of recording and undoing in a long case [s]."""
    with CaseBook(path) as book:
        work = Casework(book, Model(Knowledge()))
        case = lengthened(work, events)

        def record(turn: int) -> None:
            work.record(case, [("sample_foam", ("none", "brief")[turn % 2])])

        record(0)
        times = {"record": median_of(repeats, record)}
        return times | {"undo": median_of(repeats, lambda _: work.undo(case))}


def process(path: Path, *words: str) -> Callable[[int], Any]:
    """A ``loopodds case`` call on a book as a whole process."""
    command = [sys.executable, "-c", "from loopodds_cli.main import main; main()", "case", *words]
    environment = {**os.environ, "LOOPODDS_BOOK": str(path)}
    return lambda _: subprocess.run(
        command, check=True, env=environment, stdout=subprocess.DEVNULL
    )  # fmt: skip


def measure(events: int, cases: int, history: int, repeats: int) -> dict[str, float]:
    """Medians by what was done [s]."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        times = long_case(folder / "long.db", events, repeats)
        with CaseBook(folder / "history.db") as book:
            work = Casework(book, Model(Knowledge()))
            lengthened(work, history)
            belief = book.events(1)[-1].posterior
        with CaseBook(folder / "many.db") as book:
            many(book, belief, work.knowledge.digest, cases, 4)
        times["list"] = median_of(repeats, process(folder / "many.db", "list"))
        times["history"] = median_of(repeats, process(folder / "history.db", "history", "1"))
        times["start alone"] = median_of(repeats, process(folder / "many.db", "list", "--help"))
        return times


def main() -> None:
    """Measure and print; exit code 1 if a median is above its limit."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    for option, default in (("events", 400), ("cases", 10_000), ("history", 1000), ("repeats", 7)):
        parser.add_argument(f"--{option}", type=int, default=default)
    parser.add_argument("--json", action="store_true")
    options = vars(parser.parse_args())
    as_json = options.pop("json")
    times = measure(**options)
    if as_json:
        print(json.dumps({"limits": LIMITS, "medians": times, **options}, indent=2))
    else:
        for name, seconds in times.items():
            limit = f"{LIMITS[name]:7.3f}" if name in LIMITS else ""
            print(f"{name:12} {seconds:7.3f} {limit}   [s]")
    sys.exit(int(any(times[name] > limit for name, limit in LIMITS.items())))


if __name__ == "__main__":
    main()
