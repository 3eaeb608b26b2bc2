"""What a person may mean by a name: slips first, then words that stand in titles and texts."""

from __future__ import annotations

from typing import NamedTuple

import pytest
from loopodds.base.errors import unknown_name
from loopodds.base.likeness import How, found, meant


class Told(NamedTuple):
    title: str
    about: str = ""
    states: tuple[str, ...] = ()


SHED = {
    "grass": Told("Length of the lawn", "Mown on a dry day.", ("short", "long")),
    "hedge": Told("Width of the hedge", "Cut after the birds have left the garden pond."),
    "pond": Told("Garden pond", "Fish and lilies.", ("clear", "green")),
    "pump": Told("Pump of the pond", "Keeps the water clear."),
}


@pytest.mark.parametrize(
    ("words", "names"),
    [
        ("pond", ["pond", "pump", "hedge"]),  # name, title, text behind it
        ("Ponds", ["pond", "pump", "hedge"]),
        ("the garden pond", ["pond", "hedge"]),
        ("gardenpond", ["pond", "hedge"]),  # two words written as one
        ("clear", ["pond", "pump"]),  # a state before a text
        ("wat", ["pump"]),
        ("awn", ["grass"]),
        ("hegde", ["hedge"]),
        ("pond swimming", []),
        ("", []),
        ("the", []),
    ],
)
def test_names_are_found_by_every_word_that_was_typed_the_most_telling_first(
    words: str, names: list[str]
) -> None:
    assert [hit.name for hit in found(words, SHED)] == names


def test_whole_words_come_before_beginnings_and_parts_and_hide_what_is_only_alike() -> None:
    options = dict.fromkeys(["upward", "warden", "ward", "wart_ward_x", "word"])
    hits = found("ward", options)
    assert [(hit.name, hit.how) for hit in hits] == [
        ("ward", How.WHOLE),
        ("wart_ward_x", How.WHOLE),
        ("warden", How.BEGINNING),
        ("upward", How.PART),
    ]
    assert [hit.how for hit in found("wrard", options)] == [How.ALIKE] * len(
        found("wrard", options)
    )


@pytest.mark.parametrize(
    ("word", "names"),
    [
        ("hegde", ("hedge",)),
        ("lawn_length", ("grass",)),
        ("pond_water", ("pump",)),
        ("gras_width", ()),  # shares a word with one name and a word with another
        ("fish", ()),  # told of the pond, but no name of it
    ],
)
def test_a_name_is_meant_by_a_slip_or_by_words_of_its_title(
    word: str, names: tuple[str, ...]
) -> None:
    assert meant(word, SHED) == names


def test_names_alone_are_meant_by_slips_and_words_in_another_order_not_by_family() -> None:
    names = ["sample_foam", "sample_bubbles", "line_bubbles"]
    assert meant("bubbles_line", names) == ("line_bubbles",)
    assert meant("sample_bubels", names) == ("sample_bubbles",)
    assert meant("sample_weight", names) == ()


def test_several_that_are_meant_alike_are_all_offered_and_many_are_none() -> None:
    two = {"left": Told("Left gate"), "right": Told("Right gate")}
    assert str(unknown_name("part", "gate", two)).endswith("did you mean 'left' or 'right'?")
    many = {f"g{number}": Told("Gate") for number in range(4)}
    assert str(unknown_name("part", "gate", many)).endswith("known: g0, g1, g2, g3")


def test_what_is_spelt_alike_counts_in_names_and_titles_only() -> None:
    assert [hit.name for hit in found("hegde", {"a": Told("Fence", "Beside the hedge.")})] == []


def test_a_name_longer_than_anybody_types_is_not_looked_for() -> None:
    assert found("pond " * 100_000, SHED) == []
