"""Where a CASE on the command line comes from: a file, the case book or a shipped demo case."""

from __future__ import annotations

from importlib import resources
from importlib.resources.abc import Traversable
from typing import TYPE_CHECKING, NamedTuple

from loopodds import unknown_name

if TYPE_CHECKING:
    from loopodds import Event, Inspection, Knowledge

MARK = "@"


class Opened(NamedTuple):
    """What a CASE holds; ``tests_done`` and ``events`` only where it is one of the case book."""

    inspection: Inspection
    tests_done: tuple[str, ...] = ()
    events: tuple[Event, ...] = ()


def open_case(argument: str, knowledge: Knowledge) -> Inspection:
    """Inspection that a CASE argument names, as :func:`opened` reads it."""
    return opened(argument, knowledge).inspection


def opened(argument: str, knowledge: Knowledge) -> Opened:
    """What a CASE argument names.

    Parameters
    ----------
    argument : str
        Path of a case file, ``-`` for standard input, ``@name`` for a demo case, or the number of
        a case in the case book (a file called ``3`` is given as ``./3``).
    knowledge : Knowledge
        Names, states and units are checked against it.

    Raises
    ------
    InspectionError
        Naming file, line and key of what cannot be used.
    UnknownName
        If there is no such demo case or no case of that number.
    CaseBookError
        If the case book cannot be read.
    """
    from loopodds import load_case

    if argument.isascii() and argument.isdigit():
        return _booked(int(argument), knowledge)
    if not argument.startswith(MARK):
        return Opened(load_case(argument, knowledge))
    with resources.as_file(demo_file(argument.removeprefix(MARK))) as path:
        return Opened(load_case(path, knowledge))


def _booked(number: int, knowledge: Knowledge) -> Opened:
    from loopodds import CaseBook, book_path, inspection_of, replay, tests_of

    with CaseBook(book_path(), write=False) as book:
        events = book.events(number)
    state = replay(events)
    return Opened(inspection_of(state, knowledge), tests_of(state, knowledge), events)


def demo_names() -> list[str]:
    """Names of the shipped demo cases, in alphabetical order."""
    files = _folder().iterdir()
    return sorted(f.name.removesuffix(".toml") for f in files if f.name.endswith(".toml"))


def demo_file(name: str) -> Traversable:
    """File of a demo case.

    Raises
    ------
    UnknownName
        With the nearest spelling.
    """
    names = demo_names()
    if name not in names:
        raise unknown_name("demo case", name, names)
    return _folder().joinpath(f"{name}.toml")


def demo_summary(name: str) -> str:
    """What a demo case is about: the comment at the top of its file, as one line."""
    lines = demo_file(name).read_text(encoding="utf-8").splitlines()
    comment = []
    for line in lines:
        if not line.startswith("#"):
            break
        comment.append(line.removeprefix("#").strip())
    return " ".join(comment)


def _folder() -> Traversable:
    return resources.files("loopodds_data").joinpath("cases")
