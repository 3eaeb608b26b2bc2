"""Case files: bytes to TOML to an inspection, with the line of everything that is wrong."""

import re
import tomllib
from pathlib import Path
from typing import IO, Any

from loopodds.base.errors import InspectionError
from loopodds.inspection.entries import Place, show
from loopodds.inspection.inspection import Inspection
from loopodds.inspection.sections import inspection_from
from loopodds.knowledge.records import Knowledge

LARGEST_BYTES = 1_000_000
"""A case file has some hundred lines; more is another file by mistake."""

_PART = r"""(?:[\w-]+|"[^"\n]*"|'[^'\n]*')"""
_HEADER = re.compile(rf"^\s*\[{{1,2}}\s*({_PART}(?:\s*\.\s*{_PART})*)\s*\]")
_KEY = re.compile(rf"^\s*({_PART}(?:\s*\.\s*{_PART})*)\s*=")
_UNQUOTED = re.compile(rf"^\s*({_PART})\s*=\s*([^\s\"'\[{{#][^\"'#]*?)\s*(?:#.*)?$")
_POSITION = re.compile(r" \(at (?:line (\d+), column (\d+)|end of document)\)$")


def load_case(
    source: str | Path | IO[str] | IO[bytes], knowledge: Knowledge | None = None
) -> Inspection:
    """Inspection from a case file.

    Args:
        source: Path of the file, the file open for reading, or its text if that has a line break.
        knowledge: The shipped knowledge when left out.

    Raises:
        InspectionError: naming file, line, section, key, value and what could stand there instead;
            one line for each value that cannot be used.

    >>> case = load_case("[findings]\\nsample_bubbles = 'persisting'\\n")
    >>> case.findings["sample_bubbles"]
    'persisting'
    """
    if isinstance(source, str) and "\n" in source:
        name, text = "case text", _decoded(source.encode(), "case text")
    elif isinstance(source, str | Path):
        name, text = str(source), _decoded(_bytes(Path(source)), str(source))
    else:
        stated = str(getattr(source, "name", "case text"))
        name = "standard input" if stated == "<stdin>" else stated
        # bytes, where they can be had: only they tell in which encoding a file is
        data = getattr(source, "buffer", source).read(LARGEST_BYTES + 1)
        text = _decoded(data.encode() if isinstance(data, str) else data, name)
    place = Place(name, line_numbers(text))
    return inspection_from(_parsed(text, name), knowledge, Path(name).stem, place)


def _bytes(path: Path) -> bytes:
    try:
        with path.open("rb") as file:
            return file.read(LARGEST_BYTES + 1)
    except FileNotFoundError as error:
        raise InspectionError(f"{path}: no such file; check the name and the folder") from error
    except IsADirectoryError as error:
        raise InspectionError(f"{path}: a folder, not a case file; name a file in it") from error
    except (OSError, ValueError) as error:  # ValueError: a null character in the name
        reason = getattr(error, "strerror", None) or str(error)
        raise InspectionError(f"{_cut(str(path))}: cannot be read: {reason}") from error


def _decoded(data: bytes, name: str) -> str:
    if len(data) > LARGEST_BYTES:
        limit = f"{LARGEST_BYTES // 1_000_000} MB"
        raise InspectionError(f"{name}: larger than {limit}, so it is not a case file")
    if data.startswith((b"\xff\xfe", b"\xfe\xff")):
        raise InspectionError(f"{name}: written as UTF-16; save it as UTF-8")
    if b"\0" in data:
        raise InspectionError(f"{name}: a binary file, not a case file in TOML text")
    try:
        text = data.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = data.count(b"\n", 0, error.start) + 1
        raise InspectionError(
            f"{name}:{line}: byte {data[error.start]:#04x} is not UTF-8; save the file as UTF-8"
        ) from error
    if not text.strip():
        raise InspectionError(f"{name}: empty; a case needs at least one section, as [findings]")
    return text


def _parsed(text: str, name: str) -> dict[str, Any]:
    try:
        sections = tomllib.loads(text)
    except RecursionError as error:
        raise InspectionError(f"{name}: brackets are nested too deeply for a case file") from error
    except ValueError as error:  # TOMLDecodeError, or a whole number of thousands of digits
        raise _toml_error(str(error), text, name) from error
    if not sections:
        raise InspectionError(f"{name}: only comments; a case needs a section, as [findings]")
    return sections


def _toml_error(message: str, text: str, name: str) -> InspectionError:
    """The parser's complaint with file and line first, and a remedy where the slip is a usual one.

    The parser stops at the end of a duplicate, so the line it names is the duplicate's own.
    """
    lines = _lines(text)
    match = _POSITION.search(message)
    at = int(match[1]) if match and match[1] else len(lines)
    line = lines[min(at, len(lines)) - 1] if match else ""
    place = f"{name}:{at}" if match else name
    problem = _POSITION.sub("", message)
    header, key, unquoted = _HEADER.match(line), _KEY.match(line), _UNQUOTED.match(line)
    if problem.startswith("Cannot declare") and header:
        return InspectionError(f"{place}: [{header[1]}] is there twice; make one section of both")
    if problem.startswith("Cannot overwrite") and key:
        return InspectionError(f"{place}: {key[1]} is there twice; keep one")
    if unquoted:
        advice = f'{unquoted[1]} = "{unquoted[2]}"'
        return InspectionError(f"{place}: text needs quotes; write {_cut(advice)}")
    shown = problem[:1].lower() + problem[1:]
    return InspectionError(f"{place}: not valid TOML: {_cut(shown)}: {show(line.strip())}")


def _cut(text: str, most: int = 100) -> str:
    return text if len(text) <= most else f"{text[:most]}..."


def line_numbers(text: str) -> dict[tuple[str, str], int]:
    """Lines on which sections and their keys stand, the first is 1.

    Keyed by section and key; ``""`` is the key of a section itself, and the section of a key
    outside any. The second table of a list ``[[repaired]]`` is the section ``repaired 2``, and one
    below it ``repaired 2 findings``.
    """
    lines: dict[tuple[str, str], int] = {}
    header: list[str] = []
    tables: dict[str, int] = {}
    for number, line in enumerate(_lines(text), start=1):
        if match := _HEADER.match(line):
            header = _path(match[1])
            path = header
            if line.lstrip().startswith("[[") and len(header) == 1:
                tables[header[0]] = tables.get(header[0], 0) + 1
        elif match := _KEY.match(line):
            path = header + _path(match[1])
        else:
            continue
        if path[0] in tables:
            _add_within(lines, f"{path[0]} {tables[path[0]]}", path[1:], number)
        lines.setdefault((path[0], ""), number)
        if len(path) > 1:
            lines.setdefault((path[0], path[1]), number)
        elif path is not header:
            lines.setdefault(("", path[0]), number)
    return lines


def _add_within(
    lines: dict[tuple[str, str], int], table: str, path: list[str], number: int
) -> None:
    """Add the line of a key, or of a section and its key, of one table of a list."""
    lines.setdefault((table, ""), number)
    for section, key in ((table, path[:1]), (f"{table} {path[0]}" if path else table, path[1:2])):
        if key:
            lines.setdefault((section, key[0]), number)
    if path:
        lines.setdefault((f"{table} {path[0]}", ""), number)


def _lines(text: str) -> list[str]:
    """Lines as TOML counts them: only a line feed ends one."""
    return text.replace("\r\n", "\n").split("\n")


def _path(dotted: str) -> list[str]:
    return [part.strip("\"'") for part in re.findall(_PART, dotted)]
