"""Files that are written: where they may stand, whole or not at all, and proof of their content."""

import hashlib
import os
from collections.abc import Iterable, Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path
from typing import IO

from loopodds.base.errors import FileError

HASH = "sha256"  # on processors with instructions for it twice as fast as blake2b


def check_outputs(
    outputs: Mapping[str, Path],
    inputs: Iterable[Path],
    drafts: Iterable[Path] = (),
    new_folders: Iterable[Path] = (),
) -> None:
    """Refuse, before any work is done, outputs that cannot be written or would destroy something.

    Files are told apart by what they are, not by how they are called: links count as their target.

    Args:
        outputs: What each is called in messages, such as ``the rejects``, with its path.
        inputs: What is read: files, and folders with all that they hold.
        drafts: Folders in which unfinished outputs grow.
        new_folders: Those of the outputs that will be folders.

    Raises:
        FileError: naming the path and what it would meet.
    """
    read, grow, folders = list(inputs), list(drafts), list(new_folders)
    named = list(outputs.items())
    for place, (role, path) in enumerate(named):
        for source in read:
            if same_file(path, source):
                raise FileError(f"{path}: would overwrite what is read; choose another name")
            if source.is_dir() and _inside(path, source):
                raise FileError(f"{path}: lies in {source}, which is read; choose another folder")
        for other_role, other in named[:place]:
            if same_file(path, other):
                raise FileError(f"{path}: cannot hold both {other_role} and {role}")
        for folder in (*grow, *folders):
            if (same_file(path, folder) and path not in folders) or _inside(path, folder):
                raise FileError(f"{path}: lies in {folder}, which this run writes")
        _refuse_place(path, path in folders)
    for source in read:
        for folder in grow:
            if same_file(source, folder) or _inside(source, folder):
                raise FileError(f"{source}: lies in {folder}, which this run writes; move it")


def same_file(one: Path, other: Path) -> bool:
    """Whether two paths lead to one file, also where it is not there yet."""
    try:
        return one.samefile(other)
    except OSError:
        return real_path(one) == real_path(other)


def real_path(path: Path) -> Path:
    """Where a path leads once every link is followed."""
    return Path(os.path.realpath(path))


def _inside(path: Path, folder: Path) -> bool:
    return any(same_file(parent, folder) for parent in real_path(path).parents)


def _refuse_place(path: Path, is_folder: bool) -> None:
    target = real_path(path)
    with naming(path):
        if not target.parent.is_dir():
            raise FileError(f"{path}: there is no folder {path.parent}; make it first")
        if not os.access(target.parent, os.W_OK | os.X_OK):
            raise FileError(f"{path}: nothing can be written in {path.parent}: read-only")
        if is_folder:
            return
        if target.is_dir():
            raise FileError(f"{path}: is a folder; give the name of a file")
        if target.exists() and not target.is_file():
            raise FileError(f"{path}: is a device, not a file")
        if target.exists() and not os.access(target, os.W_OK):
            raise FileError(f"{path}: is write-protected")


@contextmanager
def naming(path: Path) -> Iterator[None]:
    """Whatever the system says against writing in this block is said of a path."""
    try:
        yield
    except FileError:
        raise
    except OSError as error:
        reason = os.strerror(error.errno) if error.errno else error
        raise FileError(f"{path}: cannot be written: {reason}") from error


def write_whole(path: Path, content: str | bytes) -> None:
    """Write a file so that it is there as a whole or as it was before; a link is followed.

    A text is written in UTF-8.

    Raises:
        FileError: if it cannot be written.
    """
    target = real_path(path)
    draft = draft_of(target)
    with naming(path):
        try:
            with draft.open("xb", buffering=0) as file:
                write_synced(file, content.encode() if isinstance(content, str) else content)
            draft.replace(target)
        finally:
            draft.unlink(missing_ok=True)
        sync_folder(target.parent)


def draft_of(target: Path) -> Path:
    """Where a file may grow beside its place: a name that nothing has."""
    return target.with_name(f".{target.name[:40]}-{os.urandom(4).hex()}.new")


def write_synced(file: IO[bytes], data: bytes) -> None:
    """Write all of the data to an unbuffered file and wait until it is on disk."""
    rest = memoryview(data)
    while rest:
        rest = rest[file.write(rest) :]
    os.fsync(file.fileno())


def sync_file(path: Path) -> None:
    """Make sure that the content of a file is on disk."""
    with path.open("rb") as file:
        os.fsync(file.fileno())


def sync_folder(folder: Path) -> None:
    """Make sure that the names in a folder are on disk, where the system can."""
    try:
        handle = os.open(folder, os.O_RDONLY)
    except OSError:  # not every system opens folders
        return
    try:
        os.fsync(handle)
    finally:
        os.close(handle)


def content_digest(path: Path) -> str:
    """Hash of the whole content of a file."""
    with path.open("rb") as file:
        return hashlib.file_digest(file, HASH).hexdigest()
