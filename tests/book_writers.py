"""Processes that write to a case book until they are stopped: helpers of test_casebook_kill.

    python book_writers.py kill BOOK ROUNDS SEED     kills a writer ROUNDS times at random moments
    python book_writers.py storm BOOK KILLS SEED     four write at once, one is killed KILLS times
    python book_writers.py write BOOK WHO COUNT      records COUNT entries in case 1
    python book_writers.py fill BOOK BYTES           writes until no file may grow beyond BYTES
    python book_writers.py list BOOK                 shows what is in it
    python book_writers.py nobody ...                the same, without a superuser's powers
    python book_writers.py fill BOOK                 writes until the disk is full

An entry is acknowledged on standard output only after the book has said that it is written.
"""

from __future__ import annotations

import json
import os
import random
import signal
import sys
import tempfile
import time
from pathlib import Path
from typing import Any

from loopodds.base.errors import LoopoddsError
from loopodds.casebook.book import CaseBook
from loopodds.casebook.chain import walk
from loopodds.casebook.events import Event
from loopodds.casebook.work import Casework
from loopodds.diagnosis.model import Model
from loopodds.knowledge.records import Knowledge

MODEL = Model(Knowledge(Path(__file__).parent / "small_knowledge"))
STATES = {
    "sample_bubbles": ("none", "persisting"),
    "sample_specks": ("none", "grit", "polymer", "metal"),
    "compressor_cycle": ("steady", "short_cycling", "cut_out"),
}
LONGEST_LIFE = 0.12
TOGETHER = 4
NOBODY = 65534


def digest_of(event: Event) -> list[Any]:
    """Enough of an event to know it again."""
    return [event.case, event.position, event.who, event.kind, event.content, event.time]


def write_on(path: Path, out: int, rng: random.Random, who: str, count: int | None) -> None:
    """Record random entries, and acknowledge each on a file descriptor once it is written."""
    with CaseBook(path) as book:
        work = Casework(book, MODEL, who)
        if not book.numbers() or (count is None and rng.random() < 0.3):
            acknowledge(out, work.open(f"car of {who}").events)
        case = book.numbers()[-1] if count is None else 1
        while count is None or count > 0:
            name = rng.choice(list(STATES))
            undo = rng.random() < 0.2 and work.show(case).state.steps
            answer = (
                work.undo(case) if undo and count is None
                else work.record(case, [(name, rng.choice(STATES[name]))])
            )  # fmt: skip
            acknowledge(out, answer.events)
            count = None if count is None else count - 1


def acknowledge(out: int, events: tuple[Event, ...]) -> None:
    for event in events:
        os.write(out, (json.dumps(digest_of(event)) + "\n").encode())


class Writer:
    """A process that writes to a book until it is killed."""

    def __init__(self, path: Path, rng: random.Random, who: str) -> None:
        # not a pipe, which would fill up and stop the writer; closed when it is read
        self._log = tempfile.TemporaryFile()  # noqa: SIM115
        seed = rng.random()
        self._child = os.fork()
        if self._child == 0:
            try:
                write_on(path, self._log.fileno(), random.Random(seed), who, None)
            finally:
                os._exit(1)

    def killed(self) -> list[Any]:
        """What it acknowledged before it was killed with SIGKILL."""
        os.kill(self._child, signal.SIGKILL)
        _, status = os.waitpid(self._child, 0)
        assert os.WIFSIGNALED(status), "the writer ended by itself"
        with self._log as log:
            log.seek(0)
            lines = log.read().split(b"\n")
        return [json.loads(line) for line in lines[:-1]]


def killed_writer(path: Path, rng: random.Random, who: str) -> list[Any]:
    """What a writer acknowledged before it was killed with SIGKILL at a random moment."""
    writer = Writer(path, rng, who)
    time.sleep(rng.random() * LONGEST_LIFE)
    return writer.killed()


def storm(path: Path, kills: int, seed: int) -> dict[str, Any]:
    """Kill one of four writers at random moments; another takes its place at once."""
    rng = random.Random(seed)
    said: list[Any] = []
    writers = [Writer(path, rng, f"writer {number}") for number in range(TOGETHER)]
    for turn in range(kills):
        time.sleep(rng.random() * LONGEST_LIFE)
        place = rng.randrange(TOGETHER)
        said += writers[place].killed()
        writers[place] = Writer(path, rng, f"writer {TOGETHER + turn}")
    for writer in writers:
        said += writer.killed()
    with CaseBook(path) as book:
        walked, damaged = walk(book), book.damage()
        held = {json.dumps(digest_of(e)) for n in book.numbers() for e in book.events(n)}
    lost = [entry for entry in said if json.dumps(entry) not in held]
    broken = [*walked.findings, *walked.problems.values()]
    return {
        "kills": kills + TOGETHER, "acknowledged": len(said), "held": len(held), "lost": lost,
        "damaged": damaged, "broken": broken,
    }  # fmt: skip


def kill(path: Path, rounds: int, seed: int) -> dict[str, Any]:
    """Kill writers again and again; every fifth one is alone with a book of its own."""
    rng = random.Random(seed)
    known: dict[Path, list[Any]] = {}
    report: dict[str, Any] = {
        "acknowledged": 0, "lost": [], "damaged": [], "died before acknowledging": 0,
        "died before there was a book": 0,
    }  # fmt: skip
    for turn in range(rounds):
        at = path if turn % 5 else path.with_name(f"own-{turn}.db")
        said = killed_writer(at, rng, f"writer {turn}")
        report["acknowledged"] += len(said)
        said = known.get(at, []) + said
        known[at] = held = []
        if at.exists():
            with CaseBook(at) as book:
                report["damaged"] += book.damage()
                held += [digest_of(event) for n in book.numbers() for event in book.events(n)]
        else:
            report["died before there was a book"] += 1
        report["lost"] += [entry for entry in said if entry not in held]
        report["died before acknowledging"] += len(held) > len(said)
    return report


def fill(path: Path, limit: int | None) -> None:
    """Write until the book refuses; the refusal is the last line of the output."""
    if limit is not None:
        import resource

        resource.setrlimit(resource.RLIMIT_FSIZE, (limit, limit))
    try:
        write_on(path, 1, random.Random(1), "filler", 100_000)
    except LoopoddsError as error:
        os.write(1, (json.dumps(str(error)) + "\n").encode())


def main() -> None:
    """Do as the command line says."""
    arguments = sys.argv[1:]
    if arguments[0] == "nobody":
        del arguments[0]
        if os.getuid() == 0:
            os.setgroups([])
            os.setgid(NOBODY)
            os.setuid(NOBODY)
    what, path, *rest = arguments
    if what == "kill":
        report = kill(Path(path), int(rest[0]), int(rest[1]))
        sys.stdout.write(json.dumps(report))
    elif what == "storm":
        sys.stdout.write(json.dumps(storm(Path(path), int(rest[0]), int(rest[1]))))
    elif what == "write":
        write_on(Path(path), 1, random.Random(rest[0]), rest[0], int(rest[1]))
    elif what == "list":
        with CaseBook(Path(path), write=False) as book:
            held = [digest_of(event) for n in book.numbers() for event in book.events(n)]
        sys.stdout.write(json.dumps(held))
    else:
        fill(Path(path), int(rest[0]) if rest else None)


if __name__ == "__main__":
    main()
