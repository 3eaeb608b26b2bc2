"""The what-if page for a class: exact answers, nothing from outside, nobody else may ask."""

from __future__ import annotations

import http.client
import json
import re
import shutil
import socket
import struct
import subprocess
import threading
import time
from contextlib import ExitStack, suppress

import numpy as np
import pytest
from loopodds.base.errors import LoopoddsError
from loopodds.inference.network import Evidence
from loopodds.inspection.encoding import encode
from loopodds.inspection.inspection import batch_of
from loopodds.inspection.sections import inspection_from
from loopodds_cli.classroom import server as server_module
from loopodds_cli.classroom.answers import Classroom
from loopodds_cli.classroom.server import HERE, LARGEST_REQUEST, _Server, serve
from references import with_codes

CAR = {
    "vehicle": {"refrigerant": "R134a", "expansion": "TXV", "compressor": "fixed"},
    "conditions": {"setting": "complaint", "ambient": "31 degC", "humidity": "45 %"},
    "history": {"opened_without_new_drier": "yes"},
    "findings": {"sample_bubbles": "persisting", "sample_specks": {"none": 0.3, "metal": 0.7}},
    "readings": {"low_side": "2.1 bar"},
}


@pytest.fixture(scope="module")
def room(model):
    return Classroom(model, inspection_from(CAR, model.knowledge, "<the wet one>"))


@pytest.fixture(scope="module")
def served(room):
    with _Server(room, 0) as server:
        thread = threading.Thread(target=server.serve_forever)
        thread.start()
        yield server.server_port
        server.shutdown()
        thread.join()


def ask(port, method="POST", path="/", body="", **headers):
    connection = http.client.HTTPConnection(HERE, port, timeout=60)
    known = {"Host": f"{HERE}:{port}", "Content-Type": "application/json", **headers}
    connection.request(method, path, body.encode(), known)
    response = connection.getresponse()
    text = response.read().decode()
    connection.close()
    return response, text


def test_the_page_answers_with_the_exact_posterior(model, served):
    answer = json.loads(ask(served, body=json.dumps(CAR))[1])
    inspection = inspection_from(CAR, model.knowledge)
    (group,) = encode(batch_of([inspection], model.knowledge), model.knowledge).groups
    beliefs = model.believe(group.context, group.evidence)
    for name in model.conditions:
        # the same computation: equal to float rounding
        assert answer["conditions"][name][0] == pytest.approx(
            float(model.probability(beliefs, name)[0]), abs=1e-12
        )
    assert answer["sound"][0] == pytest.approx(float(beliefs.p_sound[0]), abs=1e-12)


def test_what_is_expected_of_a_finding_is_its_share_of_the_evidence(model, room):
    answer = room.answer(CAR)
    inspection = inspection_from(CAR, model.knowledge)
    (group,) = encode(batch_of([inspection], model.knowledge), model.knowledge).groups
    tree = model.tree(group.context)
    log = tree.propagate(group.evidence).log_evidence[0]
    # `cooling` is left out: that the car came says of it what no row of codes does
    for name in ("acid_test", "sample_darkening"):
        states = range(len(model.states(name)))
        batch = with_codes(group.evidence.repeat(len(states)), {name: np.array(states)})
        chances = np.exp(tree.propagate(batch).log_evidence - log)
        # rel 1e-9: two routes of summing the same products
        assert answer["expected"][name] == pytest.approx(chances.tolist(), rel=1e-9)
    assert "sample_bubbles" not in answer["expected"]


def test_supposing_a_fault_is_evidence_about_the_others(model, room):
    base = room.answer(CAR)["conditions"]
    supposed = room.answer({**CAR, "confirmed": {"moisture": "absent"}})["conditions"]
    assert supposed["moisture"][0] == 0
    # bubbles in the sample must come from somewhere: the drier loses its reason
    assert supposed["drier_saturated"][0] < base["drier_saturated"][0]


def test_a_dial_at_its_sound_mark_speaks_for_nothing_wrong(model, room):
    car = {**CAR, "findings": {}, "history": {}, "readings": {}}
    dials = room.answer(car)["dials"]
    before = room.answer(car)["sound"][0]
    for name in ("high_side", "low_side"):
        reading = f"{dials[name]['sound']} {dials[name]['unit']}"
        assert room.answer({**car, "readings": {name: reading}})["sound"][0] > before


def test_without_a_refrigerant_the_pressure_dials_stand_still(room):
    car = {"vehicle": {}, "conditions": {"ambient": "25 degC"}}
    dials = room.answer(car)["dials"]
    assert "high_side" not in dials
    assert "superheat" in dials


def test_what_cannot_be_is_said_and_nothing_breaks(room):
    impossible = {**CAR, "readings": {"high_side": "1 bar", "low_side": "3 bar"}}
    assert "below the low side with the compressor running" in room.answer(impossible)["problem"]
    assert (
        "did you mean 'sample_bubbles'"
        in room.answer({"findings": {"sample_bubles": "none"}})["problem"]
    )


@pytest.mark.parametrize("body", ["", "{", "[]", "7", '{"findings": 3}', '{"findings": {"x": []}}'])
def test_no_car_gets_an_answer_in_words(served, body):
    response, text = ask(served, body=body)
    assert response.status == 200
    assert json.loads(text)["problem"]


def test_other_sites_and_programs_may_not_ask(served):
    body = json.dumps(CAR)
    assert ask(served, body=body, Host="rebound.example")[0].status == 403
    assert ask(served, "GET", Host="rebound.example")[0].status == 403
    assert ask(served, body=body, **{"Content-Type": "text/plain"})[0].status == 403
    assert ask(served, body=" " * (LARGEST_REQUEST + 1))[0].status == 413
    assert ask(served, "GET", "/elsewhere")[0].status == 404


def raw(port, data, wait=5.0):
    """What the server answers to raw bytes until it closes the connection; None if it does not."""
    with socket.create_connection((HERE, port), timeout=wait) as connection:
        connection.sendall(data)
        received = b""
        try:
            while part := connection.recv(4096):
                received += part
        except TimeoutError:
            return None
        return received


def head(port, length, **headers):
    lines = {"Host": f"{HERE}:{port}", "Content-Type": "application/json", **headers}
    lines["Content-Length"] = length
    text = "".join(f"{name}: {value}\r\n" for name, value in lines.items())
    return f"POST / HTTP/1.1\r\n{text}\r\n".encode("latin-1")


@pytest.mark.parametrize("body", ["[" * 50_000, '{"a":' * 15_000, "9" * 90_000, "nul", '"\\ud800"'])
def test_a_body_that_is_no_car_however_deep_is_answered(served, body):
    response, text = ask(served, body=body)
    assert response.status == 200
    assert json.loads(text) == {"problem": "the page sent what is no car; load it again"}


@pytest.mark.parametrize("length", ["-1", "\u00b2", "1e3", "", "99999999999999999999"])
def test_a_length_that_is_none_is_refused(served, length):
    assert raw(served, head(served, length)).startswith(b"HTTP/1.0 413 ")


@pytest.fixture
def hasty(room, monkeypatch):
    """A server that waits for nobody longer than half a second, a second altogether."""
    monkeypatch.setattr(server_module._Handler, "timeout", 0.5)
    monkeypatch.setattr(server_module._Server, "longest_s", 1.0)
    monkeypatch.setattr(server_module, "MOST_CONNECTIONS", 3)
    with _Server(room, 0) as server:
        thread = threading.Thread(target=server.serve_forever)
        thread.start()
        yield server.server_port
        server.shutdown()
        thread.join()


def test_a_body_that_never_comes_is_not_waited_for(hasty, capfd):
    assert raw(hasty, head(hasty, "1000") + b'{"find') == b""
    assert capfd.readouterr().err == ""


def test_a_client_that_sends_a_byte_now_and_then_is_cut_off(hasty, capfd):
    begun = time.monotonic()
    with socket.create_connection((HERE, hasty), timeout=5) as connection:
        connection.sendall(head(hasty, "1000"))
        with suppress(OSError):
            while time.monotonic() < begun + 8:
                connection.sendall(b" ")
                time.sleep(0.2)
    # once the second is over the server has closed, and sending fails: well before the eight
    assert time.monotonic() < begun + 4
    assert capfd.readouterr().err == ""


def test_more_connections_than_a_class_has_are_turned_away(hasty):
    with ExitStack() as stack:
        for _ in range(3):
            stack.enter_context(socket.create_connection((HERE, hasty), timeout=5))
        time.sleep(0.2)  # until the server has met them
        assert raw(hasty, b"").startswith(b"HTTP/1.0 503 ")
    time.sleep(0.7)
    assert ask(hasty, "GET")[0].status == 200


def test_a_client_that_leaves_says_nothing_on_the_terminal(served, capfd):
    body = json.dumps(CAR).encode()
    for _ in range(3):
        with socket.create_connection((HERE, served), timeout=5) as connection:
            # closed with a reset, while the answer is still being worked out
            connection.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, struct.pack("ii", 1, 0))
            connection.sendall(head(served, str(len(body))) + body)
    assert ask(served, body=json.dumps(CAR))[0].status == 200
    assert capfd.readouterr().err == ""


def test_a_port_in_use_is_said_by_its_number(room, served):
    expected = f"port {served}: taken by another program; choose another with --port"
    with pytest.raises(LoopoddsError, match=expected):
        serve(room, served, lambda address: None)


def test_the_page_loads_nothing_from_elsewhere_and_keeps_names_harmless(served):
    response, text = ask(served, "GET")
    assert response.status == 200
    policy = response.headers["Content-Security-Policy"]
    assert policy.startswith("default-src 'none'")
    assert not re.findall(r"""(?:src|href)\s*=|url\(|@import|https?://""", text)
    assert "<the wet one>" not in text
    assert "\\u003cthe wet one\\u003e" in text


def test_the_page_shows_conditions_in_the_order_of_the_knowledge(served, model):
    catalogue = json.loads(re.search(r"const CATALOGUE = (.*);\n", ask(served, "GET")[1])[1])
    assert list(catalogue["conditions"]) == list(model.knowledge.conditions)
    assert catalogue["groups"][0]["title"] == "complaint"


def test_an_unseen_car_opens_at_the_priors(model):
    room = Classroom(model)
    answer = room.answer(room.start)
    context = {"setting": "complaint", "expansion": "TXV", "compressor": "fixed", "weather": "warm"}
    car = inspection_from({"conditions": {"setting": "complaint"}}, model.knowledge)
    (group,) = encode(batch_of([car], model.knowledge), model.knowledge).groups
    prior = model.believe(context, Evidence(1, implied=group.evidence.implied))
    assert answer["sound"][0] == pytest.approx(float(prior.p_sound[0]), abs=1e-12)
    for now, before in answer["conditions"].values():
        assert now == pytest.approx(before, abs=1e-12)


@pytest.mark.skipif(shutil.which("chromium") is None, reason="no chromium to look at the page with")
def test_a_browser_shows_what_the_engine_says(served, model, tmp_path):
    flags = [
        "--headless", "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run",
        "--disable-background-networking", "--disable-component-update", "--disable-sync",
        f"--user-data-dir={tmp_path}", "--virtual-time-budget=5000", "--dump-dom",
    ]  # fmt: skip
    shown = subprocess.run(
        ["chromium", *flags, f"http://{HERE}:{served}/"],
        capture_output=True, text=True, timeout=120, check=True,
    ).stdout  # fmt: skip
    answer = json.loads(ask(served, body=json.dumps(CAR))[1])
    rows = re.findall(r'<div class="row[^"]*"[^>]*><button[^>]*>([^<]*)</button>.*?'
                      r'<div class="value">([^<]*)</div>', shown)  # fmt: skip
    percents = dict(rows)
    moisture = answer["conditions"]["moisture"][0]
    expected = "&gt;99 %" if moisture > 0.99 else f"{100 * moisture:.0f} %"
    assert percents["Water in the loop"] == expected
    assert len(rows) == len(model.conditions) + 1
