"""Who may ask the server, how much, and how often; what ``loopodds bay`` writes."""

from __future__ import annotations

import asyncio
import http.client
import json
import re
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner
from loopodds.base.errors import LoopoddsError
from loopodds.bay.packing import unpacked
from loopodds.diagnosis.model import Model
from loopodds_cli.bay.desk import LARGEST_PHOTO
from loopodds_cli.bay.pairing import WRONG_AT_ONCE, Pairing
from loopodds_cli.bay.server import HERE, KEY, LARGEST_ENTRIES, Door, listening, only_page
from loopodds_cli.bay.single_file import policy
from loopodds_cli.main import main
from phones import Served

JPEG = bytes.fromhex("ffd8ffda0004aabb1122ffd9")
"""The least that is one: a part, and an end."""


def ask(
    served: Served, method: str, path: str, body: bytes | None = None, **headers: str
) -> tuple[int, Any, http.client.HTTPMessage]:
    """Status, answer and headers of one request as a page of the server makes it."""
    own = f"{HERE}:{served.port}"
    given = {"Host": own, "Origin": f"http://{own}", "Content-Type": "application/json"}
    given |= {name.replace("_", "-"): value for name, value in headers.items()}
    connection = http.client.HTTPConnection(HERE, served.port, timeout=10)
    try:
        connection.putrequest(method, path, skip_host=True, skip_accept_encoding=True)
        for name, value in given.items():
            if value:
                connection.putheader(name, value)
        if body is not None:
            connection.putheader("Content-Length", str(len(body)))
        connection.endheaders(body)
        answer = connection.getresponse()
        content = answer.read()
    finally:
        connection.close()
    is_json = answer.headers.get_content_type() == "application/json"
    return answer.status, json.loads(content) if is_json else content, answer.headers


def opening(number: int = 1) -> bytes:
    own = f"{number:032x}"
    return json.dumps([{"id": own, "device": "a" * 32, "count": 1, "case": own, "name": "van",
                        "at": "2026-11-28T10:00:00Z", "kind": "opened"}]).encode()  # fmt: skip


@pytest.mark.slow
def test_only_the_page_itself_may_ask(served: Served):
    assert ask(served, "GET", "/cases")[0] == 200
    assert ask(served, "POST", "/entries", opening(), Host="evil.example")[0] == 403
    assert ask(served, "GET", "/cases", Host=f"evil.example:{served.port}")[0] == 403
    assert ask(served, "POST", "/entries", opening(), Origin="http://evil.example")[0] == 403
    assert ask(served, "POST", "/entries", opening(), Origin="null")[0] == 403
    assert ask(served, "POST", "/entries", opening(), Origin="")[0] == 403
    assert ask(served, "GET", "/cases")[1]["cases"] == []
    status, told, headers = ask(served, "POST", "/entries", opening())
    assert (status, told["outcomes"][0]["problem"]) == (200, "")
    assert headers["X-Frame-Options"] == "DENY"


@pytest.mark.slow
def test_bodies_and_photos_are_bounded_and_looked_at(served: Served):
    assert ask(served, "POST", "/entries", b" " * (LARGEST_ENTRIES + 1))[0] == 413
    assert ask(served, "POST", "/entries", opening(), Content_Type="text/plain")[0] == 415
    status, told, _ = ask(served, "POST", "/entries", b"[" * 100_000)
    assert status == 400
    assert "no entries of a page" in told["problem"]
    ask(served, "POST", "/entries", opening())
    where = f"/case/{1:032x}/photos"
    assert ask(served, "POST", f"{where}/sample", b"\x7fELF")[0] == 400
    assert ask(served, "POST", f"{where}/sample", JPEG + bytes(LARGEST_PHOTO))[0] == 413
    assert ask(served, "POST", f"{where}/..%2f..%2fx", JPEG)[0] in (400, 404)
    name = ask(served, "POST", f"{where}/sample", JPEG)[1]["name"]
    assert ask(served, "POST", f"{where}/sample", JPEG)[1]["name"] == name
    assert ask(served, "GET", f"{where}/{name}")[1] == JPEG
    for wrong in ("book.db", "..%2f..%2fbook.db", "x" * 500):
        assert ask(served, "GET", f"{where}/{wrong}")[0] in (400, 404)
    assert ask(served, "GET", "/case/7")[0] == 400


@pytest.mark.slow
def test_advice_says_of_which_event_and_when_it_was_worked_out(served: Served):
    ask(served, "POST", "/entries", opening())
    told = ask(served, "GET", "/case/1/advice")[1]
    assert told["events"] == 1
    assert re.fullmatch(r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\dZ", told["at"])
    assert {"low", "high", "probability"} <= told["conditions"][0].keys()
    assert told["tests"]
    assert ask(served, "GET", "/case/1/offers")[1]["offers"]


class Clock:
    def __init__(self) -> None:
        self.now = 0.0

    def __call__(self) -> float:
        return self.now


@pytest.fixture
def pairing(tmp_path: Path) -> tuple[Pairing, list[str], Clock]:
    words: list[str] = []
    clock = Clock()
    return Pairing(tmp_path / "devices", words.append, clock), words, clock


def test_a_word_lets_in_one_device_and_no_second(pairing: Any, tmp_path: Path):
    door, words, _ = pairing
    key = door.key_for(words[0])
    assert key
    assert door.knows(key)
    assert not door.knows("")
    assert door.key_for(words[0]) is None
    assert len(set(words)) == 2
    assert key not in (tmp_path / "devices").read_text("ascii")
    assert (tmp_path / "devices").stat().st_mode & 0o077 == 0
    assert Pairing(tmp_path / "devices", words.append).knows(key), "also after a restart"


def test_whoever_guesses_is_not_heard_for_a_while(pairing: Any):
    door, words, clock = pairing
    for _ in range(WRONG_AT_ONCE):
        assert door.key_for("wrong") is None
    assert door.key_for(words[0]) is None
    clock.now += 31
    assert door.key_for(words[0])


@pytest.mark.slow
def test_on_a_network_only_paired_devices_get_anything(
    model: Model, page_text: str, tmp_path: Path
):
    words: list[str] = []
    door = Pairing(tmp_path / "devices", words.append)
    served = Served(model, page_text, tmp_path / "book.db", door)
    try:
        assert ask(served, "GET", "/")[0] == 200
        assert ask(served, "GET", "/cases")[0] == 403
        assert ask(served, "POST", "/entries", opening())[0] == 403
        assert ask(served, "POST", "/pair", b"nonsense")[0] == 403
        key = ask(served, "POST", "/pair", words[-1].upper().encode())[1]["key"]
        assert ask(served, "GET", "/cases", **{KEY: key})[0] == 200
        assert ask(served, "GET", "/cases", **{KEY: "x" + key})[0] == 403
    finally:
        served.end()


def test_the_page_of_one_file_asks_nobody_for_anything(single_file: Path):
    text = single_file.read_text("utf-8")
    assert not re.findall(r'(?:src|href)="?https?:', text)
    script = re.search(r"<script>(.*)</script>", text, re.DOTALL)
    style = re.search(r"<style>(.*?)</style>", text, re.DOTALL)
    assert script
    assert style
    assert policy(script[1], style[1]) in text.replace("&#39;", "'")


def test_the_binary_is_the_same_for_the_same_knowledge(binary: bytes, model: Model):
    content, numbers = unpacked(binary)
    assert content["form"]["digest"] == model.knowledge.digest
    assert {"tree", "scales", "rules", "repairs", "remarks", "form"} == content.keys()
    assert len(numbers) * 8 + len(json.dumps(content)) < 4_000_000


AMID_THE_RUN = {
    "temperature_test", "switching_test", "wet_condenser_test", "workshop_fan_test",
    "warm_valve_test",
}  # fmt: skip
"""Done while the gauges are read: where the run has ended, the page times it before the steps."""


def test_every_test_with_steps_has_its_waiting_timed(binary: bytes):
    content, _ = unpacked(binary)
    steps, tests = content["form"]["steps"], content["rules"]["tests"]
    assert sum(step.get("minutes") or 0 for step in steps["capture_sample"]) >= 7
    assert all(step["say"] for test in steps.values() for step in test)
    for name, own in steps.items():
        # what is timed in a test is part of its minutes; a set-up is timed where it is due
        assert sum(step.get("minutes") or 0 for step in own) <= tests[name]["minutes"]
        named = [step["set_up"] for step in own if step.get("set_up")]
        assert {*named} <= {*tests[name].get("set_up", ())}
        waited = [s for s in tests[name].get("set_up", ()) if s in ("settled", "cold")]
        assert not {*waited} - {*named} or name in AMID_THE_RUN


def test_a_port_that_is_taken_is_named(served: Served, tmp_path: Path):
    given = ["bay", "--port", str(served.port), "--book", str(tmp_path / "other.db")]
    ran = CliRunner().invoke(main, given)
    assert ran.exit_code == 1
    assert f"port {served.port}" in ran.output


def asked(app: Door, method: str, path: str, **headers: str) -> tuple[int, bytes]:
    """Status and body of what an application answers."""
    sent: list[Any] = []
    given = [(name.encode(), value.encode()) for name, value in headers.items()]
    scope = {"type": "http", "method": method, "path": path, "headers": given, "query_string": b""}

    async def receive() -> Any:
        return {"type": "http.request"}

    async def send(message: Any) -> None:
        sent.append(message)

    asyncio.run(app(scope, receive, send))
    return sent[0]["status"], b"".join(part.get("body", b"") for part in sent)


def test_a_page_with_nothing_behind_it_is_served_to_this_computer_only():
    own = f"{HERE}:4711"
    app = only_page("all of it", {own})
    assert asked(app, "GET", "/", host=own) == (200, b"all of it")
    assert asked(app, "GET", "/", host="rebound.example")[0] == 403
    assert asked(app, "POST", "/", host=own, origin="http://evil.example")[0] == 403
    assert asked(app, "POST", "/", host=own, origin=f"http://{own}")[0] == 405
    assert asked(app, "GET", "/elsewhere", host=own)[0] == 404


def test_a_port_in_use_is_said_by_its_number():
    with listening(HERE, 0) as taken:
        port = taken.getsockname()[1]
        with pytest.raises(LoopoddsError, match=f"port {port}: .*choose another with --port"):
            listening(HERE, port)


def test_the_page_of_a_class_is_written_as_one_file(tmp_path: Path):
    file = tmp_path / "class.html"
    done = CliRunner().invoke(main, ["whatif", "@wet_loop", "--interactive", "--out", str(file)])
    assert done.exit_code == 0, done.output
    assert '"name": "wet_loop"' in file.read_text("utf-8")
    refused = CliRunner().invoke(main, ["whatif", "@wet_loop", "moisture=wet", "--out", str(file)])
    assert refused.exit_code == 2
    assert "--out is for the page of --interactive" in refused.output
