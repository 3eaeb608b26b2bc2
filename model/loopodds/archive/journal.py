"""A run that can be killed at any moment and taken up again.

Beside the output grows a folder with the scored rows, the rejects and a journal: one line for each
part, written once its rows are safely on disk. Taking up again cuts both files back to what the
last whole line says. The output appears in one step at the end, or not at all. Partitions, whose
rows workers write, have a folder of their own and are written again unless a line speaks of them.
"""

import errno
import json
import os
import shutil
from collections.abc import Mapping
from pathlib import Path
from typing import IO, Any

from loopodds.base.errors import InspectionError

SUFFIX = ".partial"
JOURNAL, SCORED, REJECTS, FINISHED = "journal.jsonl", "scored", "rejects", "finished"
PARTS, UNFINISHED = "parts", "unfinished"
ROWS = (SCORED, REJECTS, FINISHED, PARTS, UNFINISHED)

Record = Mapping[str, Any]


class Journal:
    """The folder of an unfinished run, to be closed.

    Args:
        out: Where the finished output will stand.
        run: Everything that the result depends on; plain data.
        resume: Go on where an earlier run with the same ``run`` stopped, if there is one.

    Raises:
        InspectionError: if another run is writing, if the folder holds something else, or if the
            earlier run was about something else.
    """

    def __init__(self, out: Path, run: Record, resume: bool) -> None:
        self.folder = partial_folder(out)
        self.records: list[Record] = []  # what an earlier run committed, in order
        self.commits = 0  # how many parts are safe by now
        # what of the folder is the whole output, also where a run was killed while putting its
        # files in place; empty while there are rows to score
        self.complete = ""
        self._out = out
        self._files: dict[str, IO[bytes]] = {}
        try:
            self.folder.mkdir(exist_ok=True)
        except OSError as error:
            raise InspectionError(f"{self.folder}: cannot be made: {error.strerror}") from error
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

    def commit(self, record: Record, scored: bytes, rejects: bytes) -> None:
        """Add a part; once this returns, it survives whatever happens."""
        for name, data in ((SCORED, scored), (REJECTS, rejects)):
            if data:
                self._write(name, data)
        ends = {name: self._files[name].tell() for name in (SCORED, REJECTS)}
        self._write_line({**record, "ends": ends})
        self.commits += 1

    def finish(self, output: str) -> None:
        """Note that nothing is left but to put the output, a name in the folder, in place."""
        self._write_line({"complete": output})
        self.complete = output

    def publish(self, rejects: Path) -> None:
        """Put rejects and output where they belong and remove the folder.

        A file that is gone was put in place by a run that was killed right after.
        """
        self.close()
        move(self.folder / REJECTS, rejects)
        move(self.folder / self.complete, self._out)
        self.discard()

    def discard(self) -> None:
        """Remove the folder and everything a run puts into it, the journal last."""
        self.close()
        self._remove_rows()
        (self.folder / JOURNAL).unlink()
        self.folder.rmdir()

    def _remove_rows(self) -> None:
        for path in (self.folder / name for name in ROWS):
            if path.is_dir():
                shutil.rmtree(path)
            else:
                path.unlink(missing_ok=True)

    def _lock(self) -> None:
        """Open the journal and keep other runs off until it is closed, where the system can."""
        file = self._files[JOURNAL] = (self.folder / JOURNAL).open("a+b")
        try:
            import fcntl

            fcntl.flock(file, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except ImportError:  # not a POSIX system
            pass
        except OSError as error:
            raise InspectionError(f"{self._out}: another run is writing it just now") from error

    def _start(self, run: Record, resume: bool) -> None:
        strangers = {path.name for path in self.folder.iterdir()} - {JOURNAL, *ROWS}
        if strangers:
            stranger = min(strangers)
            raise InspectionError(f"{self.folder}: holds {stranger!r}, which no run put there")
        earlier = self._read() if resume else []
        if earlier:
            self._refuse_other(earlier[0], run)
            self.complete = str(earlier[-1].get("complete", ""))
        self.records = earlier[1:-1] if self.complete else earlier[1:]
        self.commits = len(self.records)
        if self.complete:
            return
        if not earlier:
            self._remove_rows()
            self._files[JOURNAL].truncate(0)
            self._write_line(run)
        for name in (SCORED, REJECTS):
            file = self._files[name] = (self.folder / name).open("ab")
            file.truncate(self.records[-1]["ends"][name] if self.records else 0)
            file.seek(0, os.SEEK_END)

    def _refuse_other(self, earlier: Record, run: Record) -> None:
        for key, value in run.items():
            if earlier.get(key) != value:
                raise InspectionError(
                    f"{self.folder}: cannot resume, since the {key.replace('_', ' ')} changed "
                    f"(then {earlier.get(key)!r}, now {value!r})"
                ).helped_by("start over")

    def _read(self) -> list[Record]:
        """Whole lines whose rows are all there; what follows them is cut off."""
        journal = self._files[JOURNAL]
        journal.seek(0)
        records: list[Record] = []
        ends = [0]
        for line in journal:
            try:
                records.append(json.loads(line))
            except ValueError:
                break
            ends.append(ends[-1] + len(line))
        if records and "complete" in records[-1]:
            return records
        files = [path for path in (self.folder / SCORED, self.folder / REJECTS) if path.exists()]
        sizes = {path.name: path.stat().st_size for path in files}
        while records[1:] and any(
            sizes.get(name, -1) < end for name, end in records[-1]["ends"].items()
        ):
            records.pop()
        journal.truncate(ends[len(records)])
        return records

    def _write_line(self, record: Record) -> None:
        self._write(JOURNAL, json.dumps(record).encode() + b"\n")

    def _write(self, name: str, data: bytes) -> None:
        self._files[name].write(data)
        _sync(self._files[name])


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
        beside = target.with_name(target.name + SUFFIX)
        with source.open("rb") as read, beside.open("wb") as written:
            shutil.copyfileobj(read, written)
            _sync(written)
        os.replace(beside, target)
        source.unlink()


def sync_file(path: Path) -> None:
    """Make sure that a file is on disk."""
    with path.open("rb") as file:
        os.fsync(file.fileno())


def _sync(file: IO[bytes]) -> None:
    file.flush()
    os.fsync(file.fileno())
