"""Whole cases by taps in a real browser: phone, tablet, desktop, with and without a network."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
from collections.abc import Callable, Iterator
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
from loopodds.casebook.believed import check_book
from loopodds.casebook.book import CaseBook
from loopodds.casebook.replay import CaseState, replay
from loopodds.casebook.sources import read_case
from loopodds.diagnosis.diagnose import believe
from loopodds.diagnosis.model import Model
from phones import OpenPhone, Phone, Served

pytestmark = pytest.mark.slow

MOST_TAPS, OBSERVATIONS = 40, 12
EXACT = 1e-9
SIZES = {
    "phone": (None, OBSERVATIONS),
    "tablet": ({"width": 820, "height": 1180}, 7),
    "desktop": ({"width": 1366, "height": 768}, 7),
}
"""Of the screen, and how many observations are made there."""

ALONG = """() => {
  const events = bay.store.events(bay.key);
  return events.map((_, i) => {
    const state = replayed(events.slice(0, i + 1));
    if (state.repairs.length) return null;
    const found = bay.scales.evidence(sectionsOf(state.noted));
    const belief = bay.tree.believe(found.contexts, found.evidence);
    return {conditions: belief.conditions, sound: belief.sound};
  });
}"""


def state_in(book: Path, number: int = 1) -> CaseState:
    with CaseBook(book, write=False) as opened:
        return replay(opened.events(number))


def told_in(book: Path, number: int = 1) -> dict[str, Any]:
    return {name: seen.value for name, seen in state_in(book, number).noted.items()}


def ids_in(book: Path, number: int = 1) -> list[str]:
    with CaseBook(book, write=False) as opened:
        return [e.content["tap"]["id"] for e in opened.events(number)]


def intake(phone: Phone) -> None:
    """Six things about a car that cools weakly."""
    for word in ("R134a", "fixed", "TXV", "complaint", "weak"):
        phone.say(word)
    phone.type("31")
    phone.tap("#cannot")
    phone.tap("#cannot")
    phone.tap("#cannot")


def test_until(phone: Phone, observations: int) -> None:
    """What is proposed is done, and the first answer given, until so much is recorded."""
    while phone.page.evaluate("Object.keys(bay.car().state.noted).length") < observations:
        phone.page.wait_for_selector("#ready, #cannot, #toplan")
        if phone.page.locator("#ready").count():
            phone.tap("#ready")
        elif phone.page.locator("[data-state]").count():
            phone.tap("[data-state]")
        else:
            phone.tap("#cannot")


test_until.__test__ = False  # type: ignore[attr-defined]


@pytest.mark.parametrize("size", SIZES)
def test_a_whole_case_by_taps(
    size: str,
    phone: OpenPhone,
    served: Served,
    model: Model,
    record_property: Callable[[str, object], None],
):
    screen, observations = SIZES[size]
    one = phone(served.address, screen, advised=size == "phone")
    one.new_car("B-XY 12")
    intake(one)
    test_until(one, observations)
    one.tap("#plan")
    assert one.heading() == "Plan"
    record_property("taps to the plan", one.taps)
    assert one.taps <= MOST_TAPS
    one.sent()
    one.page.wait_for_selector("[data-offer]")
    agrees_along(one, served.book)
    if size == "phone":
        to_the_end(one, served.book, model)


def to_the_end(one: Phone, book: Path, model: Model) -> None:
    """From the plan through the repair to the closing; the book holds all of it."""
    one.tap("[data-offer]")
    assert one.page.locator("ol.steps > li").count() >= 1
    one.tap("#agree")
    one.tap('[data-back="30"]')
    one.tap("[data-refused]")
    one.page.fill("#watch", "vents less cold")
    one.tap("#keep")
    one.sent()
    agreed = state_in(book).agreed
    day = date.today() + timedelta(days=30)
    assert (agreed.back_by, agreed.watch) == (day.isoformat(), "vents less cold")
    assert len(agreed.refused) == 1
    assert "To watch for: vents less cold" in one.page.locator("#agreed").inner_text()
    one.tap("#repaired")
    one.sent()
    one.page.wait_for_selector("#ready, #toplan, #toclose")
    one.tap("#toclose")
    one.tap('[data-word="present"]')
    one.tap("#close")
    one.sent()
    state = state_in(book)
    assert state.closed or one.page.get_by_text("Not taken over").count()
    assert len(state.repairs) == 1
    with CaseBook(book, write=False) as opened:
        assert [case.problem for case in check_book(opened, model)] == [""]


def agrees_along(phone: Phone, book: Path) -> None:
    """Every step of the case: what the page believes is what the book has stored."""
    with CaseBook(book, write=False) as opened:
        stored = [event.posterior for event in opened.events(1)]
    here = phone.page.evaluate(ALONG)
    assert len(here) == len(stored) > 7
    for page, kept in zip(here, stored, strict=True):
        assert abs(page["sound"] - kept.p_sound) < EXACT
        for name, chance in kept.conditions.items():
            assert abs(page["conditions"][name] - chance) < EXACT


def test_an_answer_that_is_lost_on_the_way_back_is_not_written_twice(
    phone: OpenPhone, served: Served
):
    one = phone(served.address)
    lost = []

    def swallow(route: Any) -> None:
        if len(lost) < 3:
            lost.append(route.fetch())  # the server has it, the page never hears of it
            route.abort()
        else:
            route.continue_()

    one.page.route("**/entries", swallow)
    one.new_car("van")
    intake(one)
    one.sent()
    assert len(lost) == 3
    ids = ids_in(served.book)
    assert len(ids) == len(set(ids)) == 1 + 6
    assert told_in(served.book) == one.told()


def test_two_hundred_taps_in_flight_all_arrive_once_and_in_order(phone: OpenPhone, served: Served):
    one = phone(served.address)
    key = one.new_car("van")
    one.page.evaluate(
        """() => {
          for (let i = 0; i < 200; i++) {
            const car = bay.car();
            bay.record(car, "cooling", ["good", "weak", "none"][i % 3]);
          }
        }"""
    )
    one.until("bay.store.waiting.length === 0", 60)
    ids = ids_in(served.book)
    assert len(ids) == len(set(ids)) == 201
    assert ids[0] == key
    with CaseBook(served.book, write=False) as book:
        values = [e.content["value"] for e in book.events(1)[1:]]
    assert values == [("good", "weak", "none")[i % 3] for i in range(200)]


def test_two_devices_on_one_case_settle_what_both_measured(phone: OpenPhone, served: Served):
    """The clock of the second is a day ahead: order goes by what each knew, not by clocks."""
    now = datetime.now(UTC)
    one = phone(served.address)
    one.new_car("van")
    intake(one)
    one.sent()
    two = phone(served.address)
    two.page.clock.set_system_time(now + timedelta(days=1))
    two.page.get_by_text("van").tap()
    two.until("bay.key !== null")
    for device, bar in ((one, "2.1"), (two, "1.4")):
        device.context.set_offline(True)
        device.page.evaluate(f'bay.record(bay.car(), "low_side", "{bar} bar")')
    for device in (one, two):
        device.context.set_offline(False)
        device.sent()
    for device in (one, two):
        device.page.evaluate("bay.store.wake()")
        device.page.wait_for_selector("text=did not know of each other")
    times = clocks_of(served.book, "low_side")
    assert times.keys() == {"2.1 bar", "1.4 bar"}
    assert times["1.4 bar"] - times["2.1 bar"] > timedelta(hours=23)
    one.page.get_by_role("button", name="2.1 bar").tap()
    one.sent()
    two.page.evaluate("bay.store.wake()")
    two.page.wait_for_selector("text=did not know of each other", state="detached")
    assert two.told()["low_side"] == "2.1 bar" == told_in(served.book)["low_side"]
    two.page.evaluate('bay.record(bay.car(), "cabin_smell", "musty")')
    two.sent()
    one.page.evaluate("bay.store.wake()")
    one.until("bay.car().state.noted.cabin_smell !== undefined")
    one.tap("#undo")
    one.sent()
    told = told_in(served.book)
    assert (told["cabin_smell"], told["low_side"]) == ("musty", "1.4 bar"), "each undoes its own"


def test_one_entry_that_cannot_be_read_spoils_no_other(phone: OpenPhone, served: Served):
    one = phone(served.address)
    one.new_car("van")
    one.sent()
    one.page.evaluate(
        """() => bay.store.takeIn([{id: "zz", device: "d", count: 2, at: "", case: bay.key,
          kind: "recorded", name: "cooling", value: "none"}])"""
    )
    one.say("R134a")
    one.sent()
    one.page.wait_for_selector("text=Not taken over")
    assert told_in(served.book) == {"refrigerant": "R134a"}
    one.page.get_by_role("button", name="Put it aside").tap()
    one.page.wait_for_selector("text=Not taken over", state="detached")


def clocks_of(book: Path, name: str) -> dict[str, datetime]:
    """When the devices say that each value of one thing was entered."""
    with CaseBook(book, write=False) as opened:
        return {
            event.content["value"]: datetime.fromisoformat(event.content["tap"]["at"])
            for event in opened.events(1)
            if event.kind == "read" and event.content["name"] == name
        }


def test_what_comes_in_while_a_car_is_opened_does_no_harm(phone: OpenPhone, served: Served):
    one = phone(served.address)
    one.page.evaluate(
        """() => {
            const {shelf} = bay.store, get = shelf.get.bind(shelf);
            shelf.get = async (...asked) => { bay.draw(true); return get(...asked); };
        }"""
    )
    one.new_car("van")
    one.until("bay.key !== null && bay.ui.sheet === null")


def test_what_waits_is_still_there_after_the_page_was_loaded_anew(phone: OpenPhone, served: Served):
    one = phone(served.address)
    one.page.route("**/entries", lambda route: route.abort())
    one.new_car("van")
    intake(one)
    one.page.wait_for_selector("text=not sent yet: 7")
    before = one.told()
    one.load()
    one.until("bay.key !== null")
    assert one.told() == before
    one.page.unroute("**/entries")
    one.page.evaluate("bay.store.wake()")
    one.sent()
    assert told_in(served.book) == before
    assert len(ids_in(served.book)) == 7


@pytest.fixture
def process(tmp_path: Path) -> Iterator[Any]:
    """Starts the command itself on one book and one port, as often as asked."""
    running: list[subprocess.Popen[str]] = []

    def start(port: int = 0) -> tuple[subprocess.Popen[str], str]:
        command = [sys.executable, "-m", "loopodds_cli", "bay", "--port", str(port),
                   "--book", str(tmp_path / "book.db")]  # fmt: skip
        env = {**os.environ, "PYTHONUNBUFFERED": "1"}
        made = subprocess.Popen(command, stdout=subprocess.PIPE, text=True, env=env)
        running.append(made)
        assert made.stdout is not None
        return made, made.stdout.readline().split()[1]

    yield start
    for one in running:
        one.kill()
        one.wait()
        assert one.stdout is not None
        one.stdout.close()


def test_nothing_is_lost_when_the_server_is_killed_between_tap_and_answer(
    phone: OpenPhone, process: Any, tmp_path: Path
):
    server, address = process()
    one = phone(address)
    key = one.new_car("van")
    one.sent()
    for i in range(30):
        word = ("good", "weak", "none")[i % 3]
        one.page.evaluate(f'bay.record(bay.car(), "cooling", "{word}")')
        if i == 12:
            server.send_signal(signal.SIGKILL)
            server.wait()
    process(int(address.rstrip("/").rpartition(":")[2]))
    one.until("bay.store.waiting.length === 0", 60)
    ids = ids_in(tmp_path / "book.db")
    assert len(ids) == len(set(ids)) == 31
    assert ids[0] == key


def test_a_case_worked_on_without_any_network_is_merged_whole(
    phone: OpenPhone, single_file: Path, served: Served, model: Model, tmp_path: Path
):
    """The file from disk, its case file taken in twice by a page that has a server."""
    alone = phone(single_file.as_uri())
    alone.new_car("B-XY 12")
    intake(alone)
    test_until(alone, OBSERVATIONS)
    alone.tap("#plan")
    alone.tap("#byhand")
    alone.tap('[data-service="advise_and_recheck"]')
    alone.tap("#decide")
    alone.tap("#toclose")
    alone.tap('[data-word="present"] >> nth=1')
    alone.tap("#close")
    with alone.page.expect_download() as download:
        alone.tap("#save")
    file = tmp_path / download.value.suggested_filename
    download.value.save_as(file)
    told = read_case(str(file), model.knowledge)
    here = alone.page.evaluate(
        "(() => { const b = bay.car().belief; return {log: b.logEvidence, c: b.conditions}; })()"
    )
    belief = believe(told, model)
    assert abs(here["log"] - belief.log_evidence) < EXACT
    assert all(abs(belief.condition(n) - chance) < EXACT for n, chance in here["c"].items())
    connected = phone(served.address)
    for _ in range(2):
        connected.page.locator('input[accept^=".toml"]').set_input_files(file)
        connected.until("bay.key !== null")
        connected.sent()
        connected.page.evaluate("bay.leave()")
    assert told_in(served.book) == alone.told()
    ids = ids_in(served.book)
    entries = [line for line in file.read_text("utf-8").splitlines() if line.startswith("#: ")]
    assert set(ids) == {json.loads(line[3:])["id"] for line in entries}
    assert state_in(served.book).closed
    with CaseBook(served.book, write=False) as book:
        assert book.numbers() == [1]
