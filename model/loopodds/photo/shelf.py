"""Photos kept with cases, beside the case book: without metadata, each named for its content."""

from __future__ import annotations

import hashlib
import re
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from loopodds.base.errors import InspectionError
from loopodds.base.files import write_whole
from loopodds.photo.pictures import LARGEST_FILE, without_metadata

MOST_PHOTOS = 60
"""Of one case."""
KINDS = {b"\xff\xd8\xff": "jpg", b"\x89PNG\r\n\x1a\n": "png"}
_NAME = re.compile(r"[a-z0-9_]{1,60}-([0-9a-f]{64})\.(jpg|png)")
_ABOUT = re.compile(r"[a-z0-9_]{1,60}")


@dataclass(frozen=True)
class Photo:
    """A picture kept beside the book: its content decides its name, so it is kept once."""

    folder: Path
    name: str

    @property
    def path(self) -> Path:
        """Where it lies."""
        return self.folder / self.name


class Shelf:
    """The photos of a case book, a folder for each case.

    Args:
        book: File of the book.
        largest: Bytes of one photo.
    """

    def __init__(self, book: Path, largest: int = LARGEST_FILE) -> None:
        self.root = book.with_name(f"{book.name}.photos")
        self.largest = largest

    def _folder(self, case: int) -> Path:
        return self.root / f"case-{case}"

    def photos(self, case: int) -> list[Photo]:
        """Pictures of a case."""
        folder = self._folder(case)
        found = sorted(folder.iterdir()) if folder.is_dir() else []
        return [Photo(folder, path.name) for path in found if _NAME.fullmatch(path.name)]

    def keep(self, case: int, about: str, content: bytes) -> Photo:
        """Keep a picture with a case; one that is there already stays under its name.

        Raises:
            InspectionError: if it is no picture, too large, or one too many.
            PictureError: if it is cut off.
        """
        if not _ABOUT.fullmatch(about):
            raise InspectionError(f"a photo of {about[:60]!r}: say of which finding it is")
        kind = next((k for magic, k in KINDS.items() if content.startswith(magic)), None)
        if kind is None or len(content) > self.largest:
            limit = f"{self.largest // 1_000_000} MB"
            raise InspectionError(f"a photo is a JPEG or PNG picture of at most {limit}")
        bare, digest = without_metadata(content), digest_of(content)
        there = self.photos(case)
        for photo in there:
            if digest in photo.name:
                return photo
        if len(there) >= MOST_PHOTOS:
            raise InspectionError(f"case {case} has {MOST_PHOTOS} photos already")
        photo = Photo(self._folder(case), f"{about}-{digest}.{kind}")
        photo.folder.mkdir(parents=True, exist_ok=True)
        write_whole(photo.path, bare)
        return photo

    def read(self, case: int, name: str) -> bytes:
        """A picture of a case.

        Raises:
            InspectionError: if there is none of that name.
        """
        for photo in self.photos(case):
            if photo.name == name:
                return photo.path.read_bytes()
        raise InspectionError(f"case {case} has no photo of that name")

    def others_with(self, case: int, digest: str) -> Iterator[int]:
        """Other cases that keep the same picture."""
        for path in sorted(self.root.glob(f"case-*/*-{digest}.*")):
            number = path.parent.name.removeprefix("case-")
            if number.isdigit() and int(number) != case:
                yield int(number)


def digest_of(content: bytes) -> str:
    """Hash of a picture without its metadata: the same whatever stands beside it.

    Raises:
        PictureError: if it is no whole JPEG or PNG.
    """
    return hashlib.sha256(without_metadata(content)).hexdigest()
