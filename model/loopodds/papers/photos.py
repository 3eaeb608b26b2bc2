"""Photos kept beside the case book: named by what they show and by the hash of their content."""

import base64
import hashlib
import re
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

from loopodds.base.errors import FileError

_NAME = re.compile(r"([a-z0-9_]{1,60})-([0-9a-f]{64})\.(jpg|png)")
_TYPES = {"jpg": "image/jpeg", "png": "image/png"}


@dataclass(frozen=True, slots=True)
class Photo:
    """A picture kept with a case; its content decides its name, so it is kept once."""

    folder: Path
    name: str  # as ``sample_darkening-<64 digits>.jpg``

    @property
    def path(self) -> Path:
        """Where it lies."""
        return self.folder / self.name

    @property
    def about(self) -> str:
        """The finding or reading that it shows."""
        return self.name.rpartition("-")[0]

    @property
    def taken_in(self) -> datetime:
        """When it came to the book, UTC."""
        return datetime.fromtimestamp(self.path.stat().st_mtime, UTC)

    def content(self) -> bytes:
        """The picture itself.

        Raises:
            FileError: if it is not the one that was kept.
        """
        content = self.path.read_bytes()
        if hashlib.sha256(content).hexdigest() != self.name.rpartition("-")[2].partition(".")[0]:
            raise FileError(f"{self.path}: is not the photo that was kept under this name")
        return content

    def data_uri(self) -> str:
        """For pages that hold their pictures."""
        kind = _TYPES[self.name.rpartition(".")[2]]
        return f"data:{kind};base64,{base64.b64encode(self.content()).decode()}"


def photo_folder(book: Path, number: int) -> Path:
    """Where the photos of a case lie, beside the file of its book."""
    return book.with_name(f"{book.name}.photos") / f"case-{number}"


def photos_of(book: Path, number: int) -> list[Photo]:
    """Photos of a case of a book, by name."""
    folder = photo_folder(book, number)
    found = sorted(folder.iterdir()) if folder.is_dir() else []
    return [Photo(folder, path.name) for path in found if _NAME.fullmatch(path.name)]


def apart(photos: Sequence[Photo], moment: datetime | None) -> tuple[list[Photo], list[Photo]]:
    """Photos from before and from after a moment, the oldest first; all before where there is none.

    Examples of a moment: the first repair.
    """
    in_order = sorted(photos, key=lambda photo: (photo.taken_in, photo.name))
    earlier = [p for p in in_order if moment is None or p.taken_in < moment]
    return earlier, [p for p in in_order if p not in earlier]
