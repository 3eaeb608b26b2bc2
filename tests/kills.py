"""Kills the scorer again and again and takes it up each time: nothing lost, the same bytes.

    python tests/kills.py --count 100            kills of each kind
    python tests/kills.py --count 20 plan append fleet

Kinds: the three formats, scoring with plans, an archive that has grown (``append``), the page of a
fleet.

A run is killed some parts and a moment after its start, also while it puts its files in place, and
taken up with ``resume`` until it is through; then the next run begins. Before each resumption the
journal is read: what it says is done must not be done again.
"""

from __future__ import annotations

import argparse
import csv
import gzip
import json
import os
import random
import signal
import sys
import time
from importlib import resources
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any, NamedTuple

from invented_archives import SMALL, invented_rows, write_archive
from loopodds.archive.runner import score
from loopodds.archive.summary import Summary
from loopodds.fleets.running import fleet
from loopodds.fleets.tables import Fleet

ENDINGS = {"csv": ".csv", "gzip": ".csv.gz", "parquet": ".parquet"}
KINDS = (*ENDINGS, "plan", "append", "fleet")
ADVISED = ("plan", "fleet")
"""Kinds that need services and prices: over the shipped knowledge."""
ROWS, PART, ADVISED_ROWS = 2000, 20, 400
LONGEST_SECONDS = 120.0


class Campaign(NamedTuple):
    """What came of the kills of one kind."""

    kills: int
    runs: int  # that were killed and went through in the end
    midway: int  # kills after at least one part was safe
    lost: int  # rows that were safe and were scored again
    different: int  # runs whose outputs or summary differ from those of an undisturbed one


def safe_rows(journal: Path) -> int:
    """Rows that the whole lines of a journal say are done."""
    if not journal.exists():
        return 0
    lines = journal.read_bytes().splitlines(keepends=True)
    records = [json.loads(line) for line in lines if line.endswith(b"\n")]
    tallies = [record.get("tally", record.get("gathered", {}).get("tally")) for record in records]
    return sum(tally["rows"] for tally in tallies if tally)


def lines_in(journal: Path) -> int:
    try:
        return journal.read_bytes().count(b"\n")
    except FileNotFoundError:  # not begun yet, or just through
        return 0


def done_with(kind: str, source: Path, out: Path) -> Summary | Fleet:
    """One run of a kind, taken up where one was killed."""
    if kind == "fleet":
        return fleet(source, out, resume=True, overwrite=True, part_rows=PART)
    how: dict[str, Any] = {"append": True} if kind == "append" else {"overwrite": True}
    known = None if kind in ADVISED else SMALL
    summary = score(
        source, out, knowledge=known, resume=True, part_rows=PART, plan=kind == "plan", **how
    )
    assert isinstance(summary, Summary)
    return summary


def killed(kind: str, source: Path, out: Path, parts: int, pause: float) -> bool:
    """Start a run and kill it so many parts and seconds later; False if it was through by then."""
    journal = out.with_name(out.name + ".partial") / "journal.jsonl"
    wanted, end = lines_in(journal) + parts, time.monotonic() + LONGEST_SECONDS
    process = os.fork()  # of this process, whose knowledge is compiled already
    if process == 0:
        code = 1
        try:
            done_with(kind, source, out)
            code = 0
        finally:
            os._exit(code)
    while (ended := os.waitpid(process, os.WNOHANG)) == (0, 0) and lines_in(journal) < wanted:
        if time.monotonic() > end:
            os.kill(process, signal.SIGKILL)
            raise TimeoutError("the run hangs")
        time.sleep(0.001)
    if ended == (0, 0):
        time.sleep(pause)
        os.kill(process, signal.SIGKILL)
        ended = os.waitpid(process, 0)
    code = os.waitstatus_to_exitcode(ended[1])
    assert code in (0, -signal.SIGKILL), f"the run failed with {code}"
    return code != 0


def counted(summary: Summary | Fleet) -> dict[str, Any]:
    """What a run found, without where it put it and how it came to it."""
    return {**summary.as_json(), "out": "", "rejects": "", "resumed": 0, "kept": 0}


def results(out: Path) -> tuple[bytes, bytes]:
    stem = out.name.split(".")[0]
    text = out.read_bytes().replace(f"{stem}.rejects.csv".encode(), b"")
    return text, out.with_name(f"{stem}.rejects.csv").read_bytes()


def some_rows(kind: str, seed: int) -> list[dict[str, str]]:
    if kind not in ADVISED:
        rows = invented_rows(ROWS, seed)
        for number in range(0, ROWS, 97):
            rows[number]["sample_bubbles"] = "yes"
        return rows
    with resources.as_file(resources.files("loopodds_data") / "archive" / "metric.csv.gz") as path:
        lines = gzip.decompress(path.read_bytes()).splitlines()[: ADVISED_ROWS + 1]
    return list(csv.DictReader(line.decode() for line in lines))


def campaign(kind: str, count: int, seed: int) -> Campaign:
    """So many kills of runs over an archive of a kind."""
    rng = random.Random(seed)
    rows = some_rows(kind, seed)
    ending = ENDINGS.get(kind, ".html" if kind == "fleet" else ".csv")
    kills = runs = midway = lost = different = 0
    with TemporaryDirectory() as place:
        folder = Path(place)
        source = folder / f"in{ending}" if kind in ENDINGS else folder / "in.csv"
        write_archive(rows, source, group_rows=300)
        whole, out = folder / f"whole{ending}", folder / f"out{ending}"
        undisturbed = counted(done_with(kind, source, whole))
        yesterday: dict[Path, bytes] = {}
        if kind == "append":
            write_archive(rows[: len(rows) // 3], source)
            done_with(kind, source, out)
            yesterday = {path: path.read_bytes() for path in folder.glob("out*")}
            write_archive(rows, source)
        journal = out.with_name(out.name + ".partial") / "journal.jsonl"
        while kills < count:
            # some kills come in the last moments, while files are put in place
            most = max(2, 2 * len(rows) // PART // 5)
            while kills < count and killed(
                kind, source, out, rng.randrange(1, most), rng.uniform(0, 0.03)
            ):
                kills += 1
                midway += safe_rows(journal) > 0
                # a kill between putting a file in place and removing the folder: it is whole
                there = out.exists() and out.read_bytes() != yesterday.get(out)
                different += there and results(out)[0] != results(whole)[0]
            safe = safe_rows(journal)
            done = done_with(kind, source, out)
            lost += max(safe - done.resumed, 0)
            different += counted(done) != undisturbed or results(out) != results(whole)
            runs += 1
            for path in folder.glob("out*"):
                path.unlink()
            for path, content in yesterday.items():
                path.write_bytes(content)
    return Campaign(kills, runs, midway, lost, different)


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument("--count", type=int, default=100, help="kills for each kind")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("kinds", nargs="*", default=list(KINDS))
    given = parser.parse_args()
    failed = False
    for kind in given.kinds:
        done = campaign(kind, given.count, given.seed)
        sys.stdout.write(f"{kind:8} {done}\n")
        sys.stdout.flush()
        failed |= bool(done.lost or done.different)
    return int(failed)


if __name__ == "__main__":
    sys.exit(main())
