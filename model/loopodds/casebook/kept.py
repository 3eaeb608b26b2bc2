"""Versions of the knowledge kept in a case book, so that what was believed can be had again.

A version is told by the hash of all its files. The files themselves are kept in the book once for
each version, packed; what they say is then read by whatever program opens the book.
"""

import json
import sqlite3
import zlib
from collections.abc import Mapping
from typing import Any

import msgspec

from loopodds.knowledge.records import UNSAFE_MARK, digest_of

MOST_BYTES = 64_000_000
"""Of the files of one version together; the shipped ones have 0.2 million."""


def keep_knowledge(connection: sqlite3.Connection, digest: str, texts: Mapping[str, str]) -> None:
    """Keep the files of a version of the knowledge, unless the book has them.

    Knowledge that was changed in a program is not what its files say: it is not kept.
    """
    from importlib.metadata import version

    query = "SELECT 1 FROM knowledge WHERE digest = CAST(? AS TEXT)"
    known = connection.execute(query, (digest,)).fetchone()
    if known is None and _fits(texts, digest):
        packed = zlib.compress(json.dumps(dict(texts)).encode(), 9)
        row = (digest, version("loopodds"), packed)
        connection.execute("INSERT INTO knowledge VALUES (?, ?, ?)", row)


def unpacked(files: Any, digest: str) -> dict[str, str]:
    """Files of the knowledge by name, as they were kept.

    Raises:
        ValueError: if they are not what was kept.
    """
    try:
        content = zlib.decompressobj().decompress(files, MOST_BYTES)
        texts = msgspec.json.decode(content, type=dict[str, str])
    except (zlib.error, TypeError, msgspec.DecodeError) as error:
        raise ValueError(str(error)) from error
    if not _fits(texts, digest):
        raise ValueError("the content does not fit its digest")
    return texts


def _fits(texts: Mapping[str, str], digest: str) -> bool:
    return digest_of(texts, digest.endswith(UNSAFE_MARK)) == digest
