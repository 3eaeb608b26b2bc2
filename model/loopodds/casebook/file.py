"""The file under a case book: where it lies, how it begins, and what its failures mean."""

import os
import secrets
import shutil
import sqlite3
import sys
from collections.abc import Callable, Iterator
from contextlib import closing, contextmanager, suppress
from pathlib import Path

from loopodds.base.errors import LoopoddsError

APPLICATION = 0x4C4F4F50
"""Marks the file as a case book ("LOOP" in the header of the SQLite file)."""

_HEADER_BYTES = 100
_MAGIC = b"SQLite format 3\0"
_FULL_BELOW = 1_000_000
_ELSEWHERE = "another book"

# beginnings of SQLite's names of failures: what it means to the person, what to do
_MEANINGS = {
    "SQLITE_FULL": "the disk is full; free some space and repeat",
    "SQLITE_BUSY": "another program keeps it locked; close that one or try again later",
    "SQLITE_READONLY": "it cannot be written; check the permissions of the file and its folder",
    "SQLITE_CANTOPEN": (
        "it or the files beside it cannot be opened; check the permissions of the file and its "
        "folder"
    ),
    "SQLITE_PERM": "access is denied; check the permissions of the file and its folder",
    "SQLITE_NOTADB": "it is damaged or no case book; restore a copy or choose another",
    "SQLITE_CORRUPT": (
        "it is damaged or cut off; keep the file, restore a copy, or recover what is left with "
        "SQLite's .recover"
    ),
    "SQLITE_IOERR": "the disk reports an error, or a limit on the size of files; check both",
    "SQLITE_CONSTRAINT": "the entry is refused",
}


class CaseBookError(LoopoddsError, OSError):
    """A case book cannot be opened, read or written."""


def book_path(given: str | Path | None = None) -> Path:
    """Where the case book lies: the path given, else ``LOOPODDS_BOOK`` of the environment.

    Without either, ``loopodds/cases.db`` in the user's data folder (``XDG_DATA_HOME`` or
    ``~/.local/share``; ``%LOCALAPPDATA%`` on Windows; ``~/Library/Application Support`` on macOS).
    """
    chosen = given or os.environ.get("LOOPODDS_BOOK")
    return Path(chosen).expanduser() if chosen else _data_folder() / "loopodds" / "cases.db"


def _data_folder() -> Path:
    if sys.platform == "win32":
        return Path(os.environ.get("LOCALAPPDATA") or Path.home() / "AppData" / "Local")
    if sys.platform == "darwin":
        return Path.home() / "Library" / "Application Support"
    # a relative path there is invalid and to be ignored: XDG Base Directory Specification 0.8
    stated = os.environ.get("XDG_DATA_HOME", "")
    return Path(stated) if os.path.isabs(stated) else Path.home() / ".local" / "share"


def is_missing(path: Path) -> bool:
    """Whether there is no such file; one that cannot be reached may well be there."""
    try:
        path.stat()
    except (FileNotFoundError, NotADirectoryError):
        return True
    except OSError:
        return False
    return False


def is_book(path: Path) -> bool:
    """Whether a file that can be read begins as a case book does."""
    if not path.is_file():
        return False
    with path.open("rb") as file:
        header = file.read(_HEADER_BYTES)
    return header.startswith(_MAGIC) and header[68:72] == APPLICATION.to_bytes(4, "big")


def has_log(path: Path) -> bool:
    """Whether pages of the book may still be in the log beside it."""
    try:
        return Path(f"{path}-wal").stat().st_size > 0
    except OSError:
        return False


def begin_file(path: Path, schema: str, version: int) -> None:
    """Make a new, empty book; of two processes that begin the same one both go on with it.

    Raises:
        CaseBookError: if the folder or the file cannot be made.
    """
    write_book(path, lambda new: begin_tables(new, schema, version))


def begin_tables(new: sqlite3.Connection, schema: str, version: int) -> None:
    """Mark an empty database as a case book of a layout, and make its tables."""
    new.execute(f"PRAGMA application_id = {APPLICATION}")
    new.execute(f"PRAGMA user_version = {version}")
    new.executescript(f"BEGIN; {schema} COMMIT;")


def write_book(path: Path, fill: Callable[[sqlite3.Connection], None]) -> bool:
    """Write a new book that appears under its name only when it is whole.

    The end of a process at any moment leaves no half-made book behind. Of two processes that write
    the same one the first wins.

    Returns:
        Whether this was the first: False leaves what was there under the name.

    Raises:
        CaseBookError: if the folder or the file cannot be made.
    """
    draft = path.with_name(f".{path.name}-{os.getpid()}-{secrets.token_hex(4)}.new")
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        with explained(path), closing(sqlite3.connect(draft, isolation_level=None)) as new:
            new.execute("PRAGMA synchronous = FULL")
            fill(new)
            # last, so that everything above stands in the file itself and not in a log beside it
            new.execute("PRAGMA journal_mode = WAL")
        return _publish(draft, path)
    except CaseBookError:
        raise
    except OSError as error:
        blocked = isinstance(error, FileExistsError | NotADirectoryError)
        reason = "one of its folders is a file" if blocked else error.strerror or str(error)
        problem = f"cannot be begun: {reason}"
        raise CaseBookError(f"case book {path}: {problem}").helped_by(_ELSEWHERE) from error
    finally:
        with suppress(OSError):
            draft.unlink(missing_ok=True)


def _publish(draft: Path, path: Path) -> bool:
    """Give the finished file its name, unless another was first; whether it got it."""
    try:
        os.link(draft, path)
    except FileExistsError:
        return False
    except OSError:
        # a file system without links; the name is free but for a process as quick as this one
        if path.exists():
            return False
        os.rename(draft, path)
    _synchronise(path.parent)
    return True


def _synchronise(folder: Path) -> None:
    """Force the new name of a file to the disk, where the system knows how."""
    with suppress(OSError):
        handle = os.open(folder, os.O_RDONLY)
        try:
            os.fsync(handle)
        finally:
            os.close(handle)


def later_layout(path: Path, layout: int, known: int) -> CaseBookError:
    """Error for a book of a layout that this program does not know, most often a later one."""
    from importlib.metadata import version

    problem = f"written in layout {layout}, this program (loopodds {version('loopodds')}) knows"
    return CaseBookError(
        f"case book {path}: {problem} 1 to {known}; use the loopodds that wrote it"
    )


def check_header(path: Path, known: int) -> None:
    """Make sure that a file is a case book before SQLite touches it.

    Raises:
        CaseBookError: if it is missing, cut off, something else, or of a later layout than the
            one known.
    """
    try:
        with path.open("rb") as file:
            header = file.read(_HEADER_BYTES)
    except FileNotFoundError as error:
        problem = "there is none yet"
        raise CaseBookError(f"case book {path}: {problem}").helped_by("begin") from error
    except OSError as error:
        problem = f"cannot be read: {error.strerror or error}"
        raise CaseBookError(f"case book {path}: {problem}") from error
    if not header.startswith(_MAGIC[: len(header)]):
        problem = "this is another kind of file"
        raise CaseBookError(f"case book {path}: {problem}").helped_by(_ELSEWHERE)
    if len(header) < _HEADER_BYTES:
        raise _cut_off(path, f"{len(header)} bytes")
    if int.from_bytes(header[68:72], "big") != APPLICATION:
        problem = "this is an SQLite file of another program"
        raise CaseBookError(f"case book {path}: {problem}").helped_by(_ELSEWHERE)
    layout = int.from_bytes(header[60:64], "big")
    if layout > known:
        raise later_layout(path, layout, known)
    _check_length(path, header)


def _check_length(path: Path, header: bytes) -> None:
    """Notice a missing end, which SQLite would take for zeros.

    While there is a log beside the file, pages may still be on their way into it; then SQLite
    itself decides. The log is looked for before the size, so that a log just finished with has
    left the file whole.
    """
    if has_log(path):
        return
    # a page size of 1 stands for 65536
    page_size = int.from_bytes(header[16:18], "big")
    page_size = 65536 if page_size == 1 else page_size
    expected = page_size * int.from_bytes(header[28:32], "big")
    size = path.stat().st_size
    if size < expected:
        raise _cut_off(path, f"{size} of {expected} bytes")


def _cut_off(path: Path, after: str) -> CaseBookError:
    problem = f"cut off after {after}; restore a copy"
    return CaseBookError(f"case book {path}: {problem}").helped_by(_ELSEWHERE)


@contextmanager
def explained(path: Path) -> Iterator[None]:
    """Turn failures of SQLite into a CaseBookError that says what it means and what to do."""
    try:
        yield
    except (sqlite3.Error, UnicodeDecodeError) as error:
        # in a damaged file even the message about it may not be text
        name = str(getattr(error, "sqlite_errorname", "SQLITE_ERROR"))
        if name.startswith(("SQLITE_IOERR", "SQLITE_CANTOPEN")) and _is_full(path):
            name = "SQLITE_FULL"
        known = next((text for start, text in _MEANINGS.items() if name.startswith(start)), "")
        meaning = known or "SQLite cannot use it"
        raise CaseBookError(f"case book {path}: {meaning} ({error})") from error


def _is_full(path: Path) -> bool:
    """Whether the disk has no room left; SQLite does not always say so."""
    with suppress(OSError):
        room = shutil.disk_usage(path.parent).free
        return os.access(path.parent, os.W_OK) and room < _FULL_BELOW
    return False
