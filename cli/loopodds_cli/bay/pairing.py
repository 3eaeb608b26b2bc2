"""Which devices of the local network may talk to the page's server: those that knew a word.

A word is good for one device; then there is another one. What a device gets for it is drawn at
random and is kept beside the book as a hash only, so that a restart does not turn devices away.
"""

from __future__ import annotations

import hashlib
import os
import secrets
import time
from collections.abc import Callable
from pathlib import Path

LETTERS = "abcdefghjkmnpqrstuvwxyz23456789"
"""Without those that are taken for one another."""
WORD_LETTERS, WRONG_AT_ONCE, PAUSE_S = 10, 5, 30.0
"""Letters of a word (some 49 bits), and wrong ones after which nobody is heard for a while [s]."""


class Pairing:
    """The word in force, and the devices let in so far.

    Args:
        file: Where hashes of their keys are kept.
        tell: Called with each new word.
    """

    def __init__(
        self, file: Path, tell: Callable[[str], None], clock: Callable[[], float] = time.monotonic
    ) -> None:
        self._file, self._tell, self._clock = file, tell, clock
        self._hashes = set(file.read_text("ascii").split()) if file.exists() else set[str]()
        self._wrong, self._deaf_until = 0, 0.0
        self.word = ""
        self.renew()

    def renew(self) -> None:
        """Another word."""
        self.word = "".join(secrets.choice(LETTERS) for _ in range(WORD_LETTERS))
        self._tell(self.word)

    def key_for(self, word: str) -> str | None:
        """The key of a new device that knows the word; None if it does not, or too many did not."""
        if self._clock() < self._deaf_until:
            return None
        if not secrets.compare_digest(word.encode(), self.word.encode()):
            self._wrong += 1
            if self._wrong >= WRONG_AT_ONCE:
                self._wrong, self._deaf_until = 0, self._clock() + PAUSE_S
            return None
        self._wrong = 0
        key = secrets.token_urlsafe(24)
        self._hashes.add(_hash(key))
        descriptor = os.open(self._file, os.O_WRONLY | os.O_CREAT | os.O_APPEND, 0o600)
        with open(descriptor, "a", encoding="ascii") as file:
            file.write(f"{_hash(key)}\n")
        self.renew()
        return key

    def knows(self, key: str) -> bool:
        """Whether a key is that of a device let in."""
        return _hash(key) in self._hashes


def _hash(key: str) -> str:
    return hashlib.sha256(key.encode()).hexdigest()
