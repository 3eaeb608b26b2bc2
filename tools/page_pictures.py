"""Pictures of the page at the car and of a class: one for the README, all states to look at.

python tools/page_pictures.py [--all FOLDER]
"""

from __future__ import annotations

import argparse
import io
import shutil
import tempfile
from collections.abc import Callable, Iterator
from pathlib import Path

from loopodds import Model, as_text, carried, read_case
from loopodds_cli.bay.classroom import class_page
from loopodds_cli.bay.single_file import page as whole_page
from PIL import Image
from playwright.sync_api import Browser, Page, sync_playwright

SHOWN = Path(__file__).parents[1] / "notebooks" / "pictures" / "bay.png"
PHONE, WALL = {"width": 390, "height": 844}, {"width": 1280, "height": 720}
IN_README = ("question", "steps", "conditions")
GAP = 16


def answer(page: Page, *words: str) -> None:
    """Taps on answers with these words, then everything else of the intake is not known."""
    for word in words:
        page.locator(f'[data-state="{word}"]').first.tap()
    while page.evaluate("bay.car().intake(bay.ui.skipped).length"):
        page.locator("#cannot").first.tap()
    page.wait_for_selector("#ready, #toplan")


def states(page: Page) -> Iterator[str]:
    """Every state of a case, by name, one after the other."""

    def sheet(name: str) -> str:
        page.evaluate(f'bay.show({{sheet: "{name}"}})')
        return name

    def record(name: str, value: str) -> None:
        page.evaluate(f'bay.record(bay.car(), "{name}", "{value}")')

    yield "cases"
    page.evaluate('bay.begin("B-XY 12")')
    page.wait_for_selector("[data-state]")
    yield "question"
    answer(page, "R134a", "fixed", "TXV", "complaint", "weak")
    yield "next"
    for name, value in (("sample_bubbles", "persisting"), ("sample_darkening", "light_grey"),
                        ("ambient", "31 degC"), ("high_side", "17.5 bar")):  # fmt: skip
        record(name, value)
    page.evaluate('bay.startTest("capture_sample")')
    yield "cautions"
    page.evaluate("scrollTo(0, document.querySelector('ol.steps').offsetTop - 170)")
    yield "steps"
    page.evaluate('bay.show({test: null}); bay.askAgain("low_side")')
    for key in "21":
        page.locator(f'[data-key="{key}"]').first.tap()
    yield "number"
    page.evaluate("bay.show({again: null})")
    for name in ("conditions", "tests", "recorded", "more", "facts", "plan", "services", "close"):
        yield sheet(name)
    record("high_side", "28 bar")
    yield sheet("stops")
    record("high_side", "17.5 bar")
    page.evaluate('bay.decide(bay.car(), ["hand_over", "advise_and_recheck"])')
    yield "decided"
    page.locator("#agree").tap()
    page.locator('[data-back="30"]').tap()
    yield "agreed"
    page.locator("#keep").tap()
    yield "decided and agreed"
    page.evaluate('bay.repaired(bay.car(), ["dry_the_loop"])')
    yield "repaired"
    page.evaluate("bay.repairs.data.most_cells = 1; bay.repairs.trees.clear()")
    record("sample_bubbles", "none")
    yield "repair not followed"
    yield sheet("conditions")
    page.evaluate("bay.close(bay.car(), {})")
    yield "closed"
    page.evaluate("bay.leave()")
    yield "cases at last"


def taken(browser: Browser, file: Path, screen: dict[str, int], shown: Shown) -> None:
    """Pictures of one page, kept by ``shown`` as they are taken."""
    small = screen is PHONE
    context = browser.new_context(viewport=screen, has_touch=True, is_mobile=small)  # type: ignore[arg-type]
    page = context.new_page()
    page.goto(file.as_uri())
    page.wait_for_selector("main h1, .odds")
    page.evaluate("bay.settle_ms = 0")
    for name in class_states(page) if page.locator(".odds").count() else states(page):
        page.wait_for_timeout(400)
        shown(name, page.screenshot())
    context.close()


def class_states(page: Page) -> Iterator[str]:
    """What a class sees."""
    yield "class"
    page.evaluate("bay.classroom.suppose('moisture')")
    page.evaluate("bay.classroom.change((car) => { car.readings.high_side = '28 bar'; })")
    yield "class with a stop"


Shown = Callable[[str, bytes], None]


def side_by_side(pictures: list[bytes]) -> Image.Image:
    """Pictures of one height in a row."""
    images = [Image.open(io.BytesIO(one)).convert("RGB") for one in pictures]
    width = sum(image.width + GAP for image in images) - GAP
    row = Image.new("RGB", (width, images[0].height), "white")
    at = 0
    for image in images:
        row.paste(image, (at, 0))
        at += image.width + GAP
    return row


def main() -> None:
    """Take the pictures."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--all", type=Path, help="Folder for pictures of every state.")
    folder = parser.parse_args().all
    kept: dict[str, bytes] = {}

    def keep(name: str, picture: bytes) -> None:
        kept.setdefault(name, picture)
        if folder:
            folder.mkdir(parents=True, exist_ok=True)
            (folder / f"{len(list(folder.iterdir())):02} {name}.png").write_bytes(picture)

    model = Model()
    with tempfile.TemporaryDirectory() as made, sync_playwright() as driver:
        bay, room = Path(made) / "bay.html", Path(made) / "class.html"
        text = whole_page(as_text(carried(model)), server=False, paired=False)
        bay.write_text(text, encoding="utf-8")
        room.write_text(class_page(model, read_case("@wet_loop", model.knowledge)), "utf-8")
        browser = driver.chromium.launch(
            executable_path=shutil.which("chromium"), args=["--no-sandbox", "--disable-gpu"]
        )
        taken(browser, bay, PHONE, keep)
        if folder:
            taken(browser, room, PHONE, keep)
            taken(browser, room, WALL, keep)
        browser.close()
    side_by_side([kept[name] for name in IN_README]).save(SHOWN, optimize=True)


if __name__ == "__main__":
    main()
