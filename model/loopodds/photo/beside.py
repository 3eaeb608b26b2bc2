"""What a workshop keeps beside its case book: photos of cases without metadata, and its glasses.

A photo is named for its content, so that it is kept once. A glass is asked about once.
"""

from __future__ import annotations

import hashlib
import json
import re
from collections.abc import Iterator
from pathlib import Path

import msgspec

from loopodds.base.errors import FileError, InspectionError, meant_or_known
from loopodds.base.files import naming, write_whole
from loopodds.papers.photos import Photo, photo_folder, photos_of
from loopodds.photo.card import NARROWEST_MM, WIDEST_MM
from loopodds.photo.liquids import Glass
from loopodds.photo.pictures import LARGEST_FILE, without_metadata

MOST_PHOTOS = 60
"""Of one case."""
KINDS = {b"\xff\xd8\xff": "jpg", b"\x89PNG\r\n\x1a\n": "png"}
_ABOUT = re.compile(r"[a-z0-9_]{1,60}")


class Shelf:
    """The photos of a case book, a folder for each case.

    Args:
        book: File of the book.
        largest: Bytes of one photo.
    """

    def __init__(self, book: Path, largest: int = LARGEST_FILE) -> None:
        self.book, self.largest = book, largest

    def photos(self, case: int) -> list[Photo]:
        """Pictures of a case."""
        return photos_of(self.book, case)

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
        photo = Photo(photo_folder(self.book, case), f"{about}-{digest}.{kind}")
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
        root = photo_folder(self.book, case).parent
        for path in sorted(root.glob(f"case-*/*-{digest}.*")):
            number = path.parent.name.removeprefix("case-")
            if number.isdigit() and int(number) != case:
                yield int(number)


def digest_of(content: bytes) -> str:
    """Hash of a picture without its metadata: the same whatever stands beside it.

    Raises:
        PictureError: if it is no whole JPEG or PNG.
    """
    return hashlib.sha256(without_metadata(content)).hexdigest()


MILLIMETRES = {"mm": 1.0, "cm": 10.0, "in": 25.4}
USUAL_ERROR_MM = 0.3
"""Of an inner diameter measured with a calliper, where nobody says otherwise (estimate)."""
MOST_GLASSES, LONGEST_NAME = 100, 60
_LENGTH = re.compile(r"\s*([0-9]{1,3}(?:\.[0-9]{1,4})?)\s*(mm|cm|in)\s*")
_FILE = msgspec.json.Decoder(dict[str, Glass])


def millimetres(text: str) -> float:
    """A length of a glass, with its unit.

    Raises:
        InspectionError: if it is none.

    >>> millimetres("1.2 cm")
    12.0
    """
    found = _LENGTH.fullmatch(text)
    if found is None:
        raise InspectionError(f"{text[:30]!r} is no length of a glass; write it as '12.5 mm'")
    return float(found[1]) * MILLIMETRES[found[2]]


def glass_of(path: str, error: str | None = None) -> Glass:
    """A glass from its inner diameter and by how much that may be off.

    Raises:
        InspectionError: if either is no length, or no glass of that width suits the card.
    """
    inner, off = millimetres(path), USUAL_ERROR_MM if error is None else millimetres(error)
    if not NARROWEST_MM <= inner <= WIDEST_MM:
        limits = f"{NARROWEST_MM:g} to {WIDEST_MM:g} mm"
        raise InspectionError(f"an inner diameter of {inner:g} mm: the card is for {limits}")
    if not 0 < off <= inner / 3:
        raise InspectionError(f"an error of {off:g} mm: above 0, up to a third of the diameter")
    return Glass(inner, off)


def glasses_file(book: Path) -> Path:
    """Where the glasses of a case book stand."""
    return book.with_name(f"{book.name}.glasses.json")


def known_glasses(book: Path) -> dict[str, Glass]:
    """By name.

    Raises:
        FileError: if the file cannot be read.
    """
    path = glasses_file(book)
    try:
        return _FILE.decode(path.read_bytes()) if path.is_file() else {}
    except (OSError, msgspec.DecodeError, UnicodeDecodeError) as error:
        raise FileError(f"{path}: cannot be read: {error}") from error


def keep_glass(book: Path, name: str, glass: Glass) -> None:
    """Keep a glass under a name, in place of one that had it.

    Raises:
        InspectionError: if the name is blank or too long, or there are too many.
        FileError: if the file cannot be written.
    """
    known = known_glasses(book)
    if not name.strip() or len(name) > LONGEST_NAME or not name.isprintable():
        raise InspectionError(f"a glass needs a name of 1 to {LONGEST_NAME} letters")
    known[name] = glass
    if len(known) > MOST_GLASSES:
        raise InspectionError(f"{MOST_GLASSES} glasses are kept already")
    path = glasses_file(book)
    with naming(path):
        path.parent.mkdir(parents=True, exist_ok=True)
    write_whole(path, json.dumps({n: list(g) for n, g in known.items()}, indent=1))


def glass_named(book: Path, name: str) -> Glass:
    """A glass that was kept.

    Raises:
        InspectionError: with the nearest name.
    """
    known = known_glasses(book)
    if name not in known:
        hint = meant_or_known(name, known) if known else "state its inner diameter once"
        raise InspectionError(f"no glass {name[:LONGEST_NAME]!r}; {hint}")
    return known[name]
