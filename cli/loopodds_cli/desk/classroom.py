"""What-if page for a class: move findings, see every fault move at once.

A small server on this computer only. The page it serves needs nothing else from anywhere, and
every change is answered by the exact engine.
"""

from __future__ import annotations

import json
import secrets
import threading
from collections.abc import Callable, Mapping
from functools import cached_property
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from importlib import resources
from typing import TYPE_CHECKING, Any

import numpy as np
from loopodds import LoopoddsError

if TYPE_CHECKING:
    from loopodds import Belief, Inspection, Model, Node

HERE = "127.0.0.1"
LARGEST_REQUEST = 100_000
STATED = {
    "vehicle": {"refrigerant": "R134a", "expansion": "TXV", "compressor": "fixed"},
    "conditions": {"setting": "complaint", "ambient": "25 degC", "humidity": "50 %"},
}
"""What the page assumes of a car as long as nothing else is said."""
NAMEPLATES = {"nameplate_charge": "500 g", "nameplate_oil": "150 g"}
REACH = 3.0
"""A gauge's dial reaches so many times its outermost cut, on both sides of the sound value."""


class Classroom:
    """Answers the page: beliefs, what is to be expected next, where the dials stand.

    Parameters
    ----------
    model : Model
    start : Inspection, optional
        The car the page opens with; one of common make-up, nothing seen, when left out.
    """

    def __init__(self, model: Model, start: Inspection | None = None) -> None:
        self.model = model
        self.knowledge = model.knowledge
        self.name = start.name if start else "a car nobody has looked at"
        self.start = _sections(start)
        self._lock = threading.Lock()

    @cached_property
    def catalogue(self) -> dict[str, Any]:
        """Names, titles and states for the page to draw itself; the car it opens with."""
        from loopodds import condition_title

        knowledge = self.knowledge
        groups: dict[str, list[dict[str, Any]]] = {"complaint": []}
        for node in knowledge.of_kind("finding", "gauge").values():
            groups.setdefault(node.group, []).append(_drawn(node, "findings"))
        groups["what was done to it"] = [
            _drawn(node, "history") for node in knowledge.of_kind("history").values()
        ]
        return {
            "name": self.name,
            "start": self.start,
            "groups": [{"title": title, "nodes": n} for title, n in groups.items() if n],
            "conditions": {
                name: {
                    "title": condition_title(name, knowledge),
                    "variable": condition.variable,
                    "about": knowledge.node(condition.variable).about,
                }
                for name, condition in knowledge.conditions.items()
            },
            "choices": {
                name: {"title": context.title, "values": list(context.values)}
                for name, context in knowledge.contexts.items()
                if context.values and name != "weather"
            },
        }

    def answer(self, sections: Mapping[str, Any]) -> dict[str, Any]:
        """What the page shows for some state of the car; a message where it cannot be.

        Parameters
        ----------
        sections : mapping
            As a case file has them; ``confirmed`` counts as known.
        """
        with self._lock:
            try:
                return self._answer(sections)
            except LoopoddsError as error:
                return {"problem": str(error)}

    def _answer(self, sections: Mapping[str, Any]) -> dict[str, Any]:
        from loopodds import Belief, batch_of, encode, inspection_from

        inspection = inspection_from(sections, self.knowledge, "what was put in")
        batch = batch_of([inspection], self.knowledge)
        (group,) = encode(batch, self.knowledge, confirmed=True).groups
        belief = Belief(self.model, group.context, group.evidence)
        return {
            "conditions": {c.name: [c.probability, c.prior] for c in belief.ranking()},
            "sound": [belief.p_sound, float(belief.before.p_sound[0])],
            "conflict": belief.conflict.bits,
            "expected": expected_words(belief),
            "dials": self._dials(inspection),
            "warnings": list(inspection.warnings),
        }

    def _dials(self, inspection: Inspection) -> dict[str, dict[str, Any]]:
        """Reach of every gauge and what a sound loop shows, as text and in the unit shown."""
        from loopodds import (
            SHOWN_IN,
            Inspection,
            batch_of,
            format_quantity,
            instrument_readings,
            reading_dimension,
        )

        bare = Inspection("", inspection.vehicle, inspection.conditions)
        batch = batch_of([bare] * 3, self.knowledge)
        dials = {}
        for name, node in self.knowledge.gauges.items():
            reach = REACH * max(map(abs, node.cuts))
            raw = instrument_readings({name: np.array([-reach, 0, reach])}, batch, self.knowledge)
            if np.isnan(raw[name]).any():
                continue
            dimension = reading_dimension(name, self.knowledge)
            unit = SHOWN_IN[dimension]
            texts = [format_quantity(float(value), dimension, unit) for value in raw[name]]
            low, sound, high = (float(text.split()[0]) for text in texts)
            dials[name] = {"low": low, "high": high, "sound": sound, "unit": texts[1].split()[1]}
        return dials


def expected_words(belief: Belief) -> dict[str, list[float]]:
    """P(state | everything known) of every finding not yet seen; each sums to one."""
    from loopodds import predict

    seen = set(belief.names)
    names = [name for name in belief.model.knowledge.of_kind("finding") if name not in seen]
    found = predict(belief.model.tree(belief.context), belief.evidence, names)
    return {name: prediction.states[0].tolist() for name, prediction in found.items()}


def _drawn(node: Node, section: str) -> dict[str, Any]:
    return {
        "name": node.name,
        "section": section,
        "title": node.title,
        "about": node.about,
        "states": list(node.states),
        "gauge": node.kind == "gauge",
    }


def _sections(start: Inspection | None) -> dict[str, dict[str, Any]]:
    """The car to begin with as sections, what is not stated assumed."""
    from loopodds import observations_of

    sections: dict[str, dict[str, Any]] = {
        "vehicle": {**STATED["vehicle"], **NAMEPLATES},
        "conditions": dict(STATED["conditions"]),
        "history": {},
        "findings": {},
        "readings": {},
        "confirmed": {},
    }
    for one in observations_of(start) if start else ():
        value = one.value if isinstance(one.value, str) else dict(one.value)
        sections[one.section][one.name] = value
    return sections


def page(classroom: Classroom, nonce: str) -> str:
    """The whole page, nothing to be loaded from elsewhere.

    Parameters
    ----------
    nonce : str
        Marks the one script that the browser may run.
    """
    folder = resources.files("loopodds_cli").joinpath("assets")
    parts = {
        name: folder.joinpath(name).read_text(encoding="utf-8")
        for name in ("classroom.html", "classroom.css", "classroom.js")
    }
    data = json.dumps(classroom.catalogue).replace("<", "\\u003c")
    text = parts["classroom.html"].replace("/*style*/", parts["classroom.css"])
    text = text.replace("/*script*/", parts["classroom.js"]).replace("NONCE", nonce)
    return text.replace("/*catalogue*/", data)


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
            return {"problem": "the page sent what is no car; load it again"}
        if not isinstance(sections, dict):
            return {"problem": "the page sent what is no car; load it again"}
        return self.server.classroom.answer(sections)

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
    """Serve the page until interrupted.

    Parameters
    ----------
    port : int
        0 takes any free one.
    ready : callable
        Called with the address once the page can be opened.

    Raises
    ------
    OSError
        If the port is taken.
    """
    with _Server(classroom, port) as server:
        ready(f"http://{HERE}:{server.server_port}/")
        try:
            server.serve_forever()
        except KeyboardInterrupt:
            return
