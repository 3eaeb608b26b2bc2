"""A case as evidence: its papers, its file, its photos and its log in one zip that can be verified.

``manifest.json`` names every other file with its length and SHA-256; the SHA-256 of the manifest is
the checksum of the whole, to be noted where the pack is not. Files are stored without compression
and with one date, so that the same case gives the same bytes wherever it is packed.
"""

from __future__ import annotations

import csv
import hashlib
import io
import json
import zipfile
from collections.abc import Mapping, Sequence
from dataclasses import asdict
from pathlib import Path
from typing import Annotated, Any, NamedTuple

import msgspec

from loopodds.base.errors import FileError
from loopodds.base.phrases import printable
from loopodds.base.spreadsheets import safe_cell
from loopodds.casebook.events import Event
from loopodds.knowledge.records import Knowledge
from loopodds.papers.content import Report, event_words
from loopodds.papers.photos import Photo
from loopodds.papers.wording import Wording
from loopodds.papers.writing import CUSTOMER, RECORD, report_text

MANIFEST, LAYOUT = "manifest.json", 1
LARGEST, MOST_FILES = 1_000_000_000, 200
"""Bytes of a pack, and files in it, beyond which none is read."""
_CHUNK = 1 << 20
_DATE = (1980, 1, 1, 0, 0, 0)  # the first that a zip can say


class Listed(msgspec.Struct, frozen=True):
    """A file of a pack."""

    name: str
    bytes: Annotated[int, msgspec.Meta(ge=0, le=LARGEST)]
    sha256: Annotated[str, msgspec.Meta(pattern="^[0-9a-f]{64}$")]


class Manifest(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """What a pack holds, and under what it was made."""

    layout: int
    case: str
    program: str
    knowledge: tuple[str, ...]  # digests, that of the papers first, then earlier ones of the log
    files: tuple[Listed, ...]


class Packed(NamedTuple):
    """A pack as it was verified."""

    manifest: Manifest
    checksum: str  # of the whole, as 64 hexadecimal digits
    problems: tuple[str, ...]  # what is not as the manifest says; empty if all is well

    def as_json(self) -> dict[str, Any]:
        """Plain data."""
        return {
            "sound": not self.problems,
            "checksum": self.checksum,
            "problems": list(self.problems),
            **msgspec.to_builtins(self.manifest),
        }


def pack_of(report: Report, case_text: str, say: Wording, photos: Sequence[Photo] = ()) -> bytes:
    """A case as a zip.

    Args:
        report: Its time and zone are those of the papers; nothing else in a pack is of today.
        case_text: The case as a case file.
        say: Of the customer's page.

    Raises:
        FileError: if a photo is not the one that was kept.
    """
    files = {
        "customer.html": report_text(report, "html", say, (CUSTOMER,)).encode(),
        "record.html": report_text(report, "html", say, (RECORD,)).encode(),
        "report.json": report_text(report, "json").encode(),
        "case.toml": case_text.encode(),
        "knowledge.json": _knowledge_json(report.knowledge),
    }
    if report.events:
        files["log.json"] = _json([_logged(event) for event in report.events])
        files["log.csv"] = _log(report.events, report.knowledge).encode()
    files |= {f"photos/{photo.name}": photo.content() for photo in photos}
    listed = [
        Listed(name, len(content), hashlib.sha256(content).hexdigest())
        for name, content in sorted(files.items())
    ]
    known = tuple(dict.fromkeys((report.knowledge.digest, *report.older)))
    manifest = Manifest(LAYOUT, report.result.case, _program(), known, tuple(listed))
    return _zipped({MANIFEST: _json(msgspec.to_builtins(manifest)), **dict(sorted(files.items()))})


def _program() -> str:
    from importlib.metadata import version

    return f"loopodds {version('loopodds')}"


def _json(content: object) -> bytes:
    text = json.dumps(content, indent=1, ensure_ascii=False, allow_nan=False)
    return f"{text}\n".encode()


def _knowledge_json(knowledge: Knowledge) -> bytes:
    """The version of the knowledge: its digest, and a hash of each of its files."""
    texts = sorted(knowledge.texts.items())
    hashes = {name: hashlib.sha256(text.encode()).hexdigest() for name, text in texts}
    return _json({"digest": knowledge.digest, "unsafe": knowledge.unsafe, "files": hashes})


def _logged(event: Event) -> dict[str, Any]:
    return {**asdict(event), "posterior": event.posterior._asdict()}


def _log(events: Sequence[Event], knowledge: Knowledge) -> str:
    """The log for a spreadsheet, with nothing in it that one would run."""
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow(("position", "time", "who", "kind", "what", "note", "knowledge", "link"))
    for event in events:
        words = event_words(event, knowledge)
        cells = (event.time, event.who, event.kind, words, event.note, event.knowledge, event.link)
        writer.writerow((event.position, *(safe_cell(printable(cell)) for cell in cells)))
    return text.getvalue()


def _zipped(files: Mapping[str, bytes]) -> bytes:
    packed = io.BytesIO()
    with zipfile.ZipFile(packed, "w", zipfile.ZIP_STORED) as archive:
        for name, content in files.items():
            entry = zipfile.ZipInfo(name, _DATE)
            entry.external_attr, entry.create_system = 0o644 << 16, 3
            archive.writestr(entry, content)
    return packed.getvalue()


def checksum_of(packed: bytes) -> str:
    """Checksum of the whole of a pack just made."""
    with zipfile.ZipFile(io.BytesIO(packed)) as archive:
        return hashlib.sha256(archive.read(MANIFEST)).hexdigest()


def verify_pack(path: str | Path) -> Packed:
    """Whether a pack is what its manifest says; nothing of it is unpacked.

    Raises:
        FileError: if it is no pack, or too large to be one.
    """
    place = Path(path)
    try:
        with zipfile.ZipFile(place) as archive:
            return _verified(archive, place)
    except (zipfile.BadZipFile, NotImplementedError, RuntimeError, EOFError, ValueError) as error:
        raise FileError(f"{path}: is no pack: {error}") from error
    except OSError as error:
        if isinstance(error, FileError):
            raise
        raise FileError(f"{path}: cannot be read: {error.strerror or error}") from error


def _verified(archive: zipfile.ZipFile, path: Path) -> Packed:
    entries = archive.infolist()
    if len(entries) > MOST_FILES or sum(entry.file_size for entry in entries) > LARGEST:
        raise FileError(f"{path}: is no pack: too large")
    if any(entry.compress_type != zipfile.ZIP_STORED for entry in entries):
        raise FileError(f"{path}: is no pack: something in it is compressed")
    names = [entry.filename for entry in entries]
    if MANIFEST not in names:
        raise FileError(f"{path}: is no pack: it has no {MANIFEST}")
    content = archive.read(MANIFEST)
    try:
        manifest = msgspec.json.decode(content, type=Manifest)
    except msgspec.DecodeError as error:
        raise FileError(f"{path}: {MANIFEST} cannot be read: {error}") from error
    if manifest.layout != LAYOUT:
        raise FileError(f"{path}: of layout {manifest.layout}, this program knows {LAYOUT}")
    listed = {one.name: one for one in manifest.files}
    problems = [f"{name}: is there twice" for name in dict.fromkeys(names) if names.count(name) > 1]
    problems += [
        f"{name}: is not in the manifest" for name in names if name not in (*listed, MANIFEST)
    ]
    problems += [f"{name}: is missing" for name in listed if name not in names]
    for name, one in listed.items():
        if name in names and _hash(archive, name, one.bytes) != one.sha256:
            problems.append(f"{name}: is not what was packed")
    return Packed(manifest, hashlib.sha256(content).hexdigest(), tuple(problems))


def _hash(archive: zipfile.ZipFile, name: str, length: int) -> str:
    """Hash of a file in the pack; empty where it is damaged or of another length."""
    found, read = hashlib.sha256(), 0
    try:
        with archive.open(name) as file:
            while chunk := file.read(_CHUNK):
                found.update(chunk)
                read += len(chunk)
                if read > length:
                    return ""
    except (zipfile.BadZipFile, NotImplementedError, RuntimeError, EOFError):
        return ""
    return found.hexdigest() if read == length else ""
