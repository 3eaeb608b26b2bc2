"""Errors a user can meet: one root, leaves that are also the builtin a caller would expect."""

import difflib
from collections.abc import Iterable, Mapping
from typing import Self


class LoopoddsError(Exception):
    """Root of every error that loopodds raises on purpose."""

    # A word for what would help, for programs that have advice of their own; else empty
    remedy: str = ""
    about: Mapping[str, object] = {}  # what that advice may have to name

    def helped_by(self, remedy: str, **about: object) -> Self:
        """The same error with what would help."""
        self.remedy, self.about = remedy, about
        return self


class InspectionError(LoopoddsError, ValueError):
    """An inspection says something that cannot be read or cannot be."""


class FileError(LoopoddsError, OSError):
    """A file that cannot be written, or not there."""


class UnitError(LoopoddsError, ValueError):
    """A quantity has no unit, an unknown unit or a unit of another dimension."""


class OutOfRange(LoopoddsError, ValueError):
    """A number lies outside the range in which it means anything."""


class UnknownName(LoopoddsError, LookupError):
    """A name that the knowledge, the network or a file does not have."""


class KnowledgeError(LoopoddsError, ValueError):
    """The knowledge files contradict themselves or are incomplete."""


class TooLarge(LoopoddsError, ValueError):
    """A network whose exact inference would not fit in memory."""


class ImpossibleEvidence(LoopoddsError, ValueError):
    """Findings that cannot hold together under the network.

    Attributes:
        row: Row of the batch.
        findings: Smallest set found whose joint probability is zero.
    """

    def __init__(self, message: str, row: int = 0, findings: tuple[str, ...] = ()) -> None:
        super().__init__(message)
        self.row = row
        self.findings = findings


def nearest(word: str, options: Iterable[str]) -> str | None:
    """Most similar option to a misspelt word, or None when nothing is close.

    >>> nearest("moistrue", ["moisture", "debris"])
    'moisture'
    """
    pool = {option.lower(): option for option in options}
    close = difflib.get_close_matches(word.lower(), list(pool), n=1, cutoff=0.6)
    return pool[close[0]] if close else None


def unknown_name(kind: str, word: str, options: Iterable[str]) -> UnknownName:
    """Error for an unknown name, with the nearest spelling or the list of valid names.

    >>> str(unknown_name("fault", "moistrue", ["moisture", "debris"]))
    "unknown fault 'moistrue'; did you mean 'moisture'?"
    """
    names = list(options)
    close = nearest(word, names)
    if close is not None:
        return UnknownName(f"unknown {kind} {word!r}; did you mean {close!r}?")
    shown = ", ".join(names[:12]) + (", ..." if len(names) > 12 else "")
    return UnknownName(f"unknown {kind} {word!r}; known: {shown}")
