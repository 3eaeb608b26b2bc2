"""A marker for each room of the house, and the model that most tests ask."""

from __future__ import annotations

import os
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

if TYPE_CHECKING:
    from loopodds.diagnosis.model import Model

# Each worker has a processor: threads of its own would only wait for those of the others. The
# libraries read this when they are loaded, so nothing here imports them before.
for _library in ("OMP", "OPENBLAS", "MKL"):
    os.environ.setdefault(f"{_library}_NUM_THREADS", "1")

HERE = Path(__file__).parent
ROOMS = sorted(path.name for path in HERE.iterdir() if any(path.glob("test_*.py")))


def pytest_configure(config: pytest.Config) -> None:
    """A marker by the name of each folder: ``pytest -m decision`` runs what belongs to it.

    Without the slow ones, which run in the whole suite: a room is asked while one works on it.
    """
    # the preferences of whoever runs the tests are none of theirs
    os.environ["LOOPODDS_CONFIG"] = os.devnull
    for room in ROOMS:
        config.addinivalue_line("markers", f"{room}: tests of the room {room}, but the slow ones")
    if config.option.markexpr in ROOMS:
        config.option.markexpr += " and not slow"


def pytest_ignore_collect(collection_path: Path, config: pytest.Config) -> bool | None:
    """Who asks for one room does not wait for the imports of all others."""
    asked = config.option.markexpr.removesuffix(" and not slow")
    other = collection_path.parent == HERE and collection_path.name in {*ROOMS} - {asked}
    return (asked in ROOMS and other) or None


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Each test is marked with the folder it lies in."""
    for item in items:
        item.add_marker(item.path.parent.name)


@pytest.fixture(autouse=True, scope="session")
def _published_schemas() -> Iterator[None]:
    """Whatever a command prints as JSON in this process is as its schema says."""
    from published_schemas import Checked

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("loopodds_cli.options.json", Checked)
        yield


@pytest.fixture(scope="session")
def model() -> Model:
    """The shipped knowledge, each context compiled once for all tests."""
    from shared import shipped

    return shipped()
