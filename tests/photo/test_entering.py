"""Photos in cases: one witness with the eye, undone and entered again, of this car and fresh."""

from __future__ import annotations

import json
import struct
from collections.abc import Callable, Iterator
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from itertools import permutations
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner
from hypothesis import given, settings
from hypothesis import strategies as st
from loopodds.base.errors import InspectionError
from loopodds.casebook.book import CaseBook
from loopodds.casebook.work import Casework
from loopodds.diagnosis.model import Model
from loopodds.photo.beside import Shelf, glass_named, glass_of, keep_glass
from loopodds.photo.entering import PhotoRefused, enter_photo, photo_of_case
from loopodds.photo.liquids import Glass
from loopodds.photo.pictures import Picture
from loopodds_cli.main import main
from photo_shots import INNER_MM, read, rendered
from PIL import Image

TOLD = {
    "sample_darkening": {"none": 0.1, "light_grey": 0.5, "brown": 1.0, "black": 0.05},
    "sample_greenness": {"none": 1.0, "pale": 0.3, "deep": 0.02},
}
WORDS = {"sample_darkening": "light_grey", "sample_greenness": "pale"}
NOON = datetime(2031, 5, 4, 12, 0, tzinfo=UTC)


@pytest.fixture
def work(tmp_path: Path) -> Iterator[Casework]:
    with CaseBook(tmp_path / "book.db", clock=lambda: NOON) as book:
        yield Casework(book, Model())


def belief(work: Casework, case: int) -> dict[str, float]:
    return work.show(case).after.chances()


def test_photo_and_eye_count_once_in_whatever_order_they_come(work: Casework):
    only = work.open().state.number
    work.photographed(only, TOLD, {})
    expected = belief(work, only)
    steps: list[Callable[[int], Any]] = [
        lambda case: work.photographed(case, TOLD, {}),
        lambda case: work.record(case, [("sample_darkening", WORDS["sample_darkening"])]),
        lambda case: work.record(case, [("sample_greenness", WORDS["sample_greenness"])]),
    ]
    for order in permutations(steps):
        case = work.open().state.number
        for step in order:
            step(case)
        assert belief(work, case) == pytest.approx(expected, abs=1e-12)
        noted = work.show(case).state.noted
        assert noted["sample_greenness"].saw.value == "pale"
        assert noted["sample_darkening"].saw.value == "light_grey"


@settings(max_examples=15, deadline=None)
@given(entries=st.lists(st.sampled_from(["photo", "eye", "undo", "redo"]), max_size=7))
def test_no_order_of_entries_undone_and_redone_counts_both(tmp_path_factory, entries: list[str]):
    path = tmp_path_factory.mktemp("book") / "book.db"
    with CaseBook(path) as book:
        work = Casework(book, Model())
        case = work.open().state.number
        standing: list[str] = []
        undone: list[str] = []
        for entry in entries:
            if entry == "photo":
                work.photographed(case, TOLD, {})
            elif entry == "eye":
                work.record(case, WORDS.items())
                # two observations are two steps
            elif entry == "undo" and standing:
                for _ in range(2 if standing[-1] == "eye" else 1):
                    work.undo(case)
                undone.append(standing.pop())
                continue
            elif entry == "redo" and undone:
                for _ in range(2 if undone[-1] == "eye" else 1):
                    work.redo(case)
                standing.append(undone.pop())
                continue
            else:
                continue
            standing.append(entry)
            undone.clear()
        plain = work.open().state.number
        if "photo" in standing:
            work.photographed(plain, TOLD, {})
        elif "eye" in standing:
            work.record(plain, WORDS.items())
        assert belief(work, case) == pytest.approx(belief(work, plain), abs=1e-12)


def test_a_photo_doubted_leaves_the_eye(work: Casework):
    eye = work.open(observations=[("sample_darkening", "brown")]).state.number
    expected = belief(work, eye)
    both = work.open(observations=[("sample_darkening", "brown")]).state.number
    work.photographed(both, {"sample_darkening": TOLD["sample_darkening"]}, {})
    assert belief(work, both) != pytest.approx(expected, abs=1e-3)
    work.doubt(both, [("sample_darkening", None)])
    assert belief(work, both) == pytest.approx(expected, abs=1e-12)


def test_entered_undone_and_entered_again_leaves_the_same_belief(work: Casework):
    content, case = rendered(), work.open().state.number
    before = belief(work, case)
    reading = read(content)
    once = enter_photo(work, case, reading, content)
    entered = belief(work, case)
    assert entered != pytest.approx(before, abs=1e-3)
    (kept,) = Shelf(work.book.path).photos(case)
    assert once.events[0].content["photo"]["picture"] == kept.name
    assert once.events[0].content["photo"]["measured"] == reading.as_json()["measured"]
    work.undo(case)
    assert belief(work, case) == pytest.approx(before, abs=1e-15)
    enter_photo(work, case, reading, content)
    assert belief(work, case) == pytest.approx(entered, abs=1e-15)
    assert len(Shelf(work.book.path).photos(case)) == 1


def test_the_picture_of_another_case_is_refused(work: Casework):
    content = rendered()
    first, second = (work.open().state.number for _ in range(2))
    enter_photo(work, first, read(content), content)
    exif = Image.Exif()
    exif[0x0110] = "Some phone"
    part = exif.tobytes()
    tagged = content[:2] + b"\xff\xe1" + struct.pack(">H", len(part) + 2) + part + content[2:]
    for again in (content, tagged):
        with pytest.raises(PhotoRefused, match=r"kept with case 1: take a photo of the sample of"):
            enter_photo(work, second, read(again), again)
    assert not Shelf(work.book.path).photos(second)


@pytest.mark.parametrize(
    ("steps", "taken", "refused"),
    [
        ([], NOON - timedelta(minutes=30), None),
        ([], NOON - timedelta(hours=5), "other_case"),
        (["capture_sample"], NOON + timedelta(minutes=100), None),
        (["capture_sample"], NOON + timedelta(minutes=140), "old"),
        (["repair"], NOON - timedelta(minutes=30), "old"),
        (["capture_sample", "repair"], NOON + timedelta(minutes=20), None),
        ([], None, None),
    ],
)
def test_a_photo_is_of_this_sample_and_fresh(
    work: Casework, steps: list[str], taken: datetime | None, refused: str | None
):
    case = work.open().state.number
    for step in steps:
        if step == "repair":
            work.repaired(case, ["dry_the_loop"])
        else:
            work.tests_done(case, [step])
    reading = replace(read(rendered()), picture=Picture(read(rendered()).picture.pixels, taken))
    now = NOON + timedelta(minutes=150) if taken and taken > NOON else NOON
    now = taken + timedelta(minutes=5) if taken and taken > NOON else now
    found = photo_of_case(reading, rendered(), case, work, now)
    assert [r.reason for r in found.refusals] == ([refused] if refused else [])


def test_a_glass_is_asked_about_once(tmp_path: Path):
    book = tmp_path / "book.db"
    keep_glass(book, "bench", glass_of("1.25 cm", "0.2 mm"))
    keep_glass(book, "van", glass_of("0.5 in"))
    assert glass_named(book, "bench") == Glass(12.5, 0.2)
    assert glass_named(book, "van") == pytest.approx(Glass(12.7, 0.3))
    with pytest.raises(InspectionError, match=r"^no glass 'benhc'; did you mean 'bench'\?$"):
        glass_named(book, "benhc")


@pytest.mark.parametrize(
    ("path", "error", "said"),
    [
        ("12", None, "'12' is no length of a glass; write it as '12.5 mm'"),
        ("2 mm", None, "an inner diameter of 2 mm: the card is for 6 to 30 mm"),
        ("12 mm", "9 mm", "an error of 9 mm: above 0, up to a third of the diameter"),
        ("12 mm", "0 mm", "an error of 0 mm: above 0, up to a third of the diameter"),
    ],
)
def test_a_glass_that_cannot_be_is_refused(path: str, error: str | None, said: str):
    with pytest.raises(InspectionError) as caught:
        glass_of(path, error)
    assert str(caught.value) == said


@pytest.fixture
def bench(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.setenv("LOOPODDS_BOOK", str(tmp_path / "book.db"))
    monkeypatch.chdir(tmp_path)
    (tmp_path / "sample.jpg").write_bytes(rendered())
    (tmp_path / "none.jpg").write_bytes(rendered(card=False))
    return tmp_path


def run(*words: str, answer: str = "") -> Any:
    return CliRunner().invoke(main, [*words], input=answer)


def test_the_command_reads_asks_and_enters(bench: Path):
    assert run("case", "open", "--name", "van").exit_code == 0
    words = ("photo", "read", "sample.jpg", "--glass", "bench", "--path", f"{INNER_MM} mm")
    told = run(*words, "--case", "1", "--marked", "marked.png", answer="n\n")
    assert told.exit_code == 0, told.output
    assert "on the oil scale".upper() in told.output
    assert "nothing here is validated on real samples" in told.output
    assert (bench / "marked.png").read_bytes().startswith(b"\x89PNG")
    assert "photographed" not in run("case", "history", "1").output
    entered = run("photo", "read", "sample.jpg", "--glass", "bench", "--case", "1", answer="y\n")
    assert "What it moved" in entered.output
    assert "photographed" in run("case", "history", "1").output
    undone = run("case", "undo", "1")
    assert "undone" in undone.output
    again = run("photo", "read", "sample.jpg", "--glass", "bench", "--case", "1", "--yes", "--json")
    content = json.loads(again.stdout)
    assert content["usable"]
    assert content["entered"] == 1
    assert content["validated"] is False


def test_the_command_says_why_a_photo_is_no_evidence(bench: Path):
    told = run("photo", "read", "none.jpg", "--path", "12 mm")
    assert told.exit_code == 1
    assert "THIS PHOTO IS NO EVIDENCE" in told.output
    assert "lay the printed card flat behind the glass" in " ".join(told.output.split())
    (bench / "text.jpg").write_text("no picture")
    told = run("photo", "read", "text.jpg", "--path", "12 mm")
    assert told.exit_code == 1
    assert told.stderr == (
        "loopodds: text.jpg: this is no JPEG or PNG picture; set the phone to JPEG, or convert it\n"
    )


def test_the_card_is_written_as_either_kind(bench: Path):
    for name, begins in (("card.svg", b"<svg"), ("card.pdf", b"%PDF-1.4")):
        assert run("photo", "card", "--out", name).exit_code == 0
        assert (bench / name).read_bytes().startswith(begins)
    assert run("photo", "card", "--out", "-").output.startswith("<svg")
    assert run("photo", "card", "--out", "card.doc").exit_code == 1
