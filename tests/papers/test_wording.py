"""Languages of the customer's page: whole, checked by name, filled in as text."""

from __future__ import annotations

import re
import shutil
from collections.abc import Mapping
from datetime import UTC, date, datetime
from html import unescape
from importlib import resources
from pathlib import Path

import msgspec
import pytest
from click.testing import CliRunner
from loopodds.advice.assessment import assess
from loopodds.base.errors import KnowledgeError, UnknownName
from loopodds.base.phrases import UNSAFE_NOTE
from loopodds.casebook.sources import demo_cases
from loopodds.papers.content import Report
from loopodds.papers.wording import Wording, Words, languages, read_wording, wording_slips
from loopodds.papers.writing import CUSTOMER, report_text
from loopodds_cli.main import main
from shared import assessed, shipped

WHEN = datetime(2026, 11, 28, 9, 0, tzinfo=UTC)
DATA = Path(str(resources.files("loopodds_data")))


def say(language: str) -> Wording:
    return read_wording(language, shipped().knowledge)


def own_folder(folder: Path, **changes: tuple[str, str]) -> Path:
    """The shipped knowledge as a folder of one's own, some words of its languages replaced."""
    shutil.copytree(DATA, folder, ignore=shutil.ignore_patterns("cases", "archive", "*.py"))
    for code, (old, new) in changes.items():
        file = folder / "languages" / f"{code}.toml"
        text = file.read_text(encoding="utf-8")
        assert text.count(old) == 1
        file.write_text(text.replace(old, new), encoding="utf-8")
    return folder


def test_every_shipped_language_says_all_there_is_to_say() -> None:
    assert languages() == ["de", "en"]
    assert wording_slips(shipped().knowledge) == []


def test_what_a_language_leaves_out_is_named_and_said_in_english(tmp_path: Path) -> None:
    folder = own_folder(tmp_path / "k", de=('dry_the_loop = "Kreislauf trocknen', 'x = "'))
    slips = [str(slip) for slip in wording_slips(shipped().knowledge, folder)]
    text = "is missing; it is said in English or in the words of the knowledge"
    assert slips[0] == f"languages/de.toml: services.dry_the_loop: warning: {text}"
    assert slips[1].startswith("languages/de.toml: services.x: no such name; ")
    found = CliRunner().invoke(main, ["network", "--check", "--knowledge", str(folder)])
    assert all(slip in found.output for slip in slips)
    assert found.exit_code == 1
    shutil.copy(folder / "languages" / "de.toml", tmp_path / "own.toml")
    german = read_wording(str(tmp_path / "own.toml"), shipped().knowledge)
    assert german.service("dry_the_loop").startswith("Dry the loop")
    assert german.service("replace_drier").startswith("Neuer Trockner")


def test_a_name_that_no_language_knows_is_said_in_the_words_of_the_knowledge() -> None:
    knowledge = shipped().knowledge
    bare = Wording("en", [say("en").own.__class__(name="bare")], knowledge)
    assert bare.service("dry_the_loop") == knowledge.services["dry_the_loop"].title
    assert bare.condition("leak").title == knowledge.conditions["leak"].title
    assert bare.stop("high_voltage") == knowledge.stops["high_voltage"].title
    assert bare.sign("vent", "high") is None


def test_a_third_language_is_another_file(tmp_path: Path) -> None:
    path = tmp_path / "fr.toml"
    path.write_text('name = "Français"\n[page]\nleft = "Si rien n\'est fait"\n', encoding="utf-8")
    words = read_wording(str(path), shipped().knowledge)
    assert words.code == "fr"
    assert words.page("left") == "Si rien n'est fait"
    assert words.page("found") == "What we found"
    with pytest.raises(UnknownName, match="unknown language 'fr'"):
        say("fr")


def test_a_slip_in_a_language_file_is_named(tmp_path: Path) -> None:
    path = tmp_path / "fr.toml"
    path.write_text('name = "x"\npages = {}\n', encoding="utf-8")
    with pytest.raises(KnowledgeError, match=r"fr\.toml.*pages"):
        read_wording(str(path), shipped().knowledge)
    hole = own_folder(tmp_path / "k", de=('leave_it = "So lassen', 'leave_it = "{x} So lassen'))
    (slip,) = wording_slips(shipped().knowledge, hole)
    assert str(slip) == "languages/de.toml: page.leave_it: has x in braces, needs nothing"
    # said all the same, the brace as it stands
    words = read_wording("de", shipped().knowledge, hole)
    assert words.page("leave_it").startswith("{x} So lassen")


def test_numbers_dates_and_amounts_are_written_as_the_language_has_them() -> None:
    english, german = say("en"), say("de")
    assert english.money(1253.4, "unit") == "1,253 units"
    assert german.money(1253.4, "unit") == "1.253 Einheiten"
    assert german.money(1, "unit") == "1 Einheit"
    assert german.money(20, "EUR") == "20 EUR"
    assert german.amount("2.1 bar") == "2,1 bar"
    assert english.amount("12 deltaF") == "12 °F"
    assert german.day(date(2026, 3, 1)) == "1. März 2026"
    assert [english.work(minutes) for minutes in (20, 90)] == [
        "20 minutes of work",
        "1.5 hours of work",
    ]


def test_what_is_filled_in_is_text_and_nothing_more() -> None:
    assert say("en").page("photo_of", what="{date} <b>") == "Photo: {date} <b>"


def test_words_for_chances_fall_with_the_probability() -> None:
    for language in languages():
        words = say(language)
        assert len({words.chance(p) for p in (0.99, 0.9, 0.7, 0.5, 0.3, 0.1, 0.01)}) == 7
        assert len({words.sure(p) for p in (0.99, 0.9, 0.7, 0.5)}) == 4


def sentences(words: Words) -> set[str]:
    """Every text of a language of more than two words, cut where something is filled in."""
    texts: list[str] = []

    def gather(value: object) -> None:
        if isinstance(value, str):
            texts.extend(re.split(r"\{\w+\}", value))
        elif isinstance(value, Mapping):
            for one in value.values():
                gather(one)
        elif isinstance(value, tuple | list):
            for one in value:
                gather(one)

    gather(msgspec.to_builtins(words))
    return {text.strip() for text in texts if len(text.split()) > 2}


@pytest.mark.slow
def test_nothing_on_a_page_in_german_is_english() -> None:
    known = shipped().knowledge
    english = sentences(say("en").own) - sentences(say("de").own)
    english |= {"could be", " of 20", UNSAFE_NOTE}
    titles = [*known.nodes.values(), *known.services.values(), *known.tests.values()]
    english |= {one.title for one in titles if len(one.title.split()) > 2}
    found = set()
    for case in [*demo_cases()][::6]:
        bare = assessed(case).inspection.with_remarks(confirmed={})
        for result in (assessed(case), assess(bare, shipped())):
            for form in ("html", "md"):
                page = unescape(report_text(Report(result, WHEN), form, say("de"), (CUSTOMER,)))
                found |= {text for text in english if text in page}
    assert found == set()
