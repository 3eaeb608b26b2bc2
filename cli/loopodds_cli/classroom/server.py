"""The what-if page for a class, served on this computer only.

The page needs nothing else from anywhere: styles and script stand in it.
"""

from __future__ import annotations

import json
import secrets
from collections.abc import Callable
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from typing import Any

from jinja2 import Environment, PackageLoader

from loopodds_cli.classroom.answers import Classroom

HERE = "127.0.0.1"
LARGEST_REQUEST = 100_000


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
        elif not length.isdigit() or int(length) > LARGEST_REQUEST:
            self._send(413, "text/plain", "too much to be one car")
        else:
            answer = self._answer(self.rfile.read(int(length)))
            self._send(200, "application/json", json.dumps(answer))

    def _answer(self, body: bytes) -> dict[str, Any]:
        try:
            sections = json.loads(body)
        except ValueError:
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

    def __init__(self, classroom: Classroom, port: int) -> None:
        self.classroom = classroom
        super().__init__((HERE, port), _Handler)


def serve(classroom: Classroom, port: int, ready: Callable[[str], None]) -> None:
    """Serve the page until interrupted; port 0 takes any free one.

    ``ready`` is called with the address once the page can be opened.

    Raises:
        OSError: if the port is taken.
    """
    with _Server(classroom, port) as server:
        ready(f"http://{HERE}:{server.server_port}/")
        try:
            server.serve_forever()
        except KeyboardInterrupt:
            return
