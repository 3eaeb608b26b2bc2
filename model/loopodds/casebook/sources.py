"""Where a case comes from: a file, text, plain data, a stream, the case book, or a demo case."""

from collections.abc import Mapping
from importlib import resources
from importlib.resources.abc import Traversable
from pathlib import Path
from typing import IO, Any

from loopodds.base.errors import unknown_name
from loopodds.inspection.case_file import load_case
from loopodds.inspection.inspection import Inspection
from loopodds.inspection.sections import inspection_from
from loopodds.knowledge.records import Knowledge

MARK = "@"
"""Begins the name of a demo case."""

CaseSource = str | int | Path | Mapping[str, Any] | IO[str] | IO[bytes]


def read_case(source: CaseSource, knowledge: Knowledge | None = None) -> Inspection:
    """One case, checked: names, states, units, and what no car can have.

    Args:
        source: Path of a case file; its text, if it has a line break; its sections as plain data;
            a file open for reading; ``@name`` of a shipped demo case; or the number of a case in
            the user's case book, which also tells the tests done (``./3`` is a file called 3).
        knowledge: The shipped knowledge when left out.

    Raises:
        InspectionError: one line for each value that cannot be used, naming file, line, section,
            key, value and what could stand there instead.
        UnknownName: if there is no such demo case or no case of that number.
        CaseBookError: if the case book cannot be read.

    >>> read_case("[findings]\\nsample_bubbles = 'persisting'\\n").findings["sample_bubbles"]
    'persisting'
    >>> read_case({"readings": {"vent": "14 degC"}}).readings["vent"].value
    14.0
    """
    known = knowledge or Knowledge()
    if isinstance(source, Mapping):
        return inspection_from(source, known)
    if isinstance(source, int) or (
        isinstance(source, str) and source.isascii() and source.isdigit()
    ):
        return _booked(int(source), known)
    if isinstance(source, str) and source.startswith(MARK):
        with resources.as_file(_demo_file(source.removeprefix(MARK))) as path:
            return load_case(path, known)
    return load_case(source, known)


def _booked(number: int, knowledge: Knowledge) -> Inspection:
    # only a case of the book needs a database
    from loopodds.casebook.believed import inspection_of
    from loopodds.casebook.book import CaseBook
    from loopodds.casebook.replay import replay

    with CaseBook(write=False) as book:
        events = book.events(number)
    return inspection_of(replay(events), knowledge)


def demo_cases() -> dict[str, str]:
    """Shipped demo cases: name with its mark, and the comment at the top of the file."""
    files = sorted((f for f in _demos().iterdir() if f.name.endswith(".toml")), key=_stem)
    return {MARK + _stem(file): _first_comment(file) for file in files}


def demo_text(name: str) -> str:
    """Case file of a demo case; UnknownName with the nearest spelling if there is none."""
    return _demo_file(name.removeprefix(MARK)).read_text(encoding="utf-8")


def _demo_file(name: str) -> Traversable:
    names = [mark_and_name.removeprefix(MARK) for mark_and_name in demo_cases()]
    if name not in names:
        raise unknown_name("demo case", name, names)
    return _demos().joinpath(f"{name}.toml")


def _demos() -> Traversable:
    return resources.files("loopodds_data").joinpath("cases")


def _stem(file: Traversable) -> str:
    return file.name.removesuffix(".toml")


def _first_comment(file: Traversable) -> str:
    comment = []
    for line in file.read_text(encoding="utf-8").splitlines():
        if not line.startswith("#"):
            break
        comment.append(line.removeprefix("#").strip())
    return " ".join(comment)
