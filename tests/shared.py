"""What many tests ask of, compiled once in a test process."""

from __future__ import annotations

from functools import cache

from loopodds.diagnosis.model import Model


@cache
def shipped() -> Model:
    """The shipped knowledge; each context is compiled when a test first meets it."""
    return Model()
