"""Devices with the page at the car in them, and a server for it, as tests work with both."""

from __future__ import annotations

import socket
import threading
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import uvicorn
from loopodds.diagnosis.model import Model
from loopodds_cli.bay.desk import Desk
from loopodds_cli.bay.pairing import Pairing
from loopodds_cli.bay.server import HERE, Bay
from playwright.sync_api import BrowserContext, Page


def wait_until(page: Page, holds: str, seconds: float = 10.0) -> None:
    """Wait until something is so in a page."""
    end = time.monotonic() + seconds
    while not page.evaluate(holds):
        assert time.monotonic() < end, f"not so within {seconds:g} s: {holds}"
        page.wait_for_timeout(20)


class Phone:
    """A device with a page in it, worked with by taps, which are counted."""

    def __init__(self, context: BrowserContext, address: str, advised: bool) -> None:
        self.context, self.address, self.advised, self.taps = context, address, advised, 0
        self.errors: list[str] = []
        self.page: Page = context.new_page()
        self.page.on("pageerror", lambda error: self.errors.append(str(error)))
        self.load()

    def load(self) -> None:
        """Open the page anew."""
        self.page.goto(self.address)
        self.until("window.bay !== undefined")
        self.page.evaluate("bay.settle_ms = 0")  # a test taps faster than any hand
        if not self.advised:  # which takes the server half a second after each entry
            self.page.evaluate("Object.assign(bay, {patience_ms: 0}).store.wanted = []")

    def until(self, holds: str, seconds: float = 10.0) -> None:
        """Wait until something is so; the page itself lets nobody evaluate text."""
        wait_until(self.page, holds, seconds)

    def tap(self, selector: str) -> None:
        """One tap of a thumb."""
        self.page.locator(selector).first.tap()
        self.taps += 1

    def say(self, state: str) -> None:
        """Answer with a word."""
        self.tap(f'[data-state="{state}"]')

    def type(self, number: str) -> None:
        """Answer with a number, digit by digit."""
        for sign in number:
            self.tap(f'[data-key="{sign}"]')
        self.tap("#enter")

    def heading(self) -> str:
        """What the screen asks or says."""
        return self.page.locator("main h1").inner_text()

    def new_car(self, plate: str) -> str:
        """Begin a case; its key."""
        self.tap("#new")
        self.page.fill("#plate", plate)
        self.tap("#begin")
        self.until("bay.key !== null")
        return str(self.page.evaluate("bay.key"))

    def told(self) -> dict[str, Any]:
        """What is recorded on this device of the case that is open, by name."""
        noted: dict[str, Any] = self.page.evaluate(
            "Object.fromEntries(Object.entries(bay.car().state.noted)"
            ".map(([name, seen]) => [name, seen.value]))"
        )
        return noted

    def sent(self) -> None:
        """Wait until everything is in the book."""
        self.until("bay.store.waiting.length === 0 && bay.store.online")


OpenPhone = Callable[..., Phone]


class Served:
    """A server of the page in a thread of its own, that can be ended and begun again."""

    def __init__(self, model: Model, text: str, book: Path, pairing: Pairing | None = None) -> None:
        self.model, self.text, self.book, self.port = model, text, book, 0
        self.pairing = pairing
        self.start()

    def start(self) -> None:
        """Begin to serve, at the port it had before."""
        at = socket.create_server((HERE, self.port))
        self.port = at.getsockname()[1]
        hosts = {f"{HERE}:{self.port}"}
        app = Bay(lambda: Desk(self.model, str(self.book)), self.text, hosts, self.pairing)
        config = uvicorn.Config(
            app, log_level="error", lifespan="on", ws="none", timeout_graceful_shutdown=1
        )
        self._server = uvicorn.Server(config)
        self._thread = threading.Thread(target=self._server.run, args=([at],), daemon=True)
        self._thread.start()
        while not self._server.started:
            pass

    def end(self) -> None:
        """Serve no more; connections are cut."""
        self._server.should_exit = True
        self._thread.join()

    @property
    def address(self) -> str:
        """Where the page is."""
        return f"http://{HERE}:{self.port}/"
