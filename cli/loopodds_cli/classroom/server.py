"""The what-if page for a class, served on this computer only.

The page needs nothing else from anywhere: styles and script stand in it.
"""

from __future__ import annotations

import errno
import json
import secrets
import socket
import sys
import threading
from collections.abc import Callable
from contextlib import suppress
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from typing import Any

from jinja2 import Environment, PackageLoader
from loopodds import LoopoddsError

from loopodds_cli.classroom.answers import Classroom

HERE = "127.0.0.1"
LARGEST_REQUEST = 100_000
SILENT_S, LONGEST_S = 10.0, 60.0
"""A connection is cut after so long without a byte, and after so long altogether [s]."""
MOST_CONNECTIONS = 64
"""A class with two windows open each; more at once are turned away."""


def page(classroom: Classroom, nonce: str) -> str:
    """The whole page; ``nonce`` marks the one script that the browser may run."""
    templates = Environment(loader=PackageLoader("loopodds_cli.classroom", ""), autoescape=True)
    # the page shows things in the order in which it is given them
    templates.policies["json.dumps_kwargs"] = {"sort_keys": False}
    template = templates.get_template("page.html")
    return template.render(catalogue=classroom.catalogue, nonce=nonce)


class _Handler(BaseHTTPRequestHandler):
    """Two things only: the page, and an answer to it."""

    server: _Server
    timeout = SILENT_S

    def handle(self) -> None:
        """As usual, but for no longer than a connection may last, however slowly it sends."""
        end = threading.Timer(self.server.longest_s, self._cut)
        end.daemon = True
        end.start()
        try:
            super().handle()
        finally:
            end.cancel()

    def _cut(self) -> None:
        with suppress(OSError):
            self.connection.shutdown(socket.SHUT_RDWR)

    def do_GET(self) -> None:
        if not self._from_here():
            self._send(403, "text/plain", "open the page under the address that was printed")
        elif self.path != "/":
            self._send(404, "text/plain", "there is only one page, at /")
        else:
            nonce = secrets.token_urlsafe(16)
            self._send(200, "text/html", page(self.server.classroom, nonce), nonce)

    def do_POST(self) -> None:
        length = self.headers.get("Content-Length", "")
        if not self._from_here() or self.headers.get("Content-Type") != "application/json":
            self._send(403, "text/plain", "only the page itself may ask")
        elif not (length.isascii() and length.isdigit()) or int(length) > LARGEST_REQUEST:
            self._send(413, "text/plain", "too much to be one car")
        else:
            answer = self._answer(self.rfile.read(int(length)))
            self._send(200, "application/json", json.dumps(answer))

    def _answer(self, body: bytes) -> dict[str, Any]:
        try:
            sections = json.loads(body)
        except (ValueError, RecursionError):  # the second where brackets are nested too deeply
            sections = None
        if isinstance(sections, dict):
            return self.server.classroom.answer(sections)
        return {"problem": "the page sent what is no car; load it again"}

    def _from_here(self) -> bool:
        """Whether the browser believes to talk to this computer: no other site may ask."""
        port = self.server.server_port
        return self.headers.get("Host") in (f"{HERE}:{port}", f"localhost:{port}")

    def _send(self, code: int, kind: str, text: str, nonce: str = "") -> None:
        body = text.encode("utf-8")
        script = f"'nonce-{nonce}'" if nonce else "'none'"
        policy = f"default-src 'none'; style-src 'unsafe-inline'; script-src {script}"
        self.send_response(code)
        self.send_header("Content-Type", f"{kind}; charset=utf-8")
        self.send_header("Content-Length", str(len(body)))
        self.send_header("Cache-Control", "no-store")
        self.send_header("X-Content-Type-Options", "nosniff")
        self.send_header("Content-Security-Policy", f"{policy}; connect-src 'self'")
        self.end_headers()
        self.wfile.write(body)

    def log_message(self, format: str, *args: Any) -> None:
        """Nothing: the terminal belongs to the teacher."""


class _Server(ThreadingHTTPServer):
    daemon_threads = True
    longest_s = LONGEST_S

    def __init__(self, classroom: Classroom, port: int) -> None:
        self.classroom = classroom
        self._free = threading.BoundedSemaphore(MOST_CONNECTIONS)
        super().__init__((HERE, port), _Handler)

    def process_request(self, request: Any, client_address: Any) -> None:
        """A thread for each connection, as long as there are not too many."""
        if self._free.acquire(blocking=False):
            super().process_request(request, client_address)
            return
        with suppress(OSError):
            request.sendall(b"HTTP/1.0 503 Too many at once\r\nContent-Length: 0\r\n\r\n")
        self.shutdown_request(request)

    def process_request_thread(self, request: Any, client_address: Any) -> None:
        """Answer one connection, and make room for the next."""
        try:
            super().process_request_thread(request, client_address)
        finally:
            self._free.release()

    def handle_error(self, request: Any, client_address: Any) -> None:
        """Nothing where someone has left or was cut off; anything else is a fault and is shown."""
        if not isinstance(sys.exception(), OSError):
            super().handle_error(request, client_address)


def serve(classroom: Classroom, port: int, ready: Callable[[str], None]) -> None:
    """Serve the page until interrupted; port 0 takes any free one.

    ``ready`` is called with the address once the page can be opened.

    Raises:
        LoopoddsError: if the port is taken or not allowed, with its number.
    """
    try:
        server = _Server(classroom, port)
    except OSError as error:
        taken = error.errno == errno.EADDRINUSE
        reason = "taken by another program" if taken else error.strerror or str(error)
        problem = f"port {port}: {reason}; choose another with --port, or leave it out for any"
        raise LoopoddsError(problem) from error
    with server:
        ready(f"http://{HERE}:{server.server_port}/")
        try:
            server.serve_forever()
        except KeyboardInterrupt:
            return
