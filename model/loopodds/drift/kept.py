"""Looks kept in files, one for each thing looked at, so that a long archive fits and a killed run
goes on where it stopped.

A file grows piece by piece; what stands in it beyond the size that was last noted is of a run that
was killed, and is cut off.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import IO, Any

import numpy as np

from loopodds.archive.encoded import Piece
from loopodds.base.errors import InspectionError
from loopodds.drift.looks import Looks

Key = tuple[str, str]
"""What is looked at, and whether by a word or a number."""


class LookFiles:
    """Files of looks in a folder.

    Args:
        columns: Further columns whose codes are kept beside each look.
        noted: Sizes that were last noted, as :meth:`sizes` gave them.

    Raises:
        InspectionError: if a file has lost what was noted.
    """

    def __init__(
        self, folder: Path, columns: Sequence[str], noted: Mapping[str, Sequence[int]]
    ) -> None:
        self._folder, self._columns = folder, tuple(columns)
        self._open: dict[Key, IO[bytes]] = {}
        self._widths: dict[Key, int] = {}
        folder.mkdir(parents=True, exist_ok=True)
        for path in folder.iterdir():
            if path.name not in noted:
                path.unlink()
        for file, (width, size) in noted.items():
            name, _, kind = file.rpartition(".")
            self._widths[name, kind] = width
            path = folder / file
            if not path.is_file() or path.stat().st_size < size:
                raise InspectionError(f"{path}: is cut off; remove {folder.parent} and begin anew")
            with path.open("r+b") as held:
                held.truncate(size)

    @property
    def keys(self) -> tuple[Key, ...]:
        """Everything that was looked at."""
        return tuple(self._widths)

    def add(self, looks: Looks, piece: Piece) -> None:
        """Append looks of a piece."""
        key = looks.name, looks.kind
        width = self._widths.setdefault(key, looks.foretold.shape[1])
        rows = np.zeros(len(looks.rows), self._form(width))
        rows["number"] = piece.numbers[looks.rows]
        for place, column in enumerate(self._columns):
            rows["tags"][:, place] = piece.tags[column][looks.rows]
        rows["p_value"], rows["seen"] = looks.p_value, looks.seen
        rows["foretold"] = looks.foretold
        if key not in self._open:
            self._open[key] = (self._folder / ".".join(key)).open("ab")
        rows.tofile(self._open[key])

    def sizes(self) -> dict[str, list[int]]:
        """Width and size of every file, all written out."""
        for file in self._open.values():
            file.flush()
        paths = {".".join(key): width for key, width in self._widths.items()}
        return {n: [w, (self._folder / n).stat().st_size] for n, w in paths.items()}

    def close(self) -> None:
        """Close what is open."""
        while self._open:
            self._open.popitem()[1].close()

    def read(self, key: Key) -> np.ndarray[Any, Any]:
        """All looks of one kind at one thing, in the order in which they were added.

        Fields ``number`` (of the row), ``tags``, ``p_value``, ``seen`` and ``foretold``.
        """
        if key in self._open:
            self._open[key].flush()
        path = self._folder / ".".join(key)
        return np.fromfile(path, self._form(self._widths[key]))

    def _form(self, width: int) -> np.dtype[Any]:
        return np.dtype(
            [
                ("number", "<i8"),
                ("tags", "<i4", (len(self._columns),)),
                ("p_value", "<f4"),
                ("seen", "<i2"),
                ("foretold", "<f4", (width,)),
            ]
        )
