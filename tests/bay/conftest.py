"""A browser, the page in it, and a server for it, each once for all tests of the room."""

from __future__ import annotations

import os
import shutil
from collections.abc import Iterator
from pathlib import Path

import pytest
from loopodds.bay.carried import as_text, carried
from loopodds.diagnosis.model import Model
from loopodds_cli.bay.single_file import page as whole_page
from phones import OpenPhone, Phone, Served
from playwright.sync_api import Browser, sync_playwright

CHROMIUM = next(filter(None, map(shutil.which, ("chromium", "chromium-browser"))), None)
FLAGS = ["--no-sandbox", "--disable-gpu", "--disable-frame-rate-limit", "--disable-gpu-vsync"]
PHONE = {"width": 390, "height": 844}


@pytest.fixture(scope="session")
def binary(model: Model) -> bytes:
    """What the page carries."""
    return carried(model)


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    """Debian's own chromium, driven without a window.

    For one module at a time: as long as it is driven, other tests of the process cannot run event
    loops of their own.
    """
    if CHROMIUM is None:
        unseen = "chromium is not installed: nothing was looked at"
        pytest.fail(unseen) if os.environ.get("CI") else pytest.skip(unseen)
    with sync_playwright() as driver:
        browser = driver.chromium.launch(executable_path=CHROMIUM, args=FLAGS)
        yield browser
        browser.close()


@pytest.fixture(scope="session")
def single_file(binary: bytes, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The page as one file on the disk."""
    path = tmp_path_factory.mktemp("page") / "bay.html"
    path.write_text(whole_page(as_text(binary), server=False, paired=False), encoding="utf-8")
    return path


@pytest.fixture
def phone(browser: Browser) -> Iterator[OpenPhone]:
    """Opens devices, each with a store of its own, and sees that none had an error."""
    phones: list[Phone] = []

    def opened(
        address: str, viewport: dict[str, int] | None = None, advised: bool = False
    ) -> Phone:
        small = viewport is None
        context = browser.new_context(viewport=viewport or PHONE, has_touch=True, is_mobile=small)  # type: ignore[arg-type]
        context.set_default_timeout(8000)
        phones.append(Phone(context, address, advised))
        return phones[-1]

    yield opened
    for one in phones:
        one.context.close()
        assert one.errors == []


@pytest.fixture(scope="session")
def page_text(binary: bytes) -> str:
    """The page as a server has it."""
    return whole_page(as_text(binary), server=True, paired=False)


@pytest.fixture
def served(model: Model, page_text: str, tmp_path: Path) -> Iterator[Served]:
    """A server with an empty book."""
    server = Served(model, page_text, tmp_path / "book.db")
    yield server
    server.end()
