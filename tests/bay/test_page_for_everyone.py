"""Every screen: found by a screen reader, hit by a glove, read in the sun; text is never markup."""

from __future__ import annotations

import io
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from looked_at import in_reach, looked_at
from loopodds.bay.carried import as_text
from loopodds.casebook.book import CaseBook
from loopodds.casebook.replay import replay
from loopodds.diagnosis.model import Model
from loopodds_cli.bay.pairing import Pairing
from loopodds_cli.bay.single_file import page as whole_page
from phones import OpenPhone, Served
from photo_shots import rendered
from PIL import Image

pytestmark = pytest.mark.slow

MARKUP = '<img src=x onerror="window.hit=1">=1+1|\u001b[31m&amp;'


def test_every_screen_is_for_everyone(phone: OpenPhone, served: Served):
    one = phone(served.address, advised=True)
    looked_at(one, "cases")
    one.tap("#new")
    in_reach(one, "name")
    one.page.fill("#plate", "B-XY 12")
    one.tap("#begin")
    one.until("bay.key !== null")
    for word in ("R134a", "electric", "TXV", "complaint"):
        one.say(word)
    looked_at(one, "a question with words")
    one.say("weak")
    looked_at(one, "a question with a number")
    one.type("31")
    for _ in range(3):
        one.tap("#cannot")
    one.page.wait_for_selector("#ready, #toplan")
    looked_at(one, "next test")
    one.page.evaluate('bay.record(bay.car(), "high_voltage_cable", "hurt")')
    one.page.wait_for_selector(".stop")
    one.sent()
    screens: dict[str, Callable[[], Any]] = {
        sheet: lambda sheet=sheet: one.page.evaluate(f'bay.show({{sheet: "{sheet}"}})')
        for sheet in ("conditions", "stops", "tests", "recorded", "more", "plan", "services",
                      "facts", "close")
    }  # fmt: skip
    for place, opened in screens.items():
        opened()
        (in_reach if place in ("more", "services", "facts") else looked_at)(one, place)
    one.page.evaluate('bay.startTest("capture_sample")')
    looked_at(one, "steps with timers")
    one.page.evaluate('bay.decide(bay.car(), ["hand_over", "advise_and_recheck"])')
    looked_at(one, "decided")
    one.tap("#agree")
    one.tap('[data-back="14"]')
    in_reach(one, "what was agreed")
    one.tap("#back")
    one.page.evaluate("bay.close(bay.car(), {})")
    one.page.wait_for_selector("text=This case is closed")
    in_reach(one, "closed")


def test_text_that_looks_like_markup_stays_text(phone: OpenPhone, served: Served, tmp_path: Path):
    one = phone(served.address)
    one.new_car(MARKUP)
    one.sent()
    assert one.page.locator("#top strong").inner_text() == MARKUP
    other = phone(served.address)
    other.page.wait_for_selector("text=In the case book")
    other.tap(".list button")
    other.until("bay.key !== null")
    for device in (one, other):
        assert device.page.evaluate("window.hit") is None
        assert device.page.locator("main img, header img").count() == 0
    with one.page.expect_download() as download:
        one.tap("#more")
        one.tap("#save")
    file = tmp_path / "case.toml"
    download.value.save_as(file)
    assert "\u001b" not in file.read_text("utf-8")


def test_a_timer_counts_down_and_says_when_time_is_up(phone: OpenPhone, single_file: Path):
    one = phone(single_file.as_uri())
    one.new_car("van")
    one.page.evaluate('bay.startTest("capture_sample")')
    timer = one.page.locator('[data-timer="capture_sample:1"]')
    assert timer.inner_text() == "Start the timer: 5:00"
    timer.tap()
    assert timer.inner_text() in ("5:00 left", "4:59 left")
    one.page.evaluate("bay.startTimer('capture_sample:1', 0.001)")
    one.page.wait_for_selector("text=Time is up: start again")
    assert one.page.locator("#said").inner_text() == "Time is up"


def test_how_sure_one_is_becomes_a_likelihood_and_the_unit_is_remembered(
    phone: OpenPhone, single_file: Path
):
    one = phone(single_file.as_uri())
    one.new_car("van")
    for word in ("R134a", "fixed", "TXV", "complaint"):
        one.say(word)
    one.tap('[data-sure="1"]')
    one.say("weak")
    assert one.told()["cooling"] == {"good": 0.2, "weak": 1, "none": 0.2}
    one.page.get_by_role("button", name="°F").tap()
    one.type("400")
    assert one.page.locator("[role=alert]").inner_text().startswith("Air around a car is between")
    for _ in range(3):
        one.tap('[data-key="back"]')
    one.type("88")
    assert one.told()["ambient"] == "88 degF"
    one.load()
    one.page.evaluate('bay.askAgain("ambient")')
    assert "°F" in one.page.locator(".shown").inner_text()


def test_undo_takes_back_answers_and_what_could_not_be_seen(phone: OpenPhone, single_file: Path):
    one = phone(single_file.as_uri())
    one.new_car("van")
    one.say("R134a")
    one.tap("#cannot")
    asked = one.heading()
    one.tap("#undo")
    assert one.heading() == "Which compressor has the car?"
    one.tap("#undo")
    assert one.heading() == "Which refrigerant is on the label?"
    assert one.told() == {}
    assert asked == "Which expansion device?"


def test_what_was_shut_before_a_repair_stays_shut_where_nobody_can_work_it_out(
    phone: OpenPhone, single_file: Path
):
    one = phone(single_file.as_uri())
    one.new_car("van")
    one.say("R134a")
    one.say("electric")
    one.page.evaluate('bay.record(bay.car(), "high_voltage_cable", "hurt")')
    one.page.evaluate("bay.repairs.data.most_cells = 1")
    one.page.evaluate('bay.repaired(bay.car(), ["high_voltage_oil_path"])')
    assert "High voltage" in one.page.locator(".stop").inner_text()
    assert "more than this page can follow" in one.page.locator(".lead").inner_text()
    shut = one.page.evaluate('bay.car().gates.way("compressor_listening", bay.car().progress).why')
    assert "High voltage" in shut


def test_what_comes_in_between_is_not_lost(phone: OpenPhone, single_file: Path):
    """An answer that comes late, another car chosen meanwhile: the newer one stands."""
    one = phone(single_file.as_uri())
    first = one.new_car("van")
    one.page.evaluate("bay.leave()")
    second = one.new_car("bus")
    here = one.page.evaluate(
        """async ([first, second]) => {
          const {store} = bay, {shelf} = store, get = shelf.get.bind(shelf);
          shelf.get = async (...asked) => {
            if (asked[1] === `ui:${first}`) await new Promise((done) => setTimeout(done, 200));
            return get(...asked);
          };
          await Promise.all([bay.open(first), bay.open(second)]);
          store.settings = {server: true};
          const one = (count, key = first) => ({key, case: 1, photos: [],
            events: Array.from({length: count}, () => ({kind: "opened", content: {name: "van"}}))});
          await store.keep(one(1));
          await store.keep(one(1, second));
          store.waiting = [];
          store.ask = async () => ({ok: true, json: async () => {
            await store.keep(one(2));
            return {events: 1};
          }});
          await store.workedOut(first, "advice");
          return {open: bay.key, kept: (await get("cases", first)).events.length,
            advised: store.cases.get(first).advice};
        }""",
        [first, second],
    )
    assert here == {"open": second, "kept": 2, "advised": {"events": 1}}


def test_a_case_of_other_knowledge_is_shown_as_far_as_it_is_known(
    phone: OpenPhone, single_file: Path
):
    one = phone(single_file.as_uri())
    one.new_car("van")
    one.say("R134a")
    one.page.evaluate(
        """() => ["findings", "readings", "vehicle"].forEach((section, i) =>
          bay.store.waiting.push({id: String(i).repeat(32), device: "d".repeat(32),
            count: 9 + i, at: "", case: bay.key, kind: "recorded",
            name: `forgotten_${section}`, value: "3 bar"}))"""
    )
    one.page.evaluate('bay.show({sheet: "recorded"})')
    assert "Forgotten findings" in one.page.locator("main").inner_text()
    assert one.page.locator("#leading").count() == 1


def test_a_page_says_when_the_server_has_other_knowledge(phone: OpenPhone, served: Served):
    one = phone(served.address)
    one.new_car("van")
    one.sent()
    assert one.page.locator("text=load the page again").count() == 0
    one.page.evaluate('bay.store.knowledge = "another"')
    one.page.evaluate("bay.show({})")
    assert one.page.locator("text=load the page again").count() == 1


def test_a_device_pairs_by_the_address_that_it_scanned(
    phone: OpenPhone, model: Model, binary: bytes, tmp_path: Path
):
    words: list[str] = []
    door = Pairing(tmp_path / "devices", words.append)
    text = whole_page(as_text(binary), server=True, paired=True)
    served = Served(model, text, tmp_path / "book.db", door)
    try:
        stranger = phone(served.address)
        assert stranger.heading() == "Pair this device"
        stranger.page.fill("#word", "nonsense")
        stranger.page.get_by_role("button", name="Pair").tap()
        stranger.page.wait_for_selector("text=not the word that is shown")
        one = phone(f"{served.address}#{words[-1]}")
        one.page.wait_for_selector("#new")
        assert "#" not in one.page.url
        one.new_car("van")
        one.sent()
        one.load()
        one.until("bay.key !== null")
        assert one.page.evaluate("bay.store.prefs.key.length") > 20
    finally:
        served.end()


def test_a_keyboard_types_the_keys_on_the_screen(phone: OpenPhone, single_file: Path):
    one = phone(single_file.as_uri())
    one.new_car("van")
    one.page.evaluate('bay.askAgain("ambient")')
    for key in ("3", "1", ",", "5", "0", "Backspace", "Enter"):
        one.page.keyboard.press(key)
    assert one.told() == {"ambient": "31.5 degC"}


def test_the_second_tap_of_a_shaking_hand_answers_nothing(phone: OpenPhone, single_file: Path):
    one = phone(single_file.as_uri())
    one.new_car("van")
    one.page.evaluate("bay.settle_ms = 300")
    one.page.wait_for_timeout(350)
    twice = """() => [0, 1].forEach(() => document.querySelector("[data-state]").click())"""
    one.page.evaluate(twice)
    assert one.told() == {"refrigerant": "R134a"}
    one.page.wait_for_timeout(350)
    one.page.evaluate(twice)
    assert one.told() == {"refrigerant": "R134a", "compressor": "fixed"}


def test_a_file_that_holds_no_entries_is_refused(phone: OpenPhone, single_file: Path):
    one = phone(single_file.as_uri())
    for text in ("", "[findings]", "#: {", "#: []", '#: {"id":1}', f"#: {'[' * 9000}"):
        one.page.locator('input[accept^=".toml"]').set_input_files(
            {"name": "case.toml", "mimeType": "text/plain", "buffer": text.encode()}
        )
        one.page.wait_for_selector("text=no entries of a page")
        one.page.evaluate('bay.show({problem: ""})')
    assert one.page.evaluate("bay.store.keys()") == []


def test_a_photo_is_kept_with_the_case_and_shown(phone: OpenPhone, served: Served):
    one = phone(served.address)
    one.new_car("van")
    picture = io.BytesIO()
    Image.new("RGB", (2400, 1200), (90, 60, 30)).save(picture, "PNG")
    one.page.evaluate('bay.startTest("capture_sample")')
    one.page.locator("input[capture]").set_input_files(
        {"name": "sample.png", "mimeType": "image/png", "buffer": picture.getvalue()}
    )
    one.until("bay.store.photos.length === 0 && bay.car().record?.photos.length === 1")
    (kept,) = (served.book.parent / "book.db.photos" / "case-1").iterdir()
    with Image.open(kept) as shown:
        assert shown.size == (1600, 800)
    assert kept.name.startswith("capture_sample-")
    one.page.evaluate('bay.show({sheet: "recorded"})')
    one.until("document.querySelector('.photos img')?.naturalWidth === 1600")


def test_a_photo_that_the_book_does_not_take_is_told_of_and_stays_here(
    phone: OpenPhone, served: Served
):
    one = phone(served.address)
    one.new_car("van")
    one.page.evaluate('bay.startTest("capture_sample")')
    one.page.locator("input[capture]").set_input_files(
        {"name": "sample.jpg", "mimeType": "image/jpeg", "buffer": b"no picture at all"}
    )
    one.page.evaluate(
        """() => ["no picture", new Uint8Array(7_000_000)].forEach((content) =>
          bay.store.keepPhoto(bay.key, "capture_sample", new Blob([content])))"""
    )
    for why in ("cannot open it as a picture", "JPEG or PNG picture", "ore than 6000000 bytes"):
        one.page.wait_for_selector(f"[role=alert]:has-text('{why}')")
    assert one.page.locator(".bar").inner_text().endswith("not taken over: 3")
    looked_at(one, "photos turned away")
    one.load()
    one.page.wait_for_selector("text=Take it again with the camera")
    with one.page.expect_download() as download:
        one.page.get_by_role("button", name="Save it as a file").first.tap()
    assert download.value.suggested_filename == "capture_sample.jpg"
    for left in (2, 1, 0):
        one.page.get_by_role("button", name="Put it aside").first.tap()
        one.until(f"document.querySelectorAll('[role=alert]').length === {left}")
    assert one.page.evaluate("bay.store.photos") == []


def test_a_new_car_that_the_book_does_not_take_is_told_of_with_all_that_was_entered(
    phone: OpenPhone, served: Served
):
    one = phone(served.address)
    one.page.evaluate(
        """() => bay.store.takeIn([
          {id: "zz", device: "d", count: 1, at: "", case: "zz", kind: "opened", name: "red van"},
          {id: "0".repeat(32), device: "d".repeat(32), count: 2, at: "", case: "zz",
            kind: "recorded", name: "refrigerant", value: "R134a"}])"""
    )
    one.page.wait_for_selector("text=Not taken over: the new case: red van")
    one.page.wait_for_selector("text=Not taken over: Refrigerant on the label: R134a")
    looked_at(one, "a car turned away")


def test_trouble_of_the_server_is_no_refusal(phone: OpenPhone, served: Served):
    one = phone(served.address)
    one.page.route("**/entries", lambda route: route.fulfill(status=500, body="broken"))
    one.new_car("van")
    one.say("R134a")
    one.page.wait_for_selector("text=not sent yet: 2")
    assert "answers 500" in one.page.evaluate("bay.syncText(true)")
    one.page.unroute("**/entries")
    one.page.evaluate("bay.store.wake()")
    one.sent()
    assert one.page.evaluate("bay.store.refused") == []


def test_a_number_that_no_fault_brings_about_is_told_at_once_and_without_a_server(
    phone: OpenPhone, single_file: Path
):
    one = phone(single_file.as_uri())
    one.new_car("van")
    for word in ("R134a", "fixed", "TXV", "complaint", "weak"):
        one.say(word)
    for name, value in (("nameplate_charge", "500 g"), ("recovered", "900 g")):
        one.page.evaluate(f'bay.record(bay.car(), "{name}", "{value}")')
    one.page.wait_for_selector("text=/85.0 % above a sound loop, further than any modelled fault/")
    one.page.evaluate('bay.record(bay.car(), "suction_line", "9 degC")')
    one.page.wait_for_selector("text=further than any", state="detached")
    one.page.evaluate('bay.show({sheet: "recorded"})')
    told = one.page.inner_text("main")
    assert "further than any modelled fault" in told
    assert "is not used: superheat also needs low-side pressure." in told
    looked_at(one, "what is recorded, with remarks")


def test_a_photo_of_the_sample_is_read_and_entered_with_one_tap(phone: OpenPhone, served: Served):
    one = phone(served.address)
    one.new_car("van")
    one.page.evaluate('bay.startTest("capture_sample")')
    one.page.locator("input[capture]").set_input_files(
        {"name": "sample.jpg", "mimeType": "image/jpeg", "buffer": rendered()}
    )
    one.until("bay.store.photos.length === 0 && bay.car().record?.photos.length === 1")
    one.page.evaluate(
        'bay.enter({kind: "recorded", name: "sample_darkening", value: "light_grey", replaces: []})'
    )
    one.until("bay.store.waiting.length === 0")
    one.page.evaluate('bay.show({sheet: "recorded"})')
    one.page.click("[data-read]")
    for key in "14":
        one.page.click(f'[data-key="{key}"]')
    one.page.click("#enter")
    one.page.wait_for_selector("#accept")
    looked_at(one, "the photo, read")
    assert "on the oil scale" in one.page.inner_text("main")
    assert "Nothing here is validated on real samples" in one.page.inner_text("main")
    one.until("document.querySelector('img.marked')?.naturalWidth === 780")
    one.page.click("#accept")
    one.until("bay.car().state.noted.sample_darkening?.ofPhoto === true")
    assert one.page.evaluate("bay.car().state.noted.sample_darkening.saw") == "light_grey"
    one.page.wait_for_selector("text=from the photo; seen: light grey")
    with CaseBook(served.book, write=False) as book:
        assert [e.kind for e in book.events(1)][-1] == "photographed"
        noted = replay(book.events(1)).noted["sample_darkening"]
    shown = one.page.evaluate("bay.car().state.noted.sample_darkening.value")
    assert noted.saw.value == "light_grey"
    assert shown == noted.value
