"""What many tests share, and a marker for each room of the house."""

from __future__ import annotations

from pathlib import Path

import pytest
from loopodds.diagnosis.model import Model

HERE = Path(__file__).parent


def pytest_configure(config: pytest.Config) -> None:
    """A marker by the name of each folder: ``pytest -m decision`` runs what belongs to it."""
    for folder in sorted(path.name for path in HERE.iterdir() if any(path.glob("test_*.py"))):
        config.addinivalue_line("markers", f"{folder}: tests of the room {folder}")


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Each test is marked with the folder it lies in."""
    for item in items:
        item.add_marker(item.path.parent.name)


@pytest.fixture(scope="session")
def model() -> Model:
    """The shipped knowledge, each context compiled once for all tests."""
    return Model()
