"""Broken inputs for a stated time: case files, archives, books, knowledge, requests, entries.

    python tests/fuzz.py --minutes 10            all targets, the time shared among them
    python tests/fuzz.py --minutes 2 archives    one of them

Every input is a piece of a seed, cut, struck and spliced. An input fails the program if it ends in
anything but an answer or an error of its own kind, takes longer than LONGEST_SECONDS, or kills the
process. Such inputs are kept in ``fuzz_corpus/failing``; inputs that brought a message not met
before are kept as further seeds in ``fuzz_corpus/TARGET``, at most MOST_KEPT of them.
"""

from __future__ import annotations

import argparse
import contextlib
import gzip
import hashlib
import io
import json
import random
import re
import shutil
import signal
import socket
import subprocess
import sys
import time
import traceback
import zipfile
from collections import Counter
from collections.abc import Callable, Iterator
from pathlib import Path
from tempfile import TemporaryDirectory

HERE = Path(__file__).parent
CORPUS = HERE / "fuzz_corpus"
FAILING = CORPUS / "failing"
SMALL = HERE / "small_knowledge"
LONGEST_SECONDS, MOST_MEMORY = 20, 4 << 30
MOST_KEPT, LARGEST_KEPT = 24, 4096
PIECES = [
    b"\0", b"\xff", b'"', b"'", b"[", b"]", b"{", b"}", b"=", b",", b"\n", b"\r\n", b"#", b"\\",
    b"nan", b"inf", b"-1", b"1e308", b"-0", b"0x10", b"true", b"[[repaired]]\n", b'"""', b"@",
    b"[findings]\n", b"1979-05-27", b"\xe2\x80\xae", b"9" * 400, b"[" * 300, b"../", b"=1+1",
]  # fmt: skip

CASE = """
[vehicle]
refrigerant = "R134a"
expansion = "TXV"
[conditions]
setting = "complaint"
ambient = "31 degC"
[history]
opened_without_new_drier = "yes"
[findings]
sample_bubbles = "persisting"
sample_specks = { none = 0.3, metal = 0.7 }
[readings]
low_side = "2.1 bar"
high_side = "255 psi"
[confirmed]
moisture = "wet"
"""

Check = Callable[[bytes], str]


class TooLong(BaseException):
    """An input that takes longer than any should; no handler of the program may catch it."""


def mutated(seeds: list[bytes], rng: random.Random) -> bytes:
    """A seed with some of it overwritten, inserted, doubled, left out or put from another."""
    data = bytearray(rng.choice(seeds))
    for _ in range(rng.choice((1, 1, 2, 4, 8))):
        at, length = rng.randrange(len(data) + 1), rng.choice((1, 2, 8, 40))
        what = rng.randrange(6)
        if what == 0 and at < len(data):
            data[at] ^= 1 << rng.randrange(8)
        elif what == 1:
            data[at:at] = rng.choice(PIECES)
        elif what == 2:
            del data[at : at + length]
        elif what == 3:
            data[at:at] = data[at : at + length] * rng.choice((1, 2, 50))
        elif what == 4:
            data[at : at + length] = rng.choice(PIECES)
        else:
            other = rng.choice(seeds)
            start = rng.randrange(len(other) + 1)
            data[at : at + length] = other[start : start + rng.choice((length, 400))]
    return bytes(data)


def ending(error: BaseException) -> str:
    """Kind of an error by its message, without what changes from one to the next."""
    text = re.sub(r"'[^']*'|\"[^\"]*\"|[\d.,]+|/\S+", "*", str(error).split("\n")[0])
    return f"{type(error).__name__}: {text[:60]}"


def case_files(folder: Path) -> tuple[list[bytes], Check]:
    """Read, and what can be read is assessed by the small knowledge."""
    from loopodds import Knowledge, Model, assess, read_case

    knowledge = Knowledge(SMALL)
    Model(knowledge)
    seeds = [CASE.encode(), (HERE / "blind_cases" / "low_by_weight.toml").read_bytes()]
    file = folder / "case.toml"

    def check(data: bytes) -> str:
        file.write_bytes(data)
        assess(read_case(file, knowledge), knowledge)
        return "assessed"

    return seeds, check


def archives(folder: Path) -> tuple[list[bytes], Check]:
    """Scored; the rows of both outputs together are those read, or there is no output."""
    from invented_archives import csv_text, invented_rows, read_rows, write_archive
    from loopodds import LoopoddsError, score

    rows = invented_rows(12, 1)
    text = csv_text(rows).encode()
    written = write_archive(rows, folder / "seed.parquet", group_rows=5).read_bytes()
    out, rejects = folder / "out.csv", folder / "out.rejects.csv"

    def check(data: bytes) -> str:
        for path in (out, rejects):
            path.unlink(missing_ok=True)
        name = "in.parquet" if data.startswith(b"PAR1") else "in.csv"
        (folder / name).write_bytes(data)
        try:
            tally = score(folder / name, out, knowledge=SMALL, part_rows=4).tally
        except LoopoddsError:
            assert not out.exists(), "refused, yet there is an output"
            assert not rejects.exists(), "refused, yet there are rejects"
            assert not (folder / "out.csv.partial").exists(), "refused, yet something is left"
            raise
        if not any(b'"' in line for line in data.splitlines()[:1]):
            assert len(read_rows(rejects)) == tally.rejected, "a reject is lost"
        assert tally.scored + tally.rejected == tally.rows, "a row is lost"
        return f"scored, {'some' if tally.rejected else 'none'} set aside"

    return [text, gzip.compress(text, mtime=0), written], check


def books(folder: Path) -> tuple[list[bytes], Check]:
    """Opened, listed, checked and read to the end."""
    from loopodds import CaseBook, Casework, Model, check_book, replay
    from loopodds.knowledge.records import Knowledge

    model = Model(Knowledge(SMALL))
    with CaseBook(folder / "seed.db") as book:
        work = Casework(book, model)
        work.open("van", [("refrigerant", "R134a"), ("sample_bubbles", "persisting")])
        work.record(1, [("low_side", "2.1 bar")])
        work.close(1, {})
    file = folder / "book.db"

    def check(data: bytes) -> str:
        for path in folder.glob("book.db*"):
            path.unlink()
        file.write_bytes(data)
        with CaseBook(file, write=False) as book:
            list(book.ends())
            for number in book.numbers():
                replay(book.events(number))
            check_book(book, model)
        return "checked"

    return [(folder / "seed.db").read_bytes()], check


def knowledge(folder: Path) -> tuple[list[bytes], Check]:
    """One file of the small knowledge broken: read, checked, and if sound, one car assessed."""
    from loopodds import Knowledge, assess, lint, read_case

    names = sorted(path.name for path in SMALL.glob("*.toml"))
    place = folder / "knowledge"
    shutil.copytree(SMALL, place)
    # which file it is stands in the first line, so that an input can be run again
    seeds = [b"# " + name.encode() + b"\n" + (SMALL / name).read_bytes() for name in names]
    case = '[findings]\nsample_bubbles = "persisting"\n'

    def check(data: bytes) -> str:
        named = data.split(b"\n", 1)[0].removeprefix(b"# ").decode(errors="replace")
        name = named if named in names else "faults.toml"
        (place / name).write_bytes(data)
        try:
            problems = [problem for problem in lint(place) if not problem.warning]
            if problems:
                return re.sub(r"'[^']*'|[\d.,]+", "*", problems[0].text)[:60]
            known = Knowledge(place)
            assess(read_case(case, known), known)
            return "sound"
        finally:
            shutil.copyfile(SMALL / name, place / name)

    return seeds, check


def requests(folder: Path) -> tuple[list[bytes], Check]:
    """Sent to the server of the page: an answer comes, or the line is closed, and no traceback."""
    from loopodds import Model
    from phones import Served

    served = Served(Model(), "page", folder / "book.db")
    port = served.port
    host = f"Host: 127.0.0.1:{port}\r\nOrigin: http://127.0.0.1:{port}\r\n"
    body = "[]"
    head = f"Content-Type: application/json\r\nContent-Length: {len(body)}\r\n"
    seeds = [
        f"GET /cases HTTP/1.1\r\n{host}Connection: close\r\n\r\n",
        f"POST /entries HTTP/1.1\r\n{host}{head}Connection: close\r\n\r\n{body}",
        f"POST /case/1/photos/sample HTTP/1.1\r\n{host}{head}Connection: close\r\n\r\n{body}",
    ]

    def check(data: bytes) -> str:
        said = io.StringIO()
        with contextlib.redirect_stderr(said):
            with socket.create_connection(("127.0.0.1", port), 5) as line:
                line.sendall(data)
                line.shutdown(socket.SHUT_WR)
                answer = b""
                # a server may close with what it has not read still on the line
                with contextlib.suppress(ConnectionError):
                    while piece := line.recv(65536):
                        answer += piece
            time.sleep(0.002)  # what a thread says on its way out
        assert "Traceback" not in said.getvalue(), said.getvalue()
        return answer.split(b"\r\n", 1)[0].decode(errors="replace")[:40] or "closed"

    return [seed.encode() for seed in seeds], check


def entries(folder: Path) -> tuple[list[bytes], Check]:
    """Sent by the page at the car: each is taken in or refused, and the book stays sound."""
    from loopodds import CaseBook, Casework, Intake, Model, check_book, entries_of
    from loopodds.knowledge.records import Knowledge

    model = Model(Knowledge(SMALL))
    book = CaseBook(folder / "book.db")
    intake = Intake(Casework(book, model))
    opened = {"id": "a" * 32, "device": "b" * 32, "count": 1, "at": "2026-11-28T10:00:00Z",
              "case": "a" * 32, "kind": "opened", "name": "van"}  # fmt: skip
    seen = {**opened, "id": "c" * 32, "count": 2, "kind": "recorded", "name": "sample_bubbles"}
    read = {**seen, "id": "9" * 32, "name": "vent", "value": "9 degC", "instrument": "gauge 3"}
    doubt = {**seen, "id": "d" * 32, "value": {"none": 0.2, "persisting": 1}, "replaces": ["n1"]}
    seeds = [
        [opened, {**seen, "value": "persisting"}, read],
        [doubt, {**opened, "id": "e" * 32, "kind": "undone", "target": "d" * 32}],
        [{**opened, "id": "f" * 32, "kind": "closed", "outcomes": {"moisture": "present"}},
         {**opened, "id": "0" * 32, "kind": "repaired", "services": ["dry_the_loop"]}],
    ]  # fmt: skip

    def check(data: bytes) -> str:
        outcomes = intake.take(entries_of(data))
        for checked in check_book(book, model):
            assert not checked.problem, checked.problem
        problems = [one.problem for one in outcomes if one.problem]
        return re.sub(r"'[^']*'|[\d.,]+", "*", problems[0])[:60] if problems else "taken"

    return [json.dumps(seed).encode() for seed in seeds], check


def packs(folder: Path) -> tuple[list[bytes], Check]:
    """Verified: one that has the checksum noted and no problem holds what was packed."""
    from loopodds import checksum_of, verify_pack

    held = {"case.toml": CASE.encode(), "photos/a.png": b"a picture, invented"}
    listed = [
        {"name": n, "bytes": len(c), "sha256": hashlib.sha256(c).hexdigest()}
        for n, c in held.items()
    ]
    manifest = {"layout": 1, "case": "x", "program": "x", "knowledge": ["x"], "files": listed}
    file = folder / "pack.zip"
    with zipfile.ZipFile(file, "w") as archive:
        for name, content in {"manifest.json": json.dumps(manifest).encode(), **held}.items():
            archive.writestr(zipfile.ZipInfo(name), content)
    seed = file.read_bytes()
    noted = checksum_of(seed)

    def check(data: bytes) -> str:
        file.write_bytes(data)
        found = verify_pack(file)
        if found.problems:
            return "problems"
        if found.checksum != noted:
            return "another pack"
        with zipfile.ZipFile(file) as archive:
            assert all(archive.read(name) == content for name, content in held.items())
        return "as noted"

    return [seed], check


TARGETS = {
    f.__name__: f for f in (case_files, archives, books, knowledge, requests, entries, packs)
}


@contextlib.contextmanager
def limited() -> Iterator[None]:
    """No input may take longer than so many seconds."""

    def stop(*_: object) -> None:
        raise TooLong(f"more than {LONGEST_SECONDS} s")

    signal.signal(signal.SIGALRM, stop)
    signal.alarm(LONGEST_SECONDS)
    try:
        yield
    finally:
        signal.alarm(0)


def outcome(check: Check, data: bytes) -> str:
    """What an input comes to: the answer, or an error of the program's own kind; else raises."""
    from loopodds import LoopoddsError

    try:
        with limited():
            return check(data)
    except LoopoddsError as error:
        return ending(error)


def attack(target: str, seconds: float, seed: int, current: Path) -> dict[str, object]:
    """Inputs for one target until the time is over; what came of them."""
    rng = random.Random(seed)
    endings: Counter[str] = Counter()
    failing: dict[str, str] = {}
    with TemporaryDirectory() as folder:
        seeds, check = TARGETS[target](Path(folder))
        kept = sorted((CORPUS / target).glob("*")) if (CORPUS / target).is_dir() else []
        waiting = [path.read_bytes() for path in kept]
        seeds += waiting
        began, count = time.monotonic(), 0
        while time.monotonic() - began < seconds:
            data = waiting.pop() if waiting else mutated(seeds, rng)
            current.write_bytes(data)
            count += 1
            try:
                end = outcome(check, data)
            except (Exception, TooLong) as error:  # noqa: BLE001  (what is looked for)
                where = traceback.extract_tb(error.__traceback__)[-1]
                end = f"FAILED {ending(error)} in {Path(where.filename).name}:{where.lineno}"
                if end not in failing:
                    failing[end] = keep(data, FAILING)
            new = end not in endings and not end.startswith("FAILED")
            endings[end] += 1
            if new and len(kept) < MOST_KEPT and len(data) <= LARGEST_KEPT:
                kept.append(CORPUS / target / keep(data, CORPUS / target))
                seeds.append(data)
    return {"inputs": count, "endings": len(endings), "failing": failing}


def keep(data: bytes, folder: Path) -> str:
    """Keep an input under the hash of its content; the name."""
    folder.mkdir(parents=True, exist_ok=True)
    name = hashlib.sha256(data).hexdigest()[:16]
    (folder / name).write_bytes(data)
    return name


def campaign(targets: list[str], minutes: float, seed: int) -> dict[str, dict[str, object]]:
    """Every target in a process of its own, so that even its death is a result."""
    results: dict[str, dict[str, object]] = {}
    with TemporaryDirectory() as folder:
        current = Path(folder) / "current"
        for target in targets:
            current.unlink(missing_ok=True)
            seconds = 60 * minutes / len(targets)
            words = [target, "--seconds", str(seconds), "--seed", str(seed)]
            command = [sys.executable, __file__, *words, "--child", str(current)]
            done = subprocess.run(command, stdout=subprocess.PIPE, text=True, check=False)
            if done.returncode == 0:
                results[target] = json.loads(done.stdout)
            else:
                end = f"FAILED process ended with {done.returncode}"
                failing = {end: keep(current.read_bytes(), FAILING) if current.exists() else ""}
                results[target] = {"inputs": 0, "endings": 0, "failing": failing}
    return results


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument("targets", nargs="*", choices=[*TARGETS, []], default=[])
    parser.add_argument("--minutes", type=float, default=10.0, help="for all targets together")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--seconds", type=float, help=argparse.SUPPRESS)
    parser.add_argument("--child", type=Path, help=argparse.SUPPRESS)
    given = parser.parse_args()
    if given.child:
        import resource

        resource.setrlimit(resource.RLIMIT_AS, (MOST_MEMORY, MOST_MEMORY))
        result = attack(given.targets[0], given.seconds, given.seed, given.child)
        sys.stdout.write(json.dumps(result))
        return 0
    results = campaign(given.targets or list(TARGETS), given.minutes, given.seed)
    for target, result in results.items():
        failing = result["failing"]
        assert isinstance(failing, dict)
        sys.stdout.write(
            f"{target:12} {result['inputs']:8,} inputs, {result['endings']:4} ways to end, "
            f"{len(failing)} failures\n"
        )
        for end, name in failing.items():
            sys.stdout.write(f"    {end}  fuzz_corpus/failing/{name}\n")
    return 1 if any(result["failing"] for result in results.values()) else 0


if __name__ == "__main__":
    sys.exit(main())
