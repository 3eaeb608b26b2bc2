"""One binary for the page: plain data with arrays of numbers behind it.

Eight bytes of magic, the length of the text as a little-endian 64-bit number, the text (JSON in
UTF-8, filled up with blanks to a multiple of eight), then all numbers as little-endian doubles. In
the text an array is ``{"at": first number, "shape": [...]}``.
"""

from __future__ import annotations

import json
import struct
from collections.abc import Mapping
from typing import Any

import numpy as np
from numpy.typing import ArrayLike

from loopodds.base.arrays import FloatArray
from loopodds.base.errors import LoopoddsError

MAGIC = b"LOOPBAY1"
_HEAD = struct.Struct("<8sQ")
_DOUBLE = 8


class Packer:
    """Numbers gathered for one binary; equal arrays are kept once."""

    def __init__(self) -> None:
        self._parts: list[FloatArray] = []
        self._known: dict[bytes, int] = {}
        self._count = 0

    def add(self, numbers: ArrayLike) -> dict[str, Any]:
        """Keep an array, and say where it will stand."""
        array = np.ascontiguousarray(numbers, dtype="<f8")
        content = array.tobytes()
        if content not in self._known:
            self._known[content] = self._count
            self._parts.append(array.ravel())
            self._count += array.size
        return {"at": self._known[content], "shape": list(array.shape)}

    def packed(self, content: Mapping[str, Any]) -> bytes:
        """The binary of plain data whose arrays were all added here."""
        text = json.dumps(content, ensure_ascii=False, allow_nan=False, separators=(",", ":"))
        body = text.encode()
        body += b" " * (-len(body) % _DOUBLE)
        numbers = b"".join(part.tobytes() for part in self._parts)
        return _HEAD.pack(MAGIC, len(body)) + body + numbers


def unpacked(binary: bytes) -> tuple[dict[str, Any], FloatArray]:
    """The plain data of a binary, and all its numbers.

    Raises:
        LoopoddsError: if it is no such binary.
    """
    magic, length = _HEAD.unpack_from(binary) if len(binary) >= _HEAD.size else (b"", 0)
    if magic != MAGIC or _HEAD.size + length > len(binary):
        raise LoopoddsError("this is not what the page at the car carries")
    end = _HEAD.size + length
    content: dict[str, Any] = json.loads(binary[_HEAD.size : end])
    return content, np.frombuffer(binary, "<f8", offset=end)
