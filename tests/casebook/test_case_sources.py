"""Where a case comes from: every source gives the same inspection."""

from __future__ import annotations

import io
from collections.abc import Mapping
from dataclasses import replace
from importlib import resources
from pathlib import Path

import pytest
from loopodds.base.errors import InspectionError, UnknownName
from loopodds.casebook.book import CaseBook
from loopodds.casebook.file import CaseBookError
from loopodds.casebook.sources import demo_cases, read_case
from loopodds.casebook.work import Casework
from loopodds.diagnosis.model import Model
from loopodds.knowledge.records import Knowledge

SECTIONS: Mapping[str, Mapping[str, str]] = {
    "vehicle": {"refrigerant": "R134a"},
    "findings": {"sample_bubbles": "persisting"},
    "readings": {"vent": "57.2 degF"},
}
TEXT = "".join(
    f"[{name}]\n" + "".join(f'{key} = "{value}"\n' for key, value in content.items())
    for name, content in SECTIONS.items()
)


@pytest.fixture
def own_book(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    path = tmp_path / "cases.db"
    monkeypatch.setenv("LOOPODDS_BOOK", str(path))
    return path


def test_text_plain_data_a_path_and_an_open_file_are_the_same_case(tmp_path: Path) -> None:
    path = tmp_path / "van.toml"
    path.write_text(TEXT, encoding="utf-8")
    text = read_case(TEXT)
    assert text.readings["vent"].value == pytest.approx(14.0)
    assert replace(read_case(SECTIONS), name=text.name) == text
    assert read_case(path) == read_case(str(path)) == replace(text, name="van")
    assert read_case(io.StringIO(TEXT)) == read_case(io.BytesIO(TEXT.encode())) == text


def test_a_number_is_a_case_of_the_book_with_the_tests_done(own_book: Path) -> None:
    observations = [(name, value) for part in SECTIONS.values() for name, value in part.items()]
    with CaseBook(own_book) as book:
        work = Casework(book, Model(Knowledge()))
        work.open("van", observations)
        work.tests_done(1, ["cold_look", "interview"])
    case = read_case(1)
    assert case == read_case("1")
    assert case.tests_done == ("cold_look", "interview")
    assert case.course == case.tests_done
    assert replace(case, name="case text", tests_done=(), course=None) == read_case(TEXT)


def test_a_book_without_a_path_is_the_users_own(own_book: Path) -> None:
    with CaseBook() as book:
        assert book.path == own_book


def test_what_is_no_case_is_named(own_book: Path) -> None:
    with pytest.raises(CaseBookError, match="there is none yet"):
        read_case(1)
    with CaseBook(), pytest.raises(UnknownName, match=r"^no case 7 in the case book .* is empty$"):
        read_case(7)
    with pytest.raises(UnknownName, match=r"^unknown demo case 'wet_lop'; did you mean 'wet_loop'"):
        read_case("@wet_lop")
    with pytest.raises(InspectionError, match=r"^nowhere\.toml: no such file"):
        read_case("nowhere.toml")


def test_a_demo_case_is_the_file_that_ships() -> None:
    folder = resources.files("loopodds_data").joinpath("cases")
    assert {f"@{f.name.removesuffix('.toml')}" for f in folder.iterdir()} == set(demo_cases())
    shipped = folder.joinpath("wet_loop.toml").read_text(encoding="utf-8")
    assert read_case("@wet_loop") == replace(read_case(shipped), name="wet_loop")
