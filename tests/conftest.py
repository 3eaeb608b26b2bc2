"""What many tests share."""

from __future__ import annotations

import pytest
from loopodds.engine import Model


@pytest.fixture(scope="session")
def model() -> Model:
    """The shipped knowledge, each context compiled once for all tests."""
    return Model()
