"""A run that can be killed at any moment and taken up again.

Beside the output grows a folder with the scored rows, the rejects and a journal: one line for each
part, written once its rows are safely on disk. Each line holds a hash of all rows so far and, as
``check``, one of itself and the lines before. Taking up again goes back to the last part for which
both hold, so that no byte is believed that is not as it was written. The output appears in one step
at the end, or not at all. Partitions, whose rows workers write, have a folder of their own; the
line of each holds the hash of its file.
"""

import errno
import hashlib
import json
import os
import shutil
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import IO, Any

from loopodds.base.errors import InspectionError
from loopodds.base.files import (
    HASH,
    content_digest,
    draft_of,
    naming,
    real_path,
    sync_file,
    sync_folder,
    write_synced,
    write_whole,
)

SUFFIX = ".partial"
JOURNAL, SCORED, REJECTS, FINISHED = "journal.jsonl", "scored", "rejects", "finished"
PARTS, UNFINISHED = "parts", "unfinished"
ROWS = (SCORED, REJECTS, FINISHED, PARTS, UNFINISHED)
READ_BYTES = 1 << 20
KEPT = ".kept"
"""Ends the name of the file beside an output that grows."""

Record = Mapping[str, Any]


class Journal:
    """The folder of an unfinished run, to be closed.

    Args:
        out: Where the finished output will stand.
        rejects: Where the rejects will stand.
        run: Everything that the result depends on; plain data.
        resume: Go on where an earlier run with the same ``run`` stopped, if there is one.

    Raises:
        InspectionError: if another run is writing, if the folder holds something else, or if the
            earlier run was about something else.
        FileError: if the folder cannot be written.
    """

    def __init__(self, out: Path, rejects: Path, run: Record, resume: bool) -> None:
        self.folder = partial_folder(out)
        self.records: list[Record] = []  # what an earlier run committed, in order
        self.commits = 0  # how many parts are safe by now
        self.damaged = False  # whether something of an earlier run was not as it was written
        # what of the folder is the whole output, also where a run was killed while putting its
        # files in place; empty while there are rows to score
        self.complete = ""
        self._out, self._rejects = out, rejects
        self._files: dict[str, IO[bytes]] = {}
        self._check = ""
        self._hashes = {name: hashlib.new(HASH) for name in (SCORED, REJECTS)}
        with naming(self.folder):
            self.folder.mkdir(exist_ok=True)
            sync_folder(self.folder.parent)
            try:
                self._lock()
                self._start(run, resume)
            except BaseException:
                self.close()
                raise

    def close(self) -> None:
        """Let go of the files; a later run can take the folder up."""
        for file in self._files.values():
            file.close()

    def commit(self, record: Record, scored: bytes, rejects: bytes) -> Record:
        """Add a part; once this returns, it survives whatever happens. The line as it stands."""
        for name, data in ((SCORED, scored), (REJECTS, rejects)):
            if data:
                self._write(name, data)
                self._hashes[name].update(data)
        ends = {name: self._files[name].tell() for name in (SCORED, REJECTS)}
        digests = {name: hash.hexdigest() for name, hash in self._hashes.items()}
        line = {**record, "ends": ends, "digests": digests}
        self._write_line(line)
        self.commits += 1
        return line

    def finish(self, output: str) -> None:
        """Note that nothing is left but to put the output, a name in the folder, in place."""
        digests = {name: hash.hexdigest() for name, hash in self._hashes.items()}
        if output == FINISHED:
            digests[FINISHED] = content_digest(self.folder / FINISHED)
        kept = {name: digests[name] for name in (output, REJECTS) if name in digests}
        self._write_line({"complete": output, "digests": kept})
        self.complete = output

    def publish(self) -> None:
        """Put rejects and output where they belong and remove the folder.

        A file that is gone was put in place by a run that was killed right after.
        """
        for name, target in ((REJECTS, self._rejects), (self.complete, self._out)):
            with naming(target):
                move(self.folder / name, real_path(target))
        self.discard()

    def discard(self) -> None:
        """Remove the folder and everything a run puts into it, the journal last."""
        with naming(self.folder):
            self._remove_rows()
            (self.folder / JOURNAL).unlink()
            self.folder.rmdir()
        self.close()  # only now, so that no other run takes up what is being removed

    def _remove_rows(self) -> None:
        for path in (self.folder / name for name in ROWS):
            if path.is_dir():
                shutil.rmtree(path)
            else:
                path.unlink(missing_ok=True)

    def _lock(self) -> None:
        """Open the journal and keep other runs off until it is closed, where the system can."""
        path = self.folder / JOURNAL
        file = self._files[JOURNAL] = path.open("a+b", buffering=0)
        try:
            import fcntl

            fcntl.flock(file, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except ImportError:  # not a POSIX system
            pass
        except OSError as error:
            raise self._other_run() from error
        if not path.exists() or not os.path.samestat(path.stat(), os.fstat(file.fileno())):
            raise self._other_run()  # which removed this journal between opening and locking it

    def _other_run(self) -> InspectionError:
        return InspectionError(f"{self._out}: another run is writing it just now")

    def _start(self, run: Record, resume: bool) -> None:
        strangers = {path.name for path in self.folder.iterdir()} - {JOURNAL, *ROWS}
        if strangers:
            stranger = min(strangers)
            raise InspectionError(f"{self.folder}: holds {stranger!r}, which no run put there")
        earlier = self._read(run) if resume else []
        if earlier:
            self.complete = str(earlier[-1].get("complete", ""))
        self.records = earlier[1:-1] if self.complete else earlier[1:]
        self.commits = len(self.records)
        if self.complete:
            return
        if not earlier:
            self._remove_rows()
            self._files[JOURNAL].truncate(0)
            self._check = ""
            self._write_line(run)
        for name in (SCORED, REJECTS):
            file = self._files[name] = (self.folder / name).open("ab", buffering=0)
            file.truncate(self.records[-1]["ends"][name] if self.records else 0)
            file.seek(0, os.SEEK_END)
        sync_folder(self.folder)

    def _refuse_other(self, earlier: Record, run: Record) -> None:
        if change := _changed(earlier, run):
            raise InspectionError(f"{self.folder}: cannot resume, {change}").helped_by("start over")

    def _read(self, run: Record) -> list[Record]:
        """What an earlier run wrote, as far as every byte of it is proved; the rest is cut off."""
        records, ends, checks = self._sound_lines()
        if not records:
            return []
        self._refuse_other(records[0], run)
        if "complete" not in records[-1] or not self._all_there(records):
            kept = 1 + self._proved(records[1:])
            torn = len(records) - ("complete" in records[-1])
            self.damaged |= kept < torn
            del records[kept:]
        self._check = checks[len(records) - 1]
        self._files[JOURNAL].truncate(ends[len(records) - 1])
        return records

    def _sound_lines(self) -> tuple[list[Record], list[int], list[str]]:
        """Records of the whole lines whose check holds, where each ends, and its check."""
        with (self.folder / JOURNAL).open("rb") as journal:
            lines = journal.read().splitlines(keepends=True)
        records: list[Record] = []
        ends, checks, end = [], [""], 0
        for line in lines:
            try:
                record = json.loads(line)
                check = record.pop("check")
            except (ValueError, LookupError, AttributeError, TypeError, RecursionError):
                check = record = None
            if record is None or check != _line_check(checks[-1], record):
                self.damaged = line.endswith(b"\n")  # else it is only torn
                break
            if not line.endswith(b"\n"):
                break
            end += len(line)
            records.append(record)
            ends.append(end)
            checks.append(check)
        return records, ends, checks[1:]

    def _all_there(self, records: list[Record]) -> bool:
        """Whether the files of a complete run are as they were written, here or in their place."""
        last = records[-1]
        places = {last["complete"]: self._out, REJECTS: self._rejects}
        return all(
            any(_holds(path, digest) for path in (self.folder / name, places[name]))
            for name, digest in last["digests"].items()
        ) and (last["complete"] != PARTS or self._parts_there(records))

    def _parts_there(self, records: list[Record]) -> bool:
        written = [record["part"] for record in records if record.get("part")]
        return any(
            all(_holds(folder / part["name"], part["digest"]) for part in written)
            for folder in (self.folder / PARTS, self._out)
        )

    def _proved(self, records: list[Record]) -> int:
        """How many parts, from the first on, are on disk as they were written."""
        hashes = self._hashes
        starts = dict.fromkeys(hashes, 0)
        for number, record in enumerate(records):
            if "complete" in record:
                return number
            read = {name: hashes[name].copy() for name in hashes}
            for name, hash in read.items():
                _hash_span(hash, self.folder / name, starts[name], record["ends"][name])
            part = record.get("part")
            if any(read[name].hexdigest() != record["digests"][name] for name in read) or (
                part and not _holds(self.folder / PARTS / part["name"], part["digest"])
            ):
                return number
            hashes.update(read)
            starts = record["ends"]
        return len(records)

    def _write_line(self, record: Record) -> None:
        self._check = _line_check(self._check, record)
        self._write(JOURNAL, json.dumps({**record, "check": self._check}).encode() + b"\n")

    def _write(self, name: str, data: bytes) -> None:
        with naming(self.folder / name):
            write_synced(self._files[name], data)


class Kept:
    """What an output that grows by ``append`` was made of: a file beside it, a line for each part.

    Args:
        out: The output.
        rejects: The rejects.
    """

    def __init__(self, out: Path, rejects: Path) -> None:
        self.path = out.with_name(out.name + KEPT)
        self._files = {SCORED: out, REJECTS: rejects}
        self.parts: list[Record] = []  # that earlier runs made, in order

    def read(self, about: Record) -> None:
        """Take in what earlier runs made; nothing where there is no output yet.

        Raises:
            InspectionError: if the output was made otherwise, or is not as it was written.
        """
        out = self._files[SCORED]
        if not out.exists():
            return
        if not self.path.exists():
            raise InspectionError(
                f"{out}: was not written with append, so it is not known what rows it holds"
            ).helped_by("append anew")
        try:
            first, *parts, last = map(json.loads, self.path.read_text("utf-8").splitlines())
            digests = last["digests"]
        except (ValueError, LookupError, TypeError) as error:
            raise InspectionError(f"{self.path}: damaged").helped_by("append anew") from error
        if change := _changed(first, about):
            raise InspectionError(f"{out}: cannot be added to, {change}").helped_by("append anew")
        for name, path in self._files.items():
            if not _holds(path, digests[name]):
                raise InspectionError(
                    f"{path}: is not as it was written, so nothing can be added to it"
                ).helped_by("append anew")
        self.parts = parts

    def write(self, about: Record, parts: Sequence[Record], made: Mapping[str, Path]) -> None:
        """Note what the output that is about to stand in its place is made of."""
        digests = {name: content_digest(path) for name, path in made.items()}
        lines = [about, *parts, {"digests": digests}]
        write_whole(self.path, "".join(json.dumps(line) + "\n" for line in lines))

    def bytes_of(self, number: int, name: str) -> bytes:
        """What a part added to the output or the rejects."""
        start = self.parts[number - 1]["ends"][name] if number else 0
        with self._files[name].open("rb") as file:
            file.seek(start)
            return file.read(self.parts[number]["ends"][name] - start)


def _line_check(before: str, record: Record) -> str:
    return hashlib.new(HASH, (before + json.dumps(record)).encode()).hexdigest()[:32]


def _holds(path: Path, digest: str) -> bool:
    """Whether a file is there with the content of that digest."""
    return path.is_file() and content_digest(path) == digest


def _hash_span(hash: Any, path: Path, start: int, end: int) -> None:
    """Add what a file holds between two places to a hash; nothing where it is not there."""
    if not path.is_file():
        return
    with path.open("rb") as file:
        file.seek(start)
        while piece := file.read(min(READ_BYTES, end - start)):
            hash.update(piece)
            start += len(piece)


def partial_folder(out: Path) -> Path:
    """Folder of the unfinished run that will become an output."""
    return out.with_name(out.name + SUFFIX)


def move(source: Path, target: Path) -> None:
    """Put what is finished in its place in one step, also on another disk; none is no error."""
    if not source.exists():
        return
    try:
        os.replace(source, target)
    except OSError as error:
        if error.errno != errno.EXDEV:
            raise
        beside = draft_of(target)
        try:
            shutil.copyfile(source, beside)
            sync_file(beside)
            os.replace(beside, target)
        finally:
            beside.unlink(missing_ok=True)
        source.unlink()
    sync_folder(target.parent)


def _changed(earlier: Record, run: Record) -> str:
    """The first of what a run depends on that is not as it was; empty where all of it is."""
    for key, value in run.items():
        if earlier.get(key) != value:
            then = f"(then {earlier.get(key)!r}, now {value!r})"
            return f"since the {key.replace('_', ' ')} changed {then}"
    return ""
