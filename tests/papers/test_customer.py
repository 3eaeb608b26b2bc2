"""The customer's page: what it says before and after a repair, and of a car that is dangerous."""

from __future__ import annotations

import re
from datetime import UTC, datetime

import pytest
from loopodds.advice.assessment import assess
from loopodds.casebook.sources import read_case
from loopodds.papers.content import Report, Sender
from loopodds.papers.glass import glass, look_of
from loopodds.papers.wording import read_wording
from loopodds.papers.writing import CUSTOMER, report_text
from shared import assessed, shipped

WHEN = datetime(2026, 11, 28, 9, 0, tzinfo=UTC)
TWO = "[vehicle]\nrefrigerant = 'R134a'\n[readings]\nlow_side = '0.6 bar'\nvent = '75 degF'\n"


def told(case: str, language: str = "en", **how: str) -> str:
    """The page of a demo case, or of a case file, as Markdown."""
    known = shipped().knowledge
    found = assessed(case) if case[0] == "@" else assess(read_case(case, known), shipped())
    report = Report(found, WHEN, sender=Sender(how.get("workshop", "")), plate=how.get("plate", ""))
    return report_text(report, "md", read_wording(language, known), (CUSTOMER,))


def sections(text: str) -> list[str]:
    return re.findall(r"^## (.*)$", text, re.MULTILINE)


@pytest.fixture(scope="module")
def repaired() -> str:
    return told("@leak_repaired", workshop="Bay Two", plate="AB 123")


def test_after_a_repair_it_tells_first_diagnosis_work_proof_and_now(repaired: str) -> None:
    assert sections(repaired) == [
        "What you told us",
        "What was wrong when the car came",
        "What was done",
        "How it was proved",
        "How it stands now",
        "What you can choose",
    ]
    assert "Too little refrigerant" in repaired
    assert "- Find and repair the leak, prove it tight, fill by weight" in repaired
    assert "The loop held its vacuum" in repaired
    assert "The air from the vents is too warm (18 °C)" in repaired
    assert "**Not in order yet**" in repaired


def test_head_and_facts_are_those_given(repaired: str) -> None:
    assert repaired.startswith("Bay Two")
    assert "- Registration: AB 123" in repaired
    assert "- Date: 28 November 2026" in repaired


def test_the_same_page_speaks_german() -> None:
    text = told("@leak_repaired", "de")
    assert "Die Luft aus den Düsen ist zu warm (18 °C)" in text
    assert "Der Druck auf der Niederdruckseite stimmt (1,1 bar)" in text
    english = ("What", "the ", "Complaint", "unit ")
    assert not [word for word in english if word in text]


def test_a_dangerous_car_asks_first_not_to_be_used() -> None:
    text = told("@after_a_bump")
    asked = "Do not switch the air conditioning on and do not touch the orange cables"
    assert text.index(asked) < text.index("## What we found")
    # an offer after which it still does not cool is not called one that helps
    assert "The least that helps" not in text


def test_a_case_of_two_readings_makes_no_more_of_them_than_they_are() -> None:
    text = told(TWO)
    assert "- Registration: \n" in text  # a line to write on
    assert "Nothing was noted of why the car came." in text
    assert "deltaF" not in text
    assert "degF" not in text
    assert "confirmed" not in text
    assert "(normal)" not in text
    assert re.search(r"What was not checked: A sample out of the loop, ", text)


def test_every_offer_has_a_price_and_prices_made_up_say_so(repaired: str) -> None:
    offers = [line for line in repaired.splitlines() if "hours of work" in line]
    assert 1 < len(offers) <= 3
    assert all(re.search(r"[\d,]+ units, [\d.]+ hours of work", offer) for offer in offers)
    assert "examples made up for a demonstration" in repaired


def test_a_sample_is_drawn_as_it_was_seen() -> None:
    look = look_of({"sample_darkening": "black", "sample_bubbles": {"none": 0.2, "persisting": 1}})
    assert look == {"sample_darkening": "black", "sample_bubbles": "persisting"}
    drawn, clear = glass(look, "black, bubbles").svg, glass({}, "clear").svg
    assert drawn.count("<circle") > 5
    assert clear.count("<circle") == 0
    assert drawn == glass(look, "black, bubbles").svg
    assert "<title>a &lt; b</title>" in glass({}, "a < b").svg
