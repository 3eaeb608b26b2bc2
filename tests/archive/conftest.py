"""What all tests of archives share."""

import pytest


@pytest.fixture(autouse=True)
def no_waiting_for_the_disk(monkeypatch: pytest.MonkeyPatch) -> None:
    """No test in this process pulls the plug, and the waiting would be half of the time."""
    monkeypatch.setattr("os.fsync", lambda file: None)
