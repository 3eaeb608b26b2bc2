"""Errors a user can meet: one root, leaves that are also the builtin a caller would expect."""

from collections.abc import Iterable, Mapping
from typing import Self

from loopodds.base.likeness import meant


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

    # each entry it is about, with what is wrong with that, for those who show no file
    entries: tuple[tuple[str, str], ...] = ()

    def about_entries(self, entries: Iterable[tuple[str, str]]) -> Self:
        """The same error, with the entries that it is about."""
        self.entries = tuple(dict.fromkeys(entries))
        return self


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


def unknown_name(kind: str, word: str, options: Iterable[str]) -> UnknownName:
    """Error for an unknown name, with what may be meant or the list of valid names.

    Options that are a mapping are known by the titles and texts of what they stand for, too.

    >>> str(unknown_name("fault", "moistrue", ["moisture", "debris"]))
    "unknown fault 'moistrue'; did you mean 'moisture'?"
    """
    return UnknownName(f"unknown {kind} {word!r}; {meant_or_known(word, options)}")


def meant_or_known(word: str, options: Iterable[str], known: str = "known") -> str:
    """End of a message about an unknown name: what may be meant, or the options there are.

    >>> meant_or_known("x", ["moisture", "debris"])
    'known: moisture, debris'
    """
    like = meant(word, options)
    if like:
        return f"did you mean {' or '.join(map(repr, like))}?"
    return f"{known}: {listed(options)}"


def listed(names: Iterable[str]) -> str:
    """The first twelve names, for a message.

    >>> listed(["moisture", "debris"])
    'moisture, debris'
    """
    every = list(names)
    return ", ".join(every[:12]) + (", ..." if len(every) > 12 else "")
